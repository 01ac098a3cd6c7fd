"""Restricted maximum likelihood for normal data whose covariance has a few parameters.

One engine serves random blocks, split plots, neighbouring strips and random sites: the caller says how the
covariance is built from its parameters, this file finds them, says which sit at their bound, and gives the
degrees of freedom of a contrast.
"""

from dataclasses import dataclass

import numpy as np

from fertkit.errors import NotEstimable


@dataclass(frozen=True)
class RemlFit:
    """A fitted linear model with estimated covariance.

    Attributes
    ----------
    coefficients : (p,) array
    covariance : (p, p) array
        Of the coefficients, at the estimated parameters.
    parameters : (q,) array
        Of the covariance.
    at_bound : (q,) bool array
        Parameters that ended at zero (or at another bound given).
    information : (q, q) array
        Expected information of the parameters.
    criterion : float
        -2 x (restricted) log-likelihood, constants included.
    slopes : (q, p, p) array
        Derivative of `covariance` in each parameter.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    parameters: np.ndarray
    at_bound: np.ndarray
    information: np.ndarray
    criterion: float
    slopes: np.ndarray

    def degrees_of_freedom(self, contrast) -> float:
        """Satterthwaite's degrees of freedom of one contrast (1946, Biometrics 2:110-114, from memory).

        Parameters at a bound are taken as known, as they cannot vary both ways.
        """
        free = ~self.at_bound
        gradient = np.einsum("p,qpr,r->q", contrast, self.slopes[free], contrast)
        spread = np.linalg.solve(self.information[np.ix_(free, free)], gradient)
        return float(2 * (contrast @ self.covariance @ contrast) ** 2 / (gradient @ spread))


def components(matrices):
    """Covariance as a sum of known matrices, each times a variance (the last one the residual).

    Parameters
    ----------
    matrices : list of (n, n) arrays

    Returns
    -------
    callable
        ``f(theta) -> (V, [dV/dtheta])`` for `fit_reml`.
    """
    matrices = [np.asarray(m, dtype=float) for m in matrices]
    return lambda theta: (sum(v * m for v, m in zip(theta, matrices, strict=True)), matrices)


def shared(codes) -> np.ndarray:
    """Matrix with 1 where two strips have the same level of a factor [(n, n)]."""
    codes = np.asarray(codes)
    return (codes[:, None] == codes[None, :]).astype(float)


def fit_reml(design, y, build, start, *, bounds=None, restricted: bool = True) -> RemlFit:
    """Fit y = X b + e, e ~ N(0, V(theta)), by restricted (or plain) maximum likelihood.

    Parameters
    ----------
    design : (n, p) array
        Of full rank.
    y : (n,) array
    build : callable
        ``theta -> (V, [dV/dtheta])``; see `components`.
    start : (q,) array
        Starting values; variances, in the square of the unit of y, unless `bounds` say otherwise.
    bounds : list of (low, high), optional
        Of each parameter; variances (0, None) by default.
    restricted : bool
        Plain maximum likelihood if False, for comparing models of different means.

    Raises
    ------
    NotEstimable
        If no strip is left over for the variance, or no search finds a maximum.
    """
    from scipy.optimize import minimize

    design, y = np.asarray(design, dtype=float), np.asarray(y, dtype=float)
    if np.linalg.matrix_rank(design) < design.shape[1] or len(y) <= design.shape[1]:
        raise NotEstimable("the strips cannot tell these effects apart, or none is left over for the error")
    start = np.asarray(start, dtype=float)
    # The residual variance stays off zero, where the covariance would be singular.
    bounds = bounds or [(0.0, None)] * (len(start) - 1) + [(1e-10 * start[-1], None)]
    # Search in units of the starting values, so that bu/ac and t/ha make no difference.
    scale = np.where(start > 0, start, 1.0)
    box = [(None if lo is None else lo / s, None if hi is None else hi / s)
           for (lo, hi), s in zip(bounds, scale, strict=True)]  # fmt: skip
    tries = [start / scale, np.r_[np.full(len(start) - 1, 0.05), 1.0] * start / scale]

    def loss(u):
        value, slope = _loss(u * scale, design, y, build, restricted)
        return value, slope * scale

    options = {"ftol": 1e-13, "gtol": 1e-9}
    found = [minimize(loss, u, jac=True, method="L-BFGS-B", bounds=box, options=options) for u in tries]
    best = min(found, key=lambda f: f.fun)
    if not np.isfinite(best.fun):
        raise NotEstimable("the variances of this trial cannot be estimated; too few strips for the model")
    return _finish(best.x * scale, design, y, build, bounds, restricted)


def _parts(theta, design, y, build):
    cov, slopes = build(theta)
    try:
        root = np.linalg.cholesky(cov)
    except np.linalg.LinAlgError:
        return None
    x, z = np.linalg.solve(root, design), np.linalg.solve(root, y)
    inner = np.linalg.inv(x.T @ x)
    coefficients = inner @ (x.T @ z)
    return root, x, z - x @ coefficients, inner, coefficients, slopes


def _loss(theta, design, y, build, restricted) -> tuple[float, np.ndarray]:
    """-2 x (restricted) log-likelihood and its slope in each parameter."""
    parts = _parts(theta, design, y, build)
    if parts is None:
        return np.inf, np.zeros(len(theta))
    root, _, residual, inner, _, slopes = parts
    free = len(y) - design.shape[1] * restricted
    value = 2 * np.log(np.diag(root)).sum() + residual @ residual + free * np.log(2 * np.pi)
    value -= np.linalg.slogdet(inner)[1] * restricted
    projector, py = _projected(parts, restricted)
    return float(value), np.array([np.sum(projector * d) - py @ d @ py for d in slopes])


def _projected(parts, restricted):
    """Matrix whose trace with dV is the slope of the log-determinants, and P y; original coordinates."""
    root, x, residual, inner, _, _ = parts
    inverse = np.linalg.inv(root)
    seen = x.T @ inverse
    projector = inverse.T @ inverse - restricted * seen.T @ inner @ seen
    return projector, inverse.T @ residual


def _finish(theta, design, y, build, bounds, restricted) -> RemlFit:
    lows = np.array([-np.inf if lo is None else lo for lo, _ in bounds])
    highs = np.array([np.inf if hi is None else hi for _, hi in bounds])
    # Each parameter by its own span, variances by the largest of them: units of yield must not matter.
    reach = np.where(np.isfinite(highs), highs - lows, np.abs(theta[~np.isfinite(highs)]).max(initial=0.0))
    at_bound = (theta - lows <= 1e-7 * reach) | (highs - theta <= 1e-7 * reach)
    parts = _parts(theta, design, y, build)
    _, x, _, inner, coefficients, slopes = parts
    projector, _ = _projected(parts, True)
    products = [projector @ d for d in slopes]
    information = 0.5 * np.array([[np.sum(a * b.T) for b in products] for a in products])
    weights = np.linalg.solve(parts[0].T, x @ inner)  # V^-1 X (X'V^-1 X)^-1
    return RemlFit(
        coefficients=coefficients,
        covariance=inner,
        parameters=theta,
        at_bound=at_bound,
        information=information,
        criterion=_loss(theta, design, y, build, restricted)[0],
        slopes=np.array([weights.T @ d @ weights for d in slopes]),
    )
