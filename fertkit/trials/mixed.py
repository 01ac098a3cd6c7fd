"""Mixed models, y = X b + Z u + e, by (restricted) maximum likelihood: the one engine behind every trial.

`fit_reml` takes any covariance of a few strips (random blocks, split plots, correlated neighbours) and gives
degrees of freedom. `OneEffect` has one random effect over any number of groups, held in sums by group: the
sites of a one-stage pool, or the estimates of a meta-analysis, each a group of its own with a known error.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fertkit.errors import NotEstimable
from fertkit.laws import f_above
from fertkit.rounding import below
from fertkit.trials import linear

#: Steps of the search for the highest point of the likelihood of one effect.
STEPS = 100
#: An error below this share of the squares explained is none, but for rounding.
_NO_ERROR = 1e-14


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
    bends : (q, q, p, p) array
        Products of two derivatives of the covariance of the strips, brought to the coefficients.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    parameters: np.ndarray
    at_bound: np.ndarray
    information: np.ndarray
    criterion: float
    slopes: np.ndarray
    bends: np.ndarray

    def degrees_of_freedom(self, contrast) -> float:
        """Satterthwaite's degrees of freedom of one contrast (1946, Biometrics 2:110-114, from memory).

        Parameters at a bound are taken as known, as they cannot vary both ways.
        """
        free = ~self.at_bound
        gradient = np.einsum("p,qpr,r->q", contrast, self.slopes[free], contrast)
        spread = np.linalg.solve(self.information[np.ix_(free, free)], gradient)
        return float(2 * (contrast @ self.covariance @ contrast) ** 2 / (gradient @ spread))

    @cached_property
    def adjusted(self) -> np.ndarray:
        """Covariance of the coefficients with the allowance of Kenward & Roger for estimated variances.

        Kenward & Roger (1997, Biometrics 53:983-997, from memory), for covariances that are sums of known
        matrices; a variance estimated as zero keeps the uncertainty that the design gives it.
        """
        spread, precision = np.linalg.inv(self.information), np.linalg.inv(self.covariance)
        gap = self.bends - np.einsum("ipq,qr,jrs->ijps", self.slopes, precision, self.slopes)
        return self.covariance + 2 * np.einsum("ij,ijpq->pq", spread, gap)

    def kenward_roger(self, contrasts) -> tuple[float, int, float, float]:
        """F test of several contrasts at once after Kenward & Roger (1997): (F, df1, df2, p)."""
        q, spread = len(contrasts), np.linalg.inv(self.information)
        inner = np.linalg.inv(contrasts @ self.covariance @ contrasts.T)
        parts = np.array([inner @ contrasts @ slope @ contrasts.T for slope in self.slopes])
        traces = np.trace(parts, axis1=1, axis2=2)
        a1 = float(traces @ spread @ traces)
        a2 = float(np.einsum("ij,ipq,jqp->", spread, parts, parts))
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        bottom = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / bottom, (q - g) / bottom, (q + 2 - g) / bottom
        mean = 1 / (1 - a2 / q)
        variance = 2 / q * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        df2 = 4 + (q + 2) / (q * variance / (2 * mean**2) - 1)
        effect = contrasts @ self.coefficients
        wald = effect @ np.linalg.solve(contrasts @ self.adjusted @ contrasts.T, effect) / q
        statistic = float(df2 / (mean * (df2 - 2)) * wald)
        return statistic, q, float(df2), float(f_above(q, df2, statistic))


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
        raise NotEstimable("these effects cannot be separated, or no error can be estimated")
    start = np.asarray(start, dtype=float)
    # The residual variance stays off zero, where the covariance would be singular.
    bounds = bounds or [(0.0, None)] * (len(start) - 1) + [(1e-10 * start[-1], None)]
    lows, highs = np.array(bounds, dtype=float).T
    lows, highs = np.where(np.isnan(lows), -np.inf, lows), np.where(np.isnan(highs), np.inf, highs)
    # Search in units of the starting values, so that bu/ac and t/ha make no difference.
    scale = np.where(start > 0, start, 1.0)
    tries = [start / scale, np.r_[np.full(len(start) - 1, 0.05), 1.0] * start / scale]

    def loss(u):
        try:
            at = _at(u * scale, design, y, build, restricted)
        except np.linalg.LinAlgError:
            return np.inf, np.zeros(len(u))
        return at.criterion, at.slope * scale

    options = {"ftol": 1e-13, "gtol": 1e-9}
    box = np.column_stack([lows, highs]) / scale[:, None]
    searches = [minimize(loss, u, jac=True, method="L-BFGS-B", bounds=box, options=options) for u in tries]
    best = min(searches, key=lambda f: f.fun)
    if not np.isfinite(best.fun):
        raise NotEstimable("variances cannot be estimated: too few strips for the model")
    theta = best.x * scale
    # Each parameter by its own span, variances by the largest of them: units of yield must not matter.
    spans = np.where(np.isfinite(highs), highs - lows, np.abs(theta[~np.isfinite(highs)]).max(initial=0.0))
    at_bound = (theta - lows <= 1e-7 * spans) | (highs - theta <= 1e-7 * spans)
    return _fitted(_at(theta, design, y, build, restricted), theta, at_bound)


def _fitted(at, theta, at_bound) -> RemlFit:
    projector = at.inverse - at.weighted @ at.covariance @ at.weighted.T
    products = [projector @ d for d in at.derivatives]
    weights = at.weighted @ at.covariance  # V^-1 X (X'V^-1 X)^-1
    moved = [d @ weights for d in at.derivatives]
    return RemlFit(
        coefficients=at.coefficients,
        covariance=at.covariance,
        parameters=theta,
        at_bound=at_bound,
        information=0.5 * np.array([[np.sum(a * b.T) for b in products] for a in products]),
        criterion=at.criterion,
        slopes=np.array([weights.T @ d for d in moved]),
        bends=np.array([[a.T @ at.inverse @ b for b in moved] for a in moved]),
    )


@dataclass(frozen=True)
class _Point:
    """The model at one covariance: V^-1, V^-1 X, (X'V^-1 X)^-1, and the likelihood with its slope."""

    inverse: np.ndarray
    weighted: np.ndarray
    covariance: np.ndarray
    coefficients: np.ndarray
    derivatives: list
    criterion: float
    slope: np.ndarray


def _at(theta, design, y, build, restricted) -> _Point:
    cov, derivatives = build(theta)
    half = np.linalg.inv(np.linalg.cholesky(cov))
    x, z = half @ design, half @ y
    inner = np.linalg.inv(x.T @ x)
    b = inner @ (x.T @ z)
    residual, weighted, inverse = z - x @ b, half.T @ x, half.T @ half
    free = len(y) - design.shape[1] * restricted
    value = residual @ residual + free * np.log(2 * np.pi) - 2 * np.log(np.diag(half)).sum()
    value -= np.linalg.slogdet(inner)[1] * restricted
    projector, py = inverse - restricted * weighted @ inner @ weighted.T, half.T @ residual
    slope = np.array([np.sum(projector * d) - py @ d @ py for d in derivatives])
    return _Point(inverse, weighted, inner, b, derivatives, float(value), slope)


def wald(fit: RemlFit, contrasts) -> tuple[float, int, float, float]:
    """F test of several contrasts at once: (F, df1, df2, p).

    Denominator degrees of freedom after Fai & Cornelius (1996, J. Stat. Comput. Simul. 54:363-378, from
    memory).
    """
    spread = contrasts @ fit.covariance @ contrasts.T
    values, vectors = np.linalg.eigh(spread)
    own = vectors.T @ contrasts
    q = len(values)
    statistic = float(np.sum((own @ fit.coefficients) ** 2 / values) / q)
    each = np.array([fit.degrees_of_freedom(row) for row in own])
    total = np.sum(each[each > 2] / (each[each > 2] - 2))
    df2 = float(each[0]) if q == 1 else float(2 * total / (total - q)) if total > q else float(each.min())
    return statistic, q, df2, float(f_above(q, df2, statistic))


# ---- one random effect


@dataclass(frozen=True)
class EffectFit:
    """The model of one effect at a ratio of var(u) to var(e).

    Attributes
    ----------
    ratio : float
    coefficients, covariance : (p,), (p, p) arrays
        The covariance per var(e).
    q, df : float
        Weighted residual sum of squares and its degrees of freedom.
    trace, slope : float
        Of the projector (tr P ZZ'), and of the criterion in the ratio.
    criterion : float
        -2 x (restricted) log-likelihood, constants included; var(e) profiled out unless it is known.
    effects : (k,) array
        Predicted u of each group (best linear unbiased predictor).
    """

    ratio: float
    coefficients: np.ndarray
    covariance: np.ndarray
    q: float
    df: int
    trace: float
    slope: float
    criterion: float
    effects: np.ndarray

    @property
    def variance(self) -> float:
        """Of e, where it is not known."""
        return self.q / self.df


@dataclass(frozen=True)
class OneEffect:
    """y = X b + z u[group] + e.

    Attributes
    ----------
    design : (n, p) array
    loading, y : (n,) arrays
    codes : (n,) int array
        Groups 0, 1, ...
    restricted : bool
        Plain maximum likelihood if False.
    known : bool
        The variance of e is one.
    """

    design: np.ndarray
    loading: np.ndarray
    y: np.ndarray
    codes: np.ndarray
    restricted: bool = True
    known: bool = False

    @classmethod
    def of_estimates(cls, y, v, x) -> "OneEffect":
        """Estimates (n,) with sampling variances v (n,) and design (n, p): var(u) is that between sites."""
        se = np.sqrt(v)
        return cls(x / se[:, None], 1 / se, y / se, np.arange(len(y)), known=True)

    @cached_property
    def _plain(self):
        """Least squares without the effect; what is left has small sums, which lose no digits."""
        return linear.fit(self.design, self.y)

    @cached_property
    def sizes(self) -> np.ndarray:
        return self.by_group(self.loading[:, None])[:, 0]

    @cached_property
    def _sums(self):
        """X'X, Z'X, Z'e and e'e."""
        e = self._plain.residuals
        return self.design.T @ self.design, self.by_group(self.design), self.by_group(e[:, None])[:, 0], e @ e

    def by_group(self, matrix) -> np.ndarray:
        """Z' times a matrix [(k, columns)]."""
        columns = (self.loading[:, None] * matrix).T
        return np.column_stack([np.bincount(self.codes, weights=column) for column in columns])

    def products(self, matrix, ratio: float) -> np.ndarray:
        """M' V^-1 M of a matrix with n rows, V = I + ratio ZZ'."""
        sums = self.by_group(matrix)
        return matrix.T @ matrix - (sums.T * (ratio / (1 + ratio * self.sizes))) @ sums

    def at(self, ratio: float) -> EffectFit:
        xx, zx, ze, ee = self._sums
        n, p = self.design.shape
        shrink = 1 / (1 + ratio * self.sizes)
        inner = np.linalg.inv(xx - (zx.T * (ratio * shrink)) @ zx)
        step = -inner @ (zx.T @ (ratio * shrink * ze))
        pull = shrink * (ze - zx @ step)  # Z' V^-1 of the residuals
        q = float(max(ee - ratio * ze @ pull, _NO_ERROR * ee))
        df = n - p * self.restricted
        taken = np.einsum("kp,pr,kr,k->", zx, inner, zx, shrink**2) * self.restricted
        trace = float(self.sizes @ shrink - taken)
        spread = -np.log(shrink).sum() - self.restricted * np.linalg.slogdet(inner)[1]
        variance = 1.0 if self.known or not q else q / df
        criterion = df * np.log(2 * np.pi * variance) + q / variance + spread
        slope = trace - pull @ pull / variance
        b = self._plain.coefficients + step
        return EffectFit(ratio, b, inner, q, df, trace, float(slope), float(criterion), ratio * pull)

    def best(self) -> EffectFit:
        """The model at the highest point of the likelihood: it may have several, one of them at zero."""
        top = 10 * (self._sums[-1] + 1) / self.sizes.min() if self.known else 1e14 / self.sizes.mean()
        grid = np.r_[0.0, np.geomspace(1e-4 / self.sizes.max(), top, STEPS)]
        slopes = np.array([self.at(ratio).slope for ratio in grid])
        turns = np.flatnonzero((slopes[:-1] < 0) & (slopes[1:] >= 0))
        ratios = [root(lambda ratio: self.at(ratio).slope, grid[i], grid[i + 1]) for i in turns]
        best = self.at(0.0)
        for fit in map(self.at, [*ratios, *grid[-1:][slopes[-1:] < 0]]):
            best = fit if below(fit.criterion, best.criterion) else best
        return best

    def where(self, surplus: Callable) -> float:
        """Ratio at which a falling function of the fit is zero; 0 where it is negative from the start."""
        if surplus(self.at(0.0)) <= 0:
            return 0.0
        high = (1 + np.var(self._plain.residuals)) / self.sizes.mean()
        while surplus(self.at(high)) > 0:
            high *= 2
        return root(lambda ratio: surplus(self.at(ratio)), 0.0, high)


def root(function, low, high) -> float:
    """Root between two values, searched as a share of the higher: any unit of yield does."""
    from scipy.optimize import brentq

    return float(high * brentq(lambda share: function(high * share), low / high, 1.0))


#: Variance between sites of a `OneEffect.of_estimates`, by method.
METHODS = {
    "REML": lambda sites: sites.best().ratio,
    "PM": lambda sites: sites.where(lambda fit: fit.q - fit.df),
    "DL": lambda sites: max(0.0, (sites.at(0.0).q - sites.at(0.0).df) / sites.at(0.0).trace),
    "common": lambda sites: 0.0,
}


def q_profile(sites: OneEffect, level) -> tuple[float, float]:
    """Interval of tau2 from the generalised Q (Viechtbauer 2007, Stat. Med. 26:37-52, from memory)."""
    from scipy.special import chdtri

    df = sites.at(0.0).df
    limits = chdtri(df, (1 - level) / 2), chdtri(df, (1 + level) / 2)
    return tuple(sites.where(lambda fit, limit=limit: fit.q - limit) for limit in limits)
