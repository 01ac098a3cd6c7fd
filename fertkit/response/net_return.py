"""The money side of one curve: net return over the tested rates, and what it says about the rate."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_number, a_word, amounts, asks, either, holding
from fertkit.reference.load import list_sources
from fertkit.response.curves import CURVES, MEAN, a_curve, checked_params, get_curve
from fertkit.response.economics import (
    agronomic_optimum_rate,
    break_even_ratio,
    economic_optimum_rate,
    rates_within,
)
from fertkit.response.limits import nearly_as_good
from fertkit.response.prices import Prices, area_of, column, single
from fertkit.response.status import Status
from fertkit.results import Result, checks_frame, plain
from fertkit.rounding import above, at_least, at_most, below, same

POINTS = 201  # rates of the table


@dataclass(frozen=True)
class NetReturn(Result):
    """Net return of one curve at one pair of prices.

    Attributes
    ----------
    curve : str
        Key of `CURVES`, or ``averaged``.
    prices : Prices
    price_ratio : float
        [yield unit per rate unit]
    rate_unit, yield_unit : str
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    rate, agronomic_rate : float
        Economic and agronomic optimum rate [rate unit].
    status, agronomic_status : str
        One of `Status` each.
    net, gain : float
        Net return at the economic optimum, and how much that is above the lowest rate [money per area].
    gain_low, gain_high, level : float
        Interval of that gain [money per area] and its confidence level; nan of a bare curve or without one.
    within : float or None
        Acceptable loss [money per area].
    within_by : str
        Whence that loss, where none was asked for.
    peak, peak_net : float
        Rate at which the curve of net return is highest [rate unit], and its net return there. The optimum of
        an average is the mean of the curves' optima, which need not be the peak of their mean.
    within_low, within_high : float
        Rates whose net return is within that loss of the peak [rate unit]; nan where no loss is given.
    break_even : DataFrame
        The prices at which the answer tips: question, price_of (nutrient or grain), price [money per mass
        unit of rate or yield].
    curve_points : DataFrame
        Rate, yield, gross return, nutrient cost and net return after all costs; of two rates these alone.
    """

    curve: str
    prices: Prices
    price_ratio: float
    rate_unit: str
    yield_unit: str
    lowest_rate: float
    highest_rate: float
    rate: float
    status: str
    agronomic_rate: float
    agronomic_status: str
    net: float
    gain: float
    within: float | None
    peak: float
    peak_net: float
    within_low: float
    within_high: float
    break_even: pd.DataFrame
    curve_points: pd.DataFrame
    within_by: str = ""
    gain_low: float = np.nan
    gain_high: float = np.nan
    level: float = np.nan

    @property
    def area(self) -> str:
        return area_of(self.yield_unit)

    @property
    def meaning(self) -> str:
        """The status in words."""
        return Status(self.status).meaning

    @property
    def table(self) -> pd.DataFrame:
        return self.curve_points

    @property
    def lost(self) -> float:
        """What the reported rate loses against the peak of its curve [money per area]."""
        return self.peak_net - self.net

    @property
    def in_stretch(self) -> bool:
        """Whether the reported rate lies in the stretch nearly as good as the peak."""
        ends = self.within_low, self.within_high
        return bool(at_most(ends[0], self.rate) and at_most(self.rate, ends[1]))

    @property
    def stretch(self) -> str:
        """Which rates are nearly as good as which best, and where the reported rate stands; "" if none."""
        return "" if self.within is None else _stretch(self)

    @property
    def checks(self) -> pd.DataFrame:
        tested = f"{self.lowest_rate:g} to {self.highest_rate:g}"
        inside = self.status == Status.INTERIOR
        rows = [("optimum inside the tested rates", self.rate, tested, inside, self.meaning)]
        if self.within is not None:
            ends = below(self.within_high, self.highest_rate)
            meaning = (
                "the rates nearly as good end inside the tested ones",
                "the rates nearly as good end where the trial ends, not where money does: test higher rates",
            )
            rows.append(("rates nearly as good end inside them", self.within_high, tested, ends, meaning))
        if self.prices.pass_cost > 0:
            paid = self.status != Status.UNPAID
            meaning = (
                "the gain at the optimum pays for the application pass",
                "the gain at the optimum does not pay for the application pass",
            )
            rows.append(("the pass is paid", self.gain, "above 0", paid, meaning))
        return checks_frame(rows)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["PANNELL2006"])


@asks(curve=a_curve, params=amounts, prices=holding("nutrient", "grain", like="Prices"))
def net_return(
    curve,
    params,
    prices: Prices,
    *,
    lowest_rate: float,
    highest_rate: float,
    within: float | None = None,
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
) -> NetReturn:
    """Net return of one curve over the tested rates, its optimum and the rates nearly as good.

    Parameters
    ----------
    curve : str or Curve
    params : array, shape (p,)
    prices : Prices
        One price of each kind, and the costs that do not depend on the rate.
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    within : float, optional
        Loss that is still acceptable [money per area].

    Returns
    -------
    NetReturn

    Raises
    ------
    PriceError, UnitError, NotEstimable
        See `Prices` and `economic_optimum_rate`.

    Examples
    --------
    >>> from fertkit.response import net_return
    >>> from fertkit.response import Prices
    >>> prices = Prices(0.10, 10.0)
    >>> result = net_return("quadratic", [3.0, 0.05, -0.000125], prices, lowest_rate=0, highest_rate=300)
    >>> float(result.rate)  # price ratio 0.01
    160.0
    """
    curve = get_curve(curve)
    params = checked_params(curve, params)
    money, ends = single(prices.per(rate_unit, yield_unit)), (float(lowest_rate), float(highest_rate))
    cost = money.pass_cost / money.grain
    best = economic_optimum_rate(curve, params, money.ratio, *ends, pass_cost=cost)
    agronomic = agronomic_optimum_rate(curve, params, *ends)
    limit = break_even_ratio(curve, params, *ends, pass_cost=cost if ends[0] == 0 else 0.0)
    return _describe(
        lambda rate: curve.value(rate, params), curve.key, prices, ends, (rate_unit, yield_unit),
        (float(best.rate), str(best.status)), (float(agronomic.rate), str(agronomic.status)), within,
        float(limit * money.grain),
    )  # fmt: skip


@asks(
    analysis=holding("optimum", "fits", like="what analyse_response gives"), within=either(a_word, a_number),
)  # fmt: skip
def net_return_of(analysis, *, within: float | str | None = None) -> NetReturn:
    """Net return of an analysed trial at its own prices and rates, averaged over curves as its optimum is.

    Parameters
    ----------
    analysis : ResponseAnalysis
    within : float or "usual", optional
        Loss that is still acceptable [money per area], or the usual share of the net return gained. Two
        rates, or a trial without a response, have no stretch.

    Examples
    --------
    >>> from fertkit.response import net_return_of
    >>> from fertkit.response import analyse_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> answer = analyse_response(trial, nutrient_price=0.45, grain_price=11, curve="linear_plateau")
    >>> print(net_return_of(answer).summary().splitlines()[2][:54])  # 9 bu at 11 less 90 lb at 0.45
    Net return 586.50 money/ac, 58.50 more than at 0 lb/ac
    """
    rates, best, agronomic = analysis.data.rates, analysis.optimum, analysis.agronomic_optimum
    within = None if analysis.curve in ("difference", MEAN.key) else within
    found = _describe(
        analysis.predict, analysis.curve, analysis.prices, (float(rates[0]), float(rates[-1])),
        (analysis.rate_unit, analysis.yield_unit), (best.rate, best.status),
        (agronomic.rate, agronomic.status), within, np.nan,
    )  # fmt: skip
    if same(best.rate, rates[0]):
        return found
    _, low, high = analysis.net_gain
    return replace(found, gain_low=low, gain_high=high, level=analysis.level)


def _describe(yields, name, prices, ends, units, best, agronomic, within, limit):
    """Build the result from a yield function of rate, whatever curve or average is behind it."""
    money = single(prices.per(*units))
    rate = best[0]

    def net(x):
        return money.net(yields(x), x)

    low = high = np.nan
    two = name == "difference"
    peak, by = rate if two else _peak(net, rate, *ends), ""
    if within == "usual":
        within, by = nearly_as_good(float(net(peak) - net(ends[0])))
        within = within or None
    if within is not None:
        # Where the pass is not paid zero stands alone; every other rate lies across the jump in cost.
        alone = peak == 0 and money.pass_cost > 0
        low, high = (peak, peak) if alone else rates_within(net, peak, *ends, within)
    return NetReturn(
        curve=name,
        prices=prices,
        price_ratio=money.ratio,
        rate_unit=units[0],
        yield_unit=units[1],
        lowest_rate=ends[0],
        highest_rate=ends[1],
        rate=rate,
        status=best[1],
        agronomic_rate=agronomic[0],
        agronomic_status=agronomic[1],
        net=float(net(rate)),
        gain=float(net(rate) - net(ends[0])),
        within=within,
        peak=peak,
        peak_net=float(net(peak)),
        within_low=float(low),
        within_high=float(high),
        break_even=_break_even(yields, rate, ends[0], money, limit),
        curve_points=_points(yields, np.array(ends) if two else np.linspace(*ends, POINTS), money, units),
        within_by=by,
    )


def _stretch(net):
    money, unit = f"{net.prices.money}/{net.area}", net.rate_unit
    curve = "averaged" if net.curve == "averaged" else CURVES[net.curve].label
    top = " (the highest tested)" if at_least(net.within_high, net.highest_rate) else ""
    by = f" ({net.within_by})" if net.within_by else ""
    said = (
        f"From {plain(net.within_low)} to {plain(net.within_high)} {unit}{top} the net return is within "
        f"{plain(net.within)} {money}{by} of the best of the {curve} curve, "
        f"{plain(net.peak_net)} at {plain(net.peak)} {unit}."
    )
    if same(net.rate, net.peak):
        return said
    where = "inside" if net.in_stretch else "OUTSIDE"
    which = "is the mean of the curves' own optima: it " if net.status == Status.INTERIOR else ""
    return (
        f"{said} The economic optimum reported, {plain(net.rate)} {unit}, {which}lies {where} that stretch "
        f"and returns {plain(net.lost)} {money} less than that best."
    )


def _peak(net, rate, lowest, highest):
    """Rate of the highest net return: by a grid that closes in, or the optimum itself where it is as good."""
    low, high, best = lowest, highest, rate
    for _ in range(4):
        rates = np.append(np.linspace(low, high, POINTS), best)
        best, step = float(rates[np.argmax(net(rates))]), (high - low) / (POINTS - 1)
        low, high = max(best - step, lowest), min(best + step, highest)
    return best if above(net(best), net(rate)) else float(rate)


def _break_even(yields, rate, lowest, money, limit):
    """Prices at which the answer tips; the pass is charged where the lowest tested rate is zero."""
    cost = money.pass_cost if lowest == 0 else 0.0
    rows = []
    if np.isfinite(limit) and limit > 0:
        rows.append(("Nutrient price above which no tested rate pays", "nutrient", limit))
    top, foot, step = float(yields(rate)), float(yields(lowest)), rate - lowest
    gain = top - foot
    if step > 0 and above(top, foot):
        paid_nutrient, paid_grain = (money.grain * gain - cost) / step, (money.nutrient * step + cost) / gain
        rows.append(
            ("Nutrient price at which the optimum rate only pays for itself", "nutrient", paid_nutrient)
        )
        rows.append(("Grain price at which the optimum rate only pays for itself", "grain", paid_grain))
    return pd.DataFrame(rows, columns=["question", "price_of", "price"])


def _points(yields, rates, money, units):
    area, at = area_of(units[1]), yields(rates)
    return pd.DataFrame(
        {
            column("rate", units[0]): rates,
            column("yield", units[1]): at,
            f"gross_return_per_{area}": money.grain * at,
            f"nutrient_cost_per_{area}": money.nutrient * rates,
            f"net_return_per_{area}": money.net(at, rates),
        }
    )
