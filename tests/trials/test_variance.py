"""Restricted maximum likelihood against lme4 and nlme (R 4.2.2) and statsmodels."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from fertkit.errors import NotEstimable
from fertkit.trials.mixed import components, fit_reml, shared


def test_dyestuff(outside):
    # Davies & Goldsmith 1972; documentation of lme4: mean 1527.5 (19.3834), batch 1764.05, residual 2451.25,
    # criterion 319.7.
    data = outside("davies_dyestuff.csv")
    y, batch = data["yield"].to_numpy(float), pd.factorize(data["batch"])[0]
    found = fit_reml(np.ones((30, 1)), y, components([shared(batch), np.eye(30)]), [1000.0, 1000.0])
    assert found.coefficients[0] == pytest.approx(1527.5)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(19.3834, abs=5e-5)
    assert found.parameters == pytest.approx([1764.05, 2451.25], abs=0.01)
    assert found.criterion == pytest.approx(319.7, abs=0.05)
    # Balanced one-way layout: the mean is tested on batches - 1 degrees of freedom.
    assert found.degrees_of_freedom(np.ones(1)) == pytest.approx(5, rel=1e-6)


def test_oats(outside):
    # Yates 1935 oats, linear in N, block and plot random (nlme): 81.87222 (6.94528), 73.66667 (6.78148), SD
    # 14.50598, 11.00467, 12.86696, logLik -296.520877.
    data = outside("yates_oats_splitplot_n.csv")
    y = data["yield_qlb_plot"].to_numpy(float)
    block, plot = pd.factorize(data["block"])[0], pd.factorize(data["block"] + data["gen"])[0]
    design = np.column_stack([np.ones(72), data["n_cwt_ac"]])
    found = fit_reml(design, y, components([shared(block), shared(plot), np.eye(72)]), [100.0] * 3)
    assert found.coefficients == pytest.approx([81.87222, 73.66667], abs=5e-6)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([6.94528, 6.78148], abs=5e-5)
    assert np.sqrt(found.parameters) == pytest.approx([14.50598, 11.00467, 12.86696], abs=5e-4)
    assert -found.criterion / 2 == pytest.approx(-296.520877, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 500), scale=st.floats(0.01, 100))
def test_unit_of_yield_does_not_matter(seed, scale):
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(5), 4)
    y = rng.normal(0, 3, 5)[block] + rng.normal(0, 1, 20)
    build = components([shared(block), np.eye(20)])
    one = fit_reml(np.ones((20, 1)), y, build, [1.0, 1.0])
    other = fit_reml(np.ones((20, 1)), y * scale, build, [scale**2, scale**2])
    assert other.parameters == pytest.approx(one.parameters * scale**2, rel=1e-4, abs=1e-6 * scale**2)


def test_nothing_left_for_the_error():
    with pytest.raises(NotEstimable):
        fit_reml(np.eye(3), np.arange(3.0), components([np.eye(3)]), [1.0])


# ---- against the density of scipy, and derivatives by small steps


def told(theta, design, y, build, restricted):
    """-2 x log-likelihood from scipy's normal density; restricted: of contrasts that hold no mean."""
    cov = build(theta)[0]
    if restricted:
        full = np.linalg.svd(design)[0][:, design.shape[1] :]
        value = multivariate_normal(np.zeros(full.shape[1]), full.T @ cov @ full).logpdf(full.T @ y)
        # The likelihood of the kit has all n observations in it: contrasts and |X'X| make the difference.
        return -2 * value + np.linalg.slogdet(design.T @ design)[1]
    weight = np.linalg.inv(cov)
    b = np.linalg.solve(design.T @ weight @ design, design.T @ weight @ y)
    return -2 * multivariate_normal(design @ b, cov).logpdf(y)


def correlated(theta):
    """Ten strips in a row: variance and correlation of neighbours."""
    apart = np.abs(np.subtract.outer(np.arange(20), np.arange(20)))
    variance, rho = theta
    pattern = rho**apart
    slope = np.where(apart > 0, apart * rho ** np.maximum(apart - 1, 0), 0.0)
    return variance * pattern, [pattern, variance * slope]


BLOCK = np.repeat(np.arange(5), 4)
MODELS = {
    "blocks": (components([shared(BLOCK), np.eye(20)]), [1.0, 1.0], None),
    "correlated": (correlated, [1.0, 0.3], [(1e-12, None), (0.0, 0.98)]),
}


