"""Find the tables on a laboratory's sheet and which way they run, without reading a single number.

A sheet becomes one or more `Block`: a header per column, the lines of its samples and its lines above.
A transposed table is turned; a long table is a block whose headers name the analyte and the value columns.
"""

import re
from collections import Counter
from dataclasses import dataclass, field, replace

from fertkit.errors import InputError, Problem
from fertkit.intake.columns import as_chosen, chosen_roles, lacking
from fertkit.intake.grid import header_key
from fertkit.intake.headers import (
    STATED,
    Header,
    complete_headers,
    header_rows,
    nutrients_in,
    read_header,
    stated_under,
    take_units,
)
from fertkit.intake.leaf_lines import fill_long, fill_merged, sort_lines
from fertkit.intake.leaf_sections import Section, carried, context_of, own_to_each, sections_of
from fertkit.intake.spellings import is_rating, number_like, plain, problem, spellings
from fertkit.tables import RawTable, holds_numbers, open_tables, text_of, whole

_BLANK = Header("blank")
_MOST_WORDS = 20_000  # different words looked up on a sheet; the rest are taken for names of samples


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
    above : int
        Rows of the file above the first column of a turned table.
    context : dict
        What the lines above the table say: role -> (raw cell, row).
    ratings : dict
        Ratings in lines of their own: (line, column) -> text.
    more_names : dict
        Second line of a sample's name: line -> text.
    heads : tuple of int
        Rows of the file that hold the column names.
    start : int
        First row of the file, from 0, of its own lines of context; what stands above is of an earlier table.
    """

    shape: str
    headers: tuple[Header, ...]
    labels: tuple[str, ...]
    lines: tuple[int, ...]
    cells: list
    above: int = 0
    context: dict = field(default_factory=dict)
    ratings: dict = field(default_factory=dict)
    more_names: dict = field(default_factory=dict)
    heads: tuple[int, ...] = ()
    start: int = 0

    @property
    def turned(self) -> bool:
        """Whether lines and columns are exchanged against the file."""
        return self.shape == "transposed"

    @property
    def results(self) -> list[int]:
        """Columns named after a nutrient, an oxide or an ion."""
        return [j for j, h in enumerate(self.headers) if h.names_nutrient]

    def columns(self, kind: str, name: str | None = None) -> list[int]:
        """Return the columns whose header is of one kind, and of one name if it is given."""
        return [j for j, h in enumerate(self.headers) if h.kind == kind and name in (None, h.name)]

    def column(self, role: str) -> int | None:
        """Return the first column of a role, if there is one."""
        return next(iter(self.columns("role", role)), None)

    def place(self, line: int, column: int) -> tuple[int, str]:
        """Return (row of the file from 1, column label) of a cell, for messages."""
        if self.turned:
            return self.above + column + 1, text_of(self.cells[line][0]) or f"column {line + 1}"
        return line + 1, self.labels[column]

    def rows(self) -> tuple[list[int], list[int]]:
        """Return the rows of the file that hold the column names, and those of its samples or results."""
        if not self.turned:
            return list(self.heads), list(self.lines)
        filled = [sum(line[j] != "" for line in self.cells) for j in range(len(self.headers))]
        stated = {*STATED} - {"sample_id"}
        samples = [
            self.above + j
            for j, h in enumerate(self.headers)
            if h.names_nutrient or (h.name in stated and filled[j] * 2 > max(filled))
        ]
        return [i for i in self.heads if i not in samples] or list(self.heads), samples


@dataclass(frozen=True)
class Layout:
    """Blocks of a sheet, and what was left out."""

    blocks: tuple[Block, ...]
    dropped: tuple = ()  # (what, row) pairs
    notes: tuple[str, ...] = ()
    asked: tuple[Problem, ...] = ()
    filled: tuple[Problem, ...] = ()  # merged cells written on each of their lines


def open_layout(
    source, name, sheet, read=read_header, under=stated_under, *, columns=None, roles=(), own="leaf"
):
    """Open the table of a file, or of the one sheet of a workbook that holds results, with its layout.

    Parameters
    ----------
    source, name, sheet
        As for `fertkit.tables.open_tables`.
    read, under : callable
        What a header says (a `Header`), and what a word right under it adds; those of leaves by default.
    columns : dict, optional
        Role -> header, where headers do not tell: one of `roles`, or what a header would say (``K %``).
    roles : collection of str
    own : str
        Kind of file that it is to be; another is told as such.

    Returns
    -------
    (RawTable, Layout)
    """
    tables = open_tables(source, name=name, sheet=sheet)
    read, laid_out, failure = as_chosen(read, columns, roles, tables[0].name), [], None
    for raw in tables:
        try:
            laid_out.append((raw, find_layout(raw, read, under, chosen_roles(columns))))
        except InputError as error:
            failure = failure or error
    if not laid_out:
        from fertkit.intake.kinds import refusal

        list(map(whole, tables))
        raise refusal(tables, own, failure.problems)
    laid_out = [one for one in laid_out if holds_numbers(one[0])] or laid_out
    if len(laid_out) > 1:
        sheets = ", ".join(raw.sheet for raw, _ in laid_out)
        raise InputError(laid_out[0][0].name, [problem("several sheets", sheets=sheets)])
    raw, layout = laid_out[0]
    labels = [label for block in layout.blocks for label in block.labels]
    if problems := lacking(labels, columns or {}):
        raise InputError(raw.name, problems)
    return whole(raw), layout


def find_layout(raw: RawTable, read=read_header, under=stated_under, chosen=()) -> Layout:
    """Find the tables of a sheet; see `open_layout`.

    Raises
    ------
    InputError
        If no row or column names nutrients, or lines of context cannot be given to a table.
    """
    cells, meaning = raw.cells, _dictionary(read)
    text = [_meanings(row, i, meaning, chosen) for i, row in enumerate(cells)]
    _look_below_analyte(cells, text, meaning)
    blocks, dropped, asked, notes, filled = [], [], [], [], []
    past: list = []
    sections = sections_of(cells, text, raw.name)
    for section, each in zip(sections, own_to_each(sections, cells), strict=True):
        reader = _Section(cells, text, section, blocks, under)
        past = carried(past, tuple(reader.stated(0)), each)
        for number, panel in enumerate(reader.panels):
            own = reader.stated(number)
            context = {s.role: (s.cell, s.line + 1) for s in (carried(past, tuple(own)) if number else past)}
            found, left, questions = reader.blocks(panel)
            for block in found:
                block = replace(block, context=context, start=section.start)
                block, written = fill_merged(block, raw.merged, panel[0])
                filled += written
                if block.shape == "long":
                    block, written, open_lines = fill_long(block)
                    filled, asked = filled + written, asked + open_lines
                blocks.append(block)
            dropped, asked = dropped + left, asked + questions
        notes += [text_of(c) for row in cells[section.start : reader.table_from] for c in row if c != ""]
    if not blocks:
        raise InputError(raw.name, [problem("no nutrients")])
    notes += [what for what, _ in dropped]
    return Layout(*map(tuple, (blocks, dropped, notes, asked, filled)))


def _dictionary(read):
    """A reader of headers that looks up so many different words and takes the rest for samples' names."""
    known = {}

    def meaning(text):
        if text not in known and len(known) < _MOST_WORDS:
            known[text] = read(text)
        return known.get(text, _BLANK)

    return meaning


