"""A yield as the user states it -> pounds per acre as sold, with typing errors caught."""

from functools import cache

import numpy as np

from fertkit.errors import InputError, Problem, UnitError, one_of, typed, unknown_unit
from fertkit.intake.spellings import problem
from fertkit.intake.units import area_unit, debagged, is_bags
from fertkit.reference.crops import (
    base_crop,
    bushel_lb,
    crop_name,
    is_known,
    load_crops,
    sold_by_weight,
    trade_moisture_pct,
)
from fertkit.reference.load import cite, constants, load_table
from fertkit.reference.plausible_yields import plausible_yield
from fertkit.results import plain
from fertkit.rounding import above, at_least, at_most
from fertkit.units import ACRE_HA, AREA_RATE_KG_HA, LB_KG, at_moisture, convert_area_rate

FIELD_UNIT = {"lb/ac": "lb", "kg/ha": "kg"}
AREA_UNITS = {"ac": 1.0, "ha": 1 / ACRE_HA}
YIELD_UNITS = ("bu/ac", "bale/ac", *AREA_RATE_KG_HA)
#: Units of a yield by weight, as a message names them.
BY_WEIGHT = ("lb/ac", "cwt/ac", "ton/ac", "kg/ha", "t/ha")
#: Units of a yield goal, the usual one of a crop before the others.
GOAL_UNITS = ("bu/ac", "bale/ac", "ton/ac", "lb/ac", "t/ha", "kg/ha")


def refuse(table: str, what: str, remedy: str, **place) -> InputError:
    """Make the error for one wrong value of a request."""
    return InputError(table, [Problem(what, remedy, **place)])


def number(table: str, name: str, value) -> float:
    """Read one number, refusing anything else in a message of our own."""
    try:
        return float(value)
    except (TypeError, ValueError):
        raise refuse(table, "not a number", "write a plain number", column=name, value=value) from None


def base_of(crop: str) -> str:
    """Give the crop a market class belongs to; a crop of a user's own tables is its own."""
    return base_crop(crop) if is_known(crop) else crop


@cache
def lb_ac_per(unit: str, crop: str) -> float:
    """Pounds per acre in one unit of a crop's yield; words of a unit (tonnes/ha) are read as in files.

    Raises
    ------
    UnitError
        If the unit is not known, or does not fit the crop.
    """
    known = yield_unit(unit)
    mass, number = debagged(known)
    if number:
        return number * lb_ac_per(mass, crop)
    if known == "bale/ac" and crop == "cotton":
        return float(constants("cotton")["value"].iloc[0])
    bushels = not np.isnan(load_crops().set_index("crop")["bushel_lb"].get(crop, np.nan))
    wrong = {"bu/ac": not bushels, "bale/ac": crop != "cotton"}
    fits = [name for name in YIELD_UNITS if not wrong.get(name)]
    if known not in fits:
        no_bags(unit)
        sold = {"bu/ac": f"{crop} is not sold by the bushel", "bale/ac": f"{crop} is not sold by the bale"}
        what = sold.get(known, f"unknown unit '{unit}' of a {crop} yield")
        raise UnitError(what, remedy=one_of([name for name in GOAL_UNITS if name in fits]))
    weight = bushel_lb(crop) if known == "bu/ac" else None
    return float(convert_area_rate(1.0, known, "lb/ac", lb_per_bushel=weight))


def no_bags(unit):
    """Refuse a yield counted in bags.

    Raises
    ------
    UnitError
        If it is.
    """
    if is_bags(unit):
        asked = problem("bags")
        raise UnitError(asked.what, remedy=asked.remedy)


def yield_unit(text: str) -> str:
    """Give the unit of `YIELD_UNITS` for what a user writes (T/HA, bushels per acre), else the text.

    Bags whose mass is stated are a unit too: 'bags of 60 kg/ha'.
    """
    words = " ".join(str(text).split())
    if words in YIELD_UNITS:
        return words
    bales = words.lower().replace("bales", "bale").replace(" per ", "/").replace("acre", "ac")
    mass, number = debagged(words)
    if number and area_unit(mass):
        return f"bags of {number:g} {area_unit(mass)}"
    return "bale/ac" if bales == "bale/ac" else area_unit(words) or words


def goal_unit(crop: str, unit: str | None = None, part: str = "grain") -> str:
    """Give the unit of a yield goal; bu/ac where none is said and yields of the crop are reported so.

    Raises
    ------
    UnitError
        If none is said and yields of the crop are reported by weight, or bushels are said of silage.
    """
    if unit is not None:
        if part == "silage" and yield_unit(unit) == "bu/ac":
            raise UnitError("silage is not measured by the bushel", remedy=one_of(BY_WEIGHT))
        return yield_unit(unit)
    if part == "silage" or not is_known(crop) or sold_by_weight(crop):
        named = f"{crop} silage" if part == "silage" else crop
        raise UnitError(
            f"yields of {named} are reported by weight; choose the unit: {', '.join(BY_WEIGHT[:-1])} or "
            f"{BY_WEIGHT[-1]}",
            typed("--goal-unit lb/ac", "yield_unit='lb/ac'"),
        )
    return "bu/ac"


def amount_unit(unit: str | None) -> str:
    """Unit of nutrient amounts that goes with a unit of yield: kg/ha for yields per hectare, else lb/ac."""
    return "kg/ha" if unit is not None and yield_unit(unit).endswith("/ha") else "lb/ac"


