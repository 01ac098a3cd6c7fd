"""Explain tissue scores: what is short and how sure, what could distort it, what can be done.

Each reason for doubt and each option is a sourced fact; rates are left to local recommendations.
"""

from dataclasses import dataclass, replace

import pandas as pd

from fertkit.asked import a_label, asks, holding, maybe_a_list
from fertkit.errors import unknown
from fertkit.intake.stages import find_span, stage_span
from fertkit.reference.crops import unknown_crops
from fertkit.reference.facts import load_facts, threshold
from fertkit.reference.load import list_sources
from fertkit.results import Result
from fertkit.rounding import at_least
from fertkit.tissue.agree import WHO, above_ranges, balanced_with, wide_ratios
from fertkit.tissue.classes import OVER, SHORT, Class
from fertkit.tissue.match import CONDITION
from fertkit.tissue.own_names import crop_or_own
from fertkit.tissue.score import TissueScores

#: Columns of a shortfall that its finding carries.
SHORTFALL = [
    *WHO, "rank", "nutrient", "value", "unit", "censored", "verdict", "lowest_limit", "highest_limit",
    "sources", "short", "short_sources", "within", "within_ranges", "untold", "untold_sources",
    "probability_below",
]  # fmt: skip
ITEM_COLUMNS = [
    *SHORTFALL, "confidence", "ratio", "doubts", "also_look", "this_season", "next_year", "caution",
    "source_key", "provenance",
]  # fmt: skip
DOUBT_COLUMNS = [*WHO, "key", "nutrient", "weakens", "what", "look_for", "source_key", "provenance"]
STORY_COLUMNS = [*WHO, "key", "step", "text", "source_key", "provenance"]
STEPS = ("likely", "possible", "doubtful")
LOOK_FIRST = "look first"  # clear by itself; only what does not explain the value away speaks against it


@dataclass(frozen=True)
class Explanation(Result):
    """Shortfalls in plain language, worst first.

    Attributes
    ----------
    items : DataFrame
        Also ``table``: the shortfall (as ``TissueScores.shortfalls``), then confidence (likely, possible,
        look first, doubtful), ratio (a `WideRatio` that calls the nutrient low, or None), doubts, also_look,
        this_season, next_year, caution, source_key, provenance.
    above : DataFrame
        Results above a range, with what could make them so (`fertkit.tissue.agree.above_ranges`).
    doubts : DataFrame
        specimen, sample_id, label, key, nutrient, weakens, what, look_for, source_key, provenance.
    stories : DataFrame
        Worked stories that fit: specimen, sample_id, label, key, step, text, source_key, provenance.
    unscored : DataFrame
        Samples for which no range holds: specimen, sample_id, label, crop, growth_stage, plant_part,
        reason, row of the file.
    scored : bool
        Whether any result of the chosen samples could be judged.
    scores : TissueScores
        Of the chosen samples.
    """

    items: pd.DataFrame
    above: pd.DataFrame
    doubts: pd.DataFrame
    stories: pd.DataFrame
    unscored: pd.DataFrame
    scored: bool
    scores: TissueScores

    @property
    def table(self) -> pd.DataFrame:
        return self.items

    @property
    def checks(self) -> pd.DataFrame:
        return self.scores.checks

    @property
    def sources(self) -> pd.DataFrame:
        tables = (self.items, self.above, self.doubts, self.stories)
        keys = [key for table in tables for key in table["source_key"]]
        return list_sources(keys)


