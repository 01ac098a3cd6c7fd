"""From a trial and two prices to a rate, with what the data leave open said in words.

The reporting rule is that of `average`; with two rates there is no curve, only the gain and the gain minus
its cost.

Examples
--------
Two strips a rate, half a bushel to either side of a line from 48 bu/ac to a plateau of 57 joined at
90 lb/ac (invented):

>>> from fertkit.response import analyse_response
>>> import pandas as pd
>>> trial = pd.DataFrame({
...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
... })
>>> answer = analyse_response(trial, nutrient_price=0.45, grain_price=11, curve="linear_plateau")
>>> round(answer.optimum.rate, 3)
90.0
>>> round(answer.net_return().gain, 2)  # 9 bu at 11 less 90 lb at 0.45
58.5
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.asked import (
    a_count,
    a_flag,
    a_header,
    a_number,
    a_seed,
    a_share,
    a_word,
    amounts,
    asks,
    either,
    holding,
    maybe_headers,
    off,
)  # fmt: skip
from fertkit.errors import Note, NotEstimable
from fertkit.reference.load import method_sources
from fertkit.response.average import Optimum, optimum_at
from fertkit.response.checks import check_analysis
from fertkit.response.compare import CurveComparison, compare
from fertkit.response.curves import CURVES, LINEAR, MEAN, a_curve, get_curve
from fertkit.response.data import TrialData, doubtful_rows, read_trial_data
from fertkit.response.fit import ResponseFit, fit_data
from fertkit.response.gain import GainRow, NetGain, better_of_two, gain_rows, net_gain, pay_pass, unit_prices
from fertkit.response.interval import Draws
from fertkit.response.money import NetReturn, PriceTable, describe, price_table
from fertkit.response.prices import Prices, column, price_check, prices_for, ratio_of
from fertkit.response.regret import Regret, expected_regret
from fertkit.response.robust import Treated, error_checks, treat
from fertkit.response.worth import RateWorth, compare_rates
from fertkit.results import Result, checks_frame
from fertkit.rounding import same
from fertkit.trials.doubtful import Doubtful

#: What every analysis rests on, by its names in ``reference/methods.csv``.
METHODS = ("exact", "profile", "curves", "aicc", "average", "tails", "join", "bootstrap")


@dataclass(frozen=True)
class ResponseAnalysis(Result):
    """What a trial says about the rate to use.

    Attributes
    ----------
    optimum : Optimum
        Economic optimum rate at `prices`.
    fits : dict of str to ResponseFit
    comparison : CurveComparison or None
        None with two rates.
    weights : Series
        Weight of each curve in the answer, by key.
    prices : Prices
    draws : mapping of str to array (replicates, p)
        Bootstrap draws of the parameters of every curve with error df, made when they are asked for.
    data : TrialData
    level : float
    asked : str or None
        Key of the curve asked for.
    treated : Treated or None
        What was done about far strips or an uneven error; `data` are the strips after it.
    """

    optimum: Optimum
    fits: dict[str, ResponseFit]
    comparison: CurveComparison | None
    weights: pd.Series
    prices: Prices
    draws: Draws
    data: TrialData
    level: float
    asked: str | None = None
    treated: Treated | None = None

    @property
    def given(self) -> TrialData:
        """The strips as read."""
        return self.treated.given if self.treated else self.data

    @property
    def curve(self) -> str:
        """``averaged``, the key of the curve asked for, ``mean`` without a response, or ``difference``."""
        if self.comparison is None:
            return "difference"
        return self.asked or (MEAN.key if MEAN.key in self.weights.index else "averaged")

    @property
    def rate_unit(self) -> str:
        return self.data.rate_unit

    @property
    def yield_unit(self) -> str:
        return self.data.yield_unit

    @property
    def price_ratio(self) -> float:
        """Price of a unit of nutrient over the price of a unit of yield [yield unit per rate unit]."""
        return ratio_of(self.prices, self.data)

    @property
    def table(self) -> pd.DataFrame:
        return self.gain if self.comparison is None else self.comparison.table

    @property
    def tested(self) -> dict:
        """Ends of the tested rates and units, as the functions of `money` and `regret` take them."""
        lowest, highest = map(float, self.data.rates[[0, -1]])
        units = {"rate_unit": self.rate_unit, "yield_unit": self.yield_unit}
        return {"lowest_rate": lowest, "highest_rate": highest, **units}

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources(*METHODS, *(["robust", "reml"] if self.treated else []))

    @cached_property
    def agronomic_optimum(self) -> Optimum:
        """Lowest rate with the greatest yield, whatever the prices."""
        if self.comparison is None:
            return better_of_two(self, 0.0)
        return optimum_at(self, 0.0, self.comparison.interval(self.asked, 0.0))

    @cached_property
    def gain_rows(self) -> list[GainRow]:
        """Rows of `gain`."""
        return gain_rows(self)

    @property
    def gain(self) -> pd.DataFrame:
        """Yield gain of the reported (with two rates, the higher) rate over the lowest, and gain minus cost.

        The cost of an application pass counts where the rate is above a lowest rate of zero. Columns
        quantity, value, low, high, unit; the ends are those of `level`, nan without error df.
        """
        return pd.DataFrame(self.gain_rows)

    @property
    def net_gain(self) -> NetGain:
        """Net return gained at that rate over the lowest rate, with its interval [money per area]."""
        return net_gain(self)

    @asks(against=amounts)
    def worth(self, against=None) -> RateWorth:
        """Return what rates are worth against none, the usual rate and others, and one more year of trial.

        Parameters
        ----------
        against : float or sequence of float, optional
            Rates, the usual first [rate unit]; within the tested ones.
        """
        return compare_rates(self, () if against is None else np.atleast_1d(against))

    @asks(within=either(a_word, a_number))
    def net_return(self, within: float | str | None = None) -> NetReturn:
        """Return the net return over the tested rates at these prices, averaged as the optimum is.

        Parameters
        ----------
        within : float or "usual", optional
            Loss that is still acceptable [money per area], or the usual share of the net return gained. Two
            rates, or a trial without a response, have no stretch.
        """
        best, agronomic = self.optimum, self.agronomic_optimum
        net = describe(
            self.predict, self.curve, self.prices, tuple(self.tested.values())[:2],
            (self.rate_unit, self.yield_unit), (best.rate, best.status), (agronomic.rate, agronomic.status),
            None if self.curve in ("difference", MEAN.key) else within,
        )  # fmt: skip
        if same(best.rate, net.lowest_rate):
            return net
        _, low, high = self.net_gain
        return replace(net, gain_low=low, gain_high=high, level=self.level)

    @asks(price_ratios=amounts)
    def price_table(self, price_ratios) -> PriceTable:
        """Return the optimum of every curve fitted at each price ratio; today's ratio is its own."""
        coefs = {key: fit.coef for key, fit in self.fits.items() if key != MEAN.key}
        return price_table(coefs, price_ratios, price_ratio=self.price_ratio, **self.tested)

    @asks(prices=holding("nutrient", "grain", like="Prices"))
    def regret(self, prices: Prices | None = None) -> Regret:
        """Return the expected regret over the bootstrap draws and curve weights.

        Parameters
        ----------
        prices : Prices, optional
            Draws or a table of prices; the analysis' own if None.

        Raises
        ------
        NotEstimable
            If there are no draws, or no response was found: the mean alone would put every loss at zero.
        """
        if self.curve == MEAN.key:
            raise NotEstimable(
                "no response was found, so regret cannot be computed; a small response is possible "
                f"(interval of the optimum {self.optimum.interval.text()} {self.rate_unit})"
            )
        draws = {key: self.draws[key] for key in self.weights.index if key in self.draws}
        prices = self.prices if prices is None else prices
        return expected_regret(draws, prices, weights=dict(self.weights), **self.tested)

    @cached_property
    def strips(self) -> pd.DataFrame:
        """Rate, yield, yield with the block effect taken out, block, weight; units in the column names."""
        data = self.data
        effect = next(iter(self.fits.values())).block_effects["effect"].to_numpy()
        shift = effect[data.sweep.block] if len(effect) else 0.0
        block = np.full(len(data.rate), "") if data.block is None else data.block
        return pd.DataFrame(
            {
                column("rate", data.rate_unit): data.rate,
                column("yield", data.yield_unit): self.given.yields,
                column("adjusted_yield", data.yield_unit): self.given.yields - shift,
                "block": block,
                "weight": data.weight,
            }
        )

    @cached_property
    def check_rows(self) -> list[tuple]:
        """Rows of `checks`, that on the prices first."""
        return check_analysis(self)

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame(self.check_rows)

    @cached_property
    def price_row(self) -> tuple:
        """Row of `checks` on the prices."""
        data = self.data
        units = data.rate_unit, data.yield_unit
        return price_check(self.prices, *units, data.nutrient, max(data.rates), data.crop)

    @property
    def doubt(self) -> str:
        """What makes the prices implausible, both with their units; "" where nothing does."""
        *_, passed, meaning = self.price_row
        return "" if passed is None or passed else meaning

    @cached_property
    def doubtful(self) -> Doubtful:
        """Rows of `data` that the others do not expect."""
        return doubtful_rows(self.given)

    @cached_property
    def error_rows(self) -> list[tuple]:
        """Rows of `checks` on the errors of the strips as read."""
        return error_checks(self.given, bool(self.doubtful.rows))

    @cached_property
    def without_doubtful(self) -> Optimum | None:
        """Economic optimum without the doubtful rows; None where it cannot be estimated."""
        return self._of(self.given.without(self.doubtful.rows))

    @cached_property
    def as_read(self) -> Optimum | None:
        """Economic optimum of the strips as read; None where it cannot be estimated."""
        return self._of(self.given) if self.treated else self.optimum

    def _of(self, data):
        asked = {"prices": self.prices, "curve": self.asked, "level": self.level, "replicates": 0}
        try:
            return analyse_response(data, **asked).optimum
        except NotEstimable:
            return None

    @property
    def notes(self) -> list[str]:
        """What the checks that do not hold mean, each once; the `doubt` is told apart."""
        rows = (row[-2:] for row in self.check_rows[1:])
        said = (
            words if isinstance(words, str) else words[1] for passed, words in rows if passed in (False, 0)
        )
        return list({str(words): Note(words, getattr(words, "in_code", "")) for words in said}.values())

    def predict(self, rate, *, extrapolate: bool = False):
        """Yield of the average block at `rate`, averaged as the optimum is [yield unit]; see the fits."""
        total = 0.0
        for fit, weight in self._averaged:  # the first refuses rates outside the tested ones, which all share
            total, extrapolate = total + weight * fit.predict(rate, extrapolate=extrapolate), True
        return total

    @cached_property
    def _averaged(self) -> list[tuple[ResponseFit, float]]:
        return [(self.fits[key], weight) for key, weight in self.weights.items() if weight > 0]

    def at_prices(self, *, nutrient_price=None, grain_price=None, prices=None) -> "ResponseAnalysis":
        """The same fits at other prices; nothing is refitted."""
        prices = prices_for(self.data, nutrient_price, grain_price, prices)
        comparison = self.comparison and self.comparison.at_price_ratio(ratio_of(prices, self.data))
        moved = _report(replace(self, prices=prices, comparison=comparison))
        for name in ("agronomic_optimum", "doubtful", "error_rows"):  # whatever the prices
            vars(moved)[name] = getattr(self, name)
        return moved


