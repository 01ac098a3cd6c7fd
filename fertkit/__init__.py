"""fertkit: crop nutrition field by field, from nutrient budget to economic optimum rate."""

__version__ = "0.1.0"
