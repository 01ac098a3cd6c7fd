"""Strip trials: lay out, find the number of blocks, harvest points → strip means, analyse, pool."""

from fertkit.trials.analyse import StripAnalysis, analyse_strips
from fertkit.trials.paired import PairedAnalysis, analyse_pairs
from fertkit.trials.splitplot import SplitPlotAnalysis, analyse_split_plot

__all__ = [
    "PairedAnalysis",
    "SplitPlotAnalysis",
    "StripAnalysis",
    "analyse_pairs",
    "analyse_split_plot",
    "analyse_strips",
]
