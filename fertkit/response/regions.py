"""Confidence regions of many fits at once: exact gradient sets and profile regions.

Everything here takes arrays over designs D and replicates R; `fertkit.response.intervals` asks for one fit.
"""

import numpy as np

from fertkit.response.curves import CURVES
from fertkit.response.many import Fits, basis, solve_basis
from fertkit.response.shapes import SHAPES
from fertkit.response.sums import Sums


def start_of(shape, sums: Sums):
    """Where the rise of a shape begins for each design (D,) [rate unit]."""
    return sums.rates[:, 0] if shape.shifted else np.zeros(len(sums.rates))


def optimum_sets(curve: str, fits: Fits, sums: Sums, price_ratio, level=0.95):
    """Ends (low, high), each (D, R), of the interval of the economic optimum; not cut to tested rates.

    Exact gradient sets for curves linear in their parameters, profile intervals for the others.
    """
    if curve == "mean":
        low = np.broadcast_to(sums.lowest[:, None], fits.rss.shape).copy()
        return low, low.copy()
    if curve in SHAPES:
        return Region(curve, fits, sums, level).optimum(price_ratio)
    return gradient_sets(curve, fits, sums, price_ratio, level)


def margin(rss, df, level):
    """Rise of the residual sum of squares that a value inside the interval may cost."""
    from scipy.stats import t

    return rss * (t.ppf(0.5 + level / 2, df) ** 2 / df)[:, None]


def gradient_sets(curve, fits, sums, price_ratio, level):
    """Rates >= 0 where the slope can equal the price ratio (Bachmaier 2009), as ends (D, R)."""
    columns, back = basis(curve, sums.rates)
    _, unit, _ = solve_basis(columns, sums)
    lead = back[:, 1:, 1:]
    unit = lead @ unit @ np.swapaxes(lead, 1, 2)  # of the published b, c per unit variance
    room = margin(fits.rss, sums.df_error(CURVES[curve].n_params), level)
    coef = fits.params[..., 1:] - price_ratio * np.array(
        {"square_root": [0, 1]}.get(curve, [1, 0])[: unit.shape[-1]]
    )
    v = unit[:, None] * room[..., None, None]
    if curve == "linear":
        sure = coef[..., 0] ** 2 > v[..., 0, 0]
        edge = np.where(coef[..., 0] > 0, np.inf, 0.0)
        return np.where(sure, edge, 0.0), np.where(sure, edge, np.inf)
    b, c = coef[..., 0], coef[..., 1]
    if curve == "quadratic":  # slope b + 2 c x: (b + c z)^2 <= V(b + c z), z = 2 x
        low, high = _within_parabola(c * c - v[..., 1, 1], b * c - v[..., 0, 1], b * b - v[..., 0, 0], c, b)
        return 0.5 * low, 0.5 * high
    # slope b z + c with z = 1 / (2 sqrt x), which falls as x rises
    low, high = _within_parabola(b * b - v[..., 0, 0], b * c - v[..., 0, 1], c * c - v[..., 1, 1], -b, -c)
    with np.errstate(divide="ignore"):
        return 1 / (4 * high**2), 1 / (4 * low**2)


def _within_parabola(q, h, k, fall, rise):
    """Hull on z >= 0 of ``q z^2 + 2 h z + k <= 0``; when empty, the end to which ``rise + fall z`` points."""
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(np.maximum(h * h - q * k, 0.0))
        far = -(h + np.where(h >= 0, root, -root))
        ends = np.stack([far / q, k / far])
        ends = np.where(np.isnan(ends), 0.0, ends)
    low, high = ends.min(axis=0), ends.max(axis=0)
    real = h * h >= q * k
    inside = (q > 0) & real & (high >= 0)
    below, above = np.maximum(low, 0.0), np.maximum(high, 0.0)
    # q < 0: everything outside (low, high); the part below zero does not exist
    outside = (q <= 0) & real
    low_out = np.where((low < 0) & outside, above, 0.0)
    none = (q > 0) & ~inside
    edge = np.where(rise > 0, np.inf, 0.0)
    return np.where(inside, below, np.where(none, edge, low_out)), np.where(
        inside, above, np.where(none, edge, np.inf)
    )


