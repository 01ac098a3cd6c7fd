"""The verdict on a leaf report: an all-clear only where every column was read and every result judged."""

import itertools
import re

import pandas as pd

from fertkit.reference.facts import load_facts
from fertkit.results import capital, counted, records
from fertkit.say.leaf_results import limits_text, small, value_text
from fertkit.tissue.explanation import MANY, STARVED, STUNTED_GROWTH
from fertkit.tissue.verdicts import ACT, MARGINAL, POSSIBLY, SHORT_NOW, TOXIC, UNUSABLE, soiled
from fertkit.tissue.verdicts import HIGH as ABOVE

MOST = 4  # samples named one by one
VERDICT = "Verdict"  # label of its line
CLEAR = "Nothing needs action"
NO_CLEAR = "This is not an all-clear"
NONE_SHORT = "nothing is short by any source"
NONE_JUDGED_SHORT = "no result that could be judged is short"


def gaps(scores, soil: bool = True) -> list[str]:
    """What the verdict does not speak of: columns not read, samples not scored, results not judged.

    Results of elements no crop runs short of (Al, Na), and of a form of a nutrient whose total was judged
    in the same sample (NO3-N beside N), leave no gap.
    """
    table = scores.agreement[_total(scores.agreement).isin(load_facts("mobility")["nutrient"])]
    judged = table.groupby("specimen")["sources"].transform("max") > 0
    away = scores.agreement.groupby("label", sort=False)["sources"].max()
    away = away.index[away == 0]
    every = pd.MultiIndex.from_product([sorted(set(table[name])) for name in ("label", "nutrient")])
    none = every.difference(pd.MultiIndex.from_frame(table[["label", "nutrient"]]), sort=False)
    lost, none = table[judged & (table["sources"] == 0)], none.to_frame(name=["label", "nutrient"])
    totals = pd.MultiIndex.from_frame(table.loc[table["sources"] > 0, ["label", "nutrient"]])
    lost, none = (t[~pd.MultiIndex.from_arrays([t["label"], _total(t)]).isin(totals)] for t in (lost, none))
    shown = "sample" + "s" * (len(away) > 1) if len(away) <= MOST else ""
    iron = scores.scored[scores.scored["nutrient"] == "Fe"]
    iron = iron[iron["specimen"].isin(soiled(scores.scored))] if soil else iron.iloc[:0]
    told = {
        "not read": [f"{r.nutrient} (column '{r.column}')" for r in records(scores.unread)],
        shown: [f"{named_samples(away)} (not scored)"] if len(away) else [],
        "not judged": _by_samples(lost),
        "no result for": _by_samples(none),
        "unusable, soil on the leaf:": _by_samples(iron),
    }
    one = {what: "; ".join(names) for what, names in told.items() if names}
    return [f"{what} ({names})" if ";" in names else f"{what} {names}".strip() for what, names in one.items()]


def _total(rows):
    """The nutrient each result is, or is a form of: N for N and NO3-N."""
    return rows["nutrient"].str.split("-").str[-1]


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
    first = first.rename(columns={"about": "nutrient"})[["specimen", "nutrient", "key", "cause"]]
    rows = above.merge(first, on=["specimen", "nutrient"], how="left").fillna({"key": "", "cause": ""})
    said = []
    for _, mine in rows.groupby("key", sort=False):
        nutrients = list(dict.fromkeys(mine["nutrient"]))
        cause = re.sub(rf"\b{nutrients[0]}\b", " and ".join(nutrients), small(mine["cause"].iloc[0]))
        said.append(f"{'; '.join(_by_samples(mine))}{f' ({cause})' if cause else ''}")
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
        values = records(rows.sort_values("value").iloc[[0, -1]])
        values = " to ".join(dict.fromkeys(map(value_text, values)))
        limits = limits_text(rows["lowest_limit"].min(), rows["highest_limit"].max())
        said.append(f"{nutrient} {values} {unit} in {named_samples(rows['label'])} (limit {limits})")
    first = causes[causes["about"].isin(over["nutrient"]) & causes["specimen"].isin(over["specimen"])]
    first = first[first["rank"] == 1]
    likely = dict.fromkeys(f"{small(r.cause)}; check {r.settle_by}" for r in records(first))
    likely = f". Likely: {'. Or: '.join(likely)}" if likely else ""
    return [f"Above a limit its source calls toxic: {'; '.join(said)}{likely}"] if said else []


