"""Supply against demand: when a crop runs short and by how much; in all fields of a season, what may wait."""

from dataclasses import dataclass
from functools import cache
from numbers import Real

import numpy as np
import pandas as pd

from fertkit.asked import asks, columned, holding
from fertkit.budget.season import SeasonDemand, point_checks, season_demand
from fertkit.budget.yields import refuse
from fertkit.errors import FertkitError, InputError, Problem, missing_columns
from fertkit.intake.dates import read_dates
from fertkit.intake.stages import find_span
from fertkit.reference.load import constants
from fertkit.results import Result
from fertkit.rounding import above, at_most, below

REQUIRED = ("nutrient", "rate")
TABLE = "applications"


@dataclass(frozen=True)
class SupplyGap(Result):
    """Cumulative supply beside cumulative demand, with the first day and the size of the gap.

    Attributes
    ----------
    demand : SeasonDemand
    table : DataFrame
        day, date (where known), nutrient, demand, demand_low, demand_high, supply_early, supply_late,
        gap_early, gap_late [demand.unit]; early and late take the shortest and the longest delay of every
        application, low and high what the spread of the published shares leaves open.
    gaps : DataFrame
        nutrient, delay ("shortest", "longest"), first_day (NaN if never short), first_day_from and
        first_day_to (of the highest and the lowest demand), interpolated (the curve is far from a point on
        the first day), stage, largest_gap, largest_gap_low, largest_gap_high, largest_gap_day, gap_at_end
        [demand.unit].
    applications : DataFrame
        nutrient, rate, day, delay_low_days, delay_high_days, label.
    """

    demand: SeasonDemand
    table: pd.DataFrame
    gaps: pd.DataFrame
    applications: pd.DataFrame

    @property
    def checks(self) -> pd.DataFrame:
        return point_checks(self.demand, set(self.gaps["nutrient"]))

    @property
    def sources(self) -> pd.DataFrame:
        return self.demand.sources

    @property
    def days(self) -> float:
        """Days of the season that the soil supply is spread over."""
        return season_days(self.demand)

    @property
    def distinct(self) -> pd.DataFrame:
        """The gaps, one row a nutrient (delay "") where the delays make no difference."""
        columns = [c for c in self.gaps.columns if c != "delay"]
        alike = self.gaps.duplicated(columns, keep=False)
        return self.gaps.assign(delay=self.gaps["delay"].mask(alike, "")).drop_duplicates(ignore_index=True)


@asks(demand=holding("table", "totals", of="season_demand"))
def supply_gap(
    demand: SeasonDemand, soil_supply: dict, applications: pd.DataFrame | None = None
) -> SupplyGap:
    """Set soil supply and dated applications against the crop's demand.

    Parameters
    ----------
    demand : SeasonDemand
    soil_supply : dict
        Nutrient, P and K as P2O5 and K2O -> what the soil gives from emergence to the end of the season
        [demand.unit], taken to come evenly; where temperatures end earlier, over the usual days (`days`).
    applications : DataFrame, optional
        nutrient, rate [demand.unit] and day (after emergence, negative before) or date; optional
        delay_low_days and delay_high_days (days until the crop can use it, 0 if absent) and label.

    Returns
    -------
    SupplyGap
        For the nutrients named in `soil_supply` or `applications`.

    Raises
    ------
    InputError
        With every problem of the applications; or if the soil supply is not a number of 0 or more.

    Notes
    -----
    Demand is open to 4 f (1 - f) x the spread of a published share, f being the share of the season taken up:
    the whole spread at half, none at emergence and maturity, where the share is known. With the user's own
    points it is taken as exact.

    Examples
    --------
    >>> from fertkit.budget import supply_gap
    >>> from fertkit.budget import season_demand
    >>> demand = season_demand("soybean", 60, nutrients=["K2O"])
    >>> print(supply_gap(demand, {"K2O": 80}).summary().splitlines()[0])
    soybean runs short of K2O (supply against demand, lb/ac)
    """
    applied = _checked(demand, applications)
    for name, amount in soil_supply.items():
        number = isinstance(amount, Real) and not isinstance(amount, bool | np.bool_) and np.isfinite(amount)
        if name not in demand.nutrients or not (number and amount >= 0):
            remedy = f"give 0 or more [{demand.unit}] for any of: {', '.join(demand.nutrients)}"
            raise refuse("soil supply", "not a usable supply", remedy, column=name, value=amount)
    names = [n for n in demand.nutrients if n in soil_supply or n in set(applied["nutrient"])]
    if not names:
        raise refuse("soil supply", "nothing is supplied", "name at least one nutrient")
    tables = [_one(demand, n, soil_supply.get(n, 0.0), applied) for n in names]
    gaps = [_gap(table, delay, demand.stages) for table in tables for delay in ("shortest", "longest")]
    rows = pd.concat(tables, ignore_index=True).drop(columns="near_point")
    return SupplyGap(demand, rows, pd.DataFrame(gaps), applied)


