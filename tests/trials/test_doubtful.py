"""Doubtful strips: named where planted, not in published data, rarely in clean trials, never masked."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from scipy.optimize import curve_fit

from fertkit.intake import read_strips
from fertkit.response import analyse_response
from fertkit.say.response import optimum_text, stands_out
from fertkit.trials import analyse_strips, linear
from fertkit.trials.doubtful import Doubtful, doubtful_strips, say_doubtful, smoother

CASE = Path(__file__).parents[1] / "cases" / "strips" / "one_zero.csv"
PRICES = {"nutrient_price": 0.5, "grain_price": 4.5}
DESIGNS = [(3, 4), (4, 5), (4, 3), (5, 2), (6, 5)]


def design(blocks, treatments):
    """Model of a block trial, its parabola and the number of each treatment."""
    block, treatment = np.repeat(range(blocks), treatments), np.tile(range(treatments), blocks)
    rest = np.column_stack([np.ones(len(block)), linear.dummies(block)])
    return np.column_stack([rest, linear.dummies(treatment)]), smoother(treatment, rest), treatment


@pytest.mark.parametrize(("blocks", "treatments"), DESIGNS)
def test_clean_trials_rarely_flag(blocks, treatments):
    # 600 trials a design gave 0.3 to 2.0 %; 400 trials of a true rate of 3 % hold no more
    # than 24 flags with probability 0.9996 (binomial), so 24 is the limit.
    x, smooth, _ = design(blocks, treatments)
    rng = np.random.default_rng(11)
    flags = sum(bool(doubtful_strips(x, 100 + rng.normal(size=len(x)), smooth).rows) for _ in range(400))
    assert flags <= 24


@pytest.mark.parametrize("bad", [(7,), (7, 12), (2, 7), (10, 12), (7, 11, 3)])
def test_planted_strips_are_found_together(bad):
    # Fifteen standard deviations low, in one block (10, 12), in one treatment (2, 7) or anywhere: the look at
    # single residuals finds none of the pairs.
    x, smooth, treatment = design(4, 5)
    rng = np.random.default_rng(3)
    exact = 0
    for _ in range(30):
        y = 100 + 8 * np.minimum(treatment, 3) + rng.normal(size=20)
        y[list(bad)] -= 25
        exact += set(doubtful_strips(x, y, smooth).rows) == set(bad)
    assert exact >= 26  # a sound strip beside them is flagged as rarely as in a clean one


def test_expected_yield_by_hand():
    # Missing-plot formula of Yates (1933): (r B + t T - G) / ((r - 1)(t - 1)) with block, treatment and grand
    # totals without the plot.
    y = np.array([[50.0, 54, 57, 58], [51, 55, 59, 59.5], [49, 53.2, 56, 57]])
    x, _, _ = design(3, 4)
    bad = y.copy()
    bad[1, 2] = 5
    block, treatment, grand = bad[1].sum() - 5, bad[:, 2].sum() - 5, bad.sum() - 5
    by_hand = (3 * block + 4 * treatment - grand) / 6
    found = doubtful_strips(x, bad.ravel())
    assert found.rows == (6,)
    assert found.expected == pytest.approx((by_hand,))


def test_the_probability_is_that_of_the_largest_studentized_residual():
    # The largest externally studentized residual of statsmodels, times 2 sides and 12 strips (Bonferroni).
    sm = pytest.importorskip("statsmodels.api")
    y = np.array([50.0, 54, 57, 58.3, 51, 55.2, 59, 59.5, 49, 53.2, 56.1, 58.0])
    x, _, _ = design(3, 4)
    whole = np.abs(sm.OLS(y, x).fit().get_influence().resid_studentized_external).max()
    by_hand = 12 * 2 * scipy.stats.t.sf(whole, 12 - 6 - 1)
    assert 0.01 < by_hand < 1
    found = doubtful_strips(x, y)
    assert found.rows == ()
    assert found.p == pytest.approx(by_hand)


def test_a_pair_of_strips_that_cannot_be_told_apart_is_named_whole():
    # Two treatments: a low strip and its high neighbour are the same to the difference of their block.
    rng = np.random.default_rng(8)
    x, _, _ = design(8, 2)
    y = 60 + rng.normal(size=16)
    y[6] -= 40
    found = doubtful_strips(x, y)
    assert set(found.rows) == {6, 7}
    assert found.undecided


def test_published_trials_keep_their_strips():
    # Gomez & Gomez 1984, p. 26, and Snedecor 1946, Table 12.13: analysed by their authors with every plot.
    home = Path(__file__).parents[1] / "reference" / "response"
    rice = pd.read_csv(home / "gomez_rice_seedrate_rcbd.csv")
    beets = pd.read_csv(home / "snedecor_beets_rcbd.csv")
    beets = beets.assign(fert=beets["fert"].fillna("none"))
    for table, treatment, blocks in ((rice, "seed_kg_ha", "rep"), (beets, "fert", "block")):
        response = next(c for c in table if c.startswith("yield"))
        found = analyse_strips(table, treatment=treatment, response=response, blocks=blocks)
        assert found.stands_out == ""


@pytest.fixture(scope="module")
def zero():
    return read_strips(CASE, real_yields=True)


def test_a_zero_does_not_hide_the_next_strip(zero):
    said = analyse_response(zero, **PRICES, replicates=0).summary().splitlines()[0]
    assert said.startswith("Check this first: block 2, row 9 at 100 lb/ac (0 where")
    assert "block 3, row 16 at 200 lb/ac (165 where" in said
    assert "With them the economic optimum rate is at least the highest rate" in said
    assert analyse_strips(zero).summary().startswith("Check this first: block 2, row 9 at 100 lb/ac (0 where")


def test_the_optimum_without_them_is_that_of_the_rest(zero):
    whole = analyse_response(zero, **PRICES, replicates=0)
    rest = zero.table.drop(index=list(whole.doubtful.rows))
    without = optimum_text(analyse_response(rest, **PRICES, replicates=0).optimum)
    assert f"without them, {without}." in stands_out(whole)


WHOLE = CASE.with_name("mean_rows.csv")  # the same trial with every strip harvested


@pytest.mark.parametrize("lost", range(20))
def test_a_zero_in_a_table_given_directly_is_named_first(lost):
    table = pd.read_csv(WHOLE).query("Rep != 'Mean'")
    table.columns = ["block", "rate_lb_ac", "yield_bu_ac"]
    table.loc[lost, "yield_bu_ac"] = 0.0
    block, rate = table.loc[lost, ["block", "rate_lb_ac"]]
    found = analyse_response(table, **PRICES, replicates=0)
    first = found.summary().splitlines()[0]
    assert first.startswith(f"Check this first: block {block} at {rate} lb/ac (0 where ")
    assert found.doubtful.rows == (lost,)
    rest = analyse_response(table.drop(index=lost), **PRICES, replicates=0)
    with_it, without = map(optimum_text, (found.optimum, rest.optimum))
    assert f"With it the economic optimum rate is {with_it}; without it, {without}." in first
    means = analyse_strips(table).summary().splitlines()[0]
    assert means.startswith(f"Check this first: block {block} at {rate} lb/ac (0 where ")
    assert means.count(" is expected)") == 1


def test_as_lost_the_low_strip_of_the_zero_file_is_named_first():
    lost = CASE.read_text().replace("2,100,0.0", "2,100,")
    first = analyse_response(read_strips(lost.encode()), **PRICES, replicates=0).summary().splitlines()[0]
    assert first.startswith("Check this first: block 3, row 16 at 200 lb/ac (165 where ")
    assert "With it the economic optimum rate is " in first
    assert "; without it, " in first


def test_the_whole_strips_give_what_an_independent_fit_gives():
    # scipy's curve_fit and a polynomial of the yields less their block means, weighed by AICc (Burnham &
    # Anderson 2002; four blocks, two further coefficients and the variance): the optimum where one more lb/ac
    # returns 0.5 / 4.5 bu/ac, and its spread over yields drawn around each curve.
    table = pd.read_csv(WHOLE).query("Rep != 'Mean'").astype(float)
    x, block = table["N rate (lb/ac)"].to_numpy(), table["Rep"].to_numpy()
    y = table["Yield (bu/ac)"].to_numpy()
    ratio, k, rng = 0.5 / 4.5, 7, np.random.default_rng(1)

    def plateau(x, a, b, j):
        return a + b * np.minimum(x, j) - b * np.minimum(x, j) ** 2 / (2 * j)

    def spherical(x, a, b, j):
        u = np.minimum(x / j, 1)
        return a + b * (1.5 * u - 0.5 * u**3)

    curves = {
        (lambda x, a, b, c: a + b * x + c * x**2): ((120, 1, -0.003), lambda a, b, c: (ratio - b) / (2 * c)),
        plateau: ((120, 1, 150), lambda a, b, j: j * (1 - ratio / b)),
        spherical: ((120, 70, 150), lambda a, b, j: j * np.sqrt(1 - ratio * j / (1.5 * b))),
    }

    def centred(y):
        return y - pd.Series(y).groupby(block).transform("mean").to_numpy() + y.mean()

    optima, aicc, drawn = [], [], []
    for curve, (start, optimum) in curves.items():
        params, _ = curve_fit(curve, x, centred(y), start)
        rss = ((centred(y) - curve(x, *params)) ** 2).sum()
        optima.append(optimum(*params))
        aicc.append(20 * np.log(rss / 20) + 2 * k * 20 / (20 - k - 1))
        noise = rng.normal(0, np.sqrt(rss / 14), (200, 20))
        again = [curve_fit(curve, x, curve(x, *params) + centred(e), params)[0] for e in noise]
        drawn.append([optimum(*p) for p in again])
    weights = np.exp(-np.subtract(aicc, min(aicc)) / 2)
    weights /= weights.sum()
    ours = analyse_response(read_strips(WHOLE), **PRICES, replicates=0).optimum
    assert ours.rate == pytest.approx(weights @ optima, abs=0.5)
    # 200 draws a curve place an end of the mixture to about a lb/ac.
    mixed = rng.choice(np.array(drawn).T.ravel(), 20_000, p=np.tile(weights / 200, 200))
    ends = [ours.interval.low, ours.interval.high]
    np.testing.assert_allclose(ends, np.percentile(mixed, [2.5, 97.5]), atol=2)


def test_two_zeros_at_one_rate_are_told_from_the_other_two(zero):
    # Half of the strips of 100 lb/ac are zero; the rates beside it say which half.
    table = zero.table.assign(yield_bu_ac=lambda t: t["yield_bu_ac"].where(t.index != 2, 0.0))
    doubtful = analyse_response(table, **PRICES, replicates=0).doubtful
    assert set(doubtful.rows) >= {2, 7}
    assert not set(doubtful.rows) & {12, 17}
    assert not doubtful.undecided


def test_rates_as_applied_are_one_level(zero):
    wobble = np.random.default_rng(4).uniform(-1.5, 1.5, 20)
    table = zero.table.assign(rate_lb_ac=(zero.table["rate_lb_ac"] + wobble).clip(0))
    assert 7 in analyse_response(table, **PRICES, replicates=0).doubtful.rows


def test_means_of_many_replicates_and_tiny_trials_are_left_alone():
    few = pd.DataFrame({"rate_lb_ac": [0, 40, 80, 120], "yield_bu_ac": [50.0, 54, 1, 58]})
    assert stands_out(analyse_response(few, **PRICES, replicates=0)) == ""


def test_whole_numbers_are_no_outliers():
    # Twelve yields of 50 or 51: one of them a step away is rounding, though the others fit exactly.
    x, smooth, _ = design(3, 4)
    for low in range(12):
        y = np.repeat([50.0, 50, 51], 4)
        y[low] += 1
        assert doubtful_strips(x, y, smooth).rows == ()
        y[low] += 20
        assert low in doubtful_strips(x, y, smooth).rows


# ---- every set of strips, left out in turn


def rss_without(x, y, rows):
    """Residual sum of squares without some strips; None where the model is not estimable without them."""
    keep = np.setdiff1d(np.arange(len(y)), rows)
    if np.linalg.matrix_rank(x[keep]) < np.linalg.matrix_rank(x):
        return None, None
    b = np.linalg.lstsq(x[keep], y[keep], rcond=None)[0]
    return float(((y[keep] - x[keep] @ b) ** 2).sum()), y[rows] - x[rows] @ b


def by_all_sets(x, y, smooth=None):
    """What the docstring says, by brute force: (rows, p, undecided)."""
    n, df = len(y), len(y) - np.linalg.matrix_rank(x)
    steps = (10, 5, 1, 0.5, 0.1, 0.05, 0.01, 0.001)
    step = next((s for s in steps if np.allclose(y / s, np.round(y / s), rtol=0, atol=1e-6)), 0)
    floor = step**2 / 12 + (1e-11 * np.abs(y).max()) ** 2
    whole = before = rss_without(x, y, [])[0]
    most = int(max(1, min(max(2, n / 6), df - 3, 6)))
    best = first = None
    for size in range(1, most + 1):
        tried = [(rss_without(x, y, list(rows))[0], list(rows)) for rows in combinations(range(n), size)]
        tried = sorted(pair for pair in tried if pair[0] is not None)[:24]
        left = tried[0][0]
        ratio = np.sqrt(max(before - left, 0) / max(left / (df - size), floor))
        p = min(1, (n - size + 1) * 2 * scipy.stats.t.sf(ratio, df - size))
        first = p if first is None else first
        if p < 0.01:
            best = p, tried, df - size
        before = left
    if best is None:
        return (), first, False
    p, tried, left_df = best
    noise = (4 if smooth is None else 12) * tried[0][0] / left_df + 1e-9 * whole
    alike = [rows for left, rows in tried if left <= tried[0][0] + noise]
    undecided = len(alike) > 1 and smooth is None
    if undecided:
        rows = sorted(set().union(*alike))
    else:
        rows = min(alike, key=lambda rows: rss_without(smooth, y, rows)[0]) if len(alike) > 1 else alike[0]
    return rows, p, undecided


@pytest.mark.parametrize("smoothed", [False, True])
@pytest.mark.parametrize(("shape", "step"), [
    ((3, 4), 0), ((4, 5), 0), ((5, 2), 0), ((3, 3), 0), ((3, 4), 1), ((3, 4), 0.5), ((3, 4), 0.05),
    ((3, 4), 0.001), ((6, 2), 0.1), ((4, 3), 5), ((4, 3), 10),
])  # fmt: skip
def test_against_every_set_of_strips(shape, step, smoothed):
    x, smooth, treatment = design(*shape)
    smooth = smooth if smoothed else None
    for seed in range(3):
        rng = np.random.default_rng(seed)
        y = 100 + 7 * np.minimum(treatment, 2) + rng.normal(size=len(x))
        for row in rng.permutation(len(x))[:seed]:
            y[row] -= rng.uniform(3, 30)
        y = np.round(y / step) * step if step else y
        ours = doubtful_strips(x, y, smooth)
        rows, p, undecided = by_all_sets(x, y, smooth)
        if rss_without(x, y, [])[0] < 1e-9:
            assert ours.rows == ()
            continue
        assert set(ours.rows) == set(rows)
        assert ours.p == pytest.approx(p, rel=1e-6)
        assert ours.undecided == undecided
        if ours.rows and not undecided:
            away = rss_without(x, y, list(ours.rows))[1]
            assert ours.expected == pytest.approx(y[list(ours.rows)] - away)
            assert list(np.abs(away)) == sorted(np.abs(away), reverse=True)


@pytest.mark.parametrize("off", [1.0, 2.0, 3.0, 6.0, 40.0])
def test_yields_written_to_a_step_err_by_its_twelfth(off):
    """Yields that add up exactly leave the variance of rounding alone, a step squared over 12 (Sheppard)."""
    x, _, treatment = design(3, 4)
    for step in (1, 0.1, 10):
        y = step * (50.0 + 3 * treatment + np.repeat([0.0, 1, 3], 4))
        y[5] += step * off
        # Without the sixth strip the rest fits: its squared distance times the share of it that is its own.
        ratio = off * np.sqrt(1 - 6 / 12) / np.sqrt(1 / 12)
        found = doubtful_strips(x, y)
        p = min(1, 12 * 2 * scipy.stats.t.sf(ratio, 5))
        assert found.p == pytest.approx(p) or (found.rows and p < 0.01)
        assert (5 in found.rows) == (p < 0.01)


def test_too_few_strips_are_not_judged():
    for shape, judged in (((2, 4), False), ((3, 3), True)):  # 3 and 4 error degrees of freedom
        x, _, _ = design(*shape)
        y = 50 + np.random.default_rng(1).normal(size=len(x))
        y[0] -= 500
        assert np.isfinite(doubtful_strips(x, y).p) == judged
    x, _, treatment = design(3, 4)
    assert np.isnan(doubtful_strips(x, 50.0 + treatment).p)  # fits exactly


def test_a_strip_that_alone_holds_a_treatment_is_never_doubtful():
    x, _, _ = design(3, 4)
    lonely = np.column_stack([x, np.arange(12) == 7])
    y = 50 + np.random.default_rng(2).normal(size=12)
    y[7] -= 100
    assert 7 not in doubtful_strips(lonely, y).rows
    y[2] -= 40
    assert doubtful_strips(lonely, y).rows == (2,)


def test_a_parabola_needs_four_levels():
    rest = np.ones((8, 1))
    assert smoother([0, 1, 2] * 2, np.ones((6, 1))) is None
    found = smoother([0, 10, 20, 40] * 2, rest)
    assert np.linalg.matrix_rank(found) == found.shape[1] == 3
    y = 3 + 0.5 * np.tile([0, 10, 20, 40], 2) - 0.01 * np.tile([0, 10, 20, 40], 2) ** 2
    assert found @ np.linalg.lstsq(found, y, rcond=None)[0] == pytest.approx(y)


def test_words_for_doubtful_strips():
    names, yields = ["a", "b", "c"], np.array([5.0, 6.0, 7.0])
    assert say_doubtful(Doubtful(), names, yields) == ""
    one = Doubtful((1,), (9.0,), 0.001)
    assert say_doubtful(one, names, yields) == "b (6 where 9 is expected) lies far from the rest"
    two = Doubtful((1, 0), (9.0, 8.0), 0.001)
    told = "b (6 where 9 is expected) and a (5 where 8 is expected) lie far from the rest"
    assert say_doubtful(two, names, yields) == told
    three = Doubtful((1, 0, 2), (9.0, 8.0, 1.0), 0.001)
    assert say_doubtful(three, names, yields).startswith("b (6 where 9 is expected), a (5 ")
    unsure = Doubtful((0, 2), (9.0, 8.0), 0.001, undecided=True)
    assert say_doubtful(unsure, names, yields) == "one or more of a, c lie far from the rest"
