"""Numerical traps, each with a tiny data set and the careful answer.

Values are computed with R (tests/reference/r/pitfalls.R).
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f

from fertkit.errors import InputError, NotEstimable, PriceError
from fertkit.response import analyse_response, compare_curves, fit_response
from fertkit.response.compare import lack_of_fit
from fertkit.response.data import read_trial_data
from fertkit.response.fit import join_text
from fertkit.response.interval import join_interval, join_pieces, optimum_interval
from fertkit.say.response import optimum_text

FIVE = [0, 50, 100, 150, 200]


@pytest.fixture(scope="module")
def analyse(make_trial):
    def run(x, y, ratio=0.01, **options):
        return analyse_response(
            make_trial(x, y), nutrient_price=ratio, grain_price=1.0, replicates=50, **options
        )

    return run


@pytest.mark.parametrize("curve", ["linear_plateau", "quadratic_plateau", "spherical"])
def test_join_between_two_rates_is_a_set(make_trial, curve):
    fit = fit_response(make_trial([0, 50, 100, 150], [5, 9, 9, 9]), curve)
    assert fit.rss == pytest.approx(0, abs=1e-20)
    assert "join_not_identified" in fit.status
    assert join_text(fit) == "anywhere between 0 and 50"
    assert (fit.join_set.low, fit.join_set.high, fit.join_set.low_open) == (0, 50, True)
    assert float(fit.curve.plateau(fit.coef)) == pytest.approx(9)
    assert fit.params["se"].isna().all()
    assert optimum_interval(fit, 0.01).high <= 50 * (1 + 1e-6)


def test_join_set_answer_is_at_most_the_first_rate(analyse):
    answer = analyse([0, 50, 100, 150], [5, 9, 9, 9]).optimum
    assert answer.status == "at most the first rate"
    assert answer.rate == 50
    assert optimum_text(answer).startswith("at most 50 kg/ha")


def test_identified_join_beside_it(make_trial):
    fit = fit_response(make_trial([0, 40, 80, 120, 160], [5, 7, 9, 9, 9]), "linear_plateau")
    np.testing.assert_allclose(fit.coef, [5, 0.05, 80], rtol=1e-12)
    assert "join_not_identified" not in fit.status


@pytest.mark.parametrize(
    ("subset", "first"),
    [("Benedict-1952", 50), ("Custer-1951", 50), ("Malheur-1950", 50)],
)
def test_real_trials_without_an_identified_join(outside_trial, subset, first):
    fit = fit_response(outside_trial("hunter_corn_n.csv", subset), "linear_plateau")
    assert (fit.join_set.low, fit.join_set.high) == (0, first)
    fit = fit_response(outside_trial("engelstad_corn_n.csv", "Knoxville-1965"), "linear_plateau")
    assert (fit.join_set.low, fit.join_set.high) == (0, 67)


def test_near_flat_after_the_first_step(make_trial):
    fit = fit_response(make_trial([0, 40, 80, 120, 160], [5, 9.1, 8.9, 9.0, 9.0]), "linear_plateau")
    assert fit.rss == pytest.approx(0.02)
    assert join_text(fit) == "anywhere between 0 and 40"


def test_several_local_minima(make_trial):
    fit = fit_response(make_trial(range(6), [0, 4, 3, 5, 5, 6]), "linear_plateau")
    assert fit.rss == pytest.approx(4.7)
    assert fit.coef[2] == pytest.approx(3.285714, abs=1e-6)  # not 1.1875, RSS 4.75


def test_near_tie_shows_in_the_profile(make_trial):
    fit = fit_response(make_trial(range(6), [0, 3, 4, 4, 5, 6]), "linear_plateau")
    assert fit.rss == pytest.approx(2.666667, rel=1e-6)
    assert fit.coef[2] == pytest.approx(2.333333, abs=1e-6)
    assert 4.545 in join_interval(fit)  # the other minimum, RSS 2.70


def test_near_tie_is_reported_as_two_pieces(make_trial):
    fit = fit_response(make_trial(range(6), [0, 3, 4, 4, 5, 6]), "linear_plateau")
    # The second minimum is inside once F(1, 3) = 3 (2.70 / 2.666667 - 1) = 0.0375 is below the quantile:
    # 0.0765 at 0.2, 0.0187 at 0.1.
    pieces = join_pieces(fit, 0.2)
    assert len(pieces) == 2
    assert 2.3333 in pieces[0]
    assert 4.545 in pieces[1]
    assert len(join_pieces(fit, 0.1)) == 1


def test_pieces_of_a_curve_without_a_join_are_of_its_95_percent_point(make_trial):
    """Noise that a step and a slow bend fit alike: sums of squares over a mesh of k, the F margin scipy's."""
    x, y = np.array([0.0, 10, 20, 200, 400, 800]), np.array([5.9, 4.3, 3.7, 4.0, 4.6, 2.3])
    point = np.geomspace(20, 8000, 40_000)  # ln(20) / k
    rise = -np.expm1(-np.log(20) / point[:, None] * x)
    rise, rest = rise - rise.mean(axis=1, keepdims=True), y - y.mean()
    rss = rest @ rest - (rise @ rest) ** 2 / (rise**2).sum(axis=1)
    inside = rss <= rss.min() * (1 + f.ppf(0.6, 1, 3) / 3)
    out, back = np.flatnonzero(np.diff(inside.astype(int)))
    quick, slow = join_pieces(fit_response(make_trial(x, y), "mitscherlich"), 0.6)
    assert quick.high == pytest.approx(point[out], rel=1e-3)
    assert slow.low == pytest.approx(point[back], rel=1e-3)
    assert (quick.low, slow.high) == (0, np.inf)


