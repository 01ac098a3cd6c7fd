"""Strip models, their comparisons and checks against designs written out, statsmodels and scipy."""

from itertools import combinations, product
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from scipy.stats import multivariate_normal

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.results import heading, show
from fertkit.trials import analyse_strips
from fertkit.trials.diagnose import systematic
from fertkit.trials.differences import all_pairs, compact_letters, holm
from fertkit.trials.linear import anova_table, contrasts_within, parts, rate_groups
from fertkit.trials.mixed import wald
from fertkit.trials.models import neighbour_errors, random_blocks
from fertkit.trials.strips import describe, factor, places, site_names
from fertkit.trials.table import arrange, column_of

RATES = [0.0, 40.0, 80.0, 120.0]


def strips(seed=0, blocks=4, lost=(3, 9), rates=RATES, noise=2.0):
    """A made trial with strips lost, so that treatments and blocks are not orthogonal."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(list(product(range(1, blocks + 1), rates)), columns=["block", "rate_lb_ac"])
    table["position"] = rng.permutation(len(table))
    table["yield_bu_ac"] = (
        50
        + 3 * table["block"]
        + 12 * (1 - np.exp(-table["rate_lb_ac"] / 40))
        + rng.normal(0, noise, len(table))
    )
    table.loc[list(lost), "yield_bu_ac"] = np.nan
    return table


def by_hand(table, trend=False):
    """(means, covariance of the means, error df, variance, p of treatments, residuals) by pseudoinverse."""
    t = table.dropna()
    rate, block = (pd.get_dummies(t[c]).to_numpy(float) for c in ("rate_lb_ac", "block"))
    place = (t["position"] - t["position"].mean()).to_numpy()[:, None] if trend else np.empty((len(t), 0))
    x = np.column_stack([rate, block, place])
    y = t["yield_bu_ac"].to_numpy()
    inverse = np.linalg.pinv(x)
    rest = y - x @ inverse @ y
    df = len(y) - np.linalg.matrix_rank(x)
    rows = np.column_stack(
        [np.eye(4), np.full((4, block.shape[1]), 1 / block.shape[1]), np.zeros((4, int(trend)))]
    )
    variance = rest @ rest / df
    less = np.column_stack([block, place])
    without = y - less @ np.linalg.pinv(less) @ y
    f = (without @ without - rest @ rest) / 3 / variance
    cov = rows @ inverse @ inverse.T @ rows.T * variance
    return rows @ inverse @ y, cov, df, variance, scipy.stats.f.sf(f, 3, df), rest


@pytest.mark.parametrize("trend", [False, True])
@pytest.mark.parametrize("adjust", ["tukey", "holm", "none"])
def test_fixed_blocks_by_the_pseudoinverse(trend, adjust):
    table = strips()
    found = analyse_strips(table, check=40.0, trend=trend, adjust=adjust, level=0.9)
    means, cov, df, variance, p, rest = by_hand(table, trend)
    t = scipy.stats.t(df)
    own = found.means
    np.testing.assert_allclose(own["mean"], means)
    np.testing.assert_allclose(own["se"], np.sqrt(np.diag(cov)))
    np.testing.assert_allclose(own["high"] - own["mean"], t.isf(0.05) * np.sqrt(np.diag(cov)))
    np.testing.assert_allclose(own["mean"] - own["low"], t.isf(0.05) * np.sqrt(np.diag(cov)))
    assert own["n"].tolist() == [4, 3, 4, 3]
    assert (found.error_df, found.variance, found.p_value) == pytest.approx((df, variance, p))
    np.testing.assert_allclose(found.strips["residual"], rest, atol=1e-9)
    np.testing.assert_allclose(found.strips["fitted"] + rest, found.strips["yield_bu_ac"])
    assert found.cv_pct == pytest.approx(100 * np.sqrt(variance) / table["yield_bu_ac"].mean())
    seds, ps = [], []
    for row, (i, j) in zip(found.comparisons.itertuples(), combinations(range(4), 2), strict=True):
        assert (row.first, row.second, row.df) == (RATES[i], RATES[j], df)
        gap, se = means[j] - means[i], np.sqrt(cov[i, i] + cov[j, j] - 2 * cov[i, j])
        assert (row.difference, row.se) == pytest.approx((gap, se))
        assert (row.low, row.high) == pytest.approx((gap - t.isf(0.05) * se, gap + t.isf(0.05) * se))
        assert row.p == pytest.approx(2 * t.sf(abs(gap) / se))
        if adjust == "tukey":
            ours = scipy.stats.studentized_range.sf(abs(gap) / se * np.sqrt(2), 4, df)
            assert row.p_adjusted == pytest.approx(ours, rel=1e-6)
        seds.append(se)
        ps.append(row.p)
    if adjust == "none":
        assert found.comparisons["p_adjusted"].tolist() == ps
    if adjust == "holm":
        order = np.argsort(ps)
        stepped = [max(min(1, (6 - k) * ps[order[k]]) for k in range(n + 1)) for n in range(6)]
        np.testing.assert_allclose(found.comparisons["p_adjusted"].to_numpy()[order], stepped)
    assert found.sed == pytest.approx(np.sqrt(np.mean(np.square(seds))))
    assert found.lsd == pytest.approx(t.isf(0.05) * found.sed)
    # Against the check of 40, second in order.
    others = own[own["treatment"] != 40.0]
    np.testing.assert_allclose(others["difference"], means[[0, 2, 3]] - means[1])
    columns = others[["difference_low", "difference_high", "p", "p_adjusted"]].to_numpy()
    points = []
    for i, (low, high, single, family) in zip((0, 2, 3), columns, strict=True):
        se = np.sqrt(cov[i, i] + cov[1, 1] - 2 * cov[i, 1])
        gap = means[i] - means[1]
        assert (low + high) / 2 == pytest.approx(gap)
        points.append((high - low) / 2 / se)
        assert (low > 0 or high < 0) == (family < 0.1)
        assert single == pytest.approx(2 * t.sf(abs(gap) / se))
    # One point for all: more than a single comparison needs, less than Bonferroni's.
    assert max(points) == pytest.approx(min(points))
    assert t.isf(0.05) < points[0] < t.isf(0.05 / 3)
    assert np.isnan(own.loc[own["treatment"] == 40.0, "difference"]).all()
    # Treatments share a letter where no adjusted probability is below 1 - level.
    letters = own.set_index("treatment")["letters"]
    for row in found.comparisons.itertuples():
        assert bool(set(letters[row.first]) & set(letters[row.second])) == (row.p_adjusted >= 0.1)


def test_blocks_taken_as_random_against_statsmodels():
    sm = pytest.importorskip("statsmodels.api")
    table = strips(seed=4)
    found = analyse_strips(table, model="random")
    t = table.dropna()
    x = pd.get_dummies(t["rate_lb_ac"]).astype(float)
    outside = sm.MixedLM(t["yield_bu_ac"], x, t["block"]).fit(reml=True, gtol=1e-10)
    np.testing.assert_allclose(found.means["mean"], outside.fe_params, rtol=1e-5)
    # Its numeric Hessian is good to two digits; generalised least squares at its variances is exact.
    same = t["block"].to_numpy()[:, None] == t["block"].to_numpy()
    whole = outside.scale * np.eye(len(t)) + outside.cov_re.iloc[0, 0] * same
    cov = np.linalg.inv(x.to_numpy().T @ np.linalg.inv(whole) @ x.to_numpy())
    np.testing.assert_allclose(found.means["se"], np.sqrt(np.diag(cov)), rtol=1e-3)
    for row, (i, j) in zip(found.comparisons.itertuples(), combinations(range(4), 2), strict=True):
        assert row.se == pytest.approx(np.sqrt(cov[i, i] + cov[j, j] - 2 * cov[i, j]), rel=1e-3)
        assert 7 < row.df <= 10
    spread = found.anova.set_index("term")["variance"]
    assert spread["block"] == pytest.approx(outside.cov_re.iloc[0, 0], rel=1e-3)
    assert spread["strip"] == found.variance == pytest.approx(outside.scale, rel=1e-3)
    fe = outside.fe_params.to_numpy()
    lag = np.eye(4)[1:] - np.eye(4)[0]
    f = (lag @ fe) @ np.linalg.inv(lag @ cov @ lag.T) @ (lag @ fe) / 3
    row = found.anova.set_index("term").loc["treatment"]
    assert (row["f"], row["df"]) == (pytest.approx(f, rel=1e-3), 3)
    assert row["p"] == pytest.approx(scipy.stats.f.sf(f, 3, found.error_df), rel=1e-2)
    residual = t["yield_bu_ac"] - x.to_numpy() @ fe
    np.testing.assert_allclose(found.strips["residual"], residual, atol=1e-3)


def test_two_random_groupings_and_none():
    rng = np.random.default_rng(1)
    rows = pd.DataFrame(
        [(r, c, (r + c) % 4) for r in range(4) for c in range(4)], columns=["row", "column", "k"]
    )
    rows["yield_t_ha"] = 5 + rng.normal(0, 1, 4)[rows["row"]] + rng.normal(0, 1, 4)[rows["column"]]
    rows["yield_t_ha"] += 0.3 * rows["k"] + rng.normal(0, 0.2, 16)
    found = analyse_strips(rows, treatment="k", blocks=["row", "column"], model="random")
    assert found.anova["term"].tolist() == ["treatment", "row", "column", "strip"]
    # Balanced: the variances follow from the mean squares of the fixed analysis.
    fixed = analyse_strips(rows, treatment="k", blocks=["row", "column"]).anova.set_index("term")["ms"]
    spread = found.anova.set_index("term")["variance"]
    assert spread["strip"] == pytest.approx(fixed["error"], rel=1e-3)
    for name in ("row", "column"):
        assert spread[name] == pytest.approx((fixed[name] - fixed["error"]) / 4, rel=1e-3)
    assert "row and column random (REML)" in found.method
    bare = random_blocks(arrange(rows, treatment="k", blocks=[]))
    assert bare.method == "analysis of variance, no blocks"


@pytest.mark.parametrize("given", [[5.0, 2.0, 1.5], [5.0, 3.0, 9.0], [1.0, 2.0, 1.5], [4.0], [1.5]])
def test_f_of_several_contrasts_by_fai_and_cornelius(given):
    """F of q contrasts on 2E / (E - q) degrees, E the sum of v / (v - 2) over the v above 2 (1996)."""
    q = len(given)
    spread, b = np.diag(np.arange(1.0, q + 1)), np.arange(2.0, q + 2)
    fit = SimpleNamespace(covariance=spread, coefficients=b,
                          degrees_of_freedom=lambda row: given[int(np.abs(row).argmax())])  # fmt: skip
    f, df1, df2, p = wald(fit, np.eye(q))
    assert f == pytest.approx(np.mean(b**2 / np.diag(spread)))
    total = sum(v / (v - 2) for v in given if v > 2)
    want = given[0] if q == 1 else 2 * total / (total - q) if total > q else min(given)
    assert (df1, df2, p) == pytest.approx((q, want, scipy.stats.f.sf(f, q, want)))


def test_neighbours_against_the_density_of_scipy():
    rng = np.random.default_rng(3)
    table = strips(seed=3, blocks=6, lost=())
    noise = np.zeros(24)
    for i in range(24):  # correlated 0.7 along the field
        noise[i] = 0.7 * noise[i - 1] + rng.normal()
    table["yield_bu_ac"] = 50 + 0.2 * np.sqrt(table["rate_lb_ac"]) + 3 * noise[table["position"]]
    trial = arrange(table)
    found = neighbour_errors(trial)
    variance, rho = found.anova["variance"].dropna()
    x = np.column_stack([pd.get_dummies(table[c]).to_numpy(float) for c in ("rate_lb_ac", "block")])[:, :-1]
    y = table["yield_bu_ac"].to_numpy()
    full = np.linalg.svd(x)[0][:, x.shape[1] :]
    apart = np.abs(np.subtract.outer(*[table["position"].to_numpy()] * 2))

    def told(variance, rho):
        cov = full.T @ (variance * rho**apart) @ full
        return multivariate_normal(np.zeros(full.shape[1]), cov).logpdf(full.T @ y)

    best = max(
        (told(v, r), r) for r in np.linspace(0.02, 0.96, 48) for v in variance * np.geomspace(0.3, 3, 41)
    )
    assert told(variance, rho) >= best[0] - 1e-6
    assert rho == pytest.approx(best[1], abs=0.03)
    assert f"correlated {rho:.2f}" in found.method
    weight = np.linalg.inv(variance * rho**apart)
    inner = np.linalg.inv(x.T @ weight @ x)
    rows = np.column_stack([np.eye(4), np.full((4, 5), 1 / 6)])
    np.testing.assert_allclose(found.means, rows @ inner @ x.T @ weight @ y, rtol=1e-5)
    np.testing.assert_allclose(found.covariance, rows @ inner @ rows.T, rtol=1e-4)
    np.testing.assert_allclose(found.residuals, y - x @ inner @ x.T @ weight @ y, atol=1e-3)
    assert found.variance == variance

    # The lots: labels drawn within blocks anew, the covariance from a fit without labels.
    blocks = pd.get_dummies(table["block"]).to_numpy(float)
    bare = np.linalg.svd(blocks)[0][:, 6:]

    def alone(variance, rho):
        cov = bare.T @ (variance * rho**apart) @ bare
        return multivariate_normal(np.zeros(18), cov).logpdf(bare.T @ y)

    _, r, v = max((alone(v, r), r, v) for r in np.linspace(0.02, 0.98, 25)
                  for v in variance * np.geomspace(0.3, 10, 25))  # fmt: skip
    root = np.linalg.cholesky(v * r**apart)
    z, frame = np.linalg.solve(root, y), np.linalg.qr(np.linalg.solve(root, blocks))[0]

    def explained(labels):
        own = np.linalg.solve(root, np.eye(4)[labels][:, 1:])
        own = own - frame @ (frame.T @ own)
        return z @ own @ np.linalg.pinv(own) @ z

    label = pd.factorize(table["rate_lb_ac"])[0]
    drawn = [explained(rng.permuted(label.reshape(6, 4), axis=1).ravel()) for _ in range(800)]
    p = np.mean(np.array(drawn) >= explained(label) - 1e-9)
    assert found.anova.loc[0, "p"] == pytest.approx(p, abs=0.08)
    assert 0.1 < p < 0.9
    assert found.anova["p"].iloc[1:].isna().all()


def test_neighbours_that_do_not_correlate_fall_back():
    table = strips(seed=5, blocks=5, lost=())
    table["yield_bu_ac"] = 50 + table["block"] + 2.0 * (-1) ** table["position"]  # each unlike the next
    found = neighbour_errors(arrange(table))
    assert "no correlation between neighbouring strips is found" in found.notes[0]
    assert found.method.startswith("analysis of variance")
    few = strips(blocks=2, lost=(0,))
    with pytest.raises(NotEstimable, match="too few strips to estimate"):
        neighbour_errors(arrange(few))
    assert neighbour_errors(arrange(strips(blocks=2, lost=()))).error_df > 0
    with pytest.raises(NotEstimable, match="need strip positions"):
        neighbour_errors(arrange(strips().drop(columns="position")))


def test_anova_table_by_division():
    table = anova_table([("a", 2, 10.0), ("none", 0, 0.0), ("error", 5, 4.0)])
    assert table["ms"].tolist()[::2] == [5.0, 0.8]
    assert np.isnan(table["ms"][1])
    assert table["f"][0] == pytest.approx(6.25)
    assert table["p"][0] == pytest.approx(scipy.stats.f.sf(6.25, 2, 5))
    assert table["f"][1:].isna().all()
    other = anova_table([("a", 2, 10.0), ("base", 4, 8.0)], error="base")
    assert other["f"].tolist()[0] == pytest.approx(2.5)
    for bad in ([("a", 2, 1.0), ("error", 0, 0.0)], [("a", 2, 1.0), ("error", 3, 0.0)]):
        assert anova_table(bad)["f"].isna().all()


# ---- comparisons


def test_letters_by_every_pair():
    rng = np.random.default_rng(0)
    for _ in range(30):
        k = int(rng.integers(2, 7))
        means = pd.Series(rng.normal(size=k), index=list("abcdefg"[:k]))
        pairs = pd.DataFrame(list(combinations(means.index, 2)), columns=["first", "second"])
        pairs["p_adjusted"] = rng.choice([0.01, 0.05, 0.2], len(pairs))
        letters = compact_letters(means, pairs, 0.05)
        for row in pairs.itertuples():
            assert bool(set(letters[row.first]) & set(letters[row.second])) == (row.p_adjusted >= 0.05)
        assert letters[means.idxmax()].startswith("a")
        # No letter but says something: none is a part of another.
        groups = [frozenset(means.index[letters.str.contains(x)]) for x in sorted(set("".join(letters)))]
        assert not any(g < h for g in groups for h in groups)
        first = [max(means[list(g)]) for g in groups]
        assert first == sorted(first, reverse=True)


def test_equal_means_come_in_their_order():
    means = pd.Series([0.3, 0.1 + 0.2, 0.1], index=["x", "y", "z"])
    pairs = pd.DataFrame({"first": ["x", "x", "y"], "second": ["y", "z", "z"], "p_adjusted": [0.0, 0.0, 0.0]})
    assert compact_letters(means, pairs).tolist() == ["a", "b", "c"]
    many = pd.Series(np.arange(54.0, 0, -1), index=range(54))
    pairs = pd.DataFrame(list(combinations(range(54), 2)), columns=["first", "second"]).assign(p_adjusted=0.0)
    assert compact_letters(many, pairs).tolist()[-3:] == ["Z", "(52)", "(53)"]


def test_differences_without_error_have_no_intervals():
    means = pd.Series([1.0, 2.0, 4.0], index=list("abc"))
    found = all_pairs(means, np.full((3, 3), 0.7), 5)
    assert found["difference"].tolist() == [1, 3, 2]
    assert found[["se", "low", "p", "p_adjusted"]].isna().all(axis=None)
    with pytest.raises(LookupFailed, match="adjustment"):
        all_pairs(means, np.eye(3), 5, adjust="scheffe")
    assert holm([0.02, 0.9, 0.01, 0.5]).tolist() == pytest.approx([0.06, 1.0, 0.04, 1.0])
    apart = all_pairs(means, np.diag([1.0, 2, 3]), np.array([[9, 4, 5], [4, 9, 6], [5, 6, 9.0]]))
    assert apart["df"].tolist() == [4, 5, 6]
    assert apart["se"].tolist() == pytest.approx(np.sqrt([3, 4, 5]))


# ---- the parts of a design


def test_connected_parts_by_walking():
    rng = np.random.default_rng(2)
    for _ in range(40):
        n = int(rng.integers(2, 14))
        treatment, block = rng.integers(0, 6, n), rng.integers(0, 6, n)
        reach = (treatment[:, None] == treatment) | (block[:, None] == block)
        for _ in range(n):
            reach = reach @ reach
        want = [int(np.flatnonzero(row)[0]) for row in reach]
        got = parts(treatment, block)
        assert (got[:, None] == got).tolist() == (np.array(want)[:, None] == want).tolist()
        assert sorted(set(got)) == list(range(len(set(want))))
        # Contrasts of rates: the most rates that one part holds, less one.
        rates = 50.0 * treatment
        most = max(len(set(rates[got == p])) for p in set(got))
        assert contrasts_within(rates, block) == most - 1


def test_rates_within_a_twentieth_of_the_highest_are_one():
    assert rate_groups([100, 0, 5, 52, 49.9]).tolist() == [2, 0, 0, 1, 1]
    assert rate_groups([100, 0, 5.01, 10.02]).tolist() == [3, 0, 1, 2]
    assert rate_groups([-100, -94, 0]).tolist() == [0, 1, 2]
    assert rate_groups([0, 0]).tolist() == [0, 0]


def test_orders_against_their_chances():
    """Repeated forwards with chance 1 / k!, either way 2 / k!, in each block after the first; 5 % is rare."""

    def told(*rows):
        treatment = np.concatenate(rows)
        block = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
        return systematic(treatment, block, np.arange(len(treatment)))

    up, down = [0, 1, 2, 3], [3, 2, 1, 0]
    assert told(up, up)  # 1 / 24
    assert not told(up, down)  # 2 / 24 is too common to tell
    assert told(up, down, up)  # 4 / 576
    assert told(up, [0, 1, 3, 2]) is False
    assert told(up, up, [1, 0, 2, 3]) is False
    assert told([0, 1, 2], [0, 1, 2]) is None  # 1 / 6
    assert told([0, 1, 2], [0, 1, 2], [0, 1, 2])  # 1 / 36
    assert told([0, 1, 2], [2, 1, 0], [0, 1, 2]) is False  # 4 / 36
    assert told([0, 1, 2], [2, 1, 0], [0, 1, 2], [0, 1, 2])  # 8 / 216
    assert told(*[[0, 1]] * 5) is None  # 1 / 16
    assert told(*[[0, 1]] * 6)  # 1 / 32
    assert told([0, 1, 2, 3]) is None
    assert told([0, 1, 1, 2, 3], up) is None
    assert told([4, 0, 1, 2, 3], up)  # what the other block lacks does not count
    assert systematic(up * 2, [0] * 4 + [1] * 4, None) is None
    shuffled = np.random.default_rng(0).permutation(8)
    assert systematic(
        np.array(up * 2)[shuffled], np.array([0] * 4 + [1] * 4)[shuffled], np.arange(8.0)[shuffled]
    )


# ---- arranging a table


def test_names_and_levels():
    assert heading("yield_bu_ac") == "yield [bu/ac]"
    assert heading("rate_kg_ha") == "rate [kg/ha]"
    assert heading("planned_kg_ha") == "planned [kg/ha]"
    assert (heading("yield"), heading("seed_rate_x")) == ("yield", "seed_rate_x")
    assert (show(50.0), show("a"), show(2)) == ("50", "a", "2")
    codes, labels = factor(pd.Series([131.5, 131.50000001, 0.0, 131.500002]))
    assert (codes.tolist(), labels.tolist()) == ([1, 1, 0, 2], [0.0, 131.5, 131.500002])
    assert describe(pd.Series({"block": 2, "strip": 7})) == "block 2 strip 7"
    assert describe(pd.Series({"block": 2, "strip": "row 8"})) == "block 2, row 8"
    assert describe(pd.Series({"block": np.nan, "rate": 1}, name=4)) == "line 4"
    assert column_of(pd.DataFrame(columns=["a", "yield_t_ha"]), None, "yield") == "yield_t_ha"
    for columns, said in (
        (["a"], "no column starts"),
        (["yield_t_ha", "yield_bu_ac"], "several yield columns"),
    ):
        with pytest.raises(InputError, match=said):
            column_of(pd.DataFrame(columns=columns), None, "yield")
    with pytest.raises(InputError, match="no column 'b'"):
        column_of(pd.DataFrame(columns=["a"]), "b", "yield")


def test_sites_by_the_columns_that_split():
    frame = pd.DataFrame({"site": ["N", "N", "S", "S"], "year": [2021, 2022, 2021, 2022], "trial": ["x"] * 4})
    assert site_names(frame).tolist() == ["N 2021", "N 2022", "S 2021", "S 2022"]
    assert site_names(frame.assign(year=2021)).tolist() == ["N", "N", "S", "S"]
    assert site_names(frame[["trial"]]).tolist() == ["x"] * 4
    assert site_names(pd.DataFrame({"y": [1, 2]})).tolist() == ["1", "1"]


def test_places_of_strips():
    base = pd.DataFrame({"block": [1, 1, 2, 2], "position": [4, 1, 3, 2]})
    line, order = places(base)
    assert (line.tolist(), order.tolist()) == ([0] * 4, [4, 1, 3, 2])
    line, order = places(base.assign(position=[1, 2, 2, 1]))  # starts again in each block
    assert (line.tolist(), order.tolist()) == ([0, 0, 1, 1], [1, 2, 2, 1])
    assert places(base.assign(position=[1, 1, 1, 2])) == (None, None)
    assert places(base.assign(position=[1, 1, 1, 1])) == (None, None)
    assert places(base.assign(position=[1, 2, np.nan, 3])) == (None, None)
    assert places(base[["block"]]) == (None, None)
    assert places(base.rename(columns={"position": "plot"}))[1].tolist() == [4, 1, 3, 2]
    along = pd.DataFrame(
        {"lon": -93 + np.array([3, 0, 2, 1]) * 1e-4, "lat": 44 + np.array([3, 0, 2, 1]) * 1e-4}
    )
    order = places(along)[1]
    assert np.argsort(order).tolist() in ([1, 3, 2, 0], [0, 2, 3, 1])


@pytest.mark.parametrize(
    ("change", "options", "error", "said"),
    [
        ({}, {"treatment": "dose"}, InputError, "there is no column 'dose'"),
        ({}, {"blocks": ["bed"]}, InputError, "there is no column 'bed'"),
        ({"rate_lb_ac": 40.0}, {}, NotEstimable, "has 1 treatment; a comparison needs two"),
        ({"trial": [1, 2] * 8}, {}, NotEstimable, "holds 2 trials"),
        ({"site": ["a", "b"] * 8}, {"trend": True}, NotEstimable, "applies to one field"),
        ({"site": ["a", "b"] * 8}, {"blocks": []}, InputError, "but no site effects"),
        ({"strip": 1}, {}, InputError, "rows repeat a strip that is already there"),
        ({"yield_bu_ac": "wet"}, {}, InputError, "no"),
    ],
)  # fmt: skip
def test_tables_that_are_no_trial(change, options, error, said):
    with pytest.raises(error, match=said):
        arrange(strips(lost=()).assign(**change), **options)
    with pytest.raises(NotEstimable, match=r"needs? strip positions"):
        arrange(strips(lost=()).drop(columns="position"), trend=True)


def test_an_arrangement_column_by_column():
    table = strips()
    trial = arrange(table, trend=True)
    kept = table.dropna()
    assert trial.y.tolist() == kept["yield_bu_ac"].tolist()
    assert trial.labels[trial.codes].tolist() == kept["rate_lb_ac"].tolist()
    name, column = trial.covariates[0]
    assert name == "trend"
    assert column[:, 0].tolist() == pytest.approx((kept["position"] - kept["position"].mean()).tolist())
    assert any("2 strips without a yield left out" in note for note in trial.notes)
    assert not any("no blocks" in note for note in trial.notes)
    bare = arrange(table.drop(columns="block"))
    assert bare.blocking == []
    assert any("no blocks given" in note for note in bare.notes)
    assert arrange(table.assign(block=1)).blocking == []
    two = arrange(
        strips(lost=()).assign(site=["a"] * 8 + ["b"] * 8, block=[1] * 4 + [2] * 4 + [1] * 4 + [2] * 4)
    )
    assert two.sites == ("site",)
    assert two.blocking[0][0] == "site x block"
    assert two.blocking[0][1].tolist() == np.repeat([0, 1, 2, 3], 4).tolist()


# ---- checks of one trial


def test_checks_of_a_trial_against_scipy():
    table = strips(seed=6, lost=(5,))
    found = analyse_strips(table)
    checks = found.checks.set_index("check")
    rest = found.strips["residual"]
    assert checks.loc["normality (Shapiro-Wilk)", "value"] == pytest.approx(scipy.stats.shapiro(rest).pvalue)
    groups = [g.to_numpy() for _, g in rest.groupby(found.strips["rate_lb_ac"])]
    levene = scipy.stats.levene(*groups, center="median").pvalue
    assert checks.loc["equal variance (Brown-Forsythe)", "value"] == pytest.approx(levene)
    # Tukey 1949: the squared fitted values beside the model.
    t = table.dropna()
    x = np.column_stack([pd.get_dummies(t[c]).to_numpy(float) for c in ("rate_lb_ac", "block")])
    wide = np.column_stack([x, found.strips["fitted"] ** 2])
    left, less = ((y_rest @ y_rest) for y_rest in (rest.to_numpy(), t["yield_bu_ac"].to_numpy() - wide
                  @ np.linalg.pinv(wide, rcond=1e-13) @ t["yield_bu_ac"].to_numpy()))  # fmt: skip
    p = scipy.stats.f.sf((left - less) / (less / 7), 1, 7)
    assert checks.loc["blocks and treatments add up (Tukey)", "value"] == pytest.approx(p, rel=1e-3)
    # Lack of fit of a parabola: treatments beyond it against the error.
    rate = t["rate_lb_ac"].to_numpy()
    blocks = pd.get_dummies(t["block"]).to_numpy(float)
    bent = np.column_stack([blocks, rate / 100, (rate / 100) ** 2])
    y = t["yield_bu_ac"].to_numpy()
    over = y - bent @ np.linalg.pinv(bent) @ y
    p = scipy.stats.f.sf((over @ over - left) / 1 / (left / 8), 1, 8)
    assert checks.loc["lack of fit of a quadratic in the rate", "value"] == pytest.approx(p, rel=1e-6)
    assert checks.loc["error degrees of freedom", ["value", "passed"]].tolist() == [8, True]
    assert not analyse_strips(strips(lost=(1, 2))).checks["passed"].iloc[0]  # 7 are few
    names = checks.index.tolist()
    assert "neighbouring strips alike" in names
    assert checks["passed"].isin([True, False, None]).all()


def test_checks_that_cannot_be_made():
    three = analyse_strips(strips(rates=RATES[:3], lost=())).checks.set_index("check")
    assert three.loc["lack of fit of a quadratic in the rate", "passed"] is None
    names = strips(lost=()).assign(treatment=lambda t: t["rate_lb_ac"].map(str)).drop(columns="position")
    found = analyse_strips(names, treatment="treatment").checks.set_index("check")
    assert found.loc["lack of fit of a quadratic in the rate", "meaning"] == "needs four or more rates"
    assert "add a column 'position'" in found.loc["neighbouring strips alike", "meaning"]
    twice = analyse_strips(strips(blocks=2, lost=())).checks.set_index("check")
    assert twice.loc["equal variance (Brown-Forsythe)", "passed"] is None
    none = analyse_strips(strips(lost=()).assign(block=1)).checks.set_index("check")
    assert none.loc["blocks and treatments add up (Tukey)", "passed"] is None


@pytest.mark.parametrize("like", [True, False])
def test_like_neighbours_are_told_and_unlike_ones_are_not(like):
    table = strips(seed=9, blocks=6, lost=(), noise=0.0)
    wave = np.sin(np.arange(24) / 2.5) if like else (-1.0) ** np.arange(24)
    table["yield_bu_ac"] += 3 * wave[table["position"]]
    row = analyse_strips(table).checks.set_index("check").loc["neighbouring strips alike"]
    assert row["passed"] != like
    assert (row["value"] < 0.05) == like  # the probability that its limit speaks of
