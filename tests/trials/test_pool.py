"""Pooling over site-years against metafor, statsmodels, nlme and lme4.

Computed with R 4.2.2: metafor 3.8-1, nlme 3.1-162. BCG trials: Colditz et al. 1994, JAMA 271:698-702.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, norm, t

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.trials import pool_estimates, pool_trials
from fertkit.trials.mixed import OneEffect


@pytest.fixture(scope="module")
def bcg(outside):
    d = outside("bcg_trials.csv")
    treated, control = d["tpos"] + d["tneg"], d["cpos"] + d["cneg"]
    d["y"] = np.log(d["tpos"] / treated) - np.log(d["cpos"] / control)
    d["v"] = 1 / d["tpos"] - 1 / treated + 1 / d["cpos"] - 1 / control
    return d


def pooled(bcg, **options):
    return pool_estimates(bcg["y"], np.sqrt(bcg["v"]), sites=bcg["author"], **options)


def factor_of(found):
    return found.checks.set_index("check").loc["Hartung-Knapp factor", "value"]


# ---- two stages


def test_log_risk_ratios(bcg):
    assert bcg["y"].head(3).tolist() == pytest.approx([-0.8893113, -1.5853887, -1.3480731], abs=5e-8)
    assert np.sqrt(bcg["v"]).head(3).pow(2).tolist() == pytest.approx(
        [0.3255848, 0.1945811, 0.4153680], abs=5e-8
    )


@pytest.mark.parametrize(
    ("method", "tau2", "estimate", "se", "exact"),
    [
        ("common", 0, -0.430285, 0.0404988, 1e-6),
        ("DL", 0.308760263, -0.714117, 0.178742, 1e-6),
        # metafor stops its search for tau2 at 1e-5; Paule-Mandel agrees with statsmodels to 3e-5.
        ("REML", 0.313243326, -0.714532, 0.179782, 1e-6),
        ("PM", 0.318093712, -0.714970, 0.180898, 4e-5),
    ],
)
def test_between_trial_variance(bcg, method, tau2, estimate, se, exact):
    found = pooled(bcg, method=method, modified=False)
    assert found.q == pytest.approx(152.233008, abs=5e-7)
    assert found.tau2 == pytest.approx(tau2, abs=exact)
    assert found.estimate == pytest.approx(estimate, abs=max(exact, 1e-6))
    plain = found.se if method == "common" else found.se / np.sqrt(factor_of(found))
    assert plain == pytest.approx(se, abs=max(exact, 1e-6))


@pytest.mark.parametrize(
    ("method", "se", "low", "high", "exact"),
    [
        ("DL", 0.1806966, -1.107821, -0.320413, 1e-6),
        ("REML", 0.1807917, -1.108444, -0.320621, 1e-6),
        ("PM", None, -1.109102, -0.320839, 5e-6),
    ],
)
def test_hartung_knapp(bcg, method, se, low, high, exact):
    found = pooled(bcg, method=method, modified=False)
    assert (found.low, found.high) == (pytest.approx(low, abs=exact), pytest.approx(high, abs=exact))
    if se:
        assert found.se == pytest.approx(se, abs=1e-7)
    if method == "REML":
        row = found.coefficients.iloc[0]
        assert row["estimate"] / row["se"] == pytest.approx(-3.95224, abs=1e-5)
        assert row["p"] == pytest.approx(0.0019200, abs=1e-7)


def test_heterogeneity_and_prediction(bcg):
    found = pooled(bcg, modified=False)
    assert found.i2_pct == pytest.approx(92.2214, abs=1e-4)
    assert pooled(bcg, method="DL").i2_pct == pytest.approx(92.1173, abs=5e-5)
    assert (found.tau2_low, found.tau2_high) == (
        pytest.approx(0.1197, abs=5e-5),
        pytest.approx(1.1115, abs=5e-5),
    )
    # t on 12 degrees of freedom with the Hartung-Knapp standard error.
    assert found.prediction_low == pytest.approx(-1.996017, abs=1e-6)
    assert found.prediction_high == pytest.approx(0.566952, abs=1e-6)


def test_latitude_explains_the_spread(bcg):
    found = pooled(bcg, covariates=bcg[["ablat"]], modified=False)
    slope = found.coefficients.iloc[1]
    root = np.sqrt(factor_of(found))
    assert slope["estimate"] == pytest.approx(-0.0291017, abs=1e-6)
    assert slope["se"] / root == pytest.approx(0.0071956, abs=1e-6)
    # Covariates are centred; back to latitude 0.
    assert found.estimate - slope["estimate"] * bcg["ablat"].mean() == pytest.approx(0.251464, abs=2e-5)
    assert found.tau2 == pytest.approx(0.0763547, abs=1e-5)
    assert found.explained_pct == pytest.approx(75.62, abs=0.01)
    assert "ablat" in found.summary()


def test_paule_mandel_matches_statsmodels(bcg):
    from statsmodels.stats.meta_analysis import combine_effects

    reference = combine_effects(bcg["y"].to_numpy(), bcg["v"].to_numpy(), method_re="iterated")
    assert pooled(bcg, method="PM").tau2 == pytest.approx(reference.tau2, rel=1e-4)


@pytest.mark.parametrize(
    ("y", "se"),
    [
        # Two maxima, at zero and at 3.76.
        ([12.225, 8.374, 19.612, 11.258, 10.144, 9.955], [2.0232, 0.8278, 3.1334, 2.6738, 0.7195, 0.1619]),
        ([1.0, 2.0, 4.0, 8.0], [1.0, 0.5, 2.0, 0.1]),
        ([10.0, 10.1, 9.9], [1.0, 2.0, 1.0]),
    ],
)
def test_no_variance_has_a_higher_restricted_likelihood(y, se):
    # Density of the error contrasts, by scipy's multivariate normal, on a grid.
    from scipy.linalg import helmert
    from scipy.stats import multivariate_normal

    contrasts = helmert(len(y))

    def likelihood(tau2):
        covariance = contrasts @ np.diag(np.square(se) + tau2) @ contrasts.T
        return multivariate_normal(cov=covariance).logpdf(contrasts @ y)

    found = pool_estimates(y, se).tau2
    highest = max(likelihood(tau2) for tau2 in np.concatenate([[0], np.geomspace(1e-4, 1e3, 800)]))
    assert likelihood(found) >= highest - 1e-12
    if len(y) == 6:
        assert found == pytest.approx(3.76, abs=0.01)


def test_like_sites_get_no_interval_of_width_zero():
    # Three sites of 10 with SE 1: tau2 is 0; modified factor, t(2) 4.302653 -> 7.5159 to 12.4841.
    found = pool_estimates([10, 10, 10], [1, 1, 1])
    assert found.tau2 == 0
    assert found.se == pytest.approx(0.577350, abs=5e-7)
    assert (found.low, found.high) == (pytest.approx(7.5159, abs=5e-5), pytest.approx(12.4841, abs=5e-5))
    assert "fewer than five" in found.summary()


def test_optima_of_15_broadbalk_years(outside):
    # Quadratic optimum of each year at a price ratio of 0.005, delta-method SE (R); 2002 still rises: -11780.
    years = outside("broadbalk_s1_nseries.csv")
    optima, errors = [], []
    for _, year in years.groupby("year"):
        x = year["n_kg_ha"].to_numpy(float)
        design = np.column_stack([np.ones(7), x, x**2])
        b, rss, *_ = np.linalg.lstsq(design, year["grain_t_ha_85dm"].to_numpy(), rcond=None)
        cov = np.linalg.inv(design.T @ design) * rss[0] / 4
        optimum = (b[1] - 0.005) / (-2 * b[2])
        slope = np.array([0, -1 / (2 * b[2]), -optimum / b[2]])
        optima.append(optimum)
        errors.append(np.sqrt(slope @ cov @ slope))
    found = pool_estimates(
        optima, errors, sites=sorted(years["year"].unique()), modified=False, unit="kg N/ha"
    )
    assert errors[1] == pytest.approx(877125, rel=1e-4)
    assert found.estimate == pytest.approx(215.6927, abs=2e-4)
    assert found.se / np.sqrt(factor_of(found)) == pytest.approx(8.0833, abs=2e-4)
    dersimonian = pool_estimates(optima, errors, method="DL", modified=False)
    assert dersimonian.estimate == pytest.approx(217.2801, abs=5e-5)
    assert dersimonian.se / np.sqrt(factor_of(dersimonian)) == pytest.approx(9.4207, abs=5e-5)
    assert dersimonian.tau2 == pytest.approx(690.251, abs=5e-4)
    assert found.tau2 == pytest.approx(439.165, abs=0.02)
    assert found.q == pytest.approx(56.466, abs=5e-4)
    assert found.i2_pct == pytest.approx(65.87, abs=0.01)
    assert (found.low, found.high) == (pytest.approx(201.346, abs=2e-3), pytest.approx(230.039, abs=2e-3))
    assert found.prediction_low == pytest.approx(168.51, abs=0.01)
    assert found.prediction_high == pytest.approx(262.87, abs=0.01)
    assert len(found.table) == 15
    assert "no weight" in found.summary()
    assert "2002" in found.summary()


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000), k=st.integers(2, 15), scale=st.floats(0.01, 100), shift=st.floats(-50, 50)
)
def test_unit_and_order_do_not_matter(seed, k, scale, shift):
    rng = np.random.default_rng(seed)
    y, se, turn = rng.normal(0, 3, k), rng.uniform(0.5, 3, k), rng.permutation(k)
    for method in ("REML", "PM", "DL"):
        one = pool_estimates(y, se, method=method)
        other = pool_estimates((y * scale + shift)[turn], (se * scale)[turn], method=method)
        assert one.tau2 >= 0
        assert other.tau2 == pytest.approx(one.tau2 * scale**2, rel=1e-6, abs=1e-9 * scale**2)
        assert other.high - other.low == pytest.approx((one.high - one.low) * scale, rel=1e-6)
        assert one.prediction_high - one.prediction_low >= one.high - one.low - 1e-9
        assert one.sites["weight_pct"].sum() == pytest.approx(100)


def test_a_site_without_error_stays_in_the_table():
    found = pool_estimates(
        [5.0, 7.0, 6.0, 9.0], [1.0, 1.0, 2.0, np.nan], sites=list("abcd"), notes=["", "", "", ""]
    )
    assert found.k == 3
    assert found.table["site"].tolist() == list("abcd")
    assert found.table["weight_pct"].iloc[3] == 0
    assert "not weighted: d (no standard error)" in found.summary()


def test_previous_crop_as_covariate():
    y = [10.0, 12, 11, 20, 22, 21]
    found = pool_estimates(y, [1.0] * 6, covariates=pd.DataFrame({"crop": ["corn"] * 3 + ["soybean"] * 3}))
    assert found.coefficients["term"].tolist() == ["mean", "crop: soybean against corn"]
    assert found.coefficients["estimate"].tolist() == pytest.approx([16, 10])


def test_pool_trials_of_a_table():
    rng = np.random.default_rng(0)
    rows = [
        (f"farm {s}", b, rate, 150 + gain * (rate > 0) + 5 * b + rng.normal(0, 2), test)
        for s, (gain, test) in enumerate([(10, 5), (0, 40), (8, 10), (12, 4), (5, 20)])
        for b in range(4)
        for rate in (0.0, 60.0)
    ]
    table = pd.DataFrame(rows, columns=["trial", "block", "rate_lb_ac", "yield_bu_ac", "soil_test"])
    lonely = pd.DataFrame(
        [("farm 9", 0, 0.0, 150.0, 30), ("farm 9", 0, 60.0, 151.0, 30), ("farm 8", 0, 0.0, 150.0, 9),
         ("farm 8", 1, 30.0, 151.0, 9)], columns=table.columns,
    )  # fmt: skip
    found = pool_trials(pd.concat([table, lonely]), 60.0, 0.0, covariates=["soil_test"])
    assert found.k == 5
    notes = found.table.set_index("site")["note"]
    assert "no standard error" in notes["farm 9"]
    assert "no strips at both" in notes["farm 8"] or "never meet" in notes["farm 8"]
    assert f"farm 8 ({notes['farm 8']})" in found.summary()  # why a site has no weight stands beside its name
    assert found.coefficients["estimate"].iloc[1] < 0
    # A pair a block: the site's difference is the mean of the pair differences.
    one = table[table["trial"] == "farm 0"].pivot_table("yield_bu_ac", "block", "rate_lb_ac")
    assert found.table["estimate"].iloc[0] == pytest.approx((one[60.0] - one[0.0]).mean())


@pytest.mark.parametrize(
    ("call", "error", "said"),
    [
        (lambda: pool_estimates([1.0], [1.0]), NotEstimable, "too few to"),
        (lambda: pool_estimates([1.0, 2.0], [0.0, np.nan]), NotEstimable, "too few to"),
        (lambda: pool_estimates([1.0, 2.0], [1.0, 1.0], method="magic"), LookupFailed, "unknown method"),
        (lambda: pool_estimates([1, 2, 3], [1, 1]), NotEstimable, "3 estimates, 2 se"),
        (lambda: pool_estimates([1, 2], [1, 1], sites=["a"]), NotEstimable, "1 sites"),
        (lambda: pool_estimates([1, 2], [1, 1], level=95), InputError, "such as 0.95"),
    ],
)
def test_impossible_pools(call, error, said):
    with pytest.raises(error, match=said):
        call()


# ---- one stage


@pytest.fixture(scope="module")
def broadbalk(outside):
    d = outside("broadbalk_s1_nseries.csv")
    return d.rename(columns={"grain_t_ha_85dm": "yield_t_ha"}).assign(rate_100=d["n_kg_ha"] / 100)


def test_quadratic_with_random_years(broadbalk):
    # nlme lme, REML, N in 100 kg: 1.348889 (0.280166), 3.855258 (0.265091), -0.736538 (0.088434).
    design = np.vander(broadbalk["rate_100"], 3, increasing=True)
    codes, y = pd.factorize(broadbalk["year"])[0], broadbalk["yield_t_ha"].to_numpy()
    found = OneEffect(design, np.ones(len(y)), y, codes).best()
    se = np.sqrt(np.diag(found.covariance) * found.variance)
    assert found.coefficients == pytest.approx([1.348889, 3.855258, -0.736538], abs=1e-6)
    assert se == pytest.approx([0.280166, 0.265091, 0.088434], abs=1e-6)
    assert found.ratio * found.variance == pytest.approx(0.7788478, abs=2e-7)
    assert found.variance == pytest.approx(0.5230912, abs=2e-7)
    _, slope, curvature = found.coefficients
    assert (slope - 0.5) / (-2 * curvature) * 100 == pytest.approx(227.772, abs=1e-3)


def test_dyestuff_by_maximum_likelihood(outside):
    # lme4 documentation, REML = FALSE: mean 1527.5, batch variance 1388.333, residual 2451.25.
    data = outside("davies_dyestuff.csv")
    ones, batch = np.ones((30, 1)), pd.factorize(data["batch"])[0]
    found = OneEffect(ones, ones[:, 0], data["yield"].to_numpy(float), batch, restricted=False).best()
    assert found.coefficients == pytest.approx(1527.5)
    assert (found.variance, found.ratio * found.variance) == (
        pytest.approx(2451.25, abs=0.05),
        pytest.approx(1388.333, abs=0.05),
    )


# ---- words and intervals of the single sites


def strips_of(*sites):
    base = {"block": [1, 1, 2, 2, 3, 3], "rate_kg_ha": [0, 120] * 3}
    return pd.concat(
        [pd.DataFrame(base | {"trial": f"site {i}", "yield_t_ha": y}) for i, y in enumerate(sites)]
    )


THREE = strips_of(
    [5.1, 6.0, 5.0, 6.2, 5.2, 6.1], [4.0, 5.3, 4.2, 5.1, 4.1, 5.5], [6.0, 6.1, 6.2, 6.3, 6.1, 6.6]
)


def test_site_intervals_by_students_t():
    # Paired t of scipy on each site: two treatments in three blocks leave two degrees of freedom.
    from scipy.stats import ttest_rel

    found = pool_trials(THREE, 120, 0)
    for site in found.sites.itertuples():
        own = {r: g["yield_t_ha"] for r, g in THREE[THREE["trial"] == site.site].groupby("rate_kg_ha")}
        low, high = ttest_rel(own[120], own[0]).confidence_interval(0.95)
        assert (site.df, site.low, site.high) == pytest.approx((2, low, high))
    assert "Student's t with the site's error degrees of freedom" in found.summary()


def test_site_intervals_without_degrees_of_freedom_say_so():
    found = pool_estimates([4.0, 4.5, 5.0], [1, 1, 2], df=None)
    assert found.sites["high"].iloc[0] == pytest.approx(4 + 1.959964, abs=1e-6)
    assert "normal distribution, for want of error degrees of freedom" in found.summary()
    mixed = pool_estimates([4.0, 4.5, 5.0], [1, 1, 2], df=[4, np.nan, 4])
    assert mixed.sites["high"].iloc[0] == pytest.approx(4 + 2.776445, abs=1e-6)  # t table, 4 df
    assert "where error degrees of freedom are given" in mixed.summary()


def test_pooled_difference_names_itself_and_its_unit():
    found = pool_trials(THREE, 120, 0)
    assert found.summary().startswith("Yield at 120 minus yield at 0: 3 of 3 site-years weighted")
    assert " t/ha, 95% interval" in found.summary()
    assert found.plot().get_xlabel() == "Yield at 120 minus yield at 0 [t/ha]"


def test_factor_is_said_to_be_held_only_where_it_was():
    def said(*given, **options):
        found = pool_estimates(*given, **options)
        return found.checks.set_index("check").loc["Hartung-Knapp factor", "meaning"]

    # Paule & Mandel choose the variance between sites so that the factor is one by itself.
    assert said([0.9, 1.1, 1.6, 0.0, 1.4], [0.1] * 5, method="PM").startswith("sites differ as much as")
    # Equal errors: REML adds to them what the variance of the sites has beyond them, so the factor is one.
    assert said([0.9, 1.1, 1.6, 0.0, 1.4], [0.1] * 5).startswith("sites differ as much as")
    y, se = np.array([0, 2, 1]), np.array([0.1, 1, 0.3])
    weights = 1 / (se**2 + pool_estimates(y, se).tau2)
    assert np.sum(weights * (y - np.average(y, weights=weights)) ** 2) / 2 > 1.03
    assert said(y, se).startswith("sites differ more than")
    assert "multiplied by it" in said(y, se)
    alike = [4.0, 4.1, 4.05], [1.0, 1.0, 1.0]
    assert said(*alike).startswith("set to one")
    assert said(*alike, modified=False).startswith("sites differ less than")


def test_negative_standard_error_is_refused():
    with pytest.raises(NotEstimable, match=r"cannot be negative \(C: -1\)"):
        pool_estimates([4, 5, 6], [1, 1, -1], sites=["A", "B", "C"])


def test_two_sites_of_one_error_carry_half_each():
    found = pool_estimates([0.1, 0.3], [0.7, 0.7])
    row = found.checks.set_index("check").loc["largest weight [%]"]
    assert row["value"] == pytest.approx(50)
    assert row["passed"]


def test_one_of_two_sites_is_not_blamed_for_its_weight():
    """One of two always carries half or more: 4/5 with errors 1 and 2 and nothing between them."""
    row = pool_estimates([4.0, 4.0], [1.0, 2.0]).checks.set_index("check").loc["largest weight [%]"]
    assert row["value"] == pytest.approx(80)
    assert row["passed"] is None
    row = pool_estimates([4.0, 4.0, 4.0], [1.0, 2.0, 4.0]).checks.set_index("check").loc["largest weight [%]"]
    assert row["passed"] is False


def test_trials_without_names_are_numbered_from_one():
    with pytest.raises(NotEstimable, match=r"cannot be negative \(2: -1\)"):
        pool_estimates([4.0, 4.0, 4.0], [1.0, -1.0, 2.0])


# ---- every number of a pool by matrices


@pytest.mark.parametrize("method", ["REML", "PM", "DL", "common"])
@pytest.mark.parametrize("modified", [True, False])
@pytest.mark.parametrize("given", ["none", "number", "number and class"])
@pytest.mark.parametrize("spread", [0.2, 3.0])
def test_a_pool_by_matrices(method, modified, given, spread):
    """Generalised least squares with the variance between sites taken from the answer (see test_between)."""
    rng = np.random.default_rng(5)
    n = 12
    se = rng.uniform(0.4, 1.5, n)
    covariates = pd.DataFrame({"soil": rng.uniform(5, 30, n), "crop": list("abcabcabcabc")})
    covariates = {"none": None, "number": covariates[["soil"]], "number and class": covariates}[given]
    y = 4 + spread * rng.normal(size=n) + se * rng.normal(size=n)
    y[3], se[7], se[8] = np.nan, np.nan, 0.0
    df = np.where(np.arange(n) % 2, 5.0, np.nan)
    found = pool_estimates(y, se, df=df, covariates=covariates, method=method, modified=modified, level=0.9)

    held = np.isfinite(y) & (se > 0)
    columns = [np.ones(n)]
    if covariates is not None:
        columns.append(covariates["soil"] - covariates["soil"].mean())
    if given == "number and class":
        columns += [(covariates["crop"] == c) - (covariates["crop"] == c).mean() for c in "bc"]
        assert found.coefficients["term"].tolist() == [
            "mean",
            "soil",
            "crop: b against a",
            "crop: c against a",
        ]
    x, yw, v = np.column_stack(columns)[held].astype(float), y[held], se[held] ** 2
    weight = np.diag(1 / (v + found.tau2))
    cov = np.linalg.inv(x.T @ weight @ x)
    b = cov @ x.T @ weight @ yw
    left, k = 9 - x.shape[1], 9
    knapp = (yw - x @ b) @ weight @ (yw - x @ b) / left
    factor = 1.0 if method == "common" else max(1.0, knapp) if modified else knapp
    own = np.sqrt(np.diag(cov) * factor)
    law = norm if method == "common" else t(left)
    reach = law.isf(0.05)
    table = found.coefficients
    np.testing.assert_allclose(table["estimate"], b)
    np.testing.assert_allclose(table["se"], own)
    np.testing.assert_allclose(table["low"], b - reach * own)
    np.testing.assert_allclose(table["high"], b + reach * own)
    np.testing.assert_allclose(table["p"], 2 * law.sf(np.abs(b) / own))
    assert (found.estimate, found.se, found.k) == pytest.approx((b[0], own[0], k))
    assert (found.low, found.high) == pytest.approx((b[0] - reach * own[0], b[0] + reach * own[0]))
    ahead = reach * np.sqrt(found.tau2 + own[0] ** 2)
    assert (found.prediction_low, found.prediction_high) == pytest.approx((b[0] - ahead, b[0] + ahead))

    # Cochran's Q and I2 (Higgins & Thompson 2002): the weights without a variance between sites.
    plain = np.diag(1 / v)
    middle = plain - plain @ x @ np.linalg.inv(x.T @ plain @ x) @ x.T @ plain
    assert found.q == pytest.approx(yw @ middle @ yw)
    assert (found.q_df, found.q_p) == (left, pytest.approx(chi2.sf(found.q, left)))
    typical = left / np.trace(middle)
    assert found.i2_pct == pytest.approx(100 * found.tau2 / (found.tau2 + typical))
    if method == "common":
        assert (found.tau2, found.tau2_low, found.tau2_high) == (0, 0, 0)
    else:
        assert found.tau2_low <= found.tau2 <= found.tau2_high
    alone = pool_estimates(yw, se[held], method=method).tau2
    if covariates is not None and alone > 0:
        assert found.explained_pct == pytest.approx(max(0, 100 * (1 - found.tau2 / alone)))
    else:
        assert np.isnan(found.explained_pct)

    weights = np.zeros(n)
    weights[held] = 1 / (v + found.tau2)
    site = found.sites
    np.testing.assert_allclose(site["weight_pct"], 100 * weights / weights.sum())
    half = np.where(np.isfinite(df), t.isf(0.05, 5), norm.isf(0.05)) * se
    np.testing.assert_allclose(site["low"], y - half)
    np.testing.assert_allclose(site["high"], y + half)
    assert site["df"].equals(pd.Series(df))
    assert (site["note"] != "").tolist() == (~held).tolist()
    checks = found.checks.set_index("check")
    assert checks.loc["sites without a standard error", ["value", "passed"]].tolist() == [3, False]
    assert checks.loc["number of sites", "value"] == 9
    assert ("Hartung-Knapp factor" in checks.index) == (method != "common")
    if method != "common":
        assert factor_of(found) == pytest.approx(factor)
        assert ("set to one" in checks.loc["Hartung-Knapp factor", "meaning"]) == (factor > knapp + 1e-6)
    assert ("modified" in found.method) == (modified and method != "common")


def test_how_well_sites_are_known_by_number_and_weight():
    def checks(y, se):
        return pool_estimates(y, se, method="common").checks.set_index("check")["passed"]

    assert checks([1.0] * 5, [1.0] * 5)["number of sites"]
    assert not checks([1.0] * 4, [1.0] * 4)["number of sites"]
    # Weights 1 : 1e-4 are 0.00999 %, 1 : 1.1e-4 are 0.01100 %: below and above a hundredth of a percent.
    assert not checks([1.0, 1], [1.0, 100.0])["sites of no weight"]
    assert checks([1.0, 1], [1.0, np.sqrt(1 / 1.1e-4)])["sites of no weight"]
    assert checks([1.0, 1, 1], [1.0, 1.0, 1.0])["largest weight [%]"]
    # Weights 2 : 1 : 1 are half, which no more than half is.
    assert checks([1.0, 1, 1], [1.0, np.sqrt(2), np.sqrt(2)])["largest weight [%]"]
    assert not checks([1.0, 1, 1], [0.99, np.sqrt(2), np.sqrt(2)])["largest weight [%]"]
    assert checks([1.0, 1, 1], [1.0] * 3)["sites without a standard error"]


def test_a_covariate_that_is_missing_leaves_its_site_out():
    found = pool_estimates([1.0, 2, 3, 4, 9], [1.0] * 5, method="common", covariates=pd.DataFrame(
        {"crop": ["a", "b", None, "b", "a"]}))  # fmt: skip
    assert found.k == 4
    assert (found.sites["weight_pct"] > 0).tolist() == [True, True, False, True, True]
    assert found.coefficients["estimate"].iloc[1] == pytest.approx((2 + 4) / 2 - (1 + 9) / 2)
    with pytest.raises(NotEstimable, match="too few"):
        pool_estimates([1.0, 2], [1.0] * 2, covariates=pd.DataFrame({"soil": [1.0, 2]}))


def test_differences_pooled_are_those_of_each_trial():
    table = pd.concat([
        strips_of([5.0, 6.0, 5.2, 6.4, 5.1, 6.9], [4.0, 4.9, 4.2, 5.7, 4.1, 5.0]).assign(soil=7.0),
        pd.DataFrame({"block": [1, 1, 2, 2], "rate_kg_ha": [0, 60] * 2, "yield_t_ha": [5.0, 6, 5, 7],
                      "trial": "lacks 120", "soil": 9.0}),
        pd.DataFrame({"block": [1, 1], "rate_kg_ha": [0, 120], "yield_t_ha": [5.0, 6], "trial": "one block",
                      "soil": 9.0}),
    ])  # fmt: skip
    there = pool_trials(table, 120, 0).sites.set_index("site")
    back = pool_trials(table, 0, 120).sites.set_index("site")
    # Means of the pair differences by hand: 1.0, 1.2, 1.8 and 0.9, 1.5, 0.9.
    assert there["estimate"].tolist()[:2] == pytest.approx([4 / 3, 1.1])
    assert there["se"].tolist()[:2] == pytest.approx([np.std(d, ddof=1) / np.sqrt(3) for d in
                                                      ([1.0, 1.2, 1.8], [0.9, 1.5, 0.9])])  # fmt: skip
    assert back["estimate"].tolist()[:2] == pytest.approx([-4 / 3, -1.1])
    assert there.loc["lacks 120", "note"] == "no strips at both 120 and 0"
    assert there.loc["one block", "estimate"] == pytest.approx(1.0)
    assert there.loc["one block", "note"] == "no replicates: no standard error"
    assert there["note"].tolist()[:2] == ["", ""]


# ---- one stage by matrices


def matrices_of(design, loading, y, codes, ratio, restricted):
    """Estimates of y = X b + z u + e with V = I + ratio z z' within sites, all matrices written out."""
    cov = np.eye(len(y)) + ratio * np.outer(loading, loading) * (codes[:, None] == codes[None])
    weight = np.linalg.inv(cov)
    inner = np.linalg.inv(design.T @ weight @ design)
    b = inner @ design.T @ weight @ y
    rest = y - design @ b
    free = len(y) - design.shape[1] * restricted
    within = rest @ weight @ rest / free
    told = free * (1 + np.log(2 * np.pi * within)) + np.linalg.slogdet(cov)[1]
    told += restricted * np.linalg.slogdet(design.T @ weight @ design)[1]
    blup = [ratio * (loading * (codes == c)) @ weight @ rest for c in range(codes.max() + 1)]
    return b, inner, rest, within, told, blup


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("spread", [0.0, 0.4, 5.0])
@pytest.mark.parametrize("seed", range(3))
def test_one_stage_by_matrices(restricted, spread, seed):
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(5), [3, 4, 5, 4, 6])
    design = np.column_stack([rng.uniform(1, 3, 22), rng.normal(size=22)])
    loading = design[:, 0]
    y = design @ [4.0, 1.0] + loading * spread * rng.normal(size=5)[codes] + rng.normal(size=22)
    model = OneEffect(design, loading, y, codes, restricted=restricted)
    found = model.best()
    ours = (found.coefficients, found.covariance, y - design @ found.coefficients, found.variance,
            found.criterion, found.effects)  # fmt: skip
    for one, other in zip(ours, matrices_of(design, loading, y, codes, found.ratio, restricted), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-8, atol=1e-8)
    mesh = np.concatenate([[0.0], np.geomspace(1e-5, 1e4, 600)])
    told = [matrices_of(design, loading, y, codes, ratio, restricted)[4] for ratio in mesh]
    assert ours[4] <= min(told) + 1e-9
    assert found.ratio == pytest.approx(mesh[np.argmin(told)], rel=0.05, abs=2e-5)


