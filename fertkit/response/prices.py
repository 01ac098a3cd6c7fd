"""Prices of nutrient and grain, with the units that a price ratio silently depends on.

The price ratio is the price of one unit of nutrient over the price of one unit of yield. A nutrient priced
per kg over grain priced per bushel is wrong by the bushel's weight in kg, so prices carry their units and
are restated in the units of rate and yield before they meet a curve.

Examples
--------
0.50 a lb of N and 3.50 a bushel of corn:

>>> from fertkit.response import Prices
>>> round(float(Prices(0.50, 3.50).per("lb/ac", "bu/ac").ratio), 6)
0.142857
"""

from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np

from fertkit.asked import a_count, a_seed, amounts, asks, make_rng
from fertkit.errors import PriceError, UnitError
from fertkit.reference.crops import load_crops
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import MICRONUTRIENTS
from fertkit.results import ByContent, Result, plain
from fertkit.units import AREA_RATE_KG_HA, MASS_KG, convert_area_rate, mass_kg

_AREAS = {"ac": "acre", "ha": "hectare"}


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
        `nutrient_per`].
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
        If the price of grain is not a positive, finite number, another price or a cost is negative, or the
        lengths differ.
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
        nutrient = positive(self.nutrient, "nutrient price", zero_ok=True)
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
            raise UnitError("price the nutrient per lb, kg, ton or t, not per bushel")

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

    @asks(nutrient_cv_pct=amounts, grain_cv_pct=amounts, n=a_count(1), rng=a_seed)
    def draw(self, *, nutrient_cv_pct: float, grain_cv_pct: float, n: int, rng) -> "Prices":
        """Draw independent lognormal prices around these.

        Parameters
        ----------
        nutrient_cv_pct, grain_cv_pct : float
            Coefficients of variation [%].
        n : int
            Draws.
        rng : numpy.random.Generator or int
            Or its seed.

        Returns
        -------
        Prices
            With arrays of shape (n,).

        Notes
        -----
        Independence is an assumption: fertilizer and grain prices often move together. Arrays of past
        prices, year by year, keep whatever bond they have.
        """
        if np.ndim(self.nutrient) or np.ndim(self.grain):
            raise PriceError("draws need one mean price of each kind, not a table")
        drawn, rng = [], make_rng(rng)
        for mean, cv_pct in ((self.nutrient, nutrient_cv_pct), (self.grain, grain_cv_pct)):
            spread = positive(cv_pct, "coefficient of variation", zero_ok=True) / 100.0
            variance = np.log1p(spread**2)
            drawn.append(mean * np.exp(rng.normal(-variance / 2, np.sqrt(variance), n)))
        return replace(self, nutrient=drawn[0], grain=drawn[1])

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
        raise PriceError("give one price ratio, not a table")
    return float(ratio.item())


def single(prices: UnitPrices) -> UnitPrices:
    """Insist on one price of each kind where a table of prices would not do."""
    if np.size(prices.nutrient) != 1 or np.size(prices.grain) != 1:
        raise PriceError("give one nutrient price and one grain price, not a table")
    return prices._replace(nutrient=np.asarray(prices.nutrient).item(), grain=np.asarray(prices.grain).item())


def ratio_of(prices: Prices, data) -> float:
    """Price ratio in the units of the trial [yield unit per rate unit]."""
    return single(prices.per(data.rate_unit, data.yield_unit)).ratio


def prices_for(data, nutrient_price, grain_price, prices) -> Prices:
    """Give the prices of a trial, from two numbers in its units or as they are."""
    data.need_units()
    if prices is not None:
        if nutrient_price is not None or grain_price is not None:
            raise PriceError(
                "prices are given twice: give the two prices or the pair, not both", "prices=..."
            )
        return prices
    if nutrient_price is None or grain_price is None:
        raise PriceError("give the nutrient price and the grain price", "prices=...")
    rate_mass, yield_mass = data.rate_unit.split("/")[0], data.yield_unit.split("/")[0]
    return Prices(nutrient_price, grain_price, rate_mass, yield_mass)


class MoneyResult(Result):
    """A result in money per area, of rates and yields with units."""

    @property
    def area(self) -> str:
        return area_of(self.yield_unit)


def money_text(amount: float, currency: str = "", area: str = "", beside=()) -> str:
    """Write money for people: to the cent below 10, to three digits below 100, whole above, thousands apart.

    Parameters
    ----------
    amount : float
    currency : str
        The user's own name or sign of the money; "" or the label ``money`` where it has none.
    area : str
        ``ac`` or ``ha``, or a unit of mass; "" for an amount as such.
    beside : tuple of float
        Amounts that stand beside it: below 100 it has a decimal where one of them has.
    """
    tiny = abs(amount) < 0.005 and area not in ("", *_AREAS)  # a price of a small mass
    size = plain(abs(amount)) if tiny or abs(amount) >= 9.995 else f"{abs(amount):.2f}"
    sign = "-" if amount < 0 and size not in ("0", "0.00") else ""
    if abs(amount) >= 999.5:
        size = f"{abs(amount):,.0f}"
    if "." not in size and abs(amount) < 99.5 and any("." in money_text(other) for other in beside):
        size += ".0"
    if currency in ("", "money"):
        return f"{sign}{size} {money_unit('', area)}" if area else f"{sign}{size}"
    per = f"/{area}" if area else ""
    return f"{sign}{currency}{size}{per}" if not currency[-1].isalpha() else f"{sign}{size} {currency}{per}"


def money_texts(*amounts: float) -> list[str]:
    """Write amounts that stand beside each other.

    Examples
    --------
    >>> from fertkit.response.prices import money_texts
    >>> money_texts(72.04, 58.5, 85.2), money_texts(263, 229, 297)
    (['72.0', '58.5', '85.2'], ['263', '229', '297'])
    """
    return [money_text(amount, beside=amounts) for amount in amounts]


