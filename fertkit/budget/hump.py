"""A cumulative curve through few points whose daily rate has one peak and no pause."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

CELLS = 30
#: Weight of the bends of the rate against the misfit; ten times more or less moves a point by at most 0.025.
SMOOTHNESS = 3e-4
#: Weights of a point, and of what must hold (the end, an upper bound).
POINT, MUST = 100.0, 1e4


@dataclass(frozen=True)
class OneHump:
    """Rate that is straight between evenly spaced nodes, rises to one peak and falls.

    Attributes
    ----------
    nodes : array, shape (cells + 1,)
        From 0 to the end.
    rate : array, shape (cells + 1,)
        Share of the whole per unit of `nodes`; 0 at both ends.
    misfit : float
        Largest distance of the cumulative curve from a point [share of the whole].
    """

    nodes: np.ndarray
    rate: np.ndarray
    misfit: float

    def __call__(self, at):
        """Share accumulated from 0 to each place."""
        return _areas(np.asarray(at, dtype=float) / self.nodes[-1]) @ self.rate * self.nodes[-1]


@lru_cache(maxsize=256)
def one_hump(points: tuple, end: float, bounds: tuple = ()) -> OneHump:
    """Find the smoothest one-hump rate whose cumulative curve passes the points as near as it can.

    Parameters
    ----------
    points : tuple of (place, share)
        Between 0 and `end`.
    end : float
        Where the share is 1.
    bounds : tuple of (place, share)
        Shares the cumulative curve may not exceed.

    Returns
    -------
    OneHump

    Notes
    -----
    Rates with a peak in a given cell are the non-negative sums of boxes that hold that cell, so each is a
    problem of non-negative least squares (scipy.optimize.nnls; Lawson and Hanson 1974) in the misfit of the
    points and the third differences of the rate; an upper bound takes one slack. The best cell is kept.
    """
    from scipy.optimize import nnls

    place, share = np.array([*points, (end, 1.0)], dtype=float).T
    area = _areas(place / end)
    weight = np.r_[np.full(len(points), POINT), MUST][:, None]
    bends = np.diff(np.eye(CELLS + 1), 3, axis=0) * CELLS**2.5 * SMOOTHNESS
    limit, most = np.array(bounds, dtype=float).reshape(-1, 2).T
    rows = np.vstack([area * weight, bends, _areas(limit / end) * MUST])
    wanted = np.r_[share * weight[:, 0], np.zeros(len(bends)), most * MUST]
    slack = np.vstack([np.zeros((len(rows) - len(most), len(most))), np.eye(len(most)) * MUST])
    best = None
    for peak in range(1, CELLS):
        boxes = _boxes(peak)
        heights, left = nnls(np.hstack([rows @ boxes, slack]), wanted)
        if best is None or left < best[0]:
            best = left, boxes @ heights[: boxes.shape[1]]
    rate = best[1] / (area[-1] @ best[1])
    misfit = float(np.abs(area @ rate - share).max())
    nodes = np.linspace(0.0, end, CELLS + 1)
    rate = rate / end
    for array in (nodes, rate):
        array.flags.writeable = False  # the curve is shared by all that ask for it
    return OneHump(nodes, rate, misfit)


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
