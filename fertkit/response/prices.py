"""Prices of nutrient and grain, with the units that a price ratio silently depends on.

The price ratio is the price of one unit of nutrient over the price of one unit of yield. A nutrient priced
per kg over grain priced per bushel is wrong by the bushel's weight in kg, so prices carry their units and
are restated in the units of rate and yield before they meet a curve.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_generator, amounts, asks, holding
from fertkit.errors import InputError, PriceError, Problem, UnitError
from fertkit.results import ByContent, plain
from fertkit.units import mass_kg


class UnitPrices(NamedTuple):
    """Prices and costs restated in the units of a trial; numbers or arrays that broadcast together.

    Attributes
    ----------
    nutrient, grain : array
        Prices per mass unit of the rate and of the yield, so that all money is per area.
    fixed_cost, pass_cost : float
        [money per area]
    """

    nutrient: np.ndarray
    grain: np.ndarray
    fixed_cost: float
    pass_cost: float

    @property
    def ratio(self):
        """Price ratio [yield unit per rate unit]."""
        return self.nutrient / self.grain

    def cost_in_yield(self, rate, lowest):
        """Yield that pays for `rate` above `lowest`; the pass counts above a lowest rate of zero."""
        passes = self.pass_cost * ((rate > lowest) & (lowest == 0))
        return (self.nutrient * (rate - lowest) + passes) / self.grain

    def net(self, yields, rate):
        """Net return of `yields` at `rate` [money per area]."""
        rate = np.asarray(rate, float)
        return self.grain * yields - self.nutrient * rate - self.fixed_cost - self.pass_cost * (rate > 0)


@dataclass(frozen=True)
class Prices(ByContent):
    """Prices of one nutrient and of grain; arrays of equal length are draws or rows of a price table.

    Attributes
    ----------
    nutrient : float or array, shape (m,)
        Price of the nutrient in the form in which its rate is stated (N, P2O5, K2O, ...) [money per
        `nutrient_per`]. For a product's price see `nutrient_price_from_product`.
    grain : float or array, shape (m,)
        Price of the crop at the moisture at which yield is stated [money per `grain_per`].
    nutrient_per, grain_per : str
        Units of mass priced: kg, t, lb, cwt, ton (2,000 lb), and bu for grain.
    lb_per_bushel : float, optional
        Trade weight of the crop [lb/bu]; needed only where bushels meet another unit.
    fixed_cost : float
        Cost that is the same at every rate, zero included: shifts net return, moves nothing [money per area].
    pass_cost : float
        Cost of the application pass, spent at every rate above zero: never moves the optimum, but may make
        zero the best rate [money per area].
    currency : str
        Name of the money, for labels only; the user's own.

    Raises
    ------
    PriceError
        If a price is not a positive, finite number, a cost is negative, or the lengths differ.
    UnitError
        If a unit is not known.
    """

    nutrient: float | np.ndarray
    grain: float | np.ndarray
    nutrient_per: str = "lb"
    grain_per: str = "bu"
    lb_per_bushel: float | None = None
    fixed_cost: float = 0.0
    pass_cost: float = 0.0
    currency: str = ""

    def __post_init__(self):
        nutrient = positive(self.nutrient, "nutrient price")
        grain = positive(self.grain, "grain price")
        positive(self.fixed_cost, "fixed cost", zero_ok=True)
        positive(self.pass_cost, "cost of the application pass", zero_ok=True)
        if self.lb_per_bushel is not None:
            positive(self.lb_per_bushel, "weight of a bushel")
        if nutrient.shape != grain.shape and nutrient.ndim and grain.ndim:
            raise PriceError(
                f"{nutrient.size} nutrient prices but {grain.size} grain prices; give one of each per row"
            )
        for unit in {self.nutrient_per, self.grain_per} - {"bu"}:
            mass_kg(unit)
        if self.nutrient_per == "bu":
            raise UnitError("a nutrient is not sold by the bushel; price it per lb, kg, ton or t")

    @property
    def money(self) -> str:
        """Name of the money in labels."""
        return self.currency or "money"

    def per(self, rate_unit: str, yield_unit: str) -> UnitPrices:
        """Restate the prices per mass unit of `rate_unit` and of `yield_unit`.

        Raises
        ------
        UnitError
            If rate and yield are not per the same area, or a unit is unknown.
        """
        (rate_mass, rate_area), (yield_mass, yield_area) = _parts(rate_unit), _parts(yield_unit)
        if rate_area != yield_area:
            raise UnitError(
                f"the rate is in {rate_unit} but the yield in {yield_unit}; restate both per the same area"
            )
        return UnitPrices(
            np.asarray(self.nutrient, float) * self._factor(rate_mass, self.nutrient_per),
            np.asarray(self.grain, float) * self._factor(yield_mass, self.grain_per),
            self.fixed_cost,
            self.pass_cost,
        )

    def _factor(self, wanted: str, given: str) -> float:
        if wanted == given:
            return 1.0
        return mass_kg(wanted, lb_per_bushel=self.lb_per_bushel) / mass_kg(
            given, lb_per_bushel=self.lb_per_bushel
        )


def positive(value, what: str, *, zero_ok: bool = False) -> np.ndarray:
    """Give a price or cost as an array, or say which one cannot be.

    Raises
    ------
    PriceError
        If a value is negative, NaN, infinite or no number, or zero unless `zero_ok`.
    """
    try:
        array = np.asarray(value, float)
    except (TypeError, ValueError):
        raise PriceError(f"the {what} must be a number, not {value!r}") from None
    if array.size == 0:
        raise PriceError(f"no {what} is given")
    good = np.isfinite(array) & ((array >= 0) if zero_ok else (array > 0))
    if not good.all():
        first = array[~good].flat[0]
        least = "zero or more" if zero_ok else "greater than zero"
        raise PriceError(f"the {what} must be a finite number {least}; got {first:g}")
    return array


def one_ratio(value) -> float:
    """Insist on one price ratio of zero or more."""
    ratio = positive(value, "price ratio", zero_ok=True)
    if ratio.size != 1:
        raise PriceError("this needs one price ratio, not a table of them")
    return float(ratio.item())


def single(prices: UnitPrices) -> UnitPrices:
    """Insist on one price of each kind where a table of prices would not do."""
    if np.size(prices.nutrient) != 1 or np.size(prices.grain) != 1:
        raise PriceError("this needs one nutrient price and one grain price, not a table of prices")
    return prices._replace(nutrient=np.asarray(prices.nutrient).item(), grain=np.asarray(prices.grain).item())


@asks(nutrient_price=amounts, grain_price=amounts)
def price_ratio(
    nutrient_price,
    grain_price,
    *,
    nutrient_per: str = "lb",
    grain_per: str = "bu",
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
    lb_per_bushel: float | None = None,
):
    """Price of a unit of nutrient over the price of a unit of yield.

    Parameters
    ----------
    nutrient_price, grain_price : float or array
        Prices [money per `nutrient_per`, money per `grain_per`].
    nutrient_per, grain_per, rate_unit, yield_unit, lb_per_bushel
        See `Prices`.

    Returns
    -------
    float or array
        Price ratio [mass unit of yield per mass unit of rate].

    Raises
    ------
    PriceError, UnitError
        See `Prices`.

    Examples
    --------
    0.50 a lb of N and 3.50 a bushel of corn:

    >>> from fertkit.response import price_ratio
    >>> round(float(price_ratio(0.50, 3.50)), 6)
    0.142857
    """
    prices = Prices(nutrient_price, grain_price, nutrient_per, grain_per, lb_per_bushel)
    return prices.per(rate_unit, yield_unit).ratio[()]


@asks(product_price=amounts, nutrient_pct=amounts)
def nutrient_price_from_product(product_price, nutrient_pct):
    """Price of the nutrient in a product whose other nutrients are worth nothing here.

    Parameters
    ----------
    product_price : float or array
        Price of the product [money per unit of mass].
    nutrient_pct : float or array
        Content of the nutrient, in the form in which its rate is stated [%].

    Returns
    -------
    float or array
        Price of the nutrient [money per the same unit of mass].

    Examples
    --------
    A product of 60 % at 0.27 a lb:

    >>> from fertkit.response import nutrient_price_from_product
    >>> round(float(nutrient_price_from_product(0.27, 60)), 6)
    0.45
    """
    share = positive(nutrient_pct, "nutrient content") / 100.0
    if (share > 1).any():
        raise PriceError(f"a product cannot hold {np.max(share) * 100:g} % of a nutrient")
    return (positive(product_price, "product price") / share)[()]


@asks(prices=holding("nutrient", "grain", like="Prices"), n=a_count(1), rng=a_generator)
def draw_prices(prices: Prices, *, nutrient_cv_pct: float, grain_cv_pct: float, n: int, rng) -> Prices:
    """Draw independent lognormal prices around the given means.

    Parameters
    ----------
    prices : Prices
        Mean prices, one of each.
    nutrient_cv_pct, grain_cv_pct : float
        Coefficients of variation [%].
    n : int
        Draws.
    rng : numpy.random.Generator

    Returns
    -------
    Prices
        With arrays of shape (n,).

    Notes
    -----
    Independence is an assumption: fertilizer and grain prices often move together. Where past prices are
    at hand, `prices_from_table` keeps whatever bond they have.

    Examples
    --------
    >>> from fertkit.response import draw_prices
    >>> from fertkit.response import Prices
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> drawn = draw_prices(Prices(0.45, 11.0), nutrient_cv_pct=20, grain_cv_pct=15, n=1000, rng=rng)
    >>> drawn.nutrient.shape, bool((drawn.grain > 0).all())
    ((1000,), True)
    """
    if np.ndim(prices.nutrient) or np.ndim(prices.grain):
        raise PriceError("draws start from one mean price of each kind, not from a table of prices")
    drawn = []
    for mean, cv_pct in ((prices.nutrient, nutrient_cv_pct), (prices.grain, grain_cv_pct)):
        spread = positive(cv_pct, "coefficient of variation", zero_ok=True) / 100.0
        variance = np.log1p(spread**2)
        drawn.append(mean * np.exp(rng.normal(-variance / 2, np.sqrt(variance), n)))
    return replace(prices, nutrient=drawn[0], grain=drawn[1])


@asks()
def prices_from_table(table: pd.DataFrame, *, name: str = "price table", **others) -> Prices:
    """Take prices from a table with the columns ``nutrient_price`` and ``grain_price``, a row a case.

    Parameters
    ----------
    table : DataFrame
    name : str
        Name of the table in messages.
    **others
        The other attributes of `Prices`.

    Raises
    ------
    InputError
        Naming every cell that is not a positive number, or a missing column.

    Examples
    --------
    >>> from fertkit.response import prices_from_table
    >>> import pandas as pd
    >>> years = pd.DataFrame({"nutrient_price": [0.40, 0.50], "grain_price": [11.0, 10.0]})
    >>> prices_from_table(years).grain.tolist()
    [11.0, 10.0]
    """
    columns = ("nutrient_price", "grain_price")
    problems = [
        Problem("the column is missing", "add it, a price in each row", column=c)
        for c in columns
        if c not in table.columns
    ]
    if not problems and table.empty:
        problems = [Problem("the table has no rows", "give at least one row of prices")]
    if problems:
        raise InputError(name, problems)
    numbers = {c: pd.to_numeric(table[c], errors="coerce").to_numpy(float) for c in columns}
    problems = [
        Problem("not a price greater than zero", "correct it or drop the row", row=int(i) + 2, column=c,
                value=table[c].iloc[i])
        for c in columns
        for i in np.flatnonzero(~(np.isfinite(numbers[c]) & (numbers[c] > 0)))
    ]  # fmt: skip
    if problems:
        raise InputError(name, problems)
    return Prices(numbers["nutrient_price"], numbers["grain_price"], **others)


def money_text(amount: float, currency: str = "", area: str = "") -> str:
    """Write money for people: to the cent below 10, to three digits below 100, whole above.

    Parameters
    ----------
    amount : float
    currency : str
        The user's own name or sign of the money.
    area : str
        ``ac`` or ``ha``; the bare number if "".

    Examples
    --------
    >>> from fertkit.response.prices import money_text
    >>> money_text(72.04, "$", "ac"), money_text(-3.6, "$", "ac"), money_text(3.6, "", "ac")
    ('$72/ac', '-$3.60/ac', '3.60 per acre')
    >>> money_text(120.4, "EUR", "ha"), money_text(43.27)
    ('120 EUR/ha', '43.3')
    """
    size = plain(abs(amount)) if abs(amount) >= 9.995 else f"{abs(amount):.2f}"
    sign = "-" if amount < 0 and size != "0.00" else ""
    if not area:
        return f"{sign}{size}"
    if not currency:
        return f"{sign}{size} per {_AREAS[area]}"
    signed = not currency[-1].isalpha()
    return f"{sign}{currency}{size}/{area}" if signed else f"{sign}{size} {currency}/{area}"


_AREAS = {"ac": "acre", "ha": "hectare"}


def column(name: str, unit: str) -> str:
    """Name a column with its unit, e.g. ``rate_lb_ac``."""
    return f"{name}_{unit.replace('/', '_')}"


def area_of(unit: str) -> str:
    """Unit of area of an amount per area: ``ac`` or ``ha``."""
    return _parts(unit)[1]


def _parts(unit: str) -> tuple[str, str]:
    mass, slash, area = str(unit).partition("/")
    if not slash or area not in ("ac", "ha"):
        raise UnitError(f"'{unit}' is not an amount per area; use for example lb/ac, bu/ac, kg/ha or t/ha")
    return mass, area
