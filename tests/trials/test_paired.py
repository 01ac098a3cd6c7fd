"""Paired strips and ratios against published pairs."""

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from fertkit.errors import LookupFailed, NotEstimable
from fertkit.trials import analyse_strips
from fertkit.trials.pairs import analyse_pairs, fieller


@pytest.fixture(scope="module")
def maize(outside):
    return outside("darwin_maize_pairs.csv").assign(pair=lambda d: d["pot"] + d["pair"])


def test_darwin_maize(maize):
    # Fisher 1935, The Design of Experiments: 15 pairs, crossed minus selfed.
    found = analyse_pairs(maize, treatment="type", response="height", blocks="pair", check="self")
    assert found.difference == pytest.approx(2.616667, abs=5e-7)
    assert found.sd == pytest.approx(4.718047, abs=5e-7)
    assert found.se == pytest.approx(1.218195, abs=5e-7)
    assert found.t == pytest.approx(2.147987, abs=5e-7)
    assert found.df == 14
    assert found.p == pytest.approx(0.0497029, abs=5e-8)
    assert (found.low, found.high) == (pytest.approx(0.0038992, abs=5e-7), pytest.approx(5.2294342, abs=5e-7))
    # Fieller's interval of the ratio crossed / selfed (R).
    assert found.ratio == pytest.approx(1.148886, abs=5e-7)
    assert (found.ratio_low, found.ratio_high) == (
        pytest.approx(1.000212, abs=5e-7), pytest.approx(1.312156, abs=5e-7),
    )  # fmt: skip
    assert found.checks["passed"].ne(False).all()
    # Without the pairs the t of equal variances would be 2.437113.
    loose = analyse_strips(maize.drop(columns="pair"), treatment="type", response="height", blocks=[])
    assert loose.anova.set_index("term").loc["treatment", "f"] == pytest.approx(2.437113**2, abs=5e-6)


def test_fieller_from_means_and_covariance():
    # The same pairs in R: means, their variances and covariance, t on 14 df.
    cov = np.array([[0.872153, -0.165610], [-0.165610, 0.280625]])
    low, high = fieller(20.191667, 17.575, cov, 2.144787)
    assert (low, high) == (pytest.approx(1.000212, abs=2e-6), pytest.approx(1.312156, abs=2e-6))


def test_student_sleep(outside):
    # Student 1908; documentation of R.
    found = analyse_pairs(
        outside("student_sleep_pairs.csv"), treatment="drug", response="extra", blocks="subject", check=2
    )
    assert found.difference == pytest.approx(-1.58)
    assert found.t == pytest.approx(-4.062128, abs=5e-7)
    assert found.df == 9
    assert found.p == pytest.approx(0.00283289, abs=5e-9)
    assert (found.low, found.high) == (pytest.approx(-2.459886, abs=5e-7), pytest.approx(-0.700114, abs=5e-7))


def test_six_pairs_by_the_field_rule():
    # Exner & Thompson 2003 (Iowa State Univ.): LSD = t x sqrt(sum of squared deviations / 30), six pairs.
    gain = np.array([4.0, 7.0, 1.0, 6.0, 3.0, 5.0])
    strips = pd.DataFrame({"block": [1, 2, 3, 4, 5, 6] * 2, "treatment": ["a"] * 6 + ["b"] * 6,
                           "yield_bu_ac": np.r_[np.full(6, 150.0), 150 + gain]})  # fmt: skip
    found = analyse_pairs(strips)
    assert found.high - found.difference == pytest.approx(
        2.570582 * np.sqrt(((gain - gain.mean()) ** 2).sum() / 30)
    )
    assert found.t**2 == pytest.approx(analyse_strips(strips).anova.set_index("term").loc["treatment", "f"])


def test_fieller_open_set():
    # Denominator not distinguishable from zero: no finite interval.
    assert np.isnan(fieller(1.0, 0.1, np.eye(2), 2.0)).all()


