"""Intervals for the economic optimum, the join and the plateau, open where the data leave them open.

Three kinds, and one contrast:

* ``exact``: for curves linear in their parameters, all rates at which the slope can be the price ratio
  (Bachmaier 2009, Statistical Papers 50:649-660; a Fieller-type set that may be unbounded);
* ``profile``: all values that some curve with ``RSS <= RSSmin (1 + F / df)`` attains. For a given shape that
  region is an interval of slopes, so the profile is a search over the shape alone;
* ``bootstrap``: percentiles over refitted replicates, from residuals or whole blocks;
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
"""

from dataclasses import dataclass, replace
from numbers import Real

import numpy as np

from fertkit.asked import a_share, a_word, amounts, asks, holding
from fertkit.errors import LookupFailed, NotEstimable, unknown
from fertkit.response.many import Fits
from fertkit.response.regions import Region, optimum_sets
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


def check_level(level) -> None:
    """Raise NotEstimable unless a confidence level is one number between 0 and 1."""
    if not (isinstance(level, Real) and 0 < level < 1):
        raise NotEstimable(f"the confidence level must lie between 0 and 1, like 0.95; got {level!r}")


# One fit ---------------------------------------------------------------------------------------------


@asks(
    fit=holding("curve", "coef", like="what fit_response gives"), price_ratio=amounts, level=a_share,
    method=a_word,
)  # fmt: skip
def optimum_interval(fit, price_ratio, level=0.95, method=None, **bootstrap) -> Interval:
    """Interval of the economic optimum rate of a fitted curve, not cut to the tested rates.

    Parameters
    ----------
    fit : ResponseFit
    price_ratio : float
        Nutrient price over yield price [yield unit per rate unit]; 0 gives the agronomic optimum.
    level : float
    method : {"exact", "profile", "bootstrap", "wald"}, optional
        By default ``exact`` for curves linear in their parameters and ``profile`` for the others.
    **bootstrap
        ``seed``, ``replicates``, ``kind``: see `fertkit.response.bootstrap.bootstrap_fits`.

    Raises
    ------
    NotEstimable
        Without error degrees of freedom.

    Examples
    --------
    Strips half a bushel to either side of 48 + 0.2 x - 0.001 x^2 (invented); at a price ratio of 0.04 the
    optimum is (0.2 - 0.04) / 0.002 = 80:

    >>> from fertkit.response import optimum_interval
    >>> from fertkit.response import fit_response
    >>> import pandas as pd
    >>> rates = [0, 40, 80, 120, 160] * 2
    >>> yields = [48 + 0.2 * x - 0.001 * x**2 + d for x, d in zip(rates, [-0.5] * 5 + [0.5] * 5)]
    >>> trial = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields})
    >>> interval = optimum_interval(fit_response(trial, "quadratic"), 0.04)
    >>> bool(interval.low < 80 < interval.high)
    True
    """
    check_level(level)
    linear = fit.curve.shape is None
    method = method or ("exact" if linear else "profile")
    if method == "bootstrap":
        from fertkit.response.bootstrap import bootstrap_optimum

        return bootstrap_optimum(fit, price_ratio, level=level, **bootstrap)
    if method == "wald":
        estimate = float(fit.curve.optimum(fit.coef, price_ratio))
        return wald_interval(fit, lambda p: fit.curve.optimum(p, price_ratio), estimate, level)
    if method not in ("exact", "profile"):
        raise unknown("interval method", method, ("exact", "profile", "bootstrap", "wald"))
    if linear != (method == "exact"):
        raise LookupFailed(f"the {fit.curve.label} curve has no {method} interval; leave `method` unset")
    _need_df(fit)
    low, high = optimum_sets(fit.curve.key, fit.fits, fit.data.sums, price_ratio, level)
    return make_interval(low[0, 0], high[0, 0], level, method)


@asks(fit=holding("curve", "coef", like="what fit_response gives"), level=a_share)
def join_interval(fit, level=0.95) -> Interval:
    """Profile interval of the join, or of the 95 % point of a rise without one; not cut to tested rates.

    Raises
    ------
    NotEstimable
        For curves without a shape, or without error degrees of freedom.

    Examples
    --------
    >>> from fertkit.response import join_interval
    >>> from fertkit.response import fit_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> interval = join_interval(fit_response(trial, "linear_plateau"))
    >>> bool(interval.low < 90 < interval.high)
    True
    """
    low, high = bend_interval(fit, level)
    shape = fit.curve.shape
    with np.errstate(divide="ignore"):
        ends = shape.start(fit.data.sums.rates) + shape.end / np.array([high, low])
    return make_interval(*ends, level, "profile")


