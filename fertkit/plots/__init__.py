"""Figures: every function takes a result (and an optional matplotlib axes) and returns the axes.

``draw(result, ax=None)`` finds the main figure of a result by its type. Every figure takes ``title=`` instead
of its own. A figure is a form filled from a result, one file a floor; the forms that several files use are in
``forms``, what all figures share in ``style`` and ``palette``.
"""

from importlib import import_module

# type name of a result -> (module, function) of its main figure
MAIN_FIGURES: dict[str, tuple[str, str]] = {
    "NutrientBudget": ("budget", "budget_bars"), "FarmBudget": ("budget", "farm_bars"),
    "SeasonDemand": ("season", "season_curves"), "SupplyGap": ("season", "supply_lines"),
    "SoilRate": ("budget", "soil_rate_line"),
    "TissueSamples": ("leaf", "results_strip"), "TissueScores": ("leaf", "tissue_grid"),
    "Explanation": ("leaf", "explained_grid"), "PairComparison": ("leaf", "pair_ratios"),
    "FieldHistory": ("history", "history_panels"), "Balance": ("leaf", "balance_bars"),
    "NutritionIndex": ("leaf", "nutrition_curve"), "Norms": ("leaf", "norm_spread"),
    "RatioTable": ("leaf", "ratio_rows"),
    "TreatmentComparison": ("leaf", "treatment_means"), "StripTrial": ("trials", "trial_strips"),
    "StripMeans": ("trials", "trial_strips"), "StripAnalysis": ("trials", "strip_means"),
    "FactorPlan": ("layouts", "power_curve"), "NetworkPlan": ("layouts", "network_sizes"),
    "RatePlacing": ("layouts", "placed_rates"), "Residuals": ("trials", "residual_panels"),
    "TreatmentReturn": ("trials", "return_over_check"), "Equivalence": ("trials", "margin_held"),
    "PairedAnalysis": ("trials", "pair_lines"), "TwoFactorAnalysis": ("trials", "factor_lines"),
    "PowerPlan": ("layouts", "power_curve"), "PooledEstimate": ("trials", "forest"),
    "NetworkFit": ("network", "network_curves"), "NetworkRate": ("network", "network_rate"),
    "JoinedTrial": ("trials", "joined_map"), "StripPlan": ("layouts", "field_sketch"),
    "CleanedPoints": ("trials", "cleaning_map"), "YieldPoints": ("trials", "yield_map"),
    "ResponseFit": ("response", "response_fit"), "ResponseAnalysis": ("response", "response_analysis"),
    "CurveComparison": ("response", "curve_comparison"),
    "NetReturn": ("response", "net_return"), "PriceTable": ("response", "price_ratio"),
    "RateWorth": ("response", "rate_worth"),
    "Regret": ("response", "regret"), "PooledReturn": ("response", "pooled_return"),
    "BatchResult": ("response", "batch_overview"),
    "SurfaceAnalysis": ("surface", "surface_contours"),
    "ExpectedInterval": ("layouts", "expected_intervals"), "SeasonPlan": ("plan", "farm_rates"),
    "GroupedResponse": ("groups", "grouped_response"),
    "Guesses": ("guesses", "guess_dots"),
    "FieldAnswer": ("sheet", "field_figure"),
    "FieldsAnswer": ("sheet", "fields_figure"),
}  # fmt: skip


def draw(result, ax=None, **options):
    """Draw the main figure of any fertkit result and return its axes."""
    module, function = MAIN_FIGURES[type(result).__name__]
    return getattr(import_module(f"fertkit.plots.{module}"), function)(result, ax=ax, **options)
