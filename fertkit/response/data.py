"""A trial as the response fits need it: rates, yields, levels and units."""

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.asked import a_flag, a_header, asks, either, holding, maybe_headers, off
from fertkit.errors import NotEstimable, UnitError
from fertkit.intake.strip_checks import coordinates
from fertkit.intake.strip_headers import SITE_COLUMNS
from fertkit.response.sums import Sums, Sweep, make_sweep
from fertkit.results import ByContent
from fertkit.trials import linear
from fertkit.trials.diagnose import systematic
from fertkit.trials.doubtful import LEFT, Doubtful, doubtful_in_each, smoother
from fertkit.trials.linear import rate_groups
from fertkit.trials.table import places, read_trial

#: Column-name endings that carry a unit.
UNIT_ENDINGS = {
    "lb_ac": "lb/ac", "kg_ha": "kg/ha", "bu_ac": "bu/ac", "t_ha": "t/ha", "q_ha": "q/ha", "g_ha": "g/ha",
    "dt_ha": "dt/ha", "mg_ha": "Mg/ha", "ton_ac": "ton/ac", "cwt_ac": "cwt/ac", "oz_ac": "oz/ac",
}  # fmt: skip
#: Columns that name a strip and tell where it lay.
PLACE_COLUMNS = ("block", "strip", "plot", "position")


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
    strips : DataFrame or None
        The rows as they came.
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
    strips: pd.DataFrame | None = field(default=None, compare=False)  # what counts of them is read

    @cached_property
    def origin(self) -> pd.DataFrame | None:
        """Columns that name the rows and tell where they lay."""
        return None if self.strips is None else origin_of(self.strips, *self.columns)

    @cached_property
    def sweep(self) -> Sweep:
        return make_sweep(self.rate, self.block, self.weight, self.through_origin)

    @cached_property
    def sums(self) -> Sums:
        return self.sweep.sums(self.yields)

    @cached_property
    def blocks(self) -> np.ndarray:
        """Columns (n, p) of the mean and the blocks."""
        ones = np.ones((len(self.rate), 1))
        return ones if self.block is None else np.column_stack([ones, linear.dummies(self.sweep.block)])

    @cached_property
    def span(self) -> np.ndarray:
        """Orthonormal columns (n, p) that span blocks and rates, weighted; nearly equal rates are one."""
        columns = np.column_stack([self.blocks, linear.dummies(rate_groups(self.rate))])
        return linear.span(columns * np.sqrt(self.weight)[:, None])

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
        return replace(self, **parts, strips=None if self.strips is None else self.strips.iloc[kept])

    def need_units(self) -> None:
        """Raise UnitError, naming the column, where rate or yield has no unit and so no price."""
        for column, unit, example in zip(
            self.columns, (self.rate_unit, self.yield_unit), ("rate_lb_ac", "yield_bu_ac"), strict=True
        ):
            if "/" not in unit:
                raise UnitError(
                    f"the column '{column}' has no known unit; end its name with the unit, like '{example}' "
                    f"(units: {', '.join(UNIT_ENDINGS)})"
                )

    @property
    def table(self) -> pd.DataFrame:
        """Rows as used, in rate order: rate, yield, block, weight."""
        frame = pd.DataFrame({"rate": self.rate, "yield": self.yields, "weight": self.weight})
        frame["block"] = "" if self.block is None else self.block
        return frame.sort_values(["rate", "block"], kind="stable", ignore_index=True)


