"""Columns of a rotation that say what was applied: nutrient and unit in the name."""

import re

import numpy as np
import pandas as pd

from fertkit.errors import Problem
from fertkit.units import convert_area_rate

UNIT_OF = {"lb_ac": "lb/ac", "kg_ha": "kg/ha"}
#: Words and symbols by which a column seems to hold an amount of a nutrient; symbols only in front.
WORDS = {"p2o5", "k2o", "nitrogen", "phosphorus", "phosphate", "potassium", "potash", "sulfur", "sulphur",
         "calcium", "magnesium", "zinc", "boron"}  # fmt: skip
SYMBOLS = {"n", "p", "k", "s", "ca", "mg", "zn", "mn", "b", "fe", "cu"}
#: Words that make it a concentration, a test or a price instead.
NO_AMOUNT = {"ppm", "pct", "percent", "test", "price", "cost"}


def applied_columns(rotation: pd.DataFrame, nutrients) -> tuple[dict, list[Problem]]:
    """Find the columns of what was applied.

    Parameters
    ----------
    rotation : DataFrame
    nutrients : sequence of str
        Those that are kept in the books (N, P2O5, K2O).

    Returns
    -------
    columns : dict
        Nutrient -> (column, unit), in the order of `nutrients`.
    problems : list of Problem
        Columns that seem to hold a nutrient but cannot be read, or hold one twice.
    """
    columns, problems = {}, []
    named = {f"{n.lower()}_{end}": (n, unit) for n in nutrients for end, unit in UNIT_OF.items()}
    for column in rotation.columns:
        if column in named:
            nutrient, unit = named[column]
            if nutrient in columns:
                twice = f"{nutrient} is also in {columns[nutrient][0]}"
                problems.append(Problem(twice, "keep one of the two", column=column))
            columns[nutrient] = (column, unit)
        elif _seems_applied(str(column)):
            remedy = f"name it one of: {', '.join(named)}; or leave it out"
            problems.append(Problem("a nutrient amount that cannot be read", remedy, column=column))
    return {n: columns[n] for n in nutrients if n in columns}, problems


def _seems_applied(column):
    words = re.findall(r"[a-z0-9]+", column.lower())
    if not words or NO_AMOUNT & set(words):
        return False
    return words[0] in SYMBOLS or bool(WORDS & set(words))


def applied_rates(rotation: pd.DataFrame, columns: dict, unit: str, problems: list) -> pd.DataFrame:
    """Read the rates of each nutrient [`unit`], adding a problem for every cell that is not one."""
    rates = {}
    for nutrient, (column, own) in columns.items():
        rate = pd.to_numeric(rotation[column], errors="coerce").astype(float)
        for i in rate.index[~(rate >= 0) | ~np.isfinite(rate)]:
            problems.append(
                Problem("not a rate", f"write 0 or more {own}", i + 2, column, rotation[column][i])
            )
        rates[nutrient] = rate if own == unit else convert_area_rate(rate, own, unit)
    return pd.DataFrame(rates, index=rotation.index)
