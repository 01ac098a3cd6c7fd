"""The best rate where the plateau differs from season to season: the linear stochastic plateau.

Too little costs the whole slope in a good season; too much costs only the nutrient. So the best rate is a
quantile of the plateau, not the join of the mean plateau (Tembo, Brorsen, Epplin & Tostao 2008).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.errors import NotEstimable
from fertkit.reference.load import list_sources
from fertkit.response.curves import finite
from fertkit.response.prices import Prices, area_of, column, single
from fertkit.response.status import Status
from fertkit.results import Result
from fertkit.rounding import at_least


@dataclass(frozen=True)
class StochasticPlateau(Result):
    """Best rate under a normal plateau, beside the rate that ignores its spread.

    Attributes
    ----------
    rate, join_of_mean : float
        Rate of greatest expected net return, and join of the mean plateau [rate unit].
    status : str
        interior, lowest rate or highest rate (of the tested rates).
    expected_net, net_at_join : float
        Expected net return at either rate [money per area].
    frame : DataFrame
        rate, expected_yield, expected_net_return.
    rate_unit, yield_unit, money : str
    """

    rate: float
    join_of_mean: float
    status: str
    expected_net: float
    net_at_join: float
    frame: pd.DataFrame
    rate_unit: str
    yield_unit: str
    money: str

    @property
    def area(self) -> str:
        return area_of(self.yield_unit)

    @property
    def table(self) -> pd.DataFrame:
        return self.frame

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["TEMBO2008"])


def stochastic_plateau_rate(b0, b1, plateau_mean, plateau_sd, price_ratio):
    """Rate of greatest expected net return, ``(F^-1(1 - pr/b1) - b0) / b1`` (Tembo et al. 2008).

    Parameters
    ----------
    b0, b1 : float or array
        Intercept and slope of the rise [yield unit, yield unit per rate unit].
    plateau_mean, plateau_sd : float or array
        Normal distribution of the plateau between seasons [yield unit].
    price_ratio : float or array
        [yield unit per rate unit]

    Returns
    -------
    array
        Not clipped to tested rates; minus infinity where the slope does not pay for the nutrient, plus
        infinity where the nutrient is free.
    """
    from scipy.stats import norm

    chance = np.clip(1.0 - np.asarray(price_ratio, float) / b1, 0.0, 1.0)
    return (np.asarray(plateau_mean) + np.asarray(plateau_sd) * norm.ppf(chance) - b0) / b1


def stochastic_plateau_yield(rate, b0, b1, plateau_mean, plateau_sd):
    """Expected yield ``E min(b0 + b1 x, P)`` with a normal plateau P [yield unit]."""
    from scipy.stats import norm

    rise = b0 + b1 * np.asarray(rate, float)
    z = (rise - plateau_mean) / plateau_sd
    return rise * norm.sf(z) + plateau_mean * norm.cdf(z) - plateau_sd * norm.pdf(z)


@asks(prices=holding("nutrient", "grain", like="Prices"))
def stochastic_plateau(
    b0: float,
    b1: float,
    plateau_mean: float,
    plateau_sd: float,
    prices: Prices,
    *,
    lowest_rate: float,
    highest_rate: float,
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
) -> StochasticPlateau:
    """Best rate under a linear rise and a plateau that varies between seasons.

    Parameters
    ----------
    b0, b1, plateau_mean, plateau_sd : float
        See `stochastic_plateau_rate`.
    prices : Prices
        One price of each kind.
    lowest_rate, highest_rate : float
        Tested rates [rate unit].

    Raises
    ------
    NotEstimable
        If the rise is not positive or the plateau does not vary.
    PriceError, UnitError
        See `Prices`.

    Examples
    --------
    >>> from fertkit.response import stochastic_plateau
    >>> from fertkit.response import Prices

    A rise of 0.03 a unit from 2 to a plateau of 5, SD 0.8; prices 0.9 and 150 a unit. The best
    rate lies above the mean join of 100:

    >>> found = stochastic_plateau(2, 0.03, 5, 0.8, Prices(0.9, 150.0), lowest_rate=0, highest_rate=200)
    >>> round(float(found.rate), 3)
    122.443
    """
    law, ends = (b0, b1, plateau_mean, plateau_sd), (lowest_rate, highest_rate)
    finite(law, "rise and the plateau")
    finite(ends, "tested rates")
    if not (b1 > 0 and plateau_sd > 0 and lowest_rate < highest_rate):
        raise NotEstimable(
            "a varying plateau needs a rising line, a spread above zero and a range of tested rates"
        )
    money = single(prices.per(rate_unit, yield_unit))
    formula = float(stochastic_plateau_rate(*law, money.ratio))
    rate = float(np.clip(formula, lowest_rate, highest_rate))

    def net(x):
        return money.net(stochastic_plateau_yield(x, *law), x)

    inside = lowest_rate < formula < highest_rate
    status = Status.INTERIOR if inside else Status.NONE if formula <= lowest_rate else Status.TOP
    if lowest_rate == 0 and rate > 0 and at_least(net(0.0), net(rate)):
        rate, status = 0.0, Status.UNPAID
    join = (plateau_mean - b0) / b1
    rates = np.linspace(lowest_rate, highest_rate, 201)
    frame = pd.DataFrame(
        {
            column("rate", rate_unit): rates,
            column("expected_yield", yield_unit): stochastic_plateau_yield(rates, *law),
            f"expected_net_return_per_{area_of(yield_unit)}": net(rates),
        }
    )
    return StochasticPlateau(
        rate, join, status, float(net(rate)), float(net(join)), frame, rate_unit, yield_unit, prices.money
    )
