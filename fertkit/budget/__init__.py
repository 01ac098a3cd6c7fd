"""What a crop needs, when, from which product, and what carries over to the next season."""

from fertkit.budget.farm import FarmBudget, farm_budget
from fertkit.budget.needs import NutrientBudget, nutrient_budget
from fertkit.budget.peaks import PeakComparison, compare_peaks
from fertkit.budget.season import SeasonDemand, season_demand
from fertkit.budget.supply import SupplyGap, supply_gap
from fertkit.budget.timing import growing_degree_days

__all__ = [
    "FarmBudget",
    "NutrientBudget",
    "PeakComparison",
    "SeasonDemand",
    "SupplyGap",
    "compare_peaks",
    "farm_budget",
    "growing_degree_days",
    "nutrient_budget",
    "season_demand",
    "supply_gap",
]
