"""A second factor crossed with the rates (hybrid, timing, another nutrient): no one curve may pool it."""

import numpy as np
import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.spellings import spellings
from fertkit.intake.strip_doubts import place_of, treated_with
from fertkit.intake.strip_headers import OTHER, header_key, read_header, say_column
from fertkit.intake.strip_lines import is_merged
from fertkit.intake.strip_units import words_of
from fertkit.results import counted
from fertkit.rounding import same

#: A factor has no more levels than this, numbers fewer; it parts at least this share of the cells of block
#: and rate that hold several lines (common practice, no source).
_MOST, _MOST_NUMBERS, _PARTS = 12, 6, 0.5


def check_second_factor(frame, extra, headers, known, problems):
    """Refuse lines of one block and rate that a column tells apart, and a rate column that was left over.

    Parameters
    ----------
    frame : DataFrame
        Cells by role.
    extra : dict of str to Series
        Header -> cells of the columns without a role.
    headers : dict
        Role -> (column index, Header).
    known : collection of str
        Headers the user says are only remarks.
    problems : list of Problem
    """
    named = {header_key(header) for header in known}
    columns = {text: _filled(cells) for text, cells in extra.items() if header_key(text) not in named}
    role = treated_with(frame)
    if "treatment" in frame and role != "treatment":
        columns[headers["treatment"][1].text] = frame["treatment"]
    parts = [cells for text, cells in columns.items() if _over(text, cells, frame)]
    whole = bool(parts) and bool(np.all(same(sum(map(_numbers, parts)), frame["rate"])))
    for text, cells in columns.items():
        if whole and _over(text, cells, frame):
            continue  # the rate is the total of these
        if _over(text, cells, frame):
            problems.append(_left_over(text, headers))
        elif not _no_factor(text) and _crosses(frame, role, cells):
            problems.append(_factor(text, cells, role, headers))


def _filled(cells):
    """Labels of merged cells on each of their lines."""
    labels = [str(label) if pd.notna(label) else "" for label in cells]
    return cells.ffill() if cells.dtype == object and is_merged(labels) else cells


def _no_factor(text) -> bool:
    """Whether a header names something measured, or the parts of a strip."""
    senses = spellings("strip word")
    return any(senses.get(word) in ("measured", "part", "remark") for word in words_of(text))


def _over(text, cells, frame) -> bool:
    """Whether a column is a rate too and varies within a trial, so that the one rate taken is not all."""
    header = read_header(text)
    numbers = _numbers(cells)
    if header.role != "rate" or "rate" not in frame or numbers.isna().any():
        return False
    return bool(numbers.groupby(place_of(frame)).transform("first").ne(numbers).any())


def _numbers(cells):
    return pd.to_numeric(cells.astype(str).str.replace(",", "."), errors="coerce")


def _left_over(text, headers):
    taken = headers["rate"][1].text
    both = f"{taken} + {text}"
    return Problem(
        f"a rate beside '{taken}', and it differs between the strips: one curve cannot hold both",
        "for the sum of the two, write it in one column; if it does not bear on the yield, take the column "
        "out of the file", column=text,
        in_code=f"{say_column('rate', both)} for the sum, {say_column(OTHER, text)} to leave it out",
    )  # fmt: skip


def _crosses(frame, role, cells) -> bool:
    """Whether a column tells lines of one place, block and rate apart, and does so at several rates."""
    numeric = pd.api.types.is_numeric_dtype(cells)
    if cells.isna().mean() > 0.25 or not 2 <= cells.nunique() <= (_MOST_NUMBERS if numeric else _MOST):
        return False
    by = [place_of(frame).rename("place"), *([frame["block"]] if "block" in frame else []), frame[role]]
    groups = cells.astype(str).groupby(by)
    several = groups.size() > 1
    if not several.any():
        return False
    levels = groups.nunique()[several]
    apart = (levels == cells.nunique()) if numeric else (levels > 1)
    if "block" not in frame:  # lines of one rate are replicates: a factor is as often at each level
        even = groups.agg(lambda held: len(set(held.value_counts())) == 1)[several]
        apart &= even & (groups.size()[several] > 1)
    rates = frame[role].groupby(cells.astype(str)).nunique()
    return bool(apart.mean() >= _PARTS and (rates > 1).sum() > 1)


def _factor(text, cells, role, headers):
    levels = list(dict.fromkeys(cells.dropna().astype(str)))
    shown = ", ".join(levels[:4]) + (", ..." if len(levels) > 4 else "")
    meant = {"trial": "to read each level as a trial of its own", "block": "if it names blocks"}
    typed = [f"{say_column(role, text)} {why}" for role, why in meant.items() if role not in headers]
    typed.append(f"{say_column(OTHER, text)} if it is only a remark and its lines may be averaged")
    blocks = "" if "block" in headers else "; if it names blocks, write 'Block' as its header"
    return Problem(
        f"a second factor: {counted(len(levels), 'level')} ({shown}) stand beside the same "
        f"{'treatments' if role == 'treatment' else 'rates'} of a block, and one analysis would pool them",
        f"give one file a level{blocks}; if it is only a remark and its lines may be averaged, take the "
        "column out of the file", column=text, in_code="; ".join(typed),
    )  # fmt: skip
