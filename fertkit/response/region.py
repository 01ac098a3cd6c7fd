"""Confidence regions of many fits at once: exact gradient sets and profile regions.

Everything here takes arrays over designs D and replicates R and answers at one level or several, (D, R, L);
`fertkit.response.interval` asks for one fit. Each fit is worked as if it were alone.
"""

from functools import cache, cached_property

import numpy as np

from fertkit.laws import t_point
from fertkit.response.curves import CURVES
from fertkit.response.curves.record import SHAPED_PARAMS, Shape, Shapes
from fertkit.response.search import Fits, gather, joined, solve_basis
from fertkit.response.sums import Sums


def region(curve: str, fits: Fits, sums: Sums, level=0.95):
    """Confidence region of fits: `Region` of a curve with a shape, `LinearRegion` of the others.

    `level` is one confidence level or several (L,); the ends of a region are arrays (D, R, L).
    """
    return (Region if CURVES[curve].shape else LinearRegion)(curve, fits, sums, level)


def regions(fits: dict[str, Fits], sums: Sums, level) -> "Region":
    """Confidence region of several curves with a shape on one design, each curve in the place of a design."""
    return Region(tuple(fits), joined(list(fits.values())), sums.take(np.zeros(len(fits), int)), level)


def optimum_sets(curve: str, fits: Fits, sums: Sums, price_ratio, level=0.95):
    """Ends (low, high), each (D, R), of the interval of the economic optimum; not cut to tested rates."""
    return tuple(end[..., 0] for end in region(curve, fits, sums, level).optimum(price_ratio))


def gain_sets(curve: str, fits: Fits, sums: Sums, rate, level=0.95, over=None):
    """Ends (low, high), each (D, R), of the yield gained at a rate or rates (D, R) over the lowest tested."""
    return tuple(end[..., 0] for end in region(curve, fits, sums, level).gain_at(rate, over))


def margin(rss, df, level):
    """Rise of the residual sum of squares (D, R, L) that a value inside the interval may cost."""
    df = df[:, None]
    return rss[..., None] * (t_point(df, 0.5 + np.atleast_1d(level) / 2) ** 2 / df)[:, None]


class LinearRegion:
    """Exact sets of a curve linear in its parameters: all curves with RSS within the F margin of the best."""

    def __init__(self, curve: str, fits: Fits, sums: Sums, level):
        self.curve, self.sums, self.params = curve, sums, fits.params
        columns, self.back = CURVES[curve].basis.columns(sums.rates, sums.rates)
        self.coef, self.unit, _ = solve_basis(columns, sums)
        self.room = margin(fits.rss, sums.df_error(CURVES[curve].n_params), level)
        self.any_join = np.zeros(self.room.shape, bool)

    def optimum(self, price_ratio):
        """Ends (D, R, L) of the optima: the rates where the slope can be the price ratio.

        The set of rates with a given gradient is Bachmaier's (2009); what is added is which of them are
        maxima within the tested rates, and when only the edges are left.
        """
        basis = CURVES[self.curve].basis
        low, high = (end[:, None, None] for end in (self.sums.lowest, self.sums.highest))
        if not basis.constant:  # nothing changes with the rate
            return (np.broadcast_to(low, self.room.shape).copy(),) * 2
        turn = self.back[:, 1:, 1:]
        unit = turn @ self.unit @ np.swapaxes(turn, 1, 2)
        # squared half-widths of the parameters
        v = unit[:, None, None] * self.room[..., None, None]
        i, k = basis.constant - 1, basis.lead - 1
        constant = self.params[..., basis.constant, None] - price_ratio
        if not basis.lead:
            return _edges(constant, v[..., i, i])
        lead, middle = self.params[..., basis.lead, None], basis.chord(low, high)
        # (lead z + constant)^2 - variance, as q z^2 + 2 h z + c
        q, h, c = lead**2 - v[..., k, k], lead * constant - v[..., 0, 1], constant**2 - v[..., i, i]
        z = _roots(q, h, c)
        roots = [basis.rate_of(root) for root in (z[::-1] if basis.falls else z)]
        chord = np.ones((len(unit), 2))
        chord[:, k] = middle[:, 0, 0]
        along = np.einsum("di,dij,dj->d", chord, unit, chord)[:, None, None] * self.room
        edges = _edges(middle * lead + constant, along)
        bow = -lead if basis.falls else lead
        return _maxima(
            q, h * h - q * c, bow, roots, basis.rate_of(middle), edges, _between(lead, constant, z)
        )

    def gain_at(self, rate, over=None):
        """Ends (D, R, L) of the yield gained at a rate or rates (D, R) over another, else the lowest."""
        columns, rates = CURVES[self.curve].basis.columns, self.sums.rates
        at = np.broadcast_to(np.asarray(rate, float), self.room.shape[:2])
        foot = rates[:, :1] if over is None else np.full((len(rates), 1), float(over))
        contrast = columns(rates, at)[0] - columns(rates, foot)[0]
        gain = np.einsum("drq,drq->dr", self.coef, contrast)[..., None]
        unit = np.einsum("drq,dqs,drs->dr", contrast, self.unit, contrast)[..., None]
        half = np.sqrt(unit * self.room)
        return gain - half, gain + half


