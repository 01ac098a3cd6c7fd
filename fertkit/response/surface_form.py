"""The polynomial that a surface is in its nutrients' t, and where in a box it is greatest."""

from dataclasses import dataclass
from itertools import product

import numpy as np

from fertkit.results import ByContent
from fertkit.rounding import at_least, same

MOST = 3  # nutrients of one surface
#: Condition number of a matrix that no slope can be solved with; t beyond which no best is looked for.
_FLAT, _FAR = 1e12, 10.0


@dataclass(frozen=True)
class Form(ByContent):
    """A polynomial of t: ``level + b't + t'Ct + e t1 t2 t3``."""

    level: float
    b: np.ndarray
    c: np.ndarray
    e: float = 0.0

    def in_units(self, unit) -> "Form":
        """The same of t counted in other units [(k,)]."""
        b, c, e = self.b * unit, self.c * np.outer(unit, unit), self.e * float(np.prod(unit))
        return Form(self.level, b, c, 0.0 if same(e, 0, scale=np.abs(c).max()) else e)

    def at(self, i: int, t: float) -> "Form":
        """The polynomial of the others where one t is given."""
        rest = np.delete(np.arange(len(self.b)), i)
        c = self.c[np.ix_(rest, rest)]
        if self.e:
            c = c + self.e / 2 * t * (1 - np.eye(2))
        level = self.level + self.b[i] * t + self.c[i, i] * t * t
        return Form(level, self.b[rest] + 2 * self.c[i, rest] * t, c)

    def value(self, t):
        t = np.asarray(t, float)
        triple = self.e * np.prod(t, axis=-1) if self.e else 0.0
        return self.level + t @ self.b + np.einsum("...i,ij,...j", t, self.c, t) + triple

    def gradient(self, t):
        t = np.asarray(t, float)
        return self.b + 2 * t @ self.c + (self.e * np.prod(_others(t), axis=-1) if self.e else 0.0)

    def half_hessian(self, t):
        """Second-order coefficients at t, those of the quadratic form that the surface is there."""
        if not self.e:
            return self.c
        return self.c + self.e / 2 * (np.ones((MOST, MOST)) - np.eye(MOST)) * _third(t)


def _others(t):
    """The two other values beside each of three [(..., 3, 2)]."""
    return np.stack([np.stack([t[..., 1], t[..., 2]], -1), np.stack([t[..., 0], t[..., 2]], -1),
                     np.stack([t[..., 0], t[..., 1]], -1)], -2)  # fmt: skip


def _third(t):
    """Matrix whose entry i, j is the value of the nutrient that is neither [(3, 3)]."""
    i = np.arange(MOST)
    return t[(MOST - i[:, None] - i[None, :]) % MOST]


def best_in_box(form: Form, low, high) -> np.ndarray:
    """The t of the box low to high where a polynomial is greatest; of equals the one of the lowest rates.

    Every face of the box is asked for its stationary points, from the inside to the corners, so that the
    greatest of them is the maximum, whatever the shape of the surface.
    """
    unit = np.asarray(high, float)
    low, high = low / unit, np.ones_like(unit)
    form = form.in_units(unit)
    points = []
    for face in product((0, -1, 1), repeat=len(low)):
        face = np.array(face)
        start = np.where(face < 0, low, np.where(face > 0, high, np.nan))
        for t in _stationary(form, face == 0, start):
            span = high - low
            inside = at_least(t, low, scale=span) & at_least(high, t, scale=span)
            points += [np.clip(t, low, high)] if inside.all() else []
    points = np.array(points)
    value = form.value(points)
    best = np.flatnonzero(at_least(value, value.max(), scale=np.abs(value).max()))
    return unit * points[best[np.argmin(points[best].sum(axis=1))]]


def _stationary(form, free, t):
    """Points of a face, some t free and the others at bounds, where the polynomial has no slope along it."""
    free_at = np.flatnonzero(free)
    if not len(free_at):
        return [t]
    if len(free_at) == MOST and form.e:
        return _stationary_of_three(form)
    bound = np.flatnonzero(~free)
    b = form.b[free_at] + 2 * form.c[np.ix_(free_at, bound)] @ t[bound]
    c = form.c[np.ix_(free_at, free_at)].copy()
    if form.e and len(free_at) == 2:
        c += form.e / 2 * t[bound[0]] * (1 - np.eye(2))
    elif form.e and len(free_at) == 1:
        b = b + form.e * np.prod(t[bound])
    return [_filled(t, free_at, np.linalg.solve(-2 * c, b))] if np.linalg.cond(c) < _FLAT else []


def _filled(t, at, values):
    t = t.copy()
    t[at] = values
    return t


def _stationary_of_three(form):
    """All stationary points where the product of three counts: roots of a polynomial in the third t."""
    from numpy.polynomial import Polynomial

    s, c, b, e = Polynomial([0, 1]), form.c, form.b, form.e
    cross, b1, b2 = 2 * c[0, 1] + e * s, b[0] + 2 * c[0, 2] * s, b[1] + 2 * c[1, 2] * s
    det = 4 * c[0, 0] * c[1, 1] - cross * cross
    n1, n2 = cross * b2 - 2 * c[1, 1] * b1, cross * b1 - 2 * c[0, 0] * b2
    slope = (b[2] + 2 * c[2, 2] * s) * det * det + (2 * c[0, 2] * n1 + 2 * c[1, 2] * n2) * det + e * n1 * n2
    points = []
    for root in slope.trim(0).roots():
        third, real = float(root.real), same(root.imag, 0, scale=1e4 * abs(root))
        if not real or abs(third) > _FAR or same(det(third), 0):
            continue
        t = np.array([n1(third), n2(third), det(third) * third]) / det(third)
        for _ in range(3):  # to the last digit
            if np.abs(t).max() > _FAR or np.linalg.cond(form.half_hessian(t)) > _FLAT:
                break
            t = t - np.linalg.solve(2 * form.half_hessian(t), form.gradient(t))
        points.append(t)
    return points
