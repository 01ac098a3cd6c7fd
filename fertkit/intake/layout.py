"""Find the tables on a laboratory's sheet and which way they run, without reading a single number.

A sheet becomes one or more `Block`: a header per column and the lines of its samples. A transposed table is
turned; a long table is a block whose headers name the analyte and the value columns.
"""

import re
from dataclasses import dataclass, field, replace

from fertkit.errors import InputError, Problem
from fertkit.intake.files import RawTable, text_of
from fertkit.intake.headers import Header, heading_unit, read_header
from fertkit.intake.spellings import plain, spellings
from fertkit.intake.units import find_unit, is_other_matrix

_BLANK = Header("blank")
_NUTRIENTS = ("nutrient", "oxide", "unclear")
_MOST_WORDS = 20_000  # different words looked up on a sheet; the rest are taken for names of samples
_LINES_ABOVE = 1_000  # lines above a table that are searched for its crop, stage, ...


@dataclass(frozen=True)
class Block:
    """One table on a sheet.

    Attributes
    ----------
    shape : str
        wide, long or transposed.
    headers : tuple of Header
    labels : tuple of str
        Header text as the file writes it.
    lines : tuple of int
        Index into ``cells`` of each sample line.
    cells : list of list
        Cells, turned if the table is transposed.
    turned : bool
        Whether lines and columns are exchanged against the file.
    """

    shape: str
    headers: tuple[Header, ...]
    labels: tuple[str, ...]
    lines: tuple[int, ...]
    cells: list
    turned: bool = False

    def place(self, line: int, column: int) -> tuple[int, str]:
        """(row of the file from 1, column label) of a cell, for messages."""
        if self.turned:
            return column + 1, text_of(self.cells[line][0]) or f"column {line + 1}"
        return line + 1, self.labels[column]

    def rows(self) -> tuple[list[int], list[int]]:
        """Rows of the file that hold the column names, and rows that hold its samples or results."""
        if self.turned:
            first = next(j for j, h in enumerate(self.headers) if h.kind in _NUTRIENTS)
            return list(range(first)), [j for j, h in enumerate(self.headers) if h.kind in _NUTRIENTS]
        named = [text for j, text in enumerate(self.labels) if text != f"column {j + 1}"]
        first = min(self.lines, default=0)
        above = (
            i for i in range(first - 1, -1, -1) if list(filter(None, map(text_of, self.cells[i]))) == named
        )
        return list(range(max(next(above, first) - 1, 0), first)), list(self.lines)


@dataclass(frozen=True)
class Layout:
    """Blocks of a sheet, the context its lines above state, and what was left out."""

    blocks: tuple[Block, ...]
    context: dict = field(default_factory=dict)  # role -> (raw cell, row)
    dropped: tuple = ()  # (what, row) pairs
    notes: tuple[str, ...] = ()


def find_layout(raw: RawTable) -> Layout:
    """Find the tables of a sheet.

    Raises
    ------
    InputError
        If no row or column names nutrients.
    """
    cells, turned = raw.cells, False
    meaning = _dictionary()
    text = [_meanings(row, i, meaning) for i, row in enumerate(cells)]
    first = next((i for i, row in enumerate(text) if _nutrients_in(row)), 0)
    long_row = _long_header(text)
    if long_row is None:
        turned = _runs_down(text, cells)
        if turned:
            cells = [list(column) for column in zip(*cells, strict=True)]
            text = [list(column) for column in zip(*text, strict=True)]
    starts = [long_row] if long_row is not None else _header_rows(text, cells)
    if not starts:
        remedy = "name the nutrients (N, P, Zn ...) in one header row or in the first column"
        raise InputError(raw.name, [Problem("no row or column names nutrients", remedy)])
    shape = "long" if long_row is not None else "transposed" if turned else "wide"
    blocks, dropped = [], []
    for start, end in zip(starts, [*starts[1:], len(cells)], strict=True):
        block, left = _block(shape, cells, text, start, end)
        blocks.append(replace(block, turned=turned))
        dropped += left
    lines = raw.cells[: min(first if turned else starts[0], _LINES_ABOVE)]
    above = _context(lines, table_from=3 if turned else None)
    notes = [text_of(c) for row in lines for c in row if c != ""]
    notes += [what for what, _ in dropped]
    return Layout(tuple(blocks), above, tuple(dropped), tuple(notes))


