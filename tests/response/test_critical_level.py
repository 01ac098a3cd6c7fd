"""Critical levels from relative yields: the cotton K data of Cate & Nelson (1971) SSSA Proc. 35:658-660.

Expected numbers were computed outside the project in R on the data as tabled there (the data collection
warns that the paper's figure and its Table 1 do not match its Table 2).
"""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.response import critical_level

cate_nelson = partial(critical_level, method="cate_nelson")
arcsine_log = partial(critical_level, method="arcsine_log")
curve_level = critical_level


@pytest.fixture(scope="module")
def cotton(outside):
    data = outside("cate_nelson_cotton_k.csv")
    return data["soil_k_ppm"], data["rel_yield_pct"]


def test_cate_nelson(cotton):
    result = cate_nelson(*cotton)
    splits = result.table.set_index(["below", "above"])
    assert result.value == 46.5
    assert result.r2 == pytest.approx(0.70665, abs=5e-6)
    best = splits.loc[(44, 49)]
    assert best["ss_below"] == pytest.approx(909.619, abs=5e-4)
    assert best["ss_above"] == pytest.approx(1321.329, abs=5e-4)
    for pair, r2 in (((40, 44), 0.59489), ((49, 56), 0.58967), ((34, 35), 0.44718)):
        assert splits.loc[pair, "r2"] == pytest.approx(r2, abs=5e-6)
    assert result.line["relative_yield_pct"].tolist() == pytest.approx([62.3625, 62.3625, 94.10625, 94.10625])
    assert "62.4% below and 94.1% above" in result.summary()


def test_cate_nelson_resampled(cotton):
    result = cate_nelson(*cotton, rng=np.random.default_rng(4))
    assert result.low <= 46.5 <= result.high
    assert result.low > cotton[0].min()
    assert "95% interval" in result.summary()


@pytest.mark.parametrize(("target", "value"), [(80, 54.0831), (85, 63.6921), (90, 76.8918), (95, 97.6166)])
def test_arcsine_log(cotton, target, value):
    result = arcsine_log(*cotton, target_pct=target)
    assert result.value == pytest.approx(value, abs=5e-5)
    assert result.remarks == ("3 relative yields above 100% were capped.",)


def test_arcsine_log_estimates(cotton):
    estimates = arcsine_log(*cotton).table.set_index("estimate")["value"]
    assert estimates["correlation"] == pytest.approx(0.727764392, abs=1e-9)
    assert estimates["ols_slope"] == pytest.approx(1.80471094, abs=1e-8)
    assert estimates["slope"] == pytest.approx(2.47980109, abs=1e-8)
    assert estimates["intercept"] == pytest.approx(4.34239861, abs=1e-8)


def test_arcsine_log_interval(cotton):
    result = arcsine_log(*cotton, rng=np.random.default_rng(4))
    assert result.low < result.value < result.high
    assert set(result.sources["source_key"]) == {"DYSON2013", "ROHAN2025"}


def test_curves(cotton):
    line = curve_level(*cotton, "linear_plateau")
    assert tuple(line.line["test"].iloc[[0, -1]]) == (min(cotton[0]), max(cotton[0]))  # all that was tested
    assert line.value == pytest.approx(56.0, abs=1e-6)
    assert (line.low, line.high) == (pytest.approx(46.12, abs=0.01), pytest.approx(94.53, abs=0.01))
    bent = curve_level(*cotton, "quadratic_plateau")
    assert bent.value == pytest.approx(86.198, abs=1e-3)
    assert (bent.low, bent.high) == (pytest.approx(53.6, abs=0.05), pytest.approx(140.9, abs=0.05))
    rise = curve_level(*cotton, "mitscherlich")
    assert rise.value == pytest.approx(58.915, abs=1e-3)
    assert rise.target_pct == 90


def test_order_of_sites_does_not_matter(cotton):
    mixed = np.random.default_rng(0).permutation(len(cotton[0]))
    shuffled = [np.asarray(c)[mixed] for c in cotton]
    for method in (cate_nelson, arcsine_log, curve_level):
        assert method(*shuffled).value == pytest.approx(method(*cotton).value)


