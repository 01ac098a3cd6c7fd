"""Ranking and averaging of curves against R, and the rules for what may be ranked."""

import numpy as np
import pytest
from scipy.stats import f

from fertkit.errors import InputError, NotEstimable
from fertkit.response import compare_curves, fit_response
from fertkit.response.average import TAILS, akaike_weights, mixture_ends
from fertkit.response.compare import aicc, lack_of_fit

BACHMAIER = 0.60 / 110  # EUR/kg N over EUR/t
# AICc and Akaike weights of the low zone, computed in R from the RSS of the same fits.
AICC = {
    "square_root": (-18.302903, 0.320639),
    "mitscherlich": (-18.273157, 0.315906),
    "quadratic_plateau": (-16.667306, 0.141531),
    "quadratic": (-16.537551, 0.132640),
    "spherical": (-15.242758, 0.069425),
    "linear_plateau": (-12.727737, 0.019742),
    "linear": (-2.475607, 0.000117),
    "mean": (37.784398, 2e-13),
}


@pytest.fixture(scope="module")
def low_zone(outside_trial):
    return compare_curves(outside_trial("bachmaier_wheat_n.csv", "zone=low"), BACHMAIER)


def test_aicc_and_weights(low_zone):
    table = low_zone.table.set_index("curve")
    assert list(table.index) == list(AICC)
    for curve, (value, weight) in AICC.items():
        assert table.loc[curve, "aicc"] == pytest.approx(value, abs=1e-6)
        assert table.loc[curve, "weight"] == pytest.approx(weight, abs=1e-6)
    assert low_zone.best == "square_root"


def test_averaged_optimum(low_zone):
    # R: 217.8014 over the six curves, the square root (formula value 286) cut to the top rate 260
    assert low_zone.averaged_optimum == pytest.approx(217.8014, abs=2e-3)
    assert low_zone.averaged_weights.sum() == pytest.approx(1)


def test_optima_side_by_side(low_zone):
    """Same data, same price ratio (R): 127, 178, 192, 199, 209 and a square root beyond the last rate."""
    optima = low_zone.table.set_index("curve")["optimum"]
    expected = {"linear_plateau": 127.239, "spherical": 177.54, "quadratic_plateau": 192.335,
                "quadratic": 199.077, "mitscherlich": 208.75, "square_root": 260.0}  # fmt: skip
    for curve, value in expected.items():
        assert optima[curve] == pytest.approx(value, abs=0.02)


def test_averaged_interval_holds_the_spread_between_curves(low_zone):
    averaged = low_zone.averaged_interval
    table = low_zone.table.set_index("curve")
    assert averaged.low < table.loc["square_root", "low"]
    assert averaged.high_open
    assert low_zone.between_curve_sd == pytest.approx(32.2, abs=0.5)


def test_same_model_counts_once(outside_trial):
    """High zone: join at 281 beyond the top rate 260, so the two fits are one (equal RSS)."""
    comparison = compare_curves(outside_trial("bachmaier_wheat_n.csv", "zone=high"), BACHMAIER)
    table = comparison.table.set_index("curve")
    assert table.loc["quadratic_plateau", "rss"] == pytest.approx(table.loc["quadratic", "rss"], rel=1e-12)
    assert table.loc["quadratic_plateau", "same_as"] == "quadratic"
    assert table.loc["quadratic_plateau", "weight"] == 0
    assert table.loc["quadratic", "weight"] == pytest.approx(
        0.309, abs=5e-4
    )  # R; counted twice: 0.472 of eight
    assert comparison.averaged_weights["quadratic_plateau"] == 0


def test_lack_of_fit(outside_trial):
    """R: low zone F(8, 33) 0.8337, high 0.6526; Wisconsin corn F(4, 37) 2.5792, p 0.0532."""
    for name, subset, value, p in (
        ("bachmaier_wheat_n.csv", "zone=low", 0.8337, 0.580),
        ("bachmaier_wheat_n.csv", "zone=high", 0.6526, 0.728),
        ("wisconsin_corn_n.csv", "all", 2.5792, 0.0532),
    ):
        found = lack_of_fit(fit_response(outside_trial(name, subset), "quadratic"))
        np.testing.assert_allclose(found, [value, p], atol=6e-4)


