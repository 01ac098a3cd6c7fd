"""Strips of a table: the sites and groups they belong to, where they lie, what they are called."""

import re

import numpy as np
import pandas as pd

from fertkit.intake.strip_checks import combined, coordinates
from fertkit.intake.strip_headers import SITE_COLUMNS
from fertkit.results import show


def site_columns(table) -> tuple[str, ...]:
    """Name the columns that tell sites or seasons apart, those that split no further than others left out."""
    columns: list[str] = []
    for name in SITE_COLUMNS:
        if name in table and combined(table, [*columns, name]).max(initial=0) > (
            combined(table, columns).max(initial=0)
        ):
            columns.append(name)
    return tuple(columns)


def site_names(table) -> pd.Series:
    """Name the site-year of each row, e.g. ``North 2021``; ``1`` where no column tells any apart."""
    columns = list(site_columns(table)) or ["trial"] * ("trial" in table)
    if not columns:
        return pd.Series("1", index=table.index)
    return table[columns].map(show).agg(" ".join, axis=1)


def sites_counted(table) -> str:
    """Name what `site_names` tells apart: site-years where there are several years, else sites."""
    return "site-year" if "year" in table and len(table["year"].dropna().unique()) > 1 else "site"


def repeated_sites(table) -> tuple[int, int]:
    """Count the site-years of a table and the sites they lie on; (0, 0) where no site comes again."""
    named = next((name for name in ("site", "location", "field", "trial") if name in table), None)
    if named is None or "year" not in table:
        return 0, 0
    seen = table[[named, "year"]].dropna().drop_duplicates()
    sites = seen[named].nunique()
    return (len(seen), sites) if sites < len(seen) else (0, 0)


def nested(table, columns) -> np.ndarray:
    """Code the combinations of several columns 0, 1, ..."""
    return table.groupby(list(columns), dropna=False).ngroup().to_numpy()


def places(strips, sites=(), used=()) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Return which strips of a site lie side by side: (run, place), from ``position`` or numbered strips.

    Columns `used` for the rate and the yield tell no places.
    """
    placed = coordinates(strips, used)
    name = next((c for c in ("position", "strip", "plot") if c in strips and c not in used), None)
    order = (
        np.array([np.nan]) if name is None else pd.to_numeric(strips[name], errors="coerce").to_numpy(float)
    )
    if np.isnan(order).any() and placed:
        order = _along(strips[placed].to_numpy(float))
    if np.isnan(order).any() or len(np.unique(order)) < 2:
        return None, None
    # Numbers that start again in each block tell neighbours within a block only.
    for runs in (sites, (*sites, "block")):
        if set(runs) <= set(strips.columns):
            run = nested(strips, runs) if runs else np.zeros(len(order), dtype=int)
            if len(set(zip(run, order, strict=True))) == len(order):
                return run, order
    return None, None


def _along(xy) -> np.ndarray:
    """Places of strips along the line on which they lie farthest apart, from their coordinates [(n, 2)]."""
    xy = xy - xy.mean(axis=0)
    return xy @ np.linalg.svd(xy, full_matrices=False)[2][0]


def factor(column) -> tuple[np.ndarray, pd.Index]:
    """Code a column 0, 1, ... with its levels in order; 131.5 and 131.50 are one level."""
    if pd.api.types.is_numeric_dtype(column):
        column = column.astype(float).round(6)
    codes, labels = pd.factorize(column, sort=True)
    return codes, pd.Index(labels)


def describe(strip) -> str:
    """Name a strip for a message."""
    named = [name for name in ("block", "strip") if name in strip and pd.notna(strip[name])]
    text = " ".join(f"{name} {strip[name]}" for name in named)
    # a strip named by its line of the file is "row 8", not "strip row 8"
    return re.sub(r" ?strip row (?=\d+$)", ", row ", text).lstrip(", ") or f"line {strip.name}"
