"""Which rates of several nutrients may be the best by the data, and the cheapest way to a yield.

A surface is linear in its parameters, so the hypothesis that given rates are the best is one of slopes that
equal the prices, which an F test answers exactly; the rates it does not reject are the joint region (the same
inversion that gives a curve its exact interval). On an edge of the tested rates a slope may point outwards.
The interval of one nutrient's rate takes the best of the other rates for each of its own, as a profile does.
On a saddle level slopes do not tell the best from the worst: there, rates are left out too if they surely
return less than the best by Scheffé's test of all differences.

References
----------
Box & Hunter (1954) Biometrika 41:190-199, the joint region of a stationary point; Bisgaard & Ankenman (1996)
Technometrics 38:238-246, errors of eigenvalues.
"""

from functools import partial
from itertools import chain, combinations, product
from typing import NamedTuple

import numpy as np

#: Points of a grid by how many numbers are searched; rounds of closing in; steps of a profile and its ends.
_GRID, _ROUNDS, _SCAN, _PASSES = {0: 1, 1: 41, 2: 11}, 24, 25, {2: 5, 3: 3}


class Question(NamedTuple):
    """Which rates are the best of a surface at some prices.

    Attributes
    ----------
    fit : SurfaceFit
    ratios : array (k,)
        Price ratios [yield unit per rate unit].
    best : array (k,), optional
        The t to compare others with, where level slopes alone do not tell the best.
    limit : float
        Square of the difference over its error up to which others may be as good as that.
    """

    fit: object
    ratios: np.ndarray
    best: np.ndarray | None = None
    limit: float = np.inf


def misfit(question, t, face) -> np.ndarray:
    """Rise of the residual sum of squares, per error variance, if the best rates were at t.

    Parameters
    ----------
    question : Question
    t : array (..., k)
    face : array (k,) of int
        -1 and 1 where t is at the lowest and the highest rate tested, else 0.
    """
    fit, form = question.fit, question.fit.net_form(question.ratios)
    slope = form.gradient(t)
    rows = _slope_rows(fit.exponents, t)
    spread = rows @ fit.spread[1:, 1:] @ np.swapaxes(rows, -1, -2) * fit.variance
    least = np.full(slope.shape[:-1], np.inf)
    bound = np.flatnonzero(face)
    for free in chain.from_iterable(combinations(bound, n) for n in range(len(bound) + 1)):
        kept = [i for i in range(len(face)) if i not in free]
        free = list(free)
        pull = _solved(spread[..., kept, :][..., :, kept], slope[..., kept])
        value = (slope[..., kept] * pull).sum(axis=-1)
        outward = slope[..., free] - (spread[..., free, :][..., :, kept] @ pull[..., None])[..., 0]
        good = (outward * face[free] >= 0).all(axis=-1)
        least = np.where(good, np.minimum(least, value), least)
    return least if question.best is None else np.where(_beaten(question, form, t), np.inf, least)


def _beaten(question, form, t):
    """Whether the best t surely returns more than others."""
    fit = question.fit
    less = form.value(question.best) - form.value(t)
    rows = np.prod(question.best**fit.exponents, axis=-1) - np.prod(t[..., None, :] ** fit.exponents, axis=-1)
    error = np.einsum("...i,ij,...j", rows, fit.spread[1:, 1:], rows) * fit.variance
    return (less > 0) & (less**2 > question.limit * error)


def _slope_rows(exponents, t):
    """Derivatives of the terms along each t [(..., k, m)]."""
    own = np.eye(t.shape[-1], dtype=int)
    lowered = np.maximum(exponents[None] - own[:, None], 0)
    return exponents.T * np.prod(t[..., None, None, :] ** lowered, axis=-1)


def _solved(matrix, right):
    if not right.shape[-1]:
        return right
    return np.linalg.solve(matrix, right[..., None])[..., 0]


def least_in_box(function, low, high, n: int):
    """Where n functions of d numbers are least in a box: a grid, then parabolas through points that close in.

    Parameters
    ----------
    function : callable
        Points (n, m, d) -> values (n, m); inf where there is none.
    low, high : array (d,)

    Returns
    -------
    value : array (n,)
    point : array (n, d)
    """
    d, span = len(low), high - low
    grid = np.array(list(product(np.linspace(0, 1, _GRID[d]), repeat=d))).reshape(_GRID[d] ** d, d)
    best, value = _least(function, np.broadcast_to(low + grid * span, (n, *grid.shape)))
    stencil = np.array(list(product((-1, 0, 1), repeat=d)))
    pairs = [(i, j) for i in range(d) for j in range(i, d)]
    terms = [np.ones(len(stencil)), *stencil.T, *(stencil[:, i] * stencil[:, j] for i, j in pairs)]
    fitting = np.linalg.pinv(np.column_stack(terms))
    width = np.broadcast_to(span / max(_GRID[d] - 1, 1), (n, d))
    for _ in range(_ROUNDS * (d > 0)):
        centre = np.clip(best, low + width, high - width)
        points = centre[:, None] + stencil * width[:, None]
        values = function(points)
        step = _to_the_foot(np.where(np.isfinite(values), values, np.nan) @ fitting.T, d, pairs)
        foot = np.clip(centre + step * width, low, high)[:, None]
        points = np.concatenate([best[:, None], points, foot], axis=1)
        values = np.column_stack([value, values, function(foot)])
        at = np.arange(n), values.argmin(axis=1)
        moved = (np.abs(points[at] - best) > 0.5 * width).any(axis=1)
        best, value = points[at], values[at]
        # Also after a short step: towards an edge in the function the foot creeps.
        width = width * np.where(moved, 1.0, 0.35)[:, None]
    return value, best


