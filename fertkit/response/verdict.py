"""The reporting rule: from fitted curves and their weights to one rate and what may honestly be said of it.

1. When no curve beats the mean (AICc; plain AIC while the small-sample correction would outweigh any
   response), the answer is the lowest rate: no economic response.
2. Otherwise the optimum is averaged over the six curves of diminishing returns, unless a curve is asked for:
   the choice of curve alone can move an optimum by more than its standard error, and averaging lowers that
   bias (Matavel, Meyer-Aurich & Piepho 2024, Precision Agric. 25:1324-1339).
3. A rate is never reported outside the tested range: where most of the weight still rises at the highest
   rate, the answer is "at least the highest rate tested", and the interval's upper end is open.
"""

from dataclasses import dataclass

import numpy as np

from fertkit.response.averaging import curve_optima, floored_rss
from fertkit.response.curves import CURVES, MEAN
from fertkit.response.intervals import Interval
from fertkit.response.many import Fits
from fertkit.response.status import Status
from fertkit.response.sums import Sums
from fertkit.results import plain
from fertkit.rounding import above, at_least, at_most, below


@dataclass(frozen=True)
class Optimum:
    """A rate with its interval and an honest status.

    Attributes
    ----------
    rate : float
        Within the tested rates [unit].
    interval : Interval
        Cut to the tested rates, with open ends; nan ends when no error can be estimated.
    status : str
        One of `Status`.
    unit : str
    gap : (float, float)
        The lowest and the first rate above it, between which nothing was tested [unit]; empty for a
        difference.
    any_join : bool
        Whether curves with any join in that gap are in the interval.
    """

    rate: float
    interval: Interval
    status: str
    unit: str
    gap: tuple[float, ...] = ()
    any_join: bool = False

    @property
    def untested(self) -> str:
        """What is left open between the lowest and the first rate; "" where the interval is clear of it."""
        span = self.interval
        if not self.gap or not (below(span.low, self.gap[1]) and above(span.high, self.gap[0])):
            return ""
        low, first = map(plain, self.gap)
        nothing = f"no rate between {low} and {first} was tested"
        return f"any join up to {first} fits: {nothing}" if self.any_join else nothing

    @property
    def text(self) -> str:
        """The rate as a person would say it."""
        rate = f"{plain(self.rate, span=self.interval.span)} {self.unit}"
        said = {
            Status.NONE: f"no economic response; the lowest rate tested, {rate}",
            Status.TOP: f"at least the highest rate tested, {rate}",
            Status.STEP: f"at most {rate}, the first rate above the lowest",
            Status.UNPAID: f"{rate}: the gain does not pay for the application pass",
            Status.DIFFERENCE: f"the better of the two rates tested, {rate}",
        }.get(self.status, rate)
        if self.status == Status.DIFFERENCE and not np.isnan(self.interval.low):
            # The interval that counts is that of gain minus cost; rates have none with two of them.
            either = below(self.interval.low, self.interval.high)
            return f"{said}; the data do not tell the two apart" if either else said
        if np.isnan(self.interval.low + self.interval.high):
            return f"{said} (no interval: no error can be estimated)"
        untested = f"; {self.untested}" if self.untested else ""
        return f"{said} ({self.interval.level:.0%} interval {self.interval.text()}{untested})"


def mean_wins(fits: dict[str, Fits], sums: Sums):
    """Whether no curve beats the mean (D, R), by AICc, or AIC where the correction exceeds the penalty."""
    n, blocks = sums.n[:, None], np.maximum(sums.n_blocks, 1)[:, None]
    k = np.array([CURVES[key].n_params for key in fits]) + blocks  # mean parameters and the error variance
    room = n - k - 1
    small = (n - k.max(axis=1, keepdims=True) - 1) <= k.max(axis=1, keepdims=True)
    penalty = 2 * k + np.where(small, 0.0, 2 * k * (k + 1) / np.where(room > 0, room, 1))
    score = np.stack([n * np.log(floored_rss(f.rss, sums) / n) for f in fits.values()], axis=-1)
    judged = n - k + 1 > 0  # error df left
    score = np.where(judged[:, None], score + penalty[:, None], np.inf)
    return at_most(score[..., list(fits).index(MEAN.key)], score.min(axis=-1))


def verdict(fits: dict[str, Fits], weights, sums: Sums, price_ratio):
    """Rate to report and its status, (D, R) each.

    Parameters
    ----------
    fits : dict of str to Fits
        The curves that carry weight.
    weights : array (D, R, k)
    sums : Sums
    price_ratio : float
    """
    low, high, first = (sums.rates[:, i, None] for i in (0, -1, 1))
    top = high[..., None]
    optima = curve_optima(fits, sums, price_ratio)
    steps = np.stack([_is_step(k, f, sums) for k, f in fits.items()], axis=-1)
    most = lambda which: above((weights * which).sum(axis=-1), 0.5)  # noqa: E731
    cases = [most(at_least(optima, high[..., None])), most(at_most(optima, low[..., None], top)), most(steps)]
    status = np.select(cases, [Status.TOP, Status.NONE, Status.STEP], Status.INTERIOR)
    rate = np.select(cases, np.broadcast_arrays(high, low, first), (weights * optima).sum(axis=-1))
    return rate, status


def settle(low, high, status, sums: Sums):
    """Fit the ends (D, R) of an interval to the status of the rate they belong to."""
    lowest, first = sums.rates[:, :1], sums.rates[:, 1:2]
    low = np.where((status == Status.NONE) | (status == Status.STEP), lowest, low)
    high = np.where(
        status == Status.TOP, np.inf, np.where(status == Status.STEP, np.maximum(high, first), high)
    )
    return low, high


def _is_step(curve, fits, sums):
    shape = CURVES[curve].shape
    return shape.limits(fits.bend, sums.rates)[0] if shape else np.zeros(fits.rss.shape, bool)
