"""Results of a leaf test, one by one: how they were read, their words, and what no range judges."""

import numpy as np
import pandas as pd

from fertkit.errors import Note, typed
from fertkit.intake.parts import adds_petiole, plant_part
from fertkit.reference.facts import load_facts
from fertkit.results import capital, counted, failed, plain
from fertkit.say.line import Kind, Line, lead, marked, missing, told
from fertkit.tissue.causes import MANY_TOGETHER, REMEMBERED
from fertkit.tissue.classes import SHORT
from fertkit.tissue.match import CONDITION

# ---- what was read


_MOST = 8  # lines of one kind


def samples_lines(samples) -> list[Line]:
    """Say what was read from a laboratory's file."""
    nutrients = list(dict.fromkeys(samples.tidy["nutrient"]))
    n = samples.tidy["specimen"].nunique()
    said = [
        lead(f"{samples.name}: {counted(n, 'sample')}, {len(nutrients)} nutrients ({', '.join(nutrients)})")
    ]
    for what in ("inferred", "not used"):
        part = samples.report[samples.report["what"] == what]
        said += [told(f"{r.item}: {r.detail}", what) for r in part.head(_MOST).itertuples()]
        said += _more(len(part), what, "report")
    said += [
        missing("not read", f"{r.nutrient}, column '{r.column}': {r.why}")
        for r in samples.unread.itertuples()
    ]
    said += marked(Kind.NOTE, samples.notes[:_MOST]) + _more(len(samples.notes), "Note", "notes")
    return said + [told(text, "Check") for text in failed(samples.checks)[:_MOST]]


def _more(n, label, where):
    return [told(f"and {n - _MOST} more, see {where}", label)] if n > _MOST else []


# ---- one result in words


def percent(probability: float) -> str:
    """Write a probability: '97 %', never a bare 0 or 100."""
    whole = round(100 * probability)
    return "under 1 %" if whole < 1 else "over 99 %" if whole > 99 else f"{whole} %"


def limit_text(limit: float) -> str:
    """Write a limit as its source prints it, without an exponent."""
    return plain(limit, digits=4)


def limits_text(lowest: float, highest: float) -> str:
    """Write one limit, or the span of several."""
    return " to ".join(dict.fromkeys([limit_text(lowest), limit_text(highest)]))


def value_text(r) -> str:
    """Write a result as the laboratory gave it: '0.27', '< 20', 'ND'."""
    return " ".join(filter(None, [r.censored, plain(r.value)])) if r.value == r.value else "ND"


def finding(r) -> str:
    """Say one shortfall, without the name of its sample."""
    unit = "" if r.unit == "ratio" else f" {r.unit}"
    one = r.lowest_limit == r.highest_limit
    what = f"{r.nutrient} {value_text(r)}{unit}"
    within = f"within the critical range {r.within_ranges}" if r.within else ""
    if not r.short:
        below = "below its lower end" if r.within == 1 and one else _below(one)
        return f"{what}, {within}: short or enough is left open{_chance(r, below)}"
    asked = r.sources + r.untold
    count = "the only source" if asked == 1 else f"{r.short} of {asked} sources"
    untold = f"{r.untold} cannot tell ({r.untold_sources})" if r.untold else ""
    who = ", ".join(filter(None, [f"short by {count} ({r.short_sources})", untold, within]))
    limits = f"{'a lower limit' if one else 'lower limits'} of {limits_text(r.lowest_limit, r.highest_limit)}"
    return f"{what} against {limits}{unit}, {who}{_chance(r, _below(one))}"


def _below(one):
    return "below the limit" if one else "below the limits (mean over the sources)"


def _chance(r, below):
    return "" if np.isnan(r.probability_below) else f", {percent(r.probability_below)} likely {below}"


def low_relative(ratio) -> str:
    """Say what a ratio above its limits means, or nothing: a row of `tissue.ratios.wide_ratios` or None."""
    if ratio is None:
        return ""
    found = f"{ratio.ratio} is {plain(ratio.value)}, above {limits_text(ratio.lowest, ratio.highest)}"
    return f"{found} ({ratio.sources}): {ratio.nutrient} is low relative to {ratio.over}"


