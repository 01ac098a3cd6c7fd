"""When a crop needs its nutrients: cumulative uptake and daily demand through the season."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.asked import a_list, asks
from fertkit.budget.needs import nutrient_budget
from fertkit.budget.own import checked_own
from fertkit.budget.peaks import peak_table, peak_window, published_peaks
from fertkit.budget.rates import AT_HARVEST, nutrient_name
from fertkit.budget.timing import (
    BOUND,
    POINT,
    code_of,
    own_points,
    season_conditions,
    season_rows,
    stage_scale,
    uptake_curve,
)
from fertkit.budget.weather import season_degree_days
from fertkit.budget.yields import base_of, refuse
from fertkit.errors import NotEstimable, typed
from fertkit.reference.load import constants, list_sources, load_table
from fertkit.reference.profiles import as_list, lineage
from fertkit.results import Result, checks_frame, records
from fertkit.rounding import at_least, at_most, below, same

#: Nutrients that a plant does not lose late in the season, so that their curve must rise; K may fall.
RISING = ("N", "P2O5")
THROUGH = "through the points"
#: Conditions inside the season from which a curve's own peak is worth telling; with fewer, means are told.
ENOUGH = 3


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
    table : DataFrame
        day (see `starts`), date and gdd where temperatures were given, nutrient, fraction, cumulative
        [`unit`], daily [`unit`/day], near_point (False where the curve is interpolation: more than 3 days
        from any condition).
    points : DataFrame
        What publications say of it; see `fertkit.budget.timing.season_conditions`; joined (used, of another
        study than the total).
    totals : DataFrame
        nutrient, uptake [`unit`] (season maximum, as far as the source says), counted, uptake_source,
        uptake_provenance, end (day or degree-days on which uptake ends), at_harvest [`unit`] (what is left
        of it at harvest; NaN where no loss is published, or the total is that already) and loss_source,
        curve ("one peak", "more than one rise" or "through the points"), misfit (largest distance from a
        condition) and spread (how near a published share is taken to be known; 0 for own points), both as
        shares of the season, and known (how many conditions and published peaks shape the curve; inf for
        own points).
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
    table: pd.DataFrame
    points: pd.DataFrame
    totals: pd.DataFrame
    peaks: pd.DataFrame
    stages: pd.DataFrame

    @property
    def nutrients(self) -> list[str]:
        return self.totals["nutrient"].tolist()

    @property
    def starts(self) -> str:
        """From when the days count: emergence, or green-up of a crop that has wintered."""
        scale = load_table("stage_scale")
        notes = scale.loc[scale["crop"] == base_of(self.crop), "note"]
        published = not self.stages.empty and (self.stages["provenance"] != "own table").all()
        if not (published and notes.str.contains("winter wheat count from green-up").any()):
            return "emergence"
        if self.crop.startswith("winter"):
            return "green-up"
        return "emergence (winter wheat: green-up)" if self.crop == base_of(self.crop) else "emergence"

    @property
    def unfinished(self) -> bool:
        """Whether the temperatures end before the crop is mature."""
        return self.axis == "gdd" and below(self.table["gdd"].max(), self.stages["gdd_f"].max())

    @property
    def sources(self) -> pd.DataFrame:
        used = self.points.loc[self.points["used"], "source_key"]
        tables = (self.totals["uptake_source"], self.totals["loss_source"], self.peaks["source_key"])
        keys = pd.concat([used, *tables, self.stages["source_key"]])
        return list_sources(k for k in keys.unique() if k and not k.startswith("own "))

    @property
    def checks(self) -> pd.DataFrame:
        return point_checks(self, set(self.totals["nutrient"]))

    @property
    def by_stage(self) -> pd.DataFrame:
        """Share, cumulative uptake and daily demand of every nutrient at each growth stage of the season."""
        inside = self.stages[self.stages["days"] <= self.table["day"].max()]
        days = [
            self.at(max(row.days, self.table["day"].min())).assign(stage=row.stage) for row in records(inside)
        ]
        columns = ["stage", "day", "nutrient", "fraction", "cumulative", "daily", "near_point"]
        return pd.concat(days, ignore_index=True)[columns] if days else pd.DataFrame(columns=columns)

    @cached_property
    def stretches(self) -> pd.DataFrame:
        """Mean daily demand between one published point and the next: all that few conditions can say.

        Columns nutrient, day_from, day_to, to_stage ("" at the end), daily [`unit`/day]; for nutrients with
        fewer than `ENOUGH` conditions, the end of uptake and published peaks that shape the curve included.
        """
        rows = [row for total in records(self.totals) for row in _stretches(self, total)]
        return pd.DataFrame(rows, columns=["nutrient", "day_from", "day_to", "to_stage", "daily"])

    def at(self, day: float) -> pd.DataFrame:
        """Cumulative uptake and daily demand of every nutrient on one day after emergence."""
        days = self.table["day"].unique()
        if not days.min() <= day <= days.max():
            raise NotEstimable(f"day {day:g} is outside the season, {days.min():g} to {days.max():g}")
        nearest = days[np.abs(days - day).argmin()]
        return self.table[self.table["day"] == nearest].reset_index(drop=True)


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
    **studies,
) -> SeasonDemand:
    """Spread a crop's uptake over the season with a curve that meets what is published of it.

    Parameters
    ----------
    crop, yield_goal, yield_unit, source, unit
        As for `nutrient_budget`, whose default uptake is spread; so are `without`, `region` and `own`. What
        is left out shapes no curve either; `own` may hold tables of timing and of days of stages.
    nutrients : list of str, optional
        Those with something published on their season, if None.
    points : DataFrame, optional
        The user's own points instead of the published: nutrient, fraction [0-1], and day or stage. The curve
        runs from 0 at emergence through them and ends at the last.
    stage_days : dict, optional
        Stage -> days after emergence in this field (R1, V7; Z31 or BBCH 31 of cereals).
    temperatures : DataFrame, optional
        Columns date, tmax, tmin, one row a day from emergence; the curve then runs on growing-degree days
        (method 86/50) and days follow from them.
    temperature_unit : {'F', 'C'}

    Raises
    ------
    NotEstimable
        If nothing is published for the crop or a nutrient, or the crop has no degree-day scale.
    InputError, LookupFailed, UnitError
        As for `nutrient_budget`; also if own points of N or P2O5 fall.

    Notes
    -----
    Published conditions: shares of the season's uptake by a stage or between two, and where uptake ends. The
    daily rate is straight between 31 nodes and the smoothest that meets them (`uptake_curve`): with one peak
    where the conditions allow one, with several rises where they do not. A published peak rate, scaled to the
    yield, is not exceeded; where a study says when demand is fastest, the peak lies there and is drawn up to
    the published rate. Own points: the cumulative curve runs through every point, a piecewise cubic Hermite
    polynomial with the slopes of Fritsch and Carlson (1980; scipy's ``PchipInterpolator``), flat at
    emergence, which never overshoots and falls only where the points do (late K).

    The curve counts what the crop takes up, leaves that fall and potassium that is washed out of them later
    included; ``totals["at_harvest"]`` is what the crop still holds at harvest.

    Examples
    --------
    >>> from fertkit.budget import season_demand
    >>> demand = season_demand("soybean", 60, nutrients=["K2O"])
    >>> round(float(demand.table["fraction"].iloc[-1]), 6)
    1.0
    """
    own = studies["own"] = checked_own(studies.get("own"))
    crop = own.crop_name(crop)
    budget = nutrient_budget(crop, yield_goal, yield_unit, source=source, unit=unit, **studies)
    return season_of(
        budget, nutrients=nutrients, points=points, stage_days=stage_days, temperatures=temperatures,
        temperature_unit=temperature_unit, own=own, without=studies.get("without"),
    )  # fmt: skip


def season_of(
    budget, *, nutrients=None, points=None, stage_days=None, temperatures=None, temperature_unit="F",
    own=None, without=None,
) -> SeasonDemand:  # fmt: skip
    """Spread the uptake of a budget over the season: `season_demand` where the budget is at hand.

    Parameters
    ----------
    budget : NutrientBudget
    nutrients, points, stage_days, temperatures, temperature_unit
        As for `season_demand`.
    own, without
        Those of the budget.
    """
    name, unit, own = budget.crop, budget.unit, checked_own(own).without(as_list(without))
    scale = stage_scale(name, stage_days, own)
    if points is not None and not stage_days and "day" in points:
        scale = scale.iloc[:0]
    placed = season_conditions(name, scale, own) if points is None else own_points(points, scale)
    axis = "day" if temperatures is None else "gdd"
    if axis == "gdd" and (scale.empty or scale["gdd_f"].isna().any()):
        remedy = "leave out temperatures, or give days of its stages"
        raise NotEstimable(f"{name} has no degree-day scale", "stage_days={...}", remedy=remedy)
    columns = ["nutrient", "uptake", "counted", "uptake_source", "uptake_provenance"]
    totals = budget.defaults[columns].dropna(subset=["uptake"])
    able = set(placed.loc[placed["used"] & (placed["form"] != BOUND), "nutrient"]) & set(totals["nutrient"])
    totals = totals[totals["nutrient"].isin(_wanted(name, nutrients, able, own))].reset_index(drop=True)
    calendar = _calendar(scale, placed, temperatures, temperature_unit)
    uptake = totals.set_index("nutrient")["uptake"].to_dict()
    peaks = published_peaks(name, budget.pounds, unit, uptake, scale, own)
    rows, curves = [], []
    for row in records(totals):
        conditions = placed[placed["used"] & (placed["nutrient"] == row.nutrient)]
        if points is None:
            curve, *about = _published_curve(conditions, scale, axis, row.uptake, peaks)
        else:
            curve, *about = _own_curve(conditions, row.nutrient)
        curves.append(about)
        rows.append(_one_nutrient(row, curve, conditions, calendar, axis))
    rows = pd.concat(rows, ignore_index=True)
    totals[["end", "curve", "misfit", "spread", "known"]] = pd.DataFrame(curves)
    totals = _with_losses(totals, name, own)
    study = placed["nutrient"].map(totals.set_index("nutrient")["uptake_source"]).fillna("")
    joined = placed["used"] & (placed["provenance"] != "own table") & (study != "")
    placed = placed.assign(joined=joined & (lineage(placed["source_key"]) != lineage(study)))
    peaks = peak_table(rows, peaks)
    return SeasonDemand(
        name, budget.yield_goal, budget.yield_unit, unit, axis, rows, placed, totals, peaks, scale
    )


def _wanted(crop, nutrients, able, own):
    if not able:
        what = f"no published share of season uptake for {crop}"
        columns = "crop, kind, nutrient, stage or days, value"
        remedy = f"choose another crop, or enter your own in a table with columns {columns}"
        raise NotEstimable(what, typed("--own FILE", "own=... or points=..."), remedy=remedy)
    wanted = able if nutrients is None else {nutrient_name(n, own) for n in nutrients}
    for name in wanted:
        if name not in able:
            raise NotEstimable(
                f"{crop} has no published season uptake of {name}; it has for: {', '.join(sorted(able))}"
            )
    return wanted


def _calendar(scale, points, temperatures, unit):
    """Days of the season, with date and cumulative degree-days where temperatures are given."""
    if temperatures is None:
        end = points["day"].max() if scale.empty else scale["days"].max()
        return pd.DataFrame({"day": np.arange(0, np.ceil(end) + 1)})
    calendar = season_degree_days(temperatures, unit)
    ripe = int((calendar["gdd"] < scale["gdd_f"].max()).sum()) + 1
    return calendar.iloc[:ripe]


def _published_curve(conditions, scale, axis, uptake, peaks):
    """Curve of one nutrient, where it ends, its kind, its misfit and the spread of a published share."""
    limits = constants()["value"]
    start, stop, ripe = ("gdd_from", "gdd_f", "gdd_f") if axis == "gdd" else ("day_from", "day", "days")
    whole = conditions[conditions["form"].eq(POINT) & same(conditions["low"], 1)]
    end = float(whole[stop].min()) if len(whole) else float(scale[ripe].max())
    shares = conditions.drop(whole.index)[[start, stop, "low", "high"]].drop_duplicates()
    shares = shares[shares[start] < end]
    highest, window = np.inf, ()
    if axis == "day":
        highest, window = peak_window(peaks, conditions["nutrient"].iloc[0])
    shares = tuple(map(tuple, shares.to_numpy(float)))
    curve = uptake_curve(shares, end, limits["distance from a published share"], highest / uptake, window)
    known = len(conditions[conditions["form"] != BOUND]) + (bool(window) and np.isfinite(highest))
    return curve, end, curve.kind, curve.misfit, limits["spread of a published share"], known


def _own_curve(points, nutrient):
    """Shape-keeping cubic through the user's points, flat at emergence."""
    from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

    knots = points.groupby("day")["low"].mean()
    knots.loc[0.0] = 0.0
    knots = knots.sort_index()
    if nutrient in RISING and (knots.diff().dropna() < 0).any():
        what = f"cumulative {nutrient} falls"
        raise refuse("uptake points", what, "the share of N or P taken up cannot fall", column="fraction")
    x, y = knots.index.to_numpy(), knots.to_numpy()
    slopes = PchipInterpolator(x, y).derivative()(x)
    slopes[0] = 0.0
    curve = CubicHermiteSpline(x, y, slopes)
    return lambda at: curve(np.minimum(at, x[-1])), x[-1], THROUGH, 0.0, 0.0, np.inf


def _one_nutrient(total, curve, conditions, calendar, axis):
    place = calendar[axis].to_numpy(dtype=float)
    fraction = curve(place)
    cumulative = fraction * total.uptake
    daily = np.diff(cumulative, prepend=0.0)  # nothing is taken up before emergence
    ends = ["gdd_from", "gdd_f"] if axis == "gdd" else ["day_from", "day"]
    known = np.unique(np.r_[0.0, conditions.loc[conditions["form"] != BOUND, ends].to_numpy().ravel()])
    near = np.abs(place[:, None] - known).min(axis=1)
    return calendar.assign(
        nutrient=total.nutrient,
        fraction=fraction,
        cumulative=cumulative,
        daily=daily,
        near_point=near <= 3 * np.median(np.diff(place)),
    )


def _with_losses(totals, crop, own):
    """Add what is left of the season maximum at harvest, by the first source that measured it."""
    lost = {row.nutrient: row for row in reversed(season_rows(crop, ("loss",), own))}
    rows = [None if counted == AT_HARVEST else lost.get(name)
            for name, counted in zip(totals["nutrient"], totals["counted"], strict=True)]  # fmt: skip
    kept = [1 - float(row.value) if row else np.nan for row in rows]
    return totals.assign(
        at_harvest=totals["uptake"] * kept, loss_source=[row.source_key if row else "" for row in rows]
    )


def _stretches(demand, total):
    """Mean demand from point to point of one nutrient; nothing where there is enough for a curve."""
    used = demand.points[demand.points["used"] & (demand.points["nutrient"] == total.nutrient)]
    if total.known >= ENOUGH:
        return []
    points = used[used["form"] == POINT].groupby("day", sort=True)
    inside = points.agg(fraction=("low", "mean"), stage=("stage", "first"))
    last = demand.table["day"].max()
    days, shares = np.r_[0.0, inside.index], np.r_[0.0, inside["fraction"]]
    stages = [*map(code_of, inside["stage"])]
    if not at_least(shares[-1], 1.0):
        mine = demand.table[demand.table["nutrient"] == total.nutrient]
        reached = mine["fraction"].iloc[-1] if demand.unfinished else 1.0
        days, shares, stages = np.r_[days, last], np.r_[shares, reached], [*stages, ""]
    rows = zip(days[:-1], days[1:], stages, np.diff(shares) * total.uptake / np.diff(days), strict=True)
    return [(total.nutrient, *row) for row in rows]


#: What each check of the points means where it holds, and where it does not.
_ENOUGH = ("enough is published to place the curve",
           "fewer than two published shares: the curve is uncertain")  # fmt: skip
_MET = ("every published share is met", "a published share is missed by more than 2% of the season")
_BESIDE = ("the other publication is within 10% of the season total",
           "the other publication differs from the curve by more than 10% of the season total")  # fmt: skip


def point_checks(demand, nutrients) -> pd.DataFrame:
    """Return what was checked of the curves of some nutrients."""
    return checks_frame(_point_checks(demand, nutrients))


def _point_checks(demand, nutrients):
    limit = constants()["value"]["distance from a published share"]
    for total in records(demand.totals[demand.totals["nutrient"].isin(nutrients)]):
        name, misfit = total.nutrient, total.misfit
        shares = demand.points[(demand.points["nutrient"] == name) & (demand.points["form"] != BOUND)]
        used, others = shares[shares["used"]], shares[~shares["used"] & shares["form"].eq(POINT)]
        yield f"published shares of the season, {name}", len(used), 2, len(used) >= 2, _ENOUGH
        of_curve = f"distance of the curve from what is published, {name}"
        yield of_curve, misfit, limit, at_most(misfit, limit), _MET
        curve = demand.table[demand.table["nutrient"] == name]
        for row in records(others):
            share = float(np.interp(row.day, curve["day"], curve["fraction"]))
            near = at_most(abs(share - row.low), 0.1)
            about = f"{name} at {row.stage} against {row.source_key}"
            yield about, share, row.low, near, _BESIDE
