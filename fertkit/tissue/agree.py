"""Where the sources agree: what is short, worst first, what is above, what none judges."""

from enum import StrEnum

import numpy as np
import pandas as pd

from fertkit.reference.facts import load_facts
from fertkit.reference.regions import in_region
from fertkit.results import plain, records
from fertkit.rounding import at_most, below
from fertkit.tissue.classes import ENOUGH, OVER, SHORT, Class, Reason
from fertkit.tissue.match import ASSUMED, CONDITION, PART, named_codes

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

    SHORT = "below every published range"
    SHORT_IF_TOLD = "below every range that can be checked"
    DISAGREE = "below some published ranges"
    WITHIN = "within a critical range"
    ENOUGH = "not below any published range"
    NOT_JUDGED = "not judged"


def set_aside(
    scored: pd.DataFrame, held: pd.DataFrame, at, which, region: str | None = None, chosen: bool = False,
    leading=(),
) -> pd.DataFrame:  # fmt: skip
    """Add ``aside``: why a source is shown but has no vote on a result; '' where it has one.

    Sources of another region have none. Of the others that can tell, those whose part the sample states
    decide before those whose petiole is assumed, read ones before remembered ones, and each old table once,
    however often it was copied. Sources `chosen` by the user decide all, whatever the region. Where a source
    of the user's own (`leading`) can tell, no other has a vote.

    Parameters
    ----------
    scored : DataFrame
    held : DataFrame
        The ranges that hold: nutrient, source_key, match, provenance, region, lineage.
    at, which : array of int
        Result and range (row of `held`, its length for none) of each score.
    region, chosen, leading
        See `score_tissue`.
    """

    rules = load_facts("paired")
    # A rule that asks for a ratio as well tells what is short, not what is enough.
    ruled = held["source_key"].isin(rules["source_key"]) & held["nutrient"].isin(rules["nutrient"])
    of_range = {
        "there": True, "mine": held["source_key"].isin(leading), "ruled": ruled,
        "foreign": ~in_region(held["region"], region) & (not chosen),
        "memory": (held["provenance"] == "from_memory") & (not chosen),
        "guessed": (held["match"] == ASSUMED) & (not chosen),
        "alike": held.duplicated(["condition", "nutrient", "lineage"], keep=False),
        "other": held["match"] != "same part",
    }  # fmt: skip
    flags = {name: np.append(np.broadcast_to(flag, len(held)), False) for name, flag in of_range.items()}
    flags["lineage"] = np.append(pd.factorize(held["lineage"])[0], -1)
    elsewhere = [Reason.ELSEWHERE.text.format(region=name) for name in held["region"]]
    alike = [Reason.COPY.text.format(source=key) for key in held["source_key"]]
    names = ["", Reason.REMEMBERED.text, Reason.ASSUMED.text, Reason.OWN_LEADS.text, *elsewhere, *alike]
    classed = pd.Categorical(scored["class"])
    told = np.append(classed.categories.isin(SHORT + ENOUGH), False)
    aside = np.zeros(len(scored), np.min_scalar_type(-len(names)))
    first = np.searchsorted(at, np.arange(0, at[-1] + 1 if len(at) else 0, PART, at.dtype)).tolist()
    for rows in map(slice, first, [*first[1:], len(at)]):  # so many whole results that they take no memory
        aside[rows] = _asides(flags, at[rows] - at[rows.start], which[rows], told[classed.codes[rows]])
    return scored.assign(aside=named_codes(names, aside))


def _asides(flags, at, which, told):
    """Number of the reason of each score: none, three of their own, then one a range each of two kinds."""
    there, mine, foreign, memory, ruled = (
        flags[name][which] for name in ("there", "mine", "foreign", "memory", "ruled")
    )

    def any_of_result(scores):
        return (np.bincount(at[scores], minlength=at[-1] + 1) > 0)[at]

    able = there & ~foreign & told
    guessed = able & flags["guessed"][which] & ~mine
    guessed &= any_of_result(able & ~guessed)
    later = there & ~foreign & memory & any_of_result(able & ~memory & ~ruled & ~guessed)
    led = there & ~mine & any_of_result(able & mine)
    aside = np.zeros(len(at), np.int32)
    aside[later], aside[guessed & ~later] = 1, 2
    aside[foreign] = 4 + which[foreign]
    aside[led] = 3
    copies, firsts = _copies(flags, at, which, np.flatnonzero(able & ~later & ~led & ~guessed))
    aside[copies] = 3 + len(flags["there"]) + which[firsts]
    return aside


