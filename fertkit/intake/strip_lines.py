"""The lines of a strip sheet: under which headers they stand, which are no strips, and merged cells."""

import re
from collections import Counter
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise

from fertkit.errors import InputError
from fertkit.intake.spellings import is_summary, listed, plain, problem
from fertkit.intake.strip_headers import PLACES, RATES, header_key, read_header
from fertkit.intake.units import is_unit, rate_unit
from fertkit.results import counted
from fertkit.tables import text_of

#: The line of headers is looked for in this many first lines.
HEADER_DEPTH = 30
#: Begins the name of a column that has no header.
_UNNAMED = "column"
#: Roles that a merged cell may name for several lines, the widest first; with these and names of its own a
#: word such as "Mean" makes a line a summary.
_MERGED = (*PLACES, "block", "treatment", *RATES)
_LABELS = {*_MERGED, "strip", "position"}
_HEADING = re.compile(r"(?:[a-z.]+[ ._-]*)?(?:\d{1,2}|[ivx]{1,4}|[a-z])", re.IGNORECASE)
_AGAIN, _REMARK = _DIVIDERS = "the headers again", "a remark"
_WINDS = {"ne", "nw", "sw"}


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
        raise InputError(raw.name, [problem("no line")])
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
            headers[i] = f"{_UNNAMED} {i + 1}"
    return Sheet(raw.name, raw.delimiter, at + 1, headers, [r for _, r in rows], [i for i, _ in rows], notes)


def units_line(row) -> bool:
    """Tell whether a line holds units and words, one unit at least, and no number."""
    texts = [text_of(cell) for cell in row if text_of(cell)]
    return any(map(is_unit, texts)) and not any(map(is_number_like, texts))


def is_number_like(text) -> bool:
    """Tell whether a text begins with a number."""
    return bool(re.match(r"[\d.,+-]*\d", text))


def with_units(headers, row) -> list[str]:
    """Join to each header without a unit the one below it."""
    units = [text_of(cell).strip("()[] ") for cell in row]
    pairs = zip(headers, units, strict=True)
    return [f"{h} ({unit})" if h and is_unit(unit) and not rate_unit(h) else h for h, unit in pairs]


# ---- lines that are no strips


def set_aside(sheet: Sheet, roles, problems) -> Sheet:
    """Take out means and totals, headers said again and remarks below the table; say which.

    A line with a plot number of its own is a strip whatever its other words.
    """
    strips, told = [], {}
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        why = _no_strip(row, sheet, roles)
        if why:
            told.setdefault(why, []).append(line)
        else:
            strips.append((row, line))
    problems += [problem("heading", line) for line in told.pop("heading", [])]
    between = [line for why in _DIVIDERS for line in told.get(why, ())]
    if at := _another_table(strips, between, roles):
        problems.append(problem("another table", at))
    notes = [f"{name_lines(lines)} set aside, {why}" for why, lines in told.items()]
    rows, lines = ([pair[k] for pair in strips] for k in (0, 1))
    return replace(sheet, rows=rows, lines=lines, notes=(*sheet.notes, *notes))


def _another_table(strips, between, roles):
    """Line of a title or of headers said again below which blocks and rates stand a second time; or None."""
    named = [i for role, (i, _) in roles.items() if role.split()[0] in _LABELS]
    keys = [(line, tuple(text_of(row[i]) for i in named)) for row, line in strips]
    for at in sorted(between):
        above = {key for line, key in keys if line < at}
        if any(line > at and key in above for line, key in keys):
            return at
    return None


def _no_strip(row, sheet, roles) -> str:
    """Why a line is no strip; empty if it is one."""
    texts = [text_of(cell) for cell in row]
    filled = [text for text in texts if text]
    pairs = zip(texts, sheet.headers, strict=True)
    if all(header_key(t) == header_key(h) or (not t and h.startswith(_UNNAMED)) for t, h in pairs):
        return _AGAIN
    named = {role: texts[i] for role, (i, _) in roles.items() if role in _LABELS and texts[i]}
    own = named.get("strip") or named.get("position")
    word = next((text for text in [*named.values(), texts[0]] if is_summary(text)), "")
    if word and (not own or is_summary(own)) and not _wind(word, sheet, roles):
        return f"a summary and no strip ('{word}')"
    if len(filled) == 1 and not re.match(r"[<>~]?[\d.,+-]", filled[0]):
        if _HEADING.fullmatch(filled[0]):
            return "" if "block" in roles else "heading"
        return _REMARK
    return ""


def _wind(word, sheet, roles) -> bool:
    """Whether SE is a corner of the field and not a standard error."""
    blocks = {plain(text_of(c)) for c in sheet.column(roles["block"][0])} if "block" in roles else set()
    return plain(word) == "se" and bool(blocks & _WINDS)


def name_lines(lines) -> str:
    """Name lines for a note: line 7; lines 22 to 26; lines 3, 9, 14 and more."""
    if len(lines) == 1:
        return f"line {lines[0]}"
    if lines == list(range(lines[0], lines[-1] + 1)):
        return f"lines {lines[0]} to {lines[-1]}"
    return f"lines {listed(lines, 12, ' and more')}"


# ---- cells merged over several lines


def fill_down(sheet: Sheet, roles) -> Sheet:
    """Write the label of a merged cell on each of its lines; say where.

    A merged cell shows as a label on its first line and blanks below: no label stands twice in a row, and
    each has a blank below it. A block filled so may hold no rate more often than the others; a label that was
    merely forgotten is left blank, and is a problem later.
    """
    rows, notes = [list(row) for row in sheet.rows], list(sheet.notes)
    for role in (role for role in _MERGED if role in roles):
        i, header = roles[role]
        labels = [text_of(row[i]) for row in rows]
        if not is_merged(labels):
            continue
        filled = list(
            accumulate((row[i] for row in rows), lambda last, cell: cell if text_of(cell) else last)
        )
        if not _even([[text_of(c) for c in row] for row in rows], filled, i, role, roles):
            continue
        for row, cell in zip(rows, filled, strict=True):
            row[i] = cell
        many = counted(labels.count(""), "blank cell") + (" is" if labels.count("") == 1 else " are")
        notes.append(f"column '{header.text}': {many} filled with the label above, as of merged cells")
    return replace(sheet, rows=rows, notes=tuple(notes))


def is_merged(labels) -> bool:
    """Tell whether labels stand as merged cells show: each with a blank below, none twice in a row."""
    at = [i for i, label in enumerate(labels) if label]
    if not at or at[0] or len(at) == len(labels):
        return False
    return all(j - i > 1 for i, j in pairwise([*at, len(labels)])) and all(
        labels[i] != labels[j] for i, j in pairwise(at)
    )


def _even(rows, filled, at, role, roles) -> bool:
    """Whether the filled labels leave every block with each rate as often as the other blocks."""
    x = next((roles[r][0] for r in ("planned", "rate", "treatment") if r in roles), None)
    if "block" not in roles or x is None or role in PLACES:
        return True
    places = [roles[r][0] for r in (*PLACES, "block") if r in roles]
    often: dict[tuple, Counter] = {}
    for row, cell in zip(rows, filled, strict=True):
        row[at] = text_of(cell)
        often.setdefault(tuple(row[i] for i in places), Counter())[row[x]] += 1
    return len({max(rates.values()) for rates in often.values()}) == 1
