"""Turn the text of a laboratory cell into a number, a censored limit, a missing value, or a complaint.

A cell is never repaired: it is read by the one number style of its file, or it is a problem.
"""

import datetime as dt
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

from fertkit.cell_formats import Formatted
from fertkit.intake.spellings import is_no_result, is_rating, plain, problem, spellings
from fertkit.intake.units import find_unit
from fertkit.tables import text_of

MISSING_CODES = frozenset({-99.0, -999.0, -9999.0, -99999.0})
DOUBTFUL_CODES = frozenset({9999.0, 99999.0})  # codes for a missing value that can be results as well
SMALLEST, LARGEST = 1e-12, 1e12  # no result, yield or rate in any unit lies beyond
_NEAR, _FAR = 1.5, 100.0  # a code this near to the other values is one of them; one this far above is none
_PLAIN = r"[0-9]+(?:[.,'\s][0-9]+)*(?:[.,](?![0-9]))?|[.,][0-9]+"
_NUMBER = re.compile(rf"(?P<sign>[+-]?)\s*(?P<body>{_PLAIN})(?P<exp>[eE][+-]?[0-9]{{1,3}})?")
_SIMPLE = re.compile(r"[0-9]+(?:\.[0-9]+)?")
_BELOW = re.compile(
    r"(?:(?:bdl|blq|bql|nd|n\.d\.|<?\s*(?:lod|loq|mdl|rl))\s*[(:=<][(:=<\s]*"
    r"|<=|<|≤|lt\b|below|less than|under)\s*",
    re.I,
)
_ABOVE = re.compile(r"(?:>=|>|≥|gt\b|above|more than|over)\s*", re.IGNORECASE)
_RANGE = re.compile(r"[0-9][0-9.,\s]*(?:-|–|—|\bto\b|\.\.)\s*[0-9][0-9.,]*")
_MARKS = "*#†‡^!¹²³⁴⁵⁶⁷⁸⁹⁰"
_NO_MARKS = dict.fromkeys(map(ord, _MARKS))
_TIDY = str.maketrans(
    {**{0xFF10 + i: str(i) for i in range(10)}, 0xFF0E: ".", 0xFF0C: ",", 0x2212: "-", 0xFF0D: "-",
     0xFF1C: "<", 0xFF1E: ">", 0xFF05: "%", 0x2019: "'", 0x2018: "'"}
)  # fmt: skip


@dataclass(frozen=True)
class Reading:
    """What one cell says.

    Attributes
    ----------
    value : float
        The number, or the limit of a censored result; NaN if there is none.
    censored : str
        ``''``, ``'<'``, ``'>'`` or ``'not detected'``.
    flag : str
        Mark the laboratory put beside the number, or why there is none.
    unit : str
        Unit written in the cell itself, else empty.
    problem : str
        Why the cell cannot be read; empty if it can.
    """

    value: float = math.nan
    censored: str = ""
    flag: str = ""
    unit: str = ""
    problem: str = ""


@dataclass(frozen=True)
class NumberStyle:
    """Decimal mark of a file and how it was told; ``decimal`` is '.', ',' or '' where nothing tells.

    ``guessed`` where no number tells.
    """

    decimal: str
    why: str
    guessed: bool = False


POINT = NumberStyle(".", "as the kit writes it")


def number_style(cells: Iterable, delimiter: str = "") -> NumberStyle:
    """Tell the decimal mark of a file from all its number cells together, then from its delimiter.

    Parameters
    ----------
    cells : iterable
        Raw cells of the number columns.
    delimiter : str
        Of the text file, '' for a spreadsheet.
    """
    point = comma = unclear = pointed = 0
    for cell in cells:
        if not isinstance(cell, str) or not ("," in cell or "." in cell):
            continue
        for body in re.findall(r"[0-9][0-9.,]*[0-9]|[.,][0-9]+", cell.translate(_TIDY)):
            mark = _mark_of(body)
            point, comma = point + (mark == "."), comma + (mark == ",")
            unclear, pointed = unclear + (mark == "1,320"), pointed + (mark == "1.320")
    # A point before three digits (3.210) is most often decimal, so it weighs against the decimal comma.
    if point > comma + unclear or (point and not comma):
        return NumberStyle(".", "the numbers of the file")
    if comma > point + pointed:
        return NumberStyle(",", "the numbers of the file")
    if point or comma:
        return NumberStyle("", "the file mixes decimal points and commas")
    if not unclear:
        return NumberStyle(".", "no number needs it", True)
    if delimiter == ",":
        return NumberStyle(".", "the file is comma-separated", True)
    if delimiter == ";":
        return NumberStyle(",", "the file is semicolon-separated", True)
    return NumberStyle("", "1,320 can be read two ways")


