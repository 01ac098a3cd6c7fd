"""Words that hang on a number, at the number: what most of the trials, cases or rates do."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f as f_of

from fertkit.errors import NotEstimable
from fertkit.response import (
    Prices,
    analyse_response,
    analyse_surface,
    compare_groups,
    expected_interval,
    expected_regret,
    fit_response,
)
from fertkit.response.average import mean_wins


@pytest.fixture(scope="module")
def plan():
    return expected_interval(
        [0, 40, 80, 120, 160], 4, curve="linear_plateau", params=[48, 0.1, 90], sd=2.0, price_ratio=0.04,
        n=100, seed=1, known_curve=True,
    )  # fmt: skip


@pytest.mark.parametrize(("share", "most"), [(49.9, True), (50.0, False), (50.1, False)])
@pytest.mark.parametrize(
    ("column", "name"), [("no_response_pct", "a response is found"), ("open_pct", "interval closed above")]
)
def test_half_of_the_trials_is_not_most(plan, column, name, share, most):
    """Most is more than half."""
    checks = replace(plan, table=plan.table.assign(**{column: share})).checks
    row = checks[checks["check"].str.contains(name, regex=False)].iloc[0]
    assert row["value"] == pytest.approx(100 - share if "closed" in name or "found" in name else share)
    assert bool(row["passed"]) is most


def test_cases_whose_best_rate_is_the_highest_compared_are_counted():
    """Optima (b - 0.01) / 0.00025: 160, 200 and, beyond the highest rate, 280 twice; the last weighs half."""
    draws = np.array([[3, b, -1.25e-4] for b in (0.05, 0.06, 0.08, 0.08)])
    tested = {"lowest_rate": 0, "highest_rate": 250, "rate_unit": "kg/ha", "yield_unit": "t/ha"}
    found = expected_regret({"quadratic": draws}, Prices(1, 100, "kg", "t"), **tested)
    assert found.optima == pytest.approx([160, 200, 250, 250])
    assert found.at_top == pytest.approx(0.5)
    # loss at the highest rate: 100 t-prices times 0.000125 d², d = 90 and 50, each in a quarter of the cases
    assert found.table.iloc[-1, 1] == pytest.approx((90**2 + 50**2) * 0.0125 / 4)


@pytest.mark.parametrize(("back", "falling"), [(0.6, True), (0.8, False), (1.1, False)])
def test_a_dip_that_rises_over_most_of_the_rates_is_not_called_falling(make_trial, back, falling):
    """10 - sqrt(u) + c u, u from 0 to 1, is least at 1 / (2c)²: 0.69, and below a half 0.39 and 0.21."""
    u = np.tile(np.linspace(0, 1, 6), 2)
    fit = fit_response(make_trial(200 * u, 10 - np.sqrt(u) + back * u), "square_root")
    assert ("falling" in fit.status) is falling


def test_a_rise_and_a_greater_fall_are_told_as_such(make_trial):
    """50 + 0.18 x - 0.001 x² is highest at 0.18 / 0.002 = 90 of 200, and 46 at the end."""
    x = np.tile(np.linspace(0, 200, 6), 2)
    fit = fit_response(make_trial(x, 50 + 0.18 * x - 0.001 * x**2), "quadratic")
    assert "yield rises to 90 kg/ha, then falls below its start" in fit.summary()
    assert "yield falls with the rate" not in fit.summary()
    down = fit_response(make_trial(x, 50 - 0.01 * x - 0.001 * x**2), "quadratic")
    assert "yield falls with the rate" in down.summary()


def test_a_curve_without_an_error_of_its_own_beats_nothing(make_trial):
    """Through three single strips runs every curve of three parameters: no sign of a response."""
    data = make_trial([0.0, 50, 100], [5.0, 5.1, 5.0])
    fits = {key: fit_response(data, key).fits for key in ("mean", "linear", "quadratic")}
    assert mean_wins(fits, data.sums)[0, 0]


def test_few_rows_that_respond_are_not_said_to_favor_no_response():
    """The F test of the parabola against the mean, by numpy and scipy."""
    rates, yields = (
        np.array([0.0, 40, 80, 120, 160, 200]),
        np.array([118.9, 150.3, 167.2, 178.4, 181.0, 178.3]),
    )
    table = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields})
    left = np.sum((yields - np.polyval(np.polyfit(rates, yields, 2), rates)) ** 2)
    whole = np.sum((yields - yields.mean()) ** 2)
    assert f_of.sf((whole - left) / 2 / (left / 3), 2, 3) < 0.001
    text = analyse_response(table, nutrient_price=0.5, grain_price=4.5, replicates=200, seed=1).summary()
    assert "an F test finds one, p < 0.001" in text
    assert "better supported" not in text


def test_no_rates_are_nearly_as_good_as_none():
    """Five percent of a gain that is not there is no stretch; the price is above the first rise's worth."""
    rates = np.tile([0.0, 60, 120, 180], 4)
    yields = 100 + 90 * (1 - np.exp(-rates / 60)) + np.random.default_rng(3).normal(0, 2, rates.size)
    table = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields, "block": np.repeat([1, 2, 3, 4], 4)})
    analysis = analyse_response(table, nutrient_price=1, grain_price=0.1, replicates=200, seed=1)
    money = analysis.net_return("usual")
    assert (money.rate, money.within) == (0, None)
    assert "within" not in money.summary()


