"""Sentences: what a result says, line by line; no one above takes one apart.

``lines(result)`` finds the sentences of a result by its type. A file holds the sentences of one floor.
"""

from importlib import import_module

__all__ = ["lines"]

# type name of a result -> (module, function) of its sentences
SENTENCES: dict[str, tuple[str, str]] = {
    "NutrientBudget": ("budget", "budget_lines"), "FarmBudget": ("budget", "farm_lines"),
    "SeasonDemand": ("budget", "demand_lines"), "SupplyGap": ("budget", "gap_lines"),
    "SoilRate": ("rates", "soil_rate_lines"), "TissueSamples": ("leaf_results", "samples_lines"),
    "StripTrial": ("trials", "strip_trial_lines"), "YieldPoints": ("trials", "yield_points_lines"),
    "TissueScores": ("leaf", "scores_lines"), "Explanation": ("leaf", "explanation_lines"),
    "PairComparison": ("leaf_compare", "pair_lines"), "FieldHistory": ("history", "history_lines"),
    "Balance": ("balance", "balance_lines"), "NutritionIndex": ("balance", "dilution_lines"),
    "Norms": ("balance", "norm_lines"), "TreatmentComparison": ("leaf_compare", "treatment_lines"),
    "StripMeans": ("trials", "strip_means_lines"), "CleanedPoints": ("trials", "cleaned_lines"),
    "StripAnalysis": ("trials", "strip_analysis_lines"), "PairedAnalysis": ("trials", "paired_lines"),
    "Equivalence": ("trials", "equivalence_lines"),
    "TwoFactorAnalysis": ("trials", "two_factor_lines"), "StripPlan": ("trials", "layout_lines"),
    "PowerPlan": ("trials", "power_lines"), "ExpectedInterval": ("trials", "expected_lines"),
    "PooledEstimate": ("trials", "estimate_lines"),
    "NetworkFit": ("network", "network_fit_lines"), "NetworkRate": ("network", "network_rate_lines"),
    "PooledReturn": ("trials", "return_lines"), "ResponseFit": ("response", "fit_lines"),
    "ResponseAnalysis": ("response", "analysis_lines"), "CurveComparison": ("response", "comparison_lines"),
    "GroupedResponse": ("groups", "grouped_lines"), "GroupsAnswer": ("groups", "groups_answer_lines"),
    "NetReturn": ("response", "net_return_lines"),
    "RateWorth": ("worth", "worth_lines"),
    "Regret": ("response", "regret_lines"), "PriceTable": ("response", "price_table_lines"),
    "BatchResult": ("answers", "batch_lines"),
    "Guesses": ("guesses", "guesses_lines"),
    "FieldAnswer": ("sheet", "field_answer_lines"), "FieldsAnswer": ("sheet", "fields_lines"),
    "SurfaceAnalysis": ("surface", "surface_lines"), "SurfaceAnswer": ("surface", "surface_answer_lines"),
    "TrialAnswer": ("answers", "trial_lines"), "TreatmentAnswer": ("treatments", "treatments_lines"),
    "TreatmentReturn": ("treatments", "return_over_check_lines"),
    "JoinedTrial": ("points", "joined_lines"), "PointsAnswer": ("points", "points_answer_lines"),
    "NetworkAnswer": ("answers", "network_lines"), "SoilTests": ("stock", "soil_tests_lines"),
    "PassPlan": ("passes", "pass_plan_lines"),
    "PlanAnswer": ("plan_sheets", "plan_answer_lines"),
    "Targets": ("plan", "target_lines"), "SeasonPlan": ("plan", "plan_lines"),
    "RotationLedger": ("plan", "rotation_lines"), "Shed": ("stock", "shed_lines"),
    "FactorPlan": ("layout", "factor_lines"), "NetworkPlan": ("layout", "network_plan_lines"),
    "RatePlacing": ("layout", "placing_lines"), "LayoutAnswer": ("layout", "layout_answer_lines"),
    "Paper": ("methods", "paper_lines"), "Residuals": ("methods", "residual_lines"),
    "RatioTable": ("balance", "ratio_lines"), "BalanceAnswer": ("balance", "balance_answer_lines"),
}  # fmt: skip


def lines(result, **options) -> list:
    """Say what a result holds, line by line."""
    module, function = SENTENCES[type(result).__name__]
    return getattr(import_module(f"fertkit.say.{module}"), function)(result, **options)
