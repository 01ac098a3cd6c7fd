"""Exact least-squares fits of one curve to any number of trials and replicates at once.

Separable least squares: for a given shape the best level and slope are known in closed form, so the residual
sum of squares is a function of the shape alone. It is searched over every interval between tested rates
(closed form for the linear-plateau, bracketed roots of the derivative for the others) and compared with
the knots, so the answer is the global minimum and needs no starting value (Lerman 1980, Applied
Statistics 29:77-84, with exact solutions in place of the grid).
"""

from dataclasses import dataclass

import numpy as np

from fertkit.asked import asks, holding
from fertkit.response.curves import get_curve
from fertkit.response.search import search
from fertkit.response.shapes import SHAPES
from fertkit.response.sums import Sums, quadratic_form
from fertkit.results import ByContent

CHUNK = 2_000_000  # numbers in the largest work array


@dataclass(frozen=True)
class Fits(ByContent):
    """Fits of one curve: arrays over designs D and replicates R.

    Attributes
    ----------
    params : array (D, R, p)
        Published parameters.
    rss : array (D, R)
        Residual sum of squares [yield unit squared].
    level, slope, bend : array (D, R)
        Internal form ``level + slope * rise(x - start; bend)`` for curves with a shape (nan otherwise).
    """

    params: np.ndarray
    rss: np.ndarray
    level: np.ndarray
    slope: np.ndarray
    bend: np.ndarray

    def replicates(self, rows) -> "Fits":
        """The replicates of a slice or an index."""
        return Fits(*(getattr(self, f)[:, rows] for f in self.__dataclass_fields__))


