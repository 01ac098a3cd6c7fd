"""The steps of cleaning harvest points: each says which of the points still in play it drops."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.rounding import ROUNDING, above
from fertkit.trials.limits import said_by

#: Distance before and after a record over which its heading is taken [m] (common practice, no source).
HALF_TURN_M = 10.0
#: A step or a pause this many times the usual one is a gap (common practice, no source).
GAP = 5.0
#: Points queried at a time: bounds the memory of a long log.
CHUNK = 100_000
#: Points whose neighbours are compared at a time.
FEW = 20_000
#: Points of one tree: a longer log is searched lane by lane.
LANE = 500_000


def find_passes(x, y, turn_deg: float = 60.0, time=None) -> np.ndarray:
    """Number the passes of a log without pass numbers: one ends at a gap, a jump or a turn.

    A turn is one end, however long it takes and whatever gaps lie in it: its records go to the passes before
    and after it.

    Parameters
    ----------
    x, y : (n,) arrays
        Positions in the order of harvest [m].
    turn_deg : float
        Change of heading from the ten metres before a record to the ten after it that counts as a turn
        (common practice, no source).
    time : (n,) array, optional
        Time of each record, in any unit: a pause of the log ends a pass too.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    step = np.hypot(np.diff(x), np.diff(y))
    moved = step[step > 0]
    if not len(moved):
        return np.zeros(len(x), dtype=int)
    # A position or a clock renewed less often than the log stands still between: that is no usual step.
    usual = float(np.median(moved))
    cut = np.r_[False, above(step, GAP * usual)]
    if time is not None:
        pause = np.diff(np.asarray(time, dtype=float))
        passed = pause[pause > 0]
        cut[1:] |= above(pause, GAP * np.median(passed)) if len(passed) else False
    half = int(np.clip(np.ceil(HALF_TURN_M / usual * (1 - ROUNDING)), 2, len(x)))
    cut[_turns(x, y, cut, half, half * usual / 2, np.radians(turn_deg))] = True
    return np.cumsum(cut)


def _turns(x, y, cut, half, shortest, limit) -> list[int]:
    """First record after the middle of each turn that has a stretch of pass on both sides."""
    records = np.arange(len(x))
    first = np.flatnonzero(np.r_[True, cut[1:]])
    last = np.r_[first[1:], len(x)] - 1
    piece = np.searchsorted(first, records, side="right") - 1
    first, last = first[piece], last[piece]
    behind, ahead = np.maximum(records - half, first), np.minimum(records + half, last)
    back = (x - x[behind]) + 1j * (y - y[behind])
    on = (x[ahead] - x) + 1j * (y[ahead] - y)
    # A combine at a stand has no heading.
    moving = (np.abs(back) > shortest) & (np.abs(on) > shortest)
    turning = np.flatnonzero(moving & (np.abs(np.angle(on * np.conj(back))) > limit))
    if not len(turning):
        return []
    # The two quarters of a turn, with the way between them, are one; what is left of it at a gap is none.
    apart = (np.diff(turning) > 2 * half) | (np.diff(piece[turning]) > 0)
    starts, ends = turning[np.r_[True, apart]], turning[np.r_[apart, True]]
    middle = (starts + ends + 1) // 2
    whole = (middle - first[middle] >= 2 * half) & (last[middle] - middle >= 2 * half)
    return middle[whole].tolist()


