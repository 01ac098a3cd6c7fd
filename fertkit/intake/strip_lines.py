"""The lines of a strip sheet: which are no strips, and which stand under a merged cell."""

import re
from collections import Counter
from dataclasses import replace
from itertools import accumulate

from fertkit.intake.grid import Sheet, is_merged, name_lines
from fertkit.intake.spellings import is_summary, plain, problem
from fertkit.intake.strip_headers import PLACES, RATES
from fertkit.results import counted
from fertkit.tables import text_of

#: Roles that a merged cell may name for several lines, the widest first; with these and names of its own a
#: word such as "Mean" makes a line a summary.
_MERGED = (*PLACES, "block", "treatment", *RATES)
_LABELS = {*_MERGED, "strip", "position"}
_HEADING = re.compile(r"(?:[a-z.]+[ ._-]*)?(?:\d{1,2}|[ivx]{1,4}|[a-z])", re.IGNORECASE)
_AGAIN, _REMARK = _DIVIDERS = "the headers again", "a remark"
_WINDS = {"ne", "nw", "sw"}


# ---- lines that are no strips


def set_aside(sheet: Sheet, roles, problems) -> Sheet:
    """Take out means and totals, headers said again and remarks below the table; say which.

    A line with a plot number of its own is a strip whatever its other words.
    """
    strips, reasons = [], {}
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        why = _no_strip(row, sheet, roles)
        if why:
            reasons.setdefault(why, []).append(line)
        else:
            strips.append((row, line))
    problems += [problem("heading", line) for line in reasons.pop("heading", [])]
    between = [line for why in _DIVIDERS for line in reasons.get(why, ())]
    if at := _another_table(strips, between, roles):
        problems.append(problem("another table", at))
    notes = [f"{name_lines(lines)} set aside, {why}" for why, lines in reasons.items()]
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
    if sheet.repeats_headers(texts):
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
