"""Leaf tests: the scores of a report, what is behind a shortage and what can be done."""

import itertools
from dataclasses import replace

import pandas as pd

from fertkit.errors import Note, typed
from fertkit.results import capital, counted, failed, records
from fertkit.say.leaf_compare import leading_pairs
from fertkit.say.leaf_results import (
    above_text,
    finding,
    how_sure,
    low_relative,
    not_counted_lines,
    not_judged_lines,
    question_lines,
    small,
)
from fertkit.say.leaf_verdict import VERDICT, all_clear, named_samples, verdict
from fertkit.say.line import DEFER, Kind, Line, detail, lead, mark, marked, missing, told
from fertkit.tissue.agree import Verdict, named_rows
from fertkit.tissue.classes import Reason
from fertkit.tissue.explanation import MANY, NEVER, NOW, REMEDY, STARVED, STUNTED_GROWTH
from fertkit.tissue.oxides import CHECK as OXIDES
from fertkit.tissue.score import CHANCES, MEMORY
from fertkit.tissue.verdicts import ACT, MARGINAL, TOXIC, UNUSABLE
from fertkit.tissue.verdicts import HIGH as ABOVE
from fertkit.tissue.wide import wide_alone

_OPTIONS = {"crop": "crop", "growth_stage": "stage", "plant_part": "part"}
_BESIDE = (Verdict.WITHIN, Verdict.SHORT_IF_TOLD)
_MOST_NAMED = 12  # doubtful findings, and ratios, named one by one
_AS_WELL = 24  # further shortages named one by one


def scores_lines(scores, most: int = 10) -> list[Line]:
    """Say what is short, how sure, and where they differ, in at most `most` findings."""
    if not (scores.agreement["sources"] > 0).any():
        return nothing_judged(scores.conditions, scores.scored)
    short, unknown = scores.shortfalls, scores.conditions["unknown"]
    ranked = short.sort_values(["rank", "share_short", "probability_below"], ascending=[True, False, False])
    said = [_headline(scores, short), *not_scored(scores.conditions[unknown])]
    said += [told(finding(r), r.label) for r in records(ranked.head(most))]
    if len(short) > most:
        more = f"and {len(short) - most} more in the table"
        said.append(Line(Kind.TEXT, more, in_code=typed("--table FILE", ".shortfalls")))
    if short.empty:
        said.append(told(all_clear(scores)))
    else:
        unread = records(scores.unread)
        said += [missing("Not read", f"{r.nutrient} (column '{r.column}'): {r.why}") for r in unread]
    said += not_scored(scores.conditions[~unknown]) + not_judged_lines(scores) + not_counted_lines(scores)
    said += question_lines(scores)
    doubts = [MEMORY, OXIDES] + [CHANCES] * bool(scores.agreement["probability_below"].notna().any())
    return said + marked(Kind.CAUTION, failed(scores.checks[scores.checks["check"].isin(doubts)]))


def _headline(scores, short):
    of = short.groupby("verdict")["specimen"].nunique()
    n = scores.scored["specimen"].nunique()
    held = scores.scored.loc[scores.scored["source_key"] != "", "specimen"].nunique()
    n_sources = (pd.unique(scores.scored["source_key"]) != "").sum()
    samples = counted(n, "sample") if held == n else f"{held} of {counted(n, 'sample')}"
    beside = "".join(f", {of[name]} {name}" for name in _BESIDE if name in of)
    agreed, apart = (of.get(name, 0) for name in (Verdict.SHORT, Verdict.DISAGREE))
    some = f", {apart} with one below some of them" if apart else ""
    return lead(
        f"{samples} scored against {counted(n_sources, 'source')}: "
        f"{agreed} with a nutrient below every published range{some}{beside}"
    )


def nothing_judged(conditions: pd.DataFrame, scored: pd.DataFrame) -> list[Line]:
    """Say that, and why, no result could be judged: no range for the sample, or none that decides."""
    conditions = conditions[conditions["why"] != Reason.NO_RANGE.text]
    others = scored[~scored["reason"].isin(set(conditions["why"]) - {""})]
    first, *others = why_not(conditions) + _undecided(others) or [Note("the file holds no result")]
    begun = Line(Kind.LEAD, f"nothing could be judged: {first}", in_code=first.in_code)
    return [begun, *(Line(Kind.TEXT, other, in_code=other.in_code) for other in others)]


