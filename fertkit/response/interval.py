"""Intervals for the economic optimum, the join and the plateau, open where the data leave them open.

A `ResponseFit` has them as methods. Three kinds, and one contrast:

* ``exact``: for curves linear in their parameters, all rates at which the slope can be the price ratio
  (Bachmaier 2009, Statistical Papers 50:649-660; a Fieller-type set that may be unbounded);
* ``profile``: all values that some curve with ``RSS <= RSSmin (1 + F / df)`` attains. For a given shape that
  region is an interval of slopes, so the profile is a search over the shape alone;
* ``bootstrap``: percentiles over refitted replicates, from inflated residuals;
* ``wald``: estimate -+ t SE. Symmetric, never open, too short above; for comparison only.

Coverage of the 95 % intervals (``tests/benchmarks/coverage.py``: six curves, 16 scenarios of 2,000 block
trials; table and figure in ``tests/reference/coverage``):

* Were the true curve known, its exact or profile interval would cover 94 to 96 % everywhere.
  So it does on a rise so straight or so noisy that the bend is not sure.
* It is not known. The interval of the curve with the best AICc covers 66 to 91 %, that of always the
  quadratic-plateau 1 to 96 %: both forget that the curve was chosen.
* The averaged interval (`averaging`), the default of an analysis, covers 93 to 98 %, except at the two ends
  of the family: 90 % when a linear-plateau is tried with 5 rates in 3 blocks, or a square root with plots of
  7 % error, 92.4 % for a linear-plateau with such plots.
  Its optimum is then the least, or the greatest, of all six, and the data cannot yet tell that
  the curves between do not hold. Above 97 % it lies for curves amid the family with few or noisy plots.
  More rates cure both: with 9 rates in 6 blocks it covers 95 to 96 %.

Examples
--------
Strips half a bushel to either side of 48 + 0.2 x - 0.001 x^2 (invented); at a price ratio of 0.04 the
optimum is (0.2 - 0.04) / 0.002 = 80:

>>> from fertkit.response import fit_response
>>> import pandas as pd
>>> rates = [0, 40, 80, 120, 160] * 2
>>> yields = [48 + 0.2 * x - 0.001 * x**2 + d for x, d in zip(rates, [-0.5] * 5 + [0.5] * 5)]
>>> fit = fit_response(pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields}), "quadratic")
>>> 80 in fit.optimum_interval(0.04)
True
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fertkit.asked import a_share, a_word, amounts, asks, make_rng
from fertkit.errors import LookupFailed, NotEstimable, unknown
from fertkit.laws import t_point
from fertkit.response.curves import get_curve, optimum_in_range
from fertkit.response.region import Region, gain_sets, optimum_sets
from fertkit.response.search import Fits, fit_sums
from fertkit.response.sums import Sums
from fertkit.results import plain
from fertkit.rounding import above, at_least, at_most, below, same


@dataclass(frozen=True)
class Interval:
    """An interval with ends that may be open.

    Attributes
    ----------
    low, high : float
        Ends; -inf or inf where the data set no end.
    low_open, high_open : bool
        The true value may lie beyond the end given (or at no end at all).
    level : float
        Confidence level, 0 for a set of equally good values.
    method : str
        ``exact``, ``profile``, ``bootstrap``, ``wald``, ``averaged`` or ``identified``.
    span : float
        Range of the tested rates it was cut to, a thousandth of which is nothing in words; 0 if uncut.
    """

    low: float
    high: float
    low_open: bool
    high_open: bool
    level: float
    method: str
    span: float = 0.0

    def within(self, lowest: float, highest: float) -> "Interval":
        """The interval cut to the tested rates; an end that reached beyond them is marked open."""
        low, high = np.clip([self.low, self.high], lowest, highest)
        under = below(self.low, lowest) and lowest > 0  # nothing lies below a rate of zero
        return replace(
            self,
            span=float(highest - lowest),
            low=float(low),
            high=float(high),
            low_open=bool(under or above(self.low, highest) or (self.low_open and same(self.low, low))),
            high_open=bool(above(self.high, highest) or (self.high_open and same(self.high, high))),
        )

    def text(self, digits: int = 3) -> str:
        """The interval in words, e.g. ``147 to > 150``; never a number beyond an open end."""
        if np.isnan(self.low) or np.isnan(self.high):
            return "not estimable"
        ends = [abs(v) for v in (self.low, self.high) if abs(v) > self.span / 1000 and np.isfinite(v)]
        places = max(0, digits - 1 - int(np.floor(np.log10(max(ends, default=1.0)))))
        low, high = (f"{v:.{places}f}" if abs(v) > self.span / 1000 else "0" for v in (self.low, self.high))
        if np.isneginf(self.low) and np.isposinf(self.high):
            return "no limit either way"
        if low == high:
            return f"> {high}" if self.high_open else f"< {low}" if self.low_open else low
        if self.method == "identified" and np.isfinite(self.high):
            return f"anywhere up to {plain(self.high)}"
        low = "no lower limit" if np.isneginf(self.low) else f"< {low}" if self.low_open else low
        high = "no upper limit" if np.isposinf(self.high) else f"> {high}" if self.high_open else high
        return f"{low} to {high}"

    def __contains__(self, value) -> bool:
        from_low, to_high = at_most(self.low, value), at_most(value, self.high)
        return (from_low or self.low_open) and (to_high or self.high_open)


def make_interval(low, high, level, method) -> Interval:
    """An interval whose infinite ends are open."""
    low, high = float(low), float(high)
    return Interval(low, high, bool(np.isinf(low)), bool(np.isinf(high)), level, method)


def join_identified(curve, fits: Fits, sums: Sums) -> Interval | None:
    """All joins that fit equally well: a point, the whole first gap, or everything beyond the top rate."""
    if curve.shape is None or not curve.shape.has_join:
        return None
    start = float(curve.shape.start(sums.rates)[0])
    bend, first = float(fits.bend[0, 0]), float(sums.rates[0, 1])
    join = start + 1 / bend if bend > 0 else np.inf
    top = float(sums.highest[0])
    if at_most(join, first):
        return Interval(float(sums.lowest[0]), first, True, False, 0.0, "identified")
    if curve.shape.kinked and at_least(join, top):
        return Interval(top, np.inf, False, True, 0.0, "identified")
    return Interval(join, join, False, bool(np.isinf(join)), 0.0, "identified")


# One fit ----------------------------------------------------------------------------------------------


@asks(price_ratio=amounts, level=a_share, method=a_word)
def optimum_interval(fit, price_ratio, level=0.95, method=None, **bootstrap) -> Interval:
    """Return the interval of the economic optimum rate of a fitted curve, not cut to the tested rates.

    Parameters
    ----------
    fit : ResponseFit
    price_ratio : float
        Nutrient price over yield price [yield unit per rate unit]; 0 gives the agronomic optimum.
    level : float
    method : {"exact", "profile", "bootstrap", "wald"}, optional
        By default ``exact`` for curves linear in their parameters and ``profile`` for the others.
    **bootstrap
        ``seed`` and ``replicates``: see `bootstrap_fits`.

    Raises
    ------
    NotEstimable
        Without error degrees of freedom.
    """
    usual = "profile" if fit.curve.shape else "exact"
    if method == "bootstrap":
        return _bootstrap_optimum(fit, price_ratio, level, **bootstrap)
    if method == "wald":
        return wald_interval(fit, lambda p: fit.curve.optimum(p, price_ratio), level)
    if method not in (None, "exact", "profile"):
        raise unknown("interval method", method, ("exact", "profile", "bootstrap", "wald"))
    if method not in (None, usual):
        what = f"the {fit.curve.label} curve has no {method} interval"
        raise LookupFailed(what, "method=None", remedy="leave the choice to the curve")
    _need_df(fit)
    low, high = optimum_sets(fit.curve.key, fit.fits, fit.data.sums, price_ratio, level)
    return make_interval(low[0, 0], high[0, 0], level, usual)


def difference(fit, level: float) -> tuple[float, float, float]:
    """Gain of the higher of two rates, and the ends of its interval; nan without error df."""
    low, high = fit.data.rates
    gain = float(fit.predict(high) - fit.predict(low))
    if fit.df_error <= 0:
        return gain, np.nan, np.nan
    ends = gain_sets(fit.curve.key, fit.fits, fit.data.sums, high, level)
    return gain, *(float(end[0, 0]) for end in ends)


@asks(level=a_share)
def join_interval(fit, level=0.95) -> Interval:
    """Return the profile interval of the join, or of the 95 % point of a rise without one; not cut.

    Raises
    ------
    NotEstimable
        For curves without a shape, or without error degrees of freedom.
    """
    low, high = bend_interval(fit, level)
    shape = fit.curve.shape
    with np.errstate(divide="ignore"):
        ends = shape.start(fit.data.sums.rates) + shape.end / np.array([high, low])
    return make_interval(*ends, level, "profile")


@asks(level=a_share)
def join_pieces(fit, level=0.95) -> list[Interval]:
    """Return the profile set of the join piece by piece: several where distant joins fit about as well.

    Raises
    ------
    NotEstimable
        As `join_interval`.
    """
    whole, region = join_interval(fit, level), _region(fit, level, "join or rate constant")
    low, high = region.ends[0, 0, 0]
    coord = np.unique(np.append(np.linspace(low, high, 2001)[1:-1], region.best[0, 0, 0]))
    inside = np.r_[False, region.given(coord[None, None, None])[0][0, 0, 0] >= 0, False]
    first, last = np.flatnonzero(~inside[:-1] & inside[1:]), np.flatnonzero(inside[:-1] & ~inside[1:]) - 1
    coord = np.r_[low, coord, high]
    ends = np.stack([coord[first + 1], coord[last + 1]], axis=-1)
    outer = np.stack([coord[first], coord[last + 2]], axis=-1)
    outer[0, 0], outer[-1, 1] = ends[0, 0], ends[-1, 1]  # the ends of all are known, and nothing lies outside
    ends = region.edge(ends.reshape(1, 1, 1, -1), outer.reshape(1, 1, 1, -1)).reshape(-1, 2)
    with np.errstate(divide="ignore"):
        joins = region.start[0] + region.shape.end / region.shape.uncoord(ends[::-1, ::-1])
    joins[0, 0], joins[-1, 1] = whole.low, whole.high
    return [make_interval(*pair, level, "profile") for pair in joins]


def bend_interval(fit, level=0.95) -> tuple[float, float]:
    """Return the profile ends of the shape: 1/(join - lowest rate), k, or 1/range [per rate unit]."""
    region = _region(fit, level, "join or rate constant")
    return float(region.low[0, 0, 0]), float(region.high[0, 0, 0])


@asks(level=a_share)
def plateau_interval(fit, level=0.95) -> Interval:
    """Return the profile interval of the plateau or asymptote of the average block [yield unit].

    Raises
    ------
    NotEstimable
        For curves without a plateau, or without error degrees of freedom.
    """
    low, high = _region(fit, level, "plateau").plateau()
    return make_interval(low[0, 0, 0], high[0, 0, 0], level, "profile")


def wald_interval(fit, function, level=0.95) -> Interval:
    """Delta-method interval of any smooth function of the published parameters; a contrast, not an answer."""
    step = 1e-6 * np.maximum(np.abs(fit.coef), 1e-12)
    move, estimate = np.diag(step), float(function(fit.coef))
    slope = (function(fit.coef + move) - function(fit.coef - move)) / (2 * step)
    half = t_point(fit.df_error, 0.5 + level / 2) * np.sqrt(slope @ fit.covariance @ slope)
    return make_interval(estimate - half, estimate + half, level, "wald")


def _region(fit, level, what) -> Region:
    if fit.curve.shape is None:
        raise NotEstimable(f"the {fit.curve.label} curve has no {what}")
    _need_df(fit)
    return Region(fit.curve.key, fit.fits, fit.data.sums, level)


def _need_df(fit):
    if fit.df_error <= 0:
        raise NotEstimable(
            f"the {fit.curve.label} curve leaves no error df; use more plots or a simpler curve"
        )


# Bootstrap --------------------------------------------------------------------------------------------


def bootstrap_fits(fit, replicates: int = 2000, seed=0) -> Fits:
    """Fit a curve again to replicates made of it and of its residuals, inflated by sqrt(n / df).

    Parameters
    ----------
    fit : ResponseFit
    replicates : int
    seed : int or numpy.random.Generator

    Returns
    -------
    Fits
        Arrays of shape (1, replicates, ...).

    Raises
    ------
    NotEstimable
        Without error degrees of freedom.
    """
    _need_df(fit)
    return _refitted(fit, _resampled(fit, replicates, make_rng(seed)))


class Draws(Mapping):
    """Bootstrap draws (replicates, p) of the parameters of each of several curves, by key.

    A curve is fitted again when its draws are asked for; a `Generator` gives all its numbers at once, so that
    it goes on alike whether they are asked for or not.
    """

    def __init__(self, fits: dict, replicates: int, seed):
        self._fits, self._replicates, self._rng = fits, replicates, make_rng(seed)
        self._chosen, self._params = self._draw() if self._rng is seed else None, {}

    def _draw(self):
        return {key: _resampled(fit, self._replicates, self._rng) for key, fit in self._fits.items()}

    def __getitem__(self, key):
        self._chosen = self._chosen or self._draw()
        if key not in self._params:
            self._params[key] = _refitted(self._fits[key], self._chosen[key]).params[0]
        return self._params[key]

    def __iter__(self):
        return iter(self._fits)

    def __len__(self):
        return len(self._fits)


def _resampled(fit, replicates, rng):
    """Which residuals each replicate gets, (replicates, n)."""
    n = len(fit.data.rate)
    return rng.integers(0, n, (replicates, n)).astype(np.min_scalar_type(n))


def _refitted(fit, rows) -> Fits:
    data = fit.data
    fitted, effect = fit.predict(data.rate), fit.block_effects["effect"].to_numpy()
    if len(effect):
        fitted = fitted + effect[data.sweep.block]
    root = np.sqrt(data.weight)
    rest = (data.yields - fitted) * root * np.sqrt(len(root) / fit.df_error)
    return fit_sums(fit.curve.key, data.sweep.sums(fitted + rest[rows] / root))


def optima(curve, params, price_ratio, lowest, highest):
    """Economic optima of parameter draws: inside the tested rates where it lies there, else by formula."""
    curve = get_curve(curve)
    inside = optimum_in_range(curve, params, price_ratio, lowest, highest)
    return np.where(inside < highest, inside, np.maximum(curve.optimum(params, price_ratio), highest))


def _bootstrap_optimum(fit, price_ratio, level, replicates=2000, seed=0) -> Interval:
    """Percentiles of the optima of refitted replicates, which may be infinite."""
    fits = bootstrap_fits(fit, replicates, seed)
    draws = optima(fit.curve, fits.params[0], price_ratio, fit.lowest_rate, fit.highest_rate)
    tail = (1 - level) / 2
    ends = np.quantile(draws, [tail, 1 - tail], method="inverted_cdf")
    return make_interval(*ends, level, "bootstrap")
