"""What a crop needs, when, from which product, and what carries over to the next season."""

from fertkit.budget.blends import Blend, blend
from fertkit.budget.buffers import decline_without_p, half_life_years, soil_buffer
from fertkit.budget.farm import FarmBudget, farm_budget
from fertkit.budget.ledger import Ledger, SkippedYear, carry_over, skip_year
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
    "Ledger",
    "NutrientBudget",
    "PeakComparison",
    "ProductRate",
    "SeasonDemand",
    "SkippedYear",
    "SoilRate",
    "SupplyGap",
    "SystemComparison",
    "blend",
    "carry_over",
    "check_seed_row",
    "compare_peaks",
    "compare_systems",
    "convert_soil_test",
    "decline_without_p",
    "farm_budget",
    "growing_degree_days",
    "half_life_years",
    "nutrient_budget",
    "nutrients_per_gallon",
    "product_cautions",
    "product_rate",
    "season_demand",
    "seed_row_limit",
    "skip_year",
    "soil_buffer",
    "soil_rate",
    "supply_gap",
]
