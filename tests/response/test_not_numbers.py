"""Parameters, prices and rates that are no numbers are refused; none passes for "no economic response"."""

import numpy as np
import pandas as pd
import pytest

from fertkit.asked import make_rng
from fertkit.errors import FertkitError, InputError, NotEstimable
from fertkit.response import (
    CURVES,
    Prices,
    analyse_response,
    economic_optimum_rate,
    expected_regret,
    fit_response,
    pool_net_return,
    price_table,
)
from fertkit.response.curves import optimum_in_range
from fertkit.response.data import read_trial_data
from fertkit.response.money import net_return
from fertkit.response.optimum import break_even_ratio, rates_within
from fertkit.response.pooled import Site

NUMBERS = {
    "mean": [50.0],
    "linear": [50.0, 0.1],
    "quadratic": [50.0, 0.2, -0.001],
    "square_root": [50.0, 1.0, -0.02],
    "linear_plateau": [50.0, 0.1, 80.0],
    "quadratic_plateau": [50.0, 0.2, -0.001],
    "mitscherlich": [60.0, 10.0, 0.03],
    "spherical": [50.0, 10.0, 100.0],
}
PRICES, ENDS = Prices(0.45, 11.0), {"lowest_rate": 0.0, "highest_rate": 160.0}
SPOILED = [
    pytest.param(key, i, bad, id=f"{key}-{CURVES[key].param_names[i]}-{bad}")
    for key, values in NUMBERS.items()
    for i in range(len(values))
    for bad in (np.nan, np.inf, -np.inf)
]


@pytest.mark.parametrize(("key", "i", "bad"), SPOILED)
def test_no_optimum_of_parameters_that_are_no_numbers(key, i, bad):
    params = np.array([NUMBERS[key], NUMBERS[key]])
    params[1, i] = bad  # one trial of two
    asked = [
        lambda: optimum_in_range(CURVES[key], params, 0.04, 0.0, 160.0),
        lambda: economic_optimum_rate(key, params, 0.04, 0.0, 160.0),
        lambda: break_even_ratio(key, params, 0.0, 160.0),
        lambda: net_return(key, params[1], PRICES, **ENDS),
        lambda: price_table({key: params[1]}, [0.02, 0.04], **ENDS),
        lambda: expected_regret({key: params}, PRICES, **ENDS),
        lambda: pool_net_return([Site("A", key, params[i], 0.0, 160.0) for i in (0, 1)], PRICES),
    ]
    for ask in asked:
        with pytest.raises(NotEstimable):
            ask()


@pytest.mark.parametrize("key", NUMBERS)
def test_the_formula_of_a_lost_parameter_is_lost_too(key):
    params = np.full(CURVES[key].n_params, np.nan)
    assert np.isnan(CURVES[key].optimum(params, 0.04))
    assert np.isnan(CURVES[key].optimum(np.array(NUMBERS[key]), np.nan))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_no_answer_to_prices_and_rates_that_are_no_numbers(bad):
    quadratic = NUMBERS["quadratic"]
    asked = [
        lambda: Prices(bad, 11.0),
        lambda: Prices(0.45, bad),
        lambda: Prices([0.45, bad], [11.0, 11.0]),
        lambda: Prices(0.45, 11.0, pass_cost=bad),
        lambda: Prices(0.45, 11.0, fixed_cost=bad),
        lambda: Prices(0.45, 11.0, grain_per="t", lb_per_bushel=bad).per("lb/ac", "bu/ac"),
        lambda: PRICES.draw(nutrient_cv_pct=bad, grain_cv_pct=5, n=9, rng=make_rng(1)),
        lambda: optimum_in_range(CURVES["quadratic"], quadratic, bad, 0.0, 160.0),
        lambda: optimum_in_range(CURVES["quadratic"], quadratic, 0.04, bad, 160.0),
        lambda: economic_optimum_rate("quadratic", quadratic, bad, 0.0, 160.0),
        lambda: economic_optimum_rate("quadratic", quadratic, [0.04, bad], 0.0, 160.0),
        lambda: economic_optimum_rate("quadratic", quadratic, 0.04, 0.0, [160.0, bad]),
        lambda: economic_optimum_rate("quadratic", quadratic, 0.04, 0.0, 160.0, pass_cost=bad),
        lambda: net_return("quadratic", quadratic, PRICES, lowest_rate=0.0, highest_rate=bad),
        lambda: net_return("quadratic", quadratic, PRICES, within=bad, **ENDS),
        lambda: rates_within(lambda x: 50 - 0.01 * (x - 100) ** 2, bad, 0, 160, 1.0),
        lambda: rates_within(lambda x: bad + 0 * x, 100.0, 0, 160, 1.0),
        lambda: pool_net_return([Site("A", "quadratic", quadratic, 0.0, bad)], PRICES),
        lambda: pool_net_return([Site("A", "quadratic", quadratic, 0.0, 160.0)], PRICES, within=bad),
    ]
    for ask in asked:
        with pytest.raises(FertkitError):
            ask()


@pytest.mark.parametrize("bad", [np.inf, -np.inf, np.nan])
def test_no_sums_to_yields_that_are_no_numbers(trial, bad):
    data = read_trial_data(trial)
    with pytest.raises(NotEstimable, match="yields must be finite"):
        data.sweep.sums(np.append(data.yields[:-1], bad))
    with pytest.raises(InputError):
        fit_response(trial.assign(yield_bu_ac=trial["yield_bu_ac"].replace(47.5, np.inf)), "linear")


@pytest.fixture
def trial():
    return pd.DataFrame(
        {
            "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
            "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
        }
    )


@pytest.mark.parametrize("rate", [-1.0, 161.0, np.nan, np.inf, [80.0, 500.0]])
def test_a_yield_outside_the_tested_rates_is_given_only_when_asked_for(trial, rate):
    fit = fit_response(trial, "linear_plateau")
    answer = analyse_response(trial, nutrient_price=0.45, grain_price=11, curve="linear_plateau")
    for result in (fit, answer):
        with pytest.raises(NotEstimable):
            result.predict(rate)
    for result in (fit, answer):
        assert result.predict(200.0, extrapolate=True) == pytest.approx(57.0)  # the plateau, by construction
        assert result.predict([0.0, 160.0]) == pytest.approx([48.0, 57.0])
        with pytest.raises(NotEstimable, match="finite"):
            result.predict(np.nan, extrapolate=True)


def test_the_refusal_names_rate_and_tested_rates(trial):
    with pytest.raises(NotEstimable, match="200 lb/ac is outside the tested rates, 0 to 160 lb/ac"):
        fit_response(trial, "quadratic").predict(np.array([100.0, 200.0]))
