"""Lines of a text table under their column names: which are too long, too short, broken or pushed."""

import re
from itertools import pairwise

import numpy as np

from fertkit.delimited import NUMBERISH, REMEDY, cells_of
from fertkit.errors import InputError, Problem

_USUAL = 0.75  # share of the whole lines that fill a column which no line may leave out
_FEW = 2  # short lines that are a slip
_MANY = 3  # whole lines to each short one, for these not to be the habit of the file
_PIECE = 1 << 24  # bytes of a large file that are looked at together
_TELLING = 3  # different halves of numbers in a column of notes from which they are asked about
_POINTS = "write decimals with a point, or put each number that holds a comma in quotes"
_NOTES = re.compile(
    r"notes?|remarks?|comments?|bemerkung(en)?|kommentare?|notas?|observaciones", re.IGNORECASE
)


def check_lengths(rows, widths, header, lines, delimiter) -> list[Problem]:
    """Find lines that a comma of a number or of a text has shifted against their header.

    Parameters
    ----------
    rows : list of list
        Cells, row i standing in line i + 1.
    widths : sequence of int
        Cells of each line as written, empty ones at its end counted; empty if nothing is known of them.
    header : sequence of int
        Rows that hold the column names; the longest counts.
    lines : sequence of int
        Rows to look at.
    delimiter : str
        Of the text file.

    Returns
    -------
    list of Problem
        One a line, each with what could be meant.
    """
    if not header:
        return []
    table = _Lines(rows, widths, header, lines, delimiter)
    problems = [*table.shorter(), *table.broken()]
    if not delimiter:
        return problems
    problems += [*table.short_units(), *table.alone()] if widths else []
    longer = {i: None for i in lines if _filled(rows[i]) > table.named}
    problems += [_longer(rows[i], table.named, i, delimiter) for i in longer]
    rest = [i for i in lines if i not in longer]
    problems += table.pushed(rest) if widths else []
    return problems + (
        [*table.beyond(rest), *table.numbers_as_notes()] if delimiter == "," and widths else []
    )