def test_wisconsin_optima(outside_trial):
    table = compare_curves(outside_trial("wisconsin_corn_n.csv"), 0.10).table.set_index("curve")["optimum"]
    for curve, value in (("quadratic", 161.650), ("mitscherlich", 90.798), ("quadratic_plateau", 84.019),
                         ("linear_plateau", 58.0871)):  # fmt: skip
        assert table[curve] == pytest.approx(value, abs=1e-3)


def test_repricing_refits_nothing(low_zone):
    again = low_zone.at_price_ratio(0.01)
    assert again.fits is low_zone.fits
    assert again.averaged_optimum < low_zone.averaged_optimum
    assert again.at_price_ratio(BACHMAIER).averaged_optimum == low_zone.averaged_optimum


def test_aicc_is_undefined_where_its_correction_turns_negative():
    assert np.isnan(aicc(1.0, 4, 3))
    assert np.isnan(aicc(1.0, 5, 3))
    assert np.isfinite(aicc(1.0, 6, 3))


def test_weights_neither_overflow_nor_underflow():
    weights = akaike_weights(np.array([-90_000.0, -40_000.0, np.nan, -90_001.0]))
    np.testing.assert_allclose(weights, [1 / (1 + np.exp(0.5)), 0, 0, 1 / (1 + np.exp(-0.5))])
    assert (akaike_weights(np.full(3, np.nan)) == 0).all()


def test_mixture_of_one_distribution_is_that_distribution(make_trial):
    sums = make_trial([0, 150, 300, 300], [1, 2, 3, 3]).sums
    low, high = ((100 + side * 200 * (0.5 - np.append(TAILS, 0.025)))[None, None] for side in (-1, 1))
    ends = mixture_ends([(low, high)], np.ones((1, 1, 1)), sums, 0.95)
    np.testing.assert_allclose(np.ravel(ends), [5, 195], rtol=1e-6)


def test_two_rates_cannot_be_compared(make_trial):
    with pytest.raises(NotEstimable, match="three"):
        compare_curves(make_trial([0, 100, 0, 100], [5, 7, 5, 8]), 0.01)


def test_summary_names_curves_and_units(low_zone):
    text = low_zone.summary()
    assert "square root: support among all curves 0.32, optimum at least 260 (156 to > 260) kg/ha" in text
    assert "218 kg/ha" in text


@pytest.mark.parametrize("scale", [0.001, 1, 1000])
def test_curves_through_every_point_weigh_alike_in_any_unit(make_trial, scale):
    """Three rates, strips alike: each three-parameter curve leaves rounding alone, so none is better."""
    yields = np.array([5.137, 7.913, 8.369] * 2) * scale
    weights = compare_curves(make_trial([0, 37, 91] * 2, yields), 0.005 * scale).averaged_weights
    held = weights[weights > 0]
    assert len(held) > 2
    assert held.to_numpy() == pytest.approx(np.full(len(held), 1 / len(held)), rel=1e-6)


def test_strips_alike_at_every_rate_leave_no_error_to_hold_lack_of_fit_against(make_trial):
    # The mean square within rates is nought: F would be a division by it.
    fit = fit_response(make_trial([0, 50, 100, 150] * 2, [5.0, 7.0, 8.0, 8.25] * 2), "linear")
    assert np.isnan(lack_of_fit(fit)).all()


@pytest.mark.parametrize("curves", ["linear", ["linear"], ["mean", "linear"]])
def test_straight_lines_alone_are_no_comparison(outside_trial, curves):
    with pytest.raises(InputError, match="add one of: quadratic, square_root"):
        compare_curves(outside_trial("bachmaier_wheat_n.csv", "zone=low"), BACHMAIER, curves=curves)


