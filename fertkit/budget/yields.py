"""A yield as the user states it -> pounds per acre as sold, with typing errors caught."""

import numpy as np

from fertkit.errors import InputError, Problem, UnitError
from fertkit.intake.strip_headers import area_unit
from fertkit.reference import base_crop, bushel_lb, crop_name, load_crops, load_table, trade_moisture_pct
from fertkit.rounding import at_least, at_most
from fertkit.units import AREA_RATE_KG_HA, at_moisture, convert_area_rate

YIELD_UNITS = ("bu/ac", "bale/ac", *AREA_RATE_KG_HA)


def refuse(table: str, what: str, remedy: str, **place) -> InputError:
    """Make the error for one wrong value of a request."""
    return InputError(table, [Problem(what, remedy, **place)])


def numbers(table: str, name: str, value) -> np.ndarray:
    """Read one number or an array of them, refusing text in a message of our own."""
    try:
        return np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise refuse(table, "not a number", "write a plain number", column=name, value=value) from None


def lb_ac_per(unit: str, crop: str) -> float:
    """Pounds per acre in one unit of a crop's yield; words of a unit (tonnes/ha) are read as in files.

    Raises
    ------
    UnitError
        If the unit is not known, or does not fit the crop.
    """
    known = yield_unit(unit)
    if known == "bale/ac" and crop == "cotton":
        bale = load_table("constants")
        return float(bale.loc[bale["group"] == "cotton", "value"].iloc[0])
    bushels = not np.isnan(load_crops().set_index("crop").loc[crop, "bushel_lb"])
    wrong = {"bu/ac": not bushels, "bale/ac": crop != "cotton"}
    fits = [name for name in YIELD_UNITS if not wrong.get(name)]
    if known not in fits:
        sold = {"bu/ac": f"{crop} is not traded by the bushel", "bale/ac": f"{crop} is not sold by the bale"}
        what = sold.get(known, f"unknown unit '{unit}' of a {crop} yield")
        raise UnitError(f"{what}; use one of: {', '.join(fits)}")
    weight = bushel_lb(crop) if known == "bu/ac" else None
    return float(convert_area_rate(1.0, known, "lb/ac", lb_per_bushel=weight))


def yield_unit(text: str) -> str:
    """Give the unit of `YIELD_UNITS` for what a user writes (tonnes/ha, bushels per acre), else the text."""
    words = " ".join(str(text).split())
    if words in YIELD_UNITS:
        return words
    bales = words.lower().replace("bales", "bale").replace(" per ", "/").replace("acre", "ac")
    return "bale/ac" if bales == "bale/ac" else area_unit(words) or words


def yield_lb_ac(crop: str, amount, unit: str = "bu/ac", moisture_pct=None, *, grain: bool = True):
    """Restate a yield as pounds per acre at the trade moisture of the crop.

    Parameters
    ----------
    crop : str
        Any name `fertkit.reference.crop_name` knows.
    amount : float or array
        Yield [`unit`], not negative.
    unit : str
        One of `YIELD_UNITS`.
    moisture_pct : float or array, optional
        Moisture of the grain as weighed [% wet basis]; at trade moisture if None.
    grain : bool
        False for silage and other whole-crop harvests, which weigh far more.

    Returns
    -------
    float or array
        Yield [lb/ac].

    Raises
    ------
    InputError
        If the yield is not a number, negative, or beyond what the crop can bear; or a moisture is not
        between 0 and 100 %.
    LookupFailed, UnitError
        If the crop or the unit is not known.
    """
    crop = crop_name(crop)
    pounds = numbers("yield", "yield_goal", amount) * lb_ac_per(unit, crop)
    if moisture_pct is not None:
        moisture = numbers("yield", "moisture_pct", moisture_pct)
        if not ((moisture >= 0) & (moisture < 100)).all():
            raise refuse(
                "yield",
                "moisture is not between 0 and 100 %",
                "give the wet-basis moisture of the grain",
                column="moisture_pct",
                value=moisture_pct,
            )
        pounds = at_moisture(pounds, moisture, trade_moisture_pct(crop))
    limit, shown = yield_limit_lb_ac(crop, grain)
    wrong = ~((pounds >= 0) & at_most(pounds, limit))
    if wrong.any():
        first = np.atleast_1d(np.asarray(amount, dtype=float))[np.atleast_1d(wrong)][0]
        what = f"{crop} cannot yield that many {unit}"
        remedy = f"check the number and the unit; use 0 to {shown}"
        raise refuse("yield", what, remedy, column="yield_goal", value=f"{first:g}")
    return pounds if np.ndim(amount) else float(pounds)


def far_outside(crop: str, goal: float, unit: str, pounds: float, measured) -> list[str]:
    """Caution about a yield goal far from the yields [lb/ac] at which the sources measured; none if near."""
    table = load_table("constants")
    far = table[table["group"] == "yield_far"].set_index("item")["value"]
    if not measured:
        return []
    least, most = far["share of the lowest"] * min(measured), far["times the highest"] * max(measured)
    if at_least(pounds, least) and at_most(pounds, most):
        return []
    low, high = (f"{y / lb_ac_per(unit, crop):.3g}" for y in (min(measured), max(measured)))
    span = low if low == high else f"{low} to {high}"
    return [
        f"Caution: a yield of {goal:g} {unit} lies far outside those the sources measured ({span} {unit}): "
        "check the number and the unit; the amounts are only scaled in proportion."
    ]


def yield_limit_lb_ac(crop: str, grain: bool = True) -> tuple[float, str]:
    """Highest yield taken for real [lb/ac], and the same in words."""
    table = load_table("constants")
    limits = table[table["group"] == "yield_limit"].set_index("item")
    base = base_crop(crop)
    by_bushel = grain and not np.isnan(load_crops().set_index("crop").loc[crop_name(crop), "bushel_lb"])
    row = limits.loc[base if by_bushel and base in limits.index else "any grain" if by_bushel else "any crop"]
    return row["value"] * lb_ac_per(row["unit"], crop), f"{row['value']:g} {row['unit']}"