@dataclass
class Log:
    """Columns of a log as arrays of n; undoing the delay changes ``mass``, ``moisture`` and ``value``."""

    x: np.ndarray
    y: np.ndarray
    mass: np.ndarray
    moisture: np.ndarray
    seconds: np.ndarray
    distance: np.ndarray
    width: np.ndarray
    area: np.ndarray
    value: np.ndarray
    run: np.ndarray  # number of the point's pass
    first: np.ndarray  # index of the first point of each pass

    neighbours: np.ndarray | None = None

    def around(self, rules, alive) -> np.ndarray:
        """Neighbours of the points alive when first asked; two steps share the search."""
        if self.neighbours is None:
            reach = rules.reach * np.median(self.width[alive])
            self.neighbours = nearest(self.x, self.y, rules.neighbours, reach, alive)
        return self.neighbours

    @property
    def begins(self) -> np.ndarray:
        """Which points begin a pass."""
        out = np.zeros(len(self.x), dtype=bool)
        out[self.first] = True
        return out

    @property
    def last(self) -> np.ndarray:
        """Index of the last point of each pass."""
        return np.append(self.first[1:], len(self.x)) - 1

    @classmethod
    def of(cls, table, column, runs):
        codes = pd.factorize(runs)[0]
        first = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]])
        run = np.repeat(np.arange(len(first), dtype=np.int32), np.diff(first, append=len(codes)))
        return cls(*(table[name].to_numpy(float) for name in (*_MEASURES, column)), run, first)


_MEASURES = (
    "x_m", "y_m", "mass_kg", "moisture_pct", "seconds", "distance_m", "width_m", "area_m2"
)  # fmt: skip


# ---- the steps, each (log, rules, points in play) -> points it drops


def _undo_delay(log, rules, alive) -> np.ndarray:
    """Give each position the grain weighed some records later; the last ones of a pass have none."""
    known = log.seconds[log.seconds > 0]
    if not len(known):
        raise NotEstimable("a delay in seconds needs a column of seconds: name it")
    source = np.arange(len(log.x)) + round(rules.delay_s / np.median(known))
    lost = source > log.last[log.run]
    source[lost] = 0
    with np.errstate(divide="ignore", invalid="ignore"):
        # Dry matter per area times one factor is the yield at every point, whatever its unit.
        factor = np.nanmedian(log.value * log.area / (log.mass * (100 - log.moisture)))
        log.mass, log.moisture = log.mass[source], log.moisture[source]
        log.value = factor * log.mass * (100 - log.moisture) / log.area
    return lost


def _impossible(log, rules, alive) -> np.ndarray:
    known = np.isfinite(log.x) & np.isfinite(log.y) & np.isfinite(log.value)
    sound = (log.distance > 0) & (log.width > 0) & (log.moisture > 0) & (log.moisture < 100) & (log.mass >= 0)
    again = np.zeros(len(log.x), dtype=bool)
    again[1:] = (np.diff(log.x) == 0) & (np.diff(log.y) == 0) & (np.diff(log.mass) == 0)
    return ~(known & sound) | again


def _near_end(log, rules, alive) -> np.ndarray:
    half = np.nan_to_num(log.distance)
    along = np.cumsum(half)
    half /= 2
    before, whole = np.r_[0.0, along][log.first], along[log.last]
    near = along - before[log.run] - half < rules.edge_m
    return near | (whole[log.run] - along + half < rules.edge_m)


def _uneven_speed(log, rules, alive) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = log.distance / log.seconds
        change = np.r_[0, np.abs(np.diff(speed) / speed[:-1])]
    change[log.first] = 0
    return np.isfinite(change) & (change > rules.speed_change_pct / 100)


def _far_out(log, rules, alive) -> np.ndarray:
    value = log.value[alive]
    if len(value) < 2:
        return np.zeros(len(log.value), bool)
    return np.abs(log.value - value.mean()) > rules.global_sd * value.std(ddof=1)


def _short(log, rules, alive) -> np.ndarray:
    """Pieces of a pass, cut by removed points, that are too short to trust."""
    first = log.begins
    first[1:] |= ~alive[:-1]
    piece = np.cumsum(first & alive)
    return np.bincount(piece[alive])[piece] < rules.shortest


def _outside(what, low, high):
    """Make the step that drops values not strictly between two limits, either of which may be open."""

    def drop(log, rules, alive):
        bottom, top = getattr(rules, low), getattr(rules, high)
        value = getattr(log, what)
        return (value <= (-np.inf if bottom is None else bottom)) | (
            value >= (np.inf if top is None else top)
        )

    return drop