def season_days(demand: SeasonDemand) -> float:
    """Days from emergence to the end of a season: the usual ones where temperatures end before it."""
    last = demand.table["day"].max()
    return max(last, demand.stages["days"].max()) if demand.unfinished else last


def _checked(demand, frame):
    columns = ["nutrient", "rate", "day", "delay_low_days", "delay_high_days", "label"]
    if frame is None:
        return pd.DataFrame(columns=columns)
    frame = columned(frame).reset_index(drop=True)
    problems = missing_columns(frame, REQUIRED, "add it, and day or date")
    dated = "date" in demand.table
    if "day" not in frame and not ("date" in frame and dated):
        remedy = "add days after emergence" + ("" if dated else "; dates need a demand with temperatures")
        problems += missing_columns(frame, ["day"], remedy)
    if problems:
        raise InputError(TABLE, problems)
    applied = pd.DataFrame({"nutrient": frame["nutrient"]})
    applied["rate"] = _number(frame["rate"], "rate", problems, lowest=0)
    if "day" in frame:
        applied["day"] = _number(frame["day"], "day", problems)
    else:
        start = pd.to_datetime(demand.table["date"].iloc[0]) - pd.Timedelta(days=1)
        dates, complaints, _ = read_dates(frame["date"].tolist())
        problems += [
            Problem(complaint or "no date", "write dates like 2026-07-21", i + 2, "date", frame["date"][i])
            for i, (date, complaint) in enumerate(zip(dates, complaints, strict=True))
            if complaint or pd.isna(date)
        ]
        applied["day"] = (pd.Series(dates, dtype="datetime64[ns]") - start).dt.days.astype(float)
    for name in ("delay_low_days", "delay_high_days"):
        given = frame.get(name, pd.Series(0.0, index=frame.index))
        applied[name] = _number(given, name, problems, lowest=0)
    applied["label"] = frame.get("label", pd.Series("", index=frame.index))
    for i in applied.index[~applied["nutrient"].isin(demand.nutrients)]:
        remedy = f"the demand is in: {', '.join(demand.nutrients)}"
        problems.append(
            Problem("no demand for this nutrient", remedy, i + 2, "nutrient", frame["nutrient"][i])
        )
    for i in applied.index[applied["delay_low_days"] > applied["delay_high_days"]]:
        problems.append(Problem("shortest delay above the longest", "swap them", i + 2, "delay_low_days",
                                f"{applied['delay_low_days'][i]:g}"))  # fmt: skip
    if problems:
        raise InputError(TABLE, sorted(problems, key=lambda p: p.row or 0))
    return applied[columns]


def _number(column, name, problems, lowest=-np.inf):
    numbers = pd.to_numeric(column, errors="coerce").astype(float)
    remedy = "write a number" + (f", {lowest:g} or more" if np.isfinite(lowest) else "")
    for i in column.index[~(numbers >= lowest) | ~np.isfinite(numbers)]:
        problems.append(Problem("not a usable number", remedy, i + 2, name, column[i]))
    return numbers


