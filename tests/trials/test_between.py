"""Variance between sites against matrices written out, a fine mesh of it and its defining equations."""

import numpy as np
import pytest
from scipy.stats import chi2

from fertkit.trials.mixed import METHODS, OneEffect, q_profile


def sites(seed, spread, covariate=False, n=9, unit=1.0):
    """Estimates, sampling variances and design of made sites that differ by a standard deviation."""
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.1, 4.0, n)
    x = np.column_stack([np.ones(n), *([rng.normal(size=n)] if covariate else [])])
    y = 3 + x[:, -1] + spread * rng.normal(size=n) + np.sqrt(v) * rng.normal(size=n)
    return unit * y, unit**2 * v, x


def matrices(y, v, x, tau2):
    """Coefficients, their covariance, projector P and -2 x restricted log-likelihood less its constant."""
    cov = np.diag(v + tau2)
    weight = np.linalg.inv(cov)
    inner = np.linalg.inv(x.T @ weight @ x)
    projector = weight - weight @ x @ inner @ x.T @ weight
    told = np.linalg.slogdet(cov)[1] + np.linalg.slogdet(x.T @ weight @ x)[1] + y @ projector @ y
    return inner @ x.T @ weight @ y, inner, projector, told


of = OneEffect.of_estimates
GIVEN = [
    (seed, spread, covariate) for seed in range(4) for spread in (0.0, 1.5) for covariate in (False, True)
]


@pytest.mark.parametrize(("seed", "spread", "covariate"), GIVEN)
@pytest.mark.parametrize("tau2", [0.0, 0.7])
def test_weighted_least_squares_by_matrices(seed, spread, covariate, tau2):
    y, v, x = sites(seed, spread, covariate)
    found = of(y, v, x).at(tau2)
    b, inner, projector, told = matrices(y, v, x, tau2)
    np.testing.assert_allclose(found.coefficients, b)
    np.testing.assert_allclose(found.covariance, inner)
    np.testing.assert_allclose(found.effects, tau2 * projector @ y)
    assert found.df == 9 - x.shape[1]
    assert found.q == pytest.approx(y @ projector @ y)
    assert found.trace == pytest.approx(np.trace(projector))
    assert found.slope == pytest.approx(np.trace(projector) - y @ projector @ projector @ y)
    # In units of the standard errors, constants included.
    assert found.criterion == pytest.approx(told - np.log(v).sum() + found.df * np.log(2 * np.pi))


@pytest.mark.parametrize(("seed", "spread", "covariate"), GIVEN)
@pytest.mark.parametrize("unit", [1.0, 1e-3])
def test_restricted_likelihood_on_a_mesh(seed, spread, covariate, unit):
    y, v, x = sites(seed, spread, covariate, unit=unit)
    found = METHODS["REML"](of(y, v, x))
    mesh = unit**2 * np.concatenate([[0.0], np.geomspace(1e-6, 100, 3000)])
    told = np.array([matrices(y, v, x, tau2)[3] for tau2 in mesh])
    assert matrices(y, v, x, found)[3] <= told.min() + 1e-9
    assert found == pytest.approx(mesh[told.argmin()], rel=0.01, abs=1e-6 * unit**2)
    assert found == 0 or of(y, v, x).at(found).slope * unit**2 == pytest.approx(0, abs=1e-8)


def test_the_higher_of_two_maxima():
    # A likelihood with maxima at 0 and at 3.76, and the same with the outlying site drawn in or out a little.
    y, se = (
        np.array([12.225, 8.374, 19.612, 11.258, 10.144, 9.955]),
        [2.0232, 0.8278, 3.1334, 2.6738, 0.7195, 0.1619],
    )
    v, x = np.square(se), np.ones((6, 1))
    tops = []
    for moved in (-2.0, 0.0, 2.0):
        given = y + moved * (np.arange(6) == 2)
        found = METHODS["REML"](of(given, v, x))
        mesh = np.linspace(0, 20, 2001)
        told = [matrices(given, v, x, tau2)[3] for tau2 in mesh]
        assert found == pytest.approx(mesh[np.argmin(told)], abs=0.01)
        tops.append(found)
    assert min(tops) < 0.2 < 2 < max(tops)


@pytest.mark.parametrize(("seed", "spread", "covariate"), GIVEN)
def test_paule_mandel_and_dersimonian_laird_by_their_equations(seed, spread, covariate):
    y, v, x = sites(seed, spread, covariate)

    def q(tau2):
        return y @ matrices(y, v, x, tau2)[2] @ y

    df = 9 - x.shape[1]
    found = METHODS["PM"](of(y, v, x))
    assert (found == 0 and q(0) <= df) or q(found) == pytest.approx(df)
    trace = np.trace(matrices(y, v, x, 0.0)[2])
    assert METHODS["DL"](of(y, v, x)) == pytest.approx(max(0, (q(0) - df) / trace))
    assert METHODS["common"](of(y, v, x)) == 0
    for level in (0.8, 0.95):
        for end, share in zip(q_profile(of(y, v, x), level), ((1 + level) / 2, (1 - level) / 2), strict=True):
            wanted = chi2.ppf(share, df)
            assert (end == 0 and q(0) <= wanted) or q(end) == pytest.approx(wanted)


def test_the_made_sites_hold_both_kinds():
    found = [METHODS[method](of(*sites(*given))) for given in GIVEN for method in ("REML", "PM", "DL")]
    assert 5 < np.count_nonzero(found) < len(found) - 5