class _Lines:
    """The lines of a table, beside the number of its column names and the whole lines under them."""

    def __init__(self, rows, widths, header, lines, delimiter):
        self.rows, self.widths, self.header, self.lines = rows, widths, header, lines
        self.delimiter = delimiter
        self.names = max(header, key=lambda i: _filled(rows[i]))
        self.named = _filled(rows[self.names])
        self.whole = [i for i in lines if widths and widths[i] >= self.named]

    def _short(self, i, remedy="put back the separator; an empty cell keeps its separators"):
        return Problem(_cells_under(self.widths[i], self.named), remedy, i + 1, value=self._text(i))

    def _text(self, i):
        return " | ".join(self.rows[i][: self.widths[i]])

    def _last_filled(self, numbers):
        """The last column that most of the whole lines fill, with numbers if asked; -1 if there is none."""
        cells = ([self.rows[i][j] for i in self.whole] for j in range(self.named))
        counts = [
            sum(c != "" and (not numbers or any(map(str.isdigit, c))) for c in column) for column in cells
        ]
        return max((j for j, n in enumerate(counts) if n > _USUAL * len(self.whole)), default=-1)

    def shorter(self):
        """Lines that end before a column which the others fill: a separator is lost, or the line is cut off.

        Where many lines end early the file leaves out what is empty. Of a printed page only columns of
        numbers count: a mark that is left out at the end shifts nothing.
        """
        short = [i for i in self.lines if self.whole and 1 < self.widths[i] < self.named]
        last, few = self._last_filled(numbers=not self.delimiter), len(short) <= _FEW
        if not self.delimiter:  # even one line: which of its cells is empty cannot be told
            remedy = "write '-' into the empty cell, or save the table as CSV or XLSX"
            return [self._short(i, remedy) for i in short if self.widths[i] <= last]
        if few and any(self.rows[i][self.named - 1] == "" for i in self.whole):
            last = self.named - 1  # the other lines keep the separators of their empty cells
        remedy = "put back the separator or the rest of the line; an empty cell keeps its separators"
        slips = few or len(short) <= len(self.whole) / _MANY
        return [self._short(i, remedy) for i in short if slips and self.widths[i] <= last]

    def alone(self):
        """The one or two lines of a table that end early, with none that could show the end is left out."""
        if self.whole or not 0 < len(self.lines) <= _FEW:
            return []
        notes = _NOTES.fullmatch(self.rows[self.names][self.named - 1].strip(" :."))
        return [self._short(i) for i in self.lines if 1 < self.widths[i] < self.named - bool(notes)]

    def short_units(self):
        """Lines between the column names and the numbers, as of units, that end before the numbers do."""
        last = self._last_filled(numbers=True) if self.whole else -1
        return [self._short(i) for i in self.header if i > self.names and 1 < self.widths[i] <= last]

    def broken(self):
        """Two lines that together hold as many cells as one of the table: a line was broken in two."""
        if not self.widths or not self.lines or self.named < 3:
            return []
        filled = [i for i in range(min(self.lines), len(self.rows)) if _filled(self.rows[i])]
        last = max(self.lines)
        end = (
            filled[-1] if filled[-1] <= last + 2 else last
        )  # lines after the last, where nothing else follows
        pairs = [(i, j) for i, j in pairwise(filled) if j == i + 1 <= end]
        halves = [i for i, j in pairs if self.widths[i] + self.widths[j] == self.named]
        what = "the line looks like half of one that was broken in two"
        return [Problem(what, "join it with the next line", i + 1, value=self._text(i)) for i in halves]

    def pushed(self, lines):
        """Lines of more cells than the header with an empty one where the others hold something."""
        most = max(self.widths[i] for i in self.header)
        usual = [self.rows[i] for i in lines if self.widths[i] <= most]
        kept = [j for j in range(self.named) if sum(row[j] != "" for row in usual) > _USUAL * len(usual)]
        what = "the line has a separator too many: a cell is empty that the other lines fill"
        return [
            Problem(what, f"take it out: there are {most} column names", i + 1, value=self._text(i))
            for i in lines
            if self.widths[i] > most and any(self.rows[i][j] == "" for j in kept if j < _filled(self.rows[i]))
        ]

    def beyond(self, lines):
        """Lines cut into more cells than the header though their last columns are empty: a comma too many."""
        most = max(self.widths[i] for i in self.header)
        wide = [i for i in lines if self.widths[i] > most]
        if len(wide) == len(lines):  # each line ends in a comma: an empty column, no decimal point
            pointed = self._pointed(lines)
            wide = [i for i in wide if not pointed and _filled(self.rows[i]) < self.named]
        problems = []
        for i in wide:
            what = f"the line is cut into {self.widths[i]} cells under {most} column names"
            if pairs := _pairs(self.rows[i], self.widths[i] - most):
                problems.append(Problem(what, _POINTS, i + 1, value=_both(pairs)))
        return problems

    def _pointed(self, lines):
        """Whether a number of the lines has a decimal point."""
        return any("." in cell and NUMBERISH.fullmatch(cell) for i in lines for cell in self.rows[i])

    def numbers_as_notes(self):
        """A last column of notes filled with digits, in a file without a decimal point: halves of numbers."""
        last, title = self.named - 1, self.rows[self.names][self.named - 1]
        filled = [i for i in self.lines if self.rows[i][last] != ""]
        digits = {self.rows[i][last] for i in filled}
        if not _NOTES.fullmatch(title.strip(" :.")) or len(digits) < _TELLING or last == 0:
            return []
        if not all(re.fullmatch("[0-9]{1,2}", cell) for cell in digits) or self._pointed(self.lines):
            return []
        pairs = _pairs(self.rows[filled[0]][: last + 1], 1)
        what = "notes that are all whole numbers look like the decimals of the column before"
        remedy = "write decimals with a point, or rename the column if these are codes"
        return [Problem(what, remedy, filled[0] + 1, title, _both(pairs))] if pairs else []


