"""Chances of t, F and normal numbers, without the tenth of a second that scipy takes to load.

The incomplete beta function is that of DLMF 8.17.22: its fraction closes fast below the mean, and the other
side is what is left of the whole.
"""

import math
from functools import lru_cache

import numpy as np

_log_beta = np.vectorize(lambda a, b: math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b), otypes=[float])
_erfc = np.vectorize(math.erfc, otypes=[float])


def beta_share(a, b, x, y):
    """Incomplete beta function, as a share of the whole: from 0 to x = 1 - y."""
    far = x * (a + b + 2) > a + 1
    a, b, x, y = (np.where(far, two, one) for one, two in ((a, b), (b, a), (x, y), (y, x)))
    if np.size(far) == 1:
        a, b, x, y = (one.item() for one in (a, b, x, y))
    fraction, size = 1.0, np.max(np.nan_to_num(a + b, posinf=0.0))
    for m in range(int(12 + 3 * np.sqrt(size)), -1, -1):  # more steps change nothing
        fraction = 1 - (a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)) / fraction
        if m:
            fraction = 1 + m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)) / fraction
    with np.errstate(divide="ignore"):
        share = np.exp(a * np.log(x) + b * np.log(y) - _log_beta(a, b)) / a / fraction
    return np.where(far, 1 - share, share)[()]


def _known(df) -> np.ndarray:
    """Degrees of freedom; nan where there are none."""
    df = np.asarray(df, float)
    return np.where(df > 0, df, np.nan)


def _shares(one, other):
    """Shares of two numbers in their sum; the second may be infinite."""
    with np.errstate(invalid="ignore"):
        return one / (one + other), np.where(np.isinf(other), 1.0, other / (one + other))


def t_below(df, t):
    """Chance that a t number falls below t; nan without degrees of freedom."""
    df, t = _known(df), np.asarray(t, float)
    tail = beta_share(df / 2, 0.5, *_shares(df, t * t)) / 2
    return np.where(t > 0, 1 - tail, tail)[()]


def f_above(df1, df2, value):
    """Chance that an F number exceeds a value; nan without degrees of freedom."""
    df1, df2 = _known(df1), _known(df2)
    return beta_share(df2 / 2, df1 / 2, *_shares(df2, df1 * np.maximum(np.asarray(value, float), 0.0)))


@lru_cache(maxsize=10_000)
def _t_point(df, chance):
    """Newton's steps on the logarithm of the upper tail."""
    if not (df > 0 and 0 < chance < 1):
        return math.nan
    rare = min(chance, 1 - chance)
    scale = math.exp(math.lgamma((df + 1) / 2) - math.lgamma(df / 2)) / math.sqrt(math.pi * df)
    point, step = 1.0, 1.0
    while rare < 0.5 and abs(step) > 1e-9 * point:  # the next one would be its square
        tail = float(t_below(df, -point))
        step = math.log(tail / rare) * tail / scale * (1 + point**2 / df) ** ((df + 1) / 2)
        point = max(point + step, point / 4)
    return math.copysign(point, chance - 0.5) if rare < 0.5 else 0.0


def t_point(df, chance):
    """Point below which a t number falls with a chance; nan without degrees of freedom."""
    with np.errstate(invalid="ignore"):
        return np.vectorize(_t_point, otypes=[float])(df, chance)[()]


def t_reach(df, level):
    """Standard errors on either side of an estimate that hold it at a level."""
    return t_point(df, (1 + level) / 2)


def normal_below(z):
    """Chance that a normal number falls below z."""
    return _erfc(-np.asarray(z, float) / math.sqrt(2)) / 2