def _copies(flags, at, which, voting):
    """Scores whose table has voted on the same result already, and the first score of each such table."""
    voting = voting[flags["alike"][which[voting]]]
    # of copies the one that names the part as the sample does, then the first
    voting = voting[np.argsort(flags["other"][which[voting]], kind="stable")]
    lineage = flags["lineage"]
    table = pd.Series(at[voting].astype(int) * len(lineage) + lineage[which[voting]])
    again = table.duplicated()
    if not again.any():
        return voting[:0], voting[:0]
    first = pd.Series(voting[~again], index=table[~again])
    return voting[again], first.loc[table[again]].to_numpy()


def agreement_of(scored: pd.DataFrame) -> pd.DataFrame:
    """One row per sample and nutrient over its sources.

    Returns
    -------
    DataFrame
        The sample's columns, then sources (number that class it), untold (number that cannot tell, as the
        value is only known to lie below or above a limit), short, within (number whose critical range holds
        the value, so that they leave it open; not counted in short), deficient, short_by_range,
        short_by_critical_level, lowest_limit and highest_limit of the sources that class it, middle_limit of
        all, worst_distance, probability_below (mean over the sources that give one), chance (of being short:
        mean over all that judge, by their class where no probability can be given), strictest_class and
        mildest_class, verdict, short_sources, within_sources, untold_sources, within_ranges (in words).
    """
    counted = scored["aside"] == ""
    within = scored["within_critical"].astype(bool) & counted
    short = scored["class"].isin(SHORT) & ~within & counted
    order = np.array([name.value for name in Class], dtype=object)
    number = scored["class"].map({name: i for i, name in enumerate(order)}).astype(float)
    # Rows of one sample and nutrient stand together, so a running number is the group.
    new_sample = scored["specimen"] != scored["specimen"].shift()
    first = new_sample | (scored["nutrient"] != scored["nutrient"].shift())
    group = first.cumsum().to_numpy()
    untold = _untold(scored) & counted
    measures = _measures(scored, counted, short, within, untold, number)
    work = pd.DataFrame({name: values for name, (values, _) in measures.items()})
    totals = work.groupby(group).agg({name: how for name, (_, how) in measures.items()})
    out = pd.concat([scored.loc[first, GROUP].reset_index(drop=True), totals.reset_index(drop=True)], axis=1)
    bare = number.where(counted, list(Class).index(Class.NO_RANGE))
    alone = bare[first].reset_index(drop=True)
    for name in ("strictest_class", "mildest_class"):
        out[name] = order[out[name].fillna(alone).to_numpy(int)]
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
        f"{plain(r.critical, digits=4)} to {plain(r.critical_high, digits=4)}"
        for r in records(scored[within])
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
    return scored["censored"].isin(["<", ">"]) & (scored["class"] == Class.NOT_CLASSED) & ends


