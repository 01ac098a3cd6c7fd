"""Optimum rates, flat range and break-even ratio.

Unless said otherwise the numbers are exact formula values, each reproduced with R
(tests/reference/r/economics.R); the curves' forms are those of Cerrato & Blackmer (1990) Agron. J.
82:138-143.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import NotEstimable, PriceError
from fertkit.response import economic_optimum_rate, fit_response
from fertkit.response.curves import CURVES
from fertkit.response.optimum import Status, break_even_ratio, rates_within

RATIOS = [0, 0.0025, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06]
PARAMS = {
    "quadratic": (3, 0.05, -1.25e-4),
    "quadratic_plateau": (3, 0.05, -1.25e-4),
    "linear_plateau": (3, 0.03, 150),
    "mitscherlich": (8, 5, 0.015),
    "square_root": (3, 0.6, -0.015),
    "spherical": (3, 5, 200),
}
BENT = [200, 190, 180, 170, 160, 140, 120, 80, 40, 0, 0]
TABLE = {
    "quadratic": BENT,
    "quadratic_plateau": BENT,
    "linear_plateau": [150] * 7 + [0] * 4,  # at 0.03 every rate from 0 to 150 ties; the lowest is given
    "mitscherlich": [1000, 226.746492, 180.536680, 153.505673, 134.326868, 107.295861, 88.117056, 61.086049,
                     41.907244, 27.031007, 14.876237],  # infinite at 0: the highest tested rate, and said so
    "square_root": [400, 293.877551, 225, 177.777778, 144, 100, 73.469388, 44.444444, 29.752066, 21.301775,
                    16],
    "spherical": [200, 193.218357, 186.189867, 178.885438, 171.269768, 154.919334, 136.626010, 89.442719, 0,
                  0, 0],
}  # fmt: skip


@pytest.mark.parametrize("curve", PARAMS)
def test_price_ratio_table(curve):
    rate, status = economic_optimum_rate(curve, PARAMS[curve], RATIOS, 0, 1000)
    np.testing.assert_allclose(rate, TABLE[curve], atol=6e-7)
    inside = (rate > 0) & (rate < 1000)
    assert set(status[inside]) == {"interior"}
    assert set(status) <= set(Status)


def test_a_free_nutrient_never_stops_paying_on_a_mitscherlich_curve():
    rate, status = economic_optimum_rate("mitscherlich", PARAMS["mitscherlich"], 0.0, 0, 250)
    assert (rate, status) == (250, "no finite maximum")


def test_linear_plateau_ignores_price_until_it_jumps():
    rate, status = economic_optimum_rate("linear_plateau", (3, 0.03, 150), [0.0299, 0.03, 0.0301], 0, 250)
    assert rate.tolist() == [150, 0, 0]
    assert status.tolist() == ["interior", "tie", "no economic response"]


def test_weak_slope_on_a_quadratic_plateau_gives_zero():
    rate, status = economic_optimum_rate("quadratic_plateau", (3, 0.004, -1e-5), 0.005, 0, 250)
    assert (rate, status) == (0, "no economic response")


def test_convex_curve_compares_the_ends():
    # Yields 4, 4.2, 4.9, 6.1, 8 at 0 to 200: the stationary point, 11.15, is a minimum.
    params = np.polynomial.Polynomial.fit([0, 50, 100, 150, 200], [4, 4.2, 4.9, 6.1, 8], 2).convert().coef
    rate, status = economic_optimum_rate("quadratic", params, [0.01, 0.03], 0, 200)
    assert rate.tolist() == [200, 0]
    assert status[1] == "no economic response"
    assert Status(status[0]).meaning.startswith("at least the highest rate tested")
    net = CURVES["quadratic"].value(np.array([0, 200]), params) - 0.01 * np.array([0, 200])
    np.testing.assert_allclose(net, [4.017, 5.977], atol=5e-4)


def test_extrapolated_vertex_is_cut_to_the_tested_rates():
    params = (4, 0.0575, -1.875e-4)  # yields 4, 6, 7.4, 8.2 at 0, 40, 80, 120; vertex 153.33
    rate, status = economic_optimum_rate("quadratic", params, [0, 0.0175], 0, 120)
    np.testing.assert_allclose(rate, [120, 106.666667], atol=1e-6)
    assert status.tolist() == ["at least the highest rate", "interior"]


def test_square_root_that_runs_away_is_cut_and_flagged(outside):
    high = outside("bachmaier_wheat_n.csv").query("zone == 'high'")
    fit = fit_response(high, "square_root", rate="n_kg_ha", response="yield_t_ha")
    assert float(fit.curve.optimum(fit.coef, 0.6 / 110)) == pytest.approx(2933.9, abs=0.1)
    rate, status = economic_optimum_rate("square_root", fit.coef, 0.6 / 110, 0, 260)
    assert (rate, status) == (260, "at least the highest rate")
    assert economic_optimum_rate("square_root", (3, 0.6, 0.02), 0.01, 0, 260).status == "no finite maximum"


def test_no_response_is_an_answer():
    rate, status = economic_optimum_rate("mean", (10,), [0.0, 0.01], 0, 200)
    assert rate.tolist() == [0, 0]
    assert set(status) == {"no economic response"}


def test_engelstad_quadratic_optima(outside):
    """Engelstad & Parks (1971) Agron. J. 63:21-23: N 0.11, corn 1.15; printed 140 for Jackson 1962."""
    corn = outside("engelstad_corn_n.csv")
    expected = {
        ("Jackson", 1962): 151.133, ("Jackson", 1963): 209.915, ("Jackson", 1964): 201.976,
        ("Jackson", 1965): 198.159, ("Jackson", 1966): 168.569, ("Knoxville", 1962): 161.219,
        ("Knoxville", 1963): 178.820, ("Knoxville", 1964): 121.570, ("Knoxville", 1965): 0,
        ("Knoxville", 1966): 0,
    }  # fmt: skip
    for site, trial in corn.groupby(["loc", "year"]):
        fit = fit_response(trial, "quadratic", rate="n_kg_ha", response="yield_q_ha", blocks=False)
        rate, status = economic_optimum_rate("quadratic", fit.coef, 0.11 / 1.15, 0, 335)
        assert rate == pytest.approx(expected[site], abs=6e-4), site
        assert status == ("interior" if expected[site] else "no economic response")
    jackson = corn.query("loc == 'Jackson' and year == 1962")
    fit = fit_response(jackson, "quadratic_plateau", rate="n_kg_ha", response="yield_q_ha", blocks=False)
    assert economic_optimum_rate("quadratic_plateau", fit.coef, 0.11 / 1.15, 0, 335).rate == pytest.approx(
        140.78366, abs=1e-4
    )


@pytest.mark.parametrize(
    ("zone", "ratio", "expected"),
    [("low", 0.005454, 199.081), ("low", 0, 232.345), ("low", 0.01, 171.354), ("high", 0.005454, 239.759),
     ("high", 0.01, 205.165)],
)  # fmt: skip
def test_bachmaier_quadratic_optima(outside, zone, ratio, expected):
    """Bachmaier (2009) Statistical Papers 50:649-660, Sieblerfeld wheat."""
    fit = fit_response(
        outside("bachmaier_wheat_n.csv").query("zone == @zone"),
        "quadratic",
        rate="n_kg_ha",
        response="yield_t_ha",
    )
    assert economic_optimum_rate("quadratic", fit.coef, ratio, 0, 260).rate == pytest.approx(
        expected, abs=6e-3
    )


def test_flat_payoff():
    """Loss -c d² whatever the price: 0.0125, 0.05 and 0.20 at 10, 20 and 40 from the optimum."""
    params = np.array(PARAMS["quadratic"])
    for distance, loss in ((10, 0.0125), (20, 0.05), (40, 0.2)):
        for ratio in (0.01, 0.015):
            best = economic_optimum_rate("quadratic", params, ratio, 0, 250).rate

            def net(rate, ratio=ratio):
                return CURVES["quadratic"].value(rate, params) - ratio * rate

            low, high = rates_within(net, best, 0, 250, loss)
            np.testing.assert_allclose([low, high], [best - distance, best + distance], rtol=1e-9)


def test_rates_within_stays_in_the_tested_rates_and_broadcasts():
    params = np.array([PARAMS["quadratic"], (3, 0.05, -2.5e-4)])

    def net(rate):
        return CURVES["quadratic"].value(rate, params[:, None, :]) - 0.01 * rate

    low, high = rates_within(net, [160, 80], 0, 170, 0.05)
    np.testing.assert_allclose(low, [140, 80 - np.sqrt(200)])
    np.testing.assert_allclose(high, [170, 80 + np.sqrt(200)])


@pytest.mark.parametrize(
    ("curve", "ratio"),
    [("quadratic", 0.05), ("linear_plateau", 0.03), ("mitscherlich", 0.075), ("spherical", 0.0375),
     ("square_root", np.inf)],
)  # fmt: skip
def test_break_even_ratio_is_the_initial_slope(curve, ratio):
    # b, b, B k, 1.5 s / r; the square root starts infinitely steep.
    assert break_even_ratio(curve, PARAMS[curve], 0, 300) == pytest.approx(ratio)


def test_break_even_ratio_with_a_pass():
    # (b x + c x² - F) / x is greatest at x = sqrt(-F/c), where it is b - 2 sqrt(-c F).
    ratio = break_even_ratio("quadratic", PARAMS["quadratic"], 0, 300, pass_cost=1.0)
    assert ratio == pytest.approx(0.05 - 2 * np.sqrt(1.25e-4))
    just_under, just_over = economic_optimum_rate(
        "quadratic", PARAMS["quadratic"], ratio * np.array([0.999, 1.001]), 0, 300, pass_cost=1.0
    ).status
    assert (just_under, just_over) == ("interior", "pass not paid")


@pytest.mark.parametrize("ratio", [-0.01, np.nan, np.inf])
def test_impossible_price_ratios_are_refused(ratio):
    with pytest.raises(PriceError, match="price ratio"):
        economic_optimum_rate("quadratic", PARAMS["quadratic"], ratio, 0, 250)


@pytest.mark.parametrize("ends", [(100, 100), (200, 100), (-10, 100), (0, np.nan)])
def test_no_range_no_optimum(ends):
    with pytest.raises(NotEstimable, match="0 <= lowest < highest rate"):
        economic_optimum_rate("quadratic", PARAMS["quadratic"], 0.01, *ends)


# Invariants ------------------------------------------------------------------------------------------

# Powers of (yield unit, rate unit) in each parameter.
POWERS = {
    "linear": [(1, 0), (1, -1)], "quadratic": [(1, 0), (1, -1), (1, -2)],
    "square_root": [(1, 0), (1, -0.5), (1, -1)], "linear_plateau": [(1, 0), (1, -1), (0, 1)],
    "quadratic_plateau": [(1, 0), (1, -1), (1, -2)], "mitscherlich": [(1, 0), (1, 0), (0, -1)],
    "spherical": [(1, 0), (1, 0), (0, 1)],
}  # fmt: skip
CASES = st.fixed_dictionaries(
    {
        "a": st.floats(1, 10),
        "gain": st.floats(-1, 8),
        "join": st.floats(20, 400),
        "ratio": st.floats(1e-4, 0.1),
    }
)


def shaped(curve, a, gain, join, **_):
    """Parameters of a curve that starts at `a` and rises by about `gain` by about `join`."""
    return np.array(
        {
            "linear": (a, gain / join),
            "quadratic": (a, 2 * gain / join, -gain / join**2),
            "square_root": (a, 2 * gain / join**0.5, -gain / join),
            "linear_plateau": (a, gain / join, join),
            "quadratic_plateau": (a, 2 * gain / join, -gain / join**2),
            "mitscherlich": (a + gain, gain, 3 / join),
            "spherical": (a, gain, join),
        }[curve],
        float,
    )


@pytest.mark.parametrize("curve", POWERS)
@settings(deadline=None)
@given(case=CASES, per_yield=st.floats(0.01, 100), per_rate=st.floats(0.01, 100))
def test_optimum_does_not_depend_on_units(curve, case, per_yield, per_rate):
    params = shaped(curve, **case)
    scaled = params * [per_yield**y * per_rate**x for y, x in POWERS[curve]]
    rate, status = economic_optimum_rate(curve, params, case["ratio"], 0, 250)
    again, word = economic_optimum_rate(
        curve, scaled, case["ratio"] * per_yield / per_rate, 0, 250 * per_rate
    )
    net = CURVES[curve].value(rate, params) - case["ratio"] * rate
    net_again = CURVES[curve].value(again / per_rate, params) - case["ratio"] * again / per_rate
    assert net_again == pytest.approx(net, rel=1e-9)
    if status != "tie" and word != "tie":
        assert again == pytest.approx(rate * per_rate, rel=1e-6, abs=1e-6 * per_rate)


@pytest.mark.parametrize("curve", POWERS)
@settings(deadline=None)
@given(case=CASES, step=st.floats(1.01, 5), cost=st.floats(0, 3))
def test_optimum_falls_with_price_stays_in_range_and_ignores_costs(curve, case, step, cost):
    params = shaped(curve, **case)
    ratios = case["ratio"] * step ** np.arange(4)
    rate, _ = economic_optimum_rate(curve, params, ratios, 10, 250)
    assert (np.diff(rate) <= 1e-9).all()
    assert ((rate >= 10) & (rate <= 250)).all()
    free, _ = economic_optimum_rate(curve, params, ratios, 0, 250)
    paid, status = economic_optimum_rate(curve, params, ratios, 0, 250, pass_cost=cost)
    assert np.where(status == "pass not paid", paid == 0, paid == free).all()


@pytest.mark.parametrize("curve", POWERS)
@settings(deadline=None)
@given(case=CASES)
def test_no_tested_rate_beats_the_optimum(curve, case):
    params, grid = shaped(curve, **case), np.linspace(0, 250, 501)
    rate, _ = economic_optimum_rate(curve, params, case["ratio"], 0, 250)

    def net(x):
        return CURVES[curve].value(x, params) - case["ratio"] * x

    assert net(rate) >= net(grid).max() - 1e-9


@pytest.mark.parametrize(
    ("curve", "params"),
    [
        ("linear", (3.0, 0.02)), ("quadratic", (3.0, 0.05, -1.25e-4)), ("quadratic", (3.0, -0.01, 1e-4)),
        ("linear_plateau", (3.0, 0.03, 140.0)), ("mitscherlich", (8.0, 5.0, 0.015)),
        ("spherical", (3.0, 2.0, 120.0)), ("mean", (5.0,)), ("linear", (3.0, -0.01)),
    ],
)  # fmt: skip
@pytest.mark.parametrize("low", [0.0, 40.0])
@pytest.mark.parametrize("cost", [0.0, 0.5])
def test_break_even_ratio_is_the_steepest_chord(curve, params, low, cost):
    """The greatest of (gain - cost) / (rate - lowest) on a mesh of tested rates, none below zero."""
    mesh = np.concatenate([low + np.geomspace(1e-4, 1, 200), np.linspace(low, 200, 40_001)[1:]])
    value = CURVES[curve].value
    chords = (value(mesh, np.array(params)) - value(low, np.array(params)) - cost) / (mesh - low)
    found = float(break_even_ratio(curve, params, low, 200, pass_cost=cost))
    assert found == pytest.approx(max(chords.max(), 0), rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("amount", [0.0, 0.003, 0.4, 1.7, 30.0])
@pytest.mark.parametrize("best", [0.0, 0.5, 96.3, 160.0])
def test_stretch_of_rates_is_that_of_a_fine_mesh(amount, best):
    """A return with a kink and a hollow: from the best rate as far as all rates between lose no more."""

    def net(x):
        away = np.abs(np.asarray(x, float) - best)
        return 50 - 0.02 * away + 0.8 * np.sin(away / 9) ** 2 * (away > 20) - 4e-4 * away**2

    low, high = (float(end) for end in rates_within(net, best, 0.0, 160.0, amount))
    mesh = np.linspace(0, 160, 160_001)
    good = net(mesh) >= net(best) - amount - 1e-9
    for end, side in ((low, mesh[mesh <= best][::-1]), (high, mesh[mesh >= best])):
        lost = np.flatnonzero(~good[np.searchsorted(mesh, side)])
        wanted = side[max(lost[0] - 1, 0)] if len(lost) else side[-1]
        assert end == pytest.approx(wanted, abs=2e-3)


def test_a_pass_is_charged_against_rates_below_one_too():
    """A line joined at 0.4 rises by 1: that pays for a pass of 0.9 and not for one of 1.2."""
    for cost, rate in ((1.2, 0.0), (0.9, 0.4)):
        found = economic_optimum_rate("linear_plateau", [3.0, 2.5, 0.4], 0.01, 0, 2, pass_cost=cost)
        assert float(found.rate) == pytest.approx(rate)


def test_equal_returns_are_a_tie_at_a_price_alone():
    # Slope 0.03 and price ratio 0.03: all rates up to the join return the same; a free plateau is no tie.
    for ratio, status in (
        (0.03, "tie"),
        (0.029, "interior"),
        (0.0, "interior"),
        (0.031, "no economic response"),
    ):
        found = economic_optimum_rate("linear_plateau", [3.0, 0.03, 100.0], ratio, 0, 200)
        assert str(found.status) == status
