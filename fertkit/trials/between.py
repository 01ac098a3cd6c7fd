"""Variance between sites from one estimate and one standard error a site.

Every function takes y (n,), the sampling variances v (n,) and the design X (n, p).
"""

from dataclasses import dataclass

import numpy as np

from fertkit.trials import linear

#: Steps of the search for the highest point of the likelihood.
STEPS = 100


@dataclass(frozen=True)
class Weighted:
    """Weighted least squares with weights 1 / (v + tau2); slope and height of its restricted likelihood.

    ``trace`` is that of the projector W - W X (X'WX)^-1 X'W.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    weights: np.ndarray
    q: float
    df: int
    trace: float
    slope: float
    height: float

    @classmethod
    def of(cls, y, v, x, tau2):
        w = 1 / (v + tau2)
        inner = np.linalg.inv((x.T * w) @ x)
        b = inner @ (x.T @ (w * y))
        residual = y - x @ b
        trace = w.sum() - np.trace(inner @ (x.T * w**2) @ x)
        slope = ((w * residual) ** 2).sum() - trace
        q = float(w @ residual**2)
        height = np.log(w).sum() + np.linalg.slogdet(inner)[1] - q
        return cls(b, inner, w, q, len(y) - x.shape[1], float(trace), float(slope), float(height))


def _zero_or_root(function, y, v) -> float:
    """Root of a falling function of tau2, or 0 where it is negative from the start."""
    if function(0.0) <= 0:
        return 0.0
    high = float(np.var(y) + v.mean())
    while function(high) > 0:
        high *= 2
    return _root(function, 0.0, high)


def _root(function, low, high) -> float:
    """Root between two values of tau2, searched as a share of the higher: any unit of yield does."""
    from scipy.optimize import brentq

    return float(high * brentq(lambda share: function(high * share), low / high, 1.0))


def _reml(y, v, x) -> float:
    """Highest point of the restricted likelihood: it may have several, one of them at zero."""

    def slope(tau2):
        return Weighted.of(y, v, x, tau2).slope

    high = 10 * (linear.fit(x, y).rss + v.max())
    grid = np.concatenate([[0.0], np.geomspace(v.min() / 1e4, high, STEPS)])
    slopes = np.array([slope(tau2) for tau2 in grid])
    tops = np.flatnonzero((slopes[:-1] > 0) & (slopes[1:] <= 0))
    peaks = [_root(slope, grid[i], grid[i + 1]) for i in tops]
    return max([0.0, *peaks], key=lambda tau2: Weighted.of(y, v, x, tau2).height)


def _paule_mandel(y, v, x) -> float:
    def surplus(tau2):
        fit = Weighted.of(y, v, x, tau2)
        return fit.q - fit.df

    return _zero_or_root(surplus, y, v)


def _dersimonian_laird(y, v, x) -> float:
    fit = Weighted.of(y, v, x, 0.0)
    return max(0.0, (fit.q - fit.df) / fit.trace)


METHODS = {
    "REML": _reml,
    "PM": _paule_mandel,
    "DL": _dersimonian_laird,
    "common": lambda y, v, x: 0.0,
}


def q_profile(y, v, x, level) -> tuple[float, float]:
    """Interval of tau2 from the generalised Q (Viechtbauer 2007, Stat. Med. 26:37-52, from memory)."""
    from scipy.stats import chi2

    df = len(y) - x.shape[1]
    return tuple(
        _zero_or_root(lambda tau2, c=c: Weighted.of(y, v, x, tau2).q - c, y, v)
        for c in (chi2.isf((1 - level) / 2, df), chi2.ppf((1 - level) / 2, df))
    )
