"""The sheet of a strip trial before its cells are read: where its headers stand, and the units below them."""

import re
from dataclasses import dataclass

from fertkit.errors import InputError, Problem
from fertkit.intake.files import text_of
from fertkit.intake.strip_headers import header_key, read_header
from fertkit.intake.strip_units import is_unit, rate_unit

#: The line of headers is looked for in this many first lines.
HEADER_DEPTH = 30
#: Begins the name of a column that has no header.
UNNAMED = "column"


@dataclass(frozen=True)
class Sheet:
    """Lines of strips under one line of headers.

    Attributes
    ----------
    name, delimiter : str
        As of the `RawTable`.
    header_line : int
        Line of the headers, counted from 1.
    headers : list of str
    rows : list of list
        Raw cells.
    lines : list of int
        Line of each row in the file.
    notes : tuple of str
        What was taken otherwise than it stands.
    """

    name: str
    delimiter: str
    header_line: int
    headers: list
    rows: list
    lines: list
    notes: tuple[str, ...] = ()

    def column(self, i) -> list:
        return [row[i] for row in self.rows]


def find_sheet(raw, columns) -> Sheet:
    """Find the line of headers, join a line of units below it, and drop blank lines.

    Parameters
    ----------
    raw : RawTable
    columns : iterable of str
        Headers that the user names.
    """
    if not any(raw.cells):
        raise InputError(raw.name, [Problem("the file holds no line", "save the table again")])
    wanted = {header_key(header) for header in columns}
    score = [
        sum(bool(read_header(cell).role) or header_key(cell) in wanted for cell in row)
        for row in raw.cells[:HEADER_DEPTH]
    ]
    at = score.index(max(score))
    headers, first, notes = [text_of(cell) for cell in raw.cells[at]], at + 1, ()
    if first < len(raw.cells) and units_line(raw.cells[first]):
        headers = with_units(headers, raw.cells[first])
        notes = (f"line {first + 1} is read as the units of the columns",)
        first += 1
    rows = [(i + 1, row) for i, row in enumerate(raw.cells) if i >= first and any(text_of(c) for c in row)]
    for i, header in enumerate(headers):
        if not header and any(text_of(row[i]) for _, row in rows):
            headers[i] = f"{UNNAMED} {i + 1}"
    return Sheet(raw.name, raw.delimiter, at + 1, headers, [r for _, r in rows], [i for i, _ in rows], notes)


def units_line(row) -> bool:
    """Whether a line holds units and words, one unit at least, and no number."""
    texts = [text_of(cell) for cell in row if text_of(cell)]
    return any(map(is_unit, texts)) and not any(re.match(r"[\d.,+-]*\d", text) for text in texts)


def with_units(headers, row):
    joined = []
    for header, cell in zip(headers, row, strict=True):
        unit = text_of(cell).strip("()[] ")
        joined.append(f"{header} ({unit})" if header and is_unit(unit) and not rate_unit(header) else header)
    return joined
