"""What rates are worth against each other, and what one more year of the trial would be worth.

A rate is held against none (the lowest rate, where none was not tested), against the grower's usual rate and
against any other that is asked for. Gains are averaged over the curves as the optimum is, with its kind of
interval; the chance that a rate loses money is the share of the same averaged confidence distribution below
the cost. Nothing here is fitted again when a price moves.

One more year is worth what a rate chosen with its yields is expected to return more than the rate chosen
without them (expected value of sample information; Raiffa & Schlaifer 1961, Applied Statistical Decision
Theory, from memory). Its yields are simulated from every curve that the strips allow, and the curves weighed
anew by how well each fits them.

Examples
--------
Two strips a rate, half a bushel to either side of a line from 48 bu/ac to a plateau of 57 joined at
90 lb/ac (invented); the usual rate is 120:

>>> from fertkit.response import analyse_response
>>> import pandas as pd
>>> trial = pd.DataFrame({
...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
... })
>>> answer = analyse_response(trial, nutrient_price=0.45, grain_price=11, curve="linear_plateau")
>>> worth = answer.worth(against=[120])
>>> round(float(worth.of(90.0, 120.0)["net"]), 2)  # the 30 lb it saves at 0.45
13.5
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.asked import make_rng
from fertkit.reference.load import method_sources
from fertkit.response.average import SMALL, ladders_of, mixture_ends, no_error, share_below
from fertkit.response.curves import CURVES, LINEAR, MEAN
from fertkit.response.fit import inside_tested
from fertkit.response.prices import MoneyResult, single
from fertkit.rounding import same

COLUMNS = [
    "rate", "over", "gain", "gain_low", "gain_high", "cost", "net", "net_low", "net_high", "chance_of_loss",
]  # fmt: skip
PARTICLES, POINTS = 1000, 101  # curves drawn, and rates compared, for the worth of a year


class AnotherYear(NamedTuple):
    """Worth of one more year of the same trial, for each season its rate is used [money per area].

    Attributes
    ----------
    worth, at_most : float
        Expected gain by its yields, and by knowing the true curve.
    error : float
        Monte Carlo standard error of `worth`.
    """

    worth: float
    at_most: float
    error: float


@dataclass(frozen=True)
class RateWorth(MoneyResult):
    """Rates against each other in yield and money.

    Attributes
    ----------
    table : DataFrame
        rate, over [rate unit]; gain, gain_low, gain_high [yield unit]; cost, net, net_low, net_high [money
        per area]; chance_of_loss. A row for every tested rate, the reported one and those asked for, over
        the lowest rate and over each asked for. Ends and chances are nan without error df.
    lowest : float
        Lowest rate tested [rate unit].
    chosen : float
        Reported rate, or with two rates the higher [rate unit].
    against : tuple of float
        Rates asked for.
    year : AnotherYear or None
        None where no error can be drawn from.
    rate_unit, yield_unit, money : str
    level : float
    years : str
        Sites or years that the trial covers, in words; "" with one.
    """

    table: pd.DataFrame
    lowest: float
    chosen: float
    against: tuple[float, ...]
    year: AnotherYear | None
    rate_unit: str
    yield_unit: str
    money: str
    level: float
    years: str

    @property
    def references(self) -> list[float]:
        """Rates that others are held against: the lowest, then those asked for."""
        return list(dict.fromkeys([self.lowest, *self.against]))

    def of(self, rate: float, over: float) -> pd.Series:
        """Row of a rate over another."""
        return self.table[same(self.table["rate"], rate) & same(self.table["over"], over)].iloc[0]

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("average", "tails", "sample information")


def compare_rates(analysis, against=(), alone=False) -> RateWorth:
    """Compare rates of an analysed trial; see `ResponseAnalysis.worth`.

    `alone` asks for the reported rate against those given and for nothing more, as a moving price does.
    """
    data, unit = analysis.data, single(analysis.prices.per(analysis.rate_unit, analysis.yield_unit))
    lowest, highest = map(float, data.rates[[0, -1]])
    against = tuple(float(rate) for rate in against)
    inside_tested(np.array(against), lowest, highest, analysis.rate_unit)
    chosen = highest if analysis.comparison is None else analysis.optimum.rate
    weights, ladders = _distributions(analysis)
    rates = np.sort([chosen] if alone else [*data.rates, chosen, *against])
    rates = rates[np.append(True, ~same(rates[1:], rates[:-1]))].tolist()
    rows = []
    for over in dict.fromkeys(against if alone else [lowest, *against]):
        for rate in (rate for rate in rates if not same(rate, over)):
            cost = float(unit.net(0.0, over) - unit.net(0.0, rate))
            gain, low, high, chance = _gain(analysis, weights, ladders, rate, over, cost / unit.grain)
            net = (unit.grain * value - cost for value in (gain, low, high))
            rows.append((rate, over, gain, low, high, cost, *net, chance))
    return RateWorth(
        pd.DataFrame(rows, columns=COLUMNS), lowest, float(chosen), against,
        None if alone else another_year(analysis, weights), analysis.rate_unit, analysis.yield_unit,
        analysis.prices.money, analysis.level, data.places,
    )  # fmt: skip


def _distributions(analysis):
    """Weights of the curves in a gain, and their ladders; no response shown is not none."""
    if analysis.comparison is None:
        fit = analysis.fits[LINEAR.key]
        held = {LINEAR.key: fit.fits} if fit.df_error > 0 else {}
        return analysis.weights, ladders_of(held, analysis.data.sums, analysis.level)
    silent = MEAN.key in analysis.weights.index
    weights = analysis.comparison.averaged_weights if silent else analysis.weights
    return weights[weights > SMALL], analysis.comparison.ladders


def _gain(analysis, weights, ladders, rate, over, cost):
    """Gain of a rate over another, the ends of its interval, and the chance that it is below its cost."""
    pair = np.array([over, rate])
    gain = float(sum(w * np.diff(analysis.fits[k].predict(pair))[0] for k, w in weights.items()))
    if not set(weights.index) <= set(ladders) or no_error(analysis.data.sums)[0, 0]:
        return gain, np.nan, np.nan, np.nan
    up, sums, share = rate > over, analysis.data.sums, (weights / weights.sum()).to_numpy()[None, None]
    foot = min(rate, over)
    foot = None if same(foot, sums.lowest[0]) else foot
    ends = [ladders[key].gains(max(rate, over), foot) for key in weights.index]
    bracket = min(low.min() for low, _ in ends), max(high.max() for _, high in ends)
    low, high = (float(end[0, 0]) for end in mixture_ends(ends, share, sums, analysis.level, bracket))
    below = float(share_below(ends, share, sums, cost if up else -cost)[0, 0])
    return (gain, low, high, below) if up else (gain, -high, -low, 1 - below)


# ---- one more year


def another_year(analysis, weights, seed=0) -> AnotherYear | None:
    """Worth of one more trial of the same plan, in the same field; None without draws or error.

    The error is taken as known and the curve as the same next year.
    """
    draws = {key: analysis.draws[key] for key in weights.index if key in analysis.draws}
    heaviest = analysis.fits[weights.idxmax()]
    if not draws or no_error(analysis.data.sums)[0, 0]:
        return None
    rng, sums = make_rng(seed), analysis.data.sums
    unit = single(analysis.prices.per(analysis.rate_unit, analysis.yield_unit))
    share = np.array([weights[key] for key in draws])
    sizes = rng.multinomial(PARTICLES, share / share.sum())
    rates = np.linspace(*analysis.data.rates[[0, -1]], POINTS)
    at_rates, net = [], []
    for (key, params), size in zip(draws.items(), sizes, strict=True):
        drawn = params[rng.integers(0, len(params), size)][:, None]
        at_rates.append(CURVES[key].value(sums.rates[0], drawn))
        net.append(unit.net(CURVES[key].value(rates, drawn), rates))
    found = worth_of_sample(
        np.concatenate(at_rates), np.concatenate(net), sums.spread[0], heaviest.sigma**2, rng
    )
    return AnotherYear(*found)


def worth_of_sample(at_rates, net, spread, variance, rng):
    """Expected value of sample information and of perfect information, from equally likely curves.

    Parameters
    ----------
    at_rates : array (N, m)
        Yield of every curve at the rates of the trial.
    net : array (N, P)
        Its net return at the rates among which one is chosen.
    spread : array (m, m)
        Information of one trial on those rates, see `Sums`.
    variance : float
        Error variance of a strip of weight one.
    rng : Generator

    Returns
    -------
    worth, at_most, error : float
    """
    now = int(net.mean(axis=0).argmax())
    root = np.linalg.cholesky(spread + 1e-12 * np.trace(spread) * np.eye(len(spread)))
    told = at_rates @ spread  # what a trial tells of each curve, and what its errors add
    seen = told + np.sqrt(variance) * rng.normal(size=at_rates.shape) @ root.T
    fit = (seen @ at_rates.T - 0.5 * (told * at_rates).sum(axis=1)) / variance
    likely = np.exp(fit - fit.max(axis=1, keepdims=True))
    expected = (likely / likely.sum(axis=1, keepdims=True)) @ net
    gained = expected.max(axis=1) - expected[:, now]
    at_most = (net.max(axis=1) - net[:, now]).mean()
    return float(gained.mean()), float(at_most), float(gained.std() / np.sqrt(len(gained)))
