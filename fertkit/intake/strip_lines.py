"""Lines of a strip sheet that are no strips (means, remarks, headers again), and merged cells."""

import re
from collections import Counter
from dataclasses import replace

from fertkit.errors import Problem
from fertkit.intake.files import text_of
from fertkit.intake.spellings import plain, spellings
from fertkit.intake.strip_headers import header_key
from fertkit.intake.strip_sheet import UNNAMED, Sheet

#: Roles whose cells name a strip; a word such as "Mean" in one of them makes the line a summary.
_LABELS = ("trial", "site", "year", "block", "strip", "position", "treatment", "rate", "planned")
#: Roles that a merged cell may name for several lines, the widest first.
_MERGED = ("trial", "site", "year", "block", "treatment", "rate", "planned")
_HEADING = re.compile(r"(?:[a-z.]+[ ._-]*)?(?:\d{1,2}|[ivx]{1,4}|[a-z])", re.IGNORECASE)
_AGAIN, _REMARK = _DIVIDERS = "the headers again", "a remark"
_WINDS = {"ne", "nw", "sw"}


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
    for line in told.pop("heading", []):
        problems.append(Problem(
            "a line holds a label alone, as of the strips below it",
            "write the label beside every strip, in a column 'Block'", line,
        ))  # fmt: skip
    between = [line for why in _DIVIDERS for line in told.get(why, ())]
    if at := _another_table([(r, line) for r, line in strips], between, roles):
        what = "the lines below give strips again that stand above, as of another trial"
        problems.append(Problem(what, "write the trial beside every strip, in a column 'Trial'", at))
    notes = tuple(f"{said_lines(lines)} set aside, {why}" for why, lines in told.items())
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
    if all(header_key(t) == header_key(h) or (not t and h.startswith(UNNAMED)) for t, h in pairs):
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
    held = set(map(plain, map(text_of, sheet.column(roles["block"][0])))) if "block" in roles else set()
    return plain(word) == "se" and bool(held & _WINDS)


def is_summary(text) -> bool:
    """Whether a label says mean, total, LSD ...: such words alone, with numbers and levels beside them."""
    told = re.sub(r"\bp(?:r|rob)? ?(?:> ?f\b|\(f\))|\bp[ -]?values?\b", "pvalue", plain(text))
    told = re.sub(r"\bstandard (?:error|deviation)s?\b|\berror d\.?f\b|\bd\.?f\.? error\b", "se", told)
    words = re.findall(r"[^\W\d_]+(?:\.[^\W\d_]+)*", told)
    known, beside = spellings("strip summary"), spellings("strip summary beside")
    return any(w in known for w in words) and all(w in known or w in beside for w in words)


def said_lines(lines) -> str:
    """Name lines for a note: line 7; lines 22 to 26; lines 3, 9, 14 and more."""
    if len(lines) == 1:
        return f"line {lines[0]}"
    if lines == list(range(lines[0], lines[-1] + 1)):
        return f"lines {lines[0]} to {lines[-1]}"
    return f"lines {', '.join(map(str, lines[:12]))}" + " and more" * (len(lines) > 12)


# ---- cells merged over several lines


def fill_down(sheet: Sheet, roles) -> Sheet:
    """Write the label of a merged cell on each of its lines; say where.

    A merged cell shows as a label on its first line and blanks below: no label stands twice in a row, and
    each has a blank below it. A block filled so may hold no rate more often than the others; a label that was
    merely forgotten is left blank, and is a problem later.
    """
    rows, notes = [list(row) for row in sheet.rows], list(sheet.notes)
    for role in _MERGED:
        if role not in roles:
            continue
        i, header = roles[role]
        labels = [text_of(row[i]) for row in rows]
        if not is_merged(labels):
            continue
        filled, last = [], ""
        for row in rows:
            last = row[i] if text_of(row[i]) else last
            filled.append(last)
        if not _even([[text_of(c) for c in row] for row in rows], filled, i, role, roles):
            continue
        for row, cell in zip(rows, filled, strict=True):
            row[i] = cell
        many = sum(not label for label in labels)
        blank = "blank cell is" if many == 1 else "blank cells are"
        notes.append(
            f"column '{header.text}': {many} {blank} filled with the label above, as of merged cells"
        )
    return replace(sheet, rows=rows, notes=tuple(notes))


def is_merged(labels) -> bool:
    """Whether labels stand as merged cells show: each with a blank below, none twice in a row."""
    if not labels or not labels[0] or all(labels):
        return False
    runs = []
    for label in labels:
        if label:
            if runs and runs[-1][0] == label:
                return False
            runs.append([label, 0])
        runs[-1][1] += 1
    return all(length > 1 for _, length in runs)


def _even(rows, filled, at, role, roles) -> bool:
    """Whether the filled labels leave every block with each rate as often as the other blocks."""
    x = next((roles[r][0] for r in ("planned", "rate", "treatment") if r in roles), None)
    if "block" not in roles or x is None or role in ("trial", "site", "year"):
        return True
    places = [roles[r][0] for r in ("trial", "site", "year", "block") if r in roles]
    for row, cell in zip(rows, filled, strict=True):
        row[at] = text_of(cell)
    often: dict[tuple, Counter] = {}
    for row in rows:
        often.setdefault(tuple(row[i] for i in places), Counter())[row[x]] += 1
    return len({max(held.values()) for held in often.values()}) == 1
