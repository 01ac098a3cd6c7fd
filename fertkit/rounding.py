"""Comparison of computed numbers: what differs by rounding alone is the same, on every processor.

Processors sum in different orders, so the last digits of a mean, a fit or a converted unit are not the same
on all of them. A verdict, letter, label or status therefore compares computed numbers by these functions
alone. The one tolerance is a share of the magnitudes compared; a difference of two large numbers is judged
against those by `scale`. Single numbers give a plain bool, arrays an array.
"""

import math

import numpy as np

#: Share of the magnitudes that chains of sums, fits and conversions may lose: some 50,000 roundings.
ROUNDING = 1e-11


def same(a, b, scale=0.0):
    """Whether numbers differ by rounding alone; never where one is not a number.

    Parameters
    ----------
    a, b : float or array
    scale : float or array
        Magnitude of the numbers that a and b were computed from, if greater than their own [same unit].

    Examples
    --------
    >>> from fertkit.rounding import above, same
    >>> bool(same(0.1 + 0.2, 0.3)), above(0.1 + 0.2, 0.3)
    (True, False)
    """
    if _single(a, b, scale):
        a, b = float(a), float(b)
        return abs(a - b) <= _reach_of_one(a, b, scale) or a == b
    a, b = np.asarray(a, float), np.asarray(b, float)
    with np.errstate(invalid="ignore", over="ignore"):
        return _told((np.abs(a - b) <= _reach(a, b, scale)) | (a == b))


def above(a, b, scale=0.0):
    """Whether a exceeds b by more than rounding; parameters as in `same`."""
    if _single(a, b, scale):
        a, b = float(a), float(b)
        return a > b and not a - b <= _reach_of_one(a, b, scale)
    a, b = np.asarray(a, float), np.asarray(b, float)
    with np.errstate(invalid="ignore", over="ignore"):
        return _told((a > b) & ~(a - b <= _reach(a, b, scale)))


def below(a, b, scale=0.0):
    """Whether a falls short of b by more than rounding; parameters as in `same`."""
    return above(b, a, scale)


def at_least(a, b, scale=0.0):
    """Whether a exceeds b or differs from it by rounding alone; parameters as in `same`."""
    if _single(a, b, scale):
        return bool(a >= b) or same(a, b, scale)
    return _told((np.asarray(a, float) >= np.asarray(b, float)) | same(a, b, scale))


def at_most(a, b, scale=0.0):
    """Whether a falls short of b or differs from it by rounding alone; parameters as in `same`."""
    return at_least(b, a, scale)


def first_largest(values, axis=-1, scale=0.0):
    """Index of the first value that is the largest but for rounding, as `numpy.argmax` along an axis.

    Examples
    --------
    >>> from fertkit.rounding import first_largest
    >>> int(first_largest([0.3, 0.1 + 0.2, 0.2]))  # 0.1 + 0.2 is 0.30000000000000004
    0
    """
    values = np.asarray(values, float)
    return np.argmax(at_least(values, values.max(axis=axis, keepdims=True), scale), axis=axis)


def first_smallest(values, axis=-1, scale=0.0):
    """Index of the first value that is the smallest but for rounding, as `numpy.argmin` along an axis."""
    return first_largest(-np.asarray(values, float), axis, scale)


def levelled(values, scale=0.0) -> np.ndarray:
    """Values (n,) in which those that differ by rounding alone are equal, for ranking and sorting.

    Examples
    --------
    >>> from fertkit.rounding import levelled
    >>> levelled([0.1 + 0.2, 5.0, 0.3]).tolist()
    [0.3, 5.0, 0.3]
    """
    values = np.asarray(values, float)
    order = np.argsort(values, kind="stable")
    ranked = values[order]
    starts = np.ones(len(values), bool)
    starts[1:] = np.logical_not(same(ranked[1:], ranked[:-1], scale))
    out = np.empty_like(values)
    out[order] = ranked[starts][np.cumsum(starts) - 1]
    return out


def whole_times(total: float, part: float) -> int:
    """How many whole parts go into a total; one that falls short by rounding alone counts."""
    return int(np.floor(total / part * (1 + ROUNDING)))


def _reach(a, b, scale):
    size = np.maximum(np.maximum(np.abs(a), np.abs(b)), scale)
    return ROUNDING * np.where(np.isfinite(size), size, 0.0)


def _single(*values) -> bool:
    """Whether all are single numbers, for which arrays would only take time."""
    return all(isinstance(value, (float, int)) for value in values)


def _reach_of_one(a, b, scale):
    size = max(abs(a), abs(b), float(scale))
    return ROUNDING * size if math.isfinite(size) and scale == scale else 0.0


def _told(answer):
    return answer if np.ndim(answer) else bool(answer)
