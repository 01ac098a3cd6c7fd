"""Net return of an analysed trial against a fine mesh of rates and arithmetic on its own yields."""

import numpy as np
import pandas as pd
import pytest

from fertkit.response import Prices, analyse_response
from fertkit.say.response import stretch

PRICES = Prices(0.5, 4.0, fixed_cost=20.0, pass_cost=6.0, currency="$")
TOP = 200


def trial(curve, rates=(0.0, 50, 100, 150, TOP), lowest_block=4):
    x = np.tile(rates, lowest_block)
    noise = np.random.default_rng(2).normal(0, 2.0, len(x))
    block = np.repeat(np.arange(lowest_block), len(rates))
    return pd.DataFrame({"block": block, "rate_lb_ac": x, "yield_bu_ac": curve(x) + 3 * block + noise})


def bent(x):
    return 120 + 0.5 * x - 0.0018 * x**2


def money(answer, rate):
    """4 a bushel, 0.50 a lb, 20 whatever is done and 6 for the pass, which no rate spares but zero [$/ac]."""
    rate = np.asarray(rate, float)
    return 4 * answer.predict(rate) - 0.5 * rate - 20 - 6 * (rate > 0)


@pytest.fixture(scope="module", params=[(0.0, 50, 100, 150, TOP), (30.0, 60, 100, 150, TOP)])
def answer(request):
    return analyse_response(trial(bent, request.param), prices=PRICES, replicates=0)


def test_peak_and_stretch_are_those_of_a_mesh(answer):
    low = answer.data.rates[0]
    mesh = np.linspace(low, TOP, 200_001)
    values = money(answer, mesh)
    for within in (10.0, 2.0):
        found = answer.net_return(within)
        assert found.peak_net == pytest.approx(values.max(), rel=1e-9)
        assert found.peak == pytest.approx(mesh[values.argmax()], abs=0.2)
        near = mesh[values >= values.max() - within]
        assert (found.within_low, found.within_high) == pytest.approx((near[0], near[-1]), abs=0.01)
    rate = answer.optimum.rate
    assert (found.rate, found.curve, found.status) == (rate, "averaged", "interior")
    assert found.agronomic_rate == answer.agronomic_optimum.rate
    assert found.net == pytest.approx(float(money(answer, rate)))
    assert found.gain == pytest.approx(float(money(answer, rate) - money(answer, low)))
    assert found.lost == pytest.approx(values.max() - float(money(answer, rate)), abs=1e-6)
    assert found.in_stretch == (near[0] <= rate <= near[-1])
    assert found.price_ratio == 0.125
    assert (found.gain_low, found.gain_high) == tuple(answer.net_gain)[1:]
    assert found.gain_low < found.gain < found.gain_high
    assert found.level == 0.95


def test_usual_loss_is_a_twentieth_of_what_the_best_rate_gains(answer):
    """Common practice, no source."""
    found = answer.net_return("usual")
    low = answer.data.rates[0]
    assert found.within == pytest.approx((found.peak_net - float(money(answer, low))) / 20)


def test_prices_at_which_the_optimum_pays_for_itself_alone(answer):
    """The pass is no cost of the choice where even the lowest rate has one."""
    rate, low = answer.optimum.rate, answer.data.rates[0]
    gain, more = float(answer.predict(rate) - answer.predict(low)), rate - low
    passed = 6 if low == 0 else 0
    rows = answer.net_return().break_even
    assert rows["price_of"].tolist() == ["nutrient", "grain"]
    assert rows["price"].tolist() == pytest.approx([(4 * gain - passed) / more, (0.5 * more + passed) / gain])


def test_two_rates_have_two_points_and_no_stretch():
    answer = analyse_response(trial(bent, (0.0, 100)), prices=PRICES, replicates=0)
    found = answer.net_return(5.0)
    assert found.table["rate_lb_ac"].tolist() == [0, 100]
    assert found.table["net_return_per_ac"].tolist() == pytest.approx(money(answer, [0.0, 100]).tolist())
    assert found.within is None
    assert np.isnan([found.within_low, found.within_high]).all()
    assert (found.rate, found.peak) == (100, 100)
    assert stretch(found) == ""


def test_without_a_response_nothing_is_gained():
    answer = analyse_response(trial(lambda x: 120 + 0 * x), prices=PRICES, replicates=0)
    found = answer.net_return("usual")
    assert answer.curve == "mean"
    assert (found.rate, found.gain, found.within) == (0, 0, None)
    assert np.isnan([found.gain_low, found.gain_high, found.level]).all()
    assert found.break_even.empty
    assert answer.gain[["value", "low", "high"]].iloc[0].tolist() == [
        0,
        0,
        0,
    ]  # the rate compared with itself
    assert tuple(answer.net_gain) == (0, 0, 0)
    assert found.peak_net == found.net == pytest.approx(4 * float(answer.predict(0.0)) - 20)


def test_checks_of_a_best_rate_inside_and_at_the_top():
    inside = analyse_response(trial(bent), prices=PRICES, replicates=0).net_return(1.0)
    assert inside.checks["passed"].tolist() == [True, True, True]
    steep = analyse_response(trial(lambda x: 120 + 0.5 * x), prices=PRICES, replicates=0)
    top = steep.net_return(1.0)
    assert top.checks["passed"].tolist() == [False, False, True]
    assert (top.rate, top.within_high) == (TOP, TOP)
    free = Prices(0.5, 4.0)
    assert len(steep.at_prices(prices=free).net_return().checks) == 1  # no loss asked for, and no pass
