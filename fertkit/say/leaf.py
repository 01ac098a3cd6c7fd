"""Leaf tests: the verdict, the scores of a report, what is behind a shortage and what can be done."""

from dataclasses import replace

import pandas as pd

from fertkit.errors import Note, typed
from fertkit.reference.facts import load_facts
from fertkit.results import capital, counted, failed
from fertkit.say.leaf_results import (
    above_text,
    check_now,
    finding,
    how_sure,
    limits_text,
    low_relative,
    not_counted_lines,
    not_judged_lines,
    question_lines,
    reasons_text,
    value_text,
)
from fertkit.say.line import Kind, Line, detail, lead, mark, marked, missing, told
from fertkit.tissue.agree import Verdict, named_rows, wide_alone
from fertkit.tissue.causes import STARVED, soil_on_leaf
from fertkit.tissue.classes import Reason
from fertkit.tissue.score import CHANCES, MEMORY
from fertkit.tissue.score import CHECK as OXIDES

# ---- the verdict in one line: an all-clear only where every column was read and every result judged


MOST = 4  # samples named one by one
CLEAR = "Nothing needs action"
NO_CLEAR = "This is no all-clear"
NONE_SHORT = "nothing is short by any source that holds for these samples"
NONE_JUDGED_SHORT = "none of the results that could be judged is short"


def gaps(scores) -> list[str]:
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
        "soil on the leaf, so nothing is known of": _by_samples(_soiled(scores.scored)),
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


def verdict(explanation) -> str:
    """The verdict on a report, or on one sample, in one line."""
    items, scores = explanation.items, explanation.scores
    certain = items[items["confidence"] != "doubtful"]
    close = items[items["confidence"] == "doubtful"]
    missing = gaps(scores)
    beside = close[close["doubts"].str.split("; ").map(lambda keys: STARVED in keys).astype(bool)]
    close = close.drop(beside.index)
    above = explanation.above
    toxic = above["class"] == "excessive"
    parts = toxic_text(explanation) + ([f"Short: {_short(certain)}"] if len(certain) else [])
    if not len(certain):
        held = close[[_held_back(doubts, explanation.doubts) for doubts in close["doubts"]]]
        if len(held):
            why = f"what looks short is doubtful ({'; '.join(_by_samples(held))})"
            parts.append(f"No action yet: {why}. Sample again, and sample a good area next to it")
            close = close.drop(held.index)
        elif missing:
            parts.append(capital(NONE_JUDGED_SHORT))
        else:
            said = NONE_SHORT if close.empty else "no result is clearly short"
            parts.append(capital(said) if toxic.any() else f"{CLEAR}: {said}")
    if len(beside):
        parts.append(f"Low along with nitrogen, not the cause: {'; '.join(_by_samples(beside))}")
    if not toxic.all():
        parts.append(f"Above a range, which need not be uptake: {'; '.join(_by_samples(above[~toxic]))}")
    if len(close):
        parts.append(f"Too close to call, no action on these alone: {'; '.join(_by_samples(close))}")
    if missing:
        parts.append(f"{'Not in this verdict' if len(certain) else NO_CLEAR}: {'; '.join(missing)}")
    parts += _lent(scores)
    return ". ".join(parts) + "."


def toxic_text(explanation) -> list[str]:
    """What lies above a limit its source calls toxic, with value, limit and source; none, or one text."""
    scored, above = explanation.scores.scored, explanation.above
    over = scored[(scored["class"] == "excessive") & (scored["aside"] == "") & (scored["unit"] != "ratio")]
    said = []
    for (nutrient, unit), rows in over.groupby(["nutrient", "unit"], sort=False):
        values = rows.sort_values("value").iloc[[0, -1]].itertuples()
        values = " to ".join(dict.fromkeys(map(value_text, values)))
        limits = limits_text(rows["toxic_above"].min(), rows["toxic_above"].max())
        sources = ", ".join(dict.fromkeys(rows["source_key"]))
        said.append(f"{nutrient} {values} {unit} in {_named(rows['label'])} (limit {limits}, {sources})")
    causes = dict.fromkeys("; ".join(above.loc[above["class"] == "excessive", "reasons"]).split("; "))
    asked = f"Find out whether that is uptake or {' or '.join(causes)}"
    return [f"Above a limit its source calls toxic: {'; '.join(said)}. {asked}"] if said else []


def _lent(scores):
    """Whose crop, stage or part was taken from above the table of another sample, and from which row."""
    labels = scores.scored.drop_duplicates("specimen").set_index("specimen")["label"]
    told = scores.lent.assign(label=scores.lent["specimen"].map(labels)).dropna(subset="label")
    said = {what: _named(rows["label"]) for what, rows in told.groupby("what", sort=False)}
    return [f"Taken from above an earlier table for {who}: {what}" for what, who in said.items()]


def _held_back(keys, doubts):
    """Whether a finding is doubtful because something explains it away, not because it lies near a limit."""
    weak = set(doubts.loc[doubts["weakens"] == "yes", "key"])
    return bool(weak & set(keys.split("; ")))


