"""Supply under demand for all fields of a season: when passes leave a crop short, and what may wait."""

from functools import cache

import numpy as np
import pandas as pd

from fertkit.budget.season import season_demand
from fertkit.errors import FertkitError
from fertkit.reference.load import load_table
from fertkit.rounding import above, at_most, below

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
    shares = demand.rows["day"].to_numpy(), demand.rows["fraction"].to_numpy()
    return *shares, demand.stages, float(demand.totals["spread"].iloc[0]), *about


def _paced(rows, curve, doses, last, soil):
    """The fields of one crop and one nutrient: one line each."""
    days, share, stages, spread, keys, mark = curve
    gross = rows["gross_lb_ac"].to_numpy()[:, None]
    supply = _supplied(rows, doses, days, stages)
    gap = np.clip(gross * share - supply, 0.0, None)
    left_open = gross * (spread * 4 * share * (1 - share) + ROUNDING)
    short = _first(days, above(gap, left_open))
    wait, applied = _day(last, stages), supply[:, -1]
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
    nutrient, place = rows["nutrient"].iloc[0], {at: i for i, at in enumerate(rows["at"])}
    own = doses[(doses["nutrient"] == nutrient) & doses["at"].isin(place)]
    for dose in own.itertuples():
        credited[place[dose.at]] += dose.applied * (days >= _day(dose.stage, stages))
    return credited


def _day(stage, stages):
    """Day of a stage; before emergence, and what the scale does not know, -1."""
    if stage is None or stage in BEFORE:
        return -1.0
    found = stages.loc[stages["stage"] == stage, "days"]
    return float(found.iloc[0]) if len(found) else -1.0


def _first(days, where):
    return np.where(where.any(axis=1), days[where.argmax(axis=1)], np.nan)


def _stage(day, stages):
    """The last stage that has passed on a day."""
    passed = stages[stages["days"] <= day] if len(stages) else stages
    return passed["stage"].iloc[-1] if len(passed) else ""


@cache
def _edges():
    rows = load_table("constants")
    return rows[rows["group"] == "shift"].set_index("item")["value"].to_dict()


def _reason(nutrient, soil):
    """Whether leaching or tie-up in the soil speaks for a part of the rate later."""
    edges, ph = _edges(), soil.get("pH", np.nan)
    if nutrient == "N" or (nutrient == "K2O" and at_most(soil.get("CEC", np.inf), edges["CEC of sand"])):
        return "leaching"
    if nutrient == "P2O5" and (below(ph, edges["acid"]) or above(ph, edges["alkaline"])):
        return "tie-up"
    return ""
