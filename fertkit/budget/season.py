"""When a crop needs its nutrients: cumulative uptake and daily demand through the season."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.budget.needs import nutrient_budget
from fertkit.budget.peaks import peak_table
from fertkit.budget.rates import OXIDE_OF
from fertkit.budget.timing import (
    OWN_POINTS,
    growing_degree_days,
    own_points,
    published_points,
    stage_scale,
)
from fertkit.budget.words import short
from fertkit.budget.yields import refuse
from fertkit.errors import NotEstimable
from fertkit.reference import crop_name, list_sources
from fertkit.results import Result, checks_frame

#: Nutrients that a plant does not lose late in the season, so that their curve must rise; K may fall.
RISING = ("N", "P2O5")


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
        nutrient, uptake [`unit`], uptake_source, provenance.
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

    def at(self, day: float) -> pd.DataFrame:
        """Cumulative uptake and daily demand of every nutrient on one day after emergence."""
        days = self.rows["day"].unique()
        if not days.min() <= day <= days.max():
            raise NotEstimable(f"day {day:g} is outside the season, {days.min():g} to {days.max():g}")
        nearest = days[np.abs(days - day).argmin()]
        return self.rows[self.rows["day"] == nearest].reset_index(drop=True)

    def summary(self) -> str:
        last = self.rows["day"].max()
        goal = f"{self.yield_goal:g} {self.yield_unit}"
        lines = [f"{self.crop}, {goal}, {last:.0f} days from emergence [{self.unit}]"]
        totals = self.totals.set_index("nutrient")
        for row in self.peaks.drop_duplicates("nutrient").itertuples():
            total = totals.loc[row.nutrient]
            published = ""
            if row.source_key:
                shown = row.published if np.isnan(row.published_scaled) else row.published_scaled
                published = f"; published peak {short(shown)} a day ({row.source_key}), {row.basis}"
            lines.append(
                f"  {row.nutrient:5} {short(total['uptake'])} in all ({total['uptake_source']}); the curve "
                f"peaks at {short(row.curve)} a day on day {row.curve_day:.0f}{published}"
            )
        lines.append("Between the published points the curve is interpolation and flattens true peaks.")
        return "\n".join(lines)


def season_demand(
    crop: str,
    yield_goal: float,
    yield_unit: str = "bu/ac",
    *,
    nutrients=None,
    source=None,
    points: pd.DataFrame | None = None,
    stage_days: dict | None = None,
    temperatures: pd.DataFrame | None = None,
    temperature_unit: str = "F",
    unit: str = "lb/ac",
) -> SeasonDemand:
    """Spread a crop's uptake over the season with a shape-keeping curve through the published points.

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
    The curve is a piecewise cubic Hermite polynomial with the slopes of Fritsch and Carlson (1980; scipy's
    ``PchipInterpolator``), flat at both ends, through emergence (0), the points of the nutrient's default
    source and maturity (1). It rises wherever the points rise and never overshoots; a nutrient whose own
    points fall late (K) is let fall. A published upper bound at an early stage is used as a point. Few
    points make flat curves: the published peak rates are shown beside the curve's.
    """
    name = crop_name(crop)
    wants_stages = points is None or "day" not in points or stage_days
    scale = stage_scale(name, stage_days) if wants_stages else None
    placed = published_points(name, scale) if points is None else own_points(points, scale)
    axis = "day" if temperatures is None else "gdd"
    if axis == "gdd" and (scale is None or scale["gdd_f"].isna().any()):
        raise NotEstimable(f"{name} has no degree-day scale; leave out temperatures=, or give stage_days=")
    budget = nutrient_budget(name, yield_goal, yield_unit, source=source, unit=unit)
    totals = budget.defaults[["nutrient", "uptake", "uptake_source", "provenance"]].dropna(subset=["uptake"])
    able = set(placed.loc[placed["used"], "nutrient"])
    able &= set(totals["nutrient"])
    wanted = _wanted(name, nutrients, able)
    totals = totals[totals["nutrient"].isin(wanted)].reset_index(drop=True)
    calendar = _calendar(scale, placed, temperatures, temperature_unit)
    rows = []
    for row in totals.itertuples():
        knots = _knots(placed, row.nutrient, scale, axis)
        rows.append(_one_nutrient(row.nutrient, row.uptake, knots, calendar, axis, points is None))
    rows = pd.concat(rows, ignore_index=True)
    stages = (
        scale
        if scale is not None
        else pd.DataFrame(columns=["stage", "days", "gdd_f", "source_key", "provenance"])
    )
    peaks = peak_table(name, budget.pounds, rows, unit, stages)
    return SeasonDemand(name, float(yield_goal), yield_unit, unit, axis, rows, placed, totals, peaks, stages)


def _wanted(crop, nutrients, able):
    """Nutrients to draw out of those the tables are able to place."""
    if not able:
        raise NotEstimable(
            f"no point of cumulative uptake is published for {crop} in the tables; give your own points="
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
    """Places and fractions the curve passes through, from emergence on."""
    at, in_scale = ("gdd_f", "gdd_f") if axis == "gdd" else ("day", "days")
    mine = points[points["used"] & (points["nutrient"] == nutrient)]
    bound = points[points["bound"] & points["nutrient"].isin([nutrient, "all"])]
    bound = bound[bound["day"] < mine["day"].min()]
    knots = pd.concat([mine, bound]).groupby(at)["fraction"].mean()
    knots.loc[0.0] = 0.0
    if (mine["source_key"] != OWN_POINTS).any():
        knots.loc[scale[in_scale].max()] = 1.0
    knots = knots.sort_index()
    if nutrient in RISING and (knots.diff().dropna() < 0).any():
        what = f"cumulative {nutrient} falls"
        raise refuse("uptake points", what, "the share of N or P taken up cannot fall", column="fraction")
    return knots


def _curve(knots, ripe):
    """Shape-keeping cubic through the knots, flat at emergence and, if it reaches it, at maturity."""
    from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

    x, y = knots.index.to_numpy(), knots.to_numpy()
    slopes = PchipInterpolator(x, y).derivative()(x)
    slopes[0] = 0.0
    slopes[-1] = 0.0 if ripe else slopes[-1]
    return CubicHermiteSpline(x, y, slopes)


def _one_nutrient(nutrient, total, knots, calendar, axis, ripe):
    place = calendar[axis].to_numpy(dtype=float)
    fraction = _curve(knots, ripe)(np.minimum(place, knots.index[-1]))
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


def _point_checks(demand):
    for name in demand.nutrients:
        mine = demand.points[(demand.points["nutrient"] == name) & demand.points["used"]]
        yield (
            f"published points inside the season, {name}",
            len(mine),
            2,
            len(mine) >= 2,
            "with fewer than two points the curve says little between them",
        )
        curve = demand.rows[demand.rows["nutrient"] == name]
        others = demand.points[(demand.points["nutrient"] == name) & ~demand.points["used"]]
        for row in others[~others["bound"]].itertuples():
            found = float(np.interp(row.day, curve["day"], curve["fraction"]))
            yield (
                f"{name} at {row.stage} against {row.source_key}",
                found,
                row.fraction,
                abs(found - row.fraction) <= 0.1,
                "the curve and the other publication lie within a tenth of the season total",
            )