def made(seed, between):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(20), np.tile(np.arange(4), 5), rng.normal(size=20)])
    y = design @ [50, 2, 1] + between * rng.normal(size=5)[BLOCK] + np.cumsum(rng.normal(0, 0.3, 20))
    return design, y + rng.normal(size=20)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_likelihood_covariance_and_information(model, restricted, seed):
    build, start, bounds = MODELS[model]
    design, y = made(seed, 3.0)
    found = fit_reml(design, y, build, start, bounds=bounds, restricted=restricted)
    theta = found.parameters
    assert found.criterion == pytest.approx(told(theta, design, y, build, restricted), rel=1e-8)
    # No step in any direction does better, within the bounds.
    for step in np.vstack([np.eye(2), -np.eye(2), [[1, 1], [1, -1], [-1, 1], [-1, -1]]]) * 0.02:
        other = theta + step * np.maximum(np.abs(theta), 0.01)
        if (other >= 0).all() and (model == "blocks" or other[1] <= 0.98):
            assert told(other, design, y, build, restricted) >= found.criterion - 1e-7
    assert found.at_bound.tolist() == [bool(v < 1e-6 * theta.max()) for v in theta]

    def covariance(theta):
        return np.linalg.inv(design.T @ np.linalg.inv(build(theta)[0]) @ design)

    inverse = np.linalg.inv(build(theta)[0])
    np.testing.assert_allclose(found.covariance, covariance(theta), rtol=1e-8)
    np.testing.assert_allclose(found.coefficients, covariance(theta) @ design.T @ inverse @ y, rtol=1e-8)
    steps = np.diag(1e-5 * np.maximum(theta, 0.1))
    slopes = [(covariance(theta + s) - covariance(theta - s)) / (2 * s.sum()) for s in steps]
    np.testing.assert_allclose(found.slopes, slopes, rtol=1e-4, atol=1e-7)
    projector = inverse - inverse @ design @ covariance(theta) @ design.T @ inverse
    parts = [projector @ d for d in build(theta)[1]]
    information = [[np.trace(a @ b) / 2 for b in parts] for a in parts]
    np.testing.assert_allclose(found.information, information, rtol=1e-6)
    # Satterthwaite 1946: twice the squared variance over the variance of the variance.
    for contrast in np.eye(3):
        free = ~found.at_bound
        gradient = np.array([contrast @ s @ contrast for s in slopes])[free]
        spread = np.linalg.inv(np.array(information)[np.ix_(free, free)])
        df = 2 * (contrast @ found.covariance @ contrast) ** 2 / (gradient @ spread @ gradient)
        assert found.degrees_of_freedom(contrast) == pytest.approx(df, rel=1e-3)


def test_a_variance_at_zero_leaves_the_degrees_of_freedom_of_least_squares():
    design, y = made(1, 0.0)
    y = y - (np.eye(5)[BLOCK] @ np.linalg.lstsq(np.eye(5)[BLOCK], y - design @ [50, 2, 1], rcond=None)[0])
    build, start, _ = MODELS["blocks"]
    found = fit_reml(design, y, build, start)
    assert found.at_bound.tolist() == [True, False]
    assert found.parameters[0] == 0
    rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    assert found.parameters[1] == pytest.approx(rest @ rest / 17, rel=1e-5)
    for contrast in np.eye(3):
        assert found.degrees_of_freedom(contrast) == pytest.approx(17, rel=1e-5)


def test_far_starting_values_find_the_same_variances():
    design, y = made(2, 3.0)
    build = MODELS["blocks"][0]
    one = fit_reml(design, y, build, [1.0, 1.0])
    for start in ([100.0, 0.5], [0.01, 20.0], [1e-3, 1e-2]):
        np.testing.assert_allclose(fit_reml(design, y, build, start).parameters, one.parameters, rtol=1e-4)


def test_strips_that_tell_no_effects_apart():
    design, y = made(1, 1.0)
    twice = np.column_stack([design, design[:, 1]])
    with pytest.raises(NotEstimable, match="effects cannot be separated"):
        fit_reml(twice, y, MODELS["blocks"][0], [1.0, 1.0])
    with pytest.raises(NotEstimable, match="effects cannot be separated"):
        fit_reml(design[:3], y[:3], components([np.eye(3)]), [1.0])
    assert fit_reml(design[:4], y[:4], components([np.eye(4)]), [1.0]).parameters[0] > 0


def test_variances_that_cannot_be_estimated():
    def never(theta):
        return -np.eye(20), [np.eye(20)]

    design, y = made(1, 1.0)
    with pytest.raises(NotEstimable, match="cannot be estimated"):
        fit_reml(design, y, never, [1.0])


def test_sums_of_known_matrices():
    cov, slopes = components([[[1, 0], [0, 2]], [[1, 1], [1, 1]]])([2.0, 3.0])
    assert cov.tolist() == [[5, 3], [3, 7]]
    assert [s.tolist() for s in slopes] == [[[1, 0], [0, 2]], [[1, 1], [1, 1]]]
    assert shared(["a", "b", "a"]).tolist() == [[1, 0, 1], [0, 1, 0], [1, 0, 1]]