def soiled_text(explanation) -> list[str]:
    """That soil on the leaf makes iron and aluminium unusable; none, or one text."""
    lost = explanation.verdicts[explanation.verdicts["status"] == UNUSABLE]
    if lost.empty:
        return []
    values = {label: ", ".join(f"{r.nutrient} {value_text(r)}" for r in records(rows))
              for label, rows in lost.groupby("label", sort=False)}  # fmt: skip
    named = "; ".join(f"{text} mg/kg in {label}" for label, text in list(values.items())[:MOST])
    more = f"; and {len(values) - MOST} more" if len(values) > MOST else ""
    return [f"Soil on the leaf: {named}{more}. Wash and sample again; do not use its Fe"]


def many_text(explanation) -> list[str]:
    """That many nutrients moved together, so that roots and water come first; one text for each kind."""
    causes = explanation.causes
    first = causes[(causes["about"] == MANY) & (causes["rank"] == 1)]
    stunted = first["key"] == STUNTED_GROWTH
    said = []
    if stunted.any():
        said.append(
            f"Something else stopped growth in {named_samples(first[stunted]['label'])}; find it first"
        )
    if (~stunted).any():
        named = named_samples(first[~stunted]["label"])
        said.append(f"Check roots and water first in {named}: many nutrients are low together")
    return said


def _lent(scores):
    """Whose crop, stage or part was taken from above the table of another sample, and from which row."""
    labels = scores.scored.drop_duplicates("specimen").set_index("specimen")["label"]
    told = scores.lent.assign(label=scores.lent["specimen"].map(labels)).dropna(subset="label")
    said = {what: named_samples(rows["label"]) for what, rows in told.groupby("what", sort=False)}
    return [f"Read from an earlier table for {who}: {what}" for what, who in said.items()]


def _short(verdicts, items):
    """'K in North; S in South (low relative to N)': worst first."""
    keys = ["specimen", "nutrient"]
    rows = verdicts.merge(items[[*keys, "rank", "ratio"]], on=keys)
    wide, by = rows["ratio"].notna(), {}
    for (nutrient, ratio), mine in rows.sort_values("rank", kind="stable").groupby(
        ["nutrient", wide], sort=False
    ):
        over = mine["ratio"].iloc[0].over if ratio else ""
        relative = f" (low relative to {over})" * bool(ratio)
        by.setdefault((tuple(dict.fromkeys(mine.sort_index()["label"])), relative), []).append(nutrient)
    return "; ".join(f"{', '.join(names)} in {named_samples(labels)}{relative}"
                     for (labels, relative), names in by.items())  # fmt: skip


def _by_samples(rows):
    """'Zn, Mn in North; Fe in South'."""
    by = {}
    for nutrient, mine in rows.groupby("nutrient", sort=False):
        by.setdefault(tuple(dict.fromkeys(mine["label"])), []).append(nutrient)
    return [f"{', '.join(nutrients)} in {named_samples(labels)}" for labels, nutrients in by.items()]


def named_samples(labels) -> str:
    """Name a few samples, or count them: 'North 1, 2 and South 1', where the next repeats the field."""
    names = list(dict.fromkeys(labels))
    if len(names) > MOST:
        return counted(len(names), "sample")
    places = [name.rpartition(" ")[0] for name in names]
    short = [
        name.rpartition(" ")[2] if place and place == before else name
        for name, place, before in zip(names, places, ["", *places], strict=False)
    ]
    return " and ".join(filter(None, [", ".join(short[:-1]), short[-1]])) if short else ""