@asks(
    trial=holding("table", of="read_strips"), rate=a_header,
    response=a_header, blocks=either(maybe_headers, off), weight=a_header, through_origin=a_flag,
    by=maybe_headers,
)  # fmt: skip
def read_trial_data(
    trial, *, rate=None, response=None, blocks=None, weight=None, through_origin=False, by=None
) -> TrialData:
    """Check a trial table and take from it what the fits need.

    Parameters
    ----------
    trial : DataFrame, StripTrial or TrialData
        One row per plot or strip, or one per rate mean; a row without a yield is left out. Strips as read
        from a file stand for their table; a checked trial passes through.
    rate, response : str, optional
        Columns of rate and yield; by default the only ones starting with ``rate_`` and ``yield_``.
    blocks : str, list of str or False, optional
        Columns whose combinations get a level of their own; by default ``block`` together with any site or
        year column that holds several values. False: no blocks (refused when there are several sites).
    weight : str, optional
        Column of replicate counts when rows are means.
    through_origin : bool
        Fit no intercept.
    by : str or list of str, optional
        Columns of a second factor or of zones, which tell rows of one block and rate apart.

    Raises
    ------
    InputError
        Missing, ambiguous or unusable columns and cells, all at once.
    NotEstimable
        If all rates are equal, or the table holds several trials.

    Examples
    --------
    >>> from fertkit.response.data import read_trial_data
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
    by = (by,) if isinstance(by, str) else tuple(by or ())
    columns = {"treatment": rate, "response": response, "blocks": blocks, "weight": weight}
    read = read_trial(trial, **columns, curve=True, by=by)
    strips, columns = read.strips, (read.treatment, read.response)
    x = strips[read.treatment].to_numpy()
    x = one_level(x, np.abs(x).max())
    if len(np.unique(x)) < 2:
        raise NotEstimable("all rates are equal; a response needs two rates, a curve three")
    levels = [_text(strips[c]) for c in (*(c for c in read.sites if c not in read.groups), *read.groups)]
    block = np.array([" / ".join(row) for row in zip(*levels, strict=True)]) if levels else None
    return TrialData(
        rate=x, yields=read.y, weight=np.ones(len(x)) if weight is None else strips[weight].to_numpy(),
        block=block, rate_unit=unit_of(columns[0], "rate unit"), yield_unit=unit_of(columns[1], "yield unit"),
        nutrient=read.nutrient, crop=read.crop, through_origin=through_origin, places=_places(read),
        left_out=len(read.lost), columns=columns, strips=strips,
    )  # fmt: skip


def unit_of(column: str, otherwise: str) -> str:
    """Unit carried by a column name, e.g. ``rate_lb_ac`` -> ``lb/ac``; `otherwise` when it carries none."""
    words = str(column).lower().split("_")
    pairs = ["_".join(pair) for pair in pairwise(words)]
    return next((UNIT_ENDINGS[p] for p in pairs if p in UNIT_ENDINGS), otherwise)


def _text(column) -> np.ndarray:
    """The cells of a column as text."""
    return (column if column.dtype.kind in "iO" else column.astype(str)).to_numpy(dtype=str)


def _places(trial) -> str:
    """How many sites or years one curve covers, in words; "" where it is one."""
    many = len(trial.strips[list(trial.sites)].drop_duplicates()) if trial.sites else 1
    if many < 2:
        return ""
    seasons = any(c.endswith("year") for c in trial.sites)
    kind = "years" if trial.sites == ("year",) else "site-years" if seasons else "sites"
    return f"{many} {kind}"


def one_level(x, largest):
    """Round rates to ten digits of the largest, so that unit conversion does not split a rate."""
    sizes, which = np.unique(largest, return_inverse=True)
    scale = np.array([10.0 ** (10 - np.ceil(np.log10(max(size, 1e-290)))) for size in sizes])[which]
    return np.round(x * scale) / scale


def origin_of(strips, *used) -> pd.DataFrame:
    """Columns that name strips and tell where they lay, but for those used otherwise."""
    named = {*SITE_COLUMNS, *PLACE_COLUMNS}
    placed = coordinates(strips, (*used, *named))
    return strips.loc[:, [column in named or column in placed for column in strips.columns]]


def doubtful_rows(data: TrialData) -> Doubtful:
    """Find the doubtful rows of a trial against blocks and rates, or a parabola where rates hardly repeat."""
    return doubtful_in_trials([data])[0]


def doubtful_in_trials(trials: list[TrialData]) -> list[Doubtful]:
    """Find the doubtful rows of each trial; those of one layout are searched together."""
    alike, found = {}, {}
    for i, data in enumerate(trials):
        layout = data.rate.tobytes(), data.sweep.block.tobytes(), data.weight.tobytes()
        alike.setdefault(layout, []).append(i)
    for numbers in alike.values():
        found |= zip(numbers, _doubtful_of([trials[i] for i in numbers]), strict=True)
    return [found[i] for i in range(len(trials))]


def _doubtful_of(trials):
    """Doubtful rows of trials of one layout."""
    data, yields = trials[0], np.array([data.yields for data in trials])
    root, left, smooth = np.sqrt(data.weight), data.span, smoother(data.rate, data.blocks)
    smooth = None if smooth is None else smooth * root[:, None]
    if len(left) - left.shape[1] - 1 < LEFT and smooth is not None:
        left = linear.span(smooth)
    for found in doubtful_in_each(left, yields * root, smooth):
        expected = tuple(y / root[i] for i, y in zip(found.rows, found.expected, strict=True))
        yield replace(found, expected=expected)


def one_order(data: TrialData) -> bool:
    """Whether every block repeats one order of the rates; False where that is not known."""
    if data.block is None or data.strips is None:
        return False
    order = places(data.strips, used=data.columns)[1]
    return order is not None and systematic(rate_groups(data.rate), data.sweep.block, order)
