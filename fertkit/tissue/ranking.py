"""Where the sources agree, what is short, worst first, and the same in words."""

import numpy as np
import pandas as pd

from fertkit.tissue.classes import CLASSES, EXCESSIVE, SUFFICIENT

SHORT = CLASSES[:SUFFICIENT]
ENOUGH = CLASSES[SUFFICIENT : EXCESSIVE + 1]
GROUP = [
    "specimen",
    "sample_id",
    "crop",
    "growth_stage",
    "plant_part",
    "nutrient",
    "value",
    "unit",
    "censored",
]
VERDICTS = ("short by every source", "sources disagree", "enough by every source", "not judged")


def agreement_of(scored: pd.DataFrame) -> pd.DataFrame:
    """One row per sample and nutrient over its sources.

    Returns
    -------
    DataFrame
        The sample's columns, then sources (number that class it), short, deficient, short_by_range,
        short_by_critical_level, lowest_limit, middle_limit and highest_limit of the sources, worst_distance,
        probability_below (mean over the sources that give one), strictest_class and mildest_class, verdict,
        short_sources.
    """
    short = scored["class"].isin(SHORT)
    number = scored["class"].map({name: i for i, name in enumerate(CLASSES)}).astype(float)
    # Rows of one sample and nutrient stand together, so a running number is the group.
    new_sample = scored["specimen"] != scored["specimen"].shift()
    first = new_sample | (scored["nutrient"] != scored["nutrient"].shift())
    group = first.cumsum().to_numpy()
    measures = _measures(scored, short, number)
    work = pd.DataFrame({name: values for name, (values, _) in measures.items()})
    totals = work.groupby(group).agg({name: how for name, (_, how) in measures.items()})
    out = pd.concat([scored.loc[first, GROUP].reset_index(drop=True), totals.reset_index(drop=True)], axis=1)
    alone = number[first].reset_index(drop=True)
    for name in ("strictest_class", "mildest_class"):
        out[name] = np.array(CLASSES, dtype=object)[out[name].fillna(alone).to_numpy(int)]
    cases = [out["sources"] == 0, out["short"] == out["sources"], out["short"] > 0]
    out["verdict"] = np.select(cases, [VERDICTS[3], VERDICTS[0], VERDICTS[1]], VERDICTS[2])
    out["short_sources"] = ""
    if short.any():
        named = scored[short].groupby(group[short])["source_key"].agg("; ".join)
        out.loc[out["short"] > 0, "short_sources"] = named.to_numpy()
    return out


def _measures(scored, short, number) -> dict:
    """What is taken over the sources of a result: name -> (values, how)."""
    judged = short | scored["class"].isin(ENOUGH)
    by_range = scored["kind"] == "sufficiency range"
    limit = scored["low"].fillna(scored["critical"])
    return {
        "sources": (judged.astype(int), "sum"),
        "short": (short.astype(int), "sum"),
        "deficient": ((scored["class"] == "deficient").astype(int), "sum"),
        "short_by_range": ((short & by_range).astype(int), "sum"),
        "short_by_critical_level": ((short & ~by_range).astype(int), "sum"),
        "lowest_limit": (limit, "min"),
        "middle_limit": (limit, "median"),
        "highest_limit": (limit, "max"),
        "worst_distance": (scored["distance"], "min"),
        "probability_below": (scored["probability_below"], "mean"),
        "strictest_class": (number.where(judged), "min"),
        "mildest_class": (number.where(judged), "max"),
    }


def shortfalls_of(agreement: pd.DataFrame) -> pd.DataFrame:
    """Rows at least one source calls short, ranked within each sample.

    First what every source calls short, then what the sources disagree on; within these by the probability
    of being below, then by the distance. ``rank`` counts from 1 in each sample.
    """
    short = agreement[agreement["short"] > 0].copy()
    short["share_short"] = short["short"] / short["sources"]
    chance = short["probability_below"].fillna(short["share_short"])
    short = short.assign(chance=chance).sort_values(
        ["specimen", "share_short", "chance", "worst_distance"],
        ascending=[True, False, False, True],
        kind="stable",
    )
    short["rank"] = short.groupby("specimen").cumcount() + 1
    return short.drop(columns="chance").reset_index(drop=True)


def scored_by(scores) -> list[str]:
    """Source keys that hold for at least one result."""
    return [key for key in pd.unique(scores.scored["source_key"]) if key]


def read_aloud(scores, most: int) -> str:
    """Text summary of a TissueScores."""
    short = scores.shortfalls
    n = scores.scored["specimen"].nunique()
    clear = short[short["verdict"] == VERDICTS[0]]
    split = short[short["verdict"] == VERDICTS[1]]
    lines = [
        f"{_count(n, 'sample')} scored against {_count(len(scored_by(scores)), 'source')}: "
        f"{clear['specimen'].nunique()} with a shortfall every source agrees on, "
        f"{split['specimen'].nunique()} where sources disagree"
    ]
    ranked = short.sort_values(["rank", "share_short", "probability_below"], ascending=[True, False, False])
    lines += [sentence(r) for r in ranked.head(most).itertuples()]
    if len(short) > most:
        lines.append(f"and {len(short) - most} more shortfalls, see shortfalls")
    if short.empty:
        lines.append("nothing is short by any source that holds for these samples")
    for r in scores.conditions[scores.conditions["why"] != ""].itertuples():
        lines.append(f"{_count(r.samples, 'sample')} not scored: {r.why}")
    unstated = scores.near[scores.near["differs_in"] == "petiole"]
    for part, rows in unstated[~unstated["source_key"].isin(scored_by(scores))].groupby(
        "plant_part", sort=False
    ):
        keys = ", ".join(dict.fromkeys(rows["source_key"]))
        lines.append(f"say whether '{part}' is with or without petiole to compare with {keys} as well")
    failed = scores.checks[scores.checks["passed"].astype(bool).eq(False)]
    cautions = failed[failed["check"].isin(["laboratory and sampling CVs", "ranges carried from memory"])]
    lines += [f"caution: {r.meaning}" for r in cautions.itertuples()]
    return "\n".join(lines)


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'s' * (n != 1)}"


def sentence(r) -> str:
    """One shortfall in words."""
    unit = "" if r.unit == "ratio" else f" {r.unit}"
    one = r.lowest_limit == r.highest_limit
    limits = (
        f"a lower limit of {r.lowest_limit:g}"
        if one
        else f"lower limits of {r.lowest_limit:g} to {r.highest_limit:g}"
    )
    value = f"{r.censored} {r.value:.3g}" if r.censored else f"{r.value:.3g}"
    chance = "" if np.isnan(r.probability_below) else f", probability below {r.probability_below:.2f}"
    count = "the only source" if r.sources == 1 else f"{r.short} of {r.sources} sources"
    who = f"short by {count} ({r.short_sources})"
    return f"{r.sample_id}: {r.nutrient} {value}{unit} against {limits}{unit}, {who}{chance}"
