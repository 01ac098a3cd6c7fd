"""The nutrients: their names, the oxide they are traded as, their unit, and their place in every list.

A nutrient is a row of ``nutrients.csv``; readers, tables, needs, products and figures all ask here.
"""

from functools import cache

import pandas as pd

from fertkit.reference.facts import load_sheet


@cache
def load_nutrients() -> pd.DataFrame:
    """Load the nutrients and the oxides of some (`element` names it), with the usual span in leaves [`unit`].

    leaf, needs and products give the place in the lists of leaf tests, of needs and of products; a blank one
    is not in that list.
    """
    places = ("leaf", "needs", "products")
    return load_sheet("nutrients", (*places, "low", "high", "impossible_above"))


def _listed(use: str) -> tuple[str, ...]:
    return tuple(load_nutrients().dropna(subset=use).sort_values(use)["nutrient"])


#: Of leaf tests, as elements.
NUTRIENTS = _listed("leaf")
#: Of needs and of products; P and K as oxide, the form in which fertilizer is traded.
NUTRIENT_ORDER, OF_PRODUCTS = _listed("needs"), _listed("products")
OXIDE_OF = {r.element: r.nutrient for r in load_nutrients().itertuples() if r.element and r.needs > 0}
MICRONUTRIENTS = tuple(load_nutrients().loc[load_nutrients()["micronutrient"] == "yes", "nutrient"])


@cache
def nutrient_words(oxides: bool, column: str = "also") -> dict[str, str]:
    """Give every word for a nutrient, or for an oxide, with its name; those of `beside_unit` need a unit."""
    table = load_nutrients()
    table = table[(table["element"] != "") == oxides]
    named = zip(table["nutrient"], table[column].str.split("|"), strict=True)
    return {word: name for name, words in named for word in words if word}


def place_of(nutrient: str) -> tuple[int, str]:
    """Give the place of a nutrient in the list of needs, to sort by; one of a user's own comes last."""
    return (
        (NUTRIENT_ORDER.index(nutrient), "")
        if nutrient in NUTRIENT_ORDER
        else (len(NUTRIENT_ORDER), nutrient)
    )
