"""Whether a report gives oxides where it names elements."""

import numpy as np
import pandas as pd

from fertkit.reference.facts import load_facts, threshold
from fertkit.rounding import above, at_least, at_most
from fertkit.units import element_fraction

OXIDES = {"P": "P2O5", "K": "K2O", "Ca": "CaO", "Mg": "MgO", "S": "SO3"}
CHECK = "elements that look like oxides"


def oxide_checks(scored: pd.DataFrame) -> list[tuple]:
    """Rows for `checks_frame`: one if the results of some element look like oxides, else none."""
    share = load_facts("sanity", ("low", "high")).set_index("check").loc["share as oxides", "low"]
    value, low, high = (scored[name].to_numpy(float) for name in ("value", "low", "high"))
    source = pd.factorize(scored["source_key"])[0]
    told = ~(np.isnan(value) | np.isnan(low) | np.isnan(high)) & (scored["censored"] == "").to_numpy()
    found = {}
    for element, oxide in OXIDES.items():
        mine = np.flatnonzero(told & (scored["nutrient"] == element).to_numpy())
        limits = value[mine], low[mine], high[mine]
        if len(mine) and _looks_like(*limits, source[mine], element_fraction(oxide), share):
            found[element] = pd.unique(scored["specimen"].to_numpy()[mine]).size
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