def test_a_widowed_strip_is_left_out_and_told(maize):
    found = analyse_pairs(maize.drop(index=3), treatment="type", response="height", blocks="pair")
    assert len(found.pairs) == 14
    assert "without a partner" in found.summary()


def test_pairs_need_two_treatments(maize):
    with pytest.raises(NotEstimable, match="two treatments, there are 15"):
        analyse_pairs(maize, treatment="pair", response="height", blocks="pot")
    with pytest.raises(NotEstimable, match="fewer than two complete pairs"):
        analyse_pairs(maize.iloc[:2], treatment="type", response="height", blocks="pair")
    with pytest.raises(LookupFailed, match="unknown check"):
        analyse_pairs(maize, treatment="type", response="height", blocks="pair", check="other")


def test_pairs_that_all_differ_alike_have_no_error_to_test_against():
    # 9.3 - 9.1 and 8.9 - 8.7 differ in their last binary digit: t would be some 10^15.
    table = pd.DataFrame({"block": [1, 1, 2, 2, 3, 3], "treatment": ["a", "b"] * 3})
    table["yield_t_ha"] = [9.1, 9.3, 8.7, 8.9, 10.6, 10.8]
    found = analyse_pairs(table, check="a")
    assert found.difference == pytest.approx(0.2)
    assert np.isnan(found.t)
    assert np.isnan(found.p)
    assert "no error to test against" in found.summary()
    assert "do not differ significantly" not in found.summary()


def test_fieller_with_a_small_bottom_that_is_told_from_zero():
    # By hand, t 2, variances 0.0025: a = 0.25 - 0.01, b = 0.2, c = 0.16 - 0.01; ends (b ∓ sqrt(b2 - ac)) / a.
    low, high = fieller(0.4, 0.5, np.diag([0.0025, 0.0025]), 2.0)
    assert (low, high) == (pytest.approx((0.2 - 0.004**0.5) / 0.24), pytest.approx((0.2 + 0.004**0.5) / 0.24))
    assert np.isnan(fieller(0.4, 0.5, np.diag([0.0025, 0.0625]), 2.0)).all()  # 0.25 - 4 x 0.0625 is none


def test_a_treatment_always_on_one_side_is_told():
    """Six pairs laid a b, a b, ...: lots give that order in one of 32 trials (0.5 to the power of 5)."""
    gain = [4.0, 7.0, 1.0, 6.0, 3.0, 5.0]
    rows = [(b + 1, 2 * b + s + 1, "ab"[s], 50.0 + s * gain[b]) for b in range(6) for s in (0, 1)]
    strips = pd.DataFrame(rows, columns=["block", "position", "treatment", "yield_bu_ac"])
    found = analyse_pairs(strips)
    assert "the same order in every block" in found.summary()
    turned = strips.assign(position=strips["position"].mask(strips["block"].eq(2), 7 - strips["position"]))
    assert "the same order" not in analyse_pairs(turned).summary()
    few = analyse_pairs(strips[strips["block"] < 5])
    assert (
        "so small a trial" in few.checks.set_index("check")["meaning"]["order of the treatments drawn by lot"]
    )


def test_a_pair_unlike_the_others_is_named_first():
    rng = np.random.default_rng(8)
    first = 150 + rng.normal(0, 3, 8)
    second = first + 4 + rng.normal(0, 1, 8)
    second[5] -= 40
    trial = pd.DataFrame({"block": list(range(1, 9)) * 2, "treatment": ["A"] * 8 + ["B"] * 8})
    trial["yield_bu_ac"] = [*first, *second]
    found = analyse_pairs(trial)
    told = np.delete(second - first, 5).mean()  # the mean of the seven others is what they suggest
    assert (
        f"Check this first: the difference in block 6 ({second[5] - first[5]:.3g} where {told:.3g}"
        in (found.summary().splitlines()[0])
    )
    sound = analyse_pairs(trial[trial["block"] != 6])
    assert "Check this first" not in sound.summary()


