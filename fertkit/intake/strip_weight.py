"""Yields from what strips weighed and how large they were."""

from dataclasses import replace

import numpy as np

from fertkit.errors import FertkitError, Problem, typed
from fertkit.intake.strip_headers import read_header
from fertkit.intake.strip_units import AREA_UNITS, LENGTH_M, PLOT_M2
from fertkit.reference.crops import bushel_lb
from fertkit.units import convert_area_rate, mass_kg


def yields_from_weights(frame, headers, lines, crop, unit, problems) -> list[str]:
    """Fill in the yield as harvested from weight and size of the strips; say how.

    Parameters
    ----------
    frame : DataFrame
        Strips with ``weight`` and either ``area`` or ``width`` and ``length``; gets ``yield``.
    headers : dict
        Role -> (column index, Header); gets ``yield``.
    lines : list of int
    crop : str
        For the weight of a bushel; may be empty.
    unit : str
        Unit of yield that the caller asks for; empty for the usual one.
    problems : list of Problem
    """
    if "weight" not in headers:
        return []
    i, weighed = headers["weight"]
    before = len(problems)
    size = _size(frame, headers, lines, problems)
    metric = _metric(headers)
    unit = unit or ("t/ha" if metric else "bu/ac")
    pounds = None
    if unit == "bu/ac" or weighed.unit == "bu":
        pounds = _bushel(crop, weighed, problems)
    if len(problems) > before or unit not in AREA_UNITS:
        return []
    kg = frame["weight"] * mass_kg(weighed.unit, lb_per_bushel=pounds)
    frame["yield"] = convert_area_rate(kg / size * 10_000, "kg/ha", unit, lb_per_bushel=pounds)
    headers["yield"] = i, replace(read_header(weighed.text, "yield"), unit=unit)
    of = "area" if "area" in headers else "length and width"
    bushel = f", a bushel at {pounds:g} lb" if unit == "bu/ac" else ""
    return [f"yields in {unit} are reckoned from '{weighed.text}' and the {of} of the strips{bushel}"]


def _size(frame, headers, lines, problems):
    """Area of each strip [m2]; a size that is none is a problem."""
    roles = ["area"] if "area" in headers else ["length", "width"]
    for role in roles:
        text = headers[role][1].text
        for at in np.flatnonzero(~(frame[role] > 0) & frame["weight"].notna()):
            if not any(p.row == lines[at] and p.column == text for p in problems):
                what = f"a weight without the {role} of its strip"
                problems.append(Problem(what, f"fill in the {role}, or take the weight out", lines[at], text))
    if roles == ["area"]:
        return frame["area"] * PLOT_M2[headers["area"][1].unit]
    metres = [frame[role] * LENGTH_M[headers[role][1].unit] for role in roles]
    return metres[0] * metres[1]


def _metric(headers) -> bool:
    """Whether yields are per hectare: as the rates are, or as the sizes are."""
    if "rate" in headers:
        return headers["rate"][1].unit.endswith("/ha")
    return headers["area" if "area" in headers else "length"][1].unit in ("m", "cm", "m2", "ha")


def _bushel(crop, weighed, problems):
    remedy = "choose the crop, or write another unit of yield in the header"
    in_code = typed("--crop corn or --units yield=lb/ac", "crop='corn' or units={'yield': 'lb/ac'}")
    if not crop:
        what = "yields in bushels need the crop, for the weight of a bushel"
        problems.append(Problem(what, remedy, column=weighed.text, in_code=in_code))
        return None
    try:
        return bushel_lb(crop)
    except FertkitError as error:
        problems.append(Problem(error.plain, remedy, column=weighed.text, in_code=in_code))
        return None
