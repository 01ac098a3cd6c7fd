"""Leaf tests: the verdict, the scores of a report, what is behind a shortage and what can be done."""

import itertools
from dataclasses import replace

import pandas as pd

from fertkit.errors import Note, typed
from fertkit.reference.facts import load_facts
from fertkit.results import capital, counted, failed
from fertkit.say.leaf_compare import leading_pairs
from fertkit.say.leaf_results import (
    above_text,
    finding,
    how_sure,
    limits_text,
    low_relative,
    not_counted_lines,
    not_judged_lines,
    question_lines,
    small,
    value_text,
)
from fertkit.say.line import Kind, Line, detail, lead, mark, marked, missing, told
from fertkit.tissue.agree import Verdict, named_rows, wide_alone
from fertkit.tissue.classes import Reason
from fertkit.tissue.explanation import MANY, NEVER, NOW, REMEDY, STARVED, STUNTED_GROWTH
from fertkit.tissue.score import CHANCES, MEMORY
from fertkit.tissue.score import CHECK as OXIDES
from fertkit.tissue.verdicts import ACT, MARGINAL, POSSIBLY, SHORT_NOW, TOXIC, UNUSABLE, soil_on_leaf
from fertkit.tissue.verdicts import HIGH as ABOVE

# ---- the verdict in one line: an all-clear only where every column was read and every result judged


MOST = 4  # samples named one by one
VERDICT = "Verdict"  # label of its line
CLEAR = "Nothing needs action"
NO_CLEAR = "This is no all-clear"
NONE_SHORT = "nothing is short by any source that holds for these samples"
NONE_JUDGED_SHORT = "none of the results that could be judged is short"


def gaps(scores, soil: bool = True) -> list[str]:
    """What the verdict does not speak of: columns not read, samples not scored, results not judged.

    Results of elements no crop runs short of (Al, Na), and of a form of a nutrient whose total was judged
    in the same sample (NO3-N beside N), leave no gap.
    """
    table = scores.agreement[_total(scores.agreement).isin(load_facts("mobility")["nutrient"])]
    judged = table.groupby("specimen")["sources"].transform("max") > 0
    away = scores.agreement.groupby("label", sort=False)["sources"].max()
    held = pd.crosstab(table["nutrient"], table["label"]).melt(ignore_index=False).reset_index()
    lost, none = table[judged & (table["sources"] == 0)], held[held["value"] == 0]
    totals = pd.MultiIndex.from_frame(table.loc[table["sources"] > 0, ["label", "nutrient"]])
    lost, none = (t[~pd.MultiIndex.from_arrays([t["label"], _total(t)]).isin(totals)] for t in (lost, none))
    told = {
        "not read": [f"{r.nutrient} (column '{r.column}')" for r in scores.unread.itertuples()],
        "not scored": [_named(away.index[away == 0])] if (away == 0).any() else [],
        "not judged": _by_samples(lost),
        "no result for": _by_samples(none),
        "soil on the leaf, so nothing is known of": _by_samples(_soiled(scores.scored)) if soil else [],
    }
    one = {what: "; ".join(names) for what, names in told.items() if names}
    return [f"{what} ({names})" if ";" in names else f"{what} {names}" for what, names in one.items()]


def _total(rows):
    """The nutrient each result is, or is a form of: N for N and NO3-N."""
    return rows["nutrient"].str.split("-").str[-1]


def _soiled(scored):
    """Iron of the samples whose iron and aluminium tell of soil on the leaf."""
    iron = scored[scored["nutrient"].isin(["Fe", "Al"])]
    soiled = [n for n, rows in iron.groupby("specimen") if len(rows) > 1 and soil_on_leaf(rows)]
    return iron[iron["specimen"].isin(soiled) & (iron["nutrient"] == "Fe")]


def all_clear(scores) -> str:
    """The sentence for a report without a shortage; names what it cannot speak of."""
    missing = gaps(scores)
    if not missing:
        return NONE_SHORT
    return f"{NONE_JUDGED_SHORT}. {NO_CLEAR}: {'; '.join(missing)}"


