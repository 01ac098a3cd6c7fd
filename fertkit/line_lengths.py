"""Lines of a text table that do not fit under their column names: too long, too short, broken or pushed."""

import itertools
import re

import numpy as np

from fertkit.delimited import NUMBERISH, REMEDY, cells_of
from fertkit.errors import InputError, Problem

_USUAL = 0.75  # share of the whole lines that fill a column which no line may leave out
_FEW = 2  # short lines that are a slip
_MANY = 3  # whole lines to each short one, for these not to be the habit of the file
_PIECE = 1 << 24  # bytes of a large file that are looked at together
_TELLING = 3  # different halves of numbers in a column of notes from which they are asked about


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
    named = max(_filled(rows[i]) for i in header)
    problems = _shorter(rows, widths, lines, named, delimiter) + _broken(rows, widths, lines, named)
    problems += _short_units(rows, widths, header, lines, named) if delimiter and widths else []
    problems += _alone(rows, widths, header, lines, named) if delimiter and widths else []
    if not delimiter:
        return problems
    longer = [i for i in lines if _filled(rows[i]) > named]
    problems += [_longer(rows[i], named, i, delimiter) for i in longer]
    if widths:
        problems += _pushed(
            rows, widths, header, [i for i in lines if i not in set(longer)], named, delimiter
        )
    if delimiter == "," and widths:
        problems += _beyond(rows, widths, header, [i for i in lines if i not in set(longer)], named)
        problems += _numbers_as_notes(rows, max(header, key=lambda i: _filled(rows[i])), lines, named)
    return problems


def _shorter(rows, widths, lines, named, delimiter):
    """Lines that end before a column which the other lines fill: a separator is lost, or the line is cut off.

    Where many lines end early the file leaves out what is empty. Of a printed page only columns of numbers
    count: a mark that is left out at the end shifts nothing.
    """
    full = [rows[i] for i in lines if widths and widths[i] >= named]
    short = [i for i in lines if full and 1 < widths[i] < named]
    last = _last_filled(full, named, numbers=not delimiter)
    if delimiter and len(short) <= _FEW and any(row[named - 1] == "" for row in full):
        last = named - 1  # the other lines keep the separators of their empty cells
    remedy = "put back the separator or the rest of the line; an empty cell keeps its separators"
    if not delimiter:  # even one line: which of its cells is empty cannot be told
        remedy = "write '-' into the empty cell, or save the table as CSV or XLSX"
    return [
        _short(rows, widths, i, named, remedy)
        for i in short
        if widths[i] <= last and (not delimiter or len(short) <= max(_FEW, len(full) / _MANY))
    ]


def _short(rows, widths, i, named, remedy="put back the separator; an empty cell keeps its separators"):
    what = f"the line has {widths[i]} cells under {named} column names"
    return Problem(what, remedy, i + 1, value=_told(rows, widths, i))


def _alone(rows, widths, header, lines, named):
    """The one or two lines of a table that end early, with none that could show the end is left out."""
    if not 0 < len(lines) <= _FEW or any(widths[i] >= named for i in lines):
        return []
    last = max(header, key=lambda i: _filled(rows[i]))
    least = named - bool(_NOTES.fullmatch(rows[last][named - 1].strip(" :.")))
    return [_short(rows, widths, i, named) for i in lines if 1 < widths[i] < least]


def _short_units(rows, widths, header, lines, named):
    """Lines between the column names and the numbers, as of units, that end before the numbers do."""
    first = max(header, key=lambda i: _filled(rows[i]))
    full = [rows[i] for i in lines if widths[i] >= named]
    last = _last_filled(full, named, numbers=True) if full else -1
    return [_short(rows, widths, i, named) for i in header if i > first and 1 < widths[i] <= last]


def _last_filled(full, named, numbers=False):
    """The last column that most of the whole lines fill, with numbers if asked; -1 if there is none."""
    counts = (sum(row[j] != "" and (not numbers or _has_digit(row[j])) for row in full) for j in range(named))
    return max((j for j, held in enumerate(counts) if held > _USUAL * len(full)), default=-1)


def _has_digit(cell):
    return any(character.isdigit() for character in cell)


