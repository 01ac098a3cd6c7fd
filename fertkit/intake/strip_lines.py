"""The lines and cells of a strip sheet: what is no strip, merged cells, numbers, gaps and repeats."""

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import accumulate

import numpy as np
import pandas as pd

from fertkit.errors import Note, Problem
from fertkit.intake.alike import label_key
from fertkit.intake.grid import Sheet, is_merged, name_lines
from fertkit.intake.numbers import number_style, read_number, settle_codes
from fertkit.intake.plausible import could_be
from fertkit.intake.spellings import is_summary, plain, problem, spellings
from fertkit.intake.strip_columns import base
from fertkit.intake.strip_headers import FACTORS, PLACES, RATES, ROLES, Header
from fertkit.intake.units import cell_parts, lost
from fertkit.results import counted
from fertkit.tables import text_of

#: Roles that a merged cell may name for several lines, the widest first; with these and names of its own a
#: word such as "Mean" makes a line a summary.
_MERGED = (*PLACES, "block", *FACTORS, "treatment", *RATES)
_LABELS = {*_MERGED, "strip", "position"}
_HEADING = re.compile(r"(?:[a-z.]+[ ._-]*)?(?:\d{1,2}|[ivx]{1,4}|[a-z])", re.IGNORECASE)
_AGAIN, _REMARK = _DIVIDERS = "the headers again", "a remark"
_NUMBER = re.compile(r"[<>~]?[\d.,+-]+")
_WINDS = {"ne", "nw", "sw"}


# ---- lines that are no strips


def set_aside(sheet: Sheet, roles, problems) -> Sheet:
    """Take out means and totals, headers said again and remarks below the table; say which.

    A line with a plot number of its own is a strip whatever its other words.
    """
    strips, reasons = [], {}
    beside = _beside_trial(sheet, roles)
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        why = _no_strip(row, sheet, roles) or beside.get(line, "")
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
        before = {key for line, key in keys if line < at}
        if any(line > at and key in before for line, key in keys):
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
        return f"a summary, not a strip ('{word}')"
    if len(filled) == 1 and not re.match(r"[<>~]?[\d.,+-]", filled[0]):
        if _HEADING.fullmatch(filled[0]):
            return "" if "block" in roles else "heading"
        return _REMARK
    if filled and filled[0].startswith("*") and not any(map(_NUMBER.fullmatch, filled)):
        return _REMARK  # a footnote that its commas part
    return ""


def _beside_trial(sheet, roles) -> dict[int, str]:
    """Line -> why, of strips beside the trial, by their word or yes under it, or that the file leaves out.

    Names of fields and trials may be such words, and a word on every line tells nothing apart.
    """
    beside, left_out, answer = map(spellings, ("strip beside trial", "strip left out", "yes no"))
    places = {roles[role][0] for role in PLACES if role in roles}
    found = {}
    for i, header in enumerate(sheet.headers):
        asked = left_out.get(plain(header), "yes" if plain(header) in beside else "")
        words = {word for word, said in answer.items() if said == asked} if asked else beside
        cells = [text_of(row[i]) for row in sheet.rows]
        told = [plain(cell) in words for cell in cells]
        if i in places or all(told):
            continue
        why = "a strip beside the trial ('{}'): if it belongs, rename it"
        if plain(header) in left_out:
            why = "left out by the file ('{}')"
        shown = f"{header}: " if asked else ""
        said = zip(sheet.lines, cells, told, strict=True)
        found |= {line: why.format(f"{shown}{cell}") for line, cell, is_so in said if is_so}
    return found


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
        named = labels
        if role in FACTORS and "block" in roles:  # one block may end with the level the next begins with
            named = [
                label and f"{text_of(row[roles['block'][0]])} {label}"
                for label, row in zip(labels, rows, strict=True)
            ]
        if not is_merged(named):
            continue
        filled = list(
            accumulate((row[i] for row in rows), lambda last, cell: cell if text_of(cell) else last)
        )
        if not _even([[text_of(c) for c in row] for row in rows], filled, i, role, roles):
            continue
        for row, cell in zip(rows, filled, strict=True):
            row[i] = cell
        many = counted(labels.count(""), "blank cell") + (" is" if labels.count("") == 1 else " are")
        notes.append(f"column '{header.text}': {many} filled with the label above, as merged cells")
    return replace(sheet, rows=rows, notes=tuple(notes))