def verdict(explanation, brief: bool = False) -> str:
    """The verdict on a report, or on one sample, in one line; `brief` without what it does not speak of."""
    verdicts, scores = explanation.verdicts, explanation.scores
    missing = gaps(scores, soil=False)
    of = {word: rows for word, rows in verdicts.groupby("status")}
    starved = _starved(explanation)
    act = verdicts[verdicts["status"].isin(ACT) & ~verdicts.index.isin(starved.index)]
    none = verdicts.iloc[:0]
    toxic, above, close = (of.get(word, none) for word in (TOXIC, ABOVE, MARGINAL))
    close = close[~close.index.isin(starved.index)]
    parts = toxic_text(explanation) + soiled_text(explanation) + many_text(explanation)
    for word, urgent in itertools.product((SHORT_NOW, POSSIBLY), (True, False)):
        rows = act[(act["urgent"] == urgent) & (act["status"] == word)]
        if len(rows):
            parts.append(f"{capital(word)}{', act now' * urgent}: {_short(rows, explanation.items)}")
    if act.empty and toxic.empty:
        judged = NONE_JUDGED_SHORT if missing else NONE_SHORT
        parts.append(capital(judged) if missing or len(parts) else f"{CLEAR}: {judged}")
    if len(starved):
        parts.append(f"Low along with nitrogen, not the cause: {'; '.join(_by_samples(starved))}")
    if len(above):
        parts.append(f"Above a range: {_above_with_cause(above, explanation.causes)}")
    if len(close):
        parts.append(f"Marginal, no action on these alone: {'; '.join(_by_samples(close))}")
    if brief:
        return ". ".join(parts) + "."
    if missing:
        parts.append(f"{'Not in this verdict' if len(act) else NO_CLEAR}: {'; '.join(missing)}")
    return ". ".join(parts + _lent(scores)) + "."


def _above_with_cause(above, causes):
    """'Zn in North (a spray left Zn on the leaf); Ca in South': the cause where something speaks for it."""
    first = causes[(causes["rank"] == 1) & (causes["speaks_for"].map(len) > 0)]
    first = first.rename(columns={"about": "nutrient"})[["specimen", "nutrient", "cause"]]
    rows = above.merge(first, on=["specimen", "nutrient"], how="left").fillna({"cause": ""})
    said = []
    for cause, mine in rows.groupby("cause", sort=False):
        said.append(f"{'; '.join(_by_samples(mine))}{f' ({small(cause)})' if cause else ''}")
    return "; ".join(said)


def _starved(explanation):
    """Verdicts on a nutrient that is low along with another one, which comes first."""
    items = explanation.items[explanation.items["cause"] == STARVED]
    keys = set(zip(items["specimen"], items["nutrient"], strict=True))
    verdicts = explanation.verdicts
    pairs = zip(verdicts["specimen"], verdicts["nutrient"], strict=True)
    return verdicts[[pair in keys for pair in pairs]]


def toxic_text(explanation) -> list[str]:
    """What lies above a limit its source calls toxic, with value and limit; none, or one text."""
    over, causes = explanation.verdicts, explanation.causes
    over = over[over["status"] == TOXIC]
    said = []
    for (nutrient, unit), rows in over.groupby(["nutrient", "unit"], sort=False):
        values = rows.sort_values("value").iloc[[0, -1]].itertuples()
        values = " to ".join(dict.fromkeys(map(value_text, values)))
        limits = limits_text(rows["lowest_limit"].min(), rows["highest_limit"].max())
        said.append(f"{nutrient} {values} {unit} in {_named(rows['label'])} (limit {limits})")
    first = causes[causes["about"].isin(over["nutrient"]) & causes["specimen"].isin(over["specimen"])]
    first = first[first["rank"] == 1]
    likely = dict.fromkeys(f"{small(r.cause)}; check {r.settle_by}" for r in first.itertuples())
    likely = f". Likely: {'. Or: '.join(likely)}" if likely else ""
    return [f"Above a limit its source calls toxic: {'; '.join(said)}{likely}"] if said else []


