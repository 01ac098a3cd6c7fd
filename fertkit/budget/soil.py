"""Rates of P2O5 and K2O from a soil test, by published system, with the equation shown."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, maybe_a_list
from fertkit.budget.rates import amounts, published_rates
from fertkit.budget.thresholds import OXIDE, check_test, thresholds
from fertkit.budget.yields import goal_unit, refuse, yield_lb_ac
from fertkit.errors import LookupFailed, UnitError, unknown
from fertkit.reference.crops import base_crop, bushel_lb, crop_name
from fertkit.reference.load import list_sources, load_table
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_least, below, same
from fertkit.units import convert_area_rate

COLUMNS = ["term", "value", "unit", "source_key", "provenance", "confidence"]
UNITS = ("lb/ac", "kg/ha")
#: With one of these in the rotation, the P levels of the rotation are theirs (ALGL2020).
HIGHER_P_CROPS = ("wheat", "alfalfa")


@dataclass(frozen=True)
class SoilRate(Result):
    """Rate of one nutrient by one published system, with the equation it comes from.

    Attributes
    ----------
    system, title, status : str
        Status is "current" or "superseded".
    nutrient : str
        P2O5 or K2O.
    crop : str
    rate_lb_ac : float
    zone : str
        build-up, maintenance, drawdown or none.
    equation : str
        The equation with its numbers.
    rows : DataFrame
        term, value, unit, source_key, provenance, confidence.
    corners : DataFrame
        test, rate_lb_ac where the system bends; straight lines between them are its rate at any test level.
    level : float
        The test in the system's unit.
    test_unit : str
    unit : str
        Unit of `rate` and `line` (lb/ac or kg/ha).
    """

    system: str
    title: str
    status: str
    nutrient: str
    crop: str
    rate_lb_ac: float
    zone: str
    equation: str
    rows: pd.DataFrame
    corners: pd.DataFrame
    level: float
    test_unit: str
    unit: str = "lb/ac"

    @property
    def rate(self) -> float:
        """The rate [`unit`]."""
        return float(convert_area_rate(self.rate_lb_ac, "lb/ac", self.unit))

    @property
    def line(self) -> pd.DataFrame:
        """`corners` with the rate in `unit`: test, rate."""
        rate = convert_area_rate(self.corners["rate_lb_ac"], "lb/ac", self.unit)
        return pd.DataFrame({"test": self.corners["test"], "rate": rate})

    @property
    def table(self) -> pd.DataFrame:
        return self.rows

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(k for k in self.rows["source_key"].unique() if k not in ("", "own test"))

    @property
    def checks(self) -> pd.DataFrame:
        memory = self.rows["provenance"].isin(["from_memory", "mixed"])
        current = ("the system is the current one", "the system is superseded: ask for the current one")
        found = (
            "every number was read in its source",
            "some numbers of the system are from memory: confirm them before use",
        )
        return checks_frame(
            [
                ("system is current", self.status, "current", self.status == "current", current),
                ("numbers not read in a source", int(memory.sum()), 0, not memory.any(), found),
            ]
        )


@asks(rotation=maybe_a_list)
def soil_rate(
    system: str,
    nutrient: str,
    test: float,
    crop: str,
    yield_goal: float,
    yield_unit: str | None = None,
    *,
    extractant: str,
    depth_in: float,
    test_unit: str = "ppm",
    cec: float | None = None,
    p_supply: str | None = None,
    rotation=(),
    years: float | None = None,
    removal_lb_ac: float | None = None,
    unit: str = "lb/ac",
) -> SoilRate:
    """Work out the yearly rate of P2O5 or K2O that a published system gives for a soil test.

    Parameters
    ----------
    system : str
        tri_state_2020 or tri_state_1995 (superseded): corn, soybean, wheat, alfalfa; illinois_handbook: corn,
        soybean; kansas_build or kansas_sufficiency: corn. Each for P and K.
    nutrient : {'P', 'K'}
    test : float
        Soil test, elemental P or K [`test_unit`].
    crop, yield_goal, yield_unit
        The crop to be grown, as for `nutrient_budget`.
    extractant : str
        Bray-P1, Mehlich-3, Mehlich-3 colorimetric or ammonium acetate; must be the system's.
    depth_in : float
        Sampling depth [in]; must be the system's.
    test_unit : {'ppm', 'mg/kg', 'lb/ac'}
    cec : float, optional
        Cation exchange capacity [meq/100 g].
    p_supply : {'low', 'medium', 'high'}, optional
        Phosphorus-supplying power (Illinois).
    rotation : sequence of str
        The other crops of the rotation; wheat or alfalfa raise the P levels of the whole rotation.
    years : float, optional
        Years over which to build the test up; the system's usual number if None.
    removal_lb_ac : float, optional
        Removal of the oxide [lb/ac] in place of the system's own per-bushel value.
    unit : {'lb/ac', 'kg/ha'}
        Unit of the rate in the result; the equation stays in lb/ac, as it is published.

    Returns
    -------
    SoilRate

    Raises
    ------
    UnitError
        If the test comes from another extractant or depth, or a unit is not known.
    LookupFailed
        If the system, crop or nutrient is not carried, or the CEC or supplying power is needed.
    InputError
        If the test, the yield, the CEC or the years are impossible.

    Notes
    -----
    Build-up, test < CL: (CL - test) x build-up per unit / years + removal + extra. Maintenance, CL to ML:
    removal + extra. Drawdown, ML to ML + w: (removal + extra) x (1 - (test - ML) / w). Above: nothing.
    Sufficiency: a + b yield + c test + d yield x test, zero from the critical level on. The numbers are
    rows of the tables soil_tests, soil_rates, soil_systems and removal.

    Examples
    --------
    Corn of 180 bu/ac on a Mehlich-3 phosphorus of 12 ppm: 103 lb/ac of P2O5 (2020 build-up equation):

    >>> from fertkit.budget import soil_rate
    >>> rate = soil_rate("tri_state_2020", "P", 12, "corn", 180, extractant="Mehlich-3", depth_in=8)
    >>> float(rate.rate_lb_ac.round(1))
    103.0
    """
    if unit not in UNITS:
        raise UnitError(f"unknown unit '{unit}' of the rate; use one of: {', '.join(UNITS)}")
    systems = load_table("soil_systems").set_index("system")
    if system not in systems.index:
        raise unknown("soil-test system with rates", system, systems.index)
    if nutrient not in OXIDE:
        raise unknown("nutrient of a soil test", nutrient, OXIDE)
    plan, crop = systems.loc[system], crop_name(crop)
    governing = _governing_crop(nutrient, crop, rotation)
    lines = thresholds(plan["thresholds"], nutrient, governing, cec=cec, p_supply=p_supply, asked=system)
    level = check_test(lines, test, extractant, depth_in, test_unit)
    pounds = yield_lb_ac(crop, yield_goal, goal_unit(crop, yield_unit))
    terms = _Terms()
    terms.add("soil test", level, lines.test_unit, "own test", "own table", "as supplied")
    _add_lines(terms, lines, governing != crop)
    if plan["rule"] == "sufficiency":
        parts = _sufficiency(terms, system, nutrient, crop, pounds / bushel_lb(crop), level, lines)
    else:
        years = plan["years"] if years is None else years
        if not (np.isfinite(years) and years >= 1):
            what = "build-up takes a year or more"
            raise refuse("soil test", what, "give 1 or more", column="years", value=years)
        removal = _removal(terms, plan["removal_source"], nutrient, crop, pounds, removal_lb_ac)
        parts = _build_maintain(terms, system, plan["at_limit"], nutrient, level, lines, removal, years, cec)
    rate, zone, equation, corners = parts
    corners = pd.DataFrame(corners, columns=["test", "rate_lb_ac"])
    about = (system, plan["title"], lines.status, OXIDE[nutrient], crop)
    return SoilRate(*about, rate, zone, equation, terms.frame(), corners, level, lines.test_unit, unit)


class _Terms:
    """The numbers of an equation, gathered with their sources as it is worked out."""

    def __init__(self):
        self.rows = []

    def add(self, term, value, unit, source_key, provenance, confidence):
        self.rows.append((term, value, unit, source_key, provenance, confidence))

    def frame(self):
        return pd.DataFrame(self.rows, columns=COLUMNS)


def _governing_crop(nutrient, crop, rotation):
    if nutrient == "P" and base_crop(crop) not in HIGHER_P_CROPS:
        return next((c for c in map(base_crop, rotation) if c in HIGHER_P_CROPS), crop)
    return crop


def _add_lines(terms, lines, by_rotation):
    of = " (of the rotation)" if by_rotation else ""
    for name, column, value in (
        ("critical level", "low", lines.critical),
        ("maintenance limit", "high", lines.limit),
    ):
        row = lines.rows[lines.rows[column] != ""].iloc[0]
        terms.add(name + of, value, lines.test_unit, row["source_key"], row["provenance"], row["confidence"])


def _coefficient(terms, system, nutrient, parameter, cec, default=None):
    table = load_table("soil_rates")
    table = table[(table["system"] == system) & (table["nutrient"] == nutrient)]
    rows = table[table["parameter"] == parameter]
    if rows.empty and default is not None:
        return default
    row = rows.iloc[0]
    if row["per_cec"] and cec is None:
        raise LookupFailed(f"{system} builds {nutrient} by CEC; give cec= [meq/100 g]")
    value = row["value"] + (row["per_cec"] * cec if row["per_cec"] else 0.0)
    name = parameter.replace("_", " ")
    terms.add(name, value, row["unit"], row["source_key"], row["provenance"], row["confidence"])
    return value


def _removal(terms, source, nutrient, crop, pounds, given):
    if given is not None:
        if not (np.isfinite(given) and given >= 0):
            raise refuse("soil test", "not a removal", "give 0 or more", column="removal_lb_ac", value=given)
        terms.add("removal", given, "lb/ac", "own test", "own table", "as supplied")
        return given
    rates = [r for r in published_rates(crop) if r.source_key == source and r.nutrient == OXIDE[nutrient]]
    wanted = [r for r in rates if r.harvested > 0]
    if not wanted:
        raise LookupFailed(f"{source} has no {OXIDE[nutrient]} removal for {crop}; give removal_lb_ac=")
    removal = float(amounts(wanted[:1], pounds, 0.0, np.nan)["harvested"][0, 0])
    terms.add("removal", removal, "lb/ac", source, wanted[0].provenance, wanted[0].confidence)
    return removal


def _build_maintain(terms, system, at_limit, nutrient, level, lines, removal, years, cec):
    extra = _coefficient(terms, system, nutrient, "extra", cec, default=0.0)
    keep = removal + extra
    said = f"{removal:.1f}" + (f" + {extra:g}" if extra else "")
    width = _coefficient(terms, system, nutrient, "drawdown_width", cec, default=0.0)
    short = below(level, lines.critical)
    per = _coefficient(terms if short else _Terms(), system, nutrient, "build_per_unit", cec)
    corners = [
        (0.0, lines.critical * per / years + keep),
        (lines.critical, keep),
        (lines.limit, keep),
        (lines.limit + width, 0.0),
    ]
    over = level - lines.limit
    if short:
        terms.add("years of build-up", years, "years", "", "own table", "as supplied")
        rate = (lines.critical - level) * per / years + keep
        text = f"({lines.critical:g} - {level:g}) x {per:g} / {years:g} + {said} = {rate:.1f}"
        return rate, "build-up", text, corners
    if below(level, lines.limit) or (same(level, lines.limit) and at_limit == "maintenance"):
        return keep, "maintenance", f"{said} = {keep:.1f}", corners
    if below(level, lines.limit + width):
        rate = keep * (1 - over / width)
        text = f"({said}) x (1 - ({level:g} - {lines.limit:g}) / {width:g}) = {rate:.1f}"
        return rate, "drawdown", text, corners
    return 0.0, "none", f"{level:g} is at or above {lines.limit + width:g}: nothing", corners


def _sufficiency(terms, system, nutrient, crop, bushels, level, lines):
    a, b, c, d = (
        _coefficient(terms, system, nutrient, name, None)
        for name in ("intercept", "per_yield", "per_test", "per_yield_test")
    )
    start, slope = a + b * bushels, c + d * bushels
    last = min(lines.critical, -start / slope) if slope < 0 else lines.critical  # never below zero
    corners = [(0.0, start), (last, start + slope * last), (lines.critical, 0.0)]
    if at_least(level, lines.critical):
        return 0.0, "none", f"{level:g} is at or above {lines.critical:g}: nothing", corners
    rate = max(start + slope * level, 0.0)
    text = f"{a:g} {_plus(b)} x {bushels:g} {_plus(c)} x {level:g} {_plus(d)} x {bushels:g} x {level:g}"
    text = f"{text} = {rate:.1f}"
    return rate, "sufficiency", text, corners


def _plus(value):
    """A term of a sum with its sign set apart: + 0.2, - 2.5."""
    return f"{'-' if value < 0 else '+'} {abs(value):g}"
