"""Refuse strips that no field gives: yields above any record, zeros, slips of the unit, rates beyond use."""

from functools import cache

import numpy as np

from fertkit.errors import Problem, typed
from fertkit.intake.spellings import plain, spellings
from fertkit.reference.crops import load_crops
from fertkit.reference.load import load_table
from fertkit.reference.plausible_yields import plausible_yield
from fertkit.results import plain as number
from fertkit.rounding import above
from fertkit.units import AREA_RATE_KG_HA, at_moisture, convert_area_rate

REAL = f"{typed('--real-yields', 'real_yields=True')} where so little was harvested"


def ask_whether_real(frame, headers, lines, crop, standard, real_yields, problems) -> None:
    """Tell of every yield and rate that cannot be, or that looks like a lost strip or a slip of the unit.

    Parameters
    ----------
    frame : DataFrame
        Cells by role; strips without a yield are NaN.
    headers : dict
        Role -> (column index, Header).
    lines : list of int
        Line of the file behind each row.
    crop : str
        "" where it is not known; then the highest yield of all crops is the limit.
    standard : float or None
        Moisture to which the yields are brought [% wet basis].
    real_yields : bool
        The user says that zeros and very low yields were measured.
    problems : list of Problem
    """
    unit = headers["yield"][1].unit
    if unit == "bu/ac" and crop and not load_crops().set_index("crop")["bushel_lb"].get(crop, 1) > 0:
        what = f"yields in bushels, but {crop} is not traded by the bushel"
        remedy, in_code = "correct the unit in the header, or the crop", typed("--crop", "crop='corn'")
        problems.append(Problem(what, remedy, column=headers["yield"][1].text, in_code=in_code))
    elif unit in ("bu/ac", *AREA_RATE_KG_HA):
        _yields(frame, headers["yield"][1], lines, crop, standard, real_yields, problems)
    for role in ("rate", "planned"):
        if role in frame and headers[role][1].unit in AREA_RATE_KG_HA:
            _rates(frame[role], headers[role][1], lines, problems)


def could_be(role, header, value) -> bool:
    """Whether a column of strips can hold a value at all, whatever the crop."""
    if role in ("moisture", "stated"):
        return value < 100
    if role == "yield" and header.unit in ("bu/ac", *AREA_RATE_KG_HA):
        return value <= _highest(header, "")[0]
    return True


def _yields(frame, header, lines, crop, standard, real_yields, problems):
    yields = frame["yield"]
    at_trade = yields
    if standard is not None and "moisture" in frame and not header.dry:
        at_trade = at_moisture(yields, frame["moisture"].fillna(standard), standard)
    highest, told = _highest(header, crop)
    too_high = above(at_trade, highest)
    _complain(too_high, yields, lines, header, problems,
              f"no field yields that: {told} is {number(highest)} {header.unit}",
              "check the number and the unit in the header; for silage, straw or hay, write that word into it"
              if header.unit != "bu/ac" else "check the number and the unit in the header")  # fmt: skip
    if real_yields:
        return
    kept = yields[np.isfinite(yields) & (yields > 0) & ~too_high]
    middle = float(kept.median()) if len(kept) else np.nan
    low = _limits().loc[("yield", "low column")] / 100 * _lowest_bound(header, crop, highest)
    if middle < low:
        remedy = "check the unit (is it t/ha, or is the point a thousands mark?)"
        what = f"the yields, {number(middle)} {header.unit} in the middle, are far below any harvest"
        problems.append(Problem(what, remedy, column=header.text, in_code=REAL))
        return
    remedy = "leave the cell empty where the strip was lost"
    nothing = (yields == 0).to_numpy()
    _complain(nothing, yields, lines, header, problems, "a yield of 0 looks like a lost strip", remedy, REAL)
    little = (yields > 0) & (yields < _limits().loc[("yield", "low strip")] / 100 * middle)
    _complain(little, yields, lines, header, problems,
              f"next to nothing beside the other yields ({number(middle)} {header.unit} in the middle)",
              remedy, REAL)  # fmt: skip


def _rates(rates, header, lines, problems):
    limits = _limits()
    item = header.nutrient if ("rate", header.nutrient) in limits.index else "any product"
    most = convert_area_rate(limits.loc[("rate", item)], "lb/ac", header.unit)
    what = f"of {item}" if item == header.nutrient else "of any product"
    _complain(above(rates, most), rates, lines, header, problems,
              f"no trial applies that much {what}: more than {number(most)} {header.unit}",
              "check the number and the unit in the header")  # fmt: skip
    top = rates[np.isfinite(rates)].max()
    tiny = (rates > 0) & (rates < limits.loc[("rate", "low rate")] / 100 * top)
    _complain(tiny, rates, lines, header, problems,
              f"next to nothing beside the highest rate ({number(top)} {header.unit})",
              "write 0 where nothing was applied, or correct the number")  # fmt: skip


def _complain(rows, values, lines, header, problems, what, remedy, in_code=""):
    problems += [
        Problem(what, remedy, lines[i], header.text, f"{values.iloc[i]:g}", in_code)
        for i in np.flatnonzero(rows)
    ]


def _highest(header, crop) -> tuple[float, str]:
    """Highest yield of the crop [unit of the header] and whose it is, the harvested part by the header."""
    words = set(plain(header.text).replace("(", " ").replace("_", " ").split())
    part = next((name for word, name in spellings("harvest part").items() if word in words), None)
    bound = _bounds(crop, part, header.unit)
    who = f"the highest {crop} yield" if crop else "the highest yield of any crop"
    return max(bound), f"{who} known"


def _lowest_bound(header, crop, highest) -> float:
    """Bound to hold low yields against: the crop's own, or the least of all crops where it is not known."""
    return highest if crop else min(_bounds("", None, header.unit))


@cache
def _bounds(crop, part, unit) -> tuple[float, ...]:
    """Highest yields [unit] of the parts that may be meant; straw and silage only where they are named."""
    table = load_table("yields")
    table = table[table["measure"].eq("highest")]
    parts = table[["crop", "harvested_part"]].drop_duplicates()
    fodder = ("silage", "straw", "stover")
    parts = parts[parts["harvested_part"].eq(part) if part else ~parts["harvested_part"].isin(fodder)]
    own = parts[parts["crop"].eq(plausible_yield(crop).crop)] if crop else parts
    parts = own if len(own) else parts
    bushels = unit == "bu/ac"
    traded = load_crops().set_index("crop")["bushel_lb"]
    found = [
        plausible_yield(*row).highest_in(unit)
        for row in parts.itertuples(index=False)
        if not bushels or traded[row.crop] > 0
    ]
    if found:
        return tuple(found)
    return _bounds(crop if part else "", None, unit)  # silage by the bushel: a unit of grain


@cache
def _limits():
    """Limits of plausible strips: (yield or rate, item) -> value [% or lb/ac]."""
    table = load_table("trial_limits")
    table = table[table["group"].isin(("yield", "rate"))]
    return table.set_index(["group", "item"])["value"]
