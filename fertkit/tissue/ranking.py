"""Where the sources agree, what is short, worst first, and the same in words."""

import numpy as np
import pandas as pd

from fertkit.tissue.classes import CLASSES, EXCESSIVE, SUFFICIENT
from fertkit.tissue.oxides import CHECK as OXIDES

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
VERDICTS = (
    "short by every source", "sources disagree", "enough by every source", "not judged",
    "within a critical range",
)  # fmt: skip
CHANCES, MEMORY = "laboratory and sampling CVs", "ranges carried from memory"
ASKED = {"crop": "crop", "growth stage": "stage", "plant part": "part"}


def agreement_of(scored: pd.DataFrame) -> pd.DataFrame:
    """One row per sample and nutrient over its sources.

    Returns
    -------
    DataFrame
        The sample's columns, then sources (number that class it), short, within (number whose critical range
        holds the value, so that they leave it open; not counted in short), deficient, short_by_range,
        short_by_critical_level, lowest_limit, middle_limit and highest_limit of the sources, worst_distance,
        probability_below (mean over the sources that give one), strictest_class and mildest_class, verdict,
        short_sources, within_sources, within_ranges (in words).
    """
    within = scored["within_critical"].astype(bool)
    short = scored["class"].isin(SHORT) & ~within
    number = scored["class"].map({name: i for i, name in enumerate(CLASSES)}).astype(float)
    # Rows of one sample and nutrient stand together, so a running number is the group.
    new_sample = scored["specimen"] != scored["specimen"].shift()
    first = new_sample | (scored["nutrient"] != scored["nutrient"].shift())
    group = first.cumsum().to_numpy()
    measures = _measures(scored, short, within, number)
    work = pd.DataFrame({name: values for name, (values, _) in measures.items()})
    totals = work.groupby(group).agg({name: how for name, (_, how) in measures.items()})
    out = pd.concat([scored.loc[first, GROUP].reset_index(drop=True), totals.reset_index(drop=True)], axis=1)
    alone = number[first].reset_index(drop=True)
    for name in ("strictest_class", "mildest_class"):
        out[name] = np.array(CLASSES, dtype=object)[out[name].fillna(alone).to_numpy(int)]
    cases = [out["sources"] == 0, out["short"] == out["sources"], out["short"] > 0, out["within"] > 0]
    out["verdict"] = np.select(cases, [VERDICTS[i] for i in (3, 0, 1, 4)], VERDICTS[2])
    out["short_sources"] = _joined(scored["source_key"], short, group, out["short"] > 0)
    out["within_sources"] = _joined(scored["source_key"], within, group, out["within"] > 0)
    ends = (f"{r.critical:g} to {r.critical_high:g} ({r.source_key})" for r in scored[within].itertuples())
    ranges = pd.Series(list(ends), index=scored.index[within], dtype=object).reindex(scored.index)
    out["within_ranges"] = _joined(ranges, within, group, out["within"] > 0)
    return out


def _joined(texts, mine, group, rows):
    """Texts of the marked sources of each result, joined; '' where it has none."""
    joined = pd.Series("", index=rows.index, dtype=object)
    if mine.any():
        joined[rows] = texts[mine].groupby(group[mine]).agg("; ".join).to_numpy()
    return joined