@pytest.fixture(scope="module")
def same_replicates():
    rates = np.tile([0.0, 60, 120, 180], 3)
    yields = np.tile([100.0, 140, 160, 160], 3)
    return pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields, "block": np.repeat([1, 2, 3], 4)})


@pytest.mark.parametrize("yields", [None, 180.0])
def test_replicates_that_yield_the_same_measure_no_error(same_replicates, yields):
    """A sum of squares of zero is no variance: no chance, no weight and no worth of another year follow."""
    table = same_replicates if yields is None else same_replicates.assign(yield_bu_ac=yields)
    asked = {"nutrient_price": 0.5, "grain_price": 4.5}
    analysis = analyse_response(table, replicates=200, seed=1, **asked)
    assert "replicates yield exactly the same" in analysis.summary()
    worth = analysis.worth(60)
    assert worth.table[["gain_low", "net_high", "chance_of_loss"]].isna().to_numpy().all()
    assert "One more year" not in worth.summary()
    for way in ("robust", "uneven"):
        with pytest.raises(NotEstimable, match="replicates yield exactly the same"):
            analyse_response(table, **asked, **{way: True})


def test_groups_and_surfaces_without_an_error_claim_nothing_by_it(same_replicates):
    money = {"grain_price": 4.5}
    both = pd.concat([same_replicates.assign(hybrid=name) for name in "AB"])
    groups = compare_groups(both, "hybrid", nutrient_price=0.5, **money)
    assert "A, B: replicates yield exactly the same" in groups.summary()
    assert not groups.pays
    n, p, _ = (axis.ravel() for axis in np.meshgrid([0.0, 60, 120], [0.0, 30, 60], [1, 2, 3]))
    exact = 100 + 0.5 * n - 0.002 * n**2 + 0.3 * p - 0.003 * p**2
    table = pd.DataFrame({"rate_n_lb_ac": n, "rate_p_lb_ac": p, "yield_bu_ac": exact})
    surface = analyse_surface(table, nutrient_price={"N": 0.5, "P": 0.6}, **money)
    assert "no error to test it" in surface.summary()


def test_strips_with_rates_of_their_own_are_judged_by_the_response():
    """One pair of equal rates is no error to test sixteen rates by; numpy's parabola shows the response."""
    rng = np.random.default_rng(10)
    planned = np.tile([0.0, 40, 80, 120, 160], 4)
    rates = np.where(planned > 0, planned + rng.normal(0, 2, planned.size).round(1), 0)
    yields = 60 - 12 * np.maximum(0, 1 - rates / 110) ** 2 + rng.normal(0, 0.8, rates.size)
    table = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields, "block": np.repeat([1, 2, 3, 4], 5)})
    left = np.sum((yields - np.polyval(np.polyfit(rates, yields, 2), rates)) ** 2)
    assert f_of.sf((np.sum((yields - yields.mean()) ** 2) - left) / 2 / (left / 17), 2, 17) < 1e-6
    analysis = analyse_response(table, nutrient_price=0.5, grain_price=11, replicates=200, seed=1)
    assert "do not support a rate" not in analysis.summary()
    flat = table.assign(yield_bu_ac=rng.normal(60, 3, rates.size))
    assert (
        "do not support a rate"
        in analyse_response(
            flat, nutrient_price=0.001, grain_price=11, replicates=200, seed=1, curve="quadratic"
        ).summary()
    )
