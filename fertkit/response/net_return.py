"""The money side of one curve: net return over the tested rates, and what it says about the rate."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.response.curves import get_curve
from fertkit.response.economics import (
    STATUS,
    agronomic_optimum_rate,
    break_even_ratio,
    economic_optimum_rate,
    rates_within,
)
from fertkit.response.prices import Prices, area_of, column, single
from fertkit.results import Result, checks_frame

CAUTION = (
    "The rate that pays in a trial is not yet a recommendation: keep to local nutrient rules and the product "
    "label, and ask a licensed or certified adviser."
)


@dataclass(frozen=True)
class NetReturn(Result):
    """Net return of one curve at one pair of prices.

    Attributes
    ----------
    curve : str
        Key of `CURVES`.
    params : array, shape (p,)
    prices : Prices
    price_ratio : float
        [yield unit per rate unit]
    rate_unit, yield_unit : str
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    rate, agronomic_rate : float
        Economic and agronomic optimum rate [rate unit].
    status, agronomic_status : str
        Keys of `STATUS`.
    net, gain : float
        Net return at the economic optimum, and how much that is above the lowest rate [money per area].
    within : float
        Acceptable loss [money per area].
    within_low, within_high : float
        Rates whose net return is within that loss of the best [rate unit].
    break_even : DataFrame
        The prices at which the answer tips: question, price_of (nutrient or grain), price [money per mass
        unit of rate or yield].
    curve_points : DataFrame
        rate, yield, gross return, nutrient cost and net return after all costs.
    """

    curve: str
    params: np.ndarray
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
    within: float
    within_low: float
    within_high: float
    break_even: pd.DataFrame
    curve_points: pd.DataFrame

    @property
    def area(self) -> str:
        return area_of(self.yield_unit)

    @property
    def table(self) -> pd.DataFrame:
        return self.curve_points

    def summary(self) -> str:
        money, rate = f"{self.prices.money}/{self.area}", self.rate_unit
        lines = [
            f"Economic optimum rate: {self.rate:.4g} {rate} ({STATUS[self.status]}).",
            f"Tested rates {self.lowest_rate:g} to {self.highest_rate:g} {rate}; price ratio "
            f"{self.price_ratio:.4g} {self.yield_unit} per {rate}.",
            f"Net return {self.net:,.2f} {money}, {self.gain:,.2f} more than at {self.lowest_rate:g} {rate}.",
            f"Rates from {self.within_low:.4g} to {self.within_high:.4g} {rate} return within "
            f"{self.within:g} {money} of the best.",
            f"Agronomic optimum rate: {self.agronomic_rate:.4g} {rate} ({self.agronomic_status}).",
        ]
        mass = {"nutrient": self.rate_unit.split("/")[0], "grain": self.yield_unit.split("/")[0]}
        lines += [
            f"{row.question}: {row.price:.4g} {self.prices.money} per {mass[row.price_of]}."
            for row in self.break_even.itertuples()
        ]
        return "\n".join([*lines, CAUTION])

    @property
    def checks(self) -> pd.DataFrame:
        tested = f"{self.lowest_rate:g} to {self.highest_rate:g}"
        rows = [
            (
                "optimum inside the tested rates",
                self.rate,
                tested,
                self.status == "interior",
                STATUS[self.status],
            ),
            (
                "rates nearly as good end inside the tested rates",
                self.within_high,
                f"below {self.highest_rate:g}",
                self.within_high < self.highest_rate,
                "at the highest tested rate the stretch is cut by the trial, not by the money",
            ),
        ]
        if self.prices.pass_cost > 0:
            paid = self.status != "pass not paid"
            meaning = "the yield gained at the optimum pays for the application pass"
            rows.append(("the pass is paid", self.gain, "above 0", paid, meaning))
        return checks_frame(rows)

    @property
    def sources(self) -> pd.DataFrame:
        from fertkit.reference import list_sources

        return list_sources(["PANNELL2006"])


def net_return(
    curve,
    params,
    prices: Prices,
    *,
    lowest_rate: float,
    highest_rate: float,
    within: float,
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
    points: int = 201,
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
    within : float
        Loss that is still acceptable [money per area].
    points : int
        Rates of the table.

    Returns
    -------
    NetReturn

    Raises
    ------
    PriceError, UnitError, NotEstimable
        See `Prices` and `economic_optimum_rate`.
    """
    curve, params = get_curve(curve), np.asarray(params, float)
    money = single(prices.per(rate_unit, yield_unit))
    ends = (float(lowest_rate), float(highest_rate))
    best = economic_optimum_rate(curve, params, money.ratio, *ends, pass_cost=money.pass_cost / money.grain)
    agronomic = agronomic_optimum_rate(curve, params, *ends)

    def net(rate):
        return money.net(curve.value(rate, params), rate)

    # With the pass unpaid the best is zero alone; every other rate lies across the jump in cost.
    unpaid = best.status == "pass not paid"
    low, high = (best.rate, best.rate) if unpaid else rates_within(net, best.rate, *ends, within)
    return NetReturn(
        curve=curve.key,
        params=params,
        prices=prices,
        price_ratio=float(money.ratio),
        rate_unit=rate_unit,
        yield_unit=yield_unit,
        lowest_rate=ends[0],
        highest_rate=ends[1],
        rate=float(best.rate),
        status=str(best.status),
        agronomic_rate=float(agronomic.rate),
        agronomic_status=str(agronomic.status),
        net=float(net(best.rate)),
        gain=float(net(best.rate) - net(ends[0])),
        within=float(within),
        within_low=float(low),
        within_high=float(high),
        break_even=_break_even(curve, params, ends, float(best.rate), money),
        curve_points=_points(curve, params, np.linspace(*ends, points), money, rate_unit, yield_unit),
    )


def _break_even(curve, params, ends, rate, money):
    """Prices at which the answer tips; the pass is charged where the lowest tested rate is zero."""
    cost = money.pass_cost if ends[0] == 0 else 0.0
    limit = float(money.grain * break_even_ratio(curve, params, *ends, pass_cost=cost / money.grain))
    rows = []
    if np.isfinite(limit) and limit > 0:
        rows.append(("Nutrient price above which no tested rate pays", "nutrient", limit))
    gain, step = float(curve.value(rate, params) - curve.value(ends[0], params)), rate - ends[0]
    if step > 0 and gain > 0:
        paid_nutrient, paid_grain = (money.grain * gain - cost) / step, (money.nutrient * step + cost) / gain
        rows.append(
            ("Nutrient price at which the optimum rate only pays for itself", "nutrient", paid_nutrient)
        )
        rows.append(("Grain price at which the optimum rate only pays for itself", "grain", paid_grain))
    return pd.DataFrame(rows, columns=["question", "price_of", "price"])


def _points(curve, params, rates, money, rate_unit, yield_unit):
    area = area_of(yield_unit)
    yields = curve.value(rates, params)
    return pd.DataFrame(
        {
            column("rate", rate_unit): rates,
            column("yield", yield_unit): yields,
            f"gross_return_per_{area}": money.grain * yields,
            f"nutrient_cost_per_{area}": money.nutrient * rates,
            f"net_return_per_{area}": money.net(yields, rates),
        }
    )