def _meanings(row, i, meaning, chosen):
    """Meaning of each cell as if it were a header; of lines made of numbers only the start is looked at."""
    if not any(row):
        return [_BLANK] * len(row)
    wordy = [isinstance(c, str) and 0 < len(c) <= 60 and not (c[0].isdigit() or c[0] in "<>-.") for c in row]
    if sum(wordy) * 2 < len(row) - row.count(""):
        wordy = [w and i < 200 and j < 4 for j, w in enumerate(wordy)]
    if chosen:
        wordy = [w or header_key(text_of(c)) in chosen for c, w in zip(row, wordy, strict=True)]
    return [meaning(text_of(c)) if w else _BLANK for c, w in zip(row, wordy, strict=True)]


def _look_below_analyte(cells, text, meaning):
    """Look at every cell below the head of a column of analytes, whatever else its line is made of."""
    heads = {}
    for row, said in zip(cells, text, strict=True):
        roles = {h.name: j for j, h in enumerate(said) if h.kind == "role"}
        if "analyte" in roles and {"value", "flag"} & set(roles):
            heads = {roles["analyte"]}
        for j in heads:
            if said[j].kind == "blank" and isinstance(row[j], str) and 0 < len(row[j]) <= 60:
                said[j] = meaning(text_of(row[j]))


