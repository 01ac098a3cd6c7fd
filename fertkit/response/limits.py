"""Rules of thumb on money: what still counts as nearly as good, and which price ratios are doubted."""

from functools import cache

import numpy as np

from fertkit.reference.crops import load_crops
from fertkit.reference.load import load_table
from fertkit.response.prices import Prices, single
from fertkit.results import plain
from fertkit.units import AREA_RATE_KG_HA, MASS_KG, convert_area_rate, mass_kg

_MICRONUTRIENTS = frozenset(("B", "CU", "FE", "MN", "MO", "NI", "ZN"))


@cache
def _table():
    return load_table("response_limits").set_index(["group", "item"])


def nearly_as_good(gain: float) -> tuple[float, str]:
    """Loss that still counts as nearly as good where none is asked for, and the words that say whence.

    Parameters
    ----------
    gain : float
        Net return gained at the best rate over the lowest [money per area].

    Examples
    --------
    >>> from fertkit.response.limits import nearly_as_good
    >>> nearly_as_good(60.0)
    (3.0, '5 % of the net return gained; common practice, no source')
    """
    row = _table().loc[("net_return", "nearly as good")]
    words = f"{plain(row['value'])} % of the net return gained; {row['provenance']}"
    return max(float(gain), 0.0) * float(row["value"]) / 100, words


def network_limit(item: str) -> float:
    """Limit of a set of trials taken together, e.g. ``fewest trials``."""
    return float(_table().loc[("network", item), "value"])


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
    traded = load_crops().set_index("crop")["bushel_lb"].dropna()
    bushels = traded[[crop]] if crop in traded else traded
    bushels = [prices.lb_per_bushel] if prices.lb_per_bushel else bushels
    weights = [mass_kg(yield_mass, lb_per_bushel=b) for b in (min(bushels), max(bushels))]
    low, high = (money.ratio * w / mass_kg(rate_mass) for w in weights)
    least, most = _usual(nutrient, rate_unit, top_rate, yield_mass == "bu" or crop in traded)
    taken = (
        f"the nutrient is taken as {plain(money.nutrient)} {prices.money} per {rate_mass} and the crop as "
        f"{plain(money.grain)} {prices.money} per {yield_mass}, so a weight of nutrient costs as much as "
        f"{_range(low, high)} times that weight of crop; usual are {plain(least)} to {plain(most)} "
        f"({_table().loc[('price_ratio', 'lowest'), 'provenance']})"
    )
    usual = bool(least <= high and low <= most)
    said = (
        f"the prices are in the usual proportion: {taken}"
        if usual
        else f"check the units of the prices: {taken}"
    )
    limit = f"{plain(least)} to {plain(most)}"
    return ("units of the prices", _range(low, high), limit, usual, said)


def _usual(nutrient, rate_unit, top_rate, grain) -> tuple[float, float]:
    """Lowest and highest usual ratio of the prices of one mass."""
    kind = " of a grain crop" if grain else ""
    least, most = _limit(f"lowest{kind}"), _limit(f"highest{kind}")
    known = rate_unit in AREA_RATE_KG_HA
    top = convert_area_rate(top_rate, rate_unit, "kg/ha") if known else 0.0
    unnamed_trace = not nutrient and top <= _limit("highest rate of a micronutrient")
    if nutrient.strip().upper() in _MICRONUTRIENTS or unnamed_trace:
        most = _limit("highest of a micronutrient")
    if not known or top > _limit("lowest rate of a bulk product"):
        least = _limit("lowest of a bulk product")
    return least, most


def _limit(item):
    return float(_table().loc[("price_ratio", item), "value"])


def _range(low, high):
    ends = [f"{float(f'{v:.3g}'):,.0f}" if v >= 1000 else plain(v) for v in (low, high)]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)