@pytest.mark.parametrize("degree", [1, 2])
def test_polynomial_of_random_sites_against_statsmodels(degree, broadbalk):
    sm = pytest.importorskip("statsmodels.api")
    table = broadbalk.assign(rate_100=broadbalk["rate_100"] + 0.3)
    codes, years = pd.factorize(table["year"])
    # Solved in rates between 0 and 1, so that its square is no worse conditioned than the rate.
    back = table["rate_100"].max() ** -np.arange(degree + 1.0)
    x = np.vander(table["rate_100"], degree + 1, increasing=True)
    found = OneEffect(x * back, np.ones(len(x)), table["yield_t_ha"].to_numpy(), codes).best()
    outside = sm.MixedLM(table["yield_t_ha"], x, table["year"]).fit(reml=True)
    np.testing.assert_allclose(found.coefficients * back, outside.fe_params, rtol=1e-5)
    covariance = found.covariance * found.variance * np.outer(back, back)
    np.testing.assert_allclose(covariance, outside.cov_params().iloc[:-1, :-1], rtol=1e-4)
    assert found.ratio * found.variance == pytest.approx(outside.cov_re.iloc[0, 0], rel=1e-4)
    assert found.variance == pytest.approx(outside.scale, rel=1e-5)
    blup = {year: effect.iloc[0] for year, effect in outside.random_effects.items()}
    assert found.effects == pytest.approx([blup[year] for year in years], abs=1e-4)
    # The restricted likelihood is that of the columns solved.
    assert found.criterion == pytest.approx(-2 * outside.llf + 2 * np.log(back).sum(), rel=1e-6)