class _Section:
    """One section of a sheet: its shape, its panels side by side, and the blocks of each."""

    def __init__(self, cells, text, section: Section, earlier: list[Block], under):
        self.cells, self.text, self.section, self.earlier, self.under = cells, text, section, earlier, under
        lines = range(section.body, section.end)
        self.long_rows = [i for i in lines if _is_long_header(cells, text, i, section.end)]
        body = slice(section.body, section.end)
        self.continued = not self.long_rows and self._continues(lines)
        whole = bool(self.long_rows) or self.continued
        self.turned = not whole and _runs_down(text[body], cells[body])
        self.starts = self.long_rows
        if not whole and not self.turned:
            self.starts = header_rows(cells, text, lines)
        self.table_from = self.starts[0] if self.starts else section.body
        if self.turned:
            self.table_from = next(i for i in lines if nutrients_in(text[i]))
        self.panels = self._panels()

    def _panels(self):
        """Column ranges of tables that stand side by side: each begins with the same kind of column."""
        width = len(self.cells[0])
        for i in self.starts:
            kinds = [h.name if h.kind == "role" else "" for h in self.text[i]]
            result = [h.name == "value" if self.long_rows else h.names_nutrient for h in self.text[i]]
            for role in ("analyte",) if self.long_rows else ("sample_id", "place"):
                at = [j for j, name in enumerate(kinds) if name == role]
                ends = [*at[1:], width][: len(at)]
                if len(at) > 1 and all(any(result[a:b]) for a, b in zip(at, ends, strict=True)):
                    return list(zip([0, *at[1:]], ends, strict=True))
        return [(0, width)]

    def _continues(self, lines):
        """Whether samples or results follow without a header of their own, under that of the table above."""
        if not self.earlier or self.earlier[-1].turned:
            return False
        before = self.earlier[-1]
        columns = [j for j, h in enumerate(before.headers) if h.names_nutrient or h.name == "value"]
        if before.shape == "long":
            lines = [i for i in lines if self.text[i][before.column("analyte")].names_nutrient]
        else:
            named = [i for i in lines if any(h.names_nutrient for h in self.text[i][:4])]
            if len(named) > 1 or any(_named(self.text[i], self.cells[i])[0] > 1 for i in lines):
                return False
        return any(self.cells[i][j] != "" and number_like(self.cells[i][j]) for i in lines for j in columns)

    def stated(self, number):
        """What the lines of context say of one panel; what stands over none holds for the first panel."""
        low, high = self.panels[number]
        own = [s for s in self.section.stated if low <= s.column < high]
        if not self.turned:
            return own
        pairs = Counter(s.line for s in own)  # a line of a turned table tells of each sample by itself
        return [s for s in own if sum(c != "" for c in self.cells[s.line]) <= 2 * pairs[s.line]]

    def blocks(self, panel):
        """(blocks, what was dropped, what must be asked) of one panel."""
        cells, text = ([row[slice(*panel)] for row in table] for table in (self.cells, self.text))
        if self.turned:
            return self._turned(cells, text)
        if self.continued:  # samples below lines of context: the header of the table above holds
            before = self.earlier[-1]
            lines = range(self.section.body, self.section.end)
            block, dropped, asked = _block(before.shape, cells, lines, list(before.headers), before.labels)
            return [replace(block, heads=before.heads)], dropped, asked
        blocks, dropped, asked = [], [], []
        shape, past = "long" if self.long_rows else "wide", None
        for start, end in zip(
            self.starts, [*self.starts[1:], self.section.end][: len(self.starts)], strict=True
        ):
            free = not self._states_context(cells, text, start - 1)
            past, labels = complete_headers(cells, text, start, past, free)
            headers, first = list(past), start + 1
            if shape == "wide":
                first, left = take_units(cells, text, start, end, headers, self.under)
                dropped += left
            block, left, questions = _block(shape, cells, range(first, end), headers, labels)
            blocks.append(replace(block, heads=tuple(range(max(start - 1, 0), first))))
            dropped, asked = dropped + left, asked + questions
        return blocks, dropped, asked

    def _states_context(self, cells, text, line):
        """Whether a line says whose the samples are, so that it names no columns."""
        filled = line >= 0 and any(c != "" for c in cells[line])
        return filled and bool(context_of(cells[line], text[line], line))

    def _turned(self, cells, text):
        start, end = self.section.start, self.section.end
        turned, meanings = (
            [list(column) for column in zip(*t[start:end], strict=True)] for t in (cells, text)
        )
        heads = header_rows(turned, meanings, range(len(turned)))[:1]
        if not heads:
            return [], [], []
        headers = list(meanings[heads[0]])
        labels = [text_of(c) or f"row {start + j + 1}" for j, c in enumerate(turned[heads[0]])]
        first, dropped = take_units(turned, meanings, heads[0], len(turned), headers, self.under)
        block, left, asked = _block("transposed", turned, range(first, len(turned)), headers, labels)
        first = next(iter(block.results), 0)
        return [replace(block, above=start, heads=tuple(range(start, start + first)))], dropped + left, asked


