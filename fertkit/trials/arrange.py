"""From a table of harvested strips to the arrays an analysis needs, with what had to be said about it."""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.errors import InputError, LookupFailed, NotEstimable, Problem, unknown
from fertkit.intake.spellings import plain, spellings
from fertkit.intake.strip_headers import SITE_COLUMNS
from fertkit.intake.strip_points import REMEDY, coordinates, told_as_points
from fertkit.results import counted
from fertkit.sizes import LARGEST_NUMBER, NO_NUMBER
from fertkit.trials import linear


@dataclass(frozen=True)
class Arrangement:
    """One trial, ready for a model.

    Attributes
    ----------
    strips : DataFrame
        The n strips with a yield, in the order of the arrays below.
    y : (n,) array
        Yields [unit of the response column].
    codes, labels : (n,) int array, (k,) Index
        Treatment of each strip, and the treatments in order.
    blocking : list of (name, (n,) int array)
        Factors that group strips (block; row and column of a Latin square).
    covariates : list of (name, (n, 1) array)
        Centred columns entered as straight lines (a trend across the field).
    sites : tuple of str
        Columns that tell several sites or seasons apart; blocks are nested in them.
    line, order : (n,) arrays or None
        Run of side-by-side strips and the place within it, where the table tells.
    treatment, response : str
        Names of the columns.
    notes : tuple of str
    """

    strips: pd.DataFrame
    y: np.ndarray
    codes: np.ndarray
    labels: pd.Index
    blocking: list
    covariates: list
    sites: tuple[str, ...]
    line: np.ndarray | None
    order: np.ndarray | None
    treatment: str
    response: str
    notes: tuple[str, ...]

    def terms(self, *, blocking: bool = True) -> list:
        """Dummy columns of everything but the treatments, as (name, matrix)."""
        groups = [(name, linear.dummies(codes)) for name, codes in self.blocking] if blocking else []
        return groups + self.covariates

    def treatment_columns(self) -> np.ndarray:
        return linear.dummies(self.codes)

    def without_treatments(self, *, blocking: bool = True) -> np.ndarray:
        """Mean, blocking and covariates side by side [(n, p)]."""
        return np.column_stack(
            [np.ones(len(self.y)), *(matrix for _, matrix in self.terms(blocking=blocking))]
        )

    def design(self, *, blocking: bool = True) -> np.ndarray:
        """Mean, blocking, covariates and treatments side by side [(n, p)]."""
        return np.column_stack([self.without_treatments(blocking=blocking), self.treatment_columns()])

    def mean_rows(self, *, blocking: bool = True) -> np.ndarray:
        """Rows that turn coefficients into treatment means, blocks weighted alike [(k, p)]."""
        groups = (
            [np.full(codes.max(), 1 / (codes.max() + 1)) for _, codes in self.blocking] if blocking else []
        )
        start = np.concatenate([[1.0], *groups, np.zeros(len(self.covariates))])
        own = np.eye(len(self.labels))[:, 1:]
        return np.column_stack([np.tile(start, (len(self.labels), 1)), own])


