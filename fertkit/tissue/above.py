"""Results above a published range, with what could have put them there: each reason a sourced fact."""

import pandas as pd

from fertkit.reference.facts import load_facts
from fertkit.tissue.ranking import ENOUGH

HIGH = ("high", "excessive")
WHO = ["specimen", "sample_id", "label"]
ABOVE_COLUMNS = [
    *WHO, "nutrient", "class", "value", "unit", "censored", "lowest_limit", "highest_limit", "over",
    "sources", "over_sources", "reasons", "source_key",
]  # fmt: skip
REASONS = ("soil on the leaf", "foliar residue", "stunted growth")


def above_ranges(scored: pd.DataFrame) -> pd.DataFrame:
    """Results at least half of the sources that judge them call high or excessive.

    Parameters
    ----------
    scored : DataFrame
        ``TissueScores.table``.

    Returns
    -------
    DataFrame
        specimen, sample_id, label, nutrient, class (the highest), value, unit, censored, lowest_limit and
        highest_limit, over (sources that call it so) of sources, over_sources, reasons (keys of known
        distortions), source_key (of the ranges and of the reasons).
    """
    judged = scored[scored["class"].isin(ENOUGH) | scored["class"].isin(["deficient", "low"])]
    judged = judged[judged["unit"] != "ratio"]
    judged = judged[judged.groupby("specimen")["class"].transform(lambda c: c.isin(HIGH).any()).astype(bool)]
    rows = []
    for named, mine in judged.groupby([*WHO, "nutrient"], sort=False):
        over = mine[mine["class"].isin(HIGH)]
        if len(over) and 2 * len(over) >= len(mine):
            excessive = over["class"] == HIGH[1]
            limits = over["toxic_above"].where(excessive, over["high"])
            reasons = _reasons(named[-1])
            keys = dict.fromkeys([*over["source_key"], *reasons["source_key"]])
            value = over[["value", "unit", "censored"]].iloc[0]
            asked = limits.min(), limits.max(), len(over), len(mine)
            words = "; ".join(over["source_key"]), "; ".join(reasons["key"]), ";".join(keys)
            rows.append((*named, HIGH[int(excessive.any())], *value, *asked, *words))
    return pd.DataFrame(rows, columns=ABOVE_COLUMNS)


def _reasons(nutrient):
    """Distortions that add to the nutrient; stunted growth concentrates any."""
    facts = load_facts("distortions")
    facts = facts[facts["key"].isin(REASONS)]
    named = facts["nutrients"].map(lambda text: nutrient in text.split())
    return facts[named] if named.any() else facts[facts["nutrients"] == ""]
