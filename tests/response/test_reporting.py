"""What an analysis says: costs counted once, intervals that hold the answer, tables refused with a reason.

Expected values follow from arithmetic on the trial itself or from a search over the whole F region.
"""

import numpy as np
import pandas as pd
import pytest

from fertkit.response import analyse_response, net_return_of
from fertkit.response.prices import Prices

FREE = {"nutrient_price": 0.5, "grain_price": 4, "replicates": 0}


def table_of(
    curve=lambda x: 100 + 80 * (1 - np.exp(-0.02 * x)), sd=5.0, rates=(0, 50, 100, 150, 200), seed=1
):
    """Four blocks of 3 bu/ac steps, one strip a rate (simulated)."""
    rng = np.random.default_rng(seed)
    rows = [
        (block, rate, round(curve(rate) + 3 * block + rng.normal(0, sd), 2))
        for block in range(4)
        for rate in rates
    ]
    return pd.DataFrame(rows, columns=["block", "rate_lb_ac", "yield_bu_ac"])


@pytest.fixture(scope="module")
def two_rates():
    return table_of(lambda x: 150 + 0.2 * x, sd=1, rates=(0, 100))


def gain_minus_cost(analysis):
    return analysis.gain.set_index("quantity").loc["gain minus cost"]


def test_two_rates_count_the_pass(two_rates):
    means = two_rates.groupby("rate_lb_ac")["yield_bu_ac"].mean()
    dear = analyse_response(two_rates, prices=Prices(0.5, 4, pass_cost=1000), replicates=0)
    assert dear.optimum.rate == 0
    assert gain_minus_cost(dear)["value"] == pytest.approx(means[100] - means[0] - 12.5 - 250)
    assert "its cost in yield, application pass included" in set(dear.gain["quantity"])
    assert analyse_response(two_rates, **FREE).optimum.rate == 100


def test_gain_minus_cost_is_the_gain_in_net_return():
    for lowest in (0, 50):
        table = table_of(rates=(lowest, 75, 100, 150, 200))
        analysis = analyse_response(table, prices=Prices(0.5, 4, pass_cost=100, fixed_cost=7), replicates=0)
        money = net_return_of(analysis)
        assert analysis.optimum.rate > lowest
        assert 4 * gain_minus_cost(analysis)["value"] == pytest.approx(money.gain)


def test_two_rates_name_the_better_and_not_an_interval_of_rates(two_rates):
    analysis = analyse_response(two_rates, **FREE)
    text = analysis.summary()
    assert "the better of the two rates tested, 100 lb/ac." in text
    assert "interval 100" not in text
    gain = gain_minus_cost(analysis)
    assert f"Gain minus cost: {gain['value']:.3g} bu/ac (95% interval" in text
    level = analyse_response(two_rates, nutrient_price=0.2 * 4, grain_price=4, replicates=0)
    assert gain_minus_cost(level)["low"] < 0 < gain_minus_cost(level)["high"]
    assert "the data do not tell the two apart" in level.summary()


def test_the_interval_of_a_pass_not_paid_holds_the_answer():
    analysis = analyse_response(table_of(), prices=Prices(0.5, 4, pass_cost=1000), replicates=0)
    assert analysis.optimum.status == "pass not paid"
    assert analysis.optimum.rate == 0
    assert 0 in analysis.optimum.interval
    assert "interval 0 to" in analysis.optimum.text
