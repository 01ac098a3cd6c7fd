"""Clean the points of a yield monitor: delay, pass ends, limits, overlaps, outliers, short pieces.

Each step says which of the points still in play it drops; `clean_points` runs them in order and keeps the
tally. The order follows Simbahan, Dobermann & Ping (2004) and Vega et al. (2019); the source of each limit
stands beside its step in the table.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding, labels, numbers
from fertkit.errors import NotEstimable
from fertkit.intake.points import YieldPoints
from fertkit.reference.load import method_sources
from fertkit.results import Result, checks_frame
from fertkit.trials.limits import check_row, citations, default
from fertkit.trials.places import near_change
from fertkit.trials.point_steps import STEPS, Log, find_passes

#: Passes with neighbours in the other direction that the delay takes (common practice, no source).
FEWEST_PASSES = 6
#: Two thirds of the passes have to want a delay this near to the best of all [s], and the roughness to fall
#: to this share of its median over the delays tried (common practice, no source).
ALIKE_S, DEPTH = 2.0, 0.9
#: Yields are compared over so many seconds, as the threshing blends them anyway (common practice, no source).
BLENDED_S = 5.0
#: A change of rate along a pass shows a delay this far on both sides [m] (common practice, no source).
CHANGE_M = 40.0
#: Passes run against each other where both lie this near to one line (cosine of 30 degrees).
STRAIGHT = 0.866
_SAY = "the delay cannot be found from this log"


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
        return pd.concat([citations("yield_points"), method_sources("local Moran")], ignore_index=True)


@asks(
    points=holding("points", "crop", of="read_yield_points"),
    rules=holding("__dataclass_fields__", like="CleaningRules"),
)
def clean_points(points: YieldPoints, rules: CleaningRules | None = None) -> CleanedPoints:
    """Remove the points of a yield-monitor log that do not measure the crop where they lie.

    Parameters
    ----------
    points : YieldPoints
        n points in the order of harvest.
    rules : CleaningRules, optional

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
    log.neighbours = None
    moved = {column: log.value, "mass_kg": log.mass, "moisture_pct": log.moisture}
    cleaned = table.assign(
        **(moved if rules.delay_s is not None else {}), **{"pass": log.run.astype(int)},
        removed_by=pd.Categorical.from_codes(removed_by, names),
    )  # fmt: skip
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
    removed = int(before.sum() - alive.sum())
    whole = alive & np.isfinite(log.value) & (log.area > 0)
    value = log.value[whole]
    mean, sd = value.mean() if len(value) else np.nan, value.std(ddof=1) if len(value) > 1 else np.nan
    area = log.area[whole]
    return {
        "step": name, "rule": rule, "source": source, "removed": removed,
        "removed_pct": 100 * removed / len(alive), "kept": int(alive.sum()),
        "mean": mean, "weighted_mean": value @ area / area.sum() if len(value) else np.nan, "sd": sd,
    }  # fmt: skip


def _checks(steps):
    share = 100 * (1 - steps["kept"].iloc[-1] / steps["kept"].iloc[0])
    return [check_row("points", "points removed [%]", share, share=f"{share:.0f}")]


# ---- the delay from header to flow sensor


@asks(points=holding("points", "crop", of="read_yield_points"), candidates=numbers, label=labels)
def find_delay(points: YieldPoints, candidates=range(0, 21), label=None) -> pd.DataFrame:
    """Find the time from header to flow sensor at which passes harvested in opposite directions agree best.

    Only points away from the ends of a pass are compared, each with the nearest one of a pass harvested the
    other way.

    Parameters
    ----------
    points : YieldPoints
    candidates : sequence of int
        Delays to try [s].
    label : (n,) int array, optional
        What was applied at each point: yields are compared about the middle of their pass and label, so that
        neither differences between rates nor those between passes hide the delay.

    Returns
    -------
    DataFrame
        delay_s, roughness (root mean squared difference between nearest points of opposite passes [yield
        unit]) and passes_best (passes for which this delay is the best), best first.

    Raises
    ------
    NotEstimable
        If fewer than six passes have neighbours harvested the other way, no delay is clearly better than
        the others, or the best is the longest tried.
    """
    candidates = np.asarray(candidates)
    candidates = candidates.astype(int) if (candidates % 1 == 0).all() else candidates
    values, run = _values(points, candidates)
    if label is not None:
        values = np.array([_about_middle(row, run, label) for row in values])
    pairs = _opposite(points.points, run)
    one, other, enough = _compared(values, run, *pairs)
    if enough.sum() < FEWEST_PASSES and label is not None:
        # A yield about the middle of its rate is compared with none, next to where the rate changes.
        values = np.column_stack([values, np.zeros(len(values), np.float32)])
        along = np.cumsum(np.nan_to_num(points.points["distance_m"].to_numpy()))
        one = np.flatnonzero(near_change(label, run, along, CHANGE_M))
        one, other, enough = _compared(values, run, one, np.full(len(one), len(run)))
    if enough.sum() < FEWEST_PASSES:
        where = "" if label is None else " or changes of rate"
        raise NotEstimable(
            f"{_SAY}: {enough.sum()} passes have neighbours harvested in the opposite direction{where}, "
            f"{FEWEST_PASSES} are needed (common practice, no source); take it from the combine manual or a "
            "pass over a known edge"
        )
    squares = (values[:, one] - values[:, other]) ** 2
    by_pass = np.array([np.bincount(run[one], s, minlength=len(enough)) for s in squares])[:, enough]
    roughness = np.sqrt(squares.mean(axis=1))
    votes = by_pass.argmin(axis=0)
    _check_agreement(np.asarray(candidates, dtype=float), roughness, votes)
    table = pd.DataFrame({"delay_s": candidates, "roughness": roughness,
                          "passes_best": np.bincount(votes, minlength=len(candidates))})  # fmt: skip
    return table.sort_values("roughness", ignore_index=True, kind="stable")


