"""The linear stochastic plateau of Tembo, Brorsen, Epplin & Tostao (2008) AJAE 90:424-434."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from fertkit.errors import NotEstimable
from fertkit.response import Prices, stochastic_plateau
from fertkit.response.regret import stochastic_plateau_rate, stochastic_plateau_yield

LAW = (2, 0.03, 5, 0.8)
PRICES = Prices(0.9, 150, "kg", "t")
UNITS = {"rate_unit": "kg/ha", "yield_unit": "t/ha"}


def test_worked_check():
    """x* = (F^-1(1 - r/(p b1)) - b0)/b1 is printed in the paper; the numbers were computed with R
    (tests/reference/r/economics.R)."""
    result = stochastic_plateau(*LAW, PRICES, lowest_rate=0, highest_rate=250, **UNITS)
    assert result.rate == pytest.approx(122.443233, abs=1e-6)
    assert result.expected_net == pytest.approx(626.404570, abs=1e-6)
    assert result.join_of_mean == pytest.approx(100)
    assert result.status == "interior"
    assert result.net_at_join < result.expected_net
    assert "varying plateau: 122 " in result.summary()


def test_expected_yield_against_integration_and_maximum_against_search():
    def by_integration(rate):
        rise = LAW[0] + LAW[1] * rate
        return quad(lambda p: min(rise, p) * norm.pdf(p, 5, 0.8), 0, 10, points=[rise])[0]

    for rate in (0, 60, 100, 150, 240):
        assert stochastic_plateau_yield(rate, *LAW) == pytest.approx(by_integration(rate), abs=1e-8)
    best = minimize_scalar(lambda x: 0.9 * x - 150 * by_integration(x), bounds=(50, 200), method="bounded")
    assert best.x == pytest.approx(stochastic_plateau_rate(*LAW, 0.9 / 150), abs=1e-3)


def test_edges():
    dear = stochastic_plateau(*LAW, Prices(6, 150, "kg", "t"), lowest_rate=0, highest_rate=250, **UNITS)
    assert (dear.rate, dear.status) == (0, "no economic response")
    short = stochastic_plateau(*LAW, PRICES, lowest_rate=0, highest_rate=110, **UNITS)
    assert (short.rate, short.status) == (110, "at least the highest rate")
    unpaid = stochastic_plateau(
        *LAW, Prices(0.9, 150, "kg", "t", pass_cost=2000), lowest_rate=0, highest_rate=250, **UNITS
    )
    assert (unpaid.rate, unpaid.status) == (0, "pass not paid")
    assert np.isposinf(stochastic_plateau_rate(*LAW, 0.0))
    with pytest.raises(NotEstimable, match="rising line"):
        stochastic_plateau(2, -0.03, 5, 0.8, PRICES, lowest_rate=0, highest_rate=250, **UNITS)