def _dictionary():
    """A reader of headers that looks up so many different words and takes the rest for samples' names."""
    known = {}

    def meaning(text):
        if text not in known and len(known) < _MOST_WORDS:
            known[text] = read_header(text)
        return known.get(text, _BLANK)

    return meaning


def _meanings(row, i, meaning):
    """Meaning of each cell as if it were a header; of lines made of numbers only the start is looked at."""
    if not any(row):
        return [_BLANK] * len(row)
    wordy = [isinstance(c, str) and 0 < len(c) <= 60 and not (c[0].isdigit() or c[0] in "<>-.") for c in row]
    if sum(wordy) * 2 < len(row) - row.count(""):
        wordy = [w and i < 200 and j < 4 for j, w in enumerate(wordy)]
    return [meaning(text_of(c)) if w else _BLANK for c, w in zip(row, wordy, strict=True)]


def _long_header(text):
    for i, row in enumerate(text[:80]):
        roles = [h.name for h in row if h.kind == "role"]
        if "analyte" not in roles or "value" not in roles:
            continue
        j = [h.name if h.kind == "role" else "" for h in row].index("analyte")
        if any(below[j].kind in _NUTRIENTS for below in text[i + 1 :]):
            return i
    return None


def _nutrients_in(row):
    return {h.name for h in row if h.kind in _NUTRIENTS}


def _runs_down(text, cells):
    """Whether nutrients stand in a column (samples across) rather than in a row."""
    across = max(text, key=lambda row: (len(_nutrients_in(row)), sum(bool(h.unit) for h in row)), default=[])
    columns = list(zip(*text, strict=True))[:4]
    down = max(columns, key=lambda c: (len(_nutrients_in(c)), sum(bool(h.unit) for h in c)), default=[])
    n_across, n_down = len(_nutrients_in(across)), len(_nutrients_in(down))
    if n_down == 0:
        return False
    if n_across == n_down == 1:  # one nutrient: do the numbers stand beside it or below it?
        i = next(k for k, row in enumerate(text) if _nutrients_in(row))
        j = next(k for k, h in enumerate(text[i]) if h.kind in _NUTRIENTS)
        beside = [c for c in cells[i][j + 1 :] if c != ""]
        below = [row[j] for row in cells[i + 1 :] if row[j] != ""]
        return (
            bool(beside) and all(_has_digit(c) for c in beside) and not any(_has_digit(c) for c in below[1:])
        )
    if n_across > 1 and n_down > 1:
        with_unit = [sum(h.kind in _NUTRIENTS and bool(h.unit) for h in line) for line in (across, down)]
        if with_unit[0] != with_unit[1]:
            return with_unit[1] > with_unit[0]
    return n_down > n_across


def _has_digit(cell):
    return not isinstance(cell, str) or bool(re.search(r"\d", cell))


def _header_rows(text, cells):
    """Lines that name nutrients: the first, and any later one (a repeated header or a second table)."""
    counts = [len(_nutrients_in(row)) for row in text]
    most = max(counts, default=0)
    if most == 0:
        return []
    first = next(i for i, n in enumerate(counts) if n == most)
    again = (i for i in range(first + 2, len(text)) if counts[i] >= max(2, most / 3))
    return [first, *(i for i in again if not _numbers_in(cells[i], text[i]))]


def _numbers_in(row, headers):
    return any(
        _has_digit(c) and h.kind not in _NUTRIENTS for c, h in zip(row, headers, strict=True) if c != ""
    )


def _block(shape, cells, text, start, end):
    headers = list(text[start])
    labels = [text_of(c) or f"column {j + 1}" for j, c in enumerate(cells[start])]
    used = start + 1
    dropped = []
    if shape != "long":
        used, dropped = _unit_rows(cells, text, start, end, headers)
        _unit_row_above(cells, start, headers)
    lines = []
    for i in range(used, end):
        reason = _not_a_sample(cells[i], headers, shape)
        if reason is None:
            lines.append(i)
        elif reason:
            dropped.append((reason, i + 1))
    return Block(shape, tuple(headers), tuple(labels), tuple(lines), cells), dropped