def soiled_text(explanation) -> list[str]:
    """That soil on the leaf makes iron and aluminium unusable; none, or one text."""
    lost = explanation.verdicts[explanation.verdicts["status"] == UNUSABLE]
    if lost.empty:
        return []
    values = {label: ", ".join(f"{r.nutrient} {value_text(r)}" for r in rows.itertuples())
              for label, rows in lost.groupby("label", sort=False)}  # fmt: skip
    named = "; ".join(f"{text} mg/kg in {label}" for label, text in list(values.items())[:MOST])
    more = f"; and {len(values) - MOST} more" if len(values) > MOST else ""
    return [f"Soil on the leaf: {named}{more}. Wash and sample again; take no Fe from this sample"]


def many_text(explanation) -> list[str]:
    """That many nutrients moved together, so that roots and water come first; one text for each kind."""
    causes = explanation.causes
    first = causes[(causes["about"] == MANY) & (causes["rank"] == 1)]
    stunted = first["key"] == STUNTED_GROWTH
    said = []
    if stunted.any():
        said.append(f"Something else stopped growth in {_named(first[stunted]['label'])}; find it first")
    if (~stunted).any():
        named = _named(first[~stunted]["label"])
        said.append(f"Roots and water first in {named}: many nutrients are low together")
    return said


def _lent(scores):
    """Whose crop, stage or part was taken from above the table of another sample, and from which row."""
    labels = scores.scored.drop_duplicates("specimen").set_index("specimen")["label"]
    told = scores.lent.assign(label=scores.lent["specimen"].map(labels)).dropna(subset="label")
    said = {what: _named(rows["label"]) for what, rows in told.groupby("what", sort=False)}
    return [f"Taken from above an earlier table for {who}: {what}" for what, who in said.items()]


def _short(verdicts, items):
    """'K in North; S in South (low relative to N)': worst first."""
    keys = ["specimen", "nutrient"]
    rows = verdicts.merge(items[[*keys, "rank", "ratio"]], on=keys)
    wide, said = rows["ratio"].notna(), []
    for (nutrient, ratio), mine in rows.groupby(["nutrient", wide], sort=False):
        over = mine["ratio"].iloc[0].over if ratio else ""
        relative = f" (low relative to {over})" * bool(ratio)
        said.append((mine["rank"].min(), f"{nutrient} in {_named(mine['label'])}{relative}"))
    return "; ".join(text for _, text in sorted(said, key=lambda pair: pair[0]))


def _by_samples(rows):
    """'Zn, Mn in North; Fe in South'."""
    by = {}
    for nutrient, mine in rows.groupby("nutrient", sort=False):
        by.setdefault(tuple(dict.fromkeys(mine["label"])), []).append(nutrient)
    return [f"{', '.join(nutrients)} in {_named(labels)}" for labels, nutrients in by.items()]


def _named(labels):
    names = list(dict.fromkeys(labels))
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if len(names) <= MOST else (
        counted(len(names), "sample")
    )  # fmt: skip


# ---- the scores and what is behind them


DEFER = (
    "Rates are local: follow your state's or province's recommendation, the product label and a certified "
    "adviser."
)
_OPTIONS = {"crop": "crop", "growth_stage": "stage", "plant_part": "part"}
_BESIDE = {Verdict.WITHIN: "within a critical range", Verdict.SHORT_IF_TOLD: "where a source cannot tell"}
_MOST_NAMED = 12  # doubtful findings, and ratios, named one by one
_AS_WELL = 24  # further shortages named one by one


def scored_by(scores) -> list[str]:
    """List the sources that hold for at least one result."""
    return [key for key in pd.unique(scores.scored["source_key"]) if key]