def could_be_grouped(cell: str) -> bool:
    """Tell whether the mark in a cell may part thousands as well as be the decimal mark, as in 1,320."""
    return any(_mark_of(body)[:1] == "1" for body in re.findall(r"[0-9][0-9.,]*[0-9]", cell))


@lru_cache(maxsize=100_000)
def _mark_of(body):
    """Decimal mark one number settles ('.' or ','), '1,320' or '1.320' if it could be grouping, or ''."""
    marks = [c for c in body if c in ".,"]
    if not marks:
        return ""
    if len(set(marks)) == 2:
        return marks[-1] if marks.count(marks[-1]) == 1 else ""
    groups = re.split("[.,]", body)
    grouped = 1 <= len(groups[0]) <= 3 and groups[0][0] != "0" and all(len(g) == 3 for g in groups[1:])
    if len(marks) > 1:  # only grouping repeats
        return ("," if marks[0] == "." else ".") if grouped else ""
    return f"1{marks[0]}320" if grouped else marks[0]


def read_number(cell, style: NumberStyle) -> Reading:
    """Read one raw cell.

    Parameters
    ----------
    cell : str, float, int, bool, date, datetime or None
    style : NumberStyle
        Decimal mark of the file.
    """
    if isinstance(cell, (bool, dt.date, dt.time, dt.timedelta)):
        kind = "true or false" if isinstance(cell, bool) else "a date"
        return Reading(problem=f"the cell holds {kind}, not a number")
    if isinstance(cell, Formatted):
        shown = _read_text(cell.shown, POINT)
        return _finish(float(cell)) if shown.problem else shown
    if isinstance(cell, (int, float)):
        return _finish(float(cell))
    return _read_text("" if cell is None else str(cell), style)


class TwoWays(ValueError):
    """A number that can be read two ways."""


def read_typed(text: str) -> float:
    """Read one number that a person typed by itself: with a decimal point or a decimal comma.

    Raises
    ------
    ValueError
        If it is none, or can be read two ways (1,500).
    """
    try:
        return float(text)
    except ValueError:
        pass
    style = number_style([text])
    if not style.decimal:
        small, large = text.replace(",", "."), text.replace(",", "")
        raise TwoWays(f"'{text}' may be {small} or {large}: write one") from None
    found = read_number(text, style)
    if found.problem or found.censored or found.flag or found.unit or math.isnan(found.value):
        raise ValueError(f"'{text}' is not a number")
    return found.value


def read_product(text: str) -> float:
    """Read a cost as a person types it: an amount, or a price times a rate as in 0.45x30."""
    return math.prod(read_typed(part.strip()) for part in re.split(r"[x×*]", text.strip()))


@lru_cache(maxsize=100_000)
def _read_text(cell, style):
    if style.decimal == "." and _SIMPLE.fullmatch(cell):  # most cells: no mark, no grouping
        return _finish(float(cell))
    text = " ".join(cell.translate(_TIDY).split())
    word = re.sub(r"(?<=[a-z]\.) (?=[a-z]\.)", "", plain(text))  # n. n. as n.n.
    if word in spellings("missing"):
        return Reading()
    if word in spellings("no sample"):
        return Reading(flag="sample too small")
    if word in spellings("sheet error"):
        return Reading(flag=f"spreadsheet error {text}")
    if word in spellings("not detected") or re.fullmatch(r"<\s*(lod|loq|mdl|rl|dl|lld)", word):
        return Reading(censored="not detected", flag=text)
    if _RANGE.fullmatch(text):
        return Reading(problem="a range, not a result")
    try:
        return _read_marked(text, style)
    except _Unreadable as why:
        return Reading(problem=str(why))


class _Unreadable(Exception):
    """Why a cell holds no number."""


def _read_marked(text, style):
    censored, rest = "", text
    for pattern, mark in ((_BELOW, "<"), (_ABOVE, ">")):
        hit = pattern.match(rest)
        if hit:
            censored, rest = mark, rest[hit.end() :]
            break
    number = _NUMBER.match(rest)
    if not number:
        raise _Unreadable("not a number")
    tail = rest[number.end() :].strip()
    if tail.startswith("+") and not censored:
        censored, tail = ">", tail[1:].strip()
    if censored and tail.endswith(")") and "(" not in tail:
        tail = tail[:-1].strip()
    if tail.lower() == "u" and not censored:
        censored, tail = "<", ""
    value = float(_plain(number["body"], style) + (number["exp"] or ""))
    flag, unit = _read_tail(tail)
    return _finish(-value if number["sign"] == "-" else value, censored, flag, unit)