def arrange(trial, *, treatment=None, response=None, blocks=None, trend=False) -> Arrangement:
    """Pick the columns of one trial and drop strips without a yield.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        One trial; columns as `fertkit.intake.read_strips` gives them.
    treatment, response : str, optional
        Columns; by default ``treatment``, the planned rate or the rate, and the one yield column.
    blocks : str or list of str, optional
        Grouping columns; ``block`` by default where there is one. An empty list analyses without blocks.
        Where a site or year column holds several values, groups are counted within each of them.
    trend : bool
        Enter a straight trend across the field.

    Raises
    ------
    LookupFailed
        If a column is not there.
    InputError
        If a cell of the yields is no possible number.
    NotEstimable
        If there are several trials, fewer than two treatments, places are needed and unknown, or several
        sites come with ``blocks=[]`` or a trend.
    """
    table = one_trial(trial)
    sites = site_columns(table)
    treatment = treatment or default_treatment(table)
    response = response or only_column(table, "yield_")
    names = _block_names(table, blocks)
    for column in (treatment, response, *names):
        if column not in table:
            raise unknown("column", column, table.columns)
    table = table.assign(**{response: measured(table, response)})
    _one_row_a_strip(table, sites)
    if sites and (trend or blocks == []):
        what = "a straight trend runs across one field" if trend else "sites cannot be left out of the model"
        raise NotEstimable(
            f"the table holds several values of {' and '.join(sites)}; {what}: analyse the sites one at a "
            "time or pool them with pool_trials"
        )
    notes = []
    if sites:
        notes.append(
            f"several values of {' and '.join(sites)} in one analysis: blocks are counted within each, and "
            "the response is taken as the same everywhere; pool_trials asks whether it is"
        )
    here = table[response].notna() & table[treatment].notna()
    if not here.all():
        lost = ", ".join(describe(row) for _, row in table[~here].iterrows())
        notes.append(
            f"{counted(int((~here).sum()), 'strip')} without a yield left out, means adjusted for it: {lost}"
        )
    strips = table[here].reset_index(drop=True)
    codes, labels = factor(strips[treatment])
    if len(labels) < 2:
        raise NotEstimable(
            f"column '{treatment}' has {counted(len(labels), 'treatment')}; a comparison needs two"
        )
    if told := told_as_points(strips, treatment, [*sites, *names], (treatment, response)):
        raise NotEstimable(f"{told}; {REMEDY}")
    if not names and not sites:
        notes.append("no blocks given: strips are compared as if placed wholly at random over the field")
    line, order = places(strips, sites)
    if trend and order is None:
        raise NotEstimable("a trend across the field needs the place of each strip; add a column 'position'")
    covariates = [("trend", (order - order.mean())[:, None])] if trend else []
    blocking = _blocking(strips, sites, names)
    return Arrangement(strips, strips[response].to_numpy(float), codes, labels, blocking, covariates,
                       sites, line, order, treatment, response, tuple(notes))  # fmt: skip


def one_trial(trial) -> pd.DataFrame:
    """Give the table of a trial, refusing several at once."""
    table = trial if isinstance(trial, pd.DataFrame) else trial.table
    names = list(table["trial"].unique()) if "trial" in table else []
    if len(names) > 1:
        raise NotEstimable(
            f"the table holds {len(names)} trials ({', '.join(map(str, names))}); "
            "analyse them one at a time or pool them with pool_trials"
        )
    return table


def site_columns(table) -> tuple[str, ...]:
    """Name the columns that tell sites or seasons apart, those that split no further than others left out."""
    found: list[str] = []
    for name in SITE_COLUMNS:
        if name in table and _combinations(table, [*found, name]) > (
            _combinations(table, found) if found else 1
        ):
            found.append(name)
    return tuple(found)


def site_names(table) -> pd.Series:
    """Name the site-year of each row, e.g. ``North 2021``; ``1`` where no column tells any apart."""
    columns = list(site_columns(table)) or ["trial"] * ("trial" in table)
    if not columns:
        return pd.Series("1", index=table.index)
    return table[columns].map(show).agg(" ".join, axis=1)


def _combinations(table, columns) -> int:
    return len(table[columns].drop_duplicates())


def nested(table, columns) -> np.ndarray:
    """Code the combinations of several columns 0, 1, ..."""
    return table.groupby(list(columns), dropna=False).ngroup().to_numpy()


def _blocking(strips, sites, names) -> list:
    """Factors that group the strips, each counted within its site; the sites where there is no other."""
    within = [(*sites, name) if name not in sites else sites for name in names] or ([sites] if sites else [])
    return [(" x ".join(columns), nested(strips, columns)) for columns in within]


def _one_row_a_strip(table, sites):
    """Refuse points of a strip passed off as strips."""
    keys = [c for c in (*sites, "block", "strip", "column") if c in table]
    if "strip" in keys and table["strip"].notna().all() and table.duplicated(keys).any():
        raise NotEstimable(
            "several rows belong to one strip: points or parts of a strip are no replicates; average them "
            "first (strip_means), or give each strip a number of its own"
        )


