"""Strip trials: lay out, find the number of blocks, harvest points → strip means, analyse, pool."""

from fertkit.trials.analyse import StripAnalysis, analyse_strips
from fertkit.trials.application import application_geojson, application_table, write_application
from fertkit.trials.layout import StripPlan, plan_strips
from fertkit.trials.one_stage import OneStage, pool_curve, pool_polynomial
from fertkit.trials.paired import PairedAnalysis, analyse_pairs
from fertkit.trials.points import CleanedPoints, CleaningRules, clean_points, find_delay
from fertkit.trials.pool import PooledEstimate, pool_estimates, pool_trials
from fertkit.trials.power import PowerPlan, blocks_for, smallest_difference
from fertkit.trials.splitplot import SplitPlotAnalysis, analyse_split_plot
from fertkit.trials.strip_means import StripMeans, strip_means

__all__ = [
    "CleanedPoints",
    "CleaningRules",
    "OneStage",
    "PairedAnalysis",
    "PooledEstimate",
    "PowerPlan",
    "SplitPlotAnalysis",
    "StripAnalysis",
    "StripMeans",
    "StripPlan",
    "analyse_pairs",
    "analyse_split_plot",
    "analyse_strips",
    "application_geojson",
    "application_table",
    "blocks_for",
    "clean_points",
    "find_delay",
    "plan_strips",
    "pool_curve",
    "pool_estimates",
    "pool_polynomial",
    "pool_trials",
    "smallest_difference",
    "strip_means",
    "write_application",
]