def least_squares(design, y):
    return ((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2).sum()


def test_table_is_that_of_least_squares_with_block_columns(make_trial):
    """RSS, R2, AICc, support, F and p of curves linear in their parameters, worked here in full."""
    rng = np.random.default_rng(2)
    x, block = np.tile([0.0, 40, 80, 120, 160], 4), np.repeat(np.arange(4), 5)
    y = 5 + 0.03 * x - 1e-4 * x**2 + 0.4 * block + rng.normal(0, 0.3, 20)
    found = compare_curves(
        make_trial(x, y, block), 0.01, curves=["mean", "linear", "quadratic", "square_root"]
    )
    level = np.equal.outer(block, np.arange(4)).astype(float)
    columns = {"mean": [], "linear": [x], "quadratic": [x, x**2], "square_root": [np.sqrt(x), x]}
    full = np.column_stack([level, np.equal.outer(x, [40.0, 80, 120, 160])])
    pure, pure_df = least_squares(full, y), 20 - 8
    values = {}
    for curve, more in columns.items():
        rss, k = least_squares(np.column_stack([level, *more]), y), 4 + len(more) + 1
        row = found.table.set_index("curve").loc[curve]
        values[curve] = 20 * np.log(rss / 20) + 2 * k + 2 * k * (k + 1) / (20 - k - 1)
        assert row["rss"] == pytest.approx(rss, rel=1e-9)
        assert row["df_error"] == 20 - 4 - len(more)
        assert row["r2"] == pytest.approx(1 - rss / least_squares(level, y), rel=1e-9)
        assert row["aicc"] == pytest.approx(values[curve], rel=1e-9)
        df = 4 - len(more)
        wanted = (rss - pure) / df / (pure / pure_df)
        assert row["lack_of_fit_f"] == pytest.approx(wanted, rel=1e-9)
        assert row["lack_of_fit_p"] == pytest.approx(f.sf(wanted, df, pure_df), rel=1e-9)
    table, least = found.table, min(values.values())
    assert table["curve"].tolist() == sorted(values, key=values.get)
    support = np.exp([(least - values[c]) / 2 for c in table["curve"]])
    np.testing.assert_allclose(table["weight"], support / support.sum(), rtol=1e-6)
    np.testing.assert_allclose(
        table["delta"], [values[c] - least for c in table["curve"]], rtol=1e-6, atol=1e-9
    )
    # Averaged by fit among the curves of diminishing returns: mean and spread of their optima.
    pair = table.set_index("curve").loc[["quadratic", "square_root"]]
    share = np.exp(-pair["aicc"] / 2 + pair["aicc"].min() / 2)
    share = share / share.sum()
    mean = share @ pair["optimum"]
    np.testing.assert_allclose(pair["average_weight"], share, rtol=1e-6)
    assert found.averaged_optimum == pytest.approx(mean, rel=1e-6)
    spread = np.sqrt(share @ (pair["optimum"] - mean) ** 2)
    assert found.between_curve_sd == pytest.approx(spread, rel=1e-6)
    assert spread > 1


def test_a_clear_trial_has_a_closed_interval(make_trial):
    """A join of 100 seen through an error of 1 % of the rise, in four blocks of nine rates to 240."""
    x, block = np.tile(np.arange(0.0, 241, 30), 4), np.repeat(np.arange(4), 9)
    y = 5 + 0.03 * np.minimum(x, 100) + np.random.default_rng(4).normal(0, 0.03, 36)
    found = compare_curves(make_trial(x, y, block), 0.01)
    interval = found.averaged_interval
    assert 60 < interval.low < 100 < interval.high < 150
    assert (interval.low_open, interval.high_open) == (False, False)
    for curve in ("linear_plateau", "quadratic"):
        row, own = found.table.set_index("curve").loc[curve], found.interval(curve)
        assert (own.low, own.high, own.low_open, own.high_open) == (row["low"], row["high"], False, False)
    assert found.ranked
    assert found.checks["passed"].all()


@pytest.mark.parametrize(("rows", "ranked"), [(5, False), (6, True)])
def test_six_rows_without_blocks_are_enough_to_rank(make_trial, rows, ranked):
    """Three parameters and the error variance make K = 4, and AICc needs n > K + 1."""
    x = np.tile([0.0, 50, 100, 150], 2)[:rows]
    found = compare_curves(make_trial(x, 5 + 0.02 * x - 6e-5 * x**2 + 0.1 * np.arange(rows) % 0.3), 0.01)
    check = found.checks.set_index("check").loc["rows for AICc"]
    assert check["limit"] == ">= 6"
    assert found.ranked == np.isfinite(found.table["aicc"]).all() == ranked