def money_unit(currency: str, area: str) -> str:
    """Name the unit of money per area or mass: ``EUR/ha``, or ``per acre`` without a name."""
    return f"per {_AREAS.get(area, area)}" if currency in ("", "money") else f"{currency}/{area}"


def column(name: str, unit: str) -> str:
    """Name a column with its unit, e.g. ``rate_lb_ac``."""
    return f"{name}_{unit.replace('/', '_')}"


def money_axis(what: str, currency: str, area: str) -> str:
    """Label an axis or column of money: ``net return [EUR/ha]``, ``net return per acre`` without a name."""
    unit = money_unit(currency, area)
    return f"{what} {unit}" if unit.startswith("per ") else f"{what} [{unit}]"


def area_of(unit: str) -> str:
    """Unit of area of an amount per area: ``ac`` or ``ha``."""
    return _parts(unit)[1]


def _parts(unit: str) -> tuple[str, str]:
    mass, slash, area = str(unit).partition("/")
    if not slash or area not in ("ac", "ha"):
        raise UnitError(f"'{unit}' is not an amount per area; use lb/ac, bu/ac, kg/ha or t/ha")
    return mass, area


# Rules of thumb on money -------------------------------------------------------------------------


@cache
def _table():
    return load_table("response_limits").set_index(["group", "item"])


def nearly_as_good(gain: float) -> tuple[float, str]:
    """Loss that still counts as nearly as good where none is asked for, and the words that say whence.

    Parameters
    ----------
    gain : float
        Net return gained at the best rate over the lowest [money per area].
    """
    row = _table().loc[("net_return", "nearly as good")]
    words = f"{plain(row['value'])}% of the net return gained; {row['provenance']}"
    return max(float(gain), 0.0) * float(row["value"]) / 100, words


@cache
def limit(item: str, group: str = "price_ratio") -> float:
    """Limit of the usual, e.g. the ``fewest trials`` of a ``network``."""
    return float(_table().loc[(group, item), "value"])


@cache
def weighted_coverage(curve: str) -> list[float]:
    """Least and greatest simulated coverage of weighted 95 % intervals [%]; none if not listed."""
    ends = _table().loc["weighted coverage", "value"]
    return [float(ends[name]) for end in ("least", "most") if (name := f"{curve} {end}") in ends]


def price_check(
    prices: Prices, rate_unit: str, yield_unit: str, nutrient: str = "", top_rate: float = 0.0, crop: str = ""
) -> tuple:
    """Row of a checks table: whether the crop that pays for a mass of nutrient is a plausible mass of it.

    A price per kg given where one per t is meant makes the nutrient a thousand times too dear, and every
    trial without an economic response; a crop price per t given where one per bushel is meant makes the crop
    forty times too dear, and the highest rate pay. A bushel is taken at any weight a crop of the table has,
    where the crop is not known. A nutrient without a name may be a micronutrient, and any may be a product in
    bulk (lime), as ``top_rate``, the highest [rate unit], allows.
    """
    money = single(prices.per(rate_unit, yield_unit))
    rate_mass, yield_mass = rate_unit.split("/")[0], yield_unit.split("/")[0]
    if not {rate_mass, yield_mass} <= {*MASS_KG, "bu"}:
        return ("units of the prices", np.nan, "", None, "the masses are not known")
    traded = _bushels()
    bushels = [traded[crop]] if crop in traded else traded.values()
    bushels = [prices.lb_per_bushel] if prices.lb_per_bushel else bushels
    weights = [mass_kg(yield_mass, lb_per_bushel=b) for b in (min(bushels), max(bushels))]
    low, high = (money.ratio * w / mass_kg(rate_mass) for w in weights)
    least, most = _usual(nutrient, rate_unit, top_rate, yield_mass == "bu" or crop in traded)
    taken = (
        f"prices read as {money_text(money.nutrient, prices.currency)} per {rate_mass} of nutrient and "
        f"{money_text(money.grain, prices.currency)} per {yield_mass} of crop: a price ratio by weight of "
        f"{_range(low, high)}; usual is {plain(least)} to {plain(most)} "
        f"({_provenance()})"
    )
    usual = bool(least <= high and low <= most)
    said = "prices are in the usual proportion" if usual else "check the units of the prices"
    row = "units of the prices", _range(low, high), f"{plain(least)} to {plain(most)}", usual
    return *row, f"{said}: {taken}"


@cache
def _provenance() -> str:
    """How the usual ratios of prices are known."""
    return _table().loc[("price_ratio", "lowest"), "provenance"]


@cache
def _bushels() -> dict[str, float]:
    """Weights of a bushel [lb] by crop."""
    return dict(load_crops().set_index("crop")["bushel_lb"].dropna())


def _usual(nutrient, rate_unit, top_rate, grain) -> tuple[float, float]:
    """Lowest and highest usual ratio of the prices of one mass."""
    kind = " of a grain crop" if grain else ""
    least, most = limit(f"lowest{kind}"), limit(f"highest{kind}")
    known = rate_unit in AREA_RATE_KG_HA
    top = convert_area_rate(top_rate, rate_unit, "kg/ha") if known else 0.0
    unnamed_trace = not nutrient and top <= limit("highest rate of a micronutrient")
    if nutrient.strip().upper() in map(str.upper, MICRONUTRIENTS) or unnamed_trace:
        most = limit("highest of a micronutrient")
    if not known or top > limit("lowest rate of a bulk product"):
        least = limit("lowest of a bulk product")
    return least, most


def _range(low, high):
    ends = [f"{float(f'{v:.3g}'):,.0f}" if v >= 1000 else plain(v) for v in (low, high)]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)
