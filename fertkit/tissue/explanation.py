"""Explain a leaf test: verdict of each result, good against poor, ranked causes, what to do and what not.

The plant's value and its error give the verdict; what could be behind it is a ranked cause with what speaks
for and against it and the one check that would settle it. Rates are left to local recommendations.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

import pandas as pd

from fertkit.asked import a_dict, a_label, asks, either, holding
from fertkit.errors import InputError, Problem, unknown
from fertkit.intake.facts import FACT_COLUMNS, facts_of_file, read_facts
from fertkit.intake.stages import find_span, stage_span
from fertkit.reference.facts import load_facts
from fertkit.reference.load import list_sources
from fertkit.results import Result, cells, records
from fertkit.tissue.agree import WHO
from fertkit.tissue.causes import CAUSE_COLUMNS, HIGH, MANY, SHORT, STUNTED, rank_causes
from fertkit.tissue.known import about_nutrient, known_of, option_for, symptom_of
from fertkit.tissue.match import CONDITION
from fertkit.tissue.own_names import crop_or_own
from fertkit.tissue.pairs import PairComparison, paired
from fertkit.tissue.score import TissueScores
from fertkit.tissue.verdicts import ACT, LACKING, QUESTION_COLUMNS, TOXIC, UNUSABLE, verdicts_of
from fertkit.tissue.verdicts import HIGH as ABOVE
from fertkit.tissue.wide import wide_ratios

#: Columns of a shortfall that its finding carries.
SHORTFALL = [
    *WHO, "rank", "nutrient", "value", "unit", "censored", "verdict", "lowest_limit", "highest_limit",
    "sources", "short", "short_sources", "within", "within_ranges", "within_sources", "untold",
    "untold_sources", "probability_below", "chance",
]  # fmt: skip
ITEM_COLUMNS = [
    *SHORTFALL, "confidence", "urgent", "ratio", "cause", "folded", "remark", "also_look", "this_season",
    "next_year", "caution", "source_key", "provenance",
]  # fmt: skip
ACTION_COLUMNS = [*WHO, "nutrient", "when", "kind", "text", "folded", "source_key", "provenance"]
STORY_COLUMNS = [*WHO, "key", "step", "text", "source_key", "provenance"]
CAUTION_COLUMNS = ["text", "source_key", "provenance"]
NOW, NEVER, NEXT_YEAR = "now", "do not", "next year"
CHECK, REMEDY = "check", "remedy"
_OPTIONS = (
    (NOW, "option", "this season"), (NEVER, "do_not", "this season"), (NEXT_YEAR, "option", "next year")
)  # fmt: skip
#: Keys of causes and of what they are about that sentences ask for.
STARVED, STUNTED_GROWTH = "starved of nitrogen", "growth stopped by something else"


@dataclass(frozen=True)
class Explanation(Result):
    """A leaf test explained: verdicts, causes and what to do, the worst first.

    Attributes
    ----------
    verdicts : DataFrame
        One row per sample and nutrient (`fertkit.tissue.verdicts.VERDICT_COLUMNS`).
    items : DataFrame
        Also ``table``: the shortfalls, worst first, then confidence (short, possibly short, marginal),
        urgent, ratio (a `WideRatio` that calls the nutrient low, or None), cause (key of the likeliest),
        folded (the recipe stands behind another cause), remark (on the table), also_look, this_season,
        next_year, caution, source_key, provenance.
    causes : DataFrame
        specimen, sample_id, label, about (a nutrient, or 'many'), then the fields of
        `fertkit.tissue.causes.Cause`.
    actions : DataFrame
        specimen, sample_id, label, nutrient, when (now, do not, next year), kind (check, remedy), text,
        folded, source_key, provenance.
    pairs : PairComparison or None
        Good against poor areas, where the file holds both.
    questions : DataFrame
        specimen, sample_id, label, nutrient, about (petiole, stage, part), settles (for what it is short).
    cautions : DataFrame
        text, source_key, provenance, those of the worst finding first.
    facts : DataFrame
        specimen, name, value, origin (file, given).
    unread_facts : list of Problem
        What of the facts in the file was not read.
    above : DataFrame
        Results above a range (`fertkit.tissue.agree.above_ranges`).
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

    verdicts: pd.DataFrame
    items: pd.DataFrame
    causes: pd.DataFrame
    actions: pd.DataFrame
    pairs: PairComparison | None
    questions: pd.DataFrame
    cautions: pd.DataFrame
    facts: pd.DataFrame
    unread_facts: list[Problem]
    above: pd.DataFrame
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
        tables = (self.items, self.above, self.causes, self.actions, self.stories)
        return list_sources([key for table in tables for key in table["source_key"]])


