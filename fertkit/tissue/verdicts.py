"""One verdict a result: the plant's value and its error decide the class; how a table was got is a remark."""

from functools import cache

import numpy as np
import pandas as pd

from fertkit.intake.parts import find_part, without_petiole
from fertkit.intake.spellings import plain as plain_words
from fertkit.reference.crops import is_known
from fertkit.reference.facts import load_facts
from fertkit.results import cells, records
from fertkit.rounding import at_least
from fertkit.tissue.agree import WHO
from fertkit.tissue.classes import ENOUGH, OVER, SHORT, Class
from fertkit.tissue.match import ASSUMED, CONDITION
from fertkit.tissue.wide import wide_ratios

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
    ratios = scored[scored["unit"] == "ratio"].groupby("specimen", sort=False)
    wide = {n: set(wide_ratios(rows)) for n, rows in ratios}
    over = _over(scores.above).reindex(key)
    lacking = (table["short"] > 0) | (table["within"] > 0)
    words = [
        short_word(chance, nutrient in wide.get(n, ())) if some else ENOUGH_NOW
        for (n, nutrient, chance), some in zip(
            cells(table, "specimen", "nutrient", "chance"), lacking.tolist(), strict=True
        )
    ]
    unusable = table["specimen"].isin(soiled(scores.scored)) & table["nutrient"].isin(SOIL)
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


def _over(above):
    """Highest class above a range by sample and nutrient, as `above_ranges` settles it."""
    above = above.set_index(["specimen", "nutrient"])
    names = {str(Class.HIGH): HIGH, str(Class.EXCESSIVE): TOXIC}
    return above.assign(**{"class": above["class"].map(names)})


_OF_TABLE = ("provenance", "match", "source_key")


def _of_tables(table, scored):
    """Remark on the tables that decide a result, their keys and provenance."""
    groups = {}
    for n, nutrient, *told in cells(scored, "specimen", "nutrient", "class", *_OF_TABLE):
        if told[0] in SHORT + ENOUGH:
            groups.setdefault((n, nutrient), []).append(told)
    sides = {HIGH: OVER, TOXIC: OVER, SHORT_NOW: SHORT, POSSIBLY: SHORT, MARGINAL: SHORT}
    remarks, keys, provenance = [], [], []
    for n, nutrient, status in cells(table, "specimen", "nutrient", "status"):
        side = sides.get(status, SHORT + ENOUGH)
        mine = [told for one, *told in groups.get((n, nutrient), ()) if one in side]
        kinds, matches = (dict.fromkeys(told[i] for told in mine) for i in range(2))
        said = [MEMORY] if list(kinds) == ["from_memory"] else []
        said += [PETIOLE] if list(matches) == [ASSUMED] else []
        remarks.append("; ".join(said))
        keys.append(";".join(told[2] for told in mine))
        provenance.append(next(iter(kinds)) if len(kinds) == 1 else "mixed" if kinds else "")
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
    results = cells(table, "specimen", "nutrient", "flag", "status")
    for (n, nutrient, flag, status), remark in zip(results, remarks, strict=True):
        side, means = _ratings().get(plain_words(flag).strip(" .*()[]:"), ("", ""))
        ours = sides.get(status, "")
        ratings.append(means)
        near = {side, ours} == {"marginal", "enough"} or {side, ours} == {"marginal", "short"}
        same = not side or not ours or side == ours or near
        reason = remark or (STAGE if (n, nutrient) in wide else "")
        why.append("" if same else "; ".join(filter(None, ["the laboratory uses another table", reason])))
    return {"rating": ratings, "rating_remark": why}


def soil_on_leaf(rows: pd.DataFrame) -> bool:
    """Whether iron and aluminium are high together, by the sanity limits or by the ranges that hold."""
    high = dict.fromkeys(SOIL, False)
    for nutrient, value, censored, one in cells(rows, "nutrient", "value", "censored", "class"):
        if nutrient in SOIL and not censored:
            high[nutrient] |= one in OVER or value > _soil_limits()[nutrient]
    return all(high.values())


@cache
def _soil_limits() -> dict[str, float]:
    limits = load_facts("sanity", ("low", "high")).set_index("check")["high"]
    return {nutrient: float(limits[f"{nutrient} with soil"]) for nutrient in SOIL}


def soiled(scored: pd.DataFrame) -> list:
    """Specimens with soil on the leaf."""
    metals = scored[scored["nutrient"].isin(SOIL)].groupby("specimen")
    return [n for n, rows in metals if soil_on_leaf(rows)]


def petiole_questions(scored: pd.DataFrame) -> pd.DataFrame:
    """Return results that only tables with, or only those without, petiole call short."""
    table = scored[(scored["match"] == ASSUMED) & (scored["aside"] == "")]
    kinds = {part: _petiole(*part) for part in set(cells(table, "crop", "range_part"))}
    chances = {}
    for *who, crop, part, chance in cells(table, *WHO, "nutrient", "crop", "range_part", "probability_below"):
        of = chances.setdefault(tuple(who), {}).setdefault(kinds[crop, part], [])
        of.append(chance if chance == chance else 0.0)
    short = {
        who: [kind for kind, some in by.items() if short_word(np.mean(some)) in ACT]
        for who, by in chances.items()
    }
    found = [
        (*who, "petiole", " or ".join(sorted(named)))
        for who, named in short.items()
        if named and set(named) != {"with", "without"}
    ]
    return pd.DataFrame(found, columns=QUESTION_COLUMNS)


def _petiole(crop, part):
    """What the part of a range says of the petiole: 'with' or 'without'."""
    found = find_part(crop, part) if is_known(crop) else None
    return found.petiole if found else without_petiole(plain_words(part))[1]