def scores_lines(scores, most: int = 10) -> list[Line]:
    """Say what is short, how sure, and where the sources disagree, in at most `most` findings."""
    if not (scores.agreement["sources"] > 0).any():
        return nothing_judged(scores.conditions, scores.scored)
    short, unknown = scores.shortfalls, scores.conditions["unknown"]
    ranked = short.sort_values(["rank", "share_short", "probability_below"], ascending=[True, False, False])
    said = [_headline(scores, short), *not_scored(scores.conditions[unknown])]
    said += [told(finding(r), r.label) for r in ranked.head(most).itertuples()]
    if len(short) > most:
        more = f"and {len(short) - most} more in the whole table"
        said.append(Line(Kind.TEXT, more, in_code=typed("--table FILE", ".shortfalls")))
    if short.empty:
        said.append(told(all_clear(scores)))
    else:
        unread = scores.unread.itertuples()
        said += [missing("Not read", f"{r.nutrient} (column '{r.column}'): {r.why}") for r in unread]
    said += not_scored(scores.conditions[~unknown]) + not_judged_lines(scores) + not_counted_lines(scores)
    said += question_lines(scores)
    doubts = [MEMORY, OXIDES] + [CHANCES] * bool(scores.agreement["probability_below"].notna().any())
    return said + marked(Kind.CAUTION, failed(scores.checks[scores.checks["check"].isin(doubts)]))


def _headline(scores, short):
    of = short.groupby("verdict")["specimen"].nunique()
    n = scores.scored["specimen"].nunique()
    held = scores.scored.loc[scores.scored["source_key"] != "", "specimen"].nunique()
    samples = counted(n, "sample") if held == n else f"{held} of {counted(n, 'sample')}"
    beside = "".join(f", {of[name]} {where}" for name, where in _BESIDE.items() if name in of)
    agreed, apart = (of.get(name, 0) for name in (Verdict.SHORT, Verdict.DISAGREE))
    return lead(
        f"{samples} scored against {counted(len(scored_by(scores)), 'source')}: {agreed} with a shortfall "
        f"every source agrees on, {apart} where sources disagree{beside}"
    )


def nothing_judged(conditions: pd.DataFrame, scored: pd.DataFrame) -> list[Line]:
    """Say that, and why, no result could be judged: no range for the sample, or none that decides."""
    conditions = conditions[conditions["why"] != Reason.NO_RANGE.text]
    others = scored[~scored["reason"].isin(set(conditions["why"]) - {""})]
    first, *others = why_not(conditions) + _undecided(others) or [Note("the file holds no result")]
    begun = Line(Kind.LEAD, f"nothing could be judged: {first}", in_code=first.in_code)
    return [begun, *(Line(Kind.TEXT, other, in_code=other.in_code) for other in others)]


_ELSEWHERE = "the only range is of another region"
_COMPARE = "sample a good area next to it for comparison"


def _undecided(scored) -> list[Note]:
    """Say why no range decides some results, and what to do."""
    advice = {reason.text: reason.advice for reason in Reason}
    why = scored["reason"].mask(scored["aside"] != "", _ELSEWHERE)
    said = []
    for text, rows in scored.groupby(why, sort=False):
        remedy = advice.get(text, "")
        if text == _ELSEWHERE:
            regions = "; ".join(dict.fromkeys(rows["region"] + ", " + rows["source_key"]))
            text, remedy = f"{text} ({regions})", _COMPARE
        names = ", ".join(dict.fromkeys(rows["nutrient"]))
        said.append(Note("; ".join(filter(None, [f"{names} in {_named(rows['label'])}: {text}", remedy]))))
    return said


def not_scored(conditions: pd.DataFrame) -> list[Line]:
    """Say which samples were not scored, and why."""
    return [replace(line, label="Not scored") for line in marked(Kind.MISSING, why_not(conditions))]