def _even(rows, filled, at, role, roles) -> bool:
    """Whether the filled labels leave every block with each rate as often as the other blocks."""
    x = next((roles[r][0] for r in ("planned", "rate", "treatment") if r in roles), None)
    if "block" not in roles or x is None or role in PLACES:
        return True
    within = (*PLACES, "block", *({role} & set(FACTORS)))
    places = [roles[r][0] for r in within if r in roles]
    often: dict[tuple, Counter] = {}
    for row, cell in zip(rows, filled, strict=True):
        row[at] = text_of(cell)
        often.setdefault(tuple(row[i] for i in places), Counter())[row[x]] += 1
    return len({max(rates.values()) for rates in often.values()}) == 1


# ---- cells by role


@dataclass
class Draft:
    """Strips while they are read; what is changed, is changed in place.

    Attributes
    ----------
    frame : DataFrame
        Cells by role; strips without a yield are NaN.
    extra : dict of str to Series
        Header -> cells of the columns without a role.
    headers : dict
        Role -> (column index, Header).
    rows, lines : list
        Raw cells, and the line of the file behind each row.
    problems : list of Problem
    """

    frame: pd.DataFrame
    extra: dict
    headers: dict
    rows: list
    lines: list
    problems: list[Problem] = field(default_factory=list)

    def header(self, role) -> Header:
        return self.headers[role][1]

    def text(self, role) -> str:
        return self.header(role).text

    def change(self, role, **what):
        """Take a header otherwise than it stands."""
        self.headers[role] = self.headers[role][0], replace(self.header(role), **what)

    def ask(self, key, column=None, value=None, /, **words):
        """Add a problem of the file or of a column."""
        self.problems.append(problem(key, None, column, value, **words))

    def complain(self, rows, role, key, values=None, /, **words):
        """Add a problem for each row that is true, with its number where values are given."""
        column = self.text(role) if role else None
        for i in np.flatnonzero(rows):
            value = None if values is None else f"{values.iloc[i]:g}"
            self.problems.append(problem(key, self.lines[i], column, value, **words))

    def has_problem(self, role):
        """Rows of which something of a column was told."""
        rows = {p.row for p in self.problems if p.column == self.text(role)}
        return np.array([line in rows for line in self.lines])

    @property
    def place(self) -> pd.Series:
        """The trial of each strip, as trial, site and year together name it."""
        names = [self.frame[role].astype(str) for role in PLACES if role in self.frame]
        return names[0].str.cat(names[1:], sep="\t") if names else pd.Series("", index=self.frame.index)

    @property
    def cell(self) -> list[str]:
        """The columns within which strips of one rate are repeats of each other, places left out."""
        return [role for role in ("block", *FACTORS) if role in self.frame]

    @property
    def treated(self) -> str:
        """What tells the treatments apart: the planned rate, the rate, or their names."""
        return next(role for role in ("planned", "rate", "treatment") if role in self.frame)


def read_cells(sheet, headers, problems) -> Draft:
    """Read the cells by role, and the columns that play none."""
    numeric = {role: i for role, (i, _) in headers.items() if ROLES[base(role)].holds == "number"}
    bare = {
        role: [cell_parts(cell, ROLES[base(role)].measures)[0] for cell in sheet.column(i)]
        for role, i in numeric.items()
    }
    style = number_style((cell for cells in bare.values() for cell in cells), sheet.delimiter)
    frame = pd.DataFrame(index=range(len(sheet.rows)))
    for role, (i, header) in headers.items():
        if role in numeric:
            may_lack = role in ("yield", "weight", "moisture")
            readings = [read_number("" if may_lack and lost(cell) else cell, style) for cell in bare[role]]
            readings = settle_codes(readings, partial(could_be, role, header))
            whole = zip(readings, sheet.column(i), sheet.lines, strict=True)
            frame[role] = [_number(r, text, line, role, header, problems) for r, text, line in whole]
        else:
            frame[role] = labels_of(sheet.column(i))
    used = {column for column, _ in headers.values()}
    extra = {
        text: labels_of(sheet.column(i)) for i, text in enumerate(sheet.headers) if text and i not in used
    }
    return Draft(frame, extra, headers, sheet.rows, sheet.lines, problems)


def _number(reading, whole, line, role, header, problems):
    what = reading.problem or ("a limit, not a measured value" if reading.censored else "")
    if not what and reading.flag and np.isfinite(reading.value):
        what = "text beside the number"
    if not what and reading.unit and not (reading.unit == "%" and role in ("moisture", "stated")):
        what = f"a unit '{reading.unit}' beside the number"
    if not what:
        return reading.value
    key = "no plain rate" if role in RATES else "no plain number"
    problems.append(problem(key, line, header.text, text_of(whole), what=what))
    return np.nan


