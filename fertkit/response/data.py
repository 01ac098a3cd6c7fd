"""A trial table as the response fits need it: rates, yields, blocks and units, checked once."""

from dataclasses import dataclass, replace
from functools import cached_property, reduce
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.asked import a_flag, a_header, asks, either, holding, maybe_headers, off
from fertkit.errors import InputError, NotEstimable, Problem, UnitError
from fertkit.intake.strip_headers import SITE_COLUMNS
from fertkit.intake.strip_points import REMEDY, coordinates, told_as_points
from fertkit.response.sums import Sums, Sweep, make_sweep
from fertkit.results import ByContent
from fertkit.sizes import LARGEST_NUMBER, NO_NUMBER

#: Column-name endings that carry a unit.
UNIT_ENDINGS = {
    "lb_ac": "lb/ac", "kg_ha": "kg/ha", "bu_ac": "bu/ac", "t_ha": "t/ha", "q_ha": "q/ha", "g_ha": "g/ha",
    "dt_ha": "dt/ha", "mg_ha": "Mg/ha", "ton_ac": "ton/ac", "cwt_ac": "cwt/ac", "oz_ac": "oz/ac",
}  # fmt: skip
#: Columns that name a strip and tell where it lay.
PLACE_COLUMNS = ("block", "strip", "plot", "position")
#: Columns that must hold one value in a trial.
SINGLE_COLUMNS = ("nutrient", "crop", "unit", "rate_unit", "yield_unit")