def _measures(scored, short, within, number) -> dict:
    """What is taken over the sources of a result: name -> (values, how)."""
    judged = short | within | scored["class"].isin(ENOUGH)
    by_range = scored["kind"] == "sufficiency range"
    limit = scored["limit"]
    return {
        "sources": (judged.astype(int), "sum"),
        "short": (short.astype(int), "sum"),
        "within": (within.astype(int), "sum"),
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
    """Rows at least one source calls short or holds inside its critical range, ranked within each sample.

    First what every source calls short, then what the sources disagree on, last what lies within a critical
    range without any source calling it short (``share_short`` 0); within these by the probability
    of being below, then by the distance. ``rank`` counts from 1 in each sample.
    """
    short = agreement[(agreement["short"] > 0) | (agreement["within"] > 0)].copy()
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
    if not (scores.agreement["sources"] > 0).any():
        return "\n".join([*nothing_judged(scores.conditions), *_unstated_petioles(scores)])
    short = scores.shortfalls
    lines = [_headline(scores, short)]
    ranked = short.sort_values(["rank", "share_short", "probability_below"], ascending=[True, False, False])
    lines += [sentence(r) for r in ranked.head(most).itertuples()]
    if len(short) > most:
        lines.append(f"and {len(short) - most} more, see shortfalls")
    if short.empty:
        lines.append("nothing is short by any source that holds for these samples")
    lines += [f"not scored: {line}" for line in why_not(scores.conditions)]
    lines += _unstated_petioles(scores)
    failed = scores.checks[scores.checks["passed"].astype(bool).eq(False)]
    told = [MEMORY, OXIDES]
    told += [CHANCES] if scores.agreement["probability_below"].notna().any() else []
    lines += [f"caution: {r.meaning}" for r in failed[failed["check"].isin(told)].itertuples()]
    return "\n".join(lines)


def _headline(scores, short):
    n = scores.scored["specimen"].nunique()
    counts = {v: short.loc[short["verdict"] == v, "specimen"].nunique() for v in VERDICTS}
    line = (
        f"{_count(n, 'sample')} scored against {_count(len(scored_by(scores)), 'source')}: "
        f"{counts[VERDICTS[0]]} with a shortfall every source agrees on, "
        f"{counts[VERDICTS[1]]} where sources disagree"
    )
    return line + (f", {counts[VERDICTS[4]]} within a critical range" if counts[VERDICTS[4]] else "")


def _unstated_petioles(scores):
    """What a word on the petiole would add."""
    unstated = scores.near[scores.near["differs_in"] == "petiole"]
    unstated = unstated[~unstated["source_key"].isin(scored_by(scores))]
    for part, rows in unstated.groupby("plant_part", sort=False):
        keys = ", ".join(dict.fromkeys(rows["source_key"]))
        yield f"say whether '{part}' is with or without petiole to compare with {keys} as well"


def nothing_judged(conditions: pd.DataFrame) -> list[str]:
    """Lines that say that, and why, no result could be judged (``crop``, ``why`` and ``samples``)."""
    first, *others = why_not(conditions) or ["no result can be classed, see the reason column"]
    return [f"nothing could be judged: {first}", *others]


def why_not(conditions: pd.DataFrame) -> list[str]:
    """One line for each distinct reason why samples were not scored, with what to give."""
    lines = []
    blank = conditions[conditions["why"] != ""]
    for (crop, why), rows in blank.groupby(["crop", "why"], sort=False):
        missing = [option for word, option in ASKED.items() if word in why and why.endswith("not stated")]
        hint = " and ".join(f"{option}=" for option in missing)
        typed = " ".join(f"--{option}" for option in missing)
        remedy = f"; give {hint} (command line: {typed})" if missing else ""
        named = ", ".join(rows["sample_id"].head(3)) if "sample_id" in rows else ""
        named = f" ({named}{', ...' if len(rows) > 3 else ''})" if named else ""
        lines.append(f"{_count(rows['samples'].sum(), f'{crop} sample'.strip())}{named}: {why}{remedy}")
    return lines


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def percent(probability: float) -> str:
    """A probability for reading aloud: '97 %', never a bare 0 or 100."""
    whole = round(100 * probability)
    return "under 1 %" if whole < 1 else "over 99 %" if whole > 99 else f"{whole} %"


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
    below = "below the limit" if one else "below the limits (mean over the sources)"
    chance = "" if np.isnan(r.probability_below) else f", {percent(r.probability_below)} likely {below}"
    within = f"within the critical range {r.within_ranges}" if r.within else ""
    what = f"{r.sample_id}: {r.nutrient} {value}{unit}"
    if not r.short:
        chance = chance.replace(below, "below its lower end") if r.within == 1 and one else chance
        return f"{what}, {within}: short or enough is left open{chance}"
    count = "the only source" if r.sources == 1 else f"{r.short} of {r.sources} sources"
    who = f"short by {count} ({r.short_sources})" + (f", {within}" if within else "")
    return f"{what} against {limits}{unit}, {who}{chance}"