def test_no_response(analyse):
    analysis = analyse(FIVE, [10.1, 9.9, 10.0, 10.2, 9.8])
    assert analysis.fits["mean"].rss == pytest.approx(0.1)
    assert analysis.fits["linear_plateau"].rss == pytest.approx(0.0875)
    vertex = analysis.fits["quadratic"].coef
    assert -vertex[1] / (2 * vertex[2]) == pytest.approx(65)  # although there is no trend
    assert analysis.curve == "mean"
    assert analysis.optimum.rate == 0
    assert optimum_text(analysis.optimum).startswith("no economic response")
    three = analysis.comparison.table.set_index("curve").loc[["quadratic", "linear_plateau"], "aicc"]
    assert three.isna().all()


def test_constant_yields(analyse):
    analysis = analyse(FIVE, [10] * 5)
    assert analysis.optimum.status == "no economic response"
    assert np.isnan(analysis.fits["quadratic"].r2)
    assert not analysis.comparison.table["weight"].isna().any()
    assert (analysis.comparison.averaged_weights >= 0).all()


def test_still_rising(analyse, outside_trial):
    analysis = analyse(FIVE, [4, 5.1, 6, 7.1, 8])
    coef = analysis.fits["quadratic"].coef
    assert -coef[1] / (2 * coef[2]) == pytest.approx(1850, rel=1e-3)
    assert analysis.optimum.rate == 200
    assert optimum_text(analysis.optimum).startswith("at least the highest rate tested")
    assert analysis.optimum.interval.high_open
    wheat = analyse_response(
        outside_trial("broadbalk_s1_nseries.csv", "2002"), nutrient_price=0.005, grain_price=1, replicates=50
    )
    assert float(wheat.fits["quadratic"].curve.value(0, wheat.fits["quadratic"].coef)) > 0
    assert wheat.optimum.status == "at least the highest rate"
    assert wheat.optimum.rate == 288


def test_convex_response_compares_the_ends(analyse):
    y = [4, 4.2, 4.9, 6.1, 8]
    fit = analyse(FIVE, y).fits["quadratic"]
    assert fit.coef[2] == pytest.approx(1.114e-4, rel=1e-3)
    assert "convex" in fit.status
    net = fit.predict(np.array([0, 200])) - 0.01 * np.array([0, 200])
    np.testing.assert_allclose(net, [4.017, 5.977], atol=1e-3)
    assert analyse(FIVE, y, 0.01).optimum.rate == 200
    assert analyse(FIVE, y, 0.03).optimum.rate == 0


def test_falling_response(analyse):
    analysis = analyse(FIVE, [8, 7.5, 7.1, 6.6, 6])
    assert analysis.optimum.rate == 0
    assert analysis.optimum.status == "no economic response"
    line = analysis.fits["linear_plateau"]
    assert "falling" in line.status
    assert line.join_set is None
    assert "Join" not in line.summary()


def test_extrapolated_quadratic(analyse):
    x, y = [0, 40, 80, 120], [4, 6, 7.4, 8.2]
    asked = analyse(x, y, 0.0175, curve="quadratic")
    np.testing.assert_allclose(asked.fits["quadratic"].coef, [4, 0.0575, -1.875e-4], rtol=1e-10)
    assert asked.optimum.rate == pytest.approx(106.6667, abs=1e-3)
    assert asked.agronomic_optimum.rate == 120
    assert asked.agronomic_optimum.status == "at least the highest rate"


