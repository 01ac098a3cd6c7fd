"""What the soil test of one field says: classes by the systems that carry its crop, rates for its goal."""

import numpy as np
import pandas as pd

from fertkit.budget.fields import read_fields
from fertkit.budget.targets import Targets, nutrient_targets
from fertkit.budget.thresholds import OXIDE
from fertkit.budget.yields import goal_units, highest_goal
from fertkit.reference.crops import crop_name
from fertkit.rounding import below

#: Tests that are facts of the field by themselves.
NUMBERS = {"pH": "ph", "OM": "om", "CEC": "cec"}
THIS = "this field"
ELEMENT = {oxide: element for element, oxide in OXIDE.items()}
LOW, ENOUGH, HIGH = "low", "enough", "high"


def levels_of(levels: pd.DataFrame, field: str) -> pd.DataFrame:
    """Return the soil tests of a field; those of the only field where no other name is known.

    Parameters
    ----------
    levels : DataFrame
        ``SoilTests.levels``.
    field : str
        '' for a field without a name.
    """
    names = levels["field"].astype(str).str.strip().str.casefold()
    if field.strip().casefold() in set(names):
        return levels[names == field.strip().casefold()]
    alone = len(set(names)) == 1 and (not field or "" in set(names))
    return levels if alone else levels.iloc[:0]


def soil_targets(
    levels, crop: str, goal: float | None = None, goal_unit: str | None = None, **studies
) -> Targets:
    """Return rates and classes of the systems that carry a crop.

    Without a goal one stands in that no class depends on; the rates are not to be used then.

    Parameters
    ----------
    levels : DataFrame
        Of one field.
    crop : str
    goal : float, optional
        Yield goal [`goal_unit`].
    goal_unit : str, optional
    **studies
        Whose tables decide, as `fertkit.budget.targets.nutrient_targets` takes it.
    """
    crop = crop_name(crop)
    unit = goal_unit or goal_units(crop)[0]
    amount = highest_goal(crop, unit) if goal is None else goal
    about = {"field": [THIS], "crop": [crop], "area_ac": [1.0], "yield_goal": [amount], "yield_unit": [unit]}
    return nutrient_targets(
        read_fields(pd.DataFrame(about))[0], levels.assign(field=THIS, zone=""), **studies
    )


def soil_classes(targets: Targets) -> pd.DataFrame:
    """Return nutrient, word (low, enough, high; '' where systems differ), test, unit, extractant, source_key.

    A test is low below the critical level of a system, high from its maintenance limit on. Only systems that
    are current and draw these lines count.
    """
    rows = targets.systems
    rows = rows[(rows["status"] == "current") & np.isfinite(rows["critical"]) & rows["test"].notna()]
    high = np.isfinite(rows["limit"]) & ~below(rows["test"], rows["limit"])
    words = np.select([below(rows["test"], rows["critical"]), high], [LOW, HIGH], ENOUGH)
    said = []
    for nutrient, mine in rows.assign(word=words).groupby("nutrient", sort=False):
        first, found = mine.iloc[0], set(mine["word"])
        word = found.pop() if len(found) == 1 else "" if LOW in found else ENOUGH
        keys = ";".join(mine["source_key"])
        said.append((ELEMENT.get(nutrient, nutrient), word, first["test"], first["test_unit"],
                     first["extractant"], keys))  # fmt: skip
    return pd.DataFrame(said, columns=["nutrient", "word", "test", "unit", "extractant", "source_key"])


def soil_facts(levels: pd.DataFrame, classes: pd.DataFrame | None) -> dict:
    """Return field facts of a soil test: pH, organic matter and CEC, and P, K ... low, enough or high."""
    numbers = levels[levels["analyte"].isin(list(NUMBERS))].groupby("analyte", sort=False)["value"].mean()
    facts = {NUMBERS[analyte]: float(value) for analyte, value in numbers.items()}
    if classes is None:
        return facts
    return facts | {f"soil_{r.nutrient}": r.word for r in classes.itertuples() if r.word}