def test_level_scales_with_the_unit_of_the_test(cotton):
    for method in (cate_nelson, arcsine_log, curve_level):
        assert method(cotton[0] * 2.5, cotton[1]).value == pytest.approx(2.5 * method(*cotton).value)


def test_bad_sites_are_named(cotton):
    test, yields = cotton[0].astype(object), cotton[1].astype(object)
    test[2], yields[5] = "trace", -4
    with pytest.raises(InputError) as caught:
        cate_nelson(test, yields)
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "test"), (6, "relative yield")]
    with pytest.raises(NotEstimable, match="each site needs"):
        cate_nelson([1, 2, 3], [50, 60])
    with pytest.raises(NotEstimable, match="at least 4"):
        cate_nelson([1, 2, 3], [50, 60, 70])


def test_no_level_where_there_is_none(cotton):
    with pytest.raises(NotEstimable, match="no split"):
        cate_nelson([5, 5, 5, 5, 5], [50, 60, 70, 80, 90])
    falling = -cotton[1] + 110
    with pytest.raises(NotEstimable, match="does not rise"):
        arcsine_log(cotton[0], falling)
    with pytest.raises(NotEstimable, match="does not rise"):
        curve_level(cotton[0], falling)
    with pytest.raises(NotEstimable, match="tests above zero"):
        arcsine_log([0, 1, 2, 3], [50, 60, 70, 80])
    with pytest.raises(NotEstimable, match="between 0 and 100"):
        arcsine_log(*cotton, target_pct=100)
    with pytest.raises(LookupFailed, match="plateau"):
        curve_level(*cotton, "quadratic")
    assert cate_nelson([1, 2, 3, 4], [80, 80, 80, 80]).r2 == 0


def sites(seed, n=14):
    """Sites with ties of the test and relative yields on both sides of 100 %."""
    rng = np.random.default_rng(seed)
    test = rng.integers(5, 16, n).astype(float) * 4
    return test, np.round(np.minimum(40 + 1.2 * test, 96) + rng.normal(0, 8, n), 1)


def best_split(test, yields):
    """Middle of the split that leaves least, two sites or more on either side; and what each leaves."""
    order = np.argsort(test, kind="stable")
    x, y = test[order], yields[order]
    left = {
        k: ((y[:k] - y[:k].mean()) ** 2).sum() + ((y[k:] - y[k:].mean()) ** 2).sum()
        for k in range(2, len(x) - 1)
        if x[k] > x[k - 1]
    }
    best = min(left, key=left.get) if left else None
    return (x[best - 1] + x[best]) / 2 if left else np.nan, left


@pytest.mark.parametrize("seed", range(12))
def test_split_leaves_least_of_all(seed):
    test, yields = sites(seed)
    value, left = best_split(test, yields)
    found = cate_nelson(test, yields)
    assert found.value == value
    total = ((yields - yields.mean()) ** 2).sum()
    assert found.r2 == pytest.approx(1 - min(left.values()) / total, rel=1e-9)
    np.testing.assert_allclose(
        found.table[["ss_below", "ss_above"]].sum(axis=1), list(left.values()), rtol=1e-9
    )
    assert found.line["test"].tolist() == [test.min(), value, value, test.max()]
    means = [yields[side].mean() for side in (test < value, test > value)]
    np.testing.assert_allclose(found.line["relative_yield_pct"], np.repeat(means, 2), rtol=1e-12)


def major_axis(test, yields, target):
    """Level by the algorithm as described, with numpy's own means and standard deviations."""
    angle = np.arcsin(np.sqrt(np.minimum(yields, 100) / 100)) - np.arcsin(np.sqrt(target / 100))
    slope = np.log(test).std() / angle.std()
    return np.exp(np.log(test).mean() - slope * angle.mean()), slope