def _unit_rows(cells, text, start, end, headers):
    """Take the units (or second names) from the lines right under a header; give the first sample line."""
    dropped = []
    columns = [j for j, h in enumerate(headers) if h.kind in _NUTRIENTS]
    i = start + 1
    while i < end:
        filled = [j for j in columns if cells[i][j] != ""]
        words = {j: text_of(cells[i][j]) for j in filled}
        if not filled or any(not isinstance(cells[i][j], str) for j in filled):
            break
        units = {j: find_unit(w) for j, w in words.items()}
        names = [j for j in filled if text[i][j].kind in _NUTRIENTS and text[i][j].name == headers[j].name]
        if sum(map(bool, units.values())) * 2 >= len(filled):
            for j, word in words.items():
                headers[j] = _state_unit(headers[j], word)
        elif len(names) * 2 >= len(filled):
            for j in names:
                headers[j] = replace(headers[j], unit=headers[j].unit or text[i][j].unit)
        elif not any(_has_digit(c) for c in cells[i]) and plain(text_of(cells[i][0])) in (
            "",
            *spellings("summary"),
        ):
            dropped.append(("line of remarks under the header", i + 1))
        else:
            break
        i += 1
    return i, dropped


def _state_unit(header, word):
    unit = find_unit(word)
    if header.unit and unit and unit != header.unit:
        return replace(header, complaint=f"the header says {header.unit}, the unit row {unit}")
    if unit or header.kind != "nutrient":
        return replace(header, unit=header.unit or unit)
    matrix = is_other_matrix(word)
    return replace(header, complaint="another matrix than dry matter" if matrix else f"unknown unit '{word}'")


def _unit_row_above(cells, start, headers):
    """Obey a line of group headings such as 'Macronutrients (%)', 'Micronutrients (ppm)' over the symbols."""
    if start == 0:
        return
    found = [heading_unit(c) if isinstance(c, str) and c else "" for c in cells[start - 1]]
    if sum(map(bool, found)) < 2:
        return
    current = ""
    for j, unit in enumerate(found):
        current = unit or current
        if headers[j].kind == "nutrient" and not headers[j].unit:
            headers[j] = replace(headers[j], unit=current)


def _not_a_sample(row, headers, shape):
    """None for a sample line, '' for a blank one, else what the line is."""
    filled = [j for j, c in enumerate(row) if c != ""]
    if not filled:
        return ""
    first = text_of(row[filled[0]])
    if plain(first).strip(" :.") in spellings("summary") and headers[filled[0]].kind != "nutrient":
        return f"summary line '{first}'"
    if shape == "transposed" and read_header(first).name in ("range", "flag", "other"):
        return f"column '{first}'"
    meaning = [headers[j] for j in filled]
    results = [h for h in meaning if h.kind in _NUTRIENTS or (h.kind == "role" and h.name == "value")]
    if not results and (len(filled) <= 2 or any(len(text_of(row[j])) > 60 for j in filled)):
        return f"note '{first}'"
    return None


def _context(rows, table_from):
    """Roles stated above the table: 'Crop: soybean' in one cell, or 'Crop' with its value in the next."""
    context = {}
    for i, row in enumerate(rows):
        filled = [c for c in row if c != ""]
        if table_from and len(filled) >= table_from:  # a line of the table itself
            continue
        for k, cell in enumerate(filled):
            key, mark, rest = cell.partition(":") if isinstance(cell, str) else ("", "", "")
            header = read_header(key) if len(key) <= 60 else _BLANK
            if header.kind != "role" or header.name in ("range", "other", "flag", "value", "analyte"):
                continue
            value = rest.strip() if mark and rest.strip() else filled[k + 1] if k + 1 < len(filled) else ""
            if value != "":
                context.setdefault(header.name, (value, i + 1))
    return context
