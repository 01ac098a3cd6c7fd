"""Caution where results under an element's name look like its oxide: too high, yet within range as oxide.

Only a caution: rich supply looks the same, so nothing is ever converted.
"""

import numpy as np
import pandas as pd

from fertkit.reference.facts import load_facts
from fertkit.units import element_fraction

OXIDES = {"P": "P2O5", "K": "K2O", "Ca": "CaO", "Mg": "MgO", "S": "SO3"}
CHECK = "elements that look like oxides"
FEWEST = 3  # samples, unless two elements agree


def oxide_checks(scored: pd.DataFrame) -> list[tuple]:
    """Rows for `checks_frame`: one if the results of some element look like oxides, else none.

    Parameters
    ----------
    scored : DataFrame
        nutrient, source_key, value, low, high, censored; one row per sample, nutrient and source.
    """
    ranged = scored["low"].notna().to_numpy() & scored["high"].notna().to_numpy()
    names = scored["nutrient"].to_numpy(object)
    share = load_facts("sanity", ("low", "high")).set_index("check").loc["share as oxides", "low"]
    found = {}
    for element in OXIDES:
        mine = scored[ranged & (names == element)]
        if len(mine) and _looks_like(mine[mine["censored"] == ""], element, share):
            found[element] = mine["specimen"].nunique()
    if not found or (max(found.values()) < FEWEST and len(found) < 2):
        return []
    named = ", ".join(f"{e} ({OXIDES[e]} is {1 / element_fraction(OXIDES[e]):.2f} times {e})" for e in found)
    meaning = (
        f"nearly every value lies above the ranges, yet within them if the laboratory gave oxides: {named}; "
        "rich supply looks the same, so ask the laboratory. Nothing was converted"
    )
    return [(CHECK, len(found), "0 elements", False, meaning)]


def _looks_like(rows, element, share) -> bool:
    """Whether the values lie above every source's range, and as oxide inside one at least."""
    if rows.empty:
        return False
    value = rows["value"].to_numpy(float)
    as_element = value * element_fraction(OXIDES[element])
    low, high = rows["low"].to_numpy(float), rows["high"].to_numpy(float)
    keys = rows["source_key"].to_numpy(object)
    above = [np.mean(value[keys == key] > high[keys == key]) for key in pd.unique(keys)]
    inside = [
        np.mean((low <= as_element)[keys == key] & (as_element <= high)[keys == key])
        for key in pd.unique(keys)
    ]
    return min(above) >= share and max(inside) >= share
