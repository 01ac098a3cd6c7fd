"""Clean the points of a yield monitor: delay, pass ends, limits, overlaps, outliers, short pieces.

Each step says which of the points still in play it drops; `clean_points` runs them in order and keeps the
tally. The order follows Simbahan, Dobermann & Ping (2004) and Vega et al. (2019); the source of each limit
stands beside its step in the table.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.errors import NotEstimable
from fertkit.intake.yield_points import YieldPoints
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_most
from fertkit.trials.defaults import citations, default, said_by
from fertkit.trials.point_steps import STEPS, Log, find_passes


@dataclass(frozen=True)
class CleaningRules:
    """Limits of the cleaning steps; None leaves a step out.

    Attributes
    ----------
    delay_s : float
        Time from the header to the flow sensor [s]; the grain is moved back to where it grew.
    edge_m : float
        Points nearer to the end of a pass are dropped [m].
    speed_change_pct : float
        Change of speed from one record to the next [%].
    moisture_low, moisture_high : float
        Believable grain moistures [% wet basis].
    yield_low, yield_high : float
        Believable yields [yield unit].
    global_sd : float
        Standard deviations from the field mean.
    overlap : float
        Distance to an earlier pass [header widths].
    neighbours : int
        Points of a neighbourhood.
    reach : float
        Neighbours lie within this distance [header widths].
    local_significance : float
        Two-sided level of the local Moran statistic below which a point unlike its neighbours is dropped.
    shortest : int
        Points of the shortest piece of a pass worth keeping.
    """

    delay_s: float | None = None
    edge_m: float | None = default("yield_points", "edge")
    speed_change_pct: float | None = default("yield_points", "speed change")
    moisture_low: float | None = None
    moisture_high: float | None = None
    yield_low: float | None = None
    yield_high: float | None = None
    global_sd: float | None = default("yield_points", "global limit")
    overlap: float | None = default("yield_points", "overlap")
    neighbours: int = int(default("yield_points", "neighbours"))
    reach: float = default("yield_points", "neighbour reach")
    local_significance: float | None = default("yield_points", "local significance")
    shortest: int | None = int(default("yield_points", "shortest segment"))


USUAL = CleaningRules()
#: Every optional step left out: a start for applying single ones.
NO_RULES = CleaningRules(
    edge_m=None, speed_change_pct=None, global_sd=None, overlap=None, local_significance=None, shortest=None
)


@dataclass(frozen=True)
class CleanedPoints(Result):
    """What cleaning kept, what it removed and why.

    Attributes
    ----------
    points : DataFrame
        All points, with ``pass`` and ``removed_by`` (empty for points kept).
    steps : DataFrame
        step, rule, source, removed, removed_pct, kept; mean (of records), weighted_mean (by area) and sd of
        what is left [yield unit].
    rules : CleaningRules
    yield_column, yield_unit, crop, name : str
    standard_moisture_pct : float
        Moisture at which the yields are stated [% wet basis].
    checks : DataFrame
    """

    points: pd.DataFrame
    steps: pd.DataFrame
    rules: CleaningRules
    yield_column: str
    yield_unit: str
    crop: str
    name: str
    standard_moisture_pct: float
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.steps

    @property
    def kept(self) -> pd.DataFrame:
        """Points that stay."""
        return self.points[self.points["removed_by"] == ""]

    @property
    def sources(self) -> pd.DataFrame:
        return citations("yield_points")


@asks(
    points=holding("points", "crop", like="what read_yield_points gives"),
    rules=holding("__dataclass_fields__", like="CleaningRules"),
)
def clean_points(points: YieldPoints, rules: CleaningRules | None = None) -> CleanedPoints:
    """Remove the points of a yield-monitor log that do not measure the crop where they lie.

    Parameters
    ----------
    points : YieldPoints
        n points in the order of harvest.
    rules : CleaningRules, optional

    Returns
    -------
    CleanedPoints

    Raises
    ------
    NotEstimable
        If nothing is left.

    Notes
    -----
    Of the order of n log n in time (one tree of positions), linear in memory.

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> from fertkit.intake import read_points
    >>> step = np.arange(60)
    >>> log = pd.DataFrame({"lon": -93.0, "lat": 42 + step * 2e-5, "flow": 18 + step % 3 * 0.1, "seconds": 1,
    ...                     "distance": 7.3, "width": 30.0, "moisture": 15.5})
    >>> units = {"flow": "lb/s", "distance": "ft", "width": "ft"}
    >>> points = read_points(log, crop="corn", units=units)
    >>> from fertkit.trials import clean_points
    >>> print(clean_points(points).summary().splitlines()[2].strip())
    pass ends: 18 (within 20 m)
    """
    rules = rules or CleaningRules()
    table, column = points.points, points.yield_column
    log = Log.of(table, column, _passes(table))
    alive = np.ones(len(table), dtype=bool)
    removed_by = np.zeros(len(table), dtype=np.int8)
    rows, names = [_row("as read", "", "", alive, alive, log)], [""]
    for step in STEPS:
        if not step.wanted(rules):
            continue
        before = alive
        alive = alive & ~step.drop(log, rules, alive)
        removed_by[before & ~alive] = len(names)
        names.append(step.name)
        rows.append(_row(step.name, step.rule(rules), step.source(rules, USUAL), before, alive, log))
        if not alive.any():
            last = f"'{step.name}' ({step.rule(rules)})"
            raise NotEstimable(f"no point is left after the step {last}; widen its limit")
    cleaned = table.assign(
        **{column: log.value, "mass_kg": log.mass, "moisture_pct": log.moisture, "pass": log.run},
        removed_by=pd.Categorical.from_codes(removed_by, names),
    )
    steps = pd.DataFrame(rows)
    return CleanedPoints(cleaned, steps, rules, column, points.yield_unit, points.crop, points.name,
                         points.standard_moisture_pct, checks_frame(_checks(steps)))  # fmt: skip


def _passes(table) -> np.ndarray:
    """Passes as the log numbers them, else found from places and times."""
    if "pass" in table:
        return table["pass"].to_numpy()
    time = table["time"] if "time" in table and table["time"].notna().sum() > 1 else None
    return find_passes(table["x_m"], table["y_m"], time=time)


def _row(name, rule, source, before, alive, log) -> dict:
    value, area = log.value[alive], log.area[alive]
    removed = int(before.sum() - alive.sum())
    whole = np.isfinite(value) & (area > 0)
    weight = area[whole].sum()
    return {
        "step": name, "rule": rule, "source": source, "removed": removed,
        "removed_pct": 100 * removed / len(alive), "kept": int(alive.sum()),
        "mean": value[whole].mean() if weight else np.nan,
        "weighted_mean": value[whole] @ area[whole] / weight if weight else np.nan,
        "sd": value[whole].std(ddof=1) if whole.sum() > 1 else np.nan,
    }  # fmt: skip


def _checks(steps):
    item = "share removed"
    most = default("yield_points", item)
    share = 100 * (1 - steps["kept"].iloc[-1] / steps["kept"].iloc[0])
    told = f"{share:.0f} % of the points are removed"
    limit = f"<= {most:g} ({said_by('yield_points', item)})"
    meaning = told, f"{told}: look for a wrong limit or unit"
    return [("points removed [%]", share, limit, at_most(share, most), meaning)]