# ---- pairs


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_pairs_against_scipy(level):
    rng = np.random.default_rng(4)
    table = pd.DataFrame({"block": np.repeat(np.arange(8), 2), "treatment": ["a", "b"] * 8})
    table["yield_t_ha"] = (
        5 + 0.5 * table["block"] + 0.4 * (table["treatment"] == "b") + rng.normal(0, 0.3, 16)
    )
    table.loc[3, "yield_t_ha"] = np.nan
    found = analyse_pairs(table, level=level)
    wide = table.pivot_table("yield_t_ha", "block", "treatment").dropna()
    outside = scipy.stats.ttest_rel(wide["b"], wide["a"])
    ends = outside.confidence_interval(level)
    assert (found.t, found.p, found.df) == pytest.approx((outside.statistic, outside.pvalue, 6))
    assert (found.low, found.high) == pytest.approx((ends.low, ends.high))
    gap = wide["b"] - wide["a"]
    assert (found.difference, found.sd, found.se) == pytest.approx((gap.mean(), gap.std(), gap.sem()))
    assert found.ratio == pytest.approx(wide["b"].mean() / wide["a"].mean())
    # Fieller: the ratios r for which the mean of b - r a is not told from zero.
    for r, wanted in ((found.ratio_low, 1), (found.ratio_high, 1)):
        test = scipy.stats.ttest_1samp(wide["b"] - r * wide["a"], 0).pvalue
        assert test == pytest.approx((1 - level) * wanted)
    assert found.table["difference"].tolist() == pytest.approx(gap.tolist())
    assert any("1 strip without a partner" in note for note in found.notes)
    turned = analyse_pairs(table, check="b", level=level)
    assert (turned.first, turned.second, turned.difference) == ("b", "a", pytest.approx(-gap.mean()))
    normal = found.checks.set_index("check").loc["normality (Shapiro-Wilk)"]
    assert normal["value"] == pytest.approx(scipy.stats.shapiro(gap).pvalue)
    verdict = "differ" if outside.pvalue < 1 - level else "do not differ significantly"
    assert f"The two {verdict}" in found.summary()


@pytest.mark.parametrize(("pairs", "passed"), [(6, True), (5, False)])
def test_six_pairs_are_enough(pairs, passed):
    rng = np.random.default_rng(1)
    table = pd.DataFrame({"block": np.repeat(np.arange(pairs), 2), "treatment": ["a", "b"] * pairs,
                          "yield_t_ha": 5 + rng.normal(size=2 * pairs)})  # fmt: skip
    row = analyse_pairs(table).checks.set_index("check").loc["pairs"]
    assert (row["value"], row["passed"]) == (pairs, passed)
    assert ("few pairs" in row["meaning"]) == (not passed)
    two = analyse_pairs(table[table["block"] < 2])
    assert two.df == 1
    assert "normality (Shapiro-Wilk)" not in two.checks["check"].tolist()
    assert "normality (Shapiro-Wilk)" in analyse_pairs(table[table["block"] < 3]).checks["check"].tolist()


def test_a_ratio_whose_bottom_is_zero():
    # a = bottom^2 - t^2 v: 4 - 4 x 1 = 0 and below are no interval; just above there is one.
    assert np.isnan(fieller(5.0, 2.0, np.diag([1.0, 1.0]), 2.0)).all()
    assert np.isnan(fieller(5.0, 1.9, np.diag([1.0, 1.0]), 2.0)).all()
    low, high = fieller(5.0, 2.1, np.array([[1.0, 0.3], [0.3, 1.0]]), 2.0)
    for r in (low, high):  # (top - r bottom)^2 = t^2 var(top - r bottom)
        assert (5 - 2.1 * r) ** 2 == pytest.approx(4 * (1 - 2 * r * 0.3 + r**2))
    assert low < 5 / 2.1 < high
    table = pd.DataFrame({"block": [1, 1, 2, 2, 3, 3], "treatment": ["a", "b"] * 3,
                          "net_per_ha": [-1.0, 3, 0, 4, 1, 6]})  # fmt: skip
    found = analyse_pairs(table, response="net_per_ha")
    assert np.isnan([found.ratio, found.ratio_low, found.ratio_high]).all()