def labels_of(cells):
    """Return the text of the cells; whole numbers and numbers as such when all of them are."""
    texts = [text_of(c) for c in cells]
    column = pd.Series([t or None for t in texts], dtype=object)
    numbers = pd.to_numeric(column, errors="coerce")
    if not column.notna().any() or numbers.notna().sum() < column.notna().sum():
        return column
    if any(len(text) > 1 and text.startswith("0") and text.isdigit() for text in texts):
        return column  # the zeros of 0099 belong to the name
    whole = numbers.notna().all() and (numbers % 1 == 0).all()
    return numbers.astype("int64") if whole else numbers


def check_cells(draft):
    """Find empty rates, blocks, treatments and trials, quotes in labels, and strips given twice."""
    frame = draft.frame
    for role in ("rate" if "rate" in frame else "treatment", *draft.cell):
        if role in frame:
            word = {"treatment": "rate", "whole": "treatment", "factor": "treatment"}.get(role, role)
            draft.complain(frame[role].isna() & ~draft.has_problem(role), role, "gap", role=word)
    for role in (*PLACES, *draft.cell, "strip"):
        if role in frame:
            quoted = frame[role].map(lambda label: isinstance(label, str) and '"' in label)
            draft.complain(quoted, role, "quote in label")
    for role in dict.fromkeys((draft.treated, *draft.cell)):
        if role in frame and role not in RATES:
            draft.complain(_spelled_otherwise(frame[role]), role, "label in another case")
    for role in PLACES:
        if role in frame and frame[role].notna().any():
            draft.complain(frame[role].isna(), role, "place missing", role=role)
    _check_twice(draft)


def _spelled_otherwise(labels) -> pd.Series:
    """Labels that an earlier one equals but for upper and lower case, blanks or hyphens: H 2, H-2 and h2."""
    alike = labels.map(label_key, na_action="ignore")
    return labels.notna() & (labels != labels.groupby(alike).transform("first"))


def _check_twice(draft):
    """Refuse a line that is equal to an earlier one in every cell, and a strip that holds two rates."""
    frame = draft.frame
    treated = frame["rate" if "rate" in frame else "treatment"].rename("treated")
    places = [*(c for c in PLACES if c in frame), *draft.cell]
    if "strip" in frame:
        key = [*places, "strip"]
        rates = treated.groupby([frame[c] for c in key], dropna=False).transform(
            lambda r: r.nunique(dropna=False)
        )
        draft.complain(frame.duplicated(key) & frame["strip"].notna() & (rates > 1), None, "strip twice")
    if not {"strip", "block"} & set(frame):
        return
    again = pd.Series([tuple(map(text_of, row)) for row in draft.rows]).duplicated()
    if 4 * again.sum() < len(again):
        often = set(treated.groupby([*(frame[c] for c in places), treated], dropna=False).size())
        if "strip" not in frame and len(often) == 1 and often != {1}:
            return  # parts of a strip, as many of each: two may well yield the same
    draft.complain(again, None, "line twice")


def average_parts(table, keys, lines) -> tuple[pd.DataFrame, list[int], list[str]]:
    """Average the lines that nothing tells apart as strips of their own: parts of a strip are no replicates.

    Parameters
    ----------
    table : DataFrame
        Tidy strips, one row a line of the file.
    keys : list of str
        Columns that name a strip: trial, site, year, block, strip or position where given, what was planned.
    lines : list of int
        Line of each row.

    Returns
    -------
    table : DataFrame
        One row a strip, in the order of their first lines.
    lines : list of int
        First line of each.
    notes : list of str
        Empty where each line is a strip.
    """
    group = table.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    _, first, sizes = np.unique(group, return_index=True, return_counts=True)
    if len(first) == len(table):
        return table, lines, []
    columns = {}
    for name in table:
        cells = table[name].groupby(group, sort=False)
        measured = pd.api.types.is_float_dtype(table[name]) and name not in keys
        columns[name] = cells.mean() if measured else cells.agg(_joined)
    averaged = pd.DataFrame(columns)[list(table)].reset_index(drop=True)
    parts = [line for line, of in zip(lines, group, strict=True) if sizes[of] > 1]
    strips = counted(int((sizes > 1).sum()), "strip")
    note = Note(
        f"{len(parts)} lines ({name_lines(parts)}) of one block and rate are averaged to {strips}: parts of "
        "a strip are not replicates; if each line is a strip, number them in a column 'Strip'",
        trials=table["trial"][sizes[group] > 1].astype(str).unique() if "trial" in table else (),
    )
    return averaged, [lines[i] for i in first], [note]


def _joined(cells):
    """One value where all are alike; else the values side by side."""
    values = list(dict.fromkeys(v for v in cells if not pd.isna(v)))
    if len(values) < 2:
        return values[0] if values else None
    if all(str(v).startswith("row ") for v in values):
        return f"rows {', '.join(str(v)[4:] for v in values)}"
    return ", ".join(map(str, values))