@asks(sums=holding("means", "spread", "pure_ss", like="the sums of a trial: read_trial_data(trial).sums"))
def fit_sums(curve: str, sums: Sums) -> Fits:
    """Fit one curve to every design and replicate of `sums`.

    Parameters
    ----------
    curve : str
        Key of `CURVES`.
    sums : Sums

    Returns
    -------
    Fits
        Global least-squares fits. Work is chunked, so memory stays bounded whatever the number of trials.

    Examples
    --------
    >>> from fertkit.response import fit_sums
    >>> from fertkit.response import read_trial_data
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> fit_sums("linear_plateau", read_trial_data(trial).sums).params.round(3).ravel().tolist()
    [48.0, 0.1, 90.0]
    """
    get_curve(curve)
    fit = _fit_shape if curve in SHAPES else _fit_basis
    designs, reps, m = sums.means.shape
    cells = 40 + 25 * m
    if designs * reps * cells <= CHUNK:
        return fit(curve, sums)
    if designs > 1:
        step = max(1, CHUNK // (reps * cells))
        parts = [fit_sums(curve, sums.take(slice(i, i + step))) for i in range(0, designs, step)]
        return _join(parts, axis=0)
    step = max(1, CHUNK // cells)
    return _join([fit(curve, sums.replicates(slice(i, i + step))) for i in range(0, reps, step)], axis=1)


def _join(parts, axis):
    return Fits(
        *(np.concatenate([getattr(p, f) for p in parts], axis=axis) for f in Fits.__dataclass_fields__)
    )


# Curves linear in their parameters -------------------------------------------------------------------


def basis(curve: str, rates, at=None):
    """Columns beside the intercept, (D, m, p - 1), with the map back to published parameters.

    Scaled by the tested `rates` (D, m); the columns are those of the rates `at` (D, k), if given.

    Returns
    -------
    columns : array (D, m, q)
    back : array (D, q + 1, q + 1)
        Published parameters = back @ (intercept, coefficients).
    """
    designs = len(rates)
    start, span = rates[:, 0], rates[:, -1] - rates[:, 0]
    span = np.where(span > 0, span, 1.0)
    at = rates if at is None else at
    u = (at - start[:, None]) / span[:, None]  # centred and scaled: no loss with rates like 1,000,050
    if curve == "mean":
        return np.zeros((*at.shape, 0)), np.ones((designs, 1, 1))
    if curve == "square_root":
        root = np.sqrt(at)
        scale = np.sqrt(rates[:, -1])
        back = np.zeros((designs, 3, 3))
        back[:, 0, 0], back[:, 1, 1], back[:, 2, 2] = 1.0, 1 / scale, 1 / scale**2
        return np.stack([root / scale[:, None], at / scale[:, None] ** 2], axis=-1), back
    q = {"linear": 1, "quadratic": 2}[curve]
    back = np.zeros((designs, 3, 3))
    back[:, 0, 0], back[:, 0, 1], back[:, 0, 2] = 1.0, -start / span, (start / span) ** 2
    back[:, 1, 1], back[:, 1, 2], back[:, 2, 2] = 1 / span, -2 * start / span**2, 1 / span**2
    return np.stack([u, u * u], axis=-1)[..., :q], back[:, : q + 1, : q + 1]


def solve_basis(columns, sums: Sums):
    """Least squares on the columns: coefficients (D, R, q), their unit covariance (D, q, q), fitted rise."""
    centred = columns - np.einsum("dm,dmq->dq", sums.share, columns)[:, None, :]
    info = np.swapaxes(centred, 1, 2) @ sums.spread @ centred
    unit = np.linalg.inv(info)
    right = sums.means @ (sums.spread @ centred)
    coef = right @ unit
    # One step of refinement on the residual takes out the rounding of the normal equations.
    rest = (sums.means - coef @ np.swapaxes(centred, 1, 2)) @ (sums.spread @ centred)
    coef = coef + rest @ unit
    return coef, unit, coef @ np.swapaxes(centred, 1, 2)


def _fit_basis(curve, sums):
    columns, back = basis(curve, sums.rates)
    if columns.shape[-1]:
        coef, _, fitted = solve_basis(columns, sums)
        centre = np.einsum("dm,dmq->dq", sums.share, columns)
        level = sums.level - np.einsum("drq,dq->dr", coef, centre)
        internal = np.concatenate([level[..., None], coef], axis=-1)
    else:
        fitted, internal = np.zeros_like(sums.means), sums.level[..., None]
    rss = sums.pure_ss + quadratic_form(sums.means - fitted, sums.spread)
    none = np.full(rss.shape, np.nan)
    return Fits(internal @ np.swapaxes(back, 1, 2), rss, none, none, none)


# Curves with one shape parameter ---------------------------------------------------------------------


def _fit_shape(curve, sums):
    shape = SHAPES[curve]
    start = sums.rates[:, 0] if shape.shifted else np.zeros(len(sums.rates))
    x = sums.rates - start[:, None]
    pull = sums.means @ sums.spread
    bend = _linear_plateau_bend(x, sums.spread, pull) if curve == "linear_plateau" else search(
        shape, x, sums.spread, pull
    )  # fmt: skip
    level, slope, rss = given_bend(shape, sums, x, bend)
    params = shape.publish(level, slope, bend, start[:, None])
    return Fits(params, rss, level, slope, bend)


def given_bend(shape, sums: Sums, x, bend):
    """Level, slope and residual sum of squares of the best curve with the given bends (D, R)."""
    rise = shape.rise(x[:, None, :], bend[..., None])
    centre = np.einsum("dm,drm->dr", sums.share, rise)
    rise = rise - centre[..., None]
    push = rise @ sums.spread
    size = np.einsum("drm,drm->dr", push, rise)
    slope = np.einsum("drm,drm->dr", push, sums.means) / np.where(size > 0, size, 1.0)
    rest = sums.means - slope[..., None] * rise
    slope = slope + np.einsum("drm,drm->dr", push, rest) / np.where(size > 0, size, 1.0)
    rest = sums.means - slope[..., None] * rise
    return sums.level - slope * centre, slope, sums.pure_ss + quadratic_form(rest, sums.spread)


def _linear_plateau_bend(x, spread, pull):
    """Best join of the linear-plateau in closed form: stationary point of each interval, and the knots."""
    below = np.tril(np.ones((x.shape[1],) * 2))[:-1]  # interval j: rates up to j rise, the others are level
    p, q = x[:, None, :] * below, np.broadcast_to(1.0 - below, (len(x), *below.shape))
    pp, pq, qq = (np.einsum("djm,djm->dj", v @ spread, w)[:, None] for v, w in ((p, p), (p, q), (q, q)))
    along_p, along_q = pull @ np.swapaxes(p, 1, 2), pull @ np.swapaxes(q, 1, 2)
    low, high = x[:, None, :-1], x[:, None, 1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = (along_p * pq - along_q * pp) / (along_q * pq - along_p * qq)
    inner = np.clip(np.where(np.isfinite(inner), inner, high), low, high)

    def gain(join):
        size = pp + join * (2 * pq + join * qq)
        return (along_p + join * along_q) ** 2 / np.where(size > 0, size, np.inf)

    joins = np.concatenate([np.broadcast_to(high, inner.shape), inner], axis=-1)
    gains = np.concatenate([gain(high), gain(inner)], axis=-1)
    gains = np.where(joins > 0, gains, -1.0)
    best = np.argmax(gains, axis=-1)[..., None]
    return 1.0 / np.take_along_axis(joins, best, axis=-1)[..., 0]
