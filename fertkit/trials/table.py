"""The table of one trial: its columns picked, its cells checked, strips without a yield set apart.

Both floors of a trial read it here: the comparison of treatments (`arrange`) and the fit of a curve
(`fertkit.response.read_trial_data`). An experimental unit is a strip; points and parts of one are refused.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.intake.strip_checks import NO_BLOCKS, REMEDY, why_no_strips
from fertkit.results import counted, heading
from fertkit.sizes import LARGEST_NUMBER, NO_NUMBER
from fertkit.trials import linear
from fertkit.trials.strips import describe, factor, nested, places, site_columns

#: Columns that must hold one value where a curve is fitted.
SINGLE_COLUMNS = ("nutrient", "crop", "unit", "rate_unit", "yield_unit")
NEAR = 0.01  # of the highest rate: rates as applied, closer than any plan
_LEAVE_OUT = "correct it or leave the row out"
_LEAVE_EMPTY = "correct it, or leave the cell empty if the strip was lost"


@dataclass(frozen=True)
class Trial:
    """The strips of one trial that have a yield.

    Attributes
    ----------
    strips : DataFrame
        The n strips, rates and yields as numbers, with the index of the table they came in.
    treatment, response : str
        Columns of the treatment or rate and of the yield.
    sites : tuple of str
        Columns that tell several sites or seasons apart; groups are counted within each.
    groups : tuple of str
        Columns that group strips (block; row and column of a Latin square).
    lost : DataFrame
        Strips without a yield.
    nutrient, crop : str
        As strips from a file or a column of that name give them, else "".
    trend : bool
        Whether a straight trend across the field is entered.
    beside : tuple of (str, (n,) array)
        Further covariates by name, centred.
    """

    strips: pd.DataFrame
    treatment: str
    response: str
    sites: tuple[str, ...]
    groups: tuple[str, ...]
    lost: pd.DataFrame
    nutrient: str = ""
    crop: str = ""
    trend: bool = False
    beside: tuple = ()

    @cached_property
    def y(self) -> np.ndarray:
        """Yields [unit of the response column]."""
        return self.strips[self.response].to_numpy(float)

    @cached_property
    def _factor(self):
        return factor(self.strips[self.treatment])

    @property
    def codes(self) -> np.ndarray:
        """Treatment of each strip [(n,) int]."""
        return self._factor[0]

    @property
    def labels(self) -> pd.Index:
        """The treatments in order."""
        return self._factor[1]

    @cached_property
    def blocking(self) -> list:
        """Factors that group the strips, as (name, codes); the sites where there is no other."""
        within = [(*self.sites, name) if name not in self.sites else self.sites for name in self.groups]
        within = within or ([self.sites] if self.sites else [])
        return [(" x ".join(columns), nested(self.strips, columns)) for columns in within]

    @cached_property
    def _places(self):
        return places(self.strips, self.sites)

    @property
    def line(self) -> np.ndarray | None:
        """Run of side-by-side strips that each strip belongs to, where the table tells."""
        return self._places[0]

    @property
    def order(self) -> np.ndarray | None:
        """Place of each strip within its run."""
        return self._places[1]

    @property
    def covariates(self) -> list:
        """Centred columns entered as straight lines, as (name, (n, 1) array)."""
        trend = [("trend", (self.order - self.order.mean())[:, None])] if self.trend else []
        return trend + [(name, values[:, None]) for name, values in self.beside]

    @property
    def notes(self) -> tuple[str, ...]:
        """What a comparison of the treatments has to say of the table."""
        notes = []
        if self.sites:
            notes.append(
                f"several values of {' and '.join(self.sites)} in one analysis: blocks are counted within "
                "each and one response is assumed; use pool_trials to test it"
            )
        if len(self.lost):
            lacking = "yield" if self.lost[self.response].isna().all() else "yield or a treatment"
            names = ", ".join(describe(row) for _, row in self.lost.iterrows())
            strips = f"{counted(len(self.lost), 'strip')} without a {lacking}"
            notes.append(f"{strips} left out, means adjusted for it: {names}")
        if not self.blocking:
            notes.append(NO_BLOCKS)
        if near := self._near:
            rates = " and ".join(f"{rate:g}" for rate in near)
            notes.append(
                f"rates as close as {rates} count as separate treatments; if they were planned as one, add a "
                f"column 'planned {heading(self.treatment)}'"
            )
        return tuple(notes)

    @property
    def _near(self) -> tuple:
        """The two closest of the rates, where fewer were surely planned: most lie within 1 % of another."""
        if not self.treatment.startswith("rate_") or not pd.api.types.is_numeric_dtype(self.labels):
            return ()
        rates = np.asarray(self.labels, dtype=float)
        near = (np.diff(rates) <= NEAR * rates[-1]) & (rates[:-1] > 0)
        beside = np.r_[near, False] | np.r_[False, near]
        at = int(np.where(near, np.diff(rates), np.inf).argmin()) if near.any() else 0
        return tuple(rates[at : at + 2]) if 2 * beside.sum() > (rates > 0).sum() else ()

    def terms(self) -> list:
        """Dummy columns of everything but the treatments, as (name, matrix)."""
        return [(name, linear.dummies(codes)) for name, codes in self.blocking] + self.covariates

    def treatment_columns(self) -> np.ndarray:
        return linear.dummies(self.codes)

    def without_treatments(self) -> np.ndarray:
        """Mean, blocking and covariates side by side [(n, p)]."""
        return np.column_stack([np.ones(len(self.y)), *(matrix for _, matrix in self.terms())])

    def design(self) -> np.ndarray:
        """Mean, blocking, covariates and treatments side by side [(n, p)]."""
        return np.column_stack([self.without_treatments(), self.treatment_columns()])

    def mean_rows(self) -> np.ndarray:
        """Rows that turn coefficients into treatment means, blocks weighted alike [(k, p)]."""
        groups = [np.full(codes.max(), 1 / (codes.max() + 1)) for _, codes in self.blocking]
        start = np.concatenate([[1.0], *groups, np.zeros(len(self.covariates))])
        own = np.eye(len(self.labels))[:, 1:]
        return np.column_stack([np.tile(start, (len(self.labels), 1)), own])


def read_trial(
    trial, *, treatment=None, response=None, blocks=None, weight=None, trend=False, curve=False, by=()
) -> Trial:
    """Pick the columns of one trial, check its cells and set strips without a yield apart.

    Parameters
    ----------
    trial : StripTrial or DataFrame
    treatment, response, weight : str, optional
        Columns; by default ``treatment``, the planned rate or the rate, and the one yield column. Weights are
        replicate counts, where rows are means.
    blocks : str, list of str or False, optional
        Grouping columns, ``block`` by default where there is one; False or an empty list: none.
    trend : bool
        Enter a straight trend across the field.
    curve : bool
        The treatments are rates of one nutrient; by default the one rate column, as applied.
    by : tuple of str
        Columns of a second factor or of zones: rows of one block and rate that they tell apart are no parts
        of a strip.

    Raises
    ------
    InputError
        Missing, ambiguous or unusable columns and cells, points or parts of strips, all at once.
    NotEstimable
        If the table holds several trials, or a curve is asked of treatments without rates.
    """
    table = one_trial(trial)
    known = None if table is trial else trial
    if curve:
        _need_rates(table, treatment)
        treatment = treatment or getattr(known, "rate_column", None)
    problems = _mixed(table) if curve else []
    if table.empty:
        problems.append(Problem("the table has no rows", "give one row per plot, strip or rate mean"))
    treatment = _pick(table, treatment or (None if curve else _named(table)), "rate", problems)
    response = _pick(table, response or getattr(known, "yield_column", None), "yield", problems)
    weight = None if weight is None else _pick(table, weight, "weight", problems)
    sites = site_columns(table)
    groups = _groups(table, blocks, sites, problems)
    problems += _repeated(table, (*sites, *by))
    if problems:
        raise InputError("trial", problems)
    table = _with_numbers(table, treatment if curve else None, response, weight, [*sites, *groups])
    harvested = pd.notna(table[response].to_numpy()) & pd.notna(table[treatment].to_numpy())
    strips, lost = (table, table.iloc[:0]) if harvested.all() else (table[harvested], table[~harvested])
    if len(strips[treatment].unique()) > 1:
        doubt = why_no_strips(strips, treatment, [*sites, *groups, *by], (treatment, response))
        if doubt:
            raise InputError("trial", [Problem(doubt, REMEDY)])
    facts = {name: _fact(known, table, name) for name in ("nutrient", "crop")}
    return Trial(strips, treatment, response, sites, tuple(groups), lost, **facts, trend=trend)


def _with_numbers(table, rate, response, weight, groups) -> pd.DataFrame:
    """The table with its numbers read, every bad cell of it told at once."""
    problems: list[Problem] = []
    read = {column: _numbers(table, column, problems) for column in (rate, weight) if column is not None}
    read[response] = _numbers(table, response, problems, empty=True)
    if is_yield(response):
        problems += _bad_cells(table, response, read[response] < 0, "a yield below zero", _LEAVE_EMPTY)
    if rate is not None:
        problems += _bad_cells(table, rate, read[rate] < 0, "a rate cannot be negative")
    if weight is not None:
        problems += _bad_cells(table, weight, read[weight] <= 0, "a replicate count must be above zero")
    for column in dict.fromkeys(groups):
        problems += _bad_cells(table, column, table[column].isna(), "the block is missing")
    if not problems and np.isnan(read[response]).all():
        remedy = "fill in the yields or delete the trial"
        problems.append(Problem("no yields: every cell is empty", remedy, None, response))
    if problems:
        raise InputError("trial", problems)
    changed = {column: v for column, v in read.items() if table[column].dtype != v.dtype}
    return table.assign(**changed) if changed else table


def arrange(trial, *, treatment=None, response=None, blocks=None, trend=False) -> Trial:
    """Read one trial of two or more treatments for their comparison; see `read_trial`."""
    read = read_trial(trial, treatment=treatment, response=response, blocks=blocks, trend=trend)
    if len(read.labels) < 2:
        many = counted(len(read.labels), "treatment")
        raise NotEstimable(f"column '{read.treatment}' has {many}; a comparison needs two")
    if trend and read.sites:
        raise NotEstimable(
            f"the table has several values of {' and '.join(read.sites)}; a trend applies to one field",
            "pool_trials(...)",
            remedy="analyse sites one at a time, or pool them",
        )
    if trend and read.order is None:
        raise NotEstimable("a trend needs strip positions; add a column 'position'")
    return read


def one_trial(trial) -> pd.DataFrame:
    """Return the table of a trial, refusing several at once, which one analysis would melt into one."""
    table = trial if isinstance(trial, pd.DataFrame) else trial.table
    if _varies(table, "trial"):
        names = table["trial"].dropna().unique()
        shown = ", ".join(map(str, names[:5])) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
        raise NotEstimable(
            f"the table holds {len(names)} trials: {shown}",
            "table.groupby('trial'), pool_trials(...) or optima_of_trials(...)",
            remedy="analyse them one at a time or together; for one trial at several sites name the column "
            "'site'",
        )
    return table


# ---- columns


def column_of(table, name, kind: str) -> str:
    """Name a column of a table, or by default the one that starts with a kind (``rate``, ``yield``)."""
    problems: list[Problem] = []
    column = _pick(table, name, kind, problems)
    if problems:
        raise InputError("trial", problems)
    return column


def is_yield(column) -> bool:
    """Whether a column holds yields, never below zero; a return or a difference may be."""
    return str(column).startswith("yield_")


def _pick(table, name, kind, problems):
    if name is not None:
        if name not in table:
            columns = f"columns are: {', '.join(map(str, table))}"
            problems.append(Problem(f"there is no column '{name}'", columns))
        return name
    candidates = [c for c in table if str(c).startswith(f"{kind}_") and str(c) not in SINGLE_COLUMNS]
    if len(candidates) == 1:
        return candidates[0]
    what = f"several {kind} columns: {', '.join(candidates)}"
    if not candidates:
        what = f"no column starts with '{kind}_'"
    example = "rate_lb_ac" if kind == "rate" else "yield_bu_ac"
    remedy, in_code = f"keep one {kind} in one unit, named like '{example}', or name the column", ""
    if kind == "rate" and len(candidates) > 1:
        remedy += "; of several nutrients a surface tells the best combination"
        in_code = "fertkit strips FILE (in Python analyse_surface(...))"
    problems.append(Problem(what, remedy, in_code=in_code))
    return None


def _named(table):
    """Column of the treatments, or else of the planned rates; None where there is neither."""
    planned = [c for c in table if str(c).startswith("planned_")]
    return "treatment" if "treatment" in table else planned[0] if planned else None


def default_treatment(table) -> str:
    """Name the column compared where the caller names none."""
    return column_of(table, _named(table), "rate")


def _need_rates(table, rate) -> None:
    """Raise NotEstimable where strips name treatments and give no rate."""
    if not rate and "treatment" in table and not any(str(c).startswith("rate_") for c in table):
        raise NotEstimable(
            "treatments without rates have no response curve or optimum rate",
            "fertkit strips FILE (in Python analyse_strips)",
            remedy="compare their means, or add a column of rates",
        )


def _varies(table, column) -> bool:
    return column in table and table[column].nunique() >= 2


def _mixed(table) -> list[Problem]:
    return [
        Problem(
            f"several values in one trial: {', '.join(map(str, table[c].dropna().unique()[:5]))}",
            "analyse each separately; a response curve needs one nutrient, crop and unit",
            column=c,
        )
        for c in SINGLE_COLUMNS
        if _varies(table, c)
    ]


def _groups(table, blocks, sites, problems) -> list[str]:
    if blocks is None:
        return ["block"] if _varies(table, "block") else []
    given = [] if blocks is False else [blocks] if isinstance(blocks, str) else list(blocks)
    for name in given:
        _pick(table, name, "block", problems)
    if sites and not given:
        what = f"several levels in '{', '.join(sites)}' but no site effects"
        remedy = (
            "pooling without site effects can reverse a response; leave `blocks` unset, analyse sites one at "
            "a time, or use pool_trials"
        )
        problems.append(Problem(what, remedy))
    return given


def _repeated(table, sites) -> list[Problem]:
    """Cells of one strip are not replicates: they share its soil and would fake precision."""
    for column in ("strip", "plot"):
        if column in table and not table[column].is_unique:
            keys = [c for c in (*sites, "block", "column", column) if c in table]
            again = table.duplicated(keys) & table[column].notna()
            if again.any():
                n = int(again.sum())
                what = f"{counted(n, 'row')} repeat{'s' * (n == 1)} a {column} that is already there"
                remedy = (
                    f"points and parts of a {column} are not replicates; average each {column} to one row "
                    f"(strip_means), or number each {column}"
                )
                row = int(np.flatnonzero(again)[0])
                return [Problem(what, remedy, row + 2, column, table[column].iloc[row])]
    return []


def _fact(known, table, name) -> str:
    """Nutrient or crop as the strips tell it, or else a column of that name."""
    value = getattr(known, name, "")
    return str(value or (table[name].iloc[0] if name in table else "") or "")


# ---- cells


def measured(table, column) -> np.ndarray:
    """Numbers of a column, NaN where a cell is empty; a cell that holds no possible number is refused."""
    problems: list[Problem] = []
    values = _numbers(table, column, problems, empty=True)
    if problems:
        raise InputError("trial", problems)
    return values


def labelled(table, columns) -> None:
    """Refuse an empty cell of columns that name blocks and treatments."""
    problems = [
        p for name in columns for p in _bad_cells(table, name, table[name].isna(), "the label is missing")
    ]
    if problems:
        raise InputError("trial", problems)


def _numbers(table, column, problems, *, empty=False) -> np.ndarray:
    cells = table[column]
    if cells.dtype != float:
        cells = pd.to_numeric(cells, errors="coerce")
    values = cells.to_numpy(float, na_value=np.nan)
    bad = ~(np.abs(values) <= LARGEST_NUMBER)
    if empty and bad.any():
        cells = table[column]
        bad &= ~(cells.isna() | (cells.astype(str).str.strip() == "")).to_numpy(bool)
    problems += _bad_cells(table, column, bad, NO_NUMBER, _LEAVE_EMPTY if empty else _LEAVE_OUT)
    return values


def _bad_cells(table, column, bad, what, remedy=_LEAVE_OUT) -> list[Problem]:
    rows = np.flatnonzero(bad)
    return [Problem(what, remedy, int(i) + 2, column, table[column].iloc[i]) for i in rows]
