"""Response of yield to a rate: curves, exact fits, intervals, comparison, and what a rate is worth."""

from fertkit.response.analyse import ResponseAnalysis, analyse_response
from fertkit.response.bootstrap import bootstrap_fits
from fertkit.response.compare import CurveComparison, compare_curves
from fertkit.response.critical_level import CriticalLevel, arcsine_log, cate_nelson, curve_level
from fertkit.response.curves import CURVES, Curve, optimum_in_range
from fertkit.response.data import TrialData, read_trial_data
from fertkit.response.economics import (
    STATUS,
    OptimumRate,
    agronomic_optimum_rate,
    break_even_ratio,
    economic_optimum_rate,
    rate_for_share_of_rise,
    rates_within,
)
from fertkit.response.expected import ExpectedInterval, compare_plans, curve_through, expected_interval
from fertkit.response.fit import ResponseFit, fit_response
from fertkit.response.intervals import (
    Interval,
    join_interval,
    join_pieces,
    optimum_interval,
    plateau_interval,
)
from fertkit.response.many import Fits, fit_sums
from fertkit.response.net_return import NetReturn, net_return, net_return_of
from fertkit.response.plateau_risk import StochasticPlateau, stochastic_plateau
from fertkit.response.pooled import PooledReturn, Site, pool_net_return, sites_of
from fertkit.response.price_table import (
    PriceRatioTable,
    price_ratio_table,
    price_ratio_table_of,
    rates_by_price,
)
from fertkit.response.prices import (
    Prices,
    draw_prices,
    nutrient_price_from_product,
    price_ratio,
    prices_from_table,
)
from fertkit.response.regret import Regret, expected_regret, regret_of
from fertkit.response.survey import optima_of_trials
from fertkit.response.verdict import Optimum

__all__ = [
    "CURVES",
    "STATUS",
    "CriticalLevel",
    "Curve",
    "CurveComparison",
    "ExpectedInterval",
    "Fits",
    "Interval",
    "NetReturn",
    "Optimum",
    "OptimumRate",
    "PooledReturn",
    "PriceRatioTable",
    "Prices",
    "Regret",
    "ResponseAnalysis",
    "ResponseFit",
    "Site",
    "StochasticPlateau",
    "TrialData",
    "agronomic_optimum_rate",
    "analyse_response",
    "arcsine_log",
    "bootstrap_fits",
    "break_even_ratio",
    "cate_nelson",
    "compare_curves",
    "compare_plans",
    "curve_level",
    "curve_through",
    "draw_prices",
    "economic_optimum_rate",
    "expected_interval",
    "expected_regret",
    "fit_response",
    "fit_sums",
    "join_interval",
    "join_pieces",
    "net_return",
    "net_return_of",
    "nutrient_price_from_product",
    "optima_of_trials",
    "optimum_in_range",
    "optimum_interval",
    "plateau_interval",
    "pool_net_return",
    "price_ratio",
    "price_ratio_table",
    "price_ratio_table_of",
    "prices_from_table",
    "rate_for_share_of_rise",
    "rates_by_price",
    "rates_within",
    "read_trial_data",
    "regret_of",
    "sites_of",
    "stochastic_plateau",
]
