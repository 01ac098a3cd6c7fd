"""Optima of groups set against each other: differences, one common rate, and what that costs a group."""

import numpy as np

from fertkit.response.average import SMALL, mixture_ends
from fertkit.response.curves import CURVES, MEAN, optimum_in_range
from fertkit.response.gain import NetGain, gain_ends, unit_prices
from fertkit.response.interval import Interval
from fertkit.response.optimum import TRIFLE
from fertkit.rounding import above, at_least, at_most, first_largest, same

#: Rates at which net returns are compared, and how often the gap beside the best is halved.
POINTS, HALVINGS = 201, 50


def difference_of(first, second) -> Interval:
    """Interval of the optimum of the second analysis less that of the first; open where theirs are."""
    one, other = first.optimum.interval, second.optimum.interval
    keys = [key for key, weight in first.weights.items() if weight > SMALL and key in second.weights.index]
    known = np.isfinite([one.low, one.high, other.low, other.high]).all()
    if known and len(keys) > 1:
        low, high = _averaged_difference(first, second, keys)
    else:
        spans = [(a.optimum.rate, a.optimum.interval.low, a.optimum.interval.high) for a in (first, second)]
        low, high = reach(*spans)
    under, over = other.low_open or one.high_open, other.high_open or one.low_open
    if under and over and low == high:  # optima on an end of the tested rates say nothing of their distance
        low, high = -np.inf, np.inf
    return Interval(
        float(low), float(high), under, over, one.level, "by squares", max(one.span, other.span),
    )  # fmt: skip


def reach(first, second):
    """Ends of the difference of two estimates, each given with the ends of its interval."""
    (a, a_low, a_high), (b, b_low, b_high) = first, second
    low = b - a - np.hypot(np.maximum(b - b_low, 0.0), np.maximum(a_high - a, 0.0))
    return low, b - a + np.hypot(np.maximum(b_high - b, 0.0), np.maximum(a - a_low, 0.0))


def _averaged_difference(first, second, keys):
    """Ends of the difference of optima, averaged over the curves as the optima are."""
    ends = [reach(*(_known_of(one, key) for one in (first, second))) for key in keys]
    span = max(np.ptp(one.data.rates) for one in (first, second))
    weights = first.weights[keys].to_numpy()[None, None]
    pair = mixture_ends(ends, weights, first.data.sums, first.level, (-span, span))
    return tuple(float(end[0, 0]) for end in pair)


def _known_of(analysis, key):
    """Optimum of one curve and its ends at all levels, cut to the tested rates."""
    tested, ratio = analysis.data.rates[[0, -1]], analysis.price_ratio
    best = optimum_in_range(CURVES[key], analysis.fits[key].coef, ratio, *tested)
    return best, *(np.clip(end, *tested) for end in analysis.comparison.ladders[key].ends(ratio))


def common_rate(analyses, shares) -> float:
    """Rate at which the groups return most together: the mean over the curves, each by its weight.

    Where most of the weight lies on an end of the tested rates the rate is that end, as an optimum is.
    """
    low = max(one.data.rates[0] for one in analyses.values())
    high = min(one.data.rates[-1] for one in analyses.values())
    keys = [key for one in analyses.values() for key in one.weights.index if key != MEAN.key]
    rates, weights = [], []
    for key in dict.fromkeys(keys):
        weights.append(sum(shares[name] * one.weights.get(key, 0.0) for name, one in analyses.items()))
        rates.append(_best_rate(_Together(analyses, shares, key), low, high))
    if not sum(weights) > 0:
        return float(low)
    rates, share = np.array(rates), np.array(weights) / sum(weights)
    mean, trifle = float(share @ rates), low + TRIFLE * (high - low)
    if above(share @ at_most(rates, trifle), 0.5) or at_most(mean, trifle):
        return float(low)
    return float(high) if above(share @ at_least(rates, high), 0.5) else mean


class _Together:
    """Net return of the groups together under one curve; a group without response is level."""

    def __init__(self, analyses, shares, key):
        self.parts = [
            (shares[name], one.fits[MEAN.key if MEAN.key in one.weights.index else key], unit_prices(one))
            for name, one in analyses.items()
        ]

    def net(self, rates):
        return sum(share * unit.net(fit.predict(rates), rates) for share, fit, unit in self.parts)

    def slope(self, rate):
        return sum(
            share * (unit.grain * fit.curve.slope(rate, fit.coef) - unit.nutrient)
            for share, fit, unit in self.parts
        )


def _best_rate(together, low, high):
    """Lowest rate of the greatest net return: the best of a grid, then where the slope turns beside it."""
    rates = np.linspace(low, high, POINTS)
    nets = together.net(rates)
    at = int(first_largest(nets))
    ends = rates[max(at - 1, 0)], rates[min(at + 1, POINTS - 1)]
    for _ in range(HALVINGS):
        middle = sum(ends) / 2
        ends = (middle, ends[1]) if together.slope(middle) > 0 else (ends[0], middle)
    turn = sum(ends) / 2
    if at in (0, POINTS - 1):  # a turn beside an end must beat the end itself
        return float(turn if above(together.net(turn), nets[at]) else rates[at])
    return float(rates[at] if above(nets[at], together.net(turn)) else turn)


def cost_of(analysis, common, level) -> NetGain:
    """What a group loses at the common rate against its own optimum [money per area]."""
    own, unit = analysis.optimum.rate, unit_prices(analysis)
    if same(own, common, scale=analysis.data.rates[-1]):
        return NetGain(0.0, 0.0, 0.0)
    rates = np.array([own, common])
    yields = analysis.predict(rates)
    value = -float(np.diff(unit.net(yields, rates))[0])
    gain = float(yields[0] - yields[1])
    top, foot = max(own, common), min(own, common)
    low, high = gain_ends(analysis, top, foot, level)
    low, high = (low, high) if own > common else (-high, -low)
    return NetGain(value, value + unit.grain * (low - gain), value + unit.grain * (high - gain))
