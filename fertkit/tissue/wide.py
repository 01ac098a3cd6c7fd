"""What ratios add to a verdict: rules that ask for one as well, and those above their published limits."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.reference.crops import base_crop
from fertkit.reference.facts import load_facts
from fertkit.results import cells, plain, records
from fertkit.tissue.classes import OVER, SHORT, Class, Reason


class WideRatio(NamedTuple):
    """A ratio above its published limits: `nutrient` is low relative to `over`."""

    ratio: str
    value: float
    lowest: float
    highest: float
    sources: str
    nutrient: str
    over: str


def apply_paired_rules(scored: pd.DataFrame) -> pd.DataFrame:
    """Call a nutrient short by a source whose rule asks for a ratio as well only where both hold.

    Parameters
    ----------
    scored : DataFrame
        ``TissueScores.table``.

    Returns
    -------
    DataFrame
        The same rows; where the ratio is below its limit the class is sufficient, where it is not known the
        result cannot be classed, each with the reason.
    """
    rules, sources = load_facts("paired", ("at_least",)), pd.unique(scored["source_key"])
    for rule in records(rules[rules["source_key"].isin(sources)]):
        mine = (scored["source_key"] == rule.source_key) & (scored["nutrient"] == rule.nutrient)
        mine &= scored["class"].isin(SHORT)
        if not mine.any():
            continue
        crops = [crop for crop in scored.loc[mine, "crop"].unique() if base_crop(crop) == rule.crop]
        mine &= scored["crop"].isin(crops)
        ratio = _ratios(scored, rule.ratio).reindex(scored.loc[mine, "specimen"]).set_axis(mine.index[mine])
        told = {"ratio": rule.ratio, "limit": plain(rule.at_least)}
        for rows, name, reason in (
            (ratio.index[ratio < rule.at_least], Class.SUFFICIENT, Reason.RATIO_BELOW),
            (ratio.index[ratio.isna()], Class.NOT_CLASSED, Reason.RATIO_UNKNOWN),
        ):
            if len(rows):
                words = [reason.text.format(**told, value=plain(ratio[i])) for i in rows]
                changed = {"class": name.value, "reason": words}
                scored = scored.assign(**{c: _with(scored[c], rows, new) for c, new in changed.items()})
                scored.loc[rows, "within_critical"] = False
                scored.loc[rows, "probability_below"] = np.nan
    return scored


def _with(column, rows, words):
    """A column with some of its texts changed: categories stay categories."""
    if column.dtype != "category":
        column = column.astype(object)
    else:
        new = pd.Index(np.atleast_1d(words)).unique().difference(column.cat.categories, sort=False)
        column = column.cat.add_categories(new)
    return column.where(~column.index.isin(rows), pd.Series(words, rows).reindex(column.index))


def _ratios(scored, name):
    """Ratio of each specimen that gives both results."""
    top, under = (
        scored[(scored["nutrient"] == n) & (scored["censored"] == "") & (scored["value"] > 0)]
        .drop_duplicates("specimen")
        .set_index("specimen")["value"]
        for n in name.split(":")
    )
    return (top / under).dropna()


def wide_ratios(rows: pd.DataFrame) -> dict[str, WideRatio]:
    """Nutrients of one sample that a ratio above its published limits calls low against another.

    Parameters
    ----------
    rows : DataFrame
        Its rows of ``TissueScores.table``.
    """
    told = {}
    for name, mine in _voting_ratios(rows).items():
        wide = [(high, key) for one, _, high, key in mine if one in OVER]
        if 2 * len(wide) > len(mine):
            value = next(value for one, value, *_ in mine if one in OVER)
            ends = [high for high, _ in wide if high == high] or [np.nan]
            top, under = name.split(":")
            keys = ", ".join(key for _, key in wide)
            told[under] = WideRatio(name, value, min(ends), max(ends), keys, under, top)
    return told


def _voting_ratios(rows):
    """Class, value, high end and source of each score of a ratio that has a vote, by its name."""
    found = {}
    columns = ("unit", "aside", "source_key", "nutrient", "class", "value", "high")
    for unit, aside, key, name, *told in cells(rows, *columns):
        if unit == "ratio" and key and not aside:
            found.setdefault(name, []).append((*told, key))
    return found


def wide_alone(scored: pd.DataFrame, items: pd.DataFrame) -> list[tuple[str, WideRatio]]:
    """Each wide ratio, by sample, in which no finding speaks of the nutrient it calls low."""
    said = set(zip(items["specimen"], items["nutrient"], strict=True))
    ratios, lines = scored[scored["unit"] == "ratio"], []
    for (specimen, label), rows in ratios.groupby(["specimen", "label"], sort=False):
        told = wide_ratios(rows)
        lines += [(label, wide) for nutrient, wide in told.items() if (specimen, nutrient) not in said]
    return lines


def balanced_with(rows: pd.DataFrame, short: set) -> list[str]:
    """Nutrients short together with the other one of a ratio that is not above any of its limits."""
    found = []
    for name, mine in _voting_ratios(rows).items():
        top, under = name.split(":")
        if {top, under} <= short and not any(one in OVER for one, *_ in mine):
            found.append(under)
    return found
