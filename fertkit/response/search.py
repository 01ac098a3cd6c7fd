"""Exact least-squares fits of one curve to any number of trials and replicates at once.

Separable least squares: for a given shape the best level and slope are known in closed form, so the residual
sum of squares is a function of the shape alone. It is searched over every interval between tested rates
(closed form for the linear-plateau, bracketed roots of the derivative for the others) and compared with
the knots, so the answer is the global minimum and needs no starting value (Lerman 1980, Applied
Statistics 29:77-84, with exact solutions in place of the grid).

For a given shape the fit explains the sum of squares ``gain = n^2 / size``, where ``n`` is the product of
rise and data and ``size`` that of the rise with itself. Its stationary points, zeros apart, are the roots of
``turning = n' size - n size' / 2``, on each interval between tested rates a polynomial of low degree, or a
sum of a few exponentials. Roots are bracketed on a grid of shapes that holds all tested rates; cells in
which ``turning`` dips towards zero without a change of sign are searched for hidden pairs of roots; each
root is polished to the last digits. The best of these and of the grid is the global minimum of RSS.
"""

import ctypes
import sys
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from fertkit.response.curves import CURVES, get_curve
from fertkit.response.sums import Sums, quadratic_form
from fertkit.results import ByContent

CHUNK = 2_000_000  # numbers in the largest work array
DIPS = 24  # halvings spent on a dip before it is taken for no root

