"""Which season, step and spot each sample of a field belongs to."""

import numpy as np
import pandas as pd

from fertkit.errors import LookupFailed
from fertkit.intake.reports import Reports
from fertkit.intake.stages import stage_span
from fertkit.reference.crops import base_crop
from fertkit.reference.facts import load_facts
from fertkit.results import records

SEASON = ["field", "crop", "season"]
STEP = [*SEASON, "step", "growth_stage", "plant_part"]
NO_YEAR = "no year"
NO_CROP = "crop not stated"


def steps_of(reports: Reports) -> pd.DataFrame:
    """Field, crop, season, step and spot of each specimen."""
    first = reports.samples.table.drop_duplicates("specimen").set_index("specimen")
    steps = reports.about.loc[first.index].assign(**first[["growth_stage", "plant_part", "crop"]])
    steps["crop"] = [_crop(crop) for crop in steps["crop"].fillna("")]
    steps["sampled"] = pd.to_datetime(steps["sampled"]).astype("datetime64[ns]")
    both = steps["treatment"].ne("") & steps["area"].ne("")
    steps["spot"] = steps["treatment"] + both.map({True: ", ", False: ""}) + steps["area"]
    steps["season"] = _seasons(steps)
    place = [_place(r.crop, r.growth_stage) for r in records(steps)]
    dated = steps["sampled"].notna().groupby([steps[c] for c in SEASON]).transform("all")
    key = np.where(dated, steps["sampled"].astype("int64").astype(float), place)
    steps["step"] = pd.Series(key, steps.index).groupby([steps[c] for c in SEASON]).rank(method="dense")
    return steps.assign(step=steps["step"].fillna(1).astype(int))


def _seasons(steps) -> pd.Series:
    """Season of each specimen: the year of its last date; a long gap between dates begins another."""
    own = [steps["field"], steps["crop"]]
    ordered = steps.sort_values("sampled", kind="stable")
    gap = ordered.groupby(["field", "crop"])["sampled"].diff()
    part = (gap > pd.Timedelta(_longest_gap(), "D")).astype(int)
    part = part.groupby([ordered["field"], ordered["crop"]]).cumsum().reindex(steps.index)
    part = part.where(steps["sampled"].notna(), -1)
    last = steps.groupby([*own, part])["sampled"].transform("max")
    year = steps["year"].groupby([*own, part]).transform("max").where(part >= 0, steps["year"])
    name = year.astype(str).mask(year.isna(), NO_YEAR)
    twice = part.where(part >= 0).groupby([*own, name]).transform("nunique") > 1
    name = name.mask(twice & (part >= 0), last.dt.strftime("%Y-%m"))  # two crops of one year
    return name.mask(year.isna(), NO_YEAR + ", " + steps["report"])


def _longest_gap():
    table = load_facts("sanity", ("low", "high")).set_index("check")
    return table.loc["days between samples of one season", "high"]


def _crop(crop) -> str:
    """The crop whose kinds count as one; a crop outside the table by its own name."""
    try:
        return base_crop(crop) if crop else NO_CROP
    except LookupFailed:
        return crop


def _place(crop, stage):
    """Position of a stage; NaN where it is not known."""
    try:
        return stage_span(crop, stage).first if crop and stage else np.nan
    except LookupFailed:
        return np.nan