def _read_tail(tail):
    """The laboratory's mark and the unit behind a number."""
    marks = "".join(c for c in tail if c in _MARKS)
    words = tail.translate(_NO_MARKS).strip()
    bare = words.strip("()[]. ").lower()
    if not bare:
        if words:
            raise _Unreadable("not a number")
        return marks, ""
    if bare in spellings("flag"):
        return " ".join(filter(None, [words.strip("()[] "), marks])), ""
    if not find_unit(words):
        raise _Unreadable("text beside the number")
    return marks, find_unit(words)


def _plain(body, style):
    """Write a number with a decimal point and no grouping, or say why that cannot be done."""
    bare = re.sub(r"[\s']", "", body)
    if bare != body and not re.fullmatch(r"[1-9][0-9]{0,2}(?:[\s'][0-9]{3})+(?:[.,][0-9]+)?", body):
        raise _Unreadable("not a number")
    marks = re.findall("[.,]", bare)
    if not marks:
        return bare
    if bare[-1] in ".,":  # '3.'
        if len(marks) > 1:
            raise _Unreadable("not a number")
        if bare[-1] != style.decimal:
            raise _Unreadable(f"the number ends in '{bare[-1]}', not the file's decimal mark")
        return bare[:-1]
    mark = marks[0] if bare != body else _mark_of(bare)
    if not mark:
        raise _Unreadable("not a number")
    if not style.decimal:
        raise _Unreadable(f"unclear decimal mark: {style.why}")
    if mark not in (style.decimal, "1,320", "1.320"):
        raise _Unreadable(f"decimal mark '{mark}' here, '{style.decimal}' in the rest of the file")
    grouping = "," if style.decimal == "." else "."
    whole, _, fraction = bare.partition(style.decimal)
    grouped = rf"[1-9][0-9]{{0,2}}(?:{re.escape(grouping)}[0-9]{{3}})+"
    if (grouping in whole and not re.fullmatch(grouped, whole)) or re.search("[.,]", fraction):
        raise _Unreadable("not a number")
    return (whole.replace(grouping, "") or "0") + ("." + fraction if fraction else "")


def _finish(value, censored="", flag="", unit=""):
    if math.isnan(value):
        return Reading()
    if not math.isfinite(value):
        return Reading(problem="not a finite number")
    if value in MISSING_CODES and not censored:
        return _missing(value)
    if value < 0:
        return Reading(problem="below zero")
    if value and not SMALLEST <= value <= LARGEST:
        return Reading(problem="not a sensible number")
    return Reading(value, censored, flag, unit)


def settle_codes(readings: list[Reading], could_be: Callable[[float], bool]) -> list[Reading]:
    """Take 9999 and 99999 for missing values where the column cannot hold as much, and ask where it could.

    Parameters
    ----------
    readings : list of Reading
        Of one column.
    could_be : callable
        Tells whether the column can hold a value at all, in its unit.

    Returns
    -------
    list of Reading
        A code among values of its own size stays a value.
    """
    doubtful = [r.value in DOUBTFUL_CODES and not r.censored for r in readings]
    if not any(doubtful):
        return readings
    others = [r.value for r, odd in zip(readings, doubtful, strict=True) if not odd and r.value > 0]

    def settled(value):
        if not could_be(value) or (others and value > _FAR * max(others)):
            return _missing(value)
        if others and min(others) / _NEAR <= value <= max(others) * _NEAR:
            return Reading(value)
        what = f"{text_of(value)} may mean a missing value; if measured, write {value + 1:.0f}"
        return Reading(problem=what)

    return [settled(r.value) if odd else r for r, odd in zip(readings, doubtful, strict=True)]


def _missing(value):
    return Reading(flag=f"missing code {text_of(value)}")


def settle_results(readings, cells, places, could_be, key: str, problems: list) -> list[Reading]:
    """Settle the codes of a column of results; what is neither a result nor a rating becomes a problem.

    Parameters
    ----------
    readings, cells, places : sequence
        Reading, raw cell and (row, column) of each result.
    could_be : callable
        As for `settle_codes`.
    key : str
        Of the problem in ``messages.csv``.
    problems : list of Problem
        Added to.
    """
    settled = settle_codes(list(readings), could_be)
    for i, (reading, cell, place) in enumerate(zip(settled, cells, places, strict=True)):
        if reading.problem == "not a number" and (is_rating(cell) or is_no_result(cell)):
            settled[i] = Reading(flag=text_of(cell))
        elif reading.problem:
            mark = "decimal mark" in reading.problem or "mixes" in reading.problem
            asked = "two decimal marks" if mark else key
            problems.append(problem(asked, *place, str(cell), what=reading.problem))
    return settled