def _one(demand, nutrient, soil, applied):
    curve = demand.table[demand.table["nutrient"] == nutrient]
    total = demand.totals.set_index("nutrient").loc[nutrient]
    days, fraction = curve["day"].to_numpy(), curve["fraction"]
    keep = [c for c in ("day", "date", "nutrient", "near_point") if c in curve]
    open_to = total["uptake"] * total["spread"] * 4 * fraction * (1 - fraction)
    taken = curve["cumulative"]
    table = curve[keep].assign(demand=taken, demand_low=taken - open_to, demand_high=taken + open_to)
    doses = applied[applied["nutrient"] == nutrient]
    for scenario, delay in (("early", "delay_low_days"), ("late", "delay_high_days")):
        usable = (doses["day"] + doses[delay]).to_numpy(dtype=float)
        given = (days[:, None] >= usable) @ doses["rate"].to_numpy(dtype=float)
        table[f"supply_{scenario}"] = soil * days / season_days(demand) + given
        table[f"gap_{scenario}"] = (table["demand"] - table[f"supply_{scenario}"]).clip(lower=0.0)
    return table.reset_index(drop=True)


def _gap(table, delay, stages):
    supply = table["supply_early" if delay == "shortest" else "supply_late"]
    gaps = {name: (table[name] - supply).clip(lower=0.0) for name in ("demand", "demand_low", "demand_high")}
    gap = gaps["demand"]
    first, last, earliest = (_first_day(table, short_by) for short_by in gaps.values())
    passed = stages.loc[(stages["days"] > 0) & (stages["days"] <= first), "stage"] if len(stages) else stages
    return {
        "nutrient": table["nutrient"].iloc[0],
        "delay": delay,
        "first_day": first,
        "first_day_from": earliest,
        "first_day_to": last,
        "interpolated": bool((~table.loc[table["day"] == first, "near_point"]).any()),
        "stage": passed.iloc[-1] if len(passed) else "",
        "largest_gap": gap.max(),
        "largest_gap_low": gaps["demand_low"].max(),
        "largest_gap_high": gaps["demand_high"].max(),
        "largest_gap_day": table["day"][gap.idxmax()],
        "gap_at_end": gap.iloc[-1],
    }


def _first_day(table, gap):
    """First day short by more than a thousandth of the season's demand, which is rounding; NaN if none."""
    days = table.loc[above(gap, table["demand"].max() / 1000), "day"]
    return days.iloc[0] if len(days) else np.nan


# ---- all fields of a season

#: Nutrients whose pace through the season is followed.
FOLLOWED = ("N", "P2O5", "K2O", "S")
COLUMNS = ["at", "nutrient", "uptake_lb_ac", "soil_lb_ac", "applied_lb_ac", "first_short_day",
           "first_short_stage", "largest_gap_lb_ac", "can_wait_lb_ac", "wait_stage", "reason", "source_key",
           "provenance"]  # fmt: skip
#: Share of a rate that is rounding: of rates in whole pounds, and of the curve.
ROUNDING = 0.005
#: Words for the time of a pass that stand before emergence.
BEFORE = ("fall", "preplant", "planting")


def season_supply(
    targets: pd.DataFrame, uptake: pd.DataFrame, doses=None, last=None, soil=None
) -> pd.DataFrame:
    """Set what soil and passes give against the demand of every field.

    Parameters
    ----------
    targets : DataFrame
        Rates of one season, as `Targets.table`.
    uptake : DataFrame
        at, nutrient, uptake [lb/ac].
    doses : DataFrame, optional
        at, nutrient, stage, applied [lb/ac]: what passes bring, by their latest stage; the rate, at planting,
        if None.
    last : dict, optional
        Crop -> the latest stage at which a pass could bring more.
    soil : dict, optional
        at -> CEC and pH, as far as tested.

    Returns
    -------
    DataFrame
        `COLUMNS`: the season's uptake, what of it the soil is taken to give (uptake less the rate before
        credits), when what has been brought falls behind (even if demand is at the low end of what the spread
        of published shares leaves open) and by how much at most, how much may wait until `wait_stage` without
        that, and whether leaching or tie-up speak for waiting.

    Notes
    -----
    The rate and the soil give their parts in step with the crop's uptake: by a day on which a share f of the
    season is taken up, f x rate has to be there. After a stage may come what is taken up after it.
    """
    rows = targets[targets["nutrient"].isin(FOLLOWED)].merge(uptake, on=["at", "nutrient"], how="left")
    rows = rows[rows["rate_lb_ac"] > 0]
    parts = []
    for (crop, nutrient), some in rows.groupby(["crop", "nutrient"], sort=False):
        curve = _curve(crop, nutrient)
        if curve is not None:
            parts.append(_paced(some, curve, doses, (last or {}).get(crop), soil or {}))
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)
    return table.sort_values("at", kind="stable").reset_index(drop=True)


