"""Response of yield to a rate: curves, exact fits, intervals, comparison and the optimum rate."""

from fertkit.response.analyse import Optimum, ResponseAnalysis, analyse_response
from fertkit.response.bootstrap import bootstrap_fits
from fertkit.response.compare import CurveComparison, compare_curves
from fertkit.response.curves import CURVES, Curve, optimum_in_range
from fertkit.response.data import TrialData, read_trial_data
from fertkit.response.fit import ResponseFit, fit_response
from fertkit.response.intervals import Interval, join_interval, optimum_interval, plateau_interval
from fertkit.response.many import Fits, fit_sums

__all__ = [
    "CURVES",
    "Curve",
    "CurveComparison",
    "Fits",
    "Interval",
    "Optimum",
    "ResponseAnalysis",
    "ResponseFit",
    "TrialData",
    "analyse_response",
    "bootstrap_fits",
    "compare_curves",
    "fit_response",
    "fit_sums",
    "join_interval",
    "optimum_in_range",
    "optimum_interval",
    "plateau_interval",
    "read_trial_data",
]
