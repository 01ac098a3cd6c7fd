"""Response of yield to a rate: curves, exact fits, intervals, comparison, and what a rate is worth.

Method
------
* Curves (`CURVES`): mean, linear, quadratic, square root, linear-plateau, quadratic-plateau, Mitscherlich
  and spherical. Those with a plateau are ``y = level + slope rise(x; shape)``: for a given shape the fit
  is linear, so the residual sum of squares is a function of the shape alone, and its global minimum is
  found over every interval between tested rates. No starting values, no failure to converge.
* Fit (`fit_response`) with blocks swept out; compare (`compare_curves`) by AICc and lack of fit.
* Optimum (`economic_optimum_rate`): where the slope is the price ratio r (nutrient over grain); for the
  quadratic (b - r) / (-2 c). Outside the tested rates no number is given but "at least the highest rate
  tested".
* Intervals: exact sets for curves linear in their parameters (Bachmaier 2009), profiles for the others,
  bootstrap on request; open ends stay open. `analyse_response` averages over the curves by their AICc
  weights, because the true curve is not known.
* Money: `net_return_of` with its flat range, `price_ratio_table_of`, `regret_of` under uncertain prices,
  `pool_net_return` over many sites. Moving a price never refits.
* Many trials: `optima_of_trials` fits thousands in one pass.

Examples
--------
A quadratic 3 + 0.05 x - 0.000125 x^2 at a price ratio of 0.01: (0.05 - 0.01) / 0.00025.

>>> from fertkit.response import economic_optimum_rate
>>> found = economic_optimum_rate("quadratic", [3.0, 0.05, -0.000125], 0.01, 0, 300)
>>> float(found.rate)
160.0
>>> found = economic_optimum_rate("quadratic", [3.0, 0.05, -0.000125], 0.01, 0, 120)
>>> str(found.status)
'at least the highest rate'
"""

from fertkit.response.analyse import ResponseAnalysis, analyse_response
from fertkit.response.bootstrap import bootstrap_fits
from fertkit.response.compare import CurveComparison, compare_curves
from fertkit.response.critical_level import CriticalLevel, arcsine_log, cate_nelson, curve_level
from fertkit.response.curves import CURVES, Curve, optimum_in_range
from fertkit.response.data import TrialData, read_trial_data
from fertkit.response.economics import (
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
from fertkit.response.status import Status
from fertkit.response.survey import optima_of_trials
from fertkit.response.verdict import Optimum

__all__ = [
    "CURVES",
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
    "Status",
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
