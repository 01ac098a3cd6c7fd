"""What a crop needs, when, from which product, and what carries over to the next season."""

from fertkit.budget.blends import Blend, blend
from fertkit.budget.farm import FarmBudget, farm_budget
from fertkit.budget.needs import NutrientBudget, nutrient_budget
from fertkit.budget.peaks import PeakComparison, compare_peaks
from fertkit.budget.products import (
    ProductRate,
    check_seed_row,
    nutrients_per_gallon,
    product_cautions,
    product_rate,
    seed_row_limit,
)
from fertkit.budget.season import SeasonDemand, season_demand
from fertkit.budget.soil import SoilRate, soil_rate
from fertkit.budget.supply import SupplyGap, supply_gap
from fertkit.budget.systems import SystemComparison, compare_systems
from fertkit.budget.thresholds import convert_soil_test
from fertkit.budget.timing import growing_degree_days

__all__ = [
    "Blend",
    "FarmBudget",
    "NutrientBudget",
    "PeakComparison",
    "ProductRate",
    "SeasonDemand",
    "SoilRate",
    "SupplyGap",
    "SystemComparison",
    "blend",
    "check_seed_row",
    "compare_peaks",
    "compare_systems",
    "convert_soil_test",
    "farm_budget",
    "growing_degree_days",
    "nutrient_budget",
    "nutrients_per_gallon",
    "product_cautions",
    "product_rate",
    "season_demand",
    "seed_row_limit",
    "soil_rate",
    "supply_gap",
]