# The C library of Linux gives the memory of arrays back as they end and takes it anew page by page, unless
# it is told to keep blocks of this many bytes, and twice as many at the end of its store. Searches then take
# half the time, and on a worker of Dask, which is started with less to keep than usual, a third of it.
if sys.platform == "linux":
    with suppress(AttributeError):  # another C library
        keep = ctypes.CDLL(None).mallopt
        keep(-3, 8 * CHUNK), keep(-1, 16 * CHUNK)  # M_MMAP_THRESHOLD, M_TRIM_THRESHOLD


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

    def take(self, designs) -> "Fits":
        """The designs of a slice."""
        return Fits(*(getattr(self, f)[designs] for f in self.__dataclass_fields__))

    def replicates(self, rows) -> "Fits":
        """The replicates of a slice or an index."""
        return Fits(*(getattr(self, f)[:, rows] for f in self.__dataclass_fields__))


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
    >>> from fertkit.response.search import fit_sums
    >>> from fertkit.response.data import read_trial_data
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
        return joined(parts, axis=0)
    step = max(1, CHUNK // cells)
    return joined([fit(curve, sums.replicates(slice(i, i + step))) for i in range(0, reps, step)], axis=1)


def joined(parts: list[Fits], axis: int = 0) -> Fits:
    """Fits one after another on the axis of designs (0) or of replicates (1)."""
    return Fits(
        *(np.concatenate([getattr(p, f) for p in parts], axis=axis) for f in Fits.__dataclass_fields__)
    )


def gather(values, index):
    """Values (..., K) at indices (..., P) of the last axis: take_along_axis in a third of its time."""
    rows = values.reshape(-1, values.shape[-1])
    return rows[np.arange(len(rows))[:, None], index.reshape(len(rows), -1)].reshape(index.shape)


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


# Search of the shape -----------------------------------------------------------------------------


def search(shape, x, spread, pull):
    """Bend of the global minimum for every design and replicate, (D, R).

    Parameters
    ----------
    shape : Shape
    x : array (D, m)
        Rates from the start of the shape.
    spread : array (D, m, m)
    pull : array (D, R, m)
        ``means @ spread``.
    """
    coord = shape.coord(shape.grid(x))[:, ::-1]
    n, turning, slant, size = _on_grid(shape, coord, x, spread, pull)
    gain = n * n
    found, top = coord[np.arange(len(coord))[:, None], np.argmax(gain, axis=-1)], gain.max(axis=-1)
    problem = shape, x, spread, pull
    d, r, *bracket = _brackets(problem, coord, n, turning, slant, size, top)
    if len(d):
        inner, value = _polish(problem, d, r, *bracket)
        order = np.argsort(value, kind="stable")  # of repeated targets the last, hence the best, is kept
        d, r, inner, value = d[order], r[order], inner[order], value[order]
        better = value >= top[d, r]
        found[d[better], r[better]] = inner[better]
        top[d[better], r[better]] = value[better]
    # A gain over the step or the straight line that is only rounding is none.
    for end in (-1, 0):
        found = np.where(gain[..., end] >= top * (1 - 1e-14), coord[:, None, end], found)
    return shape.uncoord(found)


def _on_grid(shape, coord, x, spread, pull):
    """Root of the gain, turning and its derivative, linear in the data, (D, R, K) each; size, (D, K)."""
    g, g1, g2 = shape.jet(x[:, None, :], coord[..., None])
    q, q1 = g @ spread, g1 @ spread
    dot = lambda v, w: np.einsum("dkm,dkm->dk", v, w)[..., None]  # noqa: E731
    size, drag, pinch = dot(q, g), dot(q, g1), dot(q1, g1) + dot(q, g2)
    root = np.sqrt(np.where(size > 0, size, np.inf))
    maps = np.concatenate([g / root, g1 * size - g * drag, g2 * size + g1 * drag - g * pinch], axis=1)
    return *np.split(pull @ np.swapaxes(maps, 1, 2), 3, axis=-1), root[..., 0] ** 2


def _brackets(problem, coord, n, turning, slant, size, top):
    """Brackets that hold a stationary point of the gain: design, replicate, ends, first guess, sign above."""
    h, up, climbs = turning, turning > 0, slant > 0
    change = up[..., :-1] != up[..., 1:]
    d, r, k = np.nonzero(change)
    low, high, below, above = coord[d, k], coord[d, k + 1], h[d, r, k], h[d, r, k + 1]
    plain = d, r, low, high, low + (high - low) * below / (below - above), np.sign(above)
    dip = ~change & (up[..., :-1] != climbs[..., :-1]) & (up[..., 1:] == climbs[..., 1:])
    if not dip.any():
        return plain
    cells = _worthwhile(coord, n, h, size, top, np.nonzero(dip))
    hidden = _hidden(problem, coord, h, cells)
    return tuple(np.concatenate(v) for v in zip(plain, hidden, strict=True))


def _worthwhile(coord, n, h, size, top, cells):
    """The dips in which the gain could rise above the best of the grid."""
    d, r, k = cells
    ends = k, k + 1
    steep = [2 * np.abs(n[d, r, e] * h[d, r, e]) / size[d, e] ** 1.5 for e in ends]
    rise = (coord[d, k + 1] - coord[d, k]) * np.maximum(*steep)
    start = np.maximum(*(n[d, r, e] ** 2 for e in ends))
    keep = start + rise > top[d, r]
    return d[keep], r[keep], k[keep]


def _hidden(problem, coord, h, cells):
    """Brackets around pairs of roots inside cells where turning dips towards zero."""
    d, r, k = cells
    low, high = coord[d, k], coord[d, k + 1]
    side = np.sign(h[d, r, k])
    left, right, crossed = low.copy(), high.copy(), np.full(len(d), np.nan)
    for _ in range(DIPS):
        if not len(d):
            break
        middle = 0.5 * (left + right)
        _, turning, slope = _at(problem, d, r, middle)
        crossed = np.where(np.isnan(crossed) & (side * turning < 0), middle, crossed)
        falling = side * slope < 0
        left, right = np.where(falling, middle, left), np.where(falling, right, middle)
    found = ~np.isnan(crossed)
    d, r, low, high, crossed, side = (v[found] for v in (d, r, low, high, crossed, side))
    low, high = np.concatenate([low, crossed]), np.concatenate([crossed, high])
    return np.tile(d, 2), np.tile(r, 2), low, high, 0.5 * (low + high), np.concatenate([-side, side])


def _polish(problem, d, r, low, high, at, rising):
    """Coordinate and gain of the root in each bracket, by Newton steps that never leave it."""
    gain = np.empty(len(at))
    scale, todo = np.maximum(np.abs(low), np.abs(high)), np.arange(len(low))
    for _ in range(60):
        here = at[todo]
        gain[todo], turning, slope = _at(problem, d[todo], r[todo], here)
        above = turning * rising[todo] >= 0
        high[todo] = np.where(above, here, high[todo])
        low[todo] = np.where(above, low[todo], here)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = here - turning / slope
        new = np.where((new > low[todo]) & (new < high[todo]), new, 0.5 * (low[todo] + high[todo]))
        at[todo] = new
        # Newton doubles the digits: a step of 1e-9 leaves an error below rounding.
        todo = todo[np.abs(new - here) > 1e-9 * scale[todo]]
        if not len(todo):
            break
    return at, gain


def _at(problem, design, replicate, coord):
    """Gain, turning and its derivative at one coordinate for each pair of design and replicate."""
    shape, x, spread, pull = problem
    one, pull = len(x) == 1, pull[design, replicate]
    g, g1, g2 = shape.jet(x if one else x[design], coord[:, None])
    q, q1 = (v @ spread[0] if one else np.einsum("pm,pmk->pk", v, spread[design]) for v in (g, g1))
    dot = lambda v, w: np.einsum("pm,pm->p", v, w)  # noqa: E731
    n, n1, n2 = (dot(pull, v) for v in (g, g1, g2))
    size, drag, pinch = dot(q, g), dot(q, g1), dot(q1, g1) + dot(q, g2)
    return n * n / size, n1 * size - n * drag, n2 * size + n1 * drag - n * pinch