def test_square_root_runs_away(outside_trial):
    data = outside_trial("bachmaier_wheat_n.csv", "zone=high")
    fit = fit_response(data, "square_root")
    assert float(fit.curve.optimum(fit.coef, 0.6 / 110)) == pytest.approx(2933.9, abs=0.5)
    table = compare_curves(data, 0.6 / 110).table.set_index("curve")
    assert table.loc["square_root", "optimum"] == 260
    assert table.loc["square_root", "optimum_text"].startswith("at least 260")


def test_mitscherlich_has_no_finite_maximum(outside_trial):
    fit = fit_response(outside_trial("bachmaier_wheat_n.csv", "zone=low"), "mitscherlich")
    assert np.isposinf(fit.curve.optimum(fit.coef, 0.0))
    assert optimum_interval(fit, 0.0).high_open
    ends = join_interval(fit)  # of the 95 % point of the rise, ln(20) / k
    assert np.log(20) / fit.coef[2] in ends


def test_mitscherlich_step_limit(analyse):
    analysis = analyse([0, 50, 100, 150], [2, 8, 8, 8])
    fit = analysis.fits["mitscherlich"]
    assert "step" in fit.status
    assert np.isfinite(fit.coef).all()
    assert fit.params["se"].isna().all()
    assert analysis.optimum.status == "at most the first rate"


def test_saturated_fits_are_not_ranked(make_trial, analyse):
    comparison = compare_curves(make_trial([0, 50, 100], [5, 7, 8]), 0.01)
    table = comparison.table.set_index("curve")
    assert table.loc["quadratic", "df_error"] == 0
    assert np.isnan(table.loc["quadratic", "aicc"])
    assert table.loc["quadratic", "weight"] == 0
    assert "not ranked" in table.loc["quadratic", "note"]
    assert not comparison.checks.set_index("check").loc["distinct rates", "passed"]
    assert "no interval" in optimum_text(analyse([0, 50, 100], [5, 7, 8]).optimum)
    four = compare_curves(make_trial([0, 50, 100, 150], [5, 7, 8, 8.2]), 0.01).table.set_index("curve")
    assert four.loc[["quadratic", "linear_plateau", "mitscherlich"], "aicc"].isna().all()


PLOTS = [4.1, 4.6, 4.4, 6.3, 6.9, 6.4, 7.6, 7.9, 8.3, 8.2, 8.8, 8.4, 8.5, 8.3, 8.7]


def test_plots_and_means(make_trial):
    plots = fit_response(make_trial(np.repeat(FIVE, 3), PLOTS), "quadratic")
    means = fit_response(make_trial(FIVE, np.reshape(PLOTS, (5, 3)).mean(axis=1)), "quadratic")
    np.testing.assert_allclose(plots.coef, [4.386667, 0.04973333, -1.466667e-4], rtol=1e-6)
    np.testing.assert_allclose(means.coef, plots.coef, rtol=1e-10)
    assert (plots.df_error, means.df_error) == (12, 2)
    assert plots.rss == pytest.approx(0.8773333, rel=1e-6)
    assert means.rss == pytest.approx(0.01022222, rel=1e-6)
    assert float(plots.data.sums.pure_ss[0, 0]) == pytest.approx(0.8466667, rel=1e-6)
    np.testing.assert_allclose(lack_of_fit(plots), [0.1811, 0.837], atol=6e-4)
    for fit, se in ((plots, 6.8568), (means, 3.1401)):  # the second is wrong, and says so
        wald = optimum_interval(fit, 0.005, method="wald")
        from scipy.stats import t

        assert (wald.high - wald.low) / 2 / t.ppf(0.975, fit.df_error) == pytest.approx(se, rel=1e-4)
    replicated = "error df within rates"
    assert plots.checks.set_index("check").loc[replicated, "passed"]
    assert not means.checks.set_index("check").loc[replicated, "passed"]


def test_means_are_weighted_by_their_replicates():
    keep = np.delete(np.arange(15), [1, 4, 5])
    table = pd.DataFrame({"rate_kg_ha": np.repeat(FIVE, 3)[keep], "yield_t_ha": np.array(PLOTS)[keep]})
    means = table.groupby("rate_kg_ha", as_index=False).agg(
        yield_t_ha=("yield_t_ha", "mean"), plots=("yield_t_ha", "size")
    )
    for curve in ("quadratic", "quadratic_plateau", "mitscherlich"):
        by_plot, by_mean = fit_response(table, curve), fit_response(means, curve, weight="plots")
        np.testing.assert_allclose(by_mean.coef, by_plot.coef, rtol=1e-8)


