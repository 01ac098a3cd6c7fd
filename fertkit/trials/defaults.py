"""Limits and rules of thumb of strip trials and yield points, with their sources."""

from functools import cache

import pandas as pd

from fertkit.reference.load import list_sources, load_table


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
