"""The optimum rate across prices: by price ratio for several curves, by both prices for one."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, amounts, asks, holding
from fertkit.errors import NotEstimable
from fertkit.response.curves import MEAN, a_curve
from fertkit.response.economics import economic_optimum_rate
from fertkit.response.prices import Prices, column, positive
from fertkit.results import Result


@dataclass(frozen=True)
class PriceRatioTable(Result):
    """Economic optimum rate of each curve at each price ratio.

    Attributes
    ----------
    frame : DataFrame
        price_ratio, curve, rate, status: one row per curve and price ratio.
    rate_unit, yield_unit : str
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    price_ratio : float or None
        The ratio of today, marked in the figure.
    """

    frame: pd.DataFrame
    rate_unit: str
    yield_unit: str
    lowest_rate: float
    highest_rate: float
    price_ratio: float | None = None

    @property
    def table(self) -> pd.DataFrame:
        return self.frame

    @property
    def wide(self) -> pd.DataFrame:
        """Rates with a row per price ratio and a column per curve."""
        rate = column("rate", self.rate_unit)
        return self.frame.pivot_table(rate, "price_ratio", "curve", sort=False)


@asks(fits=a_dict, price_ratios=amounts)
def price_ratio_table(
    fits: Mapping[str, np.ndarray],
    price_ratios,
    *,
    lowest_rate: float,
    highest_rate: float,
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
    price_ratio: float | None = None,
) -> PriceRatioTable:
    """Tabulate the economic optimum rate of each curve over price ratios.

    Parameters
    ----------
    fits : mapping
        Curve key -> its parameters, shape (p,).
    price_ratios : array, shape (r,)
        [yield unit per rate unit]
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    price_ratio : float, optional
        The ratio of today, to be marked.

    Raises
    ------
    PriceError, NotEstimable
        See `economic_optimum_rate`; also if no curve is given.

    Examples
    --------
    >>> from fertkit.response import price_ratio_table
    >>> fits = {"quadratic": [3.0, 0.05, -0.000125]}
    >>> table = price_ratio_table(fits, [0.005, 0.01, 0.02], lowest_rate=0, highest_rate=300).table
    >>> table["rate_lb_ac"].round(6).tolist()
    [180.0, 160.0, 120.0]
    """
    if not fits:
        raise NotEstimable("a price-ratio table needs at least one fitted curve")
    ratios = np.unique(positive(price_ratios, "price ratio", zero_ok=True))
    rows = []
    for key, params in fits.items():
        rate, status = economic_optimum_rate(key, params, ratios, lowest_rate, highest_rate)
        rows.append(
            pd.DataFrame(
                {"price_ratio": ratios, "curve": key, column("rate", rate_unit): rate, "status": status}
            )
        )
    frame = pd.concat(rows, ignore_index=True)
    return PriceRatioTable(frame, rate_unit, yield_unit, float(lowest_rate), float(highest_rate), price_ratio)


@asks(analysis=holding("optimum", "fits", like="what analyse_response gives"), price_ratios=amounts)
def price_ratio_table_of(analysis, price_ratios) -> PriceRatioTable:
    """Tabulate the optimum of every curve fitted in an analysed trial; today's ratio is its own.

    Examples
    --------
    >>> from fertkit.response import price_ratio_table_of
    >>> from fertkit.response import analyse_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> answer = analyse_response(trial, nutrient_price=0.45, grain_price=11)
    >>> table = price_ratio_table_of(answer, [0.02, 0.08]).table
    >>> table.loc[table["curve"] == "linear_plateau", "rate_lb_ac"].round(3).tolist()
    [90.0, 90.0]
    """
    rates = analysis.data.rates
    return price_ratio_table(
        {key: fit.coef for key, fit in analysis.fits.items() if key != MEAN.key}, price_ratios,
        lowest_rate=float(rates[0]), highest_rate=float(rates[-1]), rate_unit=analysis.rate_unit,
        yield_unit=analysis.yield_unit, price_ratio=analysis.price_ratio,
    )  # fmt: skip


@asks(
    curve=a_curve, params=amounts, prices=holding("nutrient", "grain", like="Prices"),
    nutrient_prices=amounts, grain_prices=amounts,
)  # fmt: skip
def rates_by_price(
    curve,
    params,
    prices: Prices,
    nutrient_prices,
    grain_prices,
    *,
    lowest_rate: float,
    highest_rate: float,
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
) -> pd.DataFrame:
    """Economic optimum rate at every pairing of some nutrient prices with some grain prices.

    Parameters
    ----------
    curve, params, lowest_rate, highest_rate
        See `economic_optimum_rate`; one parameter set.
    prices : Prices
        Gives the units and the costs.
    nutrient_prices, grain_prices : array
        Prices to pair, in those units.

    Returns
    -------
    DataFrame
        nutrient_price, grain_price, price_ratio, rate, status: a row per pairing.

    Examples
    --------
    >>> from fertkit.response import rates_by_price
    >>> from fertkit.response import Prices
    >>> table = rates_by_price("quadratic", [3.0, 0.05, -0.000125], Prices(0.10, 10.0), [0.05, 0.10], [10.0],
    ...                        lowest_rate=0, highest_rate=300)
    >>> table["rate_lb_ac"].round(6).tolist()  # price ratios 0.005 and 0.01
    [180.0, 160.0]
    """
    pairs = np.meshgrid(np.asarray(nutrient_prices, float), np.asarray(grain_prices, float), indexing="ij")
    nutrient, grain = (p.ravel() for p in pairs)
    money = replace(prices, nutrient=nutrient, grain=grain).per(rate_unit, yield_unit)
    rate, status = economic_optimum_rate(
        curve, params, money.ratio, lowest_rate, highest_rate, pass_cost=money.pass_cost / money.grain
    )
    return pd.DataFrame(
        {
            "nutrient_price": nutrient,
            "grain_price": grain,
            "price_ratio": money.ratio,
            column("rate", rate_unit): rate,
            "status": status,
        }
    )