@asks(
    scores=holding("scored", "shortfalls", like="what score_tissue gives"), sample=a_label,
    told=maybe_a_list,
)  # fmt: skip
def explain(
    scores: TissueScores,
    *,
    sample=None,
    symptoms: str | None = None,
    soil_tests: dict | None = None,
    told=(),
    season_over: bool = False,
) -> Explanation:
    """Explain the shortfalls of one sample, or of all.

    Parameters
    ----------
    scores : TissueScores
    sample : str or int, optional
        sample_id or specimen; all samples if None.
    symptoms : str, optional
        Where symptoms sit: 'old leaves', 'new leaves' or 'none'.
    soil_tests : dict of nutrient -> str, optional
        What the soil test says: 'low' or 'enough'.
    told : iterable of str, optional
        What was seen in the field: drought, wet soil, cold soil, stunted growth, foliar residue.
    season_over : bool
        Leave out what can be done this season.

    Returns
    -------
    Explanation
        With no item if nothing is short: no action is an answer.

    Raises
    ------
    LookupFailed
        If the sample, or a word for symptoms, soil tests or the field, is not known.

    Examples
    --------
    >>> from fertkit.tissue import explain
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> from fertkit.tissue import score_tissue
    >>> sheet = "Sample,Crop,Stage,Part,K %\\nPoor,soybean,R2,trifoliate,1.31\\n"
    >>> scores = score_tissue(read_tissue(StringIO(sheet)), source="STAMMER2018")
    >>> print(explain(scores).summary().splitlines()[2])  # doctest: +ELLIPSIS
    1. Likely short, K 1.31 % against a lower limit of 1.56 %...
    """
    soil_tests = soil_tests or {}
    _check_words(symptoms, soil_tests, told)
    scores = _chosen(scores, sample)
    scored, short = scores.scored, scores.shortfalls
    items, doubts, stories = [], [], []
    flagged = scored[scored["specimen"].isin(short["specimen"].unique())]
    for named, rows in flagged.groupby(WHO, sort=False):
        mine = short[short["specimen"] == named[0]]
        held = doubts_of(rows, mine, told)
        held = pd.concat([held, _from_evidence(mine, symptoms, soil_tests)], ignore_index=True)
        who = dict(zip(WHO, named, strict=True))
        doubts.append(held.assign(**who)[DOUBT_COLUMNS])
        wide = wide_ratios(rows)
        items += [_item(r, held, soil_tests, season_over, wide.get(r.nutrient)) for r in mine.itertuples()]
        stories.append(
            _stories(rows.iloc[0], mine[mine["short"] > 0], season_over).assign(**who)[STORY_COLUMNS]
        )
    alone = scored[scored["source_key"] == ""].drop_duplicates("specimen")
    alone = alone[~alone["specimen"].isin(scored.loc[scored["source_key"] != "", "specimen"])]
    return Explanation(
        _ranked(pd.DataFrame(items, columns=ITEM_COLUMNS)),
        above_ranges(scored),
        _stacked(doubts, DOUBT_COLUMNS),
        _stacked(stories, STORY_COLUMNS),
        alone[[*WHO, *CONDITION, "reason", "row"]].reset_index(drop=True),
        bool((scores.agreement["sources"] > 0).any()),
        scores,
    )


def _chosen(scores, sample):
    """The scores of one sample, or all of them."""
    if sample is None:
        return scores
    scored = scores.scored
    column = "sample_id" if isinstance(sample, str) else "specimen"
    if not (scored[column] == sample).any():
        raise unknown("sample", sample, scored["sample_id"].unique()[:50])
    return replace(scores, scored=scored[scored[column] == sample].reset_index(drop=True))


def _ranked(items):
    """Likely before the rest, doubtful last; else in the order of the shortfalls."""
    place = items["confidence"].map({STEPS[0]: 0, STEPS[1]: 1, LOOK_FIRST: 1, STEPS[2]: 2})
    items = items.assign(place=place).sort_values(["specimen", "place", "rank"], kind="stable")
    items["rank"] = items.groupby("specimen").cumcount() + 1
    return items.drop(columns="place").reset_index(drop=True)


def _stacked(frames, columns):
    frames = [frame for frame in frames if len(frame)]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)


def _check_words(symptoms, soil_tests, told):
    if symptoms not in (None, "none", "old leaves", "new leaves"):
        raise unknown("place of symptoms", symptoms, ["old leaves", "new leaves", "none"])
    for word in soil_tests.values():
        if word not in ("low", "enough"):
            raise unknown("soil-test verdict", word, ["low", "enough"])
    for word in told:
        if word not in TOLD:
            raise unknown("field observation", word, TOLD)


def _from_evidence(short, symptoms, soil_tests):
    """Doubts that come from where the symptoms sit and from the soil test."""
    table, found = load_facts("mobility"), []
    for r in short.itertuples():
        nutrient, symptom = r.nutrient, _of_crop(table, r.nutrient, crop_or_own(r.crop), r.growth_stage)
        place = "variable" if symptom is None else symptom["shows_first"]
        if symptoms in ("old leaves", "new leaves") and place != "variable" and place != symptoms:
            found.append(("symptoms disagree", nutrient))
        if soil_tests.get(nutrient) == "enough":
            found.append(("soil test enough", nutrient))
    return with_facts(found)


