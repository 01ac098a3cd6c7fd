"""What a ratio such as N:S says of a nutrient: rules that ask for both, and which is short first."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.reference import base_crop
from fertkit.reference.facts import load_facts
from fertkit.results import plain
from fertkit.tissue.classes import CLASSES, HIGH, NOT_CLASSED, SUFFICIENT

SHORT = CLASSES[:SUFFICIENT]
HALF_MET = "below the limit, but short by this source only with {ratio} of {limit} or more; it is {value}"
NOT_TOLD = "short by this source only with {ratio} of {limit} or more, which the results do not tell"


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
    for rule in load_facts("paired", ("at_least",)).itertuples():
        mine = (scored["source_key"] == rule.source_key) & (scored["nutrient"] == rule.nutrient)
        mine &= scored["class"].isin(SHORT)
        if not mine.any():
            continue
        crops = [crop for crop in scored.loc[mine, "crop"].unique() if base_crop(crop) == rule.crop]
        mine &= scored["crop"].isin(crops)
        ratio = _ratios(scored, rule.ratio).reindex(scored.loc[mine, "specimen"]).set_axis(mine.index[mine])
        told = {"ratio": rule.ratio, "limit": plain(rule.at_least)}
        for rows, name, reason in (
            (ratio.index[ratio < rule.at_least], CLASSES[SUFFICIENT], HALF_MET),
            (ratio.index[ratio.isna()], CLASSES[NOT_CLASSED], NOT_TOLD),
        ):
            if len(rows):
                words = [reason.format(**told, value=plain(ratio[i])) for i in rows]
                scored = scored.copy(deep=False)
                scored["class"] = scored["class"].mask(scored.index.isin(rows), name)
                scored.loc[rows, "reason"] = words
                scored.loc[rows, "within_critical"] = False
                scored.loc[rows, "probability_below"] = np.nan
    return scored


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
    ratios = rows[(rows["unit"] == "ratio") & (rows["source_key"] != "")]
    for name, mine in ratios.groupby("nutrient", sort=False):
        wide = mine[mine["class"].isin(CLASSES[HIGH : HIGH + 2])]
        if 2 * len(wide) > len(mine):
            first = wide.iloc[0]
            ends = wide["high"].min(), wide["high"].max()
            top, under = name.split(":")
            told[under] = WideRatio(name, first["value"], *ends, ", ".join(wide["source_key"]), under, top)
    return told


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
    ratios = rows[(rows["unit"] == "ratio") & (rows["source_key"] != "")]
    found = []
    for name, mine in ratios.groupby("nutrient", sort=False):
        top, under = name.split(":")
        if {top, under} <= short and not mine["class"].isin(CLASSES[HIGH : HIGH + 2]).any():
            found.append(under)
    return found
