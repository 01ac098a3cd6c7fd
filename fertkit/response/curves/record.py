"""What a curve is made of: one record holds all that sets it apart from the others.

Two families are known to the fits: curves linear in their parameters (`Basis`), and curves written as
``y = a + b rise(x; bend)`` with one shape parameter (`Shape`), linear once the bend is given.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial, wraps

import numpy as np

#: Share of the rise that is left where a curve that never levels off is said to have risen.
LEFT = 0.05
SHAPED_PARAMS = 3  # level, slope and bend
_NEAR = 1 + 1e-9  # a limit met but for rounding is met; a best join there is flat, so sure to 1e-12 at most


def split(params):
    """Parameters one by one, from the last axis."""
    params = np.asarray(params, float)
    return [params[..., place] for place in range(params.shape[-1])]


def param(place):
    """Give the parameter at a place."""
    return lambda params: split(params)[place].copy()


def nothing(params):
    """Nan for each set of parameters."""
    return np.full(np.shape(params)[:-1], np.nan)


def quiet(function):
    """Run `function` with the expected 0/0 and x/0 of limiting parameters silenced."""

    @wraps(function)
    def wrapped(*args):
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return function(*args)

    return wrapped


def known(function):
    """An optimum that is nan where a parameter or the price ratio is: comparisons alone would give 0."""
    silent = quiet(function)

    @wraps(function)
    def wrapped(params, pr):
        lost = np.isnan(np.asarray(params, float)).any(axis=-1) | np.isnan(pr)
        return np.where(lost, np.nan, silent(params, pr))

    return wrapped


def straight_optimum(slope, pr):
    """Optimum of a straight line: without end, or none."""
    return np.where(slope > pr, np.inf, 0.0)


@dataclass(frozen=True, kw_only=True)
class Basis:
    """A curve linear in its parameters; its slope is ``lead z(rate) + constant``.

    Attributes
    ----------
    columns : callable (rates, at) -> (columns, back)
        Columns beside the intercept at rates `at` (D, k), scaled by the tested `rates` (D, m), and the map
        ``published = back @ (intercept, coefficients)``, (D, q + 1, q + 1).
    constant, lead : int
        Which parameters these are, counted from 0; 0, the level, where the curve has none.
    chord : callable (low, high)
        Mean of z between two rates.
    rate_of : callable (z)
        Rate at which z is met.
    falls : bool
        Whether z falls as the rate rises.
    """

    columns: Callable
    constant: int = 0
    lead: int = 0
    chord: Callable | None = None
    rate_of: Callable | None = None
    falls: bool = False


def _reached(steep, share, bend):
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(share >= 1, 0.0, steep(np.clip(share, 0, 1)) / bend)


@dataclass(frozen=True, kw_only=True)
class Shape:
    """A family ``a + b rise(x; bend)``; all functions broadcast.

    ``rise`` starts at 0 with slope 1 at the lowest rate (at rate 0 where `shifted` is False). ``bend`` is one
    over the scale of the curve, such as 1 / (join - lowest rate); 0 is the straight line. For a given bend
    the curve is linear in (a, b), which is what makes an exact search possible.

    Attributes
    ----------
    rise : callable (x, bend)
        Rise of the curve.
    jet : callable (x, coord)
        Rise with its first and second derivative by ``coord``, the coordinate of bend that suits the search.
    coord, uncoord : callable
        Bend to coordinate and back, both increasing.
    tall : float
        Bend times the rise at the plateau or asymptote.
    steep : callable (share)
        Bend times the rate at which the slope has fallen to a share (0..1) of the slope at the start.
    publish : callable (a, b, bend, start)
        Published parameters, last axis p.
    grid : callable (rates)
        Bends (D, K), descending, that cover the family for rates (D, m) measured from `start`.
    line : float
        Bend times the range of rates up to which the curve is a straight line. 1 where it is straight up to
        its join, so that all joins beyond the tested rates fit alike.
    step : float
        Bend times the first gap between rates from which on the first rate makes all of the rise.
    near : callable (left), optional
        Bend times the rate at which only a share of the rise is left, for a curve that never levels off; None
        for one with a join.
    exact : callable (x, spread, pull), optional
        Best bends in closed form; see `search.search`, which finds those of other curves.
    beyond : str
        Key of the curve it is when its join lies beyond the tested rates.
    shifted : bool
        Whether rates are measured from the lowest rate.
    """

    rise: Callable
    jet: Callable
    coord: Callable
    uncoord: Callable
    tall: float
    steep: Callable
    publish: Callable
    grid: Callable
    line: float
    step: float = 1.0
    near: Callable | None = None
    exact: Callable | None = None
    beyond: str = ""
    shifted: bool = True

    @property
    def has_join(self) -> bool:
        return self.near is None

    @property
    def kinked(self) -> bool:
        """Whether the curve is straight up to its join."""
        return self.has_join and self.line >= 1

    @property
    def end(self) -> float:
        """Bend times the rate where the rise ends: the join, or where only `LEFT` is left of it."""
        return 1.0 if self.near is None else float(self.near(LEFT))

    def height(self, bend):
        """Rise at the plateau or asymptote; inf for a straight line."""
        with np.errstate(divide="ignore"):
            return self.tall / bend

    def reach(self, share, bend):
        """Rate at which the slope has fallen to `share` of the slope at the start; 0 from a share of 1 on."""
        return _reached(self.steep, share, bend)

    def start(self, rates):
        """Where the rise begins, (D,), for tested rates (D, m) [rate unit]."""
        return rates[:, 0] if self.shifted else 0.0 * rates[:, 0]

    def limits(self, bend, rates):
        """Whether bends (D, R) have run into a limit of the family, for tested rates (D, m).

        Returns
        -------
        step, line, beyond : array (D, R) of bool
            All of the rise is made by the first rate above the lowest; the curve is a straight line over the
            tested rates; the join lies beyond the top rate.
        """
        start = self.start(rates)[:, None]
        first, top = bend * (rates[:, 1:2] - start), bend * (rates[:, -1:] - start)
        return first * _NEAR >= self.step, top <= self.line * _NEAR, (top * _NEAR < 1) & self.has_join


class Shapes:
    """Shapes of several curves as one, each for a design of its own, the first axis of every array."""

    def __init__(self, shapes):
        self.shapes = tuple(shapes)

    def _each(self, name, *arrays):
        """What each shape makes of its design, joined."""
        made = [getattr(one, name)(*[a[i : i + 1] for a in arrays]) for i, one in enumerate(self.shapes)]
        return np.concatenate(made)

    def rise(self, x, bend):
        return self._each("rise", x, bend)

    def reach(self, share, bend):
        return _reached(partial(self._each, "steep"), share, bend)

    def height(self, bend):
        return self._each("height", bend)

    def coord(self, bend):
        return self._each("coord", bend)

    def uncoord(self, coord):
        return self._each("uncoord", coord)

    def start(self, rates):
        return self._each("start", rates)

    def grid(self, x):
        """Bends of each (D, K), its last repeated up to the length of the longest."""
        grids = [one.grid(x[i : i + 1]) for i, one in enumerate(self.shapes)]
        most = max(grid.shape[1] for grid in grids)
        return np.concatenate([np.pad(g, ((0, 0), (0, most - g.shape[1])), "edge") for g in grids])

    @property
    def has_join(self):
        """Whether each has one, (D, 1, 1), a design of each."""
        return np.array([one.has_join for one in self.shapes])[:, None, None]


@dataclass(frozen=True, kw_only=True)
class Curve:
    """One response curve.

    Attributes
    ----------
    key, label, formula : str
        Name in code, name in the literature, and the formula as text.
    param_names, param_units : tuple of str
        Published parameters and their units, written with ``{y}`` (yield unit) and ``{x}`` (rate unit).
    value, slope : callable (x, params) -> array
        Yield and its derivative. At a join the slope is that of the plateau side.
    optimum : callable (params, price_ratio) -> array
        Rate >= 0 where net return is greatest by formula, not clipped to tested rates; inf where net
        return never stops rising; the lowest rate where rates tie.
    join, plateau : callable (params) -> array
        Join point and greatest attainable yield (asymptote or plateau); nan where the curve has none.
    look : (str, str or tuple)
        Its line in figures: a colour of the palette by its name, and the dashes.
    in_average : bool
        Whether optima are averaged over it: curves of diminishing returns, all of three parameters.
    basis : Basis or None
        What makes a curve linear in its parameters; None for a curve with a shape.
    shape : Shape or None
    peaked : callable (yield_without, rise, rate), optional
        Parameters of the curve that gains `rise` over the yield at rate 0 up to its greatest yield at a rate.
        A curve with a shape needs none.
    """

    key: str
    label: str
    formula: str
    param_names: tuple[str, ...]
    param_units: tuple[str, ...]
    value: Callable
    slope: Callable
    optimum: Callable
    join: Callable = nothing
    plateau: Callable = nothing
    look: tuple[str, str | tuple]
    in_average: bool
    basis: Basis | None = None
    shape: Shape | None = None
    peaked: Callable | None = None

    @property
    def n_params(self) -> int:
        return len(self.param_names)

    @property
    def bends(self) -> bool:
        """Whether the curve has a greatest yield at some rate: all but the mean and the straight line."""
        return self.shape is not None or self.peaked is not None

    def upward(self, params, rate):
        """What bends a curve linear in its parameters, in yield at a rate; above zero where it bends up."""
        if not self.basis.lead:
            return 0.0
        bent = self.value(rate, np.eye(self.n_params)[self.basis.lead]) * params[..., self.basis.lead]
        return -bent if self.basis.falls else bent

    def units(self, yield_unit: str, rate_unit: str) -> list[str]:
        """Units of the parameters, e.g. ``["bu/ac", "bu/ac per lb/ac"]``."""
        return [u.format(y=yield_unit, x=rate_unit) for u in self.param_units]

    def through(self, yield_without: float, rise: float, rate: float) -> np.ndarray:
        """Parameters (p,) of the curve whose rise ends at a rate, all but `LEFT` of it if it never ends."""
        if self.shape is None:
            return np.array(self.peaked(yield_without, rise, rate), float)
        bend = np.float64(self.shape.end / rate)
        return self.shape.publish(yield_without, rise / self.shape.height(bend), bend, 0.0)