def _filled(row):
    """Cells of a row up to the last that holds something."""
    return next((j + 1 for j in range(len(row) - 1, -1, -1) if row[j] != ""), 0)


def _cells_under(held, named) -> str:
    return f"the line has {held} cells under {named} column names"


def _longer(row, named, i, delimiter):
    held = _filled(row)
    what = _cells_under(held, named)
    pairs = _pairs(row[:held], held - named) if delimiter == "," else []
    if pairs:
        return Problem(what, _POINTS, i + 1, value=_both(pairs))
    mark = {"\t": "a tab", ";": "a semicolon", ",": "a comma", "|": "a bar"}.get(delimiter, delimiter)
    remedy = f"put a cell that holds {mark} in quotes, or name every filled column"
    return Problem(what, remedy, i + 1, value=" | ".join(row[:held]))


def _pairs(row, most):
    """Neighbouring cells that may be one number with a decimal comma: those with the shortest decimals."""
    found = [
        j for j in range(1, len(row))
        if re.fullmatch(r"[<>]?\s*-?[0-9]+", row[j - 1]) and re.fullmatch(r"[0-9]{1,6}\s*%?", row[j])
    ]  # fmt: skip
    chosen: set[int] = set()
    for j in sorted(found, key=lambda j: (len(row[j]), -j)):
        if len(chosen) < most and not {j - 1, j + 1} & chosen:
            chosen.add(j)
    return [(row[j - 1], row[j]) for j in sorted(chosen)]


def _both(pairs):
    return "; ".join(f"{whole} and {part}, or {whole}.{part}" for whole, part in pairs[:3])


# ---- long files, line by line without keeping them


def check_long_file(stream, delimiter: str, name: str) -> None:
    """Look through a delimited file too long to be cut in Python, whose first line holds the column names.

    Parameters
    ----------
    stream : binary file
    delimiter : str
    name : str

    Raises
    ------
    InputError
        Naming the first lines whose quotes do not close or that hold more cells than the header.
    """
    mark, at, named, problems = ord(delimiter or ","), 0, 0, []
    short, fewer = [], 0  # the first lines that are too short, and the number of all of them
    for data in _whole_lines(stream):
        starts, marks, quotes = _counts(data, mark)
        for line in np.flatnonzero((marks != named - 1) | (quotes > 0)):
            text = data[starts[line] : starts[line + 1]].decode("utf-8", "replace").strip("\ufeff\r\n")
            cells, fault = cells_of(text, delimiter)
            cells = [cell.strip() for cell in cells]
            named = named or _filled(cells)  # the first line that holds something
            if fault:
                problems.append(Problem(fault, REMEDY, int(at + line + 1), value=text))
            elif _filled(cells) > named:
                problems.append(_longer(cells, named, int(at + line), delimiter))
            elif len(cells) < named and any(cells):
                fewer += 1
                what = _cells_under(len(cells), named)
                remedy = "put back what is lost, or delete the line"
                if len(short) < InputError.SHOWN:
                    short.append(Problem(what, remedy, int(at + line + 1), value=text))
            if len(problems) >= InputError.SHOWN:
                raise InputError(name, problems)
        at += len(starts) - 1
    if problems or 2 * fewer < at - 1:  # a log whose lines mostly end early leaves out what is empty
        problems += short
    if problems:
        raise InputError(name, problems)


def _whole_lines(stream):
    rest = b""
    while piece := stream.read(_PIECE):
        data = rest + piece
        end = data.rfind(b"\n") + 1
        if end:
            yield data[:end]
        rest = data[end:]
    if rest:
        yield rest


def _counts(data, mark):
    """Where each line starts (and the last one ends), and how many delimiters and quotes it holds."""
    held = np.frombuffer(data, np.uint8)
    starts = np.append(0, np.flatnonzero(held == ord("\n")) + 1)
    starts = np.append(starts, len(data)) if starts[-1] < len(data) else starts
    found = (np.searchsorted(np.flatnonzero(held == one), starts) for one in (mark, ord('"')))
    return (starts, *map(np.diff, found))