def test_cells_of_a_strip_are_not_replicates():
    table = pd.DataFrame(
        {
            "rate_kg_ha": [0, 0, 50, 50, 100, 100],
            "yield_t_ha": [4, 4.1, 6, 6.1, 7, 7],
            "strip": [1, 1, 2, 2, 3, 3],
        }
    )
    with pytest.raises(InputError, match="average each strip"):
        fit_response(table, "quadratic")


def test_sites_need_site_effects():
    table = pd.DataFrame(
        {
            "rate_kg_ha": [0, 50, 100, 100, 150, 200],
            "yield_t_ha": [10, 10.8, 11.2, 5, 5.8, 6.2],
            "site": list("AAABBB"),
        }
    )
    assert fit_response(table, "linear").coef[1] == pytest.approx(0.0120)
    pooled = fit_response(table.drop(columns="site"), "linear")
    assert pooled.coef[1] == pytest.approx(-0.0252, abs=5e-5)  # upside down
    with pytest.raises(InputError, match="site effects"):
        fit_response(table, "linear", blocks=False)


def test_scaling(make_trial):
    x = 1_000_000 + np.array(FIVE, float)
    fit = fit_response(make_trial(x, [4, 6, 7.4, 8.2, 8.4]), "quadratic")
    assert float(fit.curve.optimum(fit.coef, 0.0)) == pytest.approx(1_000_191.667, abs=1e-3)
    shifted = fit_response(make_trial(x, [4, 6, 7.4, 8.2, 8.4]), "quadratic_plateau")
    plain = fit_response(make_trial(FIVE, [4, 6, 7.4, 8.2, 8.4]), "quadratic_plateau")
    assert shifted.rss == pytest.approx(plain.rss, rel=1e-9)


def test_row_order_and_repeated_levels(make_trial):
    x, y = np.array([131.5, 0, 65.75, 131.50000000001, 0, 65.75]), np.array([8, 4, 7, 8.2, 4.2, 7.1])
    fit = fit_response(make_trial(x, y), "quadratic")
    assert fit.n_rates == 3
    back = fit_response(make_trial(x[::-1], y[::-1]), "quadratic")
    np.testing.assert_allclose(fit.coef, back.coef, rtol=1e-12)


def test_two_rates_give_a_difference_only(analyse):
    analysis = analyse([0, 100] * 3, [5, 7, 5.2, 7.1, 4.9, 6.8])
    assert analysis.comparison is None
    assert analysis.optimum.status == "difference only"
    gain = analysis.gain.set_index("quantity").loc["gain minus cost"]
    # by hand: pooled variance of two groups of three, t(4) = 2.776445
    a, b = np.array([5, 5.2, 4.9]), np.array([7, 7.1, 6.8])
    half = 2.776445 * np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 2 * 2 / 3)
    net = b.mean() - a.mean() - 0.01 * 100
    np.testing.assert_allclose(
        [gain["value"], gain["low"], gain["high"]], [net, net - half, net + half], rtol=1e-6
    )
    with pytest.raises(NotEstimable, match="the quadratic curve needs 3 rates, the trial has 2"):
        fit_response(analysis.data, "quadratic")


def test_prices_must_be_positive(analyse):
    """A nutrient may cost nothing: it pays as far as it yields."""
    for price in (-1, np.nan):
        with pytest.raises(PriceError):
            analyse(FIVE, [4, 6, 7.4, 8.2, 8.4], price)


def test_high_r2_is_no_defence(analyse):
    x = np.arange(0, 300, 50)
    analysis = analyse(x, np.minimum(4 + 0.05 * x, 9))
    quadratic = analysis.fits["quadratic"]
    np.testing.assert_allclose(quadratic.coef, [4.0892857, 0.05875, -1.607143e-4], rtol=1e-6)
    assert quadratic.rss == pytest.approx(0.758929, rel=1e-5)
    assert quadratic.r2 == pytest.approx(0.965, abs=5e-4)
    assert float(quadratic.curve.optimum(quadratic.coef, 0.01)) == pytest.approx(151.67, abs=0.01)
    assert analysis.optimum.rate == pytest.approx(100)
    assert analysis.weights["linear_plateau"] == pytest.approx(1)


