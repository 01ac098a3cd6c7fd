"""Read the cells of a strip sheet by role, and check them: gaps, strips given twice."""

from functools import partial

import numpy as np
import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.files import text_of
from fertkit.intake.numbers import number_style, read_number, settle_codes
from fertkit.intake.strip_headers import NUMBER_ROLES
from fertkit.intake.strip_plausible import could_be
from fertkit.intake.strip_units import cell_parts, lost


def read_columns(sheet, headers, problems):
    """Read the cells by role; give them and the columns that play none."""
    numeric = {role: i for role, (i, _) in headers.items() if role.split()[0] in NUMBER_ROLES}
    bare = {
        role: [cell_parts(cell, role.split()[0])[0] for cell in sheet.column(i)]
        for role, i in numeric.items()
    }
    style = number_style((cell for cells in bare.values() for cell in cells), sheet.delimiter)
    frame = pd.DataFrame(index=range(len(sheet.rows)))
    for role, (i, header) in headers.items():
        if role in numeric:
            may_lack = role in ("yield", "weight", "moisture")
            cells = ["" if may_lack and lost(cell) else cell for cell in bare[role]]
            readings = [read_number(cell, style) for cell in cells]
            readings = settle_codes(readings, partial(could_be, role, header))
            whole = zip(readings, sheet.column(i), sheet.lines, strict=True)
            frame[role] = [_number(r, text, line, role, header, problems) for r, text, line in whole]
        else:
            frame[role] = labels_of(sheet.column(i))
    used = {column for column, _ in headers.values()}
    extra = {
        text: labels_of(sheet.column(i)) for i, text in enumerate(sheet.headers) if text and i not in used
    }
    return frame, extra


def _number(reading, whole, line, role, header, problems):
    complaint = reading.problem or ("a limit, not a measured value" if reading.censored else "")
    if not complaint and reading.flag and np.isfinite(reading.value):
        complaint = "text beside the number"
    if not complaint and reading.unit and not (reading.unit == "%" and role in ("moisture", "stated")):
        complaint = f"a unit '{reading.unit}' beside the number"
    if complaint:
        remedy = "write the plain number; leave the cell empty where nothing was measured"
        if role in ("rate", "planned"):
            remedy = "write the plain number, 0 where nothing was applied"
        problems.append(Problem(complaint, remedy, line, header.text, text_of(whole)))
        return np.nan
    return reading.value


def labels_of(cells):
    """Text of the cells; whole numbers and numbers as such when all of them are."""
    texts = [text_of(c) for c in cells]
    column = pd.Series([t or None for t in texts], dtype=object)
    numbers = pd.to_numeric(column, errors="coerce")
    if numbers.notna().sum() == column.notna().sum() and column.notna().any():
        if any(len(text) > 1 and text.startswith("0") and text.isdigit() for text in texts):
            return column  # the zeros of 0099 belong to the name
        whole = numbers.notna().all() and (numbers % 1 == 0).all()
        return numbers.astype("int64") if whole else numbers
    return column


def check_cells(frame, headers, sheet, problems):
    """Find empty rates, blocks, treatments and trials, and strips given twice."""
    lines = sheet.lines
    if "rate" not in frame:
        headers = {**headers, "rate": headers["treatment"]}
        frame = frame.assign(rate=frame["treatment"])
    for role in ("rate", "block"):
        if role in frame:
            text = headers[role][1].text
            gap = frame[role].isna() & ~already(problems, text, lines)
            remedy = f"fill in the {role} or take the line out"
            complain(gap, lines, text, f"the {role} is missing", remedy, problems)
    for role in ("trial", "site", "year", "block", "strip"):
        if role in frame:
            quoted = frame[role].map(lambda label: isinstance(label, str) and '"' in label)
            remedy = "take the quote out: a label that differs makes a group of its own"
            complain(quoted, lines, headers[role][1].text, "a quote stands in a label", remedy, problems)
    for role in ("trial", "site", "year"):
        if role in frame and frame[role].notna().any():
            remedy = f"write the {role} on every line; a merged cell names only its first"
            text = headers[role][1].text
            complain(frame[role].isna(), lines, text, f"the {role} is missing", remedy, problems)
    _check_twice(frame, lines, sheet.rows, problems)


def _check_twice(frame, lines, rows, problems):
    """Refuse a line that is equal to an earlier one in every cell, and a strip that holds two rates."""
    places = [c for c in ("trial", "site", "year", "block") if c in frame]
    if "strip" in frame:
        key = [*places, "strip"]
        rates = frame.groupby(key, dropna=False)["rate"].transform(lambda r: r.nunique(dropna=False))
        again = frame.duplicated(key) & frame["strip"].notna() & (rates > 1)
        what = "this strip is given twice, at two rates"
        remedy = "keep one of the two, or number the strips anew in the column 'strip'"
        complain(again, lines, None, what, remedy, problems)
    if not {"strip", "block"} & set(frame):
        return
    texts = pd.Series([tuple(map(text_of, row)) for row in rows])
    if 4 * texts.duplicated().sum() < len(texts):
        often = set(frame.groupby([*places, "rate"], dropna=False).size())
        if "strip" not in frame and len(often) == 1 and often != {1}:
            return  # parts of a strip, as many of each: two may well yield the same
    what = "this line repeats an earlier one in every cell"
    remedy = "keep one of the two, or number the strips in a column 'strip'"
    complain(texts.duplicated(), lines, None, what, remedy, problems)


def already(problems, column, lines):
    """Lines of which something of a column was told."""
    told = {p.row for p in problems if p.column == column}
    return np.array([line in told for line in lines])


def complain(rows, lines, column, what, remedy, problems, values=None):
    """Add a problem for each row that is true."""
    for i in np.flatnonzero(rows):
        value = None if values is None else f"{values.iloc[i]:g}"
        problems.append(Problem(what, remedy, lines[i], column, value))