@cache
def _curve(crop, nutrient):
    """Days, shares of uptake, stages, spread of a share, sources, provenance; None where none is published.

    The shares are those of any yield.
    """
    try:
        demand = season_demand(crop, 1.0, "ton/ac", nutrients=[nutrient])
    except FertkitError:
        return None
    used = demand.points[demand.points["used"] & (demand.points["nutrient"] == nutrient)]
    marks = set(used["provenance"])
    about = ";".join(dict.fromkeys(used["source_key"])), marks.pop() if len(marks) == 1 else "mixed"
    shares = demand.table["day"].to_numpy(), demand.table["fraction"].to_numpy()
    return *shares, demand.stages, float(demand.totals["spread"].iloc[0]), *about


def _paced(rows, curve, doses, last, soil):
    """The fields of one crop and one nutrient: one line each."""
    days, share, stages, spread, keys, mark = curve
    gross = rows["gross_lb_ac"].to_numpy()[:, None]
    supply = _supplied(rows, doses, days, stages)
    gap = np.clip(gross * share - supply, 0.0, None)
    left_open = gross * (spread * 4 * share * (1 - share) + ROUNDING)
    short = _first(days, above(gap, left_open))
    wait, applied = _day(rows["crop"].iloc[0], last, stages), supply[:, -1]
    due = gross[:, 0] * share[days <= max(wait, 0.0)].max()
    return pd.DataFrame({
        "at": rows["at"].to_numpy(), "nutrient": rows["nutrient"].to_numpy(),
        "uptake_lb_ac": rows["uptake"].to_numpy(),
        "soil_lb_ac": np.clip(rows["uptake"].to_numpy() - gross[:, 0], 0.0, None), "applied_lb_ac": applied,
        "first_short_day": short, "first_short_stage": [_stage(day, stages) for day in short],
        "largest_gap_lb_ac": gap.max(axis=1),
        "can_wait_lb_ac": np.clip(applied - due, 0.0, None) if wait > 0 else np.nan,
        "wait_stage": last if wait > 0 else "",
        "reason": [_reason(rows["nutrient"].iloc[0], soil.get(at, {})) for at in rows["at"]],
        "source_key": keys, "provenance": mark,
    })  # fmt: skip


def _supplied(rows, doses, days, stages):
    """What has been brought by each day, fields by days [lb/ac]: by passes, or the whole rate at once."""
    credited = rows["credit_lb_ac"].to_numpy()[:, None] * np.ones(len(days))
    if doses is None:
        return credited + rows["rate_lb_ac"].to_numpy()[:, None]
    crop, nutrient = rows[["crop", "nutrient"]].iloc[0]
    place = {at: i for i, at in enumerate(rows["at"])}
    own = doses[(doses["nutrient"] == nutrient) & doses["at"].isin(place)]
    usable = {stage: days >= _day(crop, stage, stages) for stage in own["stage"].unique()}
    for dose in own.itertuples():
        credited[place[dose.at]] += dose.applied * usable[dose.stage]
    return credited


def _day(crop, stage, stages):
    """Day of a stage, between those of the scale by the order of stages; before emergence -1."""
    if not stage or stage in BEFORE:
        return -1.0
    places = [find_span(crop, name).last for name in stages["stage"]]
    return float(np.interp(find_span(crop, stage).last, places, stages["days"]))


def _first(days, where):
    return np.where(where.any(axis=1), days[where.argmax(axis=1)], np.nan)


def _stage(day, stages):
    """The last stage that has passed on a day."""
    passed = stages[stages["days"] <= day] if len(stages) else stages
    return passed["stage"].iloc[-1] if len(passed) else ""


def _reason(nutrient, soil):
    """Whether leaching or tie-up in the soil speaks for a part of the rate later."""
    edges, ph = constants("shift")["value"], soil.get("pH", np.nan)
    if nutrient == "N" or (nutrient == "K2O" and at_most(soil.get("CEC", np.inf), edges["CEC of sand"])):
        return "leaching"
    if nutrient == "P2O5" and (below(ph, edges["acid"]) or above(ph, edges["alkaline"])):
        return "tie-up"
    return ""
