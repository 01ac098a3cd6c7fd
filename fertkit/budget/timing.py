"""What publications say of uptake through the season, on days, and the smoothest curve that meets it."""

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from fertkit.budget.yields import base_of
from fertkit.errors import InputError, Problem, missing_columns
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import OXIDE_OF
from fertkit.reference.own import NO_TABLES, OWN
from fertkit.results import records
from fertkit.rounding import at_most, same

CONDITION_COLUMNS = ["nutrient", "stage", "form", "day_from", "day", "gdd_from", "gdd_f", "low", "high",
                     "source_key", "provenance", "used"]  # fmt: skip
STAGE_COLUMNS = ["stage", "days", "gdd_f", "source_key", "provenance"]
OWN_POINTS = "own points"
#: Kinds of rows of the timing table that shape a curve: shares of the season.
SHARES = ("cumulative_fraction", "interval_fraction")
#: Rank of a user's own rows, before any study.
FIRST = 0.5
#: Forms of a condition: the share taken up by a stage, the most by a stage, the share between two stages.
POINT, BOUND, INTERVAL = "point", "bound", "interval"
#: Growth stages as publications write them: leaf and reproductive stages, decimal codes of cereals.
STAGE = r"\b(?:[VR][CETN\d]+|Z\d\d)\b"


def stage_scale(crop: str, stage_days: dict | None = None, own=NO_TABLES) -> pd.DataFrame:
    """Place the growth stages of a crop on days after emergence and on degree-days.

    Parameters
    ----------
    crop : str
    stage_days : dict, optional
        Stage -> days after emergence in the user's own field; replaces the published days and drops the
        degree-days.
    own : OwnTables, optional
        A table crop, stage, days of the user's own replaces the published days too.

    Returns
    -------
    DataFrame
        stage, days, gdd_f, source_key, provenance; in order of days. Empty if no scale is carried.
    """
    if stage_days:
        days = [float(day) for day in stage_days.values()]
        own = pd.DataFrame({"stage": [*map(in_codes, stage_days)], "days": days})
        own = own.assign(gdd_f=np.nan, source_key="own stages", provenance="own table")
        return own.sort_values("days", kind="stable").reset_index(drop=True)
    table, names = own.rows("stage_scale"), [crop, base_of(crop)]
    rows = table[table["crop"].isin(names)].sort_values("days", kind="stable")
    if rows.empty:
        table = load_table("stage_scale")
        rows = table[table["crop"] == base_of(crop)]
    return rows[STAGE_COLUMNS].assign(stage=rows["stage"].map(in_codes)).reset_index(drop=True)


def in_codes(text) -> str:
    """Write decimal codes of cereals as the tables do: BBCH 31, GS31 and Zadoks 31 are Z31."""
    return re.sub(r"\b(?:BBCH|GS|Zadoks|Z)\s*(?=\d\d\b)", "Z", str(text), flags=re.IGNORECASE)


def stage_places(text: str, scale: pd.DataFrame, axis: str = "days") -> list[float]:
    """Places of the stages a publication names (R1-R2, VT/R1, V14), as far as the scale has them.

    A name of the scale stands for its stage whatever it is (first flower), as does one to another.
    """
    known = dict(zip(scale["stage"], scale[axis], strict=True))
    named = {stage.casefold(): place for stage, place in known.items()}
    ends = [named.get(end.strip().casefold()) for end in re.split(r"\s+to\s+", in_codes(text))]
    if None not in ends:
        return ends
    return [known[code] for code in re.findall(STAGE, in_codes(text)) if code in known]


def stage_place(text: str, scale: pd.DataFrame, axis: str = "days") -> float:
    """Middle of the stages a publication names; NaN if the scale lacks them."""
    places = stage_places(text, scale, axis)
    return float(np.mean(places)) if places else np.nan


def day_span(row, scale: pd.DataFrame) -> tuple[float, float]:
    """First and last day after emergence of a row of the timing table; NaN where it names none."""
    days = [float(day) for day in re.findall(r"[\d.]+", row.days)] if row.days_from == "emergence" else []
    days = days or stage_places(row.stage, scale)
    return (min(days), max(days)) if days else (np.nan, np.nan)


def value_span(text: str) -> tuple[float, float]:
    """Lowest and highest share that a published value allows (0.4, <=0.11, >0.50, 0.20-0.40); NaN if none."""
    number = re.fullmatch(r"([<>]?)=?\s*(\d*\.?\d+)(?:-(\d*\.?\d+))?", text)
    if number is None:
        return np.nan, np.nan
    value = float(number[2])
    return {"": (value, float(number[3] or value)), "<": (0.0, value), ">": (value, 1.0)}[number[1]]


