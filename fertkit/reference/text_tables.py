"""Read a user's own table as text cells, whatever program wrote it: separator, encoding, decimal commas."""

import csv
import io
import re
import warnings
from pathlib import Path

import pandas as pd

from fertkit.errors import InputError, Problem, harmless
from fertkit.sizes import bytes_of, check_text
from fertkit.workbooks import check_package

_SEPARATORS = ",;\t|"
_SPREADSHEETS = {".xlsx": "calamine", ".xls": "xlrd", ".ods": "calamine"}
_COMMA = re.compile(r"[+-]?\d*,\d+")
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def read_text_table(path) -> pd.DataFrame:
    """Read a CSV (comma, semicolon, tab), XLSX, XLS or ODS file as text cells, nothing guessed.

    Returns
    -------
    DataFrame
        Without blank lines; row 2 of the file has index 0.

    Raises
    ------
    InputError
        If the file is missing, empty or not a table.

    Examples
    --------
    >>> from fertkit.reference import read_text_table
    >>> from pathlib import Path
    >>> _ = Path("mine.csv").write_text("crop,low\\nsoybean,1.56\\n")
    >>> read_text_table("mine.csv").to_dict("records")
    [{'crop': 'soybean', 'low': '1.56'}]
    """
    path = Path(path)
    engine = _SPREADSHEETS.get(path.suffix.lower())
    data, name = bytes_of(path)
    try:
        if engine:
            if engine == "calamine":
                check_package(data, name)
            with warnings.catch_warnings():  # a spreadsheet package may warn of its own future
                warnings.simplefilter("ignore")
                frame = pd.read_excel(io.BytesIO(data), engine=engine, dtype=str, keep_default_na=False)
            return frame[(frame != "").any(axis=1)]
        text = harmless(_decoded(data))
        check_text(text, name)
        return _frame(text, name)
    except ImportError:
        problem = Problem(
            "spreadsheet files need one more package", "install it with: pip install 'fertkit[excel]'"
        )
    except InputError:
        raise
    except (ValueError, OSError, csv.Error) as error:
        problem = Problem(f"not a readable table ({type(error).__name__})", "save it as CSV (UTF-8) or XLSX")
    except Exception as error:  # the spreadsheet reader has error types of its own
        problem = Problem(
            f"not a readable spreadsheet ({type(error).__name__})", "save it again as XLSX or CSV"
        )
    raise InputError(name, [problem])


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252")


def _frame(text, name):
    """Cells below the names of the first line that is not blank; blank lines are left out."""
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=separator(text))
    rows = [(lines.line_num, row) for row in lines if any(cell.strip() for cell in row)]
    if not rows:
        raise ValueError("no line")
    header, width = rows[0][1], len(rows[0][1])
    remedy = "put a cell that holds the separator in quotes, and numbers with a decimal point"
    problems = [
        Problem(f"{len(row)} cells under {width} column names", remedy, at)
        for at, row in rows
        if any(cell.strip() for cell in row[width:])
    ]
    if problems:
        raise InputError(name, problems)
    body = [(row + [""] * width)[:width] for _, row in rows[1:]]
    return pd.DataFrame(body, columns=header, index=[at - 2 for at, _ in rows[1:]], dtype=str)


def separator(text: str) -> str:
    """The mark that cuts the header line into most cells; a comma if none does."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    return max(_SEPARATORS, key=header.count)


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