def _overlapped(log, rules, alive) -> np.ndarray:
    index = log.around(rules, alive)
    return find_overlaps(log.x, log.y, log.run, index, rules.overlap * log.width)


def _unlike_neighbours(log, rules, alive) -> np.ndarray:
    statistic, p = local_moran(log.value, log.around(rules, alive), alive)
    return (statistic < 0) & (p < rules.local_significance)


@dataclass(frozen=True)
class Step:
    """A step of the cleaning.

    Attributes
    ----------
    name : str
    fields : tuple of str
        Rules that switch it on; none: always on.
    words : str
        The rule in words, with the rules' values in braces.
    item : str
        Row of the defaults that gives its usual limit; empty: the limit is the user's.
    drop : callable
        (log, rules, points in play) -> points dropped.
    """

    name: str
    fields: tuple[str, ...]
    words: str
    item: str
    drop: Callable

    def wanted(self, rules) -> bool:
        return not self.fields or any(getattr(rules, f) is not None for f in self.fields)

    def rule(self, rules) -> str:
        return self.words.format(**{k: "open" if v is None else f"{v:g}" for k, v in vars(rules).items()})

    def source(self, rules, usual) -> str:
        if not self.fields:
            return "arithmetic"
        as_usual = self.item and all(getattr(rules, f) == getattr(usual, f) for f in self.fields)
        return said_by("yield_points", self.item) if as_usual else "given"


STEPS = (
    Step("grain delay", ("delay_s",), "{delay_s} s", "", _undo_delay),
    Step("impossible", (), "missing, repeated, at a stand, moisture outside 0-100 %", "", _impossible),
    Step("pass ends", ("edge_m",), "within {edge_m} m", "edge", _near_end),
    Step("speed", ("speed_change_pct",), "changes by more than {speed_change_pct}%", "speed change",
         _uneven_speed),
    Step("moisture", ("moisture_low", "moisture_high"), "outside {moisture_low} to {moisture_high} %", "",
         _outside("moisture", "moisture_low", "moisture_high")),
    Step("yield limits", ("yield_low", "yield_high"), "outside {yield_low} to {yield_high}", "",
         _outside("value", "yield_low", "yield_high")),
    Step("field outliers", ("global_sd",), "beyond {global_sd} SD of the field", "global limit",
         _far_out),
    Step("overlaps", ("overlap",), "within {overlap} header widths of an earlier pass", "overlap",
         _overlapped),
    Step("local outliers", ("local_significance",),
         "unlike {neighbours} neighbours, p < {local_significance}",
         "local significance", _unlike_neighbours),
    Step("short pieces", ("shortest",), "fewer than {shortest} points in a row", "shortest segment",
         _short),
)  # fmt: skip


# ---- neighbours of points


def nearest(x, y, k: int, reach: float = np.inf, among=None) -> np.ndarray:
    """Find the k nearest other points of every point.

    Parameters
    ----------
    x, y : (n,) arrays
        Positions [m].
    k : int
    reach : float
        Points further away are no neighbours [m].
    among : (n,) bool array, optional
        Points that take part; the others have no neighbours and are none.

    Returns
    -------
    (n, k) int32 array
        Indices, nearest first; -1 where there are fewer points.
    """
    from scipy.spatial import cKDTree

    index = np.full((len(x), k), -1, dtype=np.int32)
    for there, own in _lanes(x, np.ones(len(x), bool) if among is None else among, reach):
        places = np.column_stack([x[there], y[there]])
        tree, number = cKDTree(places), np.append(there, -1)
        for start in range(0, len(own), CHUNK):
            part = own[start : start + CHUNK]
            _, near = tree.query(places[part], k=k + 1, distance_upper_bound=reach, workers=-1)
            index[there[part]] = number[_without_self(near, part)]
    return index