def measured(table, column) -> np.ndarray:
    """Numbers of a column, NaN where a cell is empty; a cell that holds no possible number is refused."""
    cells = table[column]
    values = pd.to_numeric(cells, errors="coerce").to_numpy(float, na_value=np.nan)
    empty = cells.isna() | (cells.astype(str).str.strip() == "")
    bad = np.flatnonzero(~empty.to_numpy(bool) & ~(np.abs(values) <= LARGEST_NUMBER))
    if len(bad):
        remedy = "correct it, or leave the cell empty where the strip was lost"
        raise InputError(
            "trial", [Problem(NO_NUMBER, remedy, int(i) + 2, column, cells.iloc[i]) for i in bad]
        )
    return values


def only_column(table, prefix: str) -> str:
    """Name the one column that starts with a prefix (``rate_``, ``yield_``)."""
    found = [c for c in table.columns if str(c).startswith(prefix)]
    if len(found) != 1:
        raise LookupFailed(
            f"expected one column starting with '{prefix}', found: {', '.join(found) or 'none'}"
        )
    return found[0]


def spoken(column: str) -> str:
    """Write a column name for people: ``yield_bu_ac`` -> ``yield [bu/ac]``."""
    name, *unit = str(column).split("_")
    return f"{name} [{'/'.join(unit)}]" if name in ("rate", "planned", "yield") and unit else str(column)


def show(value) -> str:
    """Write a treatment for people: 50.0 -> 50."""
    return f"{value:g}" if isinstance(value, float) else str(value)


def factor(column) -> tuple[np.ndarray, pd.Index]:
    """Code a column 0, 1, ... with its levels in order; 131.5 and 131.50 are one level."""
    if pd.api.types.is_numeric_dtype(column):
        column = column.astype(float).round(6)
    codes, labels = pd.factorize(column, sort=True)
    return codes, pd.Index(labels)


def describe(strip) -> str:
    """Name a strip for a message."""
    named = [name for name in ("block", "strip") if name in strip and pd.notna(strip[name])]
    said = " ".join(f"{name} {strip[name]}" for name in named)
    # a strip named by its line of the file is "row 8", not "strip row 8"
    return re.sub(r" ?strip row (?=\d+$)", ", row ", said).lstrip(", ") or f"line {strip.name}"


def places(strips, sites=()) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Tell which strips of a site lie side by side: (run, place), from ``position`` or numbered strips."""
    placed = coordinates(strips)
    name = next((c for c in ("position", "strip", "plot") if c in strips), None)
    order = (
        np.array([np.nan]) if name is None else pd.to_numeric(strips[name], errors="coerce").to_numpy(float)
    )
    if np.isnan(order).any() and placed:
        order = _along(strips[placed].to_numpy(float))
    if np.isnan(order).any() or len(np.unique(order)) < 2:
        return None, None
    # Numbers that start again in each block tell neighbours within a block only.
    for runs in (sites, (*sites, "block")):
        known = set(runs) <= set(strips.columns)
        if known and not strips.assign(_o=order).duplicated([*runs, "_o"]).any():
            return nested(strips, runs) if runs else np.zeros(len(order), dtype=int), order
    return None, None


def _along(xy) -> np.ndarray:
    """Places of strips along the line on which they lie farthest apart, from their coordinates [(n, 2)]."""
    xy = xy - xy.mean(axis=0)
    return xy @ np.linalg.svd(xy, full_matrices=False)[2][0]


def untreated(labels):
    """Name the treatment that stands for none (check, control, untreated); None where no name says so."""
    words = spellings("untreated")
    return next((one for one in labels if plain(show(one)) in words), None)


def default_treatment(table) -> str:
    """Name the column compared where the caller names none."""
    planned = [c for c in table.columns if str(c).startswith("planned_")]
    if "treatment" in table:
        return "treatment"
    return planned[0] if planned else only_column(table, "rate_")


def _block_names(table, blocks) -> list[str]:
    if blocks is None:
        usable = "block" in table and len(table["block"].dropna().unique()) > 1
        return ["block"] if usable else []
    return [blocks] if isinstance(blocks, str) else list(blocks)