def _facts(value):
    """Values by name, as a dict or a row."""
    return dict(value.dropna() if isinstance(value, pd.Series) else value)


#: Facts of a field: values by name, or a row of them.
FACTS = either(holding("items", "iloc", like="facts by name"), a_dict)


@asks(scores=holding("scored", "shortfalls", of="score_tissue"), sample=a_label, facts=FACTS)
def explain(
    scores: TissueScores, *, sample=None, facts: Mapping | pd.Series | None = None, season_over: bool = False
) -> Explanation:
    """Explain one sample, or all: what is short, why, what helps now and what not.

    Parameters
    ----------
    scores : TissueScores
    sample : str or int, optional
        sample_id or specimen; all samples if None.
    facts : dict or Series of name -> value, optional
        What is known of the field (`fertkit.intake.facts.fact_table`): soil pH, texture, soil test, weather,
        roots, symptoms ... It holds for all samples and goes before what columns of the file say.
    season_over : bool
        Leave out what can be done this season.

    Returns
    -------
    Explanation
        With no item if nothing is short: no action is an answer.

    Raises
    ------
    LookupFailed
        If the sample is not known.
    InputError
        If a fact, or what is said of it, is not known.

    Examples
    --------
    >>> from fertkit.tissue import explain
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> from fertkit.tissue import score_tissue
    >>> sheet = "Sample,Crop,Stage,Part,K %\\nPoor,soybean,R2,trifoliate,1.31\\n"
    >>> scores = score_tissue(read_tissue(StringIO(sheet)), source="STAMMER2018")
    >>> first = explain(scores, facts={"soil_K": "low", "roots": "healthy"}).causes.iloc[0]
    >>> first["cause"], first["speaks_for"]
    ('The soil supplies too little K', ('the soil test is low',))
    """
    given = {} if facts is None else read_facts(_facts(facts))
    every, scores = scores, _chosen(scores, sample)
    known, unread = _facts_by_sample(scores, given)
    verdicts, pairs = verdicts_of(scores), _pairs(every)
    rows, own = _by_specimen(scores.scored[_OF_SAMPLE]), _by_specimen(known)
    shortfalls = _by_specimen(scores.shortfalls)
    parts = [
        _sample(mine, rows[n], shortfalls.get(n), own.get(n), pairs, season_over)
        for n, mine in verdicts.groupby("specimen", sort=False)
    ]
    items, causes, actions, stories = (
        pd.DataFrame([row for part in parts for row in part[i]], columns=columns)
        for i, columns in enumerate((
            ITEM_COLUMNS, [*WHO, "about", *CAUSE_COLUMNS], ACTION_COLUMNS, STORY_COLUMNS
        ))
    )  # fmt: skip
    cautions = items.loc[items["caution"] != "", ["caution", *CAUTION_COLUMNS[1:]]]
    cautions = cautions.set_axis(CAUTION_COLUMNS, axis=1).reset_index(drop=True)
    urgent = set(zip(items.loc[items["urgent"] == 1, "specimen"], items.loc[items["urgent"] == 1, "nutrient"],
                     strict=True))  # fmt: skip
    keys = zip(verdicts["specimen"], verdicts["nutrient"], strict=True)
    verdicts = verdicts.assign(urgent=[key in urgent for key in keys])
    scored = scores.scored
    alone = scored[scored["source_key"] == ""].drop_duplicates("specimen")
    alone = alone[~alone["specimen"].isin(scored.loc[scored["source_key"] != "", "specimen"])]
    judged = bool((scores.agreement["sources"] > 0).any())
    return Explanation(
        verdicts, items, causes, actions, pairs, _questions(scores), cautions.drop_duplicates("text"),
        known, unread, _above(scores, verdicts), stories,
        alone[[*WHO, *CONDITION, "reason", "row"]].reset_index(drop=True), judged, scores,
    )  # fmt: skip


# ---- what is known


def _chosen(scores, sample):
    """The scores of one sample, or all of them."""
    if sample is None:
        return scores
    column = "sample_id" if isinstance(sample, str) else "specimen"
    mine = scores.table[scores.table[column] == sample].reset_index(drop=True)
    if mine.empty:
        raise unknown("sample", sample, scores.table["sample_id"].unique()[:50])
    return replace(scores, table=mine)


