"""One verdict a result: the plant's value and its error decide the class; how a table was got is a remark."""

from functools import cache

import numpy as np
import pandas as pd

from fertkit.intake.parts import find_part, without_petiole
from fertkit.intake.spellings import plain as plain_words
from fertkit.reference.crops import is_known
from fertkit.reference.facts import load_facts
from fertkit.results import records
from fertkit.rounding import at_least
from fertkit.tissue.agree import WHO, above_ranges, wide_ratios
from fertkit.tissue.classes import ENOUGH, OVER, SHORT, Class
from fertkit.tissue.match import ASSUMED, CONDITION

#: Statuses of a result, what needs action first.
SHORT_NOW, POSSIBLY, MARGINAL = "short", "possibly short", "marginal"
TOXIC, HIGH, UNUSABLE, ENOUGH_NOW, NOT_JUDGED = "toxic", "high", "unusable", "enough", "not judged"
LACKING = (SHORT_NOW, POSSIBLY, MARGINAL)
ACT = (SHORT_NOW, POSSIBLY)
VERDICT_COLUMNS = [
    *WHO, "field", "area", *CONDITION, "sampled", "nutrient", "value", "unit", "censored", "status", "urgent",
    "chance", "error_pct", "lowest_limit", "highest_limit", "sources", "short", "remark", "rating",
    "rating_remark", "source_key", "provenance",
]  # fmt: skip
QUESTION_COLUMNS = [*WHO, "nutrient", "about", "settles"]
MEMORY, PETIOLE, STAGE = (
    "the range is from memory: check it in print",
    "petioles are assumed as the table asks",
    "the table covers a wider span of stages",
)
SOIL = ("Fe", "Al")  # what soil on the leaf makes unusable


def short_word(chance: float, lifted: bool = False) -> str:
    """short, possibly short or marginal, by the chance of being short; a wide ratio lifts it one step."""
    table = load_facts("confidence", ("chance_at_least",))
    step = int(np.argmax(at_least(chance, table["chance_at_least"])))
    return table["word"][max(step - lifted, 0)]


def verdicts_of(scores) -> pd.DataFrame:
    """Return one row per sample and nutrient: status, chance, limits, remark, laboratory's rating.

    Parameters
    ----------
    scores : TissueScores

    Returns
    -------
    DataFrame
        `VERDICT_COLUMNS`, in the order of the results; ``urgent`` is left False.
    """
    table = scores.agreement[scores.agreement["unit"] != "ratio"].reset_index(drop=True)
    scored = scores.scored[scores.scored["aside"] == ""]
    first = scores.scored.drop_duplicates(["specimen", "nutrient"]).set_index(["specimen", "nutrient"])
    key = pd.MultiIndex.from_frame(table[["specimen", "nutrient"]])
    columns = ["field", "area", "sampled", "error_pct", "flag"]
    table = table.join(first.loc[key, columns].reset_index(drop=True))
    wide = {n: set(wide_ratios(rows)) for n, rows in scored.groupby("specimen", sort=False)}
    over = _over(scored).reindex(key)
    lacking = (table["short"] > 0) | (table["within"] > 0)
    words = [
        short_word(r.chance, r.nutrient in wide.get(r.specimen, ())) if some else ENOUGH_NOW
        for r, some in zip(records(table), lacking, strict=True)
    ]
    soiled = {n for n, rows in scores.scored.groupby("specimen") if soil_on_leaf(rows)}
    unusable = table["specimen"].isin(soiled) & table["nutrient"].isin(SOIL)
    above = over["class"].to_numpy(object)
    cases = [unusable, above == TOXIC, lacking, table["sources"] == 0, above == HIGH]
    status = np.select(cases, [UNUSABLE, TOXIC, words, NOT_JUDGED, HIGH], ENOUGH_NOW)
    table = table.assign(status=status.astype(object), urgent=False)
    upper = np.isin(status.astype(str), (HIGH, TOXIC, UNUSABLE))
    for end in ("lowest_limit", "highest_limit"):
        table[end] = table[end].mask(upper, over[end].to_numpy(float))
    of_tables = _of_tables(table, scored)
    beside = _of_laboratory(table, scored, of_tables["remark"])
    return table.assign(**of_tables, **beside)[VERDICT_COLUMNS]


def _over(scored):
    """Highest class above a range by sample and nutrient, as `above_ranges` settles it."""
    above = above_ranges(scored).set_index(["specimen", "nutrient"])
    names = {str(Class.HIGH): HIGH, str(Class.EXCESSIVE): TOXIC}
    return above.assign(**{"class": above["class"].map(names)})