def _broken(rows, widths, lines, named):
    """Two lines that together hold as many cells as one of the table: a line was broken in two."""
    if not widths or not lines or named < 3:
        return []
    first, last = min(lines), max(lines)
    held = [i for i in range(first, len(rows)) if _filled(rows[i])]
    end = (
        held[-1] if held[-1] <= last + 2 else last
    )  # the lines after the last one, where nothing else follows
    pairs = [
        (i, j) for i, j in itertools.pairwise(held) if j == i + 1 <= end and widths[i] + widths[j] == named
    ]
    remedy = "join it with the next line"
    return [
        Problem(
            "the line looks like half of one that was broken in two",
            remedy,
            i + 1,
            value=_told(rows, widths, i),
        )
        for i, _ in pairs
    ]


def _told(rows, widths, i):
    return " | ".join(rows[i][: widths[i]])


def _filled(row):
    """Cells of a row up to the last that holds something."""
    return max((j + 1 for j in range(len(row) - 1, -1, -1) if row[j] != ""), default=0)


def _longer(row, named, i, delimiter):
    held = _filled(row)
    what = f"the line has {held} cells under {named} column names"
    pairs = _pairs(row[:held], held - named) if delimiter == "," else []
    if pairs:
        remedy = "write decimals with a point, or put each number that holds a comma in quotes"
        return Problem(what, remedy, i + 1, value=_both(pairs))
    mark = {"\t": "a tab", ";": "a semicolon", ",": "a comma", "|": "a bar"}.get(delimiter, delimiter)
    remedy = f"put a cell that holds {mark} in quotes, or name every column that holds something"
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


def _pushed(rows, widths, header, lines, named, delimiter):
    """Lines of more cells than the header with an empty one where the others hold something."""
    most = max(widths[i] for i in header)
    usual = [rows[i] for i in lines if widths[i] <= most]
    kept = {j for j in range(named) if sum(row[j] != "" for row in usual) > _USUAL * len(usual)}
    pushed = [
        i for i in lines if widths[i] > most and any(rows[i][j] == "" for j in kept if j < _filled(rows[i]))
    ]
    what = "the line has a separator too many: a cell is empty that the other lines fill"
    remedy = f"take it out: there are {most} column names"
    return [Problem(what, remedy, i + 1, value=_told(rows, widths, i)) for i in pushed]


def _beyond(rows, widths, header, lines, named):
    """Lines cut into more cells than the header though their last columns are empty: a comma too many."""
    most = max(widths[i] for i in header)
    wide = [i for i in lines if widths[i] > most]
    if len(wide) == len(lines):  # each line ends in a comma: an empty column and no decimal point tell more
        pointed = any("." in cell for i in lines for cell in rows[i] if _is_number(cell))
        wide = [i for i in wide if not pointed and _filled(rows[i]) < named]
    problems = []
    for i in wide:
        pairs = _pairs(rows[i], widths[i] - most)
        if pairs:
            what = f"the line is cut into {widths[i]} cells under {most} column names"
            remedy = "write decimals with a point, or put each number that holds a comma in quotes"
            problems.append(Problem(what, remedy, i + 1, value=_both(pairs)))
    return problems


def _is_number(cell):
    return bool(NUMBERISH.fullmatch(cell))


_NOTES = re.compile(
    r"notes?|remarks?|comments?|bemerkung(en)?|kommentare?|notas?|observaciones", re.IGNORECASE
)


def _numbers_as_notes(rows, header, lines, named):
    """A last column of notes filled with digits, in a file without one decimal point: halves of numbers."""
    last = named - 1
    title = rows[header][last].strip(" :.")
    cells = [rows[i][last] for i in lines if rows[i][last] != ""]
    digits = all(re.fullmatch("[0-9]{1,2}", cell) for cell in cells)
    if not _NOTES.fullmatch(title) or not digits or len(set(cells)) < _TELLING or last == 0:
        return []
    if any("." in cell for i in lines for cell in rows[i] if _is_number(cell)):
        return []
    i = next(i for i in lines if rows[i][last] != "")
    pairs = _pairs(rows[i][: last + 1], 1)
    what = "notes that are all whole numbers look like the decimals of the column before"
    remedy = "write decimals with a point, or rename the column if these are codes"
    return [Problem(what, remedy, i + 1, rows[header][last], _both(pairs))] if pairs else []


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
                what = f"the line has {len(cells)} cells under {named} column names"
                remedy = "put back what is lost, or take the line out"
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
