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

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "analyse": ["analyse_response", "ResponseAnalysis"],
        "bootstrap": ["bootstrap_fits"],
        "compare": ["compare_curves", "CurveComparison"],
        "critical_level": ["arcsine_log", "cate_nelson", "CriticalLevel", "curve_level"],
        "curves": ["Curve", "CURVES", "optimum_in_range"],
        "data": ["read_trial_data", "TrialData"],
        "economics": [
            "agronomic_optimum_rate",
            "break_even_ratio",
            "economic_optimum_rate",
            "OptimumRate",
            "rate_for_share_of_rise",
            "rates_within",
        ],
        "expected": ["compare_plans", "curve_through", "expected_interval", "ExpectedInterval"],
        "fit": ["fit_response", "ResponseFit"],
        "intervals": ["Interval", "join_interval", "join_pieces", "optimum_interval", "plateau_interval"],
        "many": ["fit_sums", "Fits"],
        "net_return": ["net_return", "net_return_of", "NetReturn"],
        "plateau_risk": ["stochastic_plateau", "StochasticPlateau"],
        "pooled": ["pool_net_return", "PooledReturn", "Site", "sites_of"],
        "price_table": ["price_ratio_table", "price_ratio_table_of", "PriceRatioTable", "rates_by_price"],
        "prices": [
            "draw_prices",
            "nutrient_price_from_product",
            "price_ratio",
            "Prices",
            "prices_from_table",
        ],
        "regret": ["expected_regret", "Regret", "regret_of"],
        "status": ["Status"],
        "survey": ["optima_of_trials"],
        "verdict": ["Optimum"],
    },
)
