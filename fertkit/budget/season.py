"""When a crop needs its nutrients: cumulative uptake and daily demand through the season."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_list, asks
from fertkit.budget.hump import one_hump
from fertkit.budget.needs import nutrient_budget
from fertkit.budget.peaks import peak_table
from fertkit.budget.rates import OXIDE_OF
from fertkit.budget.timing import (
    OWN_POINTS,
    code_of,
    growing_degree_days,
    own_points,
    published_points,
    stage_scale,
)
from fertkit.budget.yields import refuse
from fertkit.errors import NotEstimable
from fertkit.reference.crops import crop_name
from fertkit.reference.load import list_sources, load_table
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_most

#: Nutrients that a plant does not lose late in the season, so that their curve must rise; K may fall.
RISING = ("N", "P2O5")
ONE_PEAK, THROUGH = "one peak", "through the points"
#: Points inside the season from which a curve's own peak is worth telling; with fewer, means are told.
ENOUGH_POINTS = 3


@dataclass(frozen=True)
class SeasonDemand(Result):
    """Cumulative uptake and daily demand of one crop, by day.

    Attributes
    ----------
    crop : str
    yield_goal : float
    yield_unit : str
    unit : str
        Unit of the amounts (lb/ac or kg/ha).
    axis : str
        "day" or "gdd": what the curve was fitted on.
    rows : DataFrame
        day (after emergence), date and gdd where temperatures were given, nutrient, fraction, cumulative
        [`unit`], daily [`unit`/day], near_point (False where the curve is interpolation: more than 3 days
        from any point).
    points : DataFrame
        Published points: nutrient, stage, day, gdd_f, fraction, bound, source_key, provenance, used.
    totals : DataFrame
        nutrient, uptake [`unit`], uptake_source, provenance, curve ("one peak" or "through the points"),
        misfit (largest distance of the curve from a point it was fitted to) and spread (how near a published
        share is taken to be known; 0 for own points), both as shares of the season.
    peaks : DataFrame
        Peak of the curve beside the published peak; see `fertkit.budget.peaks.peak_table`.
    stages : DataFrame
        stage, days, gdd_f, source_key, provenance.
    """

    crop: str
    yield_goal: float
    yield_unit: str
    unit: str
    axis: str
    rows: pd.DataFrame
    points: pd.DataFrame
    totals: pd.DataFrame
    peaks: pd.DataFrame
    stages: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.rows

    @property
    def nutrients(self) -> list[str]:
        return self.totals["nutrient"].tolist()

    @property
    def sources(self) -> pd.DataFrame:
        used = self.points.loc[self.points["used"], "source_key"]
        keys = pd.concat(
            [used, self.totals["uptake_source"], self.peaks["source_key"], self.stages["source_key"]]
        )
        return list_sources(k for k in keys.unique() if k and not k.startswith("own "))

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame(_point_checks(self))

    @property
    def by_stage(self) -> pd.DataFrame:
        """Share, cumulative uptake and daily demand of every nutrient at each growth stage of the season."""
        inside = self.stages[self.stages["days"] <= self.rows["day"].max()]
        found = [
            self.at(max(row.days, self.rows["day"].min())).assign(stage=row.stage)
            for row in inside.itertuples()
        ]
        columns = ["stage", "day", "nutrient", "fraction", "cumulative", "daily", "near_point"]
        return pd.concat(found, ignore_index=True)[columns] if found else pd.DataFrame(columns=columns)

    @property
    def stretches(self) -> pd.DataFrame:
        """Mean daily demand between one published point and the next: all that few points can say.

        Columns nutrient, day_from, day_to, to_stage ("" at the end), daily [`unit`/day]; for nutrients with
        fewer than `ENOUGH_POINTS` points inside the season.
        """
        parts = [_stretches(self, total) for total in self.totals.itertuples()]
        return pd.concat(parts, ignore_index=True)

    def at(self, day: float) -> pd.DataFrame:
        """Cumulative uptake and daily demand of every nutrient on one day after emergence."""
        days = self.rows["day"].unique()
        if not days.min() <= day <= days.max():
            raise NotEstimable(f"day {day:g} is outside the season, {days.min():g} to {days.max():g}")
        nearest = days[np.abs(days - day).argmin()]
        return self.rows[self.rows["day"] == nearest].reset_index(drop=True)


@asks(nutrients=a_list, source=a_list)
def season_demand(
    crop: str,
    yield_goal: float,
    yield_unit: str | None = None,
    *,
    nutrients=None,
    source=None,
    points: pd.DataFrame | None = None,
    stage_days: dict | None = None,
    temperatures: pd.DataFrame | None = None,
    temperature_unit: str = "F",
    unit: str = "lb/ac",
) -> SeasonDemand:
    """Spread a crop's uptake over the season with a curve that follows the published points.

    Parameters
    ----------
    crop, yield_goal, yield_unit, source, unit
        As for `nutrient_budget`, whose default uptake is spread.
    nutrients : list of str, optional
        Those with published points, if None.
    points : DataFrame, optional
        The user's own points instead of the published: nutrient, fraction [0-1], and day or stage. The curve
        runs from 0 at emergence through them and ends at the last.
    stage_days : dict, optional
        Stage -> days after emergence in this field.
    temperatures : DataFrame, optional
        Columns date, tmax, tmin, one row a day from emergence; the curve then runs on growing-degree days
        (method 86/50) and days follow from them.
    temperature_unit : {'F', 'C'}

    Returns
    -------
    SeasonDemand

    Raises
    ------
    NotEstimable
        If no point is published for the crop or a nutrient, or the crop has no degree-day scale.
    InputError, LookupFailed, UnitError
        As for `nutrient_budget`; also if own points of N or P2O5 fall.

    Notes
    -----
    Published points: the daily rate is straight between 31 nodes, rises to one peak and falls, 0 at
    emergence and maturity; of all such rates it is the smoothest that passes the points (`one_hump`). A
    published upper bound at an early stage is kept. Where a point is missed by more than its spread (table
    constants, season_curve), and for own points, the cumulative curve runs through every point instead: a
    piecewise cubic Hermite polynomial with the slopes of Fritsch and Carlson (1980; scipy's
    ``PchipInterpolator``), flat at emergence and maturity, which never overshoots and falls only where the
    points do (late K); its daily rate may pause and rise again at a point. ``totals`` says which was used.
    Few points make flat curves: the published peak rates are shown beside the curve's.

    Examples
    --------
    >>> from fertkit.budget import season_demand
    >>> demand = season_demand("soybean", 60, nutrients=["K2O"])
    >>> round(float(demand.table["fraction"].iloc[-1]), 6)
    1.0
    """
    name = crop_name(crop)
    wants_stages = points is None or "day" not in points or stage_days
    scale = stage_scale(name, stage_days) if wants_stages else None
    placed = published_points(name, scale) if points is None else own_points(points, scale)
    axis = "day" if temperatures is None else "gdd"
    if axis == "gdd" and (scale is None or scale["gdd_f"].isna().any()):
        remedy = "leave out the temperatures, or give the days of its stages"
        raise NotEstimable(f"{name} has no degree-day scale", "stage_days={...}", remedy=remedy)
    budget = nutrient_budget(name, yield_goal, yield_unit, source=source, unit=unit)
    totals = budget.defaults[["nutrient", "uptake", "uptake_source", "provenance"]].dropna(subset=["uptake"])
    able = set(placed.loc[placed["used"], "nutrient"])
    able &= set(totals["nutrient"])
    wanted = _wanted(name, nutrients, able)
    totals = totals[totals["nutrient"].isin(wanted)].reset_index(drop=True)
    calendar = _calendar(scale, placed, temperatures, temperature_unit)
    rows, curves = [], []
    for row in totals.itertuples():
        knots, bounds = _knots(placed, row.nutrient, scale, axis)
        curve, *about = _own_curve(knots) if points is not None else _published_curve(knots, bounds)
        curves.append(about)
        rows.append(_one_nutrient(row.nutrient, row.uptake, curve, knots, calendar, axis))
    rows = pd.concat(rows, ignore_index=True)
    totals[["curve", "misfit", "spread"]] = pd.DataFrame(curves)
    stages = (
        scale
        if scale is not None
        else pd.DataFrame(columns=["stage", "days", "gdd_f", "source_key", "provenance"])
    )
    peaks = peak_table(name, budget.pounds, rows, unit, stages, totals)
    return SeasonDemand(
        name, budget.yield_goal, budget.yield_unit, unit, axis, rows, placed, totals, peaks, stages
    )


def _wanted(crop, nutrients, able):
    """Nutrients to draw out of those the tables are able to place."""
    if not able:
        raise NotEstimable(
            f"no point of cumulative uptake is published for {crop} in the tables; choose another crop, or "
            "ask for the amounts",
            "points=... with your own",
        )
    wanted = [OXIDE_OF.get(name, name) for name in nutrients or able]
    for name in wanted:
        if name not in able:
            raise NotEstimable(
                f"{crop} has no published uptake through the season for {name}; it has for: "
                f"{', '.join(sorted(able))}"
            )
    return wanted


def _calendar(scale, points, temperatures, unit):
    """Days of the season, with date and cumulative degree-days where temperatures are given."""
    if temperatures is None:
        end = scale["days"].max() if scale is not None else points["day"].max()
        return pd.DataFrame({"day": np.arange(0, np.ceil(end) + 1)})
    missing = [c for c in ("date", "tmax", "tmin") if c not in temperatures]
    if missing:
        raise refuse("temperatures", "column is missing", "needed are: date, tmax, tmin", column=missing[0])
    frame = temperatures.sort_values("date").reset_index(drop=True)
    gdd = growing_degree_days(frame["tmax"], frame["tmin"], unit=unit).cumsum()
    calendar = pd.DataFrame({"day": np.arange(1.0, len(frame) + 1), "date": frame["date"], "gdd": gdd})
    ripe = int((calendar["gdd"] < scale["gdd_f"].max()).sum()) + 1
    return calendar.iloc[:ripe]


def _knots(points, nutrient, scale, axis):
    """Shares the curve passes through, from emergence on, and upper bounds before the first; by place."""
    at, in_scale = ("gdd_f", "gdd_f") if axis == "gdd" else ("day", "days")
    mine = points[points["used"] & (points["nutrient"] == nutrient)]
    bounds = points[points["bound"] & points["nutrient"].isin([nutrient, "all"])]
    bounds = bounds[bounds["day"] < mine["day"].min()].groupby(at)["fraction"].min()
    knots = mine.groupby(at)["fraction"].mean()
    knots.loc[0.0] = 0.0
    if (mine["source_key"] != OWN_POINTS).any():
        knots.loc[scale[in_scale].max()] = 1.0
    knots = knots.sort_index()
    if nutrient in RISING and (knots.diff().dropna() < 0).any():
        what = f"cumulative {nutrient} falls"
        raise refuse("uptake points", what, "the share of N or P taken up cannot fall", column="fraction")
    return knots, bounds


def _published_curve(knots, bounds):
    """One-peak curve if it passes every point within its spread, else one through them all."""
    spread = _point_spread()
    hump = one_hump(tuple(knots.iloc[1:-1].items()), float(knots.index[-1]), tuple(bounds.items()))
    if at_most(hump.misfit, spread):
        return hump, ONE_PEAK, hump.misfit, spread
    return _through(pd.concat([knots, bounds]).sort_index(), ripe=True), THROUGH, 0.0, spread


def _own_curve(knots):
    return _through(knots, ripe=False), THROUGH, 0.0, 0.0


def _point_spread():
    table = load_table("constants")
    return float(table.loc[table["group"] == "season_curve", "value"].iloc[0])


def _through(knots, ripe):
    """Shape-keeping cubic through the knots, flat at emergence and, if it reaches it, at maturity."""
    from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

    x, y = knots.index.to_numpy(), knots.to_numpy()
    slopes = PchipInterpolator(x, y).derivative()(x)
    slopes[0] = 0.0
    slopes[-1] = 0.0 if ripe else slopes[-1]
    return CubicHermiteSpline(x, y, slopes)


def _one_nutrient(nutrient, total, curve, knots, calendar, axis):
    place = calendar[axis].to_numpy(dtype=float)
    fraction = curve(np.minimum(place, knots.index[-1]))
    cumulative = fraction * total
    daily = np.diff(cumulative, prepend=0.0)  # nothing is taken up before emergence
    near = np.abs(place[:, None] - knots.index.to_numpy()).min(axis=1)
    return calendar.assign(
        nutrient=nutrient,
        fraction=fraction,
        cumulative=cumulative,
        daily=daily,
        near_point=near <= 3 * np.median(np.diff(place)),
    )


def _stretches(demand, total):
    """Mean demand from point to point of one nutrient; nothing where there are points enough for a curve."""
    used = demand.points[demand.points["used"] & (demand.points["nutrient"] == total.nutrient)]
    inside = used.groupby("day", sort=True).agg(fraction=("fraction", "mean"), stage=("stage", "first"))
    columns = ["nutrient", "day_from", "day_to", "to_stage", "daily"]
    if len(inside) >= ENOUGH_POINTS or (used["source_key"] == OWN_POINTS).any():
        return pd.DataFrame(columns=columns)
    last = demand.rows["day"].max()
    days, shares = np.r_[0.0, inside.index, last], np.r_[0.0, inside["fraction"], 1.0]
    stages = [*map(code_of, inside["stage"]), ""]
    rows = zip(days[:-1], days[1:], stages, np.diff(shares) * total.uptake / np.diff(days), strict=True)
    return pd.DataFrame([(total.nutrient, *row) for row in rows], columns=columns)


def _point_checks(demand):
    for total in demand.totals.itertuples():
        name = total.nutrient
        mine = demand.points[(demand.points["nutrient"] == name) & demand.points["used"]]
        yield (
            f"published points inside the season, {name}",
            len(mine),
            2,
            len(mine) >= 2,
            (
                "enough published points to place the curve",
                "with fewer than two points the curve says little between them",
            ),
        )
        yield (
            f"distance of the curve from its points, {name}",
            total.misfit,
            total.spread,
            at_most(total.misfit, total.spread),
            (
                "every point is met within the spread of a published share",
                "a point is missed by more than the spread of a published share",
            ),
        )
        curve = demand.rows[demand.rows["nutrient"] == name]
        others = demand.points[(demand.points["nutrient"] == name) & ~demand.points["used"]]
        for row in others[~others["bound"]].itertuples():
            found = float(np.interp(row.day, curve["day"], curve["fraction"]))
            yield (
                f"{name} at {row.stage} against {row.source_key}",
                found,
                row.fraction,
                at_most(abs(found - row.fraction), 0.1),
                (
                    "the curve and the other publication lie within a tenth of the season total",
                    "the other publication lies more than a tenth of the season total from the curve",
                ),
            )