def confidence_word(probability, share, doubts: int, in_part: int = 0) -> str:
    """likely, possible, look first or doubtful: by chance and share of sources, one step down for each doubt.

    Doubts `in_part` (remembered ranges, many nutrients short together) lower the certainty but explain no
    value away: what they alone would make doubtful is 'look first' where the value is clear by itself.
    """
    table = load_facts("confidence", ("probability_at_least", "share_of_sources_at_least"))
    chance = share if pd.isna(probability) else probability
    likely = at_least(chance, table["probability_at_least"])
    fits = pd.Series(likely & at_least(share, table["share_of_sources_at_least"]), index=table["word"])
    step = next(i for i, word in enumerate(STEPS) if fits[word]) + doubts
    kept = step < len(STEPS) - 1 and fits[LOOK_FIRST]
    word = STEPS[min(step + in_part, len(STEPS) - 1)]
    return LOOK_FIRST if kept and word == STEPS[-1] else word


def _item(r, doubts, soil_tests, season_over, wide):
    mine = doubts[doubts["nutrient"].isin(["", r.nutrient])]
    weak, in_part = (int((mine["weakens"] == mark).sum()) for mark in ("yes", "in part"))
    if soil_tests.get(r.nutrient) == "low" or wide:  # the soil test, or a ratio, speaks for the shortage
        weak, in_part = max(weak - 1, 0), in_part - (weak == 0 and in_part > 0)
    confidence = confidence_word(r.probability_below, r.share_short, weak, in_part)
    crop = crop_or_own(r.crop)
    now = None if season_over else _option(r, crop, "this season")
    later = _option(r, crop, "next year")
    options = [option for option in (now, later) if option is not None]
    keys = [
        *r.short_sources.split("; "),
        *r.within_sources.split("; "),
        *(k for o in options for k in o["source_key"].split(";")),
    ]
    memory = any(o["provenance"] != "found" for o in options)
    return {name: getattr(r, name) for name in SHORTFALL} | {
        "confidence": confidence, "ratio": wide, "doubts": "; ".join(mine["key"]),
        "also_look": _also_look(r, crop), "this_season": "" if now is None else now["option"],
        "next_year": "" if later is None else later["option"],
        "caution": "; ".join(o["caution"] for o in options if o["caution"]),
        "source_key": ";".join(dict.fromkeys(filter(None, keys))),
        "provenance": "partly from_memory" if memory else "found",
    }  # fmt: skip


def _of_crop(table, nutrient, crop, stage):
    """The row of a table of facts that fits best: the crop's own, the nutrient's own, that of the stage."""
    rows = table[table["nutrient"].isin([nutrient, ""]) & table["crop"].isin([crop, ""])]
    fits = [_at_stage(crop, stage, r.stage_from, r.stage_to) for r in rows.itertuples()]
    rows = rows[pd.Series(fits, index=rows.index, dtype=bool)]
    if rows.empty:
        return None
    return rows.sort_values(["crop", "nutrient", "stage_from"], ascending=False, kind="stable").iloc[0]


def _at_stage(crop, stage, first, last):
    """Whether a sample's stage begins within a window; one without ends holds always."""
    if not first:
        return True
    place = find_span(crop, stage)  # a stage of the user's own is in no window of the kit
    return place is not None and stage_span(crop, first).first <= place.first <= stage_span(crop, last).last


def _option(r, crop, when):
    table = load_facts("options")
    crop = "own crop" if unknown_crops([crop]) else crop
    table = table[table["when"] == when]
    if "-" in r.nutrient:  # a form, such as NO3-N, takes what its crop is told of the element
        table = table[table["crop"] == crop]
    return _of_crop(table, r.nutrient.rpartition("-")[2], crop, r.growth_stage)


def _also_look(r, crop):
    symptom = _of_crop(load_facts("mobility"), r.nutrient, crop, r.growth_stage)
    if symptom is None:
        return "soil test and roots in this and in a better area"
    first = symptom["shows_first"]
    place = "symptoms" if first == "variable" else f"symptoms on {first} first"
    return f"{place}: {symptom['symptom']}; soil test and roots in this and in a better area"


