"""What a crop needs, when, from which product, and what carries over to the next season."""

from fertkit.budget.farm import FarmBudget, farm_budget
from fertkit.budget.needs import NutrientBudget, nutrient_budget

__all__ = ["FarmBudget", "NutrientBudget", "farm_budget", "nutrient_budget"]