_ELSEWHERE = "the only range is from another region"
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
        said.append(
            Note("; ".join(filter(None, [f"{names} in {named_samples(rows['label'])}: {text}", remedy])))
        )
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
        several = [
            o for c, o in _OPTIONS.items() if o in options and len(set(blank["crop"][blank[c] == ""])) > 1
        ]
        if several:
            remedy, options = f"{remedy}, for each crop its own {' and '.join(several)}", []
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
    rest = [f"{r.label} {r.nutrient} ({r.confidence})" for r in records(act.drop(first.index))]
    said += _listed("Short as well", rest, _AS_WELL)
    for label, ratio in wide_alone(scores.scored, items)[:_MOST_NAMED]:
        text = f"{label}: {low_relative(ratio)}, but not below any published range"
        said.append(Line(Kind.TEXT, text, "Ratio", sources=_keys(ratio.sources)))
    close = items[(items["confidence"] == MARGINAL) & (items["cause"] != STARVED)]
    close = [_marginal(r) for r in records(close)]
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
    by = {about: list(records(rows)) for about, rows in causes.groupby("about", sort=False)}
    short = explanation.items[explanation.items["confidence"].isin(ACT)]
    short = short.loc[short["specimen"] == specimen, "nutrient"]  # all, also those not among the first
    said, lost = list(_together(by[MANY], short)) if MANY in by else [], False
    for item in records(first[first["specimen"] == specimen]):
        lines = _item(item, by.get(item.nutrient, []), explanation.actions)
        said += itertools.islice(lines, 1) if MANY in by else lines  # recipes wait for roots and water
    for r in records(over[over["specimen"] == specimen]):
        said.append(Line(Kind.TEXT, above_text(r), "Above the range", sources=_keys(r.source_key)))
        most = 2 if r.status != UNUSABLE else 0 if lost else 1
        own = explanation.actions[explanation.actions["specimen"] == specimen]
        acts = own[own["nutrient"] == r.nutrient] if r.status == TOXIC else own.iloc[:0]
        said += [_cause_line(cause) for cause in by.get(r.nutrient, [])[:most]]
        for when, label in ((NOW, "do now"), (NEVER, "what not to do")):
            texts = "; ".join(
                small(t) for t in acts.loc[(acts["when"] == when) & (acts["kind"] == REMEDY), "text"]
            )
            said += [detail(texts, label)] if texts else []
        lost = lost or r.status == UNUSABLE
    return said


def _together(causes, short):
    """One paragraph on what holds many nutrients together: roots, water and growth, before any recipe."""
    first = causes[0]
    if first.key == STUNTED_GROWTH:
        lead_in = "Every nutrient is higher in the poor area: nutrients are not the problem"
    else:
        named = ", ".join(short) or "Many nutrients"
        lead_in = f"{named} are low together: one cause is likelier than separate shortages"
    yield told(f"{lead_in}. Check roots and water before you buy fertilizer.")
    yield from map(_cause_line, causes)


def _cause_line(cause):
    """One cause with what speaks for and against it, and the check that would settle it."""
    speaks = [f"evidence: {'; '.join(cause.speaks_for)}"] if cause.speaks_for else []
    speaks += [f"evidence against: {'; '.join(cause.speaks_against)}"] if cause.speaks_against else []
    text = ". ".join([cause.cause, *map(capital, speaks), f"Check: {cause.settle_by}"])
    label = "likely cause" if cause.rank == 1 else "or"
    return Line(Kind.DETAIL, text, label, sources=_keys(cause.source_key))


def _item(r, causes, actions):
    """One finding with its causes and options; where many are short together the recipe waits."""
    ratio = low_relative(r.ratio)
    text = f"{r.rank}. {how_sure(r)} {'. '.join(filter(None, [finding(r), ratio]))}"
    yield Line(Kind.TEXT, text, sources=_keys(r.short_sources, r.within_sources))
    if r.remark:
        yield detail(r.remark, "about the range")
    alone = not r.folded
    if causes:
        yield from map(_cause_line, causes[:2])
    own = actions[(actions["specimen"] == r.specimen) & (actions["nutrient"] == r.nutrient)]
    never = "; ".join(small(text) for text in own.loc[own["when"] == NEVER, "text"])
    beside = {
        "look for": r.also_look, "this season": r.this_season if alone else "",
        "only once that is settled": "" if alone else r.this_season, "what not to do": never,
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
        text = f"{nutrient} in {named_samples(rows['label'])}: {rating} there, {status} here ({why})"
        said.append(told(text, "Laboratory's rating"))
    return said


def _stories(explanation):
    for key, rows in explanation.stories.groupby("key", sort=False):
        yield Line(Kind.HEAD, f"{capital(key)}, {', '.join(dict.fromkeys(rows['label']))}")
        for r in records(rows.drop_duplicates("step")):
            text = f"{r.text}{mark(r.provenance)}"
            yield Line(Kind.DETAIL, text, r.step, sources=_keys(r.source_key))
