"""Response curves: exact fits, honest intervals, and what a rate is worth."""

from fertkit.response.critical_level import CriticalLevel, arcsine_log, cate_nelson, curve_level
from fertkit.response.curves import CURVES
from fertkit.response.economics import (
    STATUS,
    OptimumRate,
    agronomic_optimum_rate,
    break_even_ratio,
    economic_optimum_rate,
    rate_for_share_of_rise,
    rates_within,
)
from fertkit.response.fit import ResponseFit, fit_response
from fertkit.response.net_return import NetReturn, net_return
from fertkit.response.plateau_risk import StochasticPlateau, stochastic_plateau
from fertkit.response.pooled import PooledReturn, Site, pool_net_return, sites_of
from fertkit.response.price_table import PriceRatioTable, price_ratio_table, rates_by_price
from fertkit.response.prices import (
    Prices,
    draw_prices,
    nutrient_price_from_product,
    price_ratio,
    prices_from_table,
)
from fertkit.response.regret import Regret, expected_regret

__all__ = [
    "CURVES",
    "STATUS",
    "CriticalLevel",
    "NetReturn",
    "OptimumRate",
    "PooledReturn",
    "PriceRatioTable",
    "Prices",
    "Regret",
    "ResponseFit",
    "Site",
    "StochasticPlateau",
    "agronomic_optimum_rate",
    "arcsine_log",
    "break_even_ratio",
    "cate_nelson",
    "curve_level",
    "draw_prices",
    "economic_optimum_rate",
    "expected_regret",
    "fit_response",
    "net_return",
    "nutrient_price_from_product",
    "pool_net_return",
    "price_ratio",
    "price_ratio_table",
    "prices_from_table",
    "rate_for_share_of_rise",
    "rates_by_price",
    "rates_within",
    "sites_of",
    "stochastic_plateau",
]