@asks(fit=holding("curve", "coef", like="what fit_response gives"), level=a_share)
def join_pieces(fit, level=0.95) -> list[Interval]:
    """The profile set of the join piece by piece: more than one where distant joins fit about as well.

    Raises
    ------
    NotEstimable
        As `join_interval`.

    Examples
    --------
    >>> from fertkit.response import join_pieces
    >>> from fertkit.response import fit_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> len(join_pieces(fit_response(trial, "linear_plateau")))
    1
    """
    join_interval(fit, level)
    region = Region(fit.curve.key, fit.fits, fit.data.sums, level)
    low, high = region.ends[0, 0]
    coord = np.unique(np.append(np.linspace(low, high, 2001)[1:-1], region.best[0, 0]))
    inside = np.r_[False, region.given(coord[None, None])[0][0, 0] >= 0, False]
    first, last = np.flatnonzero(~inside[:-1] & inside[1:]), np.flatnonzero(inside[:-1] & ~inside[1:]) - 1
    coord = np.r_[low, coord, high]
    ends = np.stack([coord[first + 1], coord[last + 1]], axis=-1)
    outer = np.stack([coord[first], coord[last + 2]], axis=-1)
    outer[0, 0], outer[-1, 1] = ends[0, 0], ends[-1, 1]  # the ends of all are known, and nothing lies outside
    ends = region.edge(ends.reshape(1, 1, -1), outer.reshape(1, 1, -1)).reshape(-1, 2)
    start, shape = float(region.start[0]), region.shape
    with np.errstate(divide="ignore"):
        joins = start + shape.end / shape.uncoord(ends[::-1, ::-1])
    whole = join_interval(fit, level)
    joins[0, 0], joins[-1, 1] = whole.low, whole.high
    return [make_interval(*pair, level, "profile") for pair in joins]


def bend_interval(fit, level=0.95) -> tuple[float, float]:
    """Profile ends of the shape parameter: 1/(join - lowest rate), k, or 1/range [per rate unit]."""
    if fit.curve.shape is None:
        raise NotEstimable(f"the {fit.curve.label} curve has no join or rate constant")
    check_level(level)
    _need_df(fit)
    region = Region(fit.curve.key, fit.fits, fit.data.sums, level)
    return float(region.low[0, 0]), float(region.high[0, 0])


@asks(fit=holding("curve", "coef", like="what fit_response gives"), level=a_share)
def plateau_interval(fit, level=0.95) -> Interval:
    """Profile interval of the plateau or asymptote of the average block [yield unit].

    Raises
    ------
    NotEstimable
        For curves without a plateau, or without error degrees of freedom.

    Examples
    --------
    >>> from fertkit.response import plateau_interval
    >>> from fertkit.response import fit_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> interval = plateau_interval(fit_response(trial, "linear_plateau"))
    >>> bool(interval.low < 57 < interval.high)
    True
    """
    if fit.curve.shape is None:
        raise NotEstimable(f"the {fit.curve.label} curve has no plateau")
    check_level(level)
    _need_df(fit)
    low, high = Region(fit.curve.key, fit.fits, fit.data.sums, level).plateau()
    return make_interval(low[0, 0], high[0, 0], level, "profile")


def wald_interval(fit, function, estimate, level=0.95) -> Interval:
    """Delta-method interval of any smooth function of the published parameters; a contrast, not an answer."""
    from scipy.stats import t

    step = 1e-6 * np.maximum(np.abs(fit.coef), 1e-12)
    move = np.diag(step)
    slope = (function(fit.coef + move) - function(fit.coef - move)) / (2 * step)
    half = t.ppf(0.5 + level / 2, fit.df_error) * np.sqrt(slope @ fit.covariance @ slope)
    return make_interval(estimate - half, estimate + half, level, "wald")


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


def _need_df(fit):
    if fit.df_error <= 0:
        raise NotEstimable(
            f"the {fit.curve.label} curve leaves no df for an error; use more plots or a simpler curve"
        )
