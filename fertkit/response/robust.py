"""Fits that far strips, or an error that differs between rates, lead astray less: asked for, never silent.

Both rest on the means of rates and blocks and on no curve, so that every curve meets the same yields and
weights and is fitted as exactly as ever.

Far strips are pulled in by Huber's estimate of those means (1981, Robust Statistics, Wiley, chapter 7; his
second proposal for the scale): each yield becomes a pseudo-value, the mean plus the bounded residual, spread
so that their residual sum of squares gives the error of the robust means. Where no strip lies beyond the
bound nothing changes.

An error that differs between rates is one whose standard deviation rises or falls by a steady percentage per
unit of rate, fitted by REML; each strip is weighted by the inverse of its variance.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.errors import Note, NotEstimable
from fertkit.laws import normal_below
from fertkit.response.average import ALL_SAME, no_error
from fertkit.response.data import TrialData
from fertkit.results import plain
from fertkit.rounding import below, same
from fertkit.trials.doubtful import LEFT

BOUND = 1.345  # Huber's k, in standard deviations: 95 % efficient with normal errors
GEARY = np.sqrt(2 / np.pi), 0.2123  # mean and, times sqrt(n), spread of his ratio with normal errors
STEEPEST = 3.0  # the error of the highest rate is at most exp(3) = 20 times that of the lowest
NODES, CLOSE, ROUNDS = 25, np.linspace(-1, 1, 5), 3
DOUBT, FEWEST_DF = 0.05, 6  # p that speaks against the errors as read, and the error df it needs
FAR, UNEVEN = "far strips [p]", "equal error at all rates [p]"


@dataclass(frozen=True)
class Treated:
    """What was done to a trial before curves were fitted.

    Attributes
    ----------
    given : TrialData
        As read.
    pulled : DataFrame or None
        Strips whose yields were pulled in, the farthest first: row (its place), rate, yield, used; None where
        that was not asked for.
    ratio : float or None
        Error SD at the highest rate over that at the lowest; None where it was not asked for.
    """

    given: TrialData
    pulled: pd.DataFrame | None = None
    ratio: float | None = None


def treat(data: TrialData, far: bool, uneven: bool) -> tuple[TrialData, Treated | None]:
    """Give a trial with far strips pulled in, or its strips weighted by the error at their rates, or both.

    Raises
    ------
    NotEstimable
        If strips of the same rate leave too few degrees of freedom to measure an error by, or to tell how
        steeply it changes with the rate, or yield exactly the same.
    """
    if not (far or uneven):
        return data, None
    if len(data.rate) - data.span.shape[1] < LEFT:
        raise NotEstimable(
            "too few strips per rate to find outliers or uneven errors; use the plain fit",
            "neither --robust nor --uneven",
        )
    if no_error(data.sums)[0, 0]:
        raise NotEstimable(f"{ALL_SAME}; use the plain fit", "neither --robust nor --uneven")
    used, done = data, Treated(data)
    if uneven:
        tilt = spread_of(design_of(data), data.rate, data.yields[None], data.weight)[0][0]
        if _at_limit(tilt):
            raise NotEstimable(
                "these strips cannot tell how much their error changes with the rate; use the plain fit"
            )
        used = replace(used, weight=data.weight * weights_of(data.rate, tilt))
        done = replace(done, ratio=float(np.exp(tilt)))
    if far:
        root = np.sqrt(used.weight)
        values, beyond = (v[0] for v in pulled_in(used.span, (data.yields * root)[None])[:2])
        used = replace(used, yields=values / root) if beyond.any() else used
        rows = np.flatnonzero(beyond)
        rows = rows[np.argsort(-np.abs(used.yields - data.yields)[rows], kind="stable")]
        columns = {
            "row": rows,
            "rate": data.rate[rows],
            "yield": data.yields[rows],
            "used": used.yields[rows],
        }
        done = replace(done, pulled=pd.DataFrame(columns))
    return used, done


def design_of(data: TrialData) -> np.ndarray:
    """Columns of full rank for the blocks and the rates, unweighted."""
    return data.span / np.sqrt(data.weight)[:, None]


# ---- far strips


def pulled_in(left, y):
    """Pseudo-values of Huber's estimate and the scale, for yields (R, n) under orthonormal columns (n, p).

    Returns
    -------
    values : array (R, n)
        Their least squares are the robust fit, their residual mean square its error variance.
    beyond : array (R, n) of bool
        Whether a yield lay beyond the bound.
    scale : array (R,)
        Standard deviation of the error by his second proposal.
    """
    n, p = left.shape
    df, beta = n - p, _second_moment()
    fitted = y @ left @ left.T
    scale = np.sqrt(((y - fitted) ** 2).sum(axis=1) / df)
    for _ in range(500):
        bound = BOUND * scale[:, None]
        held = np.clip(y - fitted, -bound, bound)
        step = held @ left @ left.T
        fitted = fitted + step
        rest = np.clip(y - fitted, -bound, bound)
        new = np.sqrt((rest**2).sum(axis=1) / (df * beta))
        done = (np.abs(step).max(axis=1) <= 1e-12 * new) & (np.abs(new - scale) <= 1e-12 * new)
        scale = new
        if done.all():
            break
    bound = BOUND * scale[:, None]
    rest = y - fitted
    beyond = np.abs(rest) > bound
    inside = 1 - beyond.mean(axis=1, keepdims=True)
    spread = (1 + p / n * (1 - inside) / inside) / inside
    return np.where(inside < 1, fitted + spread * np.clip(rest, -bound, bound), y), beyond, scale


def _second_moment():
    """Mean square of a standard normal number held within the bound."""
    within = 2 * normal_below(BOUND) - 1
    return within - 2 * BOUND * np.exp(-(BOUND**2) / 2) / np.sqrt(2 * np.pi) + BOUND**2 * (1 - within)


def heavy_tails(left, y):
    """p (R,) of Geary's ratio being so small: more far strips than normal errors leave (D'Agostino 1970).

    The design is told by orthonormal columns (n, p) that span it.
    """
    rest = y - y @ left @ left.T
    room = np.sqrt(np.maximum(1 - (left**2).sum(axis=1), 0.0))
    rest = rest[:, room > 1e-6] / room[room > 1e-6]
    size = np.sqrt((rest**2).mean(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.abs(rest).mean(axis=1) / size
    return normal_below(np.sqrt(rest.shape[1]) * (ratio - GEARY[0]) / GEARY[1])


# ---- an error that differs between rates


def weights_of(rate, tilt):
    """Weights (..., n) of a log error SD rising by `tilt` from the lowest rate to the highest; mean log 0."""
    place = (rate - rate.mean()) / np.ptp(rate)
    return np.exp(-2 * tilt * place)


def spread_of(design, rate, y, weight=1.0):
    """REML estimate of the tilt of the log error SD over the rates, and p of its likelihood ratio test.

    Parameters
    ----------
    design : array (n, p)
    rate : array (n,)
    y : array (R, n)
    weight : array (n,)
        Replicates behind each row.

    Returns
    -------
    tilt, p : array (R,)
        The error SD at the highest rate is exp(tilt) times that at the lowest.
    """
    held, steps = np.linalg.qr(design)[0], np.linspace(-STEEPEST, STEEPEST, NODES)
    y = y - (y @ held) @ held.T  # means say nothing of the error; in its squares their digits would be lost
    level = _likelihood(held, rate, y, weight, np.append(0.0, steps))
    none, value, width = level[:, 0], level[:, 1:], steps[1] - steps[0]
    if len(y) == 1:  # closed in on; many replicates keep the nodes, which are finer than the error of a tilt
        for _ in range(ROUNDS):
            width, tilt = width / 8, _vertex(steps, value[0])
            steps = np.clip(tilt, width - STEEPEST, STEEPEST - width) + width * CLOSE
            value = _likelihood(held, rate, y, weight, steps)
    tilt, top = steps[value.argmax(axis=-1)], value.max(axis=-1)
    return tilt, 2 * normal_below(-np.sqrt(np.maximum(2 * (top - none), 0.0)))


def _vertex(steps, value):
    """Where a parabola through the best of some even steps and its neighbours is highest."""
    best = value.argmax()
    middle = min(max(best, 1), len(steps) - 2)
    left, at, right = value[middle - 1 : middle + 2]
    bow = left - 2 * at + right
    shift = 0.5 * (left - right) / bow if bow < 0 else best - middle
    return steps[middle] + shift * (steps[1] - steps[0])


def _likelihood(held, rate, y, weight, tilts):
    """Restricted log likelihood (R, T) of tilts (T,) but for a constant, the error variance profiled out.

    The columns `held` (n, p) of the design are orthonormal and the yields (R, n) their residuals, so that
    sums of squares and products keep their digits.
    """
    weights = weight * weights_of(rate, tilts[:, None])
    heavy = held.T * weights[:, None]
    info, right = heavy @ held, heavy @ y.T
    solved = np.linalg.solve(info, right)
    rss = np.maximum(weights @ (y * y).T - (right * solved).sum(axis=1), 1e-300)
    free = np.log(weights).sum(axis=-1) - np.linalg.slogdet(info)[1]
    return 0.5 * (free[:, None] - (len(rate) - held.shape[1]) * np.log(rss)).T


# ---- what the strips as read show


def times(ratio: float) -> str:
    """Return how many times the larger of two errors is the smaller."""
    return f"{plain(max(ratio, 1 / ratio), 2)} times"


def _at_limit(tilt) -> bool:
    """Whether the estimate ran to the end of the search, and so is none."""
    return same(abs(tilt), STEEPEST)


def error_checks(data: TrialData, doubtful: bool) -> list[tuple]:
    """Rows of a checks table: whether strips scatter with too many far ones, or differently by rate."""
    df = len(data.rate) - data.span.shape[1]
    if df < (LEFT if doubtful else FEWEST_DF) or not np.ptp(data.yields):
        return []
    tails = float(heavy_tails(data.span, (data.yields * np.sqrt(data.weight))[None])[0])
    tilt, p = (float(v[0]) for v in spread_of(design_of(data), data.rate, data.yields[None], data.weight))
    more, less = data.rates[[-1, 0]] if tilt > 0 else data.rates[[0, -1]]
    strips = f"strips at {plain(more)} {data.rate_unit} vary"
    rows = [
        (FAR, tails, f">= {plain(DOUBT)}", not (doubtful or below(tails, DOUBT)),
         ("no more outlying strips than chance allows",
          Note("more outlying strips than chance allows: compare a fit that gives them less weight",
               "--robust (in Python robust=True)"))),
        (UNEVEN, p, f">= {plain(DOUBT)}", not below(p, DOUBT),
         ("strips of all rates vary alike",
          Note(f"{strips} more than at {plain(less)}; these strips cannot tell how much more: check the "
               "yields at both rates") if _at_limit(tilt) else
          Note(f"{strips} {times(np.exp(tilt))} as much as at {plain(less)}: compare a weighted fit",
               "--uneven (in Python uneven=True)"))),
    ]  # fmt: skip
    return rows if df >= FEWEST_DF else rows[:1]