def season_sources(crop: str) -> pd.DataFrame:
    """Sources that shape the season of a crop: source_key, rank, nutrients (tuple; empty for all)."""
    table = load_table("default_sources")
    table = table[(table["crop"] == base_of(crop)) & (table["use"] == "season")]
    return table.assign(nutrients=[tuple(filter(None, n.split(","))) for n in table["nutrient"]])


def season_rows(crop: str, kinds, own=NO_TABLES) -> list:
    """Rows of the timing table of a crop, one a nutrient, with the rank of its source (NaN: not listed).

    A user's own rows come first. Of a nutrient of which they tell shares, no other study shapes the season.
    """
    table = own.table("timing")
    table = table[table["crop"].isin([crop, base_of(crop)]) & table["kind"].isin((*kinds, *SHARES))]
    table = table.assign(own=table["provenance"] == OWN).sort_values("own", ascending=False, kind="stable")
    table = table.assign(nutrient=table["nutrient"].str.split(",")).explode("nutrient")
    ranks = {(row.source_key, name): row.rank for row in records(season_sources(crop))
             for name in (row.nutrients or (None,))}  # fmt: skip
    rank = [ranks.get((key, name), ranks.get((key, None), np.nan))
            for key, name in zip(table["source_key"], table["nutrient"], strict=True)]  # fmt: skip
    element = table["nutrient"]
    table = table.assign(rank=rank, element=element, nutrient=element.map(lambda n: OXIDE_OF.get(n, n)))
    led = table["nutrient"].isin(table.loc[table["own"], "nutrient"])
    table["rank"] = table["rank"].mask(led, np.where(table["own"], FIRST, np.nan))
    return list(records(table[table["kind"].isin(kinds)]))


def season_conditions(crop: str, scale: pd.DataFrame, own=NO_TABLES) -> pd.DataFrame:
    """Collect what is published on the share of a season's uptake by a stage or between two.

    Returns
    -------
    DataFrame
        Columns `CONDITION_COLUMNS`: nutrient (oxide for P and K), stage, form, where it begins and ends, the
        share taken up there (low to high) [0-1], used. Points are used of the best source of the nutrient,
        intervals and bounds of every listed source.
    """
    placed = []
    for row in season_rows(crop, SHARES, own):
        (low, high), (first, last) = value_span(row.value), day_span(row, scale)
        if np.isnan([low, first]).any():
            continue
        gdd = stage_places(row.stage, scale, "gdd_f") or [np.nan]
        interval = row.kind == "interval_fraction"
        form = INTERVAL if interval else BOUND if same(low, 0) else POINT
        place = (first, last, min(gdd), max(gdd)) if interval else (
            0.0, (first + last) / 2, 0.0, float(np.mean(gdd)))  # fmt: skip
        placed.append([row.nutrient, row.stage, form, *place, low, high, row.source_key, row.provenance,
                      form != POINT and row.rank > 0, row.rank])  # fmt: skip
    table = pd.DataFrame(placed, columns=[*CONDITION_COLUMNS, "rank"])
    points = table[table["form"].eq(POINT)]
    best = points.groupby("nutrient")["rank"].transform("min")
    table.loc[points.index[points["rank"] == best], "used"] = True
    whole = table[table["nutrient"] == "all"].drop(columns="nutrient")
    led = {"all", *table.loc[table["provenance"] == OWN, "nutrient"]}  # what is said of all is not of these
    each = pd.DataFrame({"nutrient": [n for n in table["nutrient"].unique() if n not in led]})
    table = pd.concat([each.merge(whole, how="cross"), table[table["nutrient"] != "all"]], ignore_index=True)
    return table[CONDITION_COLUMNS]


def own_points(frame: pd.DataFrame, scale: pd.DataFrame) -> pd.DataFrame:
    """Check the user's own points: columns nutrient, fraction and day (after emergence) or stage.

    Raises
    ------
    InputError
        With every problem of the table.
    """
    problems = missing_columns(frame, ("nutrient", "fraction"), "add it, and day or stage")
    if "day" not in frame and ("stage" not in frame or scale.empty):
        problems += missing_columns(frame, ["day"], "add days after emergence")
    if problems:
        raise InputError("uptake points", problems)
    frame = frame.reset_index(drop=True)
    day = frame["day"] if "day" in frame else frame["stage"].map(lambda s: stage_place(str(s), scale))
    share = pd.to_numeric(frame["fraction"], errors="coerce")
    points = pd.DataFrame({
        "nutrient": frame["nutrient"].map(lambda n: OXIDE_OF.get(n, n)), "stage": frame.get("stage", ""),
        "form": POINT, "day_from": 0.0, "day": pd.to_numeric(day, errors="coerce"), "gdd_from": np.nan,
        "gdd_f": np.nan, "low": share, "high": share, "source_key": OWN_POINTS, "provenance": "own table",
        "used": True,
    })  # fmt: skip
    for i in points.index[~(points["day"] > 0)]:
        problems.append(Problem("no day above 0", "give days after emergence, or a known stage",
                                i + 2, "day" if "day" in frame else "stage"))  # fmt: skip
    for i in points.index[~share.between(0, 1)]:
        remedy = "give the share of season uptake, 0 to 1"
        problems.append(Problem("not a share", remedy, i + 2, "fraction", frame["fraction"][i]))
    if problems:
        raise InputError("uptake points", problems)
    return points[CONDITION_COLUMNS]