def _compared(values, run, one, other):
    """Pairs whose yields are known after every delay, and which passes have enough of them."""
    whole = np.isfinite(values[:, one] + values[:, other]).all(axis=0)
    one, other = one[whole], other[whole]
    return one, other, np.bincount(run[one], minlength=run.max() + 1) >= USUAL.shortest


def _check_agreement(delays, roughness, votes):
    best = delays[roughness.argmin()]
    alike = int((np.abs(delays[votes] - best) <= ALIKE_S).sum())
    if 3 * alike < 2 * len(votes) or roughness.min() > DEPTH * np.median(roughness):
        raise NotEstimable(
            f"{_SAY}: {best:g} s fits best, but hardly better than others ({alike} of {len(votes)} passes "
            f"fit a delay within {ALIKE_S:g} s of it); yields may vary too little along the passes"
        )
    if best == delays.max() and len(delays) > 1:
        raise NotEstimable(f"{_SAY}: the longest tried, {best:g} s, fits best; try longer ones")


def _values(points, candidates) -> tuple[np.ndarray, np.ndarray]:
    """Yield of every point after each delay, missing where it is lost or near an end; number of the pass."""
    values, seconds = [], points.points["seconds"]
    step = seconds[seconds > 0].median()
    records = 2 * int(BLENDED_S / step / 2) + 1 if step > 0 else 1
    for delay in candidates:
        rules = replace(NO_RULES, delay_s=float(delay), edge_m=USUAL.edge_m, global_sd=USUAL.global_sd)
        try:
            tried = clean_points(points, rules).points
        except NotEstimable as error:
            raise NotEstimable(f"{_SAY}: {error}") from None
        kept = tried[points.yield_column].where(tried["removed_by"] == "")
        values.append(_blended(kept, tried["pass"], records).to_numpy(np.float32))
    return np.array(values), tried["pass"].to_numpy()


def _blended(values, run, records) -> pd.Series:
    """Mean of the records about each, of the same pass; missing where the record itself is."""
    if records < 3:
        return values
    rolled = values.groupby(run).rolling(records, center=True, min_periods=1).mean()
    return rolled.droplevel(0).reindex(values.index).where(values.notna())


def _about_middle(values, run, label) -> np.ndarray:
    values = pd.Series(values)
    return (values - values.groupby([run, label]).transform("median")).to_numpy()


def _opposite(table, run) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of points near each other that were harvested in opposite directions (indices of both)."""
    from scipy.spatial import cKDTree

    place = table["x_m"].to_numpy() + 1j * table["y_m"].to_numpy()
    step = np.r_[place[1:] - place[:-1], 0]
    step[:-1][run[1:] != run[:-1]] = 0
    with np.errstate(invalid="ignore", divide="ignore"):
        heading = step / np.abs(step)
    known = np.isfinite(heading)
    if not known.any():
        return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
    # The line most of the field was driven along: both ways count alike in the square of the heading.
    line = np.sqrt(np.mean(heading[known] ** 2))
    along = np.where(known, (heading * np.conj(line)).real, 0) / np.abs(line)
    forth, back = np.flatnonzero(along > STRAIGHT), np.flatnonzero(along < -STRAIGHT)
    if not len(forth) or not len(back):
        return forth[:0], forth[:0]
    reach = USUAL.reach * float(np.nanmedian(table["width_m"]))
    pairs = []
    for one, other in ((forth, back), (back, forth)):
        tree = cKDTree(np.column_stack([place[other].real, place[other].imag]))
        closest = tree.query(np.column_stack([place[one].real, place[one].imag]), distance_upper_bound=reach)[
            1
        ]
        here = closest < len(other)
        pairs.append((one[here], other[closest[here]]))
    return tuple(np.concatenate(side) for side in zip(*pairs, strict=True))
