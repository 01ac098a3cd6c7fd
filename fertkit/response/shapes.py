"""Plateau and saturating curves written as ``y = a + b * rise(x; bend)`` with one shape parameter.

``rise`` starts at 0 with slope 1 at the lowest rate (at rate 0 for the spherical curve); ``bend`` is one
over the curve's scale: 1/(join - lowest rate), the rate constant k, or 1/range. ``bend = 0`` is the straight
line. For a given bend the curve is linear in (a, b), which is what makes an exact search possible.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

# Bend times the first gap between rates (or the range of rates) at the ends of the Mitscherlich search:
# beyond the first the curve is a step to double precision, below the second it is a straight line.
STEP_END, LINE_END = 40.0, 1e-6
STEP = 9.2  # ln(1e4): beyond it, 99.99 % of a Mitscherlich rise is made by the first rate
#: Grid nodes between two tested rates, as shares of the gap.
WITHIN = np.concatenate([[1e-9], (np.arange(1, 5) / 5) ** 1.5, [1 - 1e-9]])


@dataclass(frozen=True)
class Shape:
    """One family ``a + b * rise(x; bend)``; all functions broadcast.

    Attributes
    ----------
    rise : callable (x, bend)
        Rise of the curve.
    jet : callable (x, coord)
        Rise with its first and second derivative by ``coord``, the coordinate of bend that suits the search.
    coord, uncoord : callable
        Bend to coordinate and back, both increasing.
    height : callable (bend)
        Rise at the plateau or asymptote (inf for a straight line).
    reach : callable (share, bend)
        Rate at which the slope has fallen to `share` (0..1) of the slope at the start.
    publish : callable (a, b, bend, start)
        Published parameters, last axis p.
    grid : callable (rates)
        Bends (D, K), descending, that cover the family for rates (D, m) measured from `start`.
    shifted : bool
        Whether rates are measured from the lowest rate.
    """

    rise: Callable
    jet: Callable
    coord: Callable
    uncoord: Callable
    height: Callable
    reach: Callable
    publish: Callable
    grid: Callable
    shifted: bool = True


def _join_grid(rates, tail):
    """Bends from the first rate above the lowest to the top rate, and `tail` over the top rate beyond it.

    Between two rates the nodes crowd towards the lower, and both sides of each rate have one of their own,
    since RSS bends there. Up to the first of these rates all joins fit alike, so RSS starts out flat there;
    two nodes close behind it show which way RSS then turns.
    """
    low, gap = rates[:, 1:-1], np.diff(rates[:, 1:], axis=1)
    joins = (low[..., None] + gap[..., None] * WITHIN).reshape(len(rates), -1)
    close = low[:, :1] + gap[:, :1] * [1e-4, 1e-2] if low.shape[1] else low
    bends = [1.0 / rates[:, 1:2], 1.0 / close, 1.0 / joins[:, 1:], tail / rates[:, -1:]]
    return np.concatenate(bends, axis=1)


def _mitscherlich_grid(rates):
    """Bends from a step at the first rate to a straight line, evenly spaced in logarithm."""
    top = rates[:, -1]
    gaps = np.diff(rates, axis=1)
    first = np.min(np.where(gaps > 0, gaps, np.inf), axis=1)
    start, end = np.log(STEP_END / first), np.log(0.01 / top)
    middle = np.exp(start[:, None] + (end - start)[:, None] * np.linspace(0, 1, 36))
    tail = np.array([1e-3, 1e-4, 1e-5, LINE_END]) / top[:, None]
    return np.concatenate([middle, tail], axis=1)


def _lp_rise(x, bend):
    with np.errstate(divide="ignore"):
        return np.minimum(x, 1.0 / bend)


def _lp_jet(x, bend):
    """By the bend itself."""
    with np.errstate(divide="ignore", invalid="ignore"):
        join = 1.0 / bend
        bent = x < join
        return np.minimum(x, join), np.where(bent, 0.0, -(join**2)), np.where(bent, 0.0, 2 * join**3)


def _lp_publish(a, b, bend, start):
    return np.stack(np.broadcast_arrays(a - b * start, b, start + 1.0 / bend), axis=-1)


def _qp_rise(x, bend):
    with np.errstate(divide="ignore"):
        x = np.minimum(x, 1.0 / bend)
    return x * (1 - 0.5 * x * bend)


def _qp_jet(x, bend):
    """By the bend itself."""
    with np.errstate(divide="ignore", invalid="ignore"):
        join = 1.0 / bend
        bent, x = x < join, np.minimum(x, join)
        return x * (1 - 0.5 * x * bend), -0.5 * x * x, np.where(bent, 0.0, join**3)


def _qp_publish(a, b, bend, start):
    c = -0.5 * b * bend
    return np.stack(np.broadcast_arrays(a - start * (b - c * start), b - 2 * c * start, c), axis=-1)


def _mit_rise(x, bend):
    return -np.expm1(-bend * x) / bend


def _mit_jet(x, log_bend):
    """By the logarithm of the bend."""
    bend = np.exp(log_bend)
    fall = np.expm1(-bend * x)
    rise, tail = -fall / bend, x * (1.0 + fall)
    first = tail - rise
    return rise, first, -bend * x * tail - first


def _mit_publish(a, b, bend, start):
    rise = b / bend
    with np.errstate(over="ignore"):
        return np.stack(np.broadcast_arrays(a + rise, rise * np.exp(bend * start), bend), axis=-1)


def _sph_rise(x, bend):
    x = np.minimum(x, 1.0 / bend)
    return x * (1 - (x * bend) ** 2 / 3)


def _sph_jet(x, squared):
    """By the square of the bend."""
    reach = squared**-0.5
    bent, x = x < reach, np.minimum(x, reach)
    cube = x**3 / 3
    return x - squared * cube, -cube, np.where(bent, 0.0, 0.5 * reach**5)


def _sph_publish(a, b, bend, start):
    return np.stack(np.broadcast_arrays(a, b / (1.5 * bend), 1.0 / bend), axis=-1)


def _over(numerator):
    """Height of a rise that levels off at ``numerator / bend``."""

    def height(bend):
        with np.errstate(divide="ignore"):
            return numerator / bend

    return height


def _reach(function):
    def reach(share, bend):
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(share >= 1, 0.0, function(np.clip(share, 0, 1)) / bend)

    return reach


SHAPES: dict[str, Shape] = {
    "linear_plateau": Shape(
        _lp_rise, _lp_jet, np.positive, np.positive, _over(1.0), _reach(np.ones_like), _lp_publish,
        lambda rates: _join_grid(rates, np.ones(1)),
    ),
    "quadratic_plateau": Shape(
        _qp_rise, _qp_jet, np.positive, np.positive, _over(0.5), _reach(lambda s: 1 - s), _qp_publish,
        lambda rates: _join_grid(rates, np.append(1 - WITHIN[:-1], 0.0)),
    ),
    "mitscherlich": Shape(
        _mit_rise, _mit_jet, np.log, np.exp, _over(1.0), _reach(lambda s: -np.log(s)), _mit_publish,
        _mitscherlich_grid,
    ),
    "spherical": Shape(
        _sph_rise, _sph_jet, np.square, np.sqrt, _over(2 / 3), _reach(lambda s: np.sqrt(1 - s)), _sph_publish,
        lambda rates: _join_grid(rates, np.append(1 - WITHIN[:-1], LINE_END)), shifted=False,
    ),
}  # fmt: skip


def limits(curve: str, bend, rates):
    """Whether shapes have run into a limit of their family; arrays (D, R).

    Parameters
    ----------
    curve : str
    bend : array (D, R)
    rates : array (D, m)

    Returns
    -------
    step, line, beyond : array of bool
        All of the rise is made by the first rate above the lowest; the curve is a straight line over the
        tested rates; the join lies beyond the top rate.
    """
    start = rates[:, :1] if SHAPES[curve].shifted else 0.0 * rates[:, :1]
    first, top = rates[:, 1:2] - start, rates[:, -1:] - start
    if curve == "mitscherlich":
        return bend * first > STEP, bend * top < 1e-3, np.zeros(np.shape(bend), bool)
    near = 1 + 1e-12
    line = bend * top <= (near if curve == "linear_plateau" else 1e-4)
    return bend * first * near >= 1, line, bend * top * near < 1