def why_not(conditions: pd.DataFrame) -> list[Note]:
    """Say each distinct reason why samples were not scored, with what to give.

    Parameters
    ----------
    conditions : DataFrame
        crop, growth_stage, plant_part, why; samples and who, or label and row of each sample.
    """
    said = []
    blank = conditions[conditions["why"] != ""]
    for (crop, why), rows in blank.groupby(["crop", "why"], sort=False):
        options = [option for column, option in _OPTIONS.items() if not rows[column].iloc[0]]
        hint, flags = ", ".join(f"{o}='...'" for o in options), " ".join(f"--{o} ..." for o in options)
        remedy = "; write it in the file" if options else ""
        named = rows["who"].iloc[0] if "who" in rows else named_rows(rows)
        n = rows["samples"].sum() if "samples" in rows else len(rows)
        told = f"{counted(n, f'{crop} sample'.strip())}{f' ({named})' if named else ''}: {why}{remedy}"
        said.append(Note(told, typed(flags, hint) if options else ""))
    return said


def explanation_lines(explanation, most: int = 6) -> list[Line]:
    """Say good against poor, the verdict, each finding with causes and options, and what is not known."""
    away = explanation.unscored.rename(columns={"reason": "why"})
    if not explanation.scored:
        return [*nothing_judged(away, explanation.scores.scored), told(DEFER)]
    items, scores = explanation.items, explanation.scores
    said = [*leading_pairs(explanation), Line(Kind.LEAD, verdict(explanation), VERDICT)]
    act = items[items["confidence"].isin(ACT)]
    first = act.loc[act["rank"].sort_values(kind="stable").index[:most].sort_values()]
    over = _above(explanation)
    for (_, sample), of in explanation.verdicts.groupby(["specimen", "label"], sort=False):
        lines = _of_sample(explanation, first, over, of["specimen"].iloc[0])
        said += [Line(Kind.HEAD, sample), *lines] if lines else []
    rest = [f"{r.label} {r.nutrient} ({r.confidence})" for r in act.drop(first.index).itertuples()]
    said += _listed("Short as well", rest, _AS_WELL)
    for label, ratio in wide_alone(scores.scored, items)[:_MOST_NAMED]:
        text = f"{label}: {low_relative(ratio)}, but not short by any source"
        said.append(Line(Kind.TEXT, text, "Ratio", sources=_keys(ratio.sources)))
    close = items[(items["confidence"] == MARGINAL) & (items["cause"] != STARVED)]
    close = [_marginal(r) for r in close.itertuples()]
    said += _listed("Marginal, no action on these alone", close, _MOST_NAMED)
    said += [*_stories(explanation), *rating_lines(explanation)]
    said += [*not_judged_lines(scores), *not_counted_lines(scores)]
    said += [*question_lines(scores), *not_scored(away)]
    said += [missing("Not read", problem.plain) for problem in explanation.unread_facts]
    return [*said, told(DEFER)]


def _listed(label, names, most):
    more = f"; and {len(names) - most} more" if len(names) > most else ""
    return [told(f"{'; '.join(names[:most])}{more}", label)] if names else []


def _keys(*texts):
    """Keys of sources, each once, without those that name none."""
    keys = (key.strip() for text in texts for key in text.replace(",", ";").split(";"))
    return tuple(dict.fromkeys(key for key in keys if key))


def _of_sample(explanation, first, over, specimen):
    """What is said of one sample: many together, its shortages, what lies above a range."""
    causes = explanation.causes[explanation.causes["specimen"] == specimen]
    by = {about: list(rows.itertuples()) for about, rows in causes.groupby("about", sort=False)}
    said, lost = list(_together(by[MANY], first[first["specimen"] == specimen])) if MANY in by else [], False
    for item in first[first["specimen"] == specimen].itertuples():
        lines = _item(item, by.get(item.nutrient, []), explanation.actions)
        said += itertools.islice(lines, 1) if MANY in by else lines  # recipes wait for roots and water
    for r in over[over["specimen"] == specimen].itertuples():
        said.append(Line(Kind.TEXT, above_text(r), "Above the range", sources=_keys(r.source_key)))
        most = 2 if r.status != UNUSABLE else 0 if lost else 1
        own = explanation.actions[explanation.actions["specimen"] == specimen]
        acts = own[own["nutrient"] == r.nutrient] if r.status == TOXIC else own.iloc[:0]
        said += [_cause_line(cause) for cause in by.get(r.nutrient, [])[:most]]
        for when, label in ((NOW, "do now"), (NEVER, "do not")):
            texts = "; ".join(
                small(t) for t in acts.loc[(acts["when"] == when) & (acts["kind"] == REMEDY), "text"]
            )
            said += [detail(texts, label)] if texts else []
        lost = lost or r.status == UNUSABLE
    return said


