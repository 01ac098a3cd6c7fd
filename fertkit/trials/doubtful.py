"""Strips that the others of a trial do not expect: found, and named in a sentence.

A bad strip pulls the mean of its treatment and of its block along, and two of them hide each other from a
look at single residuals. So sets of one, two, three ... strips are left out together, and the set that lowers
the residual sum of squares most is kept for each size. The largest size whose last strip still stands out
decides (the generalised extreme studentised deviate of Rosner 1983, Technometrics 25:165-172, for linear
models after Paul & Fung 1991, Technometrics 33:339-348, both from memory; here with the best set instead of
one strip after another). The error rate in clean trials is simulated in ``tests/trials/test_doubtful.py``.
"""

from dataclasses import dataclass

import numpy as np

from fertkit.laws import t_below
from fertkit.results import plain
from fertkit.rounding import ROUNDING
from fertkit.trials import linear

#: Probability below which the last strip of a set still stands out; at most this share of strips can.
ALPHA, SHARE = 0.01, 1 / 6
#: Sets carried on from one size to the next, strips looked at as pairs, and error df that must be left over.
BEAM, PAIRED, LEFT = 24, 120, 3
#: Determinant of a set's projector down to which the model is estimable without it.
SOUND = 1e-8
_CELLS = 1_000_000  # numbers in the largest work array of a search in many trials


@dataclass(frozen=True)
class Doubtful:
    """Strips that stand out.

    Attributes
    ----------
    rows : tuple of int
        Their places among the strips, the farthest first; empty where none stands out.
    expected : tuple of float
        Yield that the other strips suggest for each [yield unit].
    p : float
        Probability that the last of them lies so far by chance; of the farthest strip where none stands out,
        NaN where it could not be tested.
    undecided : bool
        Which of them are wrong cannot be told: leaving out some explains as much as leaving out others.
    """

    rows: tuple[int, ...] = ()
    expected: tuple[float, ...] = ()
    p: float = np.nan
    undecided: bool = False


def doubtful_strips(design, y, smooth=None) -> Doubtful:
    """Find the strips that a linear model of the others does not expect.

    Parameters
    ----------
    design : (n, p) array
        Blocks and treatments.
    y : (n,) array
        Yields [yield unit].
    smooth : (n, q) array, optional
        A smoother model of the same strips (blocks and a parabola in the rate). Where two sets explain the
        yields about alike, such as either half of the strips of one rate, it decides which half is wrong.
    """
    return doubtful_in_each(linear.span(design), np.asarray(y, dtype=float)[None], smooth)[0]


