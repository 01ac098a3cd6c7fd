"""Interval of an optimum averaged over curves.

Each curve's intervals at all levels form its confidence distribution. The weighted mixture of these is
inverted at the two tails (model-averaged tail areas; Turek & Fletcher 2012, Comput. Stat. Data Anal.
56:2809-2815, from memory), so that the interval holds the spread between the curves as well as the error
within each. Mass beyond the tested rates stays beyond: it opens the end.
"""

from dataclasses import replace

import numpy as np

from fertkit.response.intervals import Interval
from fertkit.response.many import Fits
from fertkit.response.regions import optimum_sets
from fertkit.response.sums import Sums

#: Tail areas at which each curve's confidence distribution is tabulated.
TAILS = np.array([0.0005, 0.0015, 0.004, 0.01, 0.018, 0.025, 0.035, 0.05, 0.08, 0.12, 0.18, 0.26, 0.36, 0.46])


def averaged_interval(fits, weights, price_ratio, level) -> Interval:
    """Interval of the averaged optimum within the tested rates.

    Parameters
    ----------
    fits : dict of str to ResponseFit
    weights : Series
        Weight of each curve, by key.
    price_ratio, level : float
    """
    keys = [k for k in weights.index if weights[k] > 1e-4 and fits[k].df_error > 0]
    nothing = Interval(np.nan, np.nan, False, False, level, "averaged")
    if not keys:
        return nothing
    data = fits[keys[0]].data
    lowest, highest = float(data.rate.min()), float(data.rate.max())
    ladders = np.array([confidence_ladder(fits[k], price_ratio) for k in keys])
    low, high = mixture_ends(ladders, weights[keys].to_numpy(), lowest, highest, level)
    return Interval(low, high, False, False, level, "averaged").within(lowest, highest)


def confidence_ladder(fit, price_ratio):
    """Optima at the tail areas ``TAILS`` and one minus them: the curve's confidence distribution, (2 T,)."""
    sums, levels = fit.data.sums, 1 - 2 * TAILS
    copies = len(levels)
    wide = replace(
        sums, **{f: np.repeat(getattr(sums, f), copies, axis=1) for f in ("means", "level", "pure_ss")}
    )
    many = Fits(*(np.repeat(getattr(fit.fits, f), copies, axis=1) for f in Fits.__dataclass_fields__))
    return ladder(fit.curve.key, many, wide, price_ratio, levels)[0]


def ladder(curve: str, fits: Fits, sums: Sums, price_ratio, levels):
    """Ends of the intervals at `levels` (broadcast over replicates), low ends then high ends, (D, 2 R)."""
    low, high = optimum_sets(curve, fits, sums, price_ratio, levels)
    return np.concatenate([low, high[:, ::-1]], axis=1)


def mixture_ends(ladders, weights, lowest, highest, level):
    """Ends of the interval whose tails under the weighted mixture of distributions are (1 - level)/2.

    Parameters
    ----------
    ladders : array (k, 2 T)
        Quantiles of each distribution at ``TAILS`` and ``1 - TAILS`` reversed.
    weights : array (k,)
    lowest, highest : float
        Range within which the distributions are followed; mass beyond sits on the edge.

    Returns
    -------
    low, high : float
        inf when the upper tail starts beyond `highest`.
    """
    areas = np.concatenate([TAILS, 1 - TAILS[::-1]])
    tail = (1 - level) / 2
    points = np.clip(ladders, lowest, highest).ravel()
    # A step of a distribution is followed from just below it.
    points = np.unique(np.concatenate([points, points - 1e-9 * (points - lowest), [lowest, highest]]))
    below = sum(w * _cdf(points, q, areas) for w, q in zip(weights / weights.sum(), ladders, strict=True))
    low = points[0] if below[0] >= tail else float(np.interp(tail, below, points))
    if below[-1] < tail:
        low = np.inf
    high = np.inf if below[-1] < 1 - tail else float(np.interp(1 - tail, below, points))
    return low, high


def _cdf(points, quantiles, areas):
    """Distribution function, linear between quantiles, some of which may be tied or infinite."""
    quantiles = np.maximum.accumulate(quantiles)
    finite = np.isfinite(quantiles)
    if not finite.any():
        return np.zeros(len(points))
    index = np.searchsorted(quantiles[finite], points, side="right")
    q, p = quantiles[finite], areas[finite]
    inner = np.interp(points, q, p)
    value = np.where(index == 0, 0.0, np.where(index == len(q), p[-1], inner))
    return np.where((index == len(q)) & finite.all(), 1.0, value)