@pytest.mark.parametrize(
    ("method", "alone"),
    [(cate_nelson, lambda x, y: best_split(x, y)[0]), (arcsine_log, lambda x, y: major_axis(x, y, 90)[0])],
)
def test_interval_is_that_of_levels_of_resampled_sites(method, alone):
    """The same draws, each worked by itself; draws without a level are left out."""
    test, yields = sites(3)
    found = method(test, yields, rng=np.random.default_rng(8), replicates=60, level=0.8)
    order = np.lexsort((yields, test))
    rows = np.sort(np.random.default_rng(8).integers(0, len(test), (60, len(test))), axis=1)
    values = [alone(test[order][r], yields[order][r]) for r in rows]
    ends = np.nanquantile(values, [0.1, 0.9])
    np.testing.assert_allclose([found.low, found.high], ends, rtol=1e-9)
    assert (found.low_open, found.high_open, found.level) == (False, False, 0.8)


def test_line_of_the_calibration_runs_through_its_level():
    test, yields = sites(5)
    found = arcsine_log(test, yields, target_pct=85)
    value, slope = major_axis(test, yields, 85)
    assert found.value == pytest.approx(value, rel=1e-12)
    shares = found.line["relative_yield_pct"]
    assert (shares.min(), shares.max()) == (yields.min(), 100)
    angle = np.arcsin(np.sqrt(shares / 100)) - np.arcsin(np.sqrt(0.85))
    np.testing.assert_allclose(found.line["test"], value * np.exp(slope * angle), rtol=1e-9)
    with pytest.raises(NotEstimable, match="between 0 and 100"):
        arcsine_log(test, yields, target_pct=0)


def test_mitscherlich_level_is_where_the_curve_reaches_the_share():
    test, yields = sites(7)
    found = curve_level(test, yields, "mitscherlich", target_pct=75)
    top, rise, k = found.table["estimate"]
    assert top - rise * np.exp(-k * found.value) == pytest.approx(0.75 * top, rel=1e-9)
    assert found.r2 == pytest.approx(np.corrcoef(yields, top - rise * np.exp(-k * test))[0, 1] ** 2, abs=1e-6)
    # From 60 up to 100: at a test of 0 the curve stands above half of its top already.
    x = np.array([2.0, 5, 10, 20, 30, 40])
    assert curve_level(x, 100 - 40 * np.exp(-0.08 * x), "mitscherlich", target_pct=50).value == 0


def test_checks_tell_a_level_outside_and_an_open_end():
    test = np.array([5.0, 10, 15, 20, 30, 40, 50])
    level = curve_level(test, np.array([70.0, 81, 90, 99, 101, 99, 100]))
    assert level.checks["passed"].tolist() == [True, True]
    for value in (5.0, 50.0, 3.0, 60.0):
        assert not replace(level, value=value).checks["passed"].iloc[0]
    for side in ("low_open", "high_open"):
        opened = replace(level, **{side: True})
        assert opened.checks["passed"].tolist() == [True, False]
        assert ("< " in opened.summary(), "> " in opened.summary()) == (
            side == "low_open",
            side == "high_open",
        )
    assert "to no upper limit)" in replace(level, high=np.inf, high_open=True).summary()
    assert "interval" not in replace(level, low=np.nan, high=np.nan).summary()


@pytest.mark.parametrize("curve", ["linear_plateau", "quadratic_plateau", "spherical"])
def test_a_fall_has_no_level_and_four_sites_are_enough(curve):
    with pytest.raises(NotEstimable, match="does not rise"):
        curve_level([5, 10, 15, 20, 30], [100, 90, 80, 75, 76], curve)
    assert cate_nelson([1, 2, 4, 5], [60, 62, 90, 92]).value == 3  # no other split leaves two on either side
    with pytest.raises(InputError, match="zero or more"):
        cate_nelson([1, 2, 4, 5], [60, -0.1, 90, 92])
    assert cate_nelson([0, 2, 4, 5], [0, 62, 90, 92]).value == 3
