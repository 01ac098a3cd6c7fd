"""The verdict on a report in one line: what is short, what is too close to call, and what was not judged.

An all-clear is given only where every column of a nutrient was read and every result of it was judged.
"""

import pandas as pd

from fertkit.reference.facts import load_facts
from fertkit.results import capital, counted
from fertkit.tissue.doubts import STARVED, soil_on_leaf

MOST = 4  # samples named one by one
CLEAR = "Nothing needs action"
NO_CLEAR = "This is no all-clear"
NONE_SHORT = "nothing is short by any source that holds for these samples"
NONE_JUDGED_SHORT = "none of the results that could be judged is short"


def gaps(scores) -> list[str]:
    """What the verdict does not speak of: columns not read, samples not scored, results not judged.

    Results of elements no crop runs short of (Al, Na), and of a form of a nutrient whose total was judged
    (NO3-N beside N), leave no gap.
    """
    table = scores.agreement[scores.agreement["nutrient"].isin(load_facts("mobility")["nutrient"])]
    judged = table.groupby("specimen")["sources"].transform("max") > 0
    away = scores.agreement.groupby("label", sort=False)["sources"].max()
    held = pd.crosstab(table["nutrient"], table["label"]).melt(ignore_index=False).reset_index()
    told = {
        "not read": [f"{r.nutrient} (column '{r.column}')" for r in scores.unread.itertuples()],
        "not scored": [_named(away.index[away == 0])] if (away == 0).any() else [],
        "not judged": _by_samples(table[judged & (table["sources"] == 0)]),
        "no result for": _by_samples(held[held["value"] == 0]),
        "soil on the leaf, so nothing is known of": _by_samples(_soiled(scores.scored)),
    }
    one = {what: "; ".join(names) for what, names in told.items() if names}
    return [f"{what} ({names})" if ";" in names else f"{what} {names}" for what, names in one.items()]


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
    parts = [f"Short: {_short(certain)}"] if len(certain) else []
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
            over = (explanation.above["class"] == "excessive").any()
            parts.append(capital(said) if over else f"{CLEAR}: {said}")
    if len(beside):
        parts.append(f"Low along with nitrogen, not the cause: {'; '.join(_by_samples(beside))}")
    if len(explanation.above):
        parts.append(f"Above a range, which need not be uptake: {'; '.join(_by_samples(explanation.above))}")
    if len(close):
        parts.append(f"Too close to call, no action on these alone: {'; '.join(_by_samples(close))}")
    if missing:
        parts.append(f"{'Not in this verdict' if len(certain) else NO_CLEAR}: {'; '.join(missing)}")
    parts += _lent(scores)
    return ". ".join(parts) + "."


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
