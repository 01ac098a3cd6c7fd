"""A rate of uptake through the season that meets what publications say of it, as smooth as they allow."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fertkit.rounding import at_most, same

CELLS = 30
#: Weight of the bends of the rate against the misfit; ten times more or less moves a share by 0.01.
SMOOTHNESS = 1e-3
#: Weights of a published share, of what must hold (the whole, the highest rate) and of a published peak.
SHARE, MUST, PEAK = 100.0, 1e4, 1.0
ONE_PEAK, FREE = "one peak", "more than one rise"


@dataclass(frozen=True)
class UptakeCurve:
    """Rate that is straight between evenly spaced nodes and 0 at both ends.

    Attributes
    ----------
    nodes : array, shape (cells + 1,)
        From 0 to the end of uptake.
    rate : array, shape (cells + 1,)
        Share of the season's uptake per unit of `nodes`.
    misfit : float
        Largest distance from a condition [share of the season].
    kind : str
        `ONE_PEAK` or `FREE`.
    """

    nodes: np.ndarray
    rate: np.ndarray
    misfit: float
    kind: str

    def __call__(self, at):
        """Share taken up from 0 to each place."""
        place = np.minimum(np.asarray(at, dtype=float) / self.nodes[-1], 1.0)
        return _areas(place) @ self.rate * self.nodes[-1]


@lru_cache(maxsize=256)
def uptake_curve(
    conditions: tuple, end: float, tolerance: float, highest: float = np.inf, window: tuple = ()
) -> UptakeCurve:
    """Fit the smoothest rate that meets every condition, with one peak if that is possible.

    Parameters
    ----------
    conditions : tuple of (start, stop, low, high)
        Between `start` and `stop` the share taken up lies between `low` and `high`; a point of the cumulative
        curve is (0, place, share, share).
    end : float
        Where uptake ends: the share from 0 is 1.
    tolerance : float
        Misfit up to which one peak is kept.
    highest : float
        Published peak [share per unit of place], which the rate does not exceed.
    window : tuple of (start, stop)
        Where the peak lies; there the rate is drawn up to `highest`.

    Notes
    -----
    Rates with a peak in a given cell are the non-negative sums of boxes that end or begin there, so each is a
    problem of non-negative least squares (scipy.optimize.nnls; Lawson and Hanson 1974) in the misfit and the
    second differences of the rate; an inequality takes one slack. The best cell is kept. Where no one peak
    meets the conditions, the rate is any non-negative one.
    """
    wanted = np.array(conditions, dtype=float).reshape(-1, 4) / (end, end, 1.0, 1.0)
    nodes = np.linspace(0.0, end, CELLS + 1)
    cells = [
        cell for cell in range(1, CELLS)
        if not window or (nodes[cell] >= window[0] and nodes[cell + 1] <= window[1] + end / CELLS)
    ]  # fmt: skip
    problem = _Problem(wanted, highest * end, bool(window))
    fits = [problem.solve(_boxes(cell), cell) for cell in cells]
    best, kind = min(fits, key=lambda fit: fit[0])[1], ONE_PEAK
    if not at_most(problem.misfit(best), tolerance):
        best, kind = problem.solve(np.eye(CELLS + 1)[:, 1:-1], None)[1], FREE
    misfit, rate = problem.misfit(best), best / end
    for array in (nodes, rate):
        array.flags.writeable = False  # the curve is shared by all that ask for it
    return UptakeCurve(nodes, rate, misfit, kind)


class _Problem:
    """The conditions as weighted rows over the nodes, places and rates as shares of the season."""

    def __init__(self, wanted, highest, pulled):
        self.wanted, self.highest, self.pulled = wanted, highest, pulled
        stop = np.minimum(wanted[:, 1], 1.0)
        self.area, self.whole = _areas(stop) - _areas(wanted[:, 0]), _areas(np.ones(1))
        self.bends = np.diff(np.eye(CELLS + 1), 2, axis=0) * CELLS**1.5 * SMOOTHNESS

    def solve(self, basis, cell):
        """Residual and rate at the nodes of the best non-negative sum of the columns of `basis`."""
        from scipy.optimize import nnls

        low, high = self.wanted[:, 2], self.wanted[:, 3]
        point = same(low, high)
        equal = [(self.whole, [1.0], MUST), (self.bends, np.zeros(len(self.bends)), 1.0),
                 (self.area[point], low[point], SHARE)]  # fmt: skip
        most = [(self.area[~point], high[~point], SHARE), (-self.area[~point], -low[~point], SHARE)]
        if cell is not None and np.isfinite(self.highest):
            top = np.eye(CELLS + 1)[[cell, cell + 1]]
            most.append((top, np.full(2, self.highest), MUST))
            equal += [(top[:1], [self.highest], PEAK)] * self.pulled
        rows = np.vstack([row * weight for row, _, weight in (*equal, *most)])
        sought = np.concatenate([np.multiply(value, weight) for _, value, weight in (*equal, *most)])
        slack = np.concatenate([np.full(len(row), weight) for row, _, weight in most])
        slacks = np.vstack([np.zeros((len(rows) - len(slack), len(slack))), np.diag(slack)])
        heights, left = nnls(np.hstack([rows @ basis, slacks]), sought)
        rate = basis @ heights[: basis.shape[1]]
        return left, rate / (self.whole @ rate)

    def misfit(self, rate):
        got = self.area @ rate
        return float(np.max([self.wanted[:, 2] - got, got - self.wanted[:, 3]], initial=0.0))


def _boxes(peak):
    """Boxes that end at the peak or begin after it, one a column; no box touches an end."""
    node = np.arange(CELLS + 1)[:, None]
    rising = (node >= np.arange(1, peak + 1)) & (node <= peak)
    falling = (node > peak) & (node <= np.arange(peak + 1, CELLS))
    return np.hstack([rising, falling]).astype(float)


def _areas(at):
    """Area of each node's hat from 0 to each place, both as shares of the season."""
    step = np.clip(at[:, None] * CELLS - np.arange(CELLS + 1), -1.0, 1.0)
    area = np.where(step < 0, (step + 1) ** 2 / 2, 1 - (1 - step) ** 2 / 2)
    area[:, 0] -= 0.5  # the first hat begins halfway
    return area / CELLS