def _least(function, points):
    values = function(points)
    at = np.arange(len(points)), values.argmin(axis=1)
    return points[at], values[at]


def _to_the_foot(coefs, d, pairs):
    """Step to where parabolas are least, no further than three points away; none where they have no foot."""
    bend = np.zeros((len(coefs), d, d))
    for (i, j), value in zip(pairs, coefs[:, 1 + d :].T, strict=True):
        bend[:, i, j] += value
        bend[:, j, i] += value
    good = np.isfinite(coefs).all(axis=1)
    good[good] = (np.linalg.eigvalsh(bend[good]) > 0).all(axis=1)
    step = np.zeros((len(coefs), d))
    step[good] = -_solved(bend[good], coefs[good, 1 : 1 + d])
    return np.clip(step, -3, 3)


def profile(question, nutrient: int, t, low, high) -> np.ndarray:
    """Least `misfit` over the other rates for each t of one nutrient [(n,)]; low and high bound the t."""
    t, k = np.asarray(t, float), len(low)
    least = np.full(len(t), np.inf)
    own = np.where(t <= low[nutrient], -1, np.where(t >= high[nutrient], 1, 0))
    for others in product((0, -1, 1), repeat=k - 1):
        for side in set(own):
            face = np.insert(np.array(others), nutrient, side)
            rows, free = own == side, [i for i in range(k) if i != nutrient and not face[i]]
            function = partial(_misfit_on_face, question, face, free, nutrient, t[rows], low, high)
            value, _ = least_in_box(function, low[free], high[free], int(rows.sum()))
            least[rows] = np.minimum(least[rows], value)
    return least


def _misfit_on_face(question, face, free, nutrient, chosen, low, high, points):
    """`misfit` at points (n, m, d) of the free t, the others at their bounds and one t as chosen (n,)."""
    t = np.broadcast_to(np.where(face < 0, low, high), (*points.shape[:2], len(low))).copy()
    t[..., nutrient] = chosen[:, None]
    t[..., free] = points
    return misfit(question, t, face)


def ends_of(question, nutrient: int, best: float, low, high, limits) -> list[tuple[float, float]]:
    """Ends of one nutrient's t whose profile stays below each of some limits; the best t is always within."""
    grid = np.unique(np.r_[np.linspace(low[nutrient], high[nutrient], _SCAN), best])
    values = np.where(grid == best, 0.0, profile(question, nutrient, grid, low, high))
    sides, until = [], np.repeat(np.asarray(limits, float), 2)[:, None]
    for limit in limits:
        inside = np.flatnonzero(values <= limit)
        sides.append(grid[[inside[0], max(inside[0] - 1, 0)]])
        sides.append(grid[[inside[-1], min(inside[-1] + 1, len(grid) - 1)]])
    for _ in range(_PASSES[len(low)]):  # from the last t within to the first beyond
        paths = np.linspace(*np.transpose(sides), 9, axis=1)
        good = profile(question, nutrient, paths.ravel(), low, high).reshape(paths.shape) <= until
        good[:, 0] = True
        last = np.where(good.all(axis=1), 8, good.argmin(axis=1) - 1)
        rows = np.arange(len(paths))
        sides = np.column_stack([paths[rows, last], paths[rows, np.minimum(last + 1, 8)]])
    ends = np.asarray(sides)[:, 0].reshape(-1, 2)
    return [tuple(map(float, pair)) for pair in ends]


def cheapest(fit, ratios, yields, low, high):
    """Rates that reach each yield at the least cost: t (n, k), nan where no tested rates do.

    The t of all nutrients but the last are searched; the last is the least that makes up for them.
    """
    form, yields = fit.form, np.asarray(yields, float)
    last = len(low) - 1
    power = 1 / fit.powers

    def whole(points):
        return np.concatenate(
            [points, least_last(form, points, yields, low[last], high[last])[..., None]], axis=-1
        )

    def cost(points):
        value = (whole(points) ** power) @ np.asarray(ratios, float)
        return np.where(np.isnan(value), np.inf, value)

    value, best = least_in_box(cost, low[:last], high[:last], len(yields))
    t = whole(best[:, None])[:, 0]
    return np.where(np.isfinite(value)[:, None], t, np.nan)


def least_last(form, points, yields, low, high):
    """The least t of the last nutrient with which points (n, m, k - 1) yield (n,); nan where none does."""
    zero = np.concatenate([points, np.zeros((*points.shape[:-1], 1))], axis=-1)
    a, b = form.c[-1, -1], form.gradient(zero)[..., -1]
    c = form.value(zero) - yields[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(b * b - 4 * a * c)
        q = -(b + np.where(b < 0, -1, 1) * root) / 2
        both = np.sort(np.stack([q / a if a else np.full_like(q, np.nan), c / q]), axis=0)
        both = np.where((both >= low) & (both <= high), both, np.nan)
    first = np.where(np.isnan(both[0]), both[1], both[0])
    return np.where((a * low + b) * low + c >= 0, low, first)
