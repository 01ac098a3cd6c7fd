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
from fertkit.response.curves import CURVES, get_curve
from fertkit.response.search import search
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
    fit = _fit_shape if get_curve(curve).shape else _fit_basis
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

    Scaled by the tested `rates` (D, m), at these or the rates `at` (D, k); see `Basis`.
    """
    return CURVES[curve].basis.columns(rates, rates if at is None else at)


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
    shape = CURVES[curve].shape
    start = shape.start(sums.rates)[:, None]
    x, pull = sums.rates - start, sums.means @ sums.spread
    bend = shape.exact(x, sums.spread, pull) if shape.exact else search(shape, x, sums.spread, pull)
    level, slope, rss = given_bend(shape, sums, x, bend)
    return Fits(shape.publish(level, slope, bend, start), rss, level, slope, bend)


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
