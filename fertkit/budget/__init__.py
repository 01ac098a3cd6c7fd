"""What a crop needs, when, from which product, and what carries over to the next season.

Method
------
* Needs (`nutrient_budget`): published amounts for a unit of yield times the yield goal; what leaves with
  the harvest and what stays are kept apart, source by source. Fertilizer is stated as oxides (P2O5, K2O).
* Season (`season_demand`): a rising curve through the published shares of the season's uptake, on stage
  days or degree days; its slope is the daily demand. Where few points are published it says so.
* Supply (`supply_gap`): soil and fertilizer supply against that curve.
* Soil test (`soil_rate`): build-up and maintenance, a sum of terms, or a table, as one state's system has it;
  `targets.nutrient_targets` for many fields, `credits` for manure, `buffers.lime_rates` for lime.
  Extractant and depth must be those of the system.
* The season of a farm (`plan_season`): rates by policy for every field, the passes and products of least
  cost, with what may go beside the seed, and the rotation's books: applied less removed, what that does to a
  soil test by published buffering, as a range, and what a year without would save and cost.

All figures are averages of their sources, no rate to apply: local rules, the product label and a licensed
or certified adviser govern.

Examples
--------
40 bushels of soybeans carry 56 lb of K2O off the field (MSU2017):

>>> from fertkit.budget import nutrient_budget
>>> table = nutrient_budget("soybean", 40, source="MSU2017").table.set_index("nutrient")
>>> round(float(table.loc["K2O", "removed"]), 1)
56.0
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "farm": ["farm_budget"],
        "needs": ["nutrient_budget"],
        "plan": ["plan_season"],
        "season": ["season_demand"],
        "soil": ["soil_rate"],
        "supply": ["supply_gap"],
    },
)
