"""Where the sources agree, and what is short, worst first."""

from enum import StrEnum

import numpy as np
import pandas as pd

from fertkit.results import plain
from fertkit.tissue.classes import CLASSES, EXCESSIVE, NOT_CLASSED, SUFFICIENT

SHORT = CLASSES[:SUFFICIENT]
ENOUGH = CLASSES[SUFFICIENT : EXCESSIVE + 1]
GROUP = [
    "specimen",
    "sample_id",
    "label",
    "crop",
    "growth_stage",
    "plant_part",
    "nutrient",
    "value",
    "unit",
    "censored",
]


class Verdict(StrEnum):
    """What the sources of one result say together."""

    SHORT = "short by every source"
    SHORT_IF_TOLD = "short by every source that can tell"
    DISAGREE = "sources disagree"
    WITHIN = "within a critical range"
    ENOUGH = "enough by every source"
    NOT_JUDGED = "not judged"


def agreement_of(scored: pd.DataFrame) -> pd.DataFrame:
    """One row per sample and nutrient over its sources.

    Returns
    -------
    DataFrame
        The sample's columns, then sources (number that class it), untold (number that cannot tell, as the
        value is only known to lie below or above a limit), short, within (number whose critical range holds
        the value, so that they leave it open; not counted in short), deficient, short_by_range,
        short_by_critical_level, lowest_limit and highest_limit of the sources that class it, middle_limit of
        all, worst_distance, probability_below (mean over the sources that give one), strictest_class and
        mildest_class, verdict, short_sources, within_sources, untold_sources, within_ranges (in words).
    """
    within = scored["within_critical"].astype(bool)
    short = scored["class"].isin(SHORT) & ~within
    number = scored["class"].map({name: i for i, name in enumerate(CLASSES)}).astype(float)
    # Rows of one sample and nutrient stand together, so a running number is the group.
    new_sample = scored["specimen"] != scored["specimen"].shift()
    first = new_sample | (scored["nutrient"] != scored["nutrient"].shift())
    group = first.cumsum().to_numpy()
    untold = _untold(scored)
    measures = _measures(scored, short, within, untold, number)
    work = pd.DataFrame({name: values for name, (values, _) in measures.items()})
    totals = work.groupby(group).agg({name: how for name, (_, how) in measures.items()})
    out = pd.concat([scored.loc[first, GROUP].reset_index(drop=True), totals.reset_index(drop=True)], axis=1)
    alone = number[first].reset_index(drop=True)
    for name in ("strictest_class", "mildest_class"):
        out[name] = np.array(CLASSES, dtype=object)[out[name].fillna(alone).to_numpy(int)]
    every, some = out["short"] == out["sources"], out["short"] > 0
    cases = {
        Verdict.NOT_JUDGED: out["sources"] == 0, Verdict.SHORT_IF_TOLD: every & (out["untold"] > 0),
        Verdict.SHORT: every, Verdict.DISAGREE: some, Verdict.WITHIN: out["within"] > 0,
    }  # fmt: skip
    out["verdict"] = np.select(list(cases.values()), [str(name) for name in cases], str(Verdict.ENOUGH))
    out["short_sources"] = _joined(scored["source_key"], short, group, out["short"] > 0)
    out["within_sources"] = _joined(scored["source_key"], within, group, out["within"] > 0)
    out["untold_sources"] = _joined(scored["source_key"], untold, group, out["untold"] > 0)
    ends = (
        f"{plain(r.critical, digits=4)} to {plain(r.critical_high, digits=4)} ({r.source_key})"
        for r in scored[within].itertuples()
    )
    ranges = pd.Series(list(ends), index=scored.index[within], dtype=object).reindex(scored.index)
    out["within_ranges"] = _joined(ranges, within, group, out["within"] > 0)
    return out


def _joined(texts, mine, group, rows):
    """Texts of the marked sources of each result, joined; '' where it has none."""
    joined = pd.Series("", index=rows.index, dtype=object)
    if mine.any():
        joined[rows] = texts[mine].groupby(group[mine]).agg("; ".join).to_numpy()
    return joined


def _untold(scored):
    """Scores whose source has a limit that a value known only to lie below or above another does not meet."""
    ends = scored[["low", "high", "critical", "toxic_above"]].notna().any(axis=1)
    return scored["censored"].isin(["<", ">"]) & (scored["class"] == CLASSES[NOT_CLASSED]) & ends


def _measures(scored, short, within, untold, number) -> dict:
    """What is taken over the sources of a result: name -> (values, how)."""
    judged = short | within | scored["class"].isin(ENOUGH)
    by_range = scored["kind"] == "sufficiency range"
    limit = scored["limit"]
    return {
        "sources": (judged.astype(int), "sum"),
        "untold": (untold.astype(int), "sum"),
        "short": (short.astype(int), "sum"),
        "within": (within.astype(int), "sum"),
        "deficient": ((scored["class"] == "deficient").astype(int), "sum"),
        "short_by_range": ((short & by_range).astype(int), "sum"),
        "short_by_critical_level": ((short & ~by_range).astype(int), "sum"),
        "lowest_limit": (limit.where(judged), "min"),
        "middle_limit": (limit, "median"),
        "highest_limit": (limit.where(judged), "max"),
        "worst_distance": (scored["distance"], "min"),
        "probability_below": (scored["probability_below"], "mean"),
        "strictest_class": (number.where(judged), "min"),
        "mildest_class": (number.where(judged), "max"),
    }


def shortfalls_of(agreement: pd.DataFrame) -> pd.DataFrame:
    """Rows at least one source calls short or holds inside its critical range, ranked within each sample.

    First what every source calls short, then what the sources disagree on, last what lies within a critical
    range without any source calling it short (``share_short`` 0); within these by the probability
    of being below, then by the distance. A source that cannot tell counts against ``share_short``. ``rank``
    counts from 1 in each sample.
    """
    short = agreement[(agreement["short"] > 0) | (agreement["within"] > 0)].copy()
    short["share_short"] = short["short"] / (short["sources"] + short["untold"])
    chance = short["probability_below"].fillna(short["share_short"])
    short = short.assign(chance=chance).sort_values(
        ["specimen", "share_short", "chance", "worst_distance"],
        ascending=[True, False, False, True],
        kind="stable",
    )
    short["rank"] = short.groupby("specimen").cumcount() + 1
    return short.drop(columns="chance").reset_index(drop=True)


def named_rows(samples: pd.DataFrame, most: int = 3) -> str:
    """Samples by name and row of the file: 'North, row 5; South, row 6; ...'."""
    first = samples.head(most)
    names = [f"{r.label.removesuffix(f', row {r.row:g}')}, row {r.row:g}" for r in first.itertuples()]
    return "; ".join([*names, "..."] if len(samples) > most else names)
