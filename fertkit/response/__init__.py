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
* Money: an analysis gives its `net_return` with the flat range, its `price_table`, and its `regret` under
  uncertain prices; `pool_net_return` finds one rate for many sites. Moving a price never refits.
* Networks: `fit_network` puts many sites in one nonlinear mixed model, its `best_rate` gives the rate for the
  region or for a new site of which something is known.
* Groups (`compare_groups`): curves of hybrids, timings or zones of one trial, and whether a rate for each
  is worth it.
* Many trials: `optima_of_trials` fits thousands in one pass; `expected_interval` tells what a plan will.

Examples
--------
A quadratic 3 + 0.05 x - 0.000125 x^2 at a price ratio of 0.01: (0.05 - 0.01) / 0.00025.

>>> from fertkit.response import economic_optimum_rate
>>> best = economic_optimum_rate("quadratic", [3.0, 0.05, -0.000125], 0.01, 0, 300)
>>> float(best.rate)
160.0
>>> best = economic_optimum_rate("quadratic", [3.0, 0.05, -0.000125], 0.01, 0, 120)
>>> str(best.status)
'at least the highest rate'
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "analyse": ["analyse_response"],
        "compare": ["compare_curves"],
        "curves": ["CURVES"],
        "fit": ["fit_response"],
        "groups": ["compare_groups"],
        "money": ["price_table"],
        "network_fit": ["fit_network"],
        "optimum": ["economic_optimum_rate"],
        "plan": ["expected_interval"],
        "pooled": ["pool_net_return"],
        "prices": ["Prices"],
        "regret": ["expected_regret"],
        "surface": ["analyse_surface"],
        "survey": ["optima_of_trials"],
    },
)
