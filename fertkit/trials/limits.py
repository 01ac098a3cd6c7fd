"""Limits and rules of thumb of trials with their sources, and the rows of checks made against them."""

from functools import cache

import numpy as np
import pandas as pd

from fertkit.reference.facts import load_sheet
from fertkit.reference.load import list_sources, load_table
from fertkit.results import plain
from fertkit.rounding import above, at_least, at_most

_RULES = {">=": at_least, "<=": at_most, ">": above}
_BY_LIMIT = object()


@cache
def _table() -> pd.DataFrame:
    return load_table("trial_limits").set_index(["group", "item"])


def default(group: str, item: str) -> float:
    """Value of one row."""
    return float(_table().loc[(group, item), "value"])


def said_by(group: str, item: str) -> str:
    """Where a row comes from, in the few words a check has room for."""
    row = _table().loc[(group, item)]
    return row["source_key"] if row["provenance"] == "found" else f"{row['source_key']}, {row['provenance']}"


def citations(group: str, items=None) -> pd.DataFrame:
    """Sources of a group of rows, or of some of them; see `fertkit.reference.list_sources`."""
    rows = _table().loc[group]
    return list_sources(sorted(set(rows["source_key"] if items is None else rows.loc[items, "source_key"])))


@cache
def _checks() -> pd.DataFrame:
    return load_sheet("trial_checks").set_index(["group", "check"])


def check_row(group: str, name: str, value, passed=_BY_LIMIT, *, limit="", label="", **facts) -> tuple:
    """Row of a checks table; its limit and its meaning stand in ``reference/trial_checks.csv``.

    Parameters
    ----------
    group, name : str
        Row of that table.
    value : float
        Judged by the limit; not judged where it is missing.
    passed : bool or None, optional
        Where the limit alone does not judge.
    limit : optional
        The limit of a published item in the unit shown; the limit itself where the table states none.
    label : str
        Name shown, where the check is made of several things.
    **facts
        Words and numbers that the texts ask for.
    """
    row = _checks().loc[(group, name)]
    facts["limit"] = limit if isinstance(limit, str) else plain(limit)
    rule, item = row["limit"].format(**facts) or limit, row["item"]
    if item:
        home = "yield_points" if group == "points" else "strip_trial"
        facts["least"] = f"{default(home, item):g}"
        rule = f"{rule} {limit or facts['least']} ({said_by(home, item)})"
    value = np.nan if value is None else value
    if passed is _BY_LIMIT:
        passed = _judged(value, rule.removeprefix("p ").split())
    text = row["open" if passed is None else "held" if passed else "failed"]
    return label or name, value, rule, passed, text.format(**facts)


def _judged(value, words) -> bool | None:
    if not np.isfinite(value) or words[0] == "information":
        return None
    return _RULES[words[0]](value, float(words[1])) if words[0] in _RULES else at_most(value, float(words[0]))


def meaning(group: str, name: str, passed: bool) -> str:
    """What a check means that holds, or that does not."""
    return _checks().loc[(group, name), "held" if passed else "failed"]
