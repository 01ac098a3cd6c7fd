"""Figures: every function takes a result (and an optional matplotlib axes) and returns the axes.

``draw(result, ax=None)`` finds the main figure of a result by its type. Every figure takes ``title=`` instead
of its own. A figure is a form filled from a result, one file a topic; the forms (bars, intervals, curves over
a rate, ...) are in ``forms`` and ``forms_lines``, what all figures share in ``style`` and ``palette``.
"""

from importlib import import_module

# type name of a result -> (module, function) of its main figure
MAIN_FIGURES: dict[str, tuple[str, str]] = {
    "NutrientBudget": ("budget", "budget_bars"), "FarmBudget": ("budget", "farm_bars"),
    "SeasonDemand": ("season", "season_curves"), "SupplyGap": ("season", "supply_lines"),
    "PeakComparison": ("season", "peak_dots"), "Blend": ("rates", "blend_bars"),
    "SoilRate": ("rates", "soil_rate_line"), "SystemComparison": ("rates", "system_rates"),
    "Ledger": ("ledger", "ledger_years"), "SkippedYear": ("ledger", "skipped_year"),
    "TissueSamples": ("tissue", "results_strip"), "TissueScores": ("tissue", "tissue_grid"),
    "Explanation": ("tissue", "explained_grid"), "PairComparison": ("tissue_compare", "pair_ratios"),
    "SeasonPath": ("tissue_compare", "season_lines"), "Balance": ("tissue_compare", "balance_bars"),
    "NutritionIndex": ("tissue_compare", "nutrition_curve"), "Norms": ("tissue_compare", "norm_spread"),
    "TreatmentComparison": ("tissue_compare", "treatment_means"), "StripTrial": ("trials", "trial_strips"),
    "StripMeans": ("trials", "trial_strips"), "StripAnalysis": ("trials", "strip_means"),
    "PairedAnalysis": ("trials", "pair_lines"), "SplitPlotAnalysis": ("trials", "split_plot_lines"),
    "PowerPlan": ("trials", "power_curve"), "PooledEstimate": ("trials", "forest"),
    "OneStage": ("trials", "site_effects"), "StripPlan": ("trial_maps", "field_sketch"),
    "CleanedPoints": ("trial_maps", "cleaning_map"), "YieldPoints": ("trial_maps", "yield_map"),
    "ResponseFit": ("response", "response_fit"), "ResponseAnalysis": ("response", "response_analysis"),
    "CurveComparison": ("response", "curve_comparison"), "CriticalLevel": ("response", "critical_level"),
    "NetReturn": ("returns", "net_return"), "PriceTable": ("returns", "price_ratio"),
    "Regret": ("returns", "regret"), "PooledReturn": ("returns", "pooled_return"),
    "StochasticPlateau": ("returns", "stochastic_plateau"), "BatchResult": ("batch", "batch_overview"),
    "ExpectedInterval": ("expected", "expected_intervals"),
}  # fmt: skip


def draw(result, ax=None, **options):
    """Draw the main figure of any fertkit result and return its axes."""
    module, function = MAIN_FIGURES[type(result).__name__]
    return getattr(import_module(f"fertkit.plots.{module}"), function)(result, ax=ax, **options)