def doubtful_in_each(left, y, smooth=None) -> list[Doubtful]:
    """Find the doubtful strips of many trials of one design, as `doubtful_strips`.

    Parameters
    ----------
    left : (n, p) array
        Orthonormal columns that span the design.
    y : (T, n) array
    smooth : (n, q) array, optional
    """
    n, df = y.shape[1], y.shape[1] - left.shape[1]
    if df - 1 < LEFT:
        return [Doubtful()] * len(y)
    whole = _Model(_maker(left), linear.residuals_of(left, y))
    most = _most(n, df)
    step = max(1, _CELLS // (n * min(n, PAIRED) * most))
    searched = np.flatnonzero(whole.residuals.any(axis=1))
    found = [Doubtful()] * len(y)
    for rows in (searched[i : i + step] for i in range(0, len(searched), step)):
        model = whole.only(rows)
        rss = (model.residuals**2).sum(axis=1)
        sized = list(_searched(model, most))
        # a rounded number errs by that variance
        floor = (ROUNDING * np.abs(y[rows]).max(axis=1)) ** 2 + _step_of(y[rows]) ** 2 / 12
        left = np.maximum(rss - np.array([gains[:, 0] for _, gains in sized]), 0.0)
        out = np.arange(1, len(sized) + 1)[:, None]  # strips left out
        p = _step(np.concatenate([rss[None], left[:-1]]), left, df - out, n - out + 1, floor)
        for at, i in enumerate(rows):
            found[i] = _last_far(model.only([at]), (rss[at], df), y[i], p[:, at], sized, at, smooth)
    return found


def _last_far(model, error, y, p, sized, at, smooth) -> Doubtful:
    """The largest set whose last strip still stands out, of one trial."""
    sizes = [size for size, chance in enumerate(p) if chance < ALPHA]
    if not sizes:
        return Doubtful(p=float(p[0]))
    sets, gains = (part[at] for part in sized[sizes[-1]])
    rss, df = error
    sets = _alike(sets, gains, rss, df - sets.shape[1], 4 if smooth is None else 12)
    left = None if smooth is None else linear.span(smooth)
    rival = None if smooth is None else _Model(_maker(left), linear.residuals_of(left, y[None]))
    rows, undecided = _decided(sets, rival)
    away = model.away(rows)
    order = np.argsort(-np.abs(away), kind="stable")
    named = (tuple(kind(values[i]) for i in order) for kind, values in ((int, rows), (float, y[rows] - away)))
    return Doubtful(*named, float(p[sizes[-1]]), undecided)


def _maker(left) -> np.ndarray:
    """Projector M of a linear model, told by orthonormal columns, that leaves the residuals e = M y."""
    return np.eye(len(left)) - left @ left.T


@dataclass(frozen=True)
class _Model:
    """Residuals e = M y (T, n) of trials of one linear model, and its residual projector M."""

    maker: np.ndarray
    residuals: np.ndarray

    def only(self, trials) -> "_Model":
        return _Model(self.maker, self.residuals[trials])

    def gains(self, sets) -> np.ndarray:
        """How much the residual sum of squares falls without each set of strips [(T, k, size) -> (T, k)].

        A set without which the model is no longer estimable gains nothing.
        """
        away, inner, sound = self._inner(sets)
        gains = np.einsum("ki,ki->k", away, np.linalg.solve(inner, away[..., None])[..., 0])
        return np.where(np.abs(sound) > SOUND, gains, -np.inf).reshape(sets.shape[:2])

    def _inner(self, sets):
        """Residuals and projector of the strips of each set, and its determinant; the unit matrix at none."""
        away = self.residuals[_each(sets)[..., None], sets].reshape(-1, sets.shape[-1])
        sets = sets.reshape(-1, sets.shape[-1])
        inner = self.maker[sets[:, :, None], sets[:, None, :]]
        size = np.linalg.det(inner)
        inner[np.abs(size) <= SOUND] = np.eye(sets.shape[1])
        return away, inner, size

    def widened(self, sets, strips) -> np.ndarray:
        """The `gains` of each set with one more of some strips [(T, k, size), (T, s) -> (T, k, s)].

        What the set leaves of the other residuals, and of their projector, is reckoned once a set.
        """
        away, inner, size = self._inner(sets)
        rest = np.repeat(self.residuals[_each(strips), strips], sets.shape[1], axis=0)
        strips = np.repeat(strips, sets.shape[1], axis=0)
        across = self.maker[sets.reshape(-1, sets.shape[-1], 1), strips[:, None]]
        right = np.concatenate([away[..., None], across], axis=-1)
        solved = np.linalg.solve(inner, right)
        known = np.einsum("ki,kij->kj", away, solved)
        room = self.maker[strips, strips] - np.einsum("kij,kij->kj", across, solved[..., 1:])
        sound = np.abs(size[:, None] * room) > SOUND
        gains = known[:, :1] + (rest - known[:, 1:]) ** 2 / np.where(sound, room, 1.0)
        return np.where(sound, gains, -np.inf).reshape(*sets.shape[:2], -1)

    def away(self, rows) -> np.ndarray:
        """Distance of strips of the first trial from what the others expect of them."""
        inner = self.maker[np.ix_(rows, rows)]
        return np.linalg.lstsq(inner, self.residuals[0, rows], rcond=None)[0]


def _most(n, df) -> int:
    return int(max(1, min(max(2, n * SHARE), df - LEFT, 6)))


def _searched(model, most):
    """Best sets (T, k, size) of one, two, ... strips with their gains (T, k), the best first."""
    trials, n = model.residuals.shape
    room = np.diag(model.maker)
    alone = np.where(room > 1e-8, model.residuals**2 / np.maximum(room, 1e-8), -np.inf)
    order = np.argsort(-alone, axis=-1, kind="stable")
    yield order[:, :BEAM, None], alone[_each(order), order[:, :BEAM]]
    strips = np.sort(order[:, :PAIRED], axis=-1)
    sets = strips[..., None]
    for wide in range(2, most + 1):
        gains = model.widened(sets, strips)
        free = ~(sets[..., None] == strips[:, None, None]).any(axis=2)
        own, other = (v.reshape(trials, -1) for v in np.nonzero(free)[1:])
        gains = gains[free].reshape(trials, -1)
        # as often a set may come up, from as many narrower ones
        best = np.argsort(-gains, axis=-1, kind="stable")[:, : BEAM * wide]
        each = _each(best)
        own, other, gains = (v[each, best] for v in (own, other, gains))
        wider = np.concatenate([sets[each, own], strips[each, other][..., None]], axis=-1)
        sets, gains = _once_each(np.sort(wider, axis=-1), gains)
        strips = np.broadcast_to(np.arange(n), (trials, n))
        yield sets, gains


def _once_each(sets, gains):
    """The best sets of each trial, those that come up again left out: as many in every trial."""
    order = np.lexsort(np.moveaxis(sets, -1, 0)[::-1], axis=-1)
    each = _each(order)
    sets, gains = sets[each, order], gains[each, order]
    again = np.zeros(gains.shape, bool)
    again[:, 1:] = (sets[:, 1:] == sets[:, :-1]).all(axis=-1)
    best = np.lexsort((-gains, again), axis=-1)[:, : min(BEAM, (~again).sum(axis=-1).min())]
    return sets[each, best], gains[each, best]


def _each(places) -> np.ndarray:
    """Numbers (T, 1) of the trials, that places (T, ...) may be looked up in each."""
    return np.arange(len(places))[:, None]


def _step_of(y) -> np.ndarray:
    """Steps to which yields (T, n) were written down [yield unit]; 0 where they were not rounded to one."""
    steps = np.array([10, 5, 1, 0.5, 0.1, 0.05, 0.01, 0.001])
    counts = y[..., None] / steps
    even = (np.abs(counts - np.round(counts)) < 1e-6).all(axis=-2)
    return np.where(even, steps, 0.0).max(axis=-1)


def _step(before, left, df, strips, floor) -> np.ndarray:
    """Probability that the last strip of a set stands out as far by chance, over all strips.

    `floor` is the least variance the error can have.
    """
    ratio = np.sqrt(np.maximum(before - left, 0.0) / np.maximum(left / df, floor))
    return np.minimum(1.0, strips * 2 * t_below(df, -ratio))


def _alike(sets, gains, rss, df, reach) -> np.ndarray:
    """Sets that explain the yields as well as the best but for the noise, a few times the error variance."""
    left = rss - gains
    noise = reach * max(left[0], 0.0) / df + 1e-9 * rss
    return sets[left <= left[0] + noise]


def _decided(sets, rival) -> tuple[np.ndarray, bool]:
    """The set to name; all strips of rival sets where nothing decides between them."""
    if len(sets) == 1:
        return sets[0], False
    if rival is None:
        return np.unique(sets), True
    gains = rival.gains(sets[None])[0]
    return sets[int(np.argmax(gains))], False


def smoother(levels, rest) -> np.ndarray | None:
    """Columns of a parabola in numbers beside other columns; None where fewer than four levels carry one."""
    x = np.asarray(levels, dtype=float)
    if len(np.unique(x)) < 4:
        return None
    x = (x - x.mean()) / np.ptp(x)
    return np.column_stack([rest, x, x**2])


def say_doubtful(doubtful: Doubtful, names, yields) -> str:
    """Name doubtful strips with their yields and what the others suggest; empty where there are none.

    Parameters
    ----------
    doubtful : Doubtful
    names : list of str
        Of all strips.
    yields : (n,) array
    """
    if not doubtful.rows:
        return ""
    phrases = [
        f"{names[i]} ({plain(yields[i])} where {plain(other)} is expected)"
        for i, other in zip(doubtful.rows, doubtful.expected, strict=True)
    ]
    if doubtful.undecided:
        return f"one or more of {', '.join(names[i] for i in doubtful.rows)} lie far from the rest"
    together = f"{', '.join(phrases[:-1])} and {phrases[-1]}" if len(phrases) > 1 else phrases[0]
    return f"{together} {'lies' if len(phrases) == 1 else 'lie'} far from the rest"