@dataclass(frozen=True)
class TrialData(ByContent):
    """One trial, checked.

    Attributes
    ----------
    rate, yields, weight : array (n,)
        Rates [rate_unit], yields [yield_unit] and weights (replicates behind each row).
    block : array (n,) of str, or None
        Block (and site) of each row.
    rate_unit, yield_unit : str
        Units as the column names carry them.
    nutrient, crop : str
        As strips from a file or a column of that name give them, else "".
    through_origin : bool
    places : str
        How many sites or years there are, each with a level of its own, e.g. ``3 sites``; "" with one.
    left_out : int
        Rows without a yield.
    columns : (str, str)
        Names of the rate and the yield column.
    origin : DataFrame or None
        Columns that name the rows and tell where they lay.
    """

    rate: np.ndarray
    yields: np.ndarray
    weight: np.ndarray
    block: np.ndarray | None
    rate_unit: str
    yield_unit: str
    nutrient: str = ""
    crop: str = ""
    through_origin: bool = False
    places: str = ""
    left_out: int = 0
    columns: tuple[str, str] = ("rate", "yield")
    origin: pd.DataFrame | None = None

    @cached_property
    def sweep(self) -> Sweep:
        return make_sweep(self.rate, self.block, self.weight, self.through_origin)

    @cached_property
    def sums(self) -> Sums:
        return self.sweep.sums(self.yields)

    @cached_property
    def rates(self) -> np.ndarray:
        """Distinct tested rates, ascending."""
        return np.unique(self.rate)

    @property
    def shared(self) -> str:
        """Words that tell of several sites or years under one curve, to stand before more; "" with one."""
        return f"{self.places}, one common response; " if self.places else ""

    @property
    def losses(self) -> list[tuple]:
        """Row of a checks table that tells of strips without a yield, if there are any."""
        said = f"{self.left_out} strip{'s' * (self.left_out > 1)} without a yield left out"
        return [("strips without a yield", self.left_out, 0, False, said)] if self.left_out else []

    def without(self, rows) -> "TrialData":
        """The same trial without some of its rows [indices]."""
        kept = np.setdiff1d(np.arange(len(self.rate)), rows)
        parts = {
            f: v[kept] for f in ("rate", "yields", "weight", "block") if (v := getattr(self, f)) is not None
        }
        return replace(self, **parts, origin=None if self.origin is None else self.origin.iloc[kept])

    def need_units(self) -> None:
        """Raise UnitError, naming the column, where rate or yield has no unit and so no price."""
        for column, unit, example in zip(
            self.columns, (self.rate_unit, self.yield_unit), ("rate_lb_ac", "yield_bu_ac"), strict=True
        ):
            if "/" not in unit:
                raise UnitError(
                    f"the column '{column}' carries no known unit; rename it with its unit at the end, like "
                    f"'{example}' (units: {', '.join(UNIT_ENDINGS)})"
                )

    @property
    def table(self) -> pd.DataFrame:
        """Rows as used, in rate order: rate, yield, block, weight."""
        frame = pd.DataFrame({"rate": self.rate, "yield": self.yields, "weight": self.weight})
        frame["block"] = "" if self.block is None else self.block
        return frame.sort_values(["rate", "block"], kind="stable", ignore_index=True)


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), rate=a_header,
    yield_=a_header, block=either(maybe_headers, off), weight=a_header, through_origin=a_flag,
)  # fmt: skip
def read_trial_data(
    trial, *, rate=None, yield_=None, block=None, weight=None, through_origin=False
) -> TrialData:
    """Check a trial table and take from it what the fits need.

    Parameters
    ----------
    trial : DataFrame, StripTrial or TrialData
        One row per plot or strip, or one per rate mean; a row without a yield is left out. Strips as read
        from a file stand for their table; a checked trial passes through.
    rate, yield_ : str, optional
        Columns of rate and yield; by default the only ones starting with ``rate_`` and ``yield_``.
    block : str, list of str or False, optional
        Columns whose combinations get a level of their own; by default ``block`` together with any site or
        year column that holds several values. False: no blocks (refused when there are several sites).
    weight : str, optional
        Column of replicate counts when rows are means.
    through_origin : bool
        Fit no intercept.

    Raises
    ------
    InputError
        Missing, ambiguous or unusable columns and cells, all at once.
    NotEstimable
        If all rates are equal, or the table holds several trials.

    Examples
    --------
    >>> from fertkit.response import read_trial_data
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> read_trial_data(trial).rates.tolist()
    [0.0, 40.0, 80.0, 120.0, 160.0]
    """
    if isinstance(trial, TrialData):
        return trial
    given = trial
    if not isinstance(trial, pd.DataFrame):
        trial, rate, yield_ = _strips_of(trial, rate, yield_)
    _refuse_several_trials(trial)
    _refuse_without_rates(trial, rate)
    problems: list[Problem] = []
    if trial.empty:
        problems.append(Problem("the table has no rows", "give one row per plot, strip or rate mean"))
    rate = _one_column(trial, rate, "rate_", "rate", problems)
    yield_ = _one_column(trial, yield_, "yield_", "yield", problems)
    problems += _mixed(trial) + _subsamples(trial)
    groups = _group_columns(trial, block, problems)
    if weight is not None and weight not in trial:
        problems.append(Problem(f"there is no column '{weight}'", "name the column of replicate counts"))
    if rate is None or yield_ is None or problems:
        raise InputError("trial", problems)
    kept = _harvested(trial, yield_)
    if kept is None:
        problem = Problem(
            "no yields: every cell is empty", "fill in the yields or leave the trial out", None, yield_
        )
        raise InputError("trial", [problem])
    one_rate = len(trial.loc[kept, rate].unique()) == 1
    if not one_rate and (told := told_as_points(trial[kept], rate, groups, (rate, yield_))):
        problems.append(Problem(told, REMEDY))
    x, y = _numbers(trial, rate, problems), _numbers(trial, yield_, problems, kept)
    w = np.ones(len(x)) if weight is None else _numbers(trial, weight, problems)
    _out_of_bounds(trial, rate, x, x < 0, "a rate cannot be negative", problems)
    if weight is not None:
        _out_of_bounds(trial, weight, w, w <= 0, "a replicate count must be above zero", problems)
    label = None
    if groups:
        for column in groups:
            missing = trial[column].isna().to_numpy()
            _out_of_bounds(trial, column, trial[column].to_numpy(), missing, "the block is missing", problems)
        label = reduce(lambda left, right: left + " / " + right, (trial[c].astype(str) for c in groups))
        label = label.to_numpy(dtype=str)
    if problems:
        raise InputError("trial", problems)
    x, y, w, label = (None if v is None else v[kept] for v in (_same_level(x), y, w, label))
    if len(np.unique(x)) < 2:
        raise NotEstimable("all rates are equal; a response needs at least two rates, a curve at least three")
    treated = [_told_of(given, trial, name) for name in ("nutrient", "crop")]
    places, left_out = _places(trial[kept]), int((~kept).sum())
    units = unit_of(rate, "rate unit"), unit_of(yield_, "yield unit")
    named = [c for c in (*SITE_COLUMNS, *PLACE_COLUMNS) if c in trial]
    origin = trial.loc[kept, [*named, *coordinates(trial, (rate, yield_, *named))]]
    return TrialData(
        x, y, w, label, *units, *treated, through_origin, places, left_out, (rate, yield_), origin
    )  # fmt: skip


def unit_of(column: str, otherwise: str) -> str:
    """Unit carried by a column name, e.g. ``rate_lb_ac`` -> ``lb/ac``; `otherwise` when it carries none."""
    words = column.lower().split("_")
    pairs = ["_".join(pair) for pair in pairwise(words)]
    return next((UNIT_ENDINGS[p] for p in pairs if p in UNIT_ENDINGS), otherwise)


def _refuse_several_trials(table) -> None:
    """Raise NotEstimable where a table holds several trials, which one curve would melt into one."""
    if not _varies(table, "trial"):
        return
    names = [str(v) for v in table["trial"].dropna().unique()]
    shown = ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
    raise NotEstimable(
        f"the table holds {len(names)} trials: {shown}; analyse each on its own, as in `for name, rows in "
        "table.groupby('trial')`, or all at once with optima_of_trials(table, 'trial', price_ratio); for one "
        "trial at several sites name that column 'site'"
    )


