"""Results above a published range, with what could have put them there: each reason a sourced fact."""

import pandas as pd

from fertkit.reference.facts import load_facts
from fertkit.tissue.ranking import ENOUGH, limit_text, value_text

HIGH = ("high", "excessive")
ABOVE_COLUMNS = ["specimen", "sample_id", "label", "nutrient", "class", "finding", "reasons", "source_key"]
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
        specimen, sample_id, label, nutrient, class (the highest), finding, reasons (in words; '' for
        a nutrient no known reason names), source_key (of the ranges and of the reasons).
    """
    judged = scored[scored["class"].isin(ENOUGH) | scored["class"].isin(["deficient", "low"])]
    judged = judged[judged["unit"] != "ratio"]
    judged = judged[judged.groupby("specimen")["class"].transform(lambda c: c.isin(HIGH).any()).astype(bool)]
    rows = []
    for (*named, nutrient), mine in judged.groupby(
        ["specimen", "sample_id", "label", "nutrient"], sort=False
    ):
        over = mine[mine["class"].isin(HIGH)]
        if len(over) and 2 * len(over) >= len(mine):
            reasons = _reasons(nutrient)
            keys = [*over["source_key"], *reasons["source_key"]]
            worst = HIGH[int((over["class"] == HIGH[1]).any())]
            text = ". ".join(
                f"{r.key.capitalize()}: {r.what}. {r.look_for} ({r.source_key})" for r in reasons.itertuples()
            )
            who = (*named, nutrient)
            rows.append((*who, worst, _finding(over, len(mine)), text, ";".join(dict.fromkeys(keys))))
    return pd.DataFrame(rows, columns=ABOVE_COLUMNS)


def _finding(over, asked):
    r = over.iloc[0]
    limits = over["toxic_above"].where(over["class"] == HIGH[1], over["high"]).dropna()
    ends = [limit_text(end) for end in sorted({limits.min(), limits.max()})]
    count = "the only source" if asked == 1 else f"{len(over)} of {asked} sources"
    return (
        f"{r['label']}: {r['nutrient']} {value_text(r)} {r['unit']} against upper limits of "
        f"{' to '.join(ends)} {r['unit']}, above by {count} ({'; '.join(over['source_key'])})"
    ).replace("upper limits of" if len(ends) == 1 else "\0", "an upper limit of")


def _reasons(nutrient):
    """Distortions that add to the nutrient; stunted growth concentrates any."""
    facts = load_facts("distortions")
    facts = facts[facts["key"].isin(REASONS)]
    named = facts["nutrients"].map(lambda text: nutrient in text.split())
    return facts[named] if named.any() else facts[facts["nutrients"] == ""]