def _short(items):
    """'K in North (likely); Mn in 5 samples (possibly)': worst first."""
    words = {"possible": "possibly", "look first": "look at roots and sampling first"}
    said = []
    wide = items["ratio"].notna()
    for (nutrient, how, ratio), rows in items.groupby(["nutrient", "confidence", wide], sort=False):
        sure = words.get(how, how) + ", and low relative to N" * bool(ratio)
        said.append((rows["rank"].min(), f"{nutrient} in {_named(rows['label'])} ({sure})"))
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
        return [*nothing_judged(scores.conditions, scores.scored), *_unstated_petioles(scores)]
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
    said += _unstated_petioles(scores) + question_lines(scores)
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


def _unstated_petioles(scores):
    """What a word on the petiole would add."""
    unstated = scores.near[scores.near["differs_in"] == "petiole"]
    unstated = unstated[~unstated["source_key"].isin(scored_by(scores))]
    asked = scores.unjudged.loc[scores.unjudged["differs_in"] == "petiole", "plant_part"]
    unstated = unstated[~unstated["plant_part"].isin(asked)]  # already asked for what was not judged
    said = []
    for part, rows in unstated.groupby("plant_part", sort=False):
        keys = ", ".join(dict.fromkeys(rows["source_key"]))
        text = f"say whether '{part}' is with or without petiole to compare with {keys} as well"
        said.append(Line(Kind.QUESTION, text))
    return said


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
    """Say the findings sample by sample with doubts, options and cautions, then what to leave alone."""
    away = explanation.unscored.rename(columns={"reason": "why"})
    if not explanation.scored:
        return [*nothing_judged(away, explanation.scores.scored), told(DEFER)]
    items, scores = explanation.items, explanation.scores
    clear = items[items["confidence"] != "doubtful"]
    first = clear.loc[clear["rank"].sort_values(kind="stable").index[:most].sort_values()]
    said = [lead(verdict(explanation))]
    for (_, sample), found in first.groupby(["specimen", "label"], sort=False):
        said.append(Line(Kind.HEAD, sample))
        for r in found.itertuples():
            said += _item(r)
    rest = [f"{r.label} {r.nutrient} ({r.confidence})" for r in clear.drop(first.index).itertuples()]
    said += _listed("Short as well", rest, _AS_WELL)
    for label, ratio in wide_alone(scores.scored, items)[:_MOST_NAMED]:
        said.append(told(f"{label}: {low_relative(ratio)}, but not short by any source", "Ratio"))
    said += [*_doubts(explanation), *above_lines(explanation, most)]
    doubtful = [_doubtful(r) for r in items[items["confidence"] == "doubtful"].itertuples()]
    said += _listed("Too close to call, no action on these alone", doubtful, _MOST_NAMED)
    said += [*_stories(explanation), *not_judged_lines(scores), *not_counted_lines(scores)]
    said += [*question_lines(scores), *not_scored(away)]
    return [*said, told(DEFER)]


def _listed(label, names, most):
    more = f"; and {len(names) - most} more" if len(names) > most else ""
    return [told(f"{'; '.join(names[:most])}{more}", label)] if names else []


def _item(r):
    ratio = low_relative(r.ratio)
    yield told(f"{r.rank}. {how_sure(r)} {'. '.join(filter(None, [finding(r), ratio]))}")
    beside = {
        "check now": check_now(r) if r.confidence == "look first" else "",
        "it could mislead": r.doubts, "look also at": r.also_look, "this season": r.this_season,
        "next year": r.next_year, "caution": r.caution,
    }  # fmt: skip
    yield from (detail(text, label) for label, text in beside.items() if text)
    yield Line(Kind.SOURCE, f"{r.source_key.replace(';', ', ')}{mark(r.provenance)}", "sources")


def _doubts(explanation):
    """Doubts that lower the certainty, with the samples (and nutrients) they are about."""
    doubts, items = explanation.doubts, explanation.items
    doubts = doubts[doubts["weakens"].isin(["yes", "in part"])]
    for key, rows in doubts.groupby("key", sort=False):
        rows = rows[(rows["nutrient"] == "") | rows["nutrient"].isin(items["nutrient"])]
        by_sample = rows.groupby("label", sort=False)["nutrient"]
        names = ", ".join(f"{sample} {' '.join(filter(None, mine))}".strip() for sample, mine in by_sample)
        if names:
            r = rows.iloc[0]
            text = f"{r['what']}. {r['look_for']} ({r['source_key']})"
            yield told(text, f"What could distort this value, {key} ({names})")


def above_lines(explanation, most: int = 6) -> list[Line]:
    """Say what is above a range, and what could make it so: one line for each reason."""
    said = []
    for reasons, rows in explanation.above.groupby("reasons", sort=False):
        named = "; ".join(map(above_text, rows.head(most).itertuples()))
        more = f"; and {len(rows) - most} more" if len(rows) > most else ""
        text = f"{named}{more}. It need not be uptake. {reasons_text(reasons)}"
        said.append(told(text, "Above the range"))
    return said


def _doubtful(r):
    within = f" (within the critical range {r.within_ranges})" if r.verdict == Verdict.WITHIN else ""
    return f"{r.label} {r.nutrient}{within}"


def _stories(explanation):
    for key, rows in explanation.stories.groupby("key", sort=False):
        yield Line(Kind.HEAD, f"{capital(key)}, {', '.join(dict.fromkeys(rows['label']))}")
        for r in rows.drop_duplicates("step").itertuples():
            yield detail(f"{r.text} ({r.source_key.replace(';', ', ')}{mark(r.provenance)})", r.step)