class Region:
    """Profile region of a curve with a shape: all (bend, slope) with RSS within the F margin of the best.

    Attributes
    ----------
    low, high : array (D, R)
        Hull of the bends in the region.
    """

    NODES, ZOOM, ROUNDS = 48, 17, 4

    def __init__(self, curve: str, fits: Fits, sums: Sums, level: float):
        self.shape, self.sums, self.fits = SHAPES[curve], sums, fits
        self.start = start_of(self.shape, sums)
        self.x = sums.rates - self.start[:, None]
        self.pull = sums.means @ sums.spread
        self.total = sums.total_ss() - fits.rss
        # A perfect fit keeps a rounding-sized margin, so that its region is a point and not empty.
        self.room = margin(fits.rss, sums.df_error(3), level) + 1e-14 * (self.total + fits.rss)
        self.grid = self.shape.coord(self.shape.grid(self.x))  # descending
        self.best = self.shape.coord(fits.bend)
        self.low, self.high = self._hull()

    def _given(self, coord):
        """Slack of RSS, slope, size and rise for coords (D, R, K)."""
        rise = self.shape.rise(self.x[:, None, None, :], self.shape.uncoord(coord)[..., None])
        centre = np.einsum("dm,drkm->drk", self.sums.share, rise)
        size = np.einsum("drkm,drkm->drk", rise @ self.sums.spread[:, None], rise)
        along = np.einsum("drkm,drm->drk", rise, self.pull)
        size = np.where(size > 0, size, np.inf)
        slack = self.room[..., None] - (self.total[..., None] - along * along / size)
        return slack, along / size, size, centre

    def _hull(self):
        """Outermost bends inside the region: grid nodes, then bisection of the last step outside."""
        shape = (*self.best.shape, self.grid.shape[1])
        nodes = np.sort(
            np.concatenate([np.broadcast_to(self.grid[:, None], shape), self.best[..., None]], -1)
        )
        inside = self._given(nodes)[0] >= 0
        inside |= nodes == self.best[..., None]
        last = nodes.shape[-1] - 1
        first_in, last_in = np.argmax(inside, axis=-1), last - np.argmax(inside[..., ::-1], axis=-1)
        pick = lambda k: np.take_along_axis(nodes, k[..., None], axis=-1)[..., 0]  # noqa: E731
        low = self._edge(pick(first_in), pick(np.maximum(first_in - 1, 0)))
        high = self._edge(pick(last_in), pick(np.minimum(last_in + 1, last)))
        self.nodes = nodes
        return self.shape.uncoord(low), self.shape.uncoord(high)

    def _edge(self, inner, outer):
        for _ in range(60):
            middle = 0.5 * (inner + outer)
            within = self._given(middle[..., None])[0][..., 0] >= 0
            inner, outer = np.where(within, middle, inner), np.where(within, outer, middle)
            if np.all(np.abs(inner - outer) <= 1e-13 * np.abs(inner)):
                break
        return inner

    def _extreme(self, value, sign):
        """Greatest (sign 1) or least (sign -1) of ``value(slack, slope, size, centre, bend, sign)``."""
        ends = self.shape.coord(self.low)[..., None], self.shape.coord(self.high)[..., None]
        coord = np.concatenate(
            [ends[0] + (ends[1] - ends[0]) * np.linspace(0, 1, self.NODES), self.nodes], -1
        )
        coord = np.sort(np.clip(coord, *ends), axis=-1)
        for _ in range(self.ROUNDS):
            score = self._score(value, coord, sign)
            middle = np.take_along_axis(coord, np.argmax(score, axis=-1)[..., None], -1)
            left = np.where(coord < middle, coord, ends[0]).max(axis=-1, keepdims=True)
            right = np.where(coord > middle, coord, ends[1]).min(axis=-1, keepdims=True)
            steps = np.linspace(0, 1, self.ZOOM)
            coord = np.concatenate(
                [left + (middle - left) * steps, middle + (right - middle) * steps[1:]], -1
            )
        return sign * self._score(value, coord, sign).max(axis=-1)

    def _score(self, value, coord, sign):
        slack, slope, size, centre = self._given(coord)
        ok = (slack >= 0) | (coord == self.best[..., None])
        with np.errstate(invalid="ignore"):
            score = sign * value(np.maximum(slack, 0.0), slope, size, centre, self.shape.uncoord(coord), sign)
        return np.where(ok & ~np.isnan(score), score, -np.inf)

    def optimum(self, price_ratio):
        """Ends (D, R) of the economic optimum over the region; the optimum rises with the slope."""
        start = self.start[:, None, None]

        def value(slack, slope, size, centre, bend, sign):
            slope = slope + sign * np.sqrt(slack / size)
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(slope > price_ratio, price_ratio / slope, 1.0)
                rate = start + np.where(slope > price_ratio, self.shape.reach(share, bend), 0.0)
            return np.where(np.isnan(rate), np.inf, rate)

        return self._extreme(value, -1), self._extreme(value, 1)

    def plateau(self):
        """Ends (D, R) of the plateau over the region."""
        level = self.sums.level[..., None]
        level_var = self.sums.level_var[:, None, None]

        def value(slack, slope, size, centre, bend, sign):
            over = self.shape.height(bend) - centre
            return level + slope * over + sign * np.sqrt(slack * (level_var + over**2 / size))

        return self._extreme(value, -1), self._extreme(value, 1)
