"""A table of any kind before its cells are read: the line of its headers, the units below it, its lines.

A reader of one kind of file tells what its headers are (``roles.csv``); finding them, and reading numbers and
units, is the same for all.
"""

import re
from dataclasses import dataclass
from itertools import pairwise

from fertkit.errors import InputError
from fertkit.intake.spellings import listed, problem
from fertkit.intake.units import is_unit, rate_unit
from fertkit.tables import text_of

#: The line of headers is looked for in this many first lines.
HEADER_DEPTH = 30
#: Begins the name of a column that has no header.
_UNNAMED = "column"


@dataclass(frozen=True)
class Sheet:
    """Lines of a table under one line of headers.

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

    def repeats_headers(self, texts) -> bool:
        """Tell whether the texts of a line are those of the headers, with or without their units."""
        pairs = zip(texts, self.headers, strict=True)
        return all(
            header_key(t) in (header_key(h), header_key(without_unit(h)))
            or (not t and h.startswith(_UNNAMED))
            for t, h in pairs
        )


def find_sheet(raw, is_header) -> Sheet:
    """Find the line of headers, join a line of units below it, and drop blank lines.

    Parameters
    ----------
    raw : RawTable
    is_header : callable
        Tells whether a cell names a column of such a file; the line with most of them holds the headers.
    """
    if not any(raw.cells):
        raise InputError(raw.name, [problem("no line")])
    score = [sum(map(is_header, row)) for row in raw.cells[:HEADER_DEPTH]]
    at = score.index(max(score))
    headers, first, notes = [text_of(cell) for cell in raw.cells[at]], at + 1, ()
    if first < len(raw.cells) and units_line(raw.cells[first]):
        headers = with_units(headers, raw.cells[first])
        notes = (f"line {first + 1} is read as the units of the columns",)
        first += 1
    rows = [(i + 1, row) for i, row in enumerate(raw.cells) if i >= first and any(text_of(c) for c in row)]
    for i, header in enumerate(headers):
        if not header and any(text_of(row[i]) for _, row in rows):
            headers[i] = f"{_UNNAMED} {i + 1}"
    return Sheet(raw.name, raw.delimiter, at + 1, headers, [r for _, r in rows], [i for i, _ in rows], notes)


def units_line(row) -> bool:
    """Tell whether a line holds units and words, more units than words, and no number."""
    texts = [text_of(cell) for cell in row if text_of(cell)]
    return 2 * sum(map(_is_unit, texts)) > len(texts) and not any(map(is_number_like, texts))


def _is_unit(text) -> bool:
    """Tell whether a text is a unit, of money too ($/ton), perhaps with its moisture (bu/ac at 15.5 %)."""
    unit = text.strip("()[] ")
    return bool(is_unit(unit) or rate_unit(unit) or is_unit(unit.lstrip("$€£/ ")))


def is_number_like(text) -> bool:
    """Tell whether a text begins with a number."""
    return bool(re.match(r"[\d.,+-]*\d", text))


def with_units(headers, row) -> list[str]:
    """Join to each header without a unit the one below it, with its moisture (bu/ac at 15.5 %)."""
    units = [text_of(cell).strip("()[] ") for cell in row]
    pairs = zip(headers, units, strict=True)
    return [f"{h} ({unit})" if h and _is_unit(unit) and not rate_unit(h) else h for h, unit in pairs]


def without_unit(header) -> str:
    """Return a header without the unit in brackets at its end."""
    return re.sub(r"(?<=\S)\s*[(\[][^()\[\]]*[)\]]\s*$", "", str(header))


def header_key(header) -> str:
    """Return a header for comparing: lower case, single blanks."""
    return " ".join(str(header).split()).lower()


def name_lines(lines) -> str:
    """Name lines for a note: line 7; lines 22 to 26; lines 3, 9, 14 and more."""
    if len(lines) == 1:
        return f"line {lines[0]}"
    if lines == list(range(lines[0], lines[-1] + 1)):
        return f"lines {lines[0]} to {lines[-1]}"
    return f"lines {listed(lines, 12, ' and more')}"


def is_merged(labels) -> bool:
    """Tell whether labels stand as merged cells show: each with a blank below, none twice in a row."""
    at = [i for i, label in enumerate(labels) if label]
    if not at or at[0] or len(at) == len(labels):
        return False
    return all(j - i > 1 for i, j in pairwise([*at, len(labels)])) and all(
        labels[i] != labels[j] for i, j in pairwise(at)
    )


def hidden_rows(raw, lines) -> list:
    """Return the note on lines that are hidden in a workbook and read all the same; [] if none are."""
    rows = sorted({row + 1 for row in raw.hidden} & set(lines)) if raw.hidden else []
    return [problem("hidden rows", s="s" * (len(rows) > 1), rows=listed(rows, 8))] if rows else []
