"""The money side of a rate: net return over the tested rates, and the optimum at other prices.

Examples
--------
>>> from fertkit.response import Prices, price_table
>>> from fertkit.response.money import net_return
>>> prices = Prices(0.10, 10.0)  # price ratio 0.01
>>> float(net_return("quadratic", [3.0, 0.05, -0.000125], prices, lowest_rate=0, highest_rate=300).rate)
160.0
>>> price_table({"quadratic": [3.0, 0.05, -0.000125]}, [0.005, 0.02], lowest_rate=0, highest_rate=300).wide
curve        quadratic
price_ratio
0.005            180.0
0.020            120.0
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, amounts, asks, holding
from fertkit.errors import NotEstimable
from fertkit.reference.load import list_sources
from fertkit.response.curves import a_curve, checked_params, get_curve
from fertkit.response.optimum import Status, break_even_ratio, economic_optimum_rate, rates_within
from fertkit.response.prices import MoneyResult, Prices, area_of, column, nearly_as_good, positive, single
from fertkit.results import Result, checks_frame
from fertkit.rounding import above, at_most, below, same

POINTS = 201  # rates of a table

# Net return -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class NetReturn(MoneyResult):
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
    within : float or None
        Acceptable loss [money per area].
    peak, peak_net : float
        Rate at which the curve of net return is highest [rate unit], and its net return there. The optimum of
        an average is the mean of the curves' optima, which need not be the peak of their mean.
    within_low, within_high : float
        Rates whose net return is within that loss of the peak [rate unit]; nan where no loss is given.
    break_even : DataFrame
        The prices at which the answer tips: question, price_of (nutrient or grain), price [money per mass
        unit of rate or yield].
    table : DataFrame
        Rate, yield, gross return, nutrient cost and net return after all costs; of two rates these alone.
    within_by : str
        Whence that loss, where none was asked for.
    gain_low, gain_high, level : float
        Interval of the gain [money per area] and its confidence level; nan of a bare curve or without one.
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
    table: pd.DataFrame
    within_by: str = ""
    gain_low: float = np.nan
    gain_high: float = np.nan
    level: float = np.nan

    @property
    def meaning(self) -> str:
        """The status in words."""
        return Status(self.status).meaning

    @property
    def lost(self) -> float:
        """What the reported rate loses against the peak of its curve [money per area]."""
        return self.peak_net - self.net

    @property
    def in_stretch(self) -> bool:
        """Whether the reported rate lies in the stretch nearly as good as the peak."""
        return bool(at_most(self.within_low, self.rate) and at_most(self.rate, self.within_high))

    @property
    def checks(self) -> pd.DataFrame:
        tested = f"{self.lowest_rate:g} to {self.highest_rate:g}"
        inside = self.status == Status.INTERIOR
        rows = [("optimum inside the tested rates", self.rate, tested, inside, self.meaning)]
        if self.within is not None:
            rows.append(
                ("rates nearly as good end inside them", self.within_high, tested,
                 below(self.within_high, self.highest_rate),
                 ("rates nearly as good end inside the tested range",
                  "rates nearly as good reach the highest tested: test higher rates"))
            )  # fmt: skip
        if self.prices.pass_cost > 0:
            rows.append(
                ("the pass is paid", self.gain, "above 0", self.status != Status.UNPAID,
                 ("the gain pays for the application pass", Status.UNPAID.meaning))
            )  # fmt: skip
        return checks_frame(rows)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["PANNELL2006"])


@asks(curve=a_curve, params=amounts, prices=holding("nutrient", "grain", like="Prices"))
def net_return(
    curve, params, prices: Prices, *, lowest_rate: float, highest_rate: float, within: float | None = None,
    rate_unit: str = "lb/ac", yield_unit: str = "bu/ac",
) -> NetReturn:  # fmt: skip
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
    rate_unit, yield_unit : str

    Raises
    ------
    PriceError, UnitError, NotEstimable
        See `Prices` and `economic_optimum_rate`.
    """
    curve = get_curve(curve)
    params = checked_params(curve, params)
    money, ends = single(prices.per(rate_unit, yield_unit)), (float(lowest_rate), float(highest_rate))
    cost = money.pass_cost / money.grain
    best = economic_optimum_rate(curve, params, money.ratio, *ends, pass_cost=cost)
    most = economic_optimum_rate(curve, params, 0.0, *ends)
    limit = break_even_ratio(curve, params, *ends, pass_cost=cost if ends[0] == 0 else 0.0)
    return describe(
        lambda rate: curve.value(rate, params), curve.key, prices, ends, (rate_unit, yield_unit),
        (float(best.rate), str(best.status)), (float(most.rate), str(most.status)), within,
        float(limit * money.grain),
    )  # fmt: skip


