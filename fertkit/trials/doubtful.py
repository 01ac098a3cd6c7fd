"""Strips that lie far from what blocks and treatments say of them, several at once if need be.

A bad strip pulls the mean of its treatment and of its block along, and two of them hide each other from a
look at single residuals. So sets of one, two, three ... strips are left out together, and the set that lowers
the residual sum of squares most is kept for each size. The largest size whose last strip still stands out
decides (the generalised extreme studentised deviate of Rosner 1983, Technometrics 25:165-172, for linear
models after Paul & Fung 1991, Technometrics 33:339-348, both from memory; here with the best set instead of
one strip after another). The error rate in clean trials is simulated in ``tests/trials/test_doubtful.py``.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fertkit.results import plain
from fertkit.rounding import ROUNDING
from fertkit.trials import linear

#: Probability below which the last strip of a set still stands out; at most this share of strips can.
ALPHA, SHARE = 0.01, 1 / 6
#: Sets carried on from one size to the next, strips looked at as pairs, and error df that must be left over.
BEAM, PAIRED, LEFT = 24, 120, 3


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

    Examples
    --------
    Four blocks of three treatments that add up exactly but for rounding; the sixth strip lost its grain:

    >>> from fertkit.trials import linear
    >>> from fertkit.trials.doubtful import doubtful_strips
    >>> import numpy as np
    >>> block, treatment = np.repeat(range(4), 3), np.tile(range(3), 4)
    >>> y = 50.0 + block + 3 * treatment + np.array([0.1, -0.1, 0, 0, 0.1, -0.1, -0.1, 0, 0.1, 0.1, -0.1, 0])
    >>> y[5] = 0
    >>> design = np.column_stack([np.ones(12), linear.dummies(block), linear.dummies(treatment)])
    >>> doubtful_strips(design, y).rows
    (5,)
    """
    y = np.asarray(y, dtype=float)
    fit = linear.fit(design, y)
    if fit.df - 1 < LEFT or not fit.residuals.any():
        return Doubtful()
    model = _Model.of(design, fit.residuals)
    floor = (ROUNDING * np.abs(y).max()) ** 2 + _step_of(
        y
    ) ** 2 / 12  # a rounded number errs by that variance
    before, best, first_p = fit.rss, None, np.nan
    for size, (sets, gains) in enumerate(_searched(model, _most(len(y), fit.df)), 1):
        left = max(fit.rss - gains[0], 0.0)
        p = _step(before, left, fit.df - size, len(y) - size + 1, floor)
        first_p = p if size == 1 else first_p
        if p < ALPHA:
            best = (p, sets, gains)
        before = left
    if best is None:
        return Doubtful(p=first_p)
    p, sets, gains = best
    sets = _alike(sets, gains, fit.rss, fit.df - sets.shape[1], 4 if smooth is None else 12)
    rival = None if smooth is None else _Model.of(smooth, linear.fit(smooth, y).residuals)
    chosen, undecided = _decided(sets, rival)
    rows, away = chosen, model.away(chosen)
    order = np.argsort(-np.abs(away), kind="stable")
    return Doubtful(
        tuple(int(rows[i]) for i in order), tuple(float(y[rows[i]] - away[i]) for i in order), p, undecided
    )


@dataclass(frozen=True)
class _Model:
    """Residuals e = M y of a linear model and its residual projector M."""

    maker: np.ndarray
    residuals: np.ndarray

    @classmethod
    def of(cls, design, residuals):
        left, values, _ = np.linalg.svd(design, full_matrices=False)
        left = left[:, values > values[0] * 1e-10]
        return cls(np.eye(len(design)) - left @ left.T, residuals)

    def gains(self, sets) -> np.ndarray:
        """How much the residual sum of squares falls without each set of strips [(k, size) -> (k,)].

        A set without which the model is no longer estimable gains nothing.
        """
        inner = self.maker[sets[:, :, None], sets[:, None, :]]
        away = self.residuals[sets]
        sound = np.abs(np.linalg.det(inner)) > 1e-8
        inner[~sound] = np.eye(sets.shape[1])
        gains = np.einsum("ki,ki->k", away, np.linalg.solve(inner, away[..., None])[..., 0])
        return np.where(sound, gains, -np.inf)

    def away(self, rows) -> np.ndarray:
        """Distance of strips from what the others expect of them."""
        inner = self.maker[np.ix_(rows, rows)]
        return np.linalg.lstsq(inner, self.residuals[rows], rcond=None)[0]


def _most(n, df) -> int:
    return int(max(1, min(max(2, n * SHARE), df - LEFT, 6)))


def _searched(model, most):
    """Best sets of one, two, ... strips with their gains, the best first."""
    n = len(model.residuals)
    room = np.diag(model.maker)
    alone = np.where(room > 1e-8, model.residuals**2 / np.maximum(room, 1e-8), -np.inf)
    order = np.argsort(-alone, kind="stable")
    yield order[:BEAM, None], alone[order[:BEAM]]
    if most < 2:
        return
    sets = np.array(list(combinations(np.sort(order[:PAIRED]), 2)))
    while True:
        gains = model.gains(sets)
        best = np.argsort(-gains, kind="stable")[:BEAM]
        sets = sets[best]
        yield sets, gains[best]
        if sets.shape[1] >= most:
            return
        wider = np.column_stack([np.repeat(sets, n, axis=0), np.tile(np.arange(n), len(sets))])
        new = ~(wider[:, :-1] == wider[:, -1:]).any(axis=1)
        sets = np.unique(np.sort(wider[new], axis=1), axis=0)


def _step_of(y) -> float:
    """Step to which yields were written down [yield unit]; 0 where they were not rounded to one."""
    steps = np.array([10, 5, 1, 0.5, 0.1, 0.05, 0.01, 0.001])
    counts = y[:, None] / steps
    even = (np.abs(counts - np.round(counts)) < 1e-6).all(axis=0)
    return float(steps[even].max(initial=0.0))


def _step(before, left, df, strips, floor) -> float:
    """Probability that the last strip of a set stands out as far by chance, over all strips.

    `floor` is the least variance the error can have.
    """
    from scipy.special import stdtr  # without the seconds scipy.stats takes to load

    ratio = np.sqrt(max(before - left, 0.0) / max(left / df, floor))
    return float(min(1.0, strips * 2 * stdtr(df, -ratio)))


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
    gains = rival.gains(sets)
    return sets[int(np.argmax(gains))], False


def smoother(levels, rest) -> np.ndarray | None:
    """Columns of a parabola in numbers beside other columns; None where fewer than four levels carry one."""
    x = np.asarray(levels, dtype=float)
    if len(np.unique(x)) < 4:
        return None
    x = (x - x.mean()) / np.ptp(x)
    return np.column_stack([rest, x, x**2])


def say_doubtful(found: Doubtful, names, yields) -> str:
    """Name doubtful strips with their yields and what the others suggest; empty where there are none.

    Parameters
    ----------
    found : Doubtful
    names : list of str
        Of all strips.
    yields : (n,) array
    """
    if not found.rows:
        return ""
    told = [
        f"{names[i]} ({plain(yields[i])} where {plain(other)} is expected)"
        for i, other in zip(found.rows, found.expected, strict=True)
    ]
    if found.undecided:
        return f"one or more of {', '.join(names[i] for i in found.rows)} lie far from the rest"
    together = f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else told[0]
    return f"{together} {'lies' if len(told) == 1 else 'lie'} far from the rest"
