"""Results of a leaf test, one by one: how they were read, their words, and what no range judges."""

import numpy as np
import pandas as pd

from fertkit.errors import Note
from fertkit.results import capital, counted, failed, plain, records
from fertkit.say.line import Kind, Line, lead, marked, missing, told
from fertkit.tissue.classes import SHORT
from fertkit.tissue.match import CONDITION
from fertkit.tissue.verdicts import ACT, TOXIC, UNUSABLE

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
        part = samples.report[samples.report["what"] == what].drop_duplicates(["item", "detail"])
        said += [told(f"{r.item}: {r.detail}", what) for r in records(part.head(_MOST))]
        said += _more(len(part), what, "report")
    said += [
        missing("not read", f"{r.nutrient}, column '{r.column}': {r.why}") for r in records(samples.unread)
    ]
    said += marked(Kind.NOTE, samples.notes[:_MOST]) + _more(len(samples.notes), "Note", "notes")
    return said + [told(text, "Check") for text in failed(samples.checks)[:_MOST]]


def _more(n, label, where):
    return [told(f"and {n - _MOST} more, see {where}", label)] if n > _MOST else []


# ---- one result in words


def percent(probability: float) -> str:
    """Write a probability: '97 %', never a bare 0 or 100."""
    whole = round(100 * probability)
    return "under 1%" if whole < 1 else "over 99%" if whole > 99 else f"{whole}%"


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
    """Say one shortfall, without the name of its sample and without its sources."""
    unit = "" if r.unit == "ratio" else f" {r.unit}"
    what = f"{r.nutrient} {value_text(r)}{unit}"
    within = f"within the critical range {r.within_ranges}" if r.within else ""
    if not r.short:
        return f"{what} is {within}: cannot be called short or enough"
    asked = r.sources + r.untold
    which = "the one published limit" if asked == 1 else f"{_of(r.short, asked)} published limits"
    untold = f"{r.untold} cannot tell" if r.untold else ""
    beside = ", ".join(filter(None, [untold, within, _chance(r)]))
    limits = f"{limits_text(r.lowest_limit, r.highest_limit)}{unit}"
    return f"{what} is below {which} ({limits}){', ' * bool(beside)}{beside}"


def _of(some, every):
    return ("both" if every == 2 else f"all {every}") if some == every else f"{some} of {every}"


def _chance(r):
    """The chance of being short, where the value alone gives it: not where a ratio adds to it."""
    if np.isnan(r.probability_below) or getattr(r, "ratio", None) is not None:
        return ""
    return f"{percent(r.chance)} chance it is truly {'below' if r.short == r.sources else 'short'}"


def low_relative(ratio) -> str:
    """Say what a ratio above its limits means, or nothing: a row of `tissue.wide.wide_ratios` or None."""
    if ratio is None:
        return ""
    found = f"{ratio.ratio} is {plain(ratio.value)}, above {limits_text(ratio.lowest, ratio.highest)}"
    return f"{found}: {ratio.nutrient} is low relative to {ratio.over}"


def how_sure(item) -> str:
    """'Short:', 'Short, act now:' or 'Possibly short:' for a finding to follow."""
    return f"{capital(item.confidence)}{', act now' * bool(item.urgent)}:"


def above_text(r) -> str:
    """Say one verdict on what lies above a range: a row of `Explanation.verdicts`."""
    what = f"{r.nutrient} {value_text(r)} {r.unit}"
    if r.status == UNUSABLE:
        return f"{what} is unusable: soil on the leaf adds to it"
    limits = limits_text(r.lowest_limit, r.highest_limit)
    toxic = ", which its source calls toxic" if r.status == TOXIC else ""
    return f"{what} is above {'' if toxic else 'the upper limit of '}{limits} {r.unit}{toxic}"


def clear_findings(explanation) -> pd.DataFrame:
    """Findings that ask for action, worst first."""
    return explanation.items[explanation.items["confidence"].isin(ACT)]


def small(text: str) -> str:
    """Go on in a sentence with a text that began one."""
    return text[:1].lower() + text[1:]


# ---- what no range judges, and where a near range would call the value short


_AT_ONCE = 6  # samples named one by one
ASKED = {
    "petiole": "are petioles on or off as stated",
    "stage": "is the stage as stated",
    "part": "is the part as stated",
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
    """Say in one short line which nutrients were not judged, and in how many samples."""
    table = scores.unjudged
    if table.empty:
        return []
    return [f"{_nutrients(table)} in {counted(table['specimen'].nunique(), 'sample')}: no range applies"]


def _why(condition, differs, rows):
    crop, stage, part = condition
    if differs:
        first = rows.iloc[0]
        near = f"{first['near_part'].split('; ')[0]} at {first['near_stage'].split('; ')[0]}"
        return Note(f"no range for {part}, {stage}; published for another {differs}: {near}")
    shown = _each(rows["aside"])
    return Note(f"no range {'that counts ' * bool(shown)}for this {crop}{f' ({shown})' * bool(shown)}")


def _each(lists):
    """Entries of some lists, each once."""
    return ", ".join(dict.fromkeys(filter(None, "; ".join(lists).split("; "))))


def question_lines(scores) -> list[Line]:
    """Ask what would change a verdict: the petiole, and values a range of another part or stage calls short.

    What is asked of several samples is one question: it counts them by nutrient.
    """
    return [*_petiole_lines(scores), *_near_lines(scores)]


def _petiole_lines(scores):
    for short, mine in scores.petioles.groupby("settles", sort=False):
        n = mine["specimen"].nunique()
        depends = f"The verdict for {_nutrients(mine)}{f' in {n} samples' * (n > 1)} depends on it"
        text = f"Were petioles left on? {depends}: short only for leaves {short} petiole"
        yield Line(Kind.QUESTION, text, "Question")


def _near_lines(scores):
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
        told = [_of_one(r) for r in records(rows)] if n == 1 else [_of_many(*one) for one in by_nutrient]
        text = f"{ASKED[differs]}{f' in {n} samples' if n > 1 else ''}? Short by the range for {where}:"
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