def _of_tables(table, scored):
    """Remark on the tables that decide a result, their keys and provenance."""
    judged = scored[scored["class"].isin(SHORT + ENOUGH)]
    groups = {key: rows for key, rows in judged.groupby(["specimen", "nutrient"], sort=False)}
    remarks, keys, provenance = [], [], []
    for r in records(table):
        rows = groups.get((r.specimen, r.nutrient))
        rows = judged.iloc[:0] if rows is None else rows
        sides = {HIGH: OVER, TOXIC: OVER, SHORT_NOW: SHORT, POSSIBLY: SHORT, MARGINAL: SHORT}
        mine = rows[rows["class"].isin(sides.get(r.status, SHORT + ENOUGH))]
        said = [MEMORY] if len(mine) and (mine["provenance"] == "from_memory").all() else []
        said += [PETIOLE] if len(mine) and (mine["match"] == ASSUMED).all() else []
        remarks.append("; ".join(said))
        keys.append(";".join(mine["source_key"]))
        kinds = list(dict.fromkeys(mine["provenance"]))
        provenance.append(kinds[0] if len(kinds) == 1 else "mixed" if kinds else "")
    return {"remark": remarks, "source_key": keys, "provenance": provenance}


@cache
def _ratings() -> dict[str, tuple[str, str]]:
    table = records(load_facts("ratings"))
    return {word: (row.side, row.means) for row in table for word in row.words.split("|")}


def _of_laboratory(table, scored, remarks):
    """The laboratory's own rating in words, and why ours differs."""
    spans = scored[scored["range_stage"].str.contains(" to ")]
    wide = set(zip(spans["specimen"], spans["nutrient"], strict=True))
    sides = {HIGH: "high", TOXIC: "high", SHORT_NOW: "short", POSSIBLY: "short", MARGINAL: "marginal",
             ENOUGH_NOW: "enough"}  # fmt: skip
    ratings, why = [], []
    for r, remark in zip(records(table), remarks, strict=True):
        side, means = _ratings().get(plain_words(r.flag).strip(" .*()[]:"), ("", ""))
        ours = sides.get(r.status, "")
        ratings.append(means)
        near = {side, ours} == {"marginal", "enough"} or {side, ours} == {"marginal", "short"}
        same = not side or not ours or side == ours or near
        reason = remark or (STAGE if (r.specimen, r.nutrient) in wide else "")
        why.append("" if same else "; ".join(filter(None, ["the laboratory uses another table", reason])))
    return {"rating": ratings, "rating_remark": why}


def soil_on_leaf(rows: pd.DataFrame) -> bool:
    """Whether iron and aluminium are high together, by the sanity limits or by the ranges that hold."""
    if not set(SOIL) <= set(rows["nutrient"]):
        return False
    limits = load_facts("sanity", ("low", "high")).set_index("check")["high"]
    high = {}
    for nutrient in SOIL:
        mine = rows[(rows["nutrient"] == nutrient) & (rows["censored"] == "")]
        above = mine["value"] > limits[f"{nutrient} with soil"]
        high[nutrient] = bool((above | mine["class"].isin(OVER)).any())
    return all(high.values())


def petiole_questions(scores) -> pd.DataFrame:
    """Return results that only tables with, or only those without, petiole call short."""
    table = scores.scored[(scores.scored["match"] == ASSUMED) & (scores.scored["aside"] == "")]
    parts = list(zip(table["crop"], table["range_part"], strict=True))
    kinds = {part: _petiole(*part) for part in set(parts)}
    result = [*WHO, "nutrient"]
    table = table[result].assign(
        kind=[kinds[part] for part in parts], chance=table["probability_below"].fillna(0.0)
    )
    short = {who: set() for who in table[result].drop_duplicates().itertuples(index=False, name=None)}
    chances = table.groupby([*result, "kind"], sort=False)["chance"].mean()
    for (*who, kind), chance in chances.items():
        if short_word(chance) in ACT:
            short[tuple(who)].add(kind)
    found = [
        (*who, "petiole", " or ".join(sorted(named)))
        for who, named in short.items()
        if named and named != {"with", "without"}
    ]
    return pd.DataFrame(found, columns=QUESTION_COLUMNS)


def _petiole(crop, part):
    """What the part of a range says of the petiole: 'with' or 'without'."""
    found = find_part(crop, part) if is_known(crop) else None
    return found.petiole if found else without_petiole(plain_words(part))[1]