def how_sure(item) -> str:
    """'Likely short,' 'Possibly short,' or 'Short, but look first at ...:' for a finding to follow."""
    if item.confidence == "look first":
        return "Short, but look first at roots, water and sampling:"
    how = {"possible": "possibly", "doubtful": "doubtfully"}.get(item.confidence, item.confidence)
    return f"{capital(how)} short,"


def check_now(item) -> str:
    """Say what to look at before anything is bought, for a finding held back by doubts."""
    facts = load_facts("distortions").set_index("key")["look_for"]
    found = [key for key in item.doubts.split("; ") if key in (MANY_TOGETHER, REMEMBERED)]
    looks = [facts[key] for key in found] or [facts[MANY_TOGETHER]]
    return f"{'. '.join(looks)}. See that the sample was of the right part and clean, and take a second one"


def above_text(r) -> str:
    """Say one result above its range: a row of `Explanation.above`."""
    limits = limits_text(r.lowest_limit, r.highest_limit)
    upper = "an upper limit" if r.lowest_limit == r.highest_limit else "upper limits"
    count = "the only source" if r.sources == 1 else f"{r.over} of {r.sources} sources"
    value = f"{r.label}: {r.nutrient} {value_text(r)} {r.unit}"
    return f"{value} against {upper} of {limits} {r.unit}, above by {count} ({r.over_sources})"


def reasons_text(keys: str) -> str:
    """Say what could put a result above its range: keys of known distortions, apart by '; '."""
    facts = load_facts("distortions").set_index("key")
    said = (f"{capital(k)}: {facts['what'][k]}. {facts['look_for'][k]} ({facts['source_key'][k]})"
            for k in keys.split("; "))  # fmt: skip
    return ". ".join(said)


def clear_findings(explanation) -> pd.DataFrame:
    """Findings that are not doubtful, worst first."""
    return explanation.items[explanation.items["confidence"] != "doubtful"]


def small(text: str) -> str:
    """Go on in a sentence with a text that began one."""
    return text[:1].lower() + text[1:]


# ---- what no range judges, and where a near range would call the value short


_AT_ONCE = 6  # samples named one by one
ASKED = {
    "petiole": "was the petiole on the leaf or off",
    "stage": "is it the stage the file says",
    "part": "is it the part the file says",
}


def not_judged_lines(scores) -> list[Line]:
    """Say, for each kind of sample judged in part, which nutrients were not, why, and what to state."""
    table = scores.unjudged
    held = scores.scored.loc[scores.scored["source_key"] != "", "specimen"].unique()
    partly = table[table["specimen"].isin(held)]
    said = []
    for (*condition, differs), rows in partly.groupby([*CONDITION, "differs_in"], sort=False):
        names = list(dict.fromkeys(rows["label"]))
        who = ", ".join(names[:_AT_ONCE]) + (
            f" and {len(names) - _AT_ONCE} more" if len(names) > _AT_ONCE else ""
        )
        why = _why(condition, differs, rows)
        text = f"{_nutrients(rows)} in {who}: {why}"
        said.append(Line(Kind.MISSING, text, "Not judged", in_code=why.in_code))
    return said


def not_counted_lines(scores) -> list[Line]:
    """Say which results only a source without a vote would call short, and why it has none."""
    key = ["specimen", "nutrient"]
    table = scores.scored.merge(scores.agreement[[*key, "short"]], on=key)
    short = table[(table["aside"] != "") & table["class"].isin(SHORT) & (table["short"] == 0)]
    said = []
    for (key, aside), rows in short.groupby(["source_key", "aside"], sort=False):
        n = rows["specimen"].nunique()
        text = f"{_nutrients(rows)} would be short by {key}{f' in {n} samples' * (n > 1)}: {aside}"
        said.append(Line(Kind.NOTE, text, "Shown, not counted"))
    return said


