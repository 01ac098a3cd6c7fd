"""What the season of one field leaves for the next crop: applied less removed."""

from dataclasses import dataclass

import pandas as pd

from fertkit.budget.own import checked_own
from fertkit.budget.rates import residue_lb_ac
from fertkit.budget.studies import default_rows, worked_out
from fertkit.units import convert_area_rate

#: Nutrients whose books are kept.
NUTRIENTS = ("N", "P2O5", "K2O")


@dataclass(frozen=True)
class SeasonBook:
    """What was applied of a nutrient in a season, and what is removed with the harvest.

    Attributes
    ----------
    nutrient : {'N', 'P2O5', 'K2O'}
    unit : {'lb/ac', 'kg/ha'}
    applied, removed : float
        [`unit`]
    cost : float
        Of what was applied [money per acre or hectare, as `unit` has it].
    source_key : str
        Source of the removal.
    """

    nutrient: str
    unit: str
    applied: float
    removed: float
    cost: float
    source_key: str

    @property
    def balance(self) -> float:
        """What is left of P2O5 and K2O for the next crop [`unit`]; nitrogen is not carried."""
        return self.applied - self.removed


def season_book(budget, nutrient: str, applied: float, pounds: float, price: float, **studies) -> SeasonBook:
    """Keep the book of the season of one field: what was applied, and what is removed with the yield reached.

    Parameters
    ----------
    budget : NutrientBudget
        Whose crop, unit and residue are those of the field.
    nutrient : {'N', 'P2O5', 'K2O'}
    applied : float
        [`budget.unit`]
    pounds : float
        Yield reached [lb/ac as sold].
    price : float
        Of the nutrient [per lb, per kg if the unit of the budget is kg/ha].
    **studies
        source, without, region and own of the budget.
    """
    field = pd.DataFrame({"at": [0], "crop": budget.crop, "part": budget.part, "pounds": pounds,
                          "baled": budget.baled, "residue": residue_lb_ac(budget.crop, pounds)})  # fmt: skip
    studies["own"] = checked_own(studies.get("own"))
    rows = default_rows(worked_out(field, nutrients=[nutrient], **studies)).dropna(subset="removed")
    removed, source = rows[["removed", "removed_source"]].iloc[0]
    removed = float(convert_area_rate(removed, "lb/ac", budget.unit))
    return SeasonBook(nutrient, budget.unit, float(applied), removed, applied * price, source)
