"""Sentences: what a result says, line by line; no one above takes one apart.

``lines(result)`` finds the sentences of a result by its type; one file a topic.
"""

from importlib import import_module

from fertkit.say.line import Kind, Line

__all__ = ["Kind", "Line", "lines"]

# type name of a result -> (module, function) of its sentences
SENTENCES: dict[str, tuple[str, str]] = {
    "NutrientBudget": ("needs", "budget_lines"),
    "FarmBudget": ("needs", "farm_lines"),
    "SeasonDemand": ("season", "demand_lines"),
    "SupplyGap": ("season", "gap_lines"),
    "PeakComparison": ("season", "peak_lines"),
    "SoilRate": ("rates", "soil_rate_lines"),
    "SystemComparison": ("rates", "system_lines"),
    "ProductRate": ("rates", "product_lines"),
    "Blend": ("rates", "blend_lines"),
    "Ledger": ("ledger", "ledger_lines"),
    "SkippedYear": ("ledger", "skipped_lines"),
    "TissueSamples": ("files", "samples_lines"),
    "StripTrial": ("files", "strip_trial_lines"),
    "YieldPoints": ("files", "yield_points_lines"),
    "TissueScores": ("leaf", "scores_lines"),
    "Explanation": ("leaf", "explanation_lines"),
    "PairComparison": ("leaf_compare", "pair_lines"),
    "SeasonPath": ("leaf_compare", "path_lines"),
    "Balance": ("leaf_compare", "balance_lines"),
    "NutritionIndex": ("leaf_compare", "dilution_lines"),
    "Norms": ("leaf_compare", "norm_lines"),
    "TreatmentComparison": ("leaf_compare", "treatment_lines"),
    "StripMeans": ("strips", "strip_means_lines"),
    "CleanedPoints": ("strips", "cleaned_lines"),
    "StripAnalysis": ("strips", "analysis_lines"),
    "PairedAnalysis": ("strips", "paired_lines"),
    "SplitPlotAnalysis": ("strips", "split_plot_lines"),
    "StripPlan": ("plans", "layout_lines"),
    "PowerPlan": ("plans", "power_lines"),
    "ExpectedInterval": ("plans", "expected_lines"),
    "PooledEstimate": ("pooled", "estimate_lines"),
    "OneStage": ("pooled", "one_stage_lines"),
    "PooledReturn": ("pooled", "return_lines"),
    "ResponseFit": ("response", "fit_lines"),
    "ResponseAnalysis": ("response", "analysis_lines"),
    "CurveComparison": ("response", "comparison_lines"),
    "CriticalLevel": ("response", "critical_level_lines"),
    "NetReturn": ("money", "net_return_lines"),
    "Regret": ("money", "regret_lines"),
    "PriceRatioTable": ("money", "price_table_lines"),
    "StochasticPlateau": ("money", "plateau_risk_lines"),
    "BatchResult": ("batch", "batch_lines"),
    "FieldAnswer": ("field", "field_lines"),
    "TrialAnswer": ("trial", "trial_lines"),
    "NetworkAnswer": ("network", "network_lines"),
}


def lines(result, **options) -> list[Line]:
    """Say what a result holds, line by line."""
    module, function = SENTENCES[type(result).__name__]
    return getattr(import_module(f"fertkit.say.{module}"), function)(result, **options)
