"""What a rate gains over the lowest rate tested, in yield and in money, each with its interval.

The rate is taken as given, the one that was reported. For curves linear in their parameters the gain is a
contrast and its interval the exact one of Student's t; for the others it runs over all curves of the profile
region; an average combines the curves' intervals as that of the optimum does. Its coverage at the reported
rate is in ``tests/reference/coverage/gain.csv``. With two rates there is no curve, only the gain, and the
better of the two is the one whose gain pays.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from fertkit.laws import f_above
from fertkit.response.average import CHANCE, SMALL, Optimum, mixture_ends
from fertkit.response.curves import LINEAR, MEAN
from fertkit.response.fit import fit_data
from fertkit.response.interval import difference, make_interval
from fertkit.response.optimum import Status
from fertkit.response.prices import single
from fertkit.response.region import gain_sets
from fertkit.results import plain
from fertkit.rounding import above, below, same


class NetGain(NamedTuple):
    """Net return gained over the lowest rate, and its interval [money per area]; nan where not estimated."""

    value: float
    low: float
    high: float


class GainRow(NamedTuple):
    """A quantity in yield and its interval, whose ends are nan where not estimated."""

    quantity: str
    value: float
    low: float
    high: float
    unit: str


def unit_prices(analysis):
    """One price of each kind in the units of a trial."""
    return single(analysis.prices.per(analysis.rate_unit, analysis.yield_unit))


def better_of_two(analysis, cost):
    """Better of two rates at the cost of the higher [yield unit]; an interval of both if either may be."""
    rates = analysis.data.rates
    size = np.abs(analysis.data.yields).max()
    best, low, high = (
        np.nan if np.isnan(gain) else float(rates[int(above(gain - cost, 0, size))])
        for gain in difference(analysis.fits[LINEAR.key], analysis.level)
    )
    interval = make_interval(low, high, analysis.level, "exact")
    return Optimum(best, interval, Status.DIFFERENCE, analysis.rate_unit)


def pay_pass(analysis, optimum):
    """Fall back to no application where the gain does not pay for the pass and zero was tested."""
    unit, low = unit_prices(analysis), analysis.data.rates[0]
    if unit.pass_cost <= 0 or low > 0 or optimum.rate <= 0:
        return optimum
    top, foot = analysis.predict(optimum.rate), analysis.predict(low)
    if above(top - foot, unit.cost_in_yield(optimum.rate, low), scale=abs(top)):
        return optimum
    interval = replace(optimum.interval, low=float(low), low_open=False)
    return replace(optimum, rate=float(low), interval=interval, status=Status.UNPAID)


def fall(analysis) -> tuple[float, float] | None:
    """Fall of yield from the lowest to the highest rate by a straight line, and the p of its F test.

    None where a rate above the lowest yields most, or where the line is not significant.
    """
    low, high = analysis.data.rates[[0, -1]]
    fit = analysis.fits.get(LINEAR.key) or fit_data(analysis.data, LINEAR)
    if fit.df_error <= 0 or not same(analysis.agronomic_optimum.rate, low, high):
        return None
    lost = float(fit.predict(low) - fit.predict(high))
    explained = float(analysis.data.sums.total_ss()[0, 0]) - fit.rss
    p = f_above(1, fit.df_error, explained / fit.rss * fit.df_error) if fit.rss > 0 else 0.0
    return (lost, float(p)) if lost > 0 and below(p, CHANCE) else None


def gain_over_lowest(analysis) -> tuple[float, float, float, float]:
    """Rate asked about, its yield gain over the lowest rate tested, and the ends of the gain's interval.

    With two rates it is the higher, else the reported one; ends are nan without error df.
    """
    lowest = analysis.data.rates[0]
    if analysis.comparison is None:
        return float(analysis.data.rates[-1]), *difference(analysis.fits[LINEAR.key], analysis.level)
    rate = analysis.optimum.rate
    gain = float(analysis.predict(rate) - analysis.predict(lowest))
    low, high = (0.0, 0.0) if same(rate, lowest) else gain_ends(analysis, rate)
    return rate, gain, low, high


def gain_ends(analysis, rate, over=None, level=None):
    """Ends of the interval of the gain at a rate over a lower one, by default the lowest tested.

    The level is that of the analysis unless another is asked for. Where the mean is the answer a difference
    of two rates is still judged by the curves: no response shown is not none.
    """
    comparison, level = analysis.comparison, level or analysis.level
    weights, ladders = analysis.weights, comparison.ladders
    weights = comparison.averaged_weights if over is not None and MEAN.key in weights.index else weights
    if not set(weights.index) <= set(ladders):
        return np.nan, np.nan
    if len(weights) == 1:
        key = weights.index[0]
        ends = gain_sets(key, analysis.fits[key].fits, analysis.data.sums, rate, level, over)
        return tuple(float(end[0, 0]) for end in ends)
    used = {k: w for k, w in weights.items() if w > SMALL}
    ends = [ladders[key].gains(rate, over) for key in used]
    pair = averaged_gains(ends, np.array([[[*used.values()]]]), analysis.data.sums, level)
    return tuple(float(end[0, 0]) for end in pair)


def averaged_gains(ends, weights, sums, level):
    """Ends (D, R) of the averaged gain's interval, from those of each curve (`Ladder.gains`) and weights."""
    bracket = min(low.min() for low, _ in ends), max(high.max() for _, high in ends)
    return mixture_ends(ends, weights, sums, level, bracket)


def gain_rows(analysis) -> list[GainRow]:
    """Rows of gain, its cost and gain minus cost in yield; see `ResponseAnalysis.gain`."""
    data, unit = analysis.data, unit_prices(analysis)
    lowest = data.rates[0]
    rate, gain, low, high = gain_over_lowest(analysis)
    cost = float(unit.cost_in_yield(rate, lowest))
    passed = ", application pass included" if unit.pass_cost > 0 and rate > lowest == 0 else ""
    rows = [
        (f"yield gain of {plain(rate)} over {plain(lowest)} {data.rate_unit}", gain, low, high),
        (f"its cost in yield{passed}", cost, np.nan, np.nan),
        ("gain minus cost", gain - cost, low - cost, high - cost),
    ]
    return [GainRow(*row, data.yield_unit) for row in rows]


def net_gain(analysis) -> NetGain:
    """Gain minus cost at the price of the crop; see `ResponseAnalysis.net_gain`."""
    row, grain = analysis.gain_rows[2], unit_prices(analysis).grain
    return NetGain(*(float(grain * end) for end in (row.value, row.low, row.high)))