def _facts_by_sample(scores, given):
    """Facts of each sample, those of the user before those of the file; and what was not read."""
    specimens = pd.unique(scores.scored["specimen"])
    others = scores.others[scores.others["specimen"].isin(specimens)]
    of_file, unread = facts_of_file(others)
    mine = [(n, name, value, "given") for n in specimens for name, value in given.items()]
    of_file = of_file[~of_file["name"].isin(list(given))]
    frames = [frame for frame in (pd.DataFrame(mine, columns=FACT_COLUMNS), of_file) if len(frame)]
    return _stacked(frames, FACT_COLUMNS), unread


def _pairs(scores):
    """Good against poor areas, or a check against its treatment; None where the file holds no pair."""
    frame = scores.scored[scores.scored["unit"] != "ratio"].drop_duplicates(["specimen", "nutrient"])
    verdicts = scores.agreement[["specimen", "nutrient", "verdict"]]
    try:
        areas = paired(frame, verdicts, scores.cvs)
        return paired(frame, verdicts, scores.cvs, treated=True) if areas is None else areas
    except InputError:
        return None


# ---- one sample


#: What is asked of the scores of one sample.
_OF_SAMPLE = ["specimen", "nutrient", "value", "unit", "censored", "class", "high", "source_key", "aside"]


def _by_specimen(frame):
    return {n: rows for n, rows in frame.groupby("specimen", sort=False)}


def _sample(verdicts, rows, shortfalls, facts, pairs, season_over):
    """Items, causes, actions and stories of one sample."""
    results = [r._asdict() for r in records(verdicts)]
    first, status = results[0], {r["nutrient"]: r for r in results}
    who, crop, stage = {name: first[name] for name in WHO}, crop_or_own(first["crop"]), first["growth_stage"]
    counted = rows[rows["aside"] == ""]
    told = {} if facts is None else dict(cells(facts, "name", "value"))
    known = known_of(rows, verdicts, pairs, told)
    certain = {n for n, r in status.items() if r["status"] in LACKING}
    together = _together(known, certain, crop)
    causes = {MANY: together} if together else {}
    for r in results:
        of = SHORT if r["status"] in LACKING else HIGH if r["status"] in (ABOVE, TOXIC, UNUSABLE) else ""
        if of:
            about = about_nutrient(known, counted, r["nutrient"], crop, stage, certain)
            causes[r["nutrient"]] = rank_causes(of, about, r["nutrient"], crop)
    short = [] if shortfalls is None else [r for r in records(shortfalls) if r.nutrient in certain]
    items = _items(short, status, wide_ratios(counted), causes, season_over)
    act = [] if together else [item["nutrient"] for item in items if item["confidence"] in ACT]
    actions = _actions(items, results, causes, season_over)
    listed = [{"about": about} | asdict(cause) for about, mine in causes.items() for cause in mine]
    stories = _stories(first, act, season_over)
    return items, *([who | one for one in some] for some in (listed, actions, stories))


def _together(known, lacking, crop):
    """Causes that stand before any recipe: many nutrients short together, or a pair that moves as one."""
    pattern = known.get("pattern", ("",))[0]
    if pattern == "all higher in the poor area":
        return rank_causes(STUNTED, known, "", crop)
    if known["many short"] == ("yes",) or (pattern == "all lower in the poor area" and lacking):
        return rank_causes(MANY, known, "", crop)
    return []


def _items(short, status, wide, causes, season_over):
    """Shortfalls of one sample: by verdict, then by chance."""
    items = []
    for r in short:
        cause = next(iter(causes.get(r.nutrient, [])), None)
        items.append(_item(r, status[r.nutrient], cause, wide.get(r.nutrient), MANY in causes, season_over))
    items.sort(key=lambda item: (LACKING.index(item["confidence"]), not item["urgent"], -item["chance"]))
    return [item | {"rank": i} for i, item in enumerate(items, 1)]


