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
    return load_sheet("nutrients", (*places, "impossible_below", "low", "high", "impossible_above"))


_ROWS = load_nutrients().to_dict("records")


def _listed(use: str) -> tuple[str, ...]:
    listed = [row for row in _ROWS if row[use] == row[use]]
    return tuple(row["nutrient"] for row in sorted(listed, key=lambda row: row[use]))


#: Of leaf tests, as elements.
NUTRIENTS = _listed("leaf")
#: Of needs and of products; P and K as oxide, the form in which fertilizer is traded.
NUTRIENT_ORDER, OF_PRODUCTS = _listed("needs"), _listed("products")
OXIDE_OF = {row["element"]: row["nutrient"] for row in _ROWS if row["element"] and row["needs"] > 0}
MICRONUTRIENTS = tuple(row["nutrient"] for row in _ROWS if row["micronutrient"] == "yes")


@cache
def nutrient_words(oxides: bool, column: str = "also") -> dict[str, str]:
    """Give every word for a nutrient, or for an oxide, with its name; those of `beside_unit` need a unit."""
    rows = [row for row in _ROWS if bool(row["element"]) == oxides]
    return {word: row["nutrient"] for row in rows for word in row[column].split("|") if word}


def place_of(nutrient: str) -> tuple[int, str]:
    """Give the place of a nutrient in the list of needs, to sort by; one of a user's own comes last."""
    return (
        (NUTRIENT_ORDER.index(nutrient), "")
        if nutrient in NUTRIENT_ORDER
        else (len(NUTRIENT_ORDER), nutrient)
    )
