"""What a crop needs, when, from which product, and what carries over to the next season."""

from fertkit.budget.farm import FarmBudget, farm_budget
from fertkit.budget.needs import NutrientBudget, nutrient_budget
from fertkit.budget.peaks import PeakComparison, compare_peaks
from fertkit.budget.season import SeasonDemand, season_demand
from fertkit.budget.soil import SoilRate, soil_rate
from fertkit.budget.supply import SupplyGap, supply_gap
from fertkit.budget.systems import SystemComparison, compare_systems
from fertkit.budget.thresholds import convert_soil_test
from fertkit.budget.timing import growing_degree_days

__all__ = [
    "FarmBudget",
    "NutrientBudget",
    "PeakComparison",
    "SeasonDemand",
    "SoilRate",
    "SupplyGap",
    "SystemComparison",
    "compare_peaks",
    "compare_systems",
    "convert_soil_test",
    "farm_budget",
    "growing_degree_days",
    "nutrient_budget",
    "season_demand",
    "soil_rate",
    "supply_gap",
]