def _together(causes, items):
    """One paragraph on what holds many nutrients together: roots, water and growth, before any recipe."""
    first = causes[0]
    if first.key == STUNTED_GROWTH:
        lead_in = "Every nutrient is higher in the poor area: the shortage is not of nutrients"
    else:
        named = ", ".join(items["nutrient"]) or "Many nutrients"
        lead_in = f"{named} are low together: the cause is seldom many shortages"
    yield told(f"{lead_in}. Look at roots and water before you buy fertilizer.")
    yield from map(_cause_line, causes)


def _cause_line(cause):
    """One cause with what speaks for and against it, and the check that would settle it."""
    speaks = [f"for it: {'; '.join(cause.speaks_for)}"] if cause.speaks_for else []
    speaks += [f"against it: {'; '.join(cause.speaks_against)}"] if cause.speaks_against else []
    text = ". ".join([cause.cause, *map(capital, speaks), f"Check: {cause.settle_by}"])
    label = "likely cause" if cause.rank == 1 else "or"
    return Line(Kind.DETAIL, text, label, sources=_keys(cause.source_key))


def _item(r, causes, actions):
    """One finding with its causes and options; where many are short together the recipe waits."""
    ratio = low_relative(r.ratio)
    text = f"{r.rank}. {how_sure(r)} {'. '.join(filter(None, [finding(r), ratio]))}"
    yield Line(Kind.TEXT, text, sources=_keys(r.short_sources, r.within_sources))
    if r.remark:
        yield detail(r.remark, "about the table")
    alone = not r.folded
    if causes:
        yield from map(_cause_line, causes[:2])
    own = actions[(actions["specimen"] == r.specimen) & (actions["nutrient"] == r.nutrient)]
    never = "; ".join(small(text) for text in own.loc[own["when"] == NEVER, "text"])
    beside = {
        "look for": r.also_look, "this season": r.this_season if alone else "",
        "only once that is settled": "" if alone else r.this_season, "do not": never,
        "next year": r.next_year, "caution": r.caution,
    }  # fmt: skip
    yield from (detail(text, label) for label, text in beside.items() if text)
    yield Line(Kind.SOURCE, f"{r.source_key.replace(';', ', ')}{mark(r.provenance)}", "sources")


def _above(explanation):
    """Verdicts on what lies above a range, or is made unusable by soil."""
    return explanation.verdicts[explanation.verdicts["status"].isin([ABOVE, TOXIC, UNUSABLE])]


def _marginal(r):
    within = f" (within the critical range {r.within_ranges})" if r.verdict == Verdict.WITHIN else ""
    return f"{r.label} {r.nutrient}{within}"


def rating_lines(explanation) -> list[Line]:
    """Say where the laboratory's own rating differs from ours, and why."""
    apart = explanation.verdicts[explanation.verdicts["rating_remark"] != ""]
    said = []
    for (nutrient, rating, status, why), rows in apart.groupby(
        ["nutrient", "rating", "status", "rating_remark"], sort=False
    ):
        text = f"{nutrient} in {_named(rows['label'])}: {rating} there, {status} here ({why})"
        said.append(told(text, "The laboratory's own rating"))
    return said


def _stories(explanation):
    for key, rows in explanation.stories.groupby("key", sort=False):
        yield Line(Kind.HEAD, f"{capital(key)}, {', '.join(dict.fromkeys(rows['label']))}")
        for r in rows.drop_duplicates("step").itertuples():
            text = f"{r.text}{mark(r.provenance)}"
            yield Line(Kind.DETAIL, text, r.step, sources=_keys(r.source_key))