def describe(yields, name, prices, ends, units, best, agronomic, within, limit=np.nan) -> NetReturn:
    """Net return of a yield function of rate, whatever curve or average is behind it; see `NetReturn`.

    Parameters
    ----------
    yields : callable
    name : str
    prices : Prices
    ends, units : (float, float), (str, str)
        Tested rates; units of rate and yield.
    best, agronomic : (float, str)
        Economic and agronomic optimum, and their status.
    within : float, "usual" or None
        Acceptable loss [money per area], or the usual share of the net return gained.
    limit : float
        Price of the nutrient above which no tested rate pays.
    """
    money = single(prices.per(*units))
    rate = best[0]

    def net(x):
        return money.net(yields(x), x)

    low = high = np.nan
    two = name == "difference"
    peak, by = rate if two else _peak(net, rate, *ends), ""
    if within == "usual":
        within, by = nearly_as_good(float(net(peak) - net(ends[0])))
        within = None if same(rate, ends[0]) else within or None  # no share of a gain that there is not
    if within is not None:
        # Where the pass is not paid zero stands alone; every other rate lies across the jump in cost.
        alone = peak == 0 and money.pass_cost > 0
        low, high = (peak, peak) if alone else rates_within(net, peak, *ends, within)
    return NetReturn(
        name, prices, money.ratio, *units, *ends, *best, *agronomic, float(net(rate)),
        float(net(rate) - net(ends[0])), within, peak, float(net(peak)), float(low), float(high),
        _break_even(yields, rate, ends[0], money, limit),
        _points(yields, np.array(ends) if two else np.linspace(*ends, POINTS), money, units), by,
    )  # fmt: skip


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
        only = "price at which the optimum rate breaks even"
        rows.append((f"Nutrient {only}", "nutrient", (money.grain * gain - cost) / step))
        rows.append((f"Grain {only}", "grain", (money.nutrient * step + cost) / gain))
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


# Other prices -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PriceTable(Result):
    """Economic optimum rate of each curve at each price ratio.

    Attributes
    ----------
    table : DataFrame
        price_ratio, curve, rate, status: one row per curve and price ratio.
    rate_unit, yield_unit : str
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    price_ratio : float or None
        The ratio of today, marked in the figure.
    """

    table: pd.DataFrame
    rate_unit: str
    yield_unit: str
    lowest_rate: float
    highest_rate: float
    price_ratio: float | None = None

    @property
    def wide(self) -> pd.DataFrame:
        """Rates with a row per price ratio and a column per curve."""
        rate = column("rate", self.rate_unit)
        return self.table.pivot_table(rate, "price_ratio", "curve", sort=False)


@asks(fits=a_dict, price_ratios=amounts)
def price_table(
    fits: Mapping[str, np.ndarray], price_ratios, *, lowest_rate: float, highest_rate: float,
    rate_unit: str = "lb/ac", yield_unit: str = "bu/ac", price_ratio: float | None = None,
) -> PriceTable:  # fmt: skip
    """Return the economic optimum rate of each curve over price ratios.

    Parameters
    ----------
    fits : mapping
        Curve key -> its parameters, shape (p,).
    price_ratios : array, shape (r,)
        [yield unit per rate unit]
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    rate_unit, yield_unit : str
    price_ratio : float, optional
        The ratio of today, to be marked.

    Raises
    ------
    PriceError, NotEstimable
        See `economic_optimum_rate`; also if no curve is given.
    """
    if not fits:
        raise NotEstimable("a price table needs at least one fitted curve")
    ratios, rows = np.unique(positive(price_ratios, "price ratio", zero_ok=True)), []
    for key, params in fits.items():
        rate, status = economic_optimum_rate(key, params, ratios, lowest_rate, highest_rate)
        part = {"price_ratio": ratios, "curve": key, column("rate", rate_unit): rate, "status": status}
        rows.append(pd.DataFrame(part))
    frame = pd.concat(rows, ignore_index=True)
    return PriceTable(frame, rate_unit, yield_unit, float(lowest_rate), float(highest_rate), price_ratio)