def code_of(stage: str) -> str:
    """Take the code of a stage without the words in brackets after it: R5 of 'R5 (start of pod filling)'."""
    return stage.partition(" (")[0]


# ---- the curve

CELLS = 30
#: Weight of the bends of the rate against the misfit; ten times more or less moves a share by 0.01.
SMOOTHNESS = 1e-3
#: Weights of a published share, of what must hold (the whole, the highest rate) and of a published peak.
SHARE, MUST, PEAK = 100.0, 1e4, 1.0
MOST_TURNS = 60  # of block pivoting; ten are usual
ONE_PEAK, FREE = "one peak", "more than one rise"


@dataclass(frozen=True)
class UptakeCurve:
    """Rate that is straight between evenly spaced nodes and 0 at both ends.

    Attributes
    ----------
    nodes : array, shape (cells + 1,)
        From 0 to the end of uptake.
    rate : array, shape (cells + 1,)
        Share of the season's uptake per unit of `nodes`.
    misfit : float
        Largest distance from a condition [share of the season].
    kind : str
        `ONE_PEAK` or `FREE`.
    """

    nodes: np.ndarray
    rate: np.ndarray
    misfit: float
    kind: str

    def __call__(self, at):
        """Share taken up from 0 to each place."""
        place = np.minimum(np.asarray(at, dtype=float) / self.nodes[-1], 1.0)
        return _areas(place) @ self.rate * self.nodes[-1]


@lru_cache(maxsize=256)
def uptake_curve(
    conditions: tuple, end: float, tolerance: float, highest: float = np.inf, window: tuple = ()
) -> UptakeCurve:
    """Fit the smoothest rate that meets every condition, with one peak if that is possible.

    Parameters
    ----------
    conditions : tuple of (start, stop, low, high)
        Between `start` and `stop` the share taken up lies between `low` and `high`; a point of the cumulative
        curve is (0, place, share, share).
    end : float
        Where uptake ends: the share from 0 is 1.
    tolerance : float
        Misfit up to which one peak is kept.
    highest : float
        Published peak [share per unit of place], which the rate does not exceed.
    window : tuple of (start, stop)
        Where the peak lies; there the rate is drawn up to `highest`.

    Notes
    -----
    Rates with a peak in a given cell are the non-negative sums of boxes that end or begin there, so each is a
    problem of non-negative least squares (Portugal, Judice and Vicente 1994) in the misfit and the second
    differences of the rate; an inequality takes one slack. The best cell is kept. Where no one peak
    meets the conditions, the rate is any non-negative one.
    """
    wanted = np.array(conditions, dtype=float).reshape(-1, 4) / (end, end, 1.0, 1.0)
    nodes = np.linspace(0.0, end, CELLS + 1)
    cells = [
        cell for cell in range(1, CELLS)
        if not window or (nodes[cell] >= window[0] and nodes[cell + 1] <= window[1] + end / CELLS)
    ]  # fmt: skip
    problem = _Problem(wanted, highest * end, bool(window))
    best, kind = problem.solve([(_boxes(cell), cell) for cell in cells]), ONE_PEAK
    if not at_most(problem.misfit(best), tolerance):
        best, kind = problem.solve([(np.eye(CELLS + 1)[:, 1:-1], None)]), FREE
    misfit, rate = problem.misfit(best), best / end
    for array in (nodes, rate):
        array.flags.writeable = False  # the curve is shared by all that ask for it
    return UptakeCurve(nodes, rate, misfit, kind)


