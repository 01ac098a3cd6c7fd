"""What could make a tissue result lie: rules over the scores of one sample, each tied to a sourced fact."""

import pandas as pd

from fertkit.reference.facts import load_facts, threshold
from fertkit.tissue.ranking import SHORT
from fertkit.tissue.ratios import balanced_with

STARVED, MANY_TOGETHER, REMEMBERED = "nitrogen first", "many short together", "values from memory"
RESIDUE = ("Zn", "Mn", "Cu", "B", "Fe", "S")
SOIL = ("Fe", "Mn", "Al")
TOLD = ("drought", "wet soil", "cold soil", "stunted growth", "foliar residue")


def doubts_of(rows: pd.DataFrame, short: pd.DataFrame, told=()) -> pd.DataFrame:
    """Reasons to doubt the results of one sample.

    Parameters
    ----------
    rows : DataFrame
        Its rows of ``TissueScores.table``.
    short : DataFrame
        Its rows of ``TissueScores.shortfalls``.
    told : iterable of str
        What the user saw: drought, wet soil, cold soil, stunted growth, foliar residue.

    Returns
    -------
    DataFrame
        key, nutrient ('' for all), weakens ('yes' if it can explain the value away, 'in part' if it only
        lowers the certainty, 'no'), what, look_for, source_key, provenance.
    """
    found = [(key, "") for key in told]
    found += [("soil on the leaf", n) for n in SOIL if soil_on_leaf(rows)]
    found += [("foliar residue", n) for n in _residue(rows)]
    certain = set(short.loc[short["share_short"] >= 0.5, "nutrient"])
    found += [(STARVED, n) for n in balanced_with(rows, certain)]
    judged = rows[rows["source_key"] != ""]["nutrient"].nunique()
    clear = short[short["share_short"] >= 0.5]
    if len(clear) >= max(threshold("nutrients short together"), threshold("share short together") * judged):
        found += [(MANY_TOGETHER, ""), ("growth dilution", "")]
    found += [(key, n) for key, n in _antagonisms(rows)]
    found += [
        ("petiole not stated", n) for n in _all_marked(rows, "match", "source does not state the petiole")
    ]
    found += [(REMEMBERED, n) for n in _all_marked(rows, "provenance", "from_memory")]
    return with_facts(found)


def with_facts(found) -> pd.DataFrame:
    """(key, nutrient) pairs with what is known of each key."""
    facts = load_facts("distortions").set_index("key").drop(columns="nutrients")
    pairs = list(dict.fromkeys(found))
    return pd.DataFrame(pairs, columns=["key", "nutrient"], dtype=object).join(facts, on="key")


def soil_on_leaf(rows: pd.DataFrame) -> bool:
    """Whether iron and aluminium are high together, by the sanity limits or by the ranges that hold."""
    limits = load_facts("sanity", ("low", "high")).set_index("check")["high"]
    high = {}
    for nutrient in ("Fe", "Al"):
        mine = rows[(rows["nutrient"] == nutrient) & (rows["censored"] == "")]
        above = mine["value"] > limits[f"{nutrient} with soil"]
        high[nutrient] = bool((above | mine["class"].isin(["high", "excessive"])).any())
    return high["Fe"] and high["Al"]


def _residue(rows):
    """Elements above their toxic limit while the other sprayed elements are not."""
    over = rows[(rows["class"] == "excessive") & rows["nutrient"].isin(RESIDUE)]["nutrient"].unique()
    return list(over) if len(over) == 1 else []


def _antagonisms(rows):
    classes = {n: set(g) for n, g in rows.groupby("nutrient")["class"]}
    short = {n for n, c in classes.items() if c & set(SHORT)}
    high = {n for n, c in classes.items() if c & {"high", "excessive"}}
    if "Mg" in short and "K" in high and "sufficient" in classes.get("Ca", ()):
        yield "potassium over magnesium", "Mg"
    if "Zn" in short and "P" in high:
        yield "phosphorus over zinc", "Zn"


def _all_marked(rows, column, mark):
    """Nutrients every short verdict of which carries the mark."""
    short = rows[rows["class"].isin(SHORT)]
    marked = (short[column] == mark).groupby(short["nutrient"]).all()
    return list(marked.index[marked])