def _block(shape, cells, lines, headers, labels):
    kinds = sort_lines(cells, lines, headers, turned=shape == "transposed")
    _tell_ratings(cells, kinds.samples, headers, labels)
    block = Block(
        shape, tuple(headers), tuple(labels), tuple(kinds.samples), cells,
        ratings=kinds.ratings, more_names=kinds.more_names,
    )  # fmt: skip
    return block, kinds.dropped, kinds.asked


def _tell_ratings(cells, lines, headers, labels):
    """Take columns that hold nothing but ratings for these, in place.

    So a second column of a nutrient, and 'Status', which may be good and poor areas or the rating.
    """
    for j, header in enumerate(headers):
        words = [cells[i][j] for i in lines if cells[i][j] != ""]
        if not words or not all(map(is_rating, words)):
            continue
        if header == Header("role", "area") and plain(labels[j]) in spellings("line rating"):
            if not all(plain(text_of(w)) in spellings("area") for w in words):
                headers[j] = Header("role", "flag")
        elif header.kind == "nutrient":
            same = sum((h.kind, h.name) == ("nutrient", header.name) for h in headers)
            headers[j] = replace(header, kind="rating") if same > 1 else header


def _is_long_header(cells, text, i, end):
    roles = [h.name if h.kind == "role" else "" for h in text[i]]
    if "analyte" not in roles or not {"value", "flag"} & set(roles):
        return False
    at = roles.index("analyte")
    below = [k for k in range(i + 1, end) if text[k][at].names_nutrient]
    if below and "value" not in roles:  # a column 'Level' holds ratings or, as here, the results
        j = roles.index("flag")
        if sum(number_like(cells[k][j]) for k in below) * 2 <= len(below):
            return False
        text[i][j] = Header("role", "value")
    return bool(below)


def _runs_down(text, cells):
    """Whether nutrients stand in a column (samples across) rather than in a row."""
    columns, beside = ([list(column) for column in zip(*t, strict=True)][:4] for t in (text, cells))
    n_across, _, across = max(map(_named, text, cells), key=lambda n: n[:2], default=(0, 0, []))
    n_down, _, down = max(map(_named, columns, beside), key=lambda n: n[:2], default=(0, 0, []))
    if n_down == 0:
        return False
    if n_across == n_down == 1:  # one nutrient: do the numbers stand beside it or below it?
        i = next(k for k, row in enumerate(text) if nutrients_in(row))
        j = next(k for k, h in enumerate(text[i]) if h.names_nutrient)
        right = [c for c in cells[i][j + 1 :] if c != ""]
        below = [row[j] for row in cells[i + 1 :] if row[j] != ""]
        return bool(right) and all(map(_has_digit, right)) and not any(map(_has_digit, below[1:]))
    if n_across > 1 and n_down > 1:
        with_unit = [sum(h.names_nutrient and bool(h.unit) for h in line) for line in (across, down)]
        if with_unit[0] != with_unit[1]:
            return with_unit[1] > with_unit[0]
    return n_down > n_across


def _named(meanings, cells):
    """Number of nutrients and of units a line names, and the line; 0 where numbers stand among its words."""
    named = sum(h.names_nutrient for h in meanings)
    if not named or sum(number_like(c) for c in cells if c != "") >= named:
        return 0, 0, meanings
    return len(nutrients_in(meanings)), sum(bool(h.unit) for h in meanings), meanings


def _has_digit(cell):
    return not isinstance(cell, str) or bool(re.search(r"\d", cell))