def test_unusable_tables_say_what_to_do():
    good = pd.DataFrame({"rate_lb_ac": [0, 50, 100, 150], "yield_bu_ac": [100.0, 150, 170, 172]})
    with pytest.raises(InputError, match="row 3, column 'yield_bu_ac'"):
        read_trial_data(good.assign(yield_bu_ac=[100, "lost", 170, np.nan]))
    with pytest.raises(InputError, match="several rate columns"):
        read_trial_data(good.assign(rate_kg_ha=0.0))
    with pytest.raises(InputError, match="one nutrient"):
        read_trial_data(good.assign(nutrient=["N", "N", "K2O", "N"]))
    with pytest.raises(InputError, match="no column starts with 'yield_'"):
        read_trial_data(good[["rate_lb_ac"]])
    with pytest.raises(InputError, match="cannot be negative"):
        read_trial_data(good.assign(rate_lb_ac=[-5, 50, 100, 150]))
    with pytest.raises(NotEstimable, match="all rates are equal"):
        read_trial_data(good.assign(rate_lb_ac=50.0))
    with pytest.raises(InputError) as caught:
        read_trial_data(good.astype(object).assign(rate_lb_ac=["0", "x", "100", "y"]))
    assert [p.row for p in caught.value.problems] == [3, 5]


def test_blocks_that_hold_one_rate_each_leave_nothing_to_compare():
    table = pd.DataFrame({"rate_kg_ha": FIVE, "yield_t_ha": [5, 7, 9, 9, 9.1], "block": list("abcde")})
    with pytest.raises(NotEstimable, match="rates are confounded with blocks"):
        fit_response(table, "quadratic")
    with pytest.raises(NotEstimable, match="several rates"):
        analyse_response(table, nutrient_price=0.01, grain_price=1.0)


def test_empty_table():
    with pytest.raises(InputError, match="no rows"):
        read_trial_data(pd.DataFrame({"rate_kg_ha": [], "yield_t_ha": []}))


def test_rates_far_from_zero_drop_only_the_curve_without_parameters(make_trial):
    x = 1e6 + np.tile(FIVE, 3)
    y = np.tile([4, 6, 7.4, 8.2, 8.4], 3) + np.repeat([-0.1, 0.0, 0.1], 5)
    with pytest.raises(NotEstimable, match="measure them from the lowest"):
        fit_response(make_trial(x, y), "mitscherlich")
    comparison = compare_curves(make_trial(x, y), 0.005)
    assert "mitscherlich" not in comparison.fits
    near = compare_curves(make_trial(x - 1e6, y), 0.005)
    quadratic = [c.table.set_index("curve").loc["quadratic", "optimum"] for c in (comparison, near)]
    assert quadratic[0] - 1e6 == pytest.approx(quadratic[1], abs=1e-3)


def test_a_trial_without_any_yield_says_so_once():
    lost = pd.DataFrame({"rate_kg_ha": [0, 60, 120] * 2, "yield_t_ha": [np.nan] * 6})
    with pytest.raises(InputError, match="no yields") as caught:
        read_trial_data(lost)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("curve", ["spherical", "quadratic_plateau"])
@pytest.mark.parametrize(
    "yields",
    [
        [5.051, 6.221, 6.199, 6.245, 6.269, 6.176],
        [4.989, 6.801, 6.759, 6.867, 6.684, 6.886],
        [5.026, 6.651, 6.638, 6.676, 6.666, 6.635],
    ],
)
def test_two_minima_between_a_pair_of_joins_are_both_found(make_trial, curve, yields):
    """Two rates close together beside a gap (invented): numpy solves each of 40,000 joins by itself.

    The slope of the squares changes its sign twice between two joins of the search's own grid, so that its
    signs there show nothing of the best join.
    """
    rates = np.array([0.0, 200, 210, 410, 610, 650])
    fit = fit_response(make_trial(rates, yields), curve)
    joins = np.linspace(150, 450, 40_001)[:, None]
    share = np.minimum(rates / joins, 1)
    rise = 1.5 * share - 0.5 * share**3 if curve == "spherical" else share * (2 - share)
    rise = rise - rise.mean(axis=1, keepdims=True)
    y = np.array(yields) - np.mean(yields)
    squares = y @ y - (rise @ y) ** 2 / (rise**2).sum(axis=1)
    best = squares.argmin()
    assert fit.rss <= squares[best] * (1 + 1e-9)
    assert float(fit.curve.join(fit.coef)) == pytest.approx(joins[best, 0], abs=0.02)