@asks(
    trial=holding("table", of="read_strips"), nutrient_price=amounts,
    grain_price=amounts, prices=holding("nutrient", "grain", like="Prices"), curve=a_curve, level=a_share,
    replicates=a_count(0), seed=a_seed, rate=a_header, response=a_header, blocks=either(maybe_headers, off),
    weight=a_header, robust=a_flag, uneven=a_flag,
)  # fmt: skip
def analyse_response(
    trial, *, nutrient_price=None, grain_price=None, prices=None, curve=None, level=0.95, replicates=2000,
    seed=0, rate=None, response=None, blocks=None, weight=None, robust=False, uneven=False,
) -> ResponseAnalysis:  # fmt: skip
    """Analyse one rate trial: all curves, the economic optimum and its interval.

    Parameters
    ----------
    trial : DataFrame, StripTrial or TrialData
        One row per strip or plot, or per rate mean with `weight`.
    nutrient_price, grain_price : float
        Price per mass unit of the rate column and of the yield column, e.g. per lb and per bu.
    prices : Prices, optional
        Instead of the two: prices with units and costs of their own.
    curve : str, optional
        Report this curve instead of the average.
    level : float
        Confidence level.
    replicates : int
        Bootstrap draws per curve (0 for none).
    seed : int or numpy.random.Generator
    rate, response, blocks, weight
        See `fertkit.response.data.read_trial_data`.
    robust : bool
        Pull in the yields of far strips (Huber's estimate of the means); see `robust`.
    uneven : bool
        Weight strips by the error at their rate, whose size rises or falls with it; see `robust`.

    Raises
    ------
    InputError
        If the table cannot be used as it stands.
    PriceError
        For prices that are zero, negative, missing, given twice or more than one of a kind.
    UnitError
        If the rate or yield column carries no unit.
    NotEstimable
        If all rates are equal or the table holds several trials.
    """
    data = read_trial_data(trial, rate=rate, response=response, blocks=blocks, weight=weight)
    prices = prices_for(data, nutrient_price, grain_price, prices)
    data, treated = treat(data, robust, uneven)
    asked = get_curve(curve).key if curve is not None else None
    judged = {}
    if len(data.rates) < 3:
        fits, comparison = {LINEAR.key: fit_data(data, LINEAR)}, None
        weights = pd.Series({LINEAR.key: 1.0})
    else:
        comparison = compare(data, ratio_of(prices, data), level)
        fits = comparison.fits
        if asked and asked not in fits:
            fits = fits | {asked: fit_data(data, CURVES[asked])}  # says why it cannot be fitted
        weights = _weights(comparison, asked)
        judged = {k: fit for k, fit in fits.items() if fit.df_error > 0 and replicates}
    draws = Draws(judged, replicates, seed)
    whole = ResponseAnalysis(None, fits, comparison, weights, prices, draws, data, level, asked, treated)
    return _report(whole)


def _weights(comparison, asked):
    if asked is not None:
        return pd.Series({asked: 1.0})
    if comparison.flat:
        return pd.Series({MEAN.key: 1.0})
    return comparison.averaged_weights


def _report(analysis):
    """Find the optimum at the prices of the analysis."""
    if analysis.comparison is None:
        low, high = analysis.data.rates
        best = better_of_two(analysis, unit_prices(analysis).cost_in_yield(high, low))
    else:
        comparison, asked = analysis.comparison, analysis.asked
        interval = comparison.interval(asked) if asked else comparison.averaged_interval
        best = pay_pass(analysis, optimum_at(analysis, comparison.price_ratio, interval))
    return replace(analysis, optimum=best)