def _measures(scored, counted, short, within, untold, number) -> dict:
    """What is taken over the sources of a result: name -> (values, how)."""
    judged = short | within | scored["class"].isin(ENOUGH) & counted
    by_range = scored["kind"] == "sufficiency range"
    limit, distance, chance = (scored[n].where(counted) for n in ("limit", "distance", "probability_below"))
    sure = np.where(within | untold, 0.5, short)  # where no probability is known
    share = scored["probability_below"].where(scored["probability_below"].notna(), sure)
    deficient = (scored["class"] == Class.DEFICIENT) & counted
    return {
        "sources": (judged.astype(int), "sum"),
        "untold": (untold.astype(int), "sum"),
        "short": (short.astype(int), "sum"),
        "within": (within.astype(int), "sum"),
        "deficient": (deficient.astype(int), "sum"),
        "short_by_range": ((short & by_range).astype(int), "sum"),
        "short_by_critical_level": ((short & ~by_range).astype(int), "sum"),
        "lowest_limit": (limit.where(judged), "min"),
        "middle_limit": (limit, "median"),
        "highest_limit": (limit.where(judged), "max"),
        "worst_distance": (distance, "min"),
        "probability_below": (chance, "mean"),
        "chance": (share.where(judged | untold), "mean"),
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
    below_all = short["probability_below"].fillna(short["share_short"])
    short = short.assign(below_all=below_all).sort_values(
        ["specimen", "share_short", "below_all", "worst_distance"],
        ascending=[True, False, False, True],
        kind="stable",
    )
    short["rank"] = short.groupby("specimen").cumcount() + 1
    return short.drop(columns="below_all").reset_index(drop=True)


def named_rows(samples: pd.DataFrame, most: int = 3) -> str:
    """Samples by name and row of the file: 'North, row 5; South, row 6; ...'."""
    first = samples.head(most)
    names = [f"{r.label.removesuffix(f', row {r.row:g}')}, row {r.row:g}" for r in records(first)]
    return "; ".join([*names, "..."] if len(samples) > most else names)


KEY = [*CONDITION, "nutrient"]
UNJUDGED_COLUMNS = [
    *("specimen", "sample_id", "label", *KEY, "value", "unit", "censored"),
    *("aside", "differs_in", "near_stage", "near_part", "near_lowest", "near_highest"),
    *("near_sources", "near_short"),
]


def unjudged_of(scored: pd.DataFrame, close: pd.DataFrame) -> pd.DataFrame:
    """One row per result no source decides, with the nearest ranges that would if one thing were else.

    Parameters
    ----------
    scored : DataFrame
        ``TissueScores.table``.
    close : DataFrame
        ``TissueScores.close``.

    Returns
    -------
    DataFrame
        The sample's columns, then aside (a source that holds, and why it has no vote), differs_in ('' where
        no near range is published), near_stage, near_part, near_lowest and near_highest limit,
        near_sources, near_short (sources that would call it short).
    """
    voted = (scored["source_key"] != "") & (scored["aside"] == "")
    voted = voted.groupby([scored["specimen"], scored["nutrient"]], sort=False).transform("any")
    alone = scored[~voted & (scored["value"] > 0) & scored["unit"].ne("ratio")]
    alone = alone.drop_duplicates(["specimen", "nutrient"])
    alone["aside"] = alone["source_key"].where(
        alone["aside"] == "", alone["source_key"] + ", " + alone["aside"]
    )
    if alone.empty:
        return pd.DataFrame(columns=UNJUDGED_COLUMNS)
    alone = alone[UNJUDGED_COLUMNS[: UNJUDGED_COLUMNS.index("differs_in")]]
    both = alone.merge(close.drop(columns="source_key").assign(key=close["source_key"]), on=KEY, how="left")
    both["limit"] = both["limit"].astype(float)
    known = both["limit"].notna() & both["censored"].isin(["", "<"])
    value, limit = both["value"], both["limit"]
    short = np.where(both["censored"] == "<", at_most(value, limit), below(value, limit))
    both["short"] = both["key"].where(known & short)
    text = {name: lambda v: "; ".join(dict.fromkeys(v.dropna())) for name in ("near_stage", "near_part")}
    rows = both.groupby(["specimen", "nutrient"], sort=False).agg(
        differs_in=("differs_in", lambda v: v.iloc[0] if isinstance(v.iloc[0], str) else ""),
        near_stage=("near_stage", text["near_stage"]),
        near_part=("near_part", text["near_part"]),
        near_lowest=("limit", "min"),
        near_highest=("limit", "max"),
        near_sources=("key", text["near_part"]),
        near_short=("short", text["near_part"]),
    )
    return alone.merge(rows.reset_index(), on=["specimen", "nutrient"])[UNJUDGED_COLUMNS]


WHO = ["specimen", "sample_id", "label"]
ABOVE_COLUMNS = [
    *WHO, "nutrient", "class", "value", "unit", "censored", "lowest_limit", "highest_limit", "over",
    "sources", "over_sources", "source_key",
]  # fmt: skip


def above_ranges(scored: pd.DataFrame) -> pd.DataFrame:
    """Results at least half of the sources that judge them call high or excessive, or any calls excessive.

    Parameters
    ----------
    scored : DataFrame
        ``TissueScores.table``.

    Returns
    -------
    DataFrame
        specimen, sample_id, label, nutrient, class (the highest), value, unit, censored, lowest_limit and
        highest_limit, over (sources that call it so) of sources, over_sources, source_key.
    """
    judged = scored[scored["class"].isin(SHORT + ENOUGH)]
    judged = judged[(judged["unit"] != "ratio") & (judged["aside"] == "")]
    by = [judged["specimen"], judged["nutrient"]]
    judged = judged[judged["class"].isin(OVER).groupby(by, observed=True).transform("any")]
    rows = []
    for named, mine in judged.groupby([*WHO, "nutrient"], sort=False):
        over = mine[mine["class"].isin(OVER)]
        excessive = over["class"] == Class.EXCESSIVE
        if excessive.any() or (len(over) and 2 * len(over) >= len(mine)):
            limits = over["toxic_above"].where(excessive, over["high"])
            keys = dict.fromkeys(over["source_key"])
            value = over[["value", "unit", "censored"]].iloc[0]
            asked = limits.min(), limits.max(), len(over), len(mine)
            words = "; ".join(over["source_key"]), ";".join(keys)
            rows.append((*named, OVER[int(excessive.any())].value, *value, *asked, *words))
    return pd.DataFrame(rows, columns=ABOVE_COLUMNS)
