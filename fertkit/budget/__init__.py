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
  Extractant and depth must be those of the system; `convert_soil_test` is explicit, never silent.
* Products (`product_rate`, `blend`): rate over analysis; a blend is the least-cost mix by linear
  programming. `check_seed_row` and `product_cautions` stand beside them.
* The season of a farm (`plan_season`): rates by policy for every field, passes, and the rotation's books.
* Next year (`carry_over`, `skip_year`): applied less removed, and what that does to a soil test by
  published buffering, as a range.

All figures are averages of their sources, no rate to apply: local rules, the product label and a licensed
or certified adviser govern.

Examples
--------
40 bushels of soybeans carry 56 lb of K2O off the field (MSU2017), in 93 lb of potassium chloride:

>>> from fertkit.budget import nutrient_budget, product_rate
>>> table = nutrient_budget("soybean", 40, source="MSU2017").table.set_index("nutrient")
>>> potash = float(table.loc["K2O", "removed"])
>>> round(potash, 1), round(product_rate("potassium chloride 60", "K2O", potash).product_lb_ac)
(56.0, 93)
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "blends": ["blend"],
        "farm": ["farm_budget"],
        "ledger": ["carry_over", "skip_year"],
        "needs": ["nutrient_budget"],
        "peaks": ["compare_peaks"],
        "plan": ["plan_season"],
        "products": ["check_seed_row", "product_rate"],
        "season": ["season_demand"],
        "soil": ["soil_rate"],
        "supply": ["supply_gap"],
        "systems": ["compare_systems"],
    },
)