def _item(r, own, cause, wide, many, season_over):
    crop = crop_or_own(r.crop)
    now = None if season_over else option_for(r.nutrient, crop, r.growth_stage, "this season")
    later = option_for(r.nutrient, crop, r.growth_stage, "next year")
    options = [option for option in (now, later) if option is not None]
    keys = [*own["source_key"].split(";"), *(k for o in options for k in o["source_key"].split(";"))]
    memory = any(o["provenance"] == "from_memory" or o["provenance"] == "mixed" for o in options)
    act = own["status"] in ACT
    return {name: getattr(r, name) for name in SHORTFALL} | {
        "confidence": own["status"],
        "urgent": bool(act and now is not None and now["urgent"] and not many), "ratio": wide,
        "cause": "" if cause is None else cause.key,
        "folded": many or (cause is not None and not cause.feeds), "remark": own["remark"],
        "also_look": _also_look(r, crop), "this_season": now["option"] if act and now is not None else "",
        "next_year": later["option"] if act and later is not None else "",
        "caution": "; ".join(o["caution"] for o in options if o["caution"]) if act else "",
        "source_key": ";".join(dict.fromkeys(filter(None, keys))),
        "provenance": "partly from_memory" if memory else "found",
    }  # fmt: skip


def _actions(items, results, causes, season_over):
    """What to do now, what not, and next year: checks first, then recipes."""
    rows = [row for cause in causes.get(MANY, [])[:1] for row in _of_cause("", cause, False)]
    crop, stage = crop_or_own(results[0]["crop"]), results[0]["growth_stage"]
    for item in items:
        if item["confidence"] not in ACT:
            continue
        nutrient = item["nutrient"]
        for cause in causes.get(nutrient, [])[:1]:
            rows += _of_cause(nutrient, cause, MANY in causes)
        for when, column, words in _OPTIONS:
            option = option_for(nutrient, crop, stage, words)
            if option is not None:
                origin = option["source_key"], option["provenance"]
                rows.append((nutrient, when, REMEDY, option[column], item["folded"], *origin))
    for r in results:
        if r["status"] in (TOXIC, UNUSABLE):
            for cause in causes.get(r["nutrient"], [])[:1]:
                rows += _of_cause(r["nutrient"], cause, False)
    once = {}
    for row in rows:
        nutrient, when, _, text, *_ = row
        if text and not (season_over and when == NOW):
            once.setdefault((nutrient, when, text), row)
    return [dict(zip(ACTION_COLUMNS[len(WHO) :], row, strict=True)) for row in once.values()]


def _of_cause(nutrient, cause, folded):
    origin = cause.source_key, cause.provenance
    yield (nutrient, NOW, CHECK, cause.settle_by, folded, *origin)
    yield (nutrient, NOW, REMEDY, cause.now, folded, *origin)
    yield (nutrient, NEVER, REMEDY, cause.do_not, folded, *origin)


def _also_look(r, crop):
    symptom = symptom_of(r.nutrient, crop, r.growth_stage)
    if symptom is None:
        return ""
    first = symptom["shows_first"]
    place = "symptoms" if first == "variable" else f"symptoms on {first} first"
    return f"{place}: {symptom['symptom']}"


def _stories(condition, short, season_over):
    """Worked stories whose crop, stage and short nutrient fit the sample."""
    crop, told = crop_or_own(condition["crop"]), []
    for r in records(load_facts("stories")):
        if r.crop != crop or r.nutrient not in short or (season_over and r.step == "this season"):
            continue
        span = find_span(condition["crop"], condition["growth_stage"])
        window = stage_span(r.crop, r.stage_from).first, stage_span(r.crop, r.stage_to).last
        if span is not None and span.within(*window):
            told.append(r._asdict())
    return told


# ---- over the samples


def _questions(scores):
    """Verdicts that would change with what the sample leaves open: the petiole, the stage or the part."""
    near = scores.unjudged[scores.unjudged["near_short"] != ""]
    where = near["near_part"].str.split("; ").str[0] + " at " + near["near_stage"].str.split("; ").str[0]
    near = near.assign(about=near["differs_in"], settles=where)[QUESTION_COLUMNS]
    return _stacked([scores.petioles, near], QUESTION_COLUMNS)


def _above(scores, verdicts):
    """Results above a range, but those soil on the leaf makes unusable."""
    lost, above = verdicts[verdicts["status"] == UNUSABLE], scores.above
    key = pd.MultiIndex.from_frame(above[["specimen", "nutrient"]])
    return above[~key.isin(pd.MultiIndex.from_frame(lost[["specimen", "nutrient"]]))].reset_index(drop=True)


def _stacked(frames, columns):
    frames = [frame[columns] for frame in frames if len(frame)]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)