def _nutrients(rows):
    return ", ".join(dict.fromkeys(rows["nutrient"]))


def unjudged_in_short(scores) -> list[str]:
    """Say in one short line which nutrients were not judged, in how many samples, and what to state."""
    table = scores.unjudged
    if table.empty:
        return []
    asked = table[table["differs_in"] == "petiole"].drop_duplicates(CONDITION)
    states = dict.fromkeys(s for r in asked.itertuples() for s in _states(r.crop, r.plant_part, r.near_part))
    line = f"{_nutrients(table)} in {counted(table['specimen'].nunique(), 'sample')}"
    return [f"{line}; write the plant part as {' or '.join(states)}" if states else f"{line}: no range holds"]


def _states(crop, part, near):
    """What to state so that a range of a part with or without petiole holds."""
    parts = [p for p in near.split("; ") if adds_petiole(crop, part, p)]
    kinds = dict.fromkeys(plant_part(crop, p) for p in parts)
    return [f'"{sorted(kind.names)[0]} {kind.petiole} petiole"' for kind in kinds]


def _why(condition, differs, rows):
    crop, stage, part = condition
    states = _states(crop, part, "; ".join(rows["near_part"]))
    if differs == "petiole" and states:
        return Note(
            f"the sample does not say whether '{part}' is with or without petiole, and the ranges are for "
            f"one of them ({_each(rows['near_sources'])}); write it as the plant part: {' or '.join(states)}",
            typed(f"--part {states[0]}", f"part={states[0]}"),
        )
    if differs:
        first = rows.iloc[0]
        near = f"{first['near_part'].split('; ')[0]} at {first['near_stage'].split('; ')[0]}"
        return Note(f"no range for {part}, {stage}; ranges of another {differs} are published: {near}")
    shown = _each(rows["aside"])
    return Note(
        f"no range {'that counts ' * bool(shown)}is carried for this {crop}{f' ({shown})' * bool(shown)}"
    )


def _each(lists):
    """Entries of some lists, each once."""
    return ", ".join(dict.fromkeys("; ".join(lists).split("; ")))


def question_lines(scores) -> list[Line]:
    """Ask about values a range of another part or stage would call short, the clearest first.

    What is asked of several samples is one question: it counts them by nutrient.
    """
    short = scores.unjudged
    short = short[short["near_short"] != ""]
    short = short.assign(
        where=short["near_part"].str.split("; ").str[0] + " at " + short["near_stage"].str.split("; ").str[0],
        every=short["near_short"] == short["near_sources"],
        share=short["value"] / short["near_lowest"],
    ).sort_values(["every", "share"], ascending=[False, True], kind="stable")
    said = []
    for (where, differs), rows in short.groupby(["where", "differs_in"], sort=False):
        n = rows["specimen"].nunique()
        by_nutrient = rows.groupby("nutrient", sort=False)
        told = [_of_one(r) for r in rows.itertuples()] if n == 1 else [_of_many(*one) for one in by_nutrient]
        text = (
            f"{ASKED[differs]}{f' in {n} samples' if n > 1 else ''}? By the range for {where} short would be"
        )
        said.append(Line(Kind.QUESTION, text, "Question", tuple(told)))
    return said


def _of_many(nutrient, rows):
    ends = rows["value"].agg(["min", "max"])
    values = " to ".join(dict.fromkeys(map(plain, ends)))
    limits = _limits(rows["near_lowest"].min(), rows["near_highest"].max())
    n = rows["specimen"].nunique()
    return f"{nutrient} in {n} ({values} {rows['unit'].iloc[0]}; {limits}, {_each(rows['near_short'])})"


def _limits(lowest, highest):
    limits = limits_text(lowest, highest)
    return f"limits {limits}" if " to " in limits else f"limit {limits}"


def _of_one(r):
    limits = _limits(r.near_lowest, r.near_highest)
    return f"{r.nutrient} {value_text(r)} {r.unit} in {r.label} ({limits}, {_each([r.near_short])})"