def _refuse_without_rates(table, rate) -> None:
    """Raise NotEstimable where strips name treatments and give no rate."""
    if not rate and "treatment" in table and not any(str(c).startswith("rate_") for c in table):
        raise NotEstimable(
            "the strips name treatments and give no rates, so there is no response curve and no optimum "
            "rate; compare their means, as fertkit strips and analyse_strips do, or add a column of rates"
        )


def _strips_of(trial, rate, yield_):
    """Table of strips that came with their own names of the rate and the yield column."""
    table = getattr(trial, "table", None)
    if not isinstance(table, pd.DataFrame):
        problem = Problem("not a table", "give a DataFrame or strips as read from a file", value=type(trial))
        raise InputError("trial", [problem])
    return table, rate or getattr(trial, "rate_column", None), yield_ or getattr(trial, "yield_column", None)


def _told_of(given, table, name) -> str:
    """Nutrient or crop as the strips tell it, or else a column of that name."""
    told = getattr(given, name, "") if given is not table else ""
    return str(told or (table[name].iloc[0] if name in table else "") or "")


def _harvested(trial, column):
    """Rows with a yield; all of them where other cells are no numbers, none passed over; None without any."""
    cells = trial[column]
    empty = (cells.isna() | (cells.astype(str).str.strip() == "")).to_numpy(dtype=bool)
    numbers = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    if len(empty) and empty.all():
        return None
    lost_alone = np.isfinite(numbers[~empty]).all()
    return ~empty if lost_alone else np.ones(len(cells), bool)


def _one_column(trial, name, prefix, kind, problems):
    if name is not None:
        if name in trial:
            return name
        problems.append(Problem(f"there is no column '{name}'", f"columns are: {', '.join(map(str, trial))}"))
        return None
    found = [c for c in trial if str(c).startswith(prefix) and str(c) not in SINGLE_COLUMNS]
    if len(found) == 1:
        return found[0]
    what = f"no column starts with '{prefix}'" if not found else f"several {kind} columns: {', '.join(found)}"
    example = "rate_lb_ac" if kind == "rate" else "yield_bu_ac"
    problems.append(Problem(what, f"keep one {kind} in one unit, named like '{example}', or name the column"))
    return None


def _varies(trial, column):
    return column in trial and len(trial[column].dropna().unique()) > 1


def _mixed(trial):
    return [
        Problem(
            f"several values in one trial: {', '.join(map(str, trial[c].dropna().unique()[:5]))}",
            "analyse each on its own; a response curve needs one nutrient, crop and unit",
            column=c,
        )
        for c in SINGLE_COLUMNS
        if _varies(trial, c)
    ]


def _subsamples(trial):
    """Cells of one strip are not replicates: they share its soil and would fake precision."""
    for column in ("strip", "plot"):
        if column in trial:
            keys = [c for c in (*SITE_COLUMNS, "block", column) if c in trial]
            repeated = trial.duplicated(keys) & trial[column].notna()
            if repeated.any():
                row = int(np.flatnonzero(repeated)[0])
                what = f"{int(repeated.sum())} rows repeat a {column} that is already there"
                remedy = f"sub-samples are not replicates; average each {column} to one row first"
                return [Problem(what, remedy, row + 2, column, trial[column].iloc[row])]
    return []


def _group_columns(trial, block, problems):
    sites = [c for c in SITE_COLUMNS if _varies(trial, c)]
    if block is False:
        if sites:
            what = f"several levels in '{', '.join(sites)}' but no site effects"
            problems.append(
                Problem(
                    what, "pooling without site effects can turn a response upside down; leave `block` unset"
                )
            )
        return []
    if block is None:
        return sites + (["block"] if _varies(trial, "block") else [])
    given = [block] if isinstance(block, str) else list(block)
    missing = [c for c in given if c not in trial]
    if missing:
        problems.append(
            Problem(f"there is no column '{missing[0]}'", "name the column that holds the blocks")
        )
        return []
    return [c for c in sites if c not in given] + given


def _places(trial):
    columns = [c for c in SITE_COLUMNS if _varies(trial, c)]
    if not columns:
        return ""
    seasons = [c for c in columns if c.endswith("year")]
    kind = "sites" if not seasons else "years" if columns == ["year"] else "site-years"
    return f"{len(trial[columns].drop_duplicates())} {kind}"


def _numbers(trial, column, problems, needed=True):
    values = pd.to_numeric(trial[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = ~(np.abs(values) <= LARGEST_NUMBER) & needed
    _out_of_bounds(trial, column, trial[column].to_numpy(), bad, NO_NUMBER, problems)
    return values


def _out_of_bounds(trial, column, values, bad, what, problems):
    for row in np.flatnonzero(bad):
        problems.append(Problem(what, "correct it or leave the row out", int(row) + 2, column, values[row]))


def _same_level(x):
    """Rates that agree to ten digits are one level, so that unit conversion does not split a rate."""
    scale = 10.0 ** (10 - np.ceil(np.log10(max(np.abs(x).max(), 1e-290))))
    return np.round(x * scale) / scale