def _lanes(x, among, reach):
    """Points of each lane of the field with those within reach of it, and which of these lie in the lane."""
    lanes = 1 if np.isinf(reach) else among.sum() // LANE + 1
    shares = np.linspace(0, 1, lanes + 1)[1:-1]
    ends = np.quantile(x[among], shares, overwrite_input=True) if lanes > 1 else []
    for low, high in pairwise([-np.inf, *ends, np.inf]):
        there = np.flatnonzero(among & (x >= low - reach) & (x <= high + reach))
        yield there, np.flatnonzero((x[there] >= low) & (x[there] < high))


def _without_self(near, own) -> np.ndarray:
    """Take each point out of its own neighbours; it comes first unless another lies on the very same spot."""
    if (near[:, 0] == own).all():
        return near[:, 1:]
    itself = near == own[:, None]
    itself[~itself.any(axis=1), -1] = True
    return near[~itself].reshape(len(near), near.shape[1] - 1)


def find_overlaps(x, y, run, index, reach) -> np.ndarray:
    """Return which points lie on ground that an earlier pass has harvested.

    Parameters
    ----------
    x, y : (n,) arrays
        Positions [m].
    run : (n,) int array
        Number of the pass, in order of harvest.
    index : (n, k) int array
        Neighbours, see `nearest`.
    reach : (n,) array
        Distance below which a point of an earlier pass counts [m].

    Returns
    -------
    (n,) bool array
    """
    overlaps = np.zeros(len(x), dtype=bool)
    for own in _slices(len(x)):
        other = index[own]
        near = (x[other] - x[own, None]) ** 2 + (y[other] - y[own, None]) ** 2 < reach[own, None] ** 2
        overlaps[own] = (near & (run[other] < run[own, None]) & (other >= 0)).any(axis=1)
    return overlaps


def _slices(n):
    """Slices of n points, each small enough that work on their neighbours takes little memory."""
    return (slice(start, start + FEW) for start in range(0, n, FEW))


def local_moran(values, index, use) -> tuple[np.ndarray, np.ndarray]:
    """Local Moran statistic of every point against the mean of its neighbours.

    Parameters
    ----------
    values : (n,) array
    index : (n, k) int array
        Neighbours, see `nearest`.
    use : (n,) bool array
        Points that take part; the others neither count nor are judged.

    Returns
    -------
    statistic, p : (n,) arrays
        ``z_i * mean(z of neighbours)`` and its two-sided normal probability; 0 and 1 for points left out.

    Notes
    -----
    Mean and variance under randomisation: Anselin (1995, Geogr. Anal. 27:93-115, from memory), for
    row-standardised weights of the neighbours in use.
    """
    from scipy.special import ndtr

    n = int(use.sum())
    if n < 4:
        return np.zeros(len(values)), np.ones(len(values))
    mean = values[use].mean()
    z = values[use] - mean
    second = (z @ z) / n
    if second == 0:
        return np.zeros(len(values)), np.ones(len(values))
    kurtosis, expected = (z**4).sum() / n / second**2, -1 / (n - 1)
    del z
    statistic, p = np.zeros(len(values)), np.ones(len(values))
    for own in _slices(len(values)):
        other = index[own]
        counts = use[other] & (other >= 0)
        count = counts.sum(axis=1)
        weight = 1 / np.maximum(count, 1)
        near = np.where(counts, values[other] - mean, 0.0).sum(axis=1)
        found = (values[own] - mean) * near * weight / second
        variance = (
            weight * (n - kurtosis) / (n - 1)
            + (1 - weight) * (2 * kurtosis - n) / ((n - 1) * (n - 2))
            - expected**2
        )
        some = use[own] & (count > 0)
        statistic[own] = np.where(some, found, 0.0)
        p[own] = np.where(some, 2 * ndtr(-np.abs(statistic[own] - expected) / np.sqrt(variance)), 1.0)
    return statistic, p
