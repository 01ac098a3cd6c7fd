"""Read a user's own table as text cells, whatever program wrote it: separator, encoding, decimal commas."""

import re

import pandas as pd

from fertkit.asked import a_saved_file, asks
from fertkit.errors import InputError, Problem
from fertkit.tables import open_tables, text_of, whole

_COMMA = re.compile(r"[+-]?\d*,\d+")
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


@asks(path=a_saved_file)
def read_text_table(path) -> pd.DataFrame:
    """Read a CSV (comma, semicolon, tab), XLSX, XLS or ODS file as text cells, nothing guessed.

    The first line that holds something names the columns; of a workbook the first filled sheet is read.

    Returns
    -------
    DataFrame
        Without blank lines; row 2 of the file has index 0.

    Raises
    ------
    InputError
        If the file is missing, empty or not a table, or a line does not fit its column names.

    Examples
    --------
    >>> from fertkit.reference.text_tables import read_text_table
    >>> from pathlib import Path
    >>> _ = Path("mine.csv").write_text("crop,low\\nsoybean,1.56\\n")
    >>> read_text_table("mine.csv").to_dict("records")
    [{'crop': 'soybean', 'low': '1.56'}]
    """
    raw = whole(open_tables(path)[0])
    filled = [i for i, row in enumerate(raw.cells) if any(cell != "" for cell in row)]
    header, lines = filled[0], filled[1:]
    names = [text_of(cell) for cell in raw.cells[header]]
    problems = raw.shifted([header], lines) or _unclear_names(raw, names, lines)
    if problems:
        raise InputError(raw.name, problems)
    held = [j for j, name in enumerate(names) if name]
    body = [[text_of(raw.cells[i][j]) for j in held] for i in lines]
    return pd.DataFrame(body, columns=[names[j] for j in held], index=[i - 1 for i in lines], dtype=str)


def _unclear_names(raw, names, lines):
    """Columns of one name, and cells under no name at all."""
    problems = []
    for j, name in enumerate(names):
        if name and name.lower() in (other.lower() for other in names[:j]):
            problems.append(Problem(f"two columns are named '{name}'", "keep one, or rename the other"))
        if not name:
            at = next((i for i in lines if raw.cells[i][j] != ""), None)
            if at is not None:
                remedy = "name the column, or empty its cells"
                problems.append(
                    Problem("a cell under no column name", remedy, at + 1, value=raw.cells[at][j])
                )
    return problems


def with_decimal_points(frame: pd.DataFrame, columns) -> pd.DataFrame:
    """Write the numbers of a table with decimal points if the whole table uses decimal commas.

    It does if no number holds a point and not every comma could be a thousands mark (1,320). Otherwise the
    table is left as it is, so that its commas are told as problems.
    """
    held = [c for c in columns if c in frame]
    cells = [str(cell).strip() for column in held for cell in frame[column]]
    commas = [cell for cell in cells if "," in cell]
    if not commas or any("." in cell for cell in cells):
        return frame
    if not all(map(_COMMA.fullmatch, commas)) or all(map(_GROUPED.fullmatch, commas)):
        return frame
    return frame.assign(**{c: frame[c].str.replace(",", ".", regex=False) for c in held})