def _stories(condition, short, season_over):
    """Worked stories whose crop, stage and short nutrient fit the sample."""
    table = load_facts("stories")
    table = table[
        (table["crop"] == crop_or_own(condition["crop"])) & table["nutrient"].isin(short["nutrient"])
    ]
    table = table[table["step"] != "this season"] if season_over else table
    if table.empty:
        return table
    span = find_span(condition["crop"], condition["growth_stage"])
    fits = [
        span is not None
        and span.within(stage_span(r.crop, r.stage_from).first, stage_span(r.crop, r.stage_to).last)
        for r in table.itertuples()
    ]
    return table[pd.Series(fits, index=table.index, dtype=bool)]


STARVED, MANY_TOGETHER, REMEMBERED = "nitrogen first", "many short together", "values from memory"
RESIDUE = ("Zn", "Mn", "Cu", "B", "Fe", "S")
SOIL = ("Fe", "Mn", "Al")
TOLD = ("drought", "wet soil", "cold soil", "stunted growth", "foliar residue")


def doubts_of(rows: pd.DataFrame, short: pd.DataFrame, told=()) -> pd.DataFrame:
    """Reasons to doubt the results of one sample.

    Parameters
    ----------
    rows : DataFrame
        Its rows of ``TissueScores.table``.
    short : DataFrame
        Its rows of ``TissueScores.shortfalls``.
    told : iterable of str
        What the user saw: drought, wet soil, cold soil, stunted growth, foliar residue.

    Returns
    -------
    DataFrame
        key, nutrient ('' for all), weakens ('yes' if it can explain the value away, 'in part' if it only
        lowers the certainty, 'no'), what, look_for, source_key, provenance.
    """
    every, rows = rows, rows[rows["aside"] == ""]
    found = [(key, "") for key in told]
    found += [("soil on the leaf", n) for n in SOIL if soil_on_leaf(rows)]
    found += [("foliar residue", n) for n in _residue(rows)]
    certain = set(short.loc[short["share_short"] >= 0.5, "nutrient"])
    found += [(STARVED, n) for n in balanced_with(rows, certain)]
    judged = rows[rows["source_key"] != ""]["nutrient"].nunique()
    clear = short[short["share_short"] >= 0.5]
    if len(clear) >= max(threshold("nutrients short together"), threshold("share short together") * judged):
        found += [(MANY_TOGETHER, ""), ("growth dilution", "")]
    found += [(key, n) for key, n in _antagonisms(every)]
    found += [
        ("petiole not stated", n) for n in _all_marked(rows, "match", "source does not state the petiole")
    ]
    found += [(REMEMBERED, n) for n in _all_marked(rows, "provenance", "from_memory")]
    return with_facts(found)


def with_facts(found) -> pd.DataFrame:
    """(key, nutrient) pairs with what is known of each key."""
    facts = load_facts("distortions").set_index("key").drop(columns="nutrients")
    pairs = list(dict.fromkeys(found))
    return pd.DataFrame(pairs, columns=["key", "nutrient"], dtype=object).join(facts, on="key")


def soil_on_leaf(rows: pd.DataFrame) -> bool:
    """Whether iron and aluminium are high together, by the sanity limits or by the ranges that hold."""
    limits = load_facts("sanity", ("low", "high")).set_index("check")["high"]
    high = {}
    for nutrient in ("Fe", "Al"):
        mine = rows[(rows["nutrient"] == nutrient) & (rows["censored"] == "")]
        above = mine["value"] > limits[f"{nutrient} with soil"]
        high[nutrient] = bool((above | mine["class"].isin(OVER)).any())
    return high["Fe"] and high["Al"]


def _residue(rows):
    """Elements above their toxic limit while the other sprayed elements are not."""
    over = rows[(rows["class"] == Class.EXCESSIVE) & rows["nutrient"].isin(RESIDUE)]["nutrient"].unique()
    return list(over) if len(over) == 1 else []


def _antagonisms(rows):
    classes = {n: set(g) for n, g in rows.groupby("nutrient")["class"]}
    short = {n for n, c in classes.items() if c & set(SHORT)}
    high = {n for n, c in classes.items() if c & set(OVER)}
    if "Mg" in short and "K" in high and Class.SUFFICIENT in classes.get("Ca", ()):
        yield "potassium over magnesium", "Mg"
    if "Zn" in short and "P" in high:
        yield "phosphorus over zinc", "Zn"


def _all_marked(rows, column, mark):
    """Nutrients every short verdict of which carries the mark."""
    short = rows[rows["class"].isin(SHORT)]
    marked = (short[column] == mark).groupby(short["nutrient"]).all()
    return list(marked.index[marked])