def _edges(slope, variance):
    """Optimum of a curve that bows up or not at all: an edge, or either when the ends look alike."""
    sure = slope**2 > variance
    edge = np.where(slope > 0, np.inf, 0.0)
    return np.where(sure, edge, 0.0), np.where(sure, edge, np.inf)


def _roots(q, h, k):
    """Roots of ``q z^2 + 2 h z + k``, ascending, without cancellation; real part where there are none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        far = -(h + np.where(h >= 0, 1.0, -1.0) * np.sqrt(np.maximum(h * h - q * k, 0.0)))
        pair = np.nan_to_num(np.stack([far / q, k / far]), nan=0.0, posinf=np.inf, neginf=-np.inf)
    return pair.min(axis=0), pair.max(axis=0)


def _between(lead, constant, z):
    """Whether the slope exceeds the price ratio between the two roots (where it surely differs from it)."""
    first, last = (np.maximum(root, 0.0) for root in z)  # no rate has a z below
    with np.errstate(invalid="ignore"):
        return lead * 0.5 * (first + np.where(np.isfinite(last), last, 2 * first + 1)) + constant > 0


def _maxima(q, discriminant, bow, roots, middle, edges, rising):
    """Assemble the set of optima.

    A sure bow (q > 0) leaves the stretch between the roots when it bows down, else only the edges. Otherwise
    the slope surely differs from the price ratio only between the roots, if anywhere. A straight line whose
    slope is the price ratio is then refused too, so that the rates on one side of the roots are all maxima
    and those on the other all minima: where the slope between is above the ratio, the optimum lies beyond;
    where below, before. The edge on the side of the minima is an optimum only of curves that bow up and gain
    nothing from end to end; that chord has the slope of the curve at `middle`.
    """
    (first, last), sure = roots, q > 0
    low = np.where(bow < 0, np.maximum(first, 0.0), edges[0])
    high = np.where(bow < 0, np.maximum(last, 0.0), edges[1])
    anywhere = discriminant < 0
    low_open = np.where(anywhere | ~rising | (first > middle), 0.0, np.maximum(last, 0.0))
    high_open = np.where(anywhere | rising | (last < middle), np.inf, np.maximum(first, 0.0))
    return np.where(sure, low, low_open), np.where(sure, high, high_open)


@cache
def _shape(curve):
    return CURVES[curve].shape if isinstance(curve, str) else Shapes(CURVES[key].shape for key in curve)


class Region:
    """Profile region of a curve with a shape: all (bend, slope) with RSS within the F margin of the best.

    For a given bend the region is an interval of slopes, so it is known from its hull of bends and a profile
    of RSS along them; the ends of any quantity are found by search over the bend alone.

    Attributes
    ----------
    low, high : array (D, R, L)
        Hull of the bends in the region; 0 for a straight line, inf for a step at the first rate.
    step, line : array (D, R, L) of bool
        Whether the region holds the step and the straight line, beyond which the search has no nodes.
    """

    #: Nodes across the hull, as shares: close at its ends, where slopes run as the root of what is left.
    NODES = (1 - np.cos(np.linspace(0, np.pi, 32))) / 2
    #: Points a side of a round of closing in, and rounds; fewer where the kinks of a value are looked at too:
    #: it is smooth between them.
    ZOOM, ROUNDS, SMOOTH_ROUNDS = 16, 3, 2

    def __init__(self, curve: str | tuple[str, ...], fits: Fits, sums: Sums, level):
        self.curve, self.sums = curve, sums
        self.start = self.shape.start(sums.rates)
        self.x = sums.rates - self.start[:, None]
        self.maps = np.concatenate([sums.spread, sums.share[:, None]], axis=1)[:, None]
        self.pull = sums.means @ sums.spread
        self.gain = sums.total_ss() - fits.rss
        # A perfect fit keeps a rounding-sized margin, so that its region is a point and not empty.
        self.room = (
            margin(fits.rss, sums.df_error(SHAPED_PARAMS), level) + 1e-14 * (self.gain + fits.rss)[..., None]
        )
        self.grid = self.shape.coord(self.shape.grid(self.x))[:, None, None]  # (D, 1, 1, K), descending
        self.best = self.shape.coord(fits.bend)[..., None, None]
        self.at_grid = self.given(self.grid)
        self.nodes, self.ends = self._hull()
        self.line = self.ends[..., 0] <= self.grid[..., -1]
        self.step = self.ends[..., 1] >= self.grid[..., 0]
        low, high = np.moveaxis(self.shape.uncoord(self.ends), -1, 0)
        self.low, self.high = np.where(self.line, 0.0, low), np.where(self.step, np.inf, high)

    @property
    def shape(self) -> Shape | Shapes:
        return _shape(self.curve)  # by name, so that a region can be pickled

    def given(self, coord):
        """Slack of RSS, slope, size, centre and bend at coords (D, R, L, ...), 1 for an axis all alike."""
        bend = self.shape.uncoord(coord.reshape(*coord.shape[:2], 1, -1))
        rise = self.shape.rise(self.x[:, None, :, None], bend)
        pushed = self.maps @ rise
        size = (pushed[:, :, :-1] * rise).sum(axis=2)
        size = np.where(size > 0, size, np.inf)
        one = rise.shape[1] == 1
        along = self.pull @ rise[:, 0] if one else (self.pull[:, :, None] @ rise)[:, :, 0]
        slope, gain = along / size, along * along / size
        gain, slope, size, centre, bend = (
            v.reshape(*v.shape[:2], *coord.shape[2:])
            for v in (gain, slope, size, pushed[:, :, -1], bend[:, :, 0])
        )
        room, most = (v.reshape(*v.shape, *(1,) * (coord.ndim - v.ndim)) for v in (self.room, self.gain))
        return room - (most - gain), slope, size, centre, bend

    @property
    def any_join(self):
        """Whether a join anywhere up to the first rate is in the region, (D, R, L)."""
        return self.step & self.shape.has_join

    def _hull(self):
        """What is known at the nodes of the grid inside the region, and the outermost bends inside it.

        These are nodes, then the crossing in the last step outside; a node outside is taken for the best.
        """
        inside = self.at_grid[0] >= 0
        nodes = tuple(
            np.where(inside, at, best)
            for at, best in zip((self.grid, *self.at_grid), (self.best, *self.given(self.best)), strict=True)
        )
        inner = np.stack([nodes[0].min(axis=-1), nodes[0].max(axis=-1)], axis=-1)
        below = np.where(self.grid < inner[..., :1], self.grid, -np.inf).max(axis=-1)
        above = np.where(self.grid > inner[..., 1:], self.grid, np.inf).min(axis=-1)
        outer = np.stack([below, above], axis=-1)
        return nodes, self.edge(inner, np.where(np.isfinite(outer), outer, inner))

    def edge(self, inner, outer):
        """Where the slack crosses zero between inner and outer coords (D, R, L, K), by Anderson and Bjorck.

        It is asked of the root of the loss in RSS, which is close to straight where the loss is a parabola.
        """
        root = np.sqrt(self.room)[..., None]
        pair = np.concatenate([inner, outer], axis=-1)
        f_in, f_out = np.split(self._inside(pair), 2, axis=-1)
        f_in = np.maximum(f_in, 0.0)
        near = 0.5e-12 * root
        moved, done = np.zeros(inner.shape, int), np.zeros(inner.shape, bool)
        for _ in range(50):
            with np.errstate(invalid="ignore", divide="ignore"):
                new = inner + (outer - inner) * (f_in / (f_in - f_out))
            new = np.where(np.isfinite(new), new, inner)
            f_new = self._inside(new)
            # One that has arrived stays, so that it does not matter how long the others take.
            within = (f_new >= -near) & ~done
            closed = np.abs(outer - inner) <= 1e-12 * np.abs(new)
            # The end that stays put twice loses weight, so that both ends close in.
            with np.errstate(invalid="ignore", divide="ignore"):
                left = 1.0 - f_new / np.where(within, f_in, f_out)
            left = np.where(left > 0, left, 0.5)
            inner, f_in = np.where(within, new, inner), np.where(within, f_new, f_in)
            outer, f_out = (np.where(within | done, *pair) for pair in ((outer, new), (f_out, f_new)))
            side = np.where(within, 1, -1)
            f_out = np.where((moved == 1) & within, left * f_out, f_out)
            f_in = np.where((moved == -1) & ~within, left * f_in, f_in)
            moved = side
            done |= closed | (np.abs(f_new) <= near)
            if done.all():
                break
        return inner

    def _inside(self, coord):
        """How far inside the region coords are: the root of the loss in RSS allowed less that of the loss."""
        room = self.room[..., None]
        return np.sqrt(room) - np.sqrt(np.maximum(room - self.given(coord)[0], 0.0))

    @cached_property
    def _across(self):
        """Coords from end to end of the hull, with the nodes inside it, and what is `given` there."""
        low, high = self.ends[..., :1], self.ends[..., 1:]
        return [v[..., None, :] for v in self._beside(self.nodes, low + (high - low) * self.NODES)]

    def _beside(self, known, coord):
        """Coords and what is `given` there, with that at more coords."""
        return [
            np.concatenate(pair, axis=-1) for pair in zip(known, (coord, *self.given(coord)), strict=True)
        ]

    @cached_property
    def _rises(self):
        """Whether every curve of the region rises: it holds no slope of 0, and none below at its nodes."""
        return bool((self.room < self.gain[..., None]).all() and (self._across[2] > 0).all())

    def _extremes(self, value, rounds=ROUNDS, kinks=None):
        """Least and greatest (D, R, L) of ``value(slack, slope, size, centre, bend, sign)``.

        Bends at which the value may have a kink, (D, R, k), are looked at too.
        """
        ends = self.ends[..., None, :1], self.ends[..., None, 1:]
        # Least and greatest are followed side by side on an axis of their own.
        coord, *given = self._across
        if kinks is not None:
            more = np.clip(self.shape.coord(kinks)[:, :, None, None], *ends)
            coord, *given = self._beside(self._across, more)
        sign = np.array([[-1.0], [1.0]])
        score = self._score(value, coord, given, sign)
        steps = np.arange(self.ZOOM) / self.ZOOM
        for _ in range(rounds):
            coord = np.broadcast_to(coord, score.shape)
            middle = gather(coord, np.argmax(score, axis=-1)[..., None])
            left = np.where(coord < middle, coord, ends[0]).max(axis=-1, keepdims=True)
            right = np.where(coord > middle, coord, ends[1]).min(axis=-1, keepdims=True)
            coord = np.concatenate([left + (middle - left) * steps, middle + (right - middle) * steps], -1)
            score = self._score(value, coord, self.given(coord), sign)
        best = score.max(axis=-1)
        return -best[..., 0], best[..., 1]

    def _score(self, value, coord, given, sign):
        slack, slope, size, centre, bend = given
        # The ends of the hull count as inside, whatever the last digit of their slack says.
        ok = (slack >= -1e-9 * self.room[..., None, None]) | (coord == self.best[..., None])
        with np.errstate(invalid="ignore"):
            score = sign * value(np.maximum(slack, 0.0), slope, size, centre, bend, sign)
        return np.where(ok & ~np.isnan(score), score, -np.inf)

    def optimum(self, price_ratio):
        """Ends (D, R, L) of the economic optimum over the region; the optimum rises with the slope."""
        start = self.start[:, None, None]

        def value(slack, slope, size, centre, bend, sign):
            slope = slope + sign * np.sqrt(slack / size)
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(slope > price_ratio, price_ratio / slope, 1.0)
            rate = start[..., None, None] + self.shape.reach(share, bend)
            return np.where(np.isnan(rate), np.inf, rate)

        # Where every rise pays, its end is the optimum, and the ends of the bends have the outermost.
        low, high = self._extremes(value, 0 if price_ratio == 0 and self._rises else self.ROUNDS)
        # A straight line that pays, pays without end; a step at the first rate may be at any rate below it.
        slope, reach = self._slopes(-1)
        pays = slope + reach > price_ratio
        if self.any_join.any():
            high = np.where(self.any_join, np.maximum(high, self._before_first(price_ratio)), high)
        return np.where(self.step, start, low), np.where(self.line & pays, np.inf, high)

    def _slopes(self, node):
        """Slope at a node of the grid, and how far the region goes from it, (D, R, L)."""
        slack, slope, size = (v[..., node] for v in self.at_grid[:3])
        return slope, np.sqrt(np.maximum(slack, 0.0) / size)

    def _before_first(self, price_ratio):
        """Greatest optimum (D, R, L) of the joins up to the first rate above the lowest.

        All these joins fit alike, with one effect of the first rate between them: the closer the join, the
        steeper the rise that gives it. On a rise from the lowest rate the optimum is greatest where the join
        is the effect over the price ratio; else the joins are tried one by one.
        """
        shape, step = self.shape, self.shape.uncoord(self.grid[..., 0])
        base, first = self.x[:, None, None, :1], self.x[:, None, None, 1:2]
        effect = np.add(*self._slopes(0)) * (shape.height(step) - shape.rise(base[..., 0], step))
        effect = effect[..., None]
        with np.errstate(divide="ignore", invalid="ignore"):
            paying = np.clip(np.nan_to_num(effect / price_ratio, nan=0.0), base, first)
            tried = base + (first - base) * np.linspace(0, 1, 17)[1:]
            join = np.concatenate([paying, np.broadcast_to(tried, (*paying.shape[:-1], 16))], axis=-1)
            bend = 1.0 / join
            slope = effect / (shape.height(bend) - shape.rise(base, bend))
            # Where the rise is just worth its cost, its whole length is an optimum.
            share = np.where(
                slope >= price_ratio * (1 - 1e-9), np.minimum(price_ratio / slope, 1 - 1e-12), 1.0
            )
            rate = np.where(share < 1, shape.reach(share, bend), base)
        return self.start[:, None, None] + np.nan_to_num(rate, nan=0.0).max(axis=-1)

    def gain_at(self, rate, over=None):
        """Ends (D, R, L) of the yield gained at a rate or rates (D, R) over another, else the lowest."""
        start = self.start[:, None, None]
        foot = self.x[:, None, :1] if over is None else over - start
        at = np.broadcast_to(rate, self.gain.shape)[..., None] - start

        def value(slack, slope, size, centre, bend, sign):
            slope = slope + sign * np.sqrt(slack / size)
            rise = self.shape.rise(at[..., None, None], bend)
            if foot.any():  # a rise begins at 0
                rise = rise - self.shape.rise(foot[..., None, None], bend)
            return slope * rise

        # A join at a rate makes a kink; between these few a gain is smooth.
        rates = at if over is None else np.concatenate([at, np.broadcast_to(foot, at.shape)], axis=-1)
        with np.errstate(divide="ignore"):
            low, high = self._extremes(value, self.SMOOTH_ROUNDS, 1 / rates)
        # A step may lie anywhere up to the first rate: at a rate below it all of the gain may be made.
        slope, reach = self._slopes(0)
        first = self.shape.uncoord(self.grid[..., 0])
        rise = self.shape.height(first) - self.shape.rise(foot, first)
        if over is not None:  # above the step nothing is left to gain
            low = np.where(self.step, np.minimum(low, 0.0), low)
            high = np.where(self.step, np.maximum(high, 0.0), high)
        low = np.where(self.step, np.minimum(low, (slope - reach) * rise), low)
        return low, np.where(self.step, np.maximum(high, (slope + reach) * rise), high)

    def plateau(self):
        """Ends (D, R, L) of the plateau over the region."""
        level = self.sums.level[..., None, None, None]
        level_var = self.sums.level_var[:, None, None, None, None]

        def value(slack, slope, size, centre, bend, sign):
            over = self.shape.height(bend) - centre
            return level + slope * over + sign * np.sqrt(slack * (level_var + over**2 / size))

        return self._extremes(value)