def yield_lb_ac(crop: str, amount, unit: str, moisture_pct=None, *, part: str | None = None) -> float:
    """Restate a yield as pounds per acre at the trade moisture of the crop.

    Parameters
    ----------
    crop : str
        Any name `fertkit.reference.crop_name` knows.
    amount : float
        Yield above 0 [`unit`].
    unit : str
        One of `YIELD_UNITS`.
    moisture_pct : float, optional
        Moisture of the grain as weighed [% wet basis]; at trade moisture if None.
    part : str, optional
        Harvested part (grain, silage, hay, ...); the usual one if None.

    Returns
    -------
    float
        Yield [lb/ac].

    Raises
    ------
    InputError
        If the yield is not a number above 0, or beyond the highest known; or a moisture is not between 0 and
        100 %.
    LookupFailed, UnitError
        If the crop or the unit is not known.
    """
    crop = crop_name(crop) if is_known(crop) else crop
    amount = number("yield", "yield_goal", amount)
    pounds = amount * lb_ac_per(unit, crop)
    if moisture_pct is not None:
        moisture = number("yield", "moisture_pct", moisture_pct)
        if not 0 <= moisture < 100:
            what, remedy = "moisture is not between 0 and 100 %", "give the wet-basis moisture of the grain"
            raise refuse("yield", what, remedy, column="moisture_pct", value=moisture_pct)
        pounds = at_moisture(pounds, moisture, trade_moisture_pct(crop))
    if not (np.isfinite(pounds) and pounds > 0):
        what, remedy = "unusable yield", f"give a number above 0, in {unit}"
    elif above(pounds, highest_lb_ac(crop, part)):
        what, remedy = beyond(crop, unit, part)
    else:
        return pounds
    raise refuse("yield", what, remedy, column="yield_goal", value=f"{amount:g}")


@cache
def highest_lb_ac(crop: str, part: str | None = None) -> float:
    """Highest yield taken for real [lb/ac]; none of a crop of a user's own tables."""
    if not is_known(crop):
        return np.inf
    return plausible_yield(crop, part).highest_in("lb/ac")


def beyond(crop: str, unit: str, part: str | None = None) -> tuple[str, str]:
    """Say that a yield is above the highest known, whose that is, and what to do."""
    best = plausible_yield(crop, part)
    highest = f"{plain(highest_lb_ac(crop, part) / lb_ac_per(unit, crop_name(crop)))} {unit}"
    known = f"the highest accepted is {highest}, from memory"
    if best.source_key != "MEMO":
        about = ", ".join(filter(None, [best.year, best.note]))
        known = f"the highest known yield is {highest} ({about}; {cite(best.source_key)})"
    return f"{crop_name(crop)} cannot yield that many {unit}", f"check the number and unit; {known}"


def far_outside(crop: str, goal: float, unit: str, pounds: float, measured) -> list[str]:
    """Caution about a yield goal far from the yields [lb/ac] at which the sources measured; none if near."""
    far = constants("yield_far")["value"]
    if not measured:
        return []
    least, most = far["share of the lowest"] * min(measured), far["times the highest"] * max(measured)
    if at_least(pounds, least) and at_most(pounds, most):
        return []
    low, high = (f"{y / lb_ac_per(unit, crop):.3g}" for y in (min(measured), max(measured)))
    span = low if low == high else f"{low} to {high}"
    return [
        f"Caution: a yield of {goal:g} {unit} is far outside those of the sources ({span} {unit}): check "
        "the number and unit; amounts are scaled in proportion."
    ]


def goal_units(crop: str) -> list[str]:
    """Give the units in which a yield goal of a crop is stated, the usual one first."""
    bushels = not np.isnan(load_crops().set_index("crop")["bushel_lb"].get(crop, np.nan))
    sold = {"bu/ac": bushels, "bale/ac": crop == "cotton"}
    return [unit for unit in GOAL_UNITS if sold.get(unit, True)]


def highest_goal(crop: str, unit: str) -> float:
    """Give the highest yield of a crop taken for real [`unit`]: three digits, rounded down.

    Of a crop of a user's own tables none is known; its control ends at the highest of all crops.
    """
    if not is_known(crop):
        crops = load_table("yields")["crop"].unique()
        return max(map(highest_lb_ac, crops)) / lb_ac_per(unit, crop)
    highest = highest_lb_ac(crop) / lb_ac_per(unit, crop)
    step = 10 ** (len(str(int(highest))) - 3)
    return float(plain(highest // step * step, digits=4))


def field_amounts(lb_ac, area, area_unit: str, unit: str):
    """Amount in a whole field [lb or kg] from an amount per acre [lb/ac] and an area."""
    if area_unit not in AREA_UNITS:
        raise unknown_unit(area_unit, AREA_UNITS, "unit of area")
    return lb_ac * np.asarray(area, dtype=float) * AREA_UNITS[area_unit] * (LB_KG if unit == "kg/ha" else 1.0)


def residue_share(residue) -> float:
    """Read what happens to straw or stover: 'kept' or the share baled [0-1].

    Raises
    ------
    InputError
        If it is neither.
    """
    if isinstance(residue, str) and residue.strip().lower() == "kept":
        return 0.0
    try:
        share = float(residue)
    except (TypeError, ValueError):
        share = np.nan
    if not 0 <= share <= 1:
        raise refuse(
            "nutrient budget",
            "neither 'kept' nor a share",
            "write kept, or the share baled from 0 to 1 (0.8, or 80% in a table)",
            column="residue",
            value=residue,
        )
    return share
