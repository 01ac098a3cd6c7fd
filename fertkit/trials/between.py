"""Variance between sites from one estimate and one standard error a site.

Every function takes y (n,), the sampling variances v (n,) and the design X (n, p).
"""

from dataclasses import dataclass

import numpy as np

from fertkit.trials import linear

#: Fineness of the search for the variance between sites.
GRID_PER_DECADE, GRID_STEPS = 12, 240


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


def _zero_or_root(function, y, v, x) -> float:
    """Root of a falling function of tau2, or 0 where it is negative from the start."""
    from scipy.optimize import brentq

    if function(0.0) <= 0:
        return 0.0
    high = float(np.var(y, ddof=1) + v.mean())
    while function(high) > 0:
        high *= 2
    return float(brentq(function, 0.0, high, xtol=1e-14 * high, rtol=1e-13))


def _reml(y, v, x) -> float:
    """Highest point of the restricted likelihood: it may have several, one of them at zero."""
    from scipy.optimize import brentq

    def slope(tau2):
        return Weighted.of(y, v, x, tau2).slope

    low, high = v.min() / 1e4, 10 * (linear.fit(x, y).rss + v.max())
    steps = min(GRID_STEPS, int(GRID_PER_DECADE * np.log10(high / low)))
    grid = np.concatenate([[0.0], np.geomspace(low, high, steps)])
    slopes = np.array([slope(tau2) for tau2 in grid])
    tops = np.flatnonzero((slopes[:-1] > 0) & (slopes[1:] <= 0))
    peaks = [brentq(slope, grid[i], grid[i + 1], xtol=1e-14 * high, rtol=1e-13) for i in tops]
    return float(max([0.0, *peaks], key=lambda tau2: Weighted.of(y, v, x, tau2).height))


def _paule_mandel(y, v, x) -> float:
    def surplus(tau2):
        fit = Weighted.of(y, v, x, tau2)
        return fit.q - fit.df

    return _zero_or_root(surplus, y, v, x)


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
        _zero_or_root(lambda tau2, c=c: Weighted.of(y, v, x, tau2).q - c, y, v, x)
        for c in (chi2.isf((1 - level) / 2, df), chi2.ppf((1 - level) / 2, df))
    )