class _Problem:
    """The conditions as weighted rows over the nodes, places and rates as shares of the season."""

    def __init__(self, wanted, highest, pulled):
        self.wanted, self.highest, self.pulled = wanted, highest, pulled
        stop = np.minimum(wanted[:, 1], 1.0)
        self.area, self.whole = _areas(stop) - _areas(wanted[:, 0]), _areas(np.ones(1))
        self.bends = np.diff(np.eye(CELLS + 1), 2, axis=0) * CELLS**1.5 * SMOOTHNESS

    def solve(self, bases):
        """Rate at the nodes of the best non-negative sum of the columns of a basis; of several, the best."""
        rows, sought = map(np.array, zip(*(self._rows(*one) for one in bases), strict=True))
        heights, left = non_negative(rows, sought)
        basis, best = bases[left.argmin()][0], heights[left.argmin()]
        rate = basis @ best[: basis.shape[1]]
        return rate / (self.whole @ rate)

    def _rows(self, basis, cell):
        """The conditions on the heights of the columns of a basis and on the slacks, and what is sought."""
        low, high = self.wanted[:, 2], self.wanted[:, 3]
        point = same(low, high)
        equal = [(self.whole, [1.0], MUST), (self.bends, np.zeros(len(self.bends)), 1.0),
                 (self.area[point], low[point], SHARE)]  # fmt: skip
        most = [(self.area[~point], high[~point], SHARE), (-self.area[~point], -low[~point], SHARE)]
        if cell is not None and np.isfinite(self.highest):
            top = np.eye(CELLS + 1)[[cell, cell + 1]]
            most.append((top, np.full(2, self.highest), MUST))
            equal += [(top[:1], [self.highest], PEAK)] * self.pulled
        rows = np.vstack([row * weight for row, _, weight in (*equal, *most)])
        sought = np.concatenate([np.multiply(value, weight) for _, value, weight in (*equal, *most)])
        slack = np.concatenate([np.full(len(row), weight) for row, _, weight in most])
        slacks = np.vstack([np.zeros((len(rows) - len(slack), len(slack))), np.diag(slack)])
        return np.hstack([rows @ basis, slacks]), sought

    def misfit(self, rate):
        got = self.area @ rate
        return float(np.max([self.wanted[:, 2] - got, got - self.wanted[:, 3]], initial=0.0))


def non_negative(rows, sought):
    """Non-negative x (k, n) with the least |rows x - sought| of k problems, and that distance (k,).

    Block pivoting: what has the wrong sign changes sides all at once, and one at a time where that circles.
    The columns of each problem are independent.
    """
    count, _, n = rows.shape
    turned, sought, free = rows.swapaxes(1, 2), sought[..., None], np.zeros((count, n), bool)
    squares, fewest, patience = turned @ rows, np.full(count, n + 1), np.full(count, 3)
    scale, steep = 1e-15 * np.abs(sought).max(), np.abs(rows).max() / 10  # what rounding makes of 0
    for _ in range(MOST_TURNS):
        x, inside = np.zeros((count, n, 1)), free[:, :, None] & free[:, None]
        for _ in range(3):  # the weights of the rows lie far apart: twice refined
            rest = np.where(free[..., None], turned @ (sought - rows @ x), 0.0)
            x += np.linalg.solve(np.where(inside, squares, np.eye(n) * ~free[:, None]), rest)
        left = sought - rows @ x
        wrong = np.where(free, x[..., 0] < -scale, (turned @ left)[..., 0] > scale * steep)
        number = wrong.sum(axis=1)
        if not number.any():
            return np.maximum(x[..., 0], 0.0), np.sqrt((left[..., 0] ** 2).sum(axis=1))
        patience, fewest = np.where(number < fewest, 3, patience - 1), np.minimum(number, fewest)
        last = wrong & (wrong[:, ::-1].cumsum(axis=1)[:, ::-1] == 1)
        free ^= np.where(patience[:, None] >= 0, wrong, last)
    from scipy.optimize import nnls  # does the same one by one, and takes a sixth of a second to load

    return map(np.array, zip(*(nnls(*one) for one in zip(rows, sought[..., 0], strict=True)), strict=True))


def _boxes(peak):
    """Boxes that end at the peak or begin after it, one a column; no box touches an end."""
    node = np.arange(CELLS + 1)[:, None]
    rising = (node >= np.arange(1, peak + 1)) & (node <= peak)
    falling = (node > peak) & (node <= np.arange(peak + 1, CELLS))
    return np.hstack([rising, falling]).astype(float)


def _areas(at):
    """Area of each node's hat from 0 to each place, both as shares of the season."""
    step = np.clip(at[:, None] * CELLS - np.arange(CELLS + 1), -1.0, 1.0)
    area = np.where(step < 0, (step + 1) ** 2 / 2, 1 - (1 - step) ** 2 / 2)
    area[:, 0] -= 0.5  # the first hat begins halfway
    return area / CELLS
