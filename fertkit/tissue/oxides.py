"""Whether a report gives oxides where it names elements."""

import numpy as np
import pandas as pd

from fertkit.reference.facts import load_facts, threshold
from fertkit.rounding import above, at_least, at_most
from fertkit.units import element_fraction

OXIDES = {"P": "P2O5", "K": "K2O", "Ca": "CaO", "Mg": "MgO", "S": "SO3"}
LIMITED = ["value", "low", "high"]
_ASKED = ["specimen", "source_key", *LIMITED]
CHECK = "elements that look like oxides"


def oxide_checks(scored: pd.DataFrame) -> list[tuple]:
    """Rows for `checks_frame`: one if the results of some element look like oxides, else none."""
    share = load_facts("sanity", ("low", "high")).set_index("check").loc["share as oxides", "low"]
    told, found = scored["censored"] == "", {}
    given = set(scored["nutrient"].unique())
    for element in [name for name in OXIDES if name in given]:  # one by one: each is a copy of its rows
        mine = scored.loc[told & (scored["nutrient"] == element), _ASKED].dropna(subset=LIMITED)
        source, limits = pd.factorize(mine["source_key"])[0], mine[LIMITED].to_numpy(float).T
        if _looks_like(*limits, source, element_fraction(OXIDES[element]), share):
            found[element] = mine["specimen"].nunique()
    if not found or (max(found.values()) < threshold("samples like oxides") and len(found) < 2):
        return []
    named = ", ".join(f"{e} ({OXIDES[e]} is {1 / element_fraction(OXIDES[e]):.2f} times {e})" for e in found)
    meaning = (
        f"nearly all values are above the ranges, but within them if reported as oxides: {named}. High "
        "supply looks the same: ask the laboratory. Nothing was converted"
    )
    return [(CHECK, len(found), "0 elements", False, meaning)]


def _looks_like(value, low, high, source, fraction, share) -> bool:
    """Whether the values lie above every source's range, and as oxide inside one at least."""
    counts = np.bincount(source)
    over = np.bincount(source, above(value, high))
    inside = np.bincount(source, at_most(low, value * fraction) & at_most(value * fraction, high))
    held = counts > 0
    return bool(
        at_least(over[held], share * counts[held]).all()
        and at_least(inside[held], share * counts[held]).any()
    )
