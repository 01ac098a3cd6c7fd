"""Rates of P2O5 and K2O from a soil test, by published system, with the equation shown."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.asked import asks, maybe_a_list, zero_or_more
from fertkit.budget.rates import amounts, published_rates
from fertkit.budget.thresholds import (
    CLASS,
    OXIDE,
    check_test,
    fits,
    known_cases,
    level_class,
    of_cases,
    speaks_of,
    thresholds,
)
from fertkit.budget.yields import goal_unit, lb_ac_per, refuse, yield_lb_ac
from fertkit.errors import LookupFailed, NotEstimable, UnitError, unknown
from fertkit.reference.crops import base_crop, crop_name
from fertkit.reference.load import list_sources, load_table
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_least, at_most, below, same
from fertkit.units import convert_area_rate

COLUMNS = ["term", "value", "unit", "source_key", "provenance", "confidence"]
UNITS = ("lb/ac", "kg/ha")
#: Points that stand for a curved line of rates.
CURVE_POINTS = 41
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
        P2O5, K2O, N, S, Zn or Cl.
    crop : str
    rate_lb_ac : float
    zone : str
        build-up, maintenance, drawdown, none, sufficiency, equation, table, or the system's own class.
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
    equation_unit : str
        Unit of the equation, as it is published.
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
    equation_unit: str = "lb/ac"

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


@asks(rotation=maybe_a_list, cases=maybe_a_list, credit_lb_ac=zero_or_more, om_pct=zero_or_more)
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
    om_pct: float | None = None,
    cases=(),
    rotation=(),
    years: float | None = None,
    removal_lb_ac: float | None = None,
    credit_lb_ac: float = 0.0,
    unit: str = "lb/ac",
) -> SoilRate:
    """Work out the yearly rate of a nutrient that a published system gives for a soil test.

    Parameters
    ----------
    system : str
        A row of the table soil_systems (tri_state_2020, illinois_handbook, kansas_build, ontario, ...); each
        knows its own crops and nutrients and says so when asked for others.
    nutrient : {'P', 'K', 'N', 'S', 'Zn', 'Cl'}
    test : float
        Soil test, elemental P or K, nitrate-N, ... [`test_unit`].
    crop, yield_goal, yield_unit
        The crop to be grown, as for `nutrient_budget`.
    extractant : str
        Bray-P1, Mehlich-3, Olsen, ammonium acetate, nitrate, ...; must be the system's.
    depth_in : float
        Sampling depth [in]; must be the system's.
    test_unit : {'ppm', 'mg/kg', 'lb/ac'}
        Or the system's own: mg/l, index, class, lb/ac of profile.
    cec : float, optional
        Cation exchange capacity [meq/100 g].
    om_pct : float, optional
        Organic matter of the soil [%], for systems that count on it.
    cases : str or sequence of str
        What else holds of the field, where a system asks: "high P-supply" (Illinois), "straw incorporated",
        "continuous corn". A case that a system does not ask for is no matter to it.
    rotation : sequence of str
        The other crops of the rotation; wheat or alfalfa raise the P levels of the whole rotation.
    years : float, optional
        Years over which to build the test up; the system's usual number if None.
    removal_lb_ac : float, optional
        Removal of the oxide [lb/ac] in place of the system's own per-bushel value.
    credit_lb_ac : float
        What manure, a legume or irrigation water supplies of the nutrient [lb/ac]; taken off the rate.
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
        If the system, crop or nutrient is not carried, or the CEC, organic matter or a case is needed.
    NotEstimable
        If the published table could not be read at this test.
    InputError
        If the test, the yield, the CEC or the years are impossible.

    Notes
    -----
    Build-up, test < CL: (CL - test) x build-up per unit / years + removal + extra. Maintenance, CL to ML:
    removal + extra. Drawdown, ML to ML + w: (removal + extra) x (1 - (test - ML) / w). Above: nothing.
    Sufficiency and equation: a sum of products of test, yield and organic matter, each with its coefficient;
    zero from the critical level on, and from where the sum first reaches zero. Table: the line that the test
    reaches, moved with the yield where the table says so. Then caps and credits. The numbers are rows of the
    tables soil_tests, soil_rates, soil_systems and removal.

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
    plan, crop, cases = systems.loc[system], crop_name(crop), known_cases(cases)
    builds = plan["rule"] == "build-up and maintenance"
    governing = _governing_crop(nutrient, crop, rotation) if builds else crop
    of_field = {"cec": cec, "cases": cases, "test": (extractant, depth_in)}
    lines = thresholds(plan["thresholds"], nutrient, governing, **of_field, asked=system, both=builds)
    level = check_test(lines, test, extractant, depth_in, test_unit)
    pounds = yield_lb_ac(crop, yield_goal, goal_unit(crop, yield_unit))
    terms = _Terms(_rates(system, nutrient, crop, extractant, cases), cec)
    terms.add("soil test", level, lines.test_unit, "own test", "own table", "as supplied")
    _add_lines(terms, lines, governing != crop)
    if builds:
        years = plan["years"] if years is None else years
        if not (np.isfinite(years) and years >= 1):
            what = "build-up takes a year or more"
            raise refuse("soil test", what, "give 1 or more", column="years", value=years)
        removal = _removal(terms, plan["removal_source"], nutrient, crop, pounds, removal_lb_ac)
        worked = _build_maintain(terms, plan["at_limit"], level, lines, removal, years)
    else:
        goal = pounds / lb_ac_per(plan["yield_unit"], crop) if plan["yield_unit"] else np.nan
        values = {"test": level, "yield": goal, "om": om_pct}
        worked = (_table if plan["rule"] == "table" else _equation)(terms, values, lines, plan["rule"])
    rate, equation, corners = _bounded(worked, terms, credit_lb_ac, plan["rate_unit"])
    about = (system, plan["title"], lines.status, OXIDE.get(nutrient, nutrient), crop)
    shown = (level, lines.test_unit, unit, plan["rate_unit"])
    return SoilRate(*about, rate, worked.zone, equation, terms.frame(), corners, *shown)


@dataclass(frozen=True)
class _Worked:
    """A rate in the system's own unit before caps and credits, and the equation up to its equals sign."""

    rate: float
    zone: str
    text: str
    corners: list


class _Terms:
    """The numbers of an equation, gathered with their sources as it is worked out from a system's rows."""

    def __init__(self, rates, cec=None):
        self.rates, self.cec, self.rows = rates, cec, []

    def add(self, term, value, unit, source_key, provenance, confidence):
        self.rows.append((term, value, unit, source_key, provenance, confidence))

    def of(self, row):
        """Value of one row at the field's CEC."""
        value = row["value"]
        if row["per_cec"] > 0:
            if self.cec is None:
                raise LookupFailed(f"{row['system']} builds {row['nutrient']} by CEC; give cec= [meq/100 g]")
            value += row["per_cec"] * self.cec
        source = (row["unit"], row["source_key"], row["provenance"], row["confidence"])
        self.add(row["parameter"].replace("_", " "), value, *source)
        return value

    def take(self, parameter, default=None):
        """Value of a parameter; the default if the system has none."""
        rows = self.rates[self.rates["parameter"] == parameter]
        return default if rows.empty else self.of(rows.iloc[0])

    def frame(self):
        return pd.DataFrame(self.rows, columns=COLUMNS)


def _rates(system, nutrient, crop, extractant, cases):
    """Rows of a system's rates for one crop, nutrient and test; cases that it asks for must be given."""
    table = load_table("soil_rates")
    table = table[(table["system"] == system) & (table["nutrient"] == nutrient)]
    of_crop = table["crop"].map(lambda words: not words or speaks_of(words, crop))
    rows = table[of_crop & table["extractant"].map(lambda own: not own or fits(extractant, own))]
    if rows.empty:
        crops = ", ".join(sorted(set(table["crop"]))) or "no crop"
        raise LookupFailed(f"{system} has no rates of {nutrient} for {crop}, only for {crops}")
    return of_cases(rows, cases, f"{system} sets its rates of {nutrient} for {crop} by case")


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
        if np.isinf(value):
            continue
        rows = lines.rows[~lines.rows["parameter"].str.startswith(CLASS)]
        row = rows[rows[column] != ""].iloc[0]
        terms.add(name + of, value, lines.test_unit, row["source_key"], row["provenance"], row["confidence"])


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


def _build_maintain(terms, at_limit, level, lines, removal, years):
    extra = terms.take("extra", 0.0)
    keep = removal + extra
    said = f"{removal:.1f}" + (f" + {extra:g}" if extra else "")
    width = terms.take("drawdown_width", 0.0)
    short = below(level, lines.critical)
    per = (terms if short else _Terms(terms.rates, terms.cec)).take("build_per_unit")
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
        text = f"({lines.critical:g} - {level:g}) x {per:g} / {years:g} + {said}"
        return _Worked(rate, "build-up", text, corners)
    if below(level, lines.limit) or (same(level, lines.limit) and at_limit == "maintenance"):
        return _Worked(keep, "maintenance", said, corners)
    if below(level, lines.limit + width):
        rate = keep * (1 - over / width)
        text = f"({said}) x (1 - ({level:g} - {lines.limit:g}) / {width:g})"
        return _Worked(rate, "drawdown", text, corners)
    return _nothing(level, lines.limit + width, corners)


def _nothing(level, end, corners):
    return _Worked(0.0, "none", f"{level:g} is at or above {end:g}: nothing", corners)


def _equation(terms, values, lines, rule):
    """A sum of products: 'per_yield_test' is the coefficient of yield x test, 'intercept' stands alone."""
    if values["om"] is None and terms.rates["parameter"].str.contains("_om").any():
        system = terms.rates["system"].iloc[0]
        raise LookupFailed(f"{system} counts on organic matter; give om_pct= [%]")
    if values["om"] is not None:
        kept = np.clip(values["om"], terms.take("om_least", 0.0), terms.take("om_most", 100.0))
        values = values | {"om": float(kept)}
    level, by_power, said = values["test"], np.zeros(3), []
    for _, row in terms.rates.iterrows():
        names = row["parameter"].removeprefix("per_").replace("intercept", "").split("_")
        if row["parameter"] != "intercept" and not set(names) <= set(values):
            continue
        names, value = [name for name in names if name], terms.of(row)
        others = np.prod([values[name] for name in names if name != "test"])
        by_power[names.count("test")] += value * others
        said.append((value, names))
    end = min(_turn(*by_power), lines.critical)
    line = np.polynomial.Polynomial(by_power)
    tests = [0.0, end] if by_power[2] == 0 else np.linspace(0.0, end, CURVE_POINTS)
    corners = [(float(x), float(line(x))) for x in tests] if np.isfinite(end) else [(0.0, float(line(0.0)))]
    if np.isfinite(lines.critical):
        corners.append((lines.critical, 0.0))
    if at_least(level, lines.critical):
        return _nothing(level, lines.critical, corners)
    at = min(level, end)
    shown = values | {"test": at if by_power[2] else level}
    text = " ".join(_term(value, [shown[n] for n in names], not i) for i, (value, names) in enumerate(said))
    return _Worked(max(float(line(at)), 0.0), rule, text, corners)


def _turn(start, slope, bend):
    """Test at which a falling line reaches zero, or where a parabola that never does is lowest."""
    if slope >= 0:
        return np.inf
    inside = slope**2 - 4 * bend * start
    if bend == 0:
        return -start / slope
    return (-slope - np.sqrt(max(inside, 0.0))) / (2 * bend)


def _term(value, factors, first):
    """A term of a sum with its sign set apart: + 0.2 x 150, - 2.5 x 10."""
    sign = f"{'-' if value < 0 else '+'} {abs(value):g}"
    return " x ".join([f"{value:g}" if first else sign, *(f"{factor:g}" for factor in factors)])


def _table(terms, values, lines, rule):
    """The line of a table that the test reaches, moved with the yield where the table says by how much."""
    level, steps = values["test"], terms.rates[terms.rates["parameter"] == "rate"]
    steps, end = steps.sort_values("test_from"), terms.take("table_end", np.inf)
    if at_least(level, end):
        raise NotEstimable(f"{lines.system} carries no rate for a test of {end:g} {lines.test_unit} or above")
    per, more, said = terms.take("per_yield"), 0.0, ""
    if per is not None:
        usual = terms.take("usual_yield")
        more, said = per * (values["yield"] - usual), f" + {per:g} x ({values['yield']:g} - {usual:g})"
    rates = [max(value + more, 0.0) if value > 0 else 0.0 for value in steps["value"]]
    starts = steps["test_from"].tolist()
    at = int(np.sum(at_most(np.array(starts), level))) - 1
    value = terms.of(steps.iloc[at])
    corners = [(x, rate) for x, rate in zip(starts, rates, strict=True)]
    before = [(x, rate) for x, rate in zip(starts[1:], rates, strict=False)]
    corners = sorted([*before, *corners], key=lambda corner: corner[0])
    word = level_class(lines.rows, level)
    return _Worked(rates[at], word or rule, f"{value:g}{said if value > 0 else ''}", corners)


def _bounded(worked, terms, credit_lb_ac, unit):
    """Rate [lb/ac], equation and corners after the published cap and the credits, never below zero."""
    most, credit = terms.take("most", np.inf), float(convert_area_rate(credit_lb_ac, "lb/ac", unit))
    rate = min(worked.rate, most)
    equation = worked.text if worked.zone == "none" else f"{worked.text} = {worked.rate:.1f}"
    if rate < worked.rate:
        equation += f", no more than {most:g} a year"
    if credit:
        rate = max(rate - credit, 0.0)
        equation += f"; less {credit:g} credited = {rate:.1f}"
    corners = pd.DataFrame(worked.corners, columns=["test", "rate_lb_ac"])
    if credit or np.isfinite(most):
        corners = _clipped(corners.to_numpy() - [0.0, credit], max(most - credit, 0.0))
    corners["rate_lb_ac"] = convert_area_rate(corners["rate_lb_ac"], unit, "lb/ac")
    return float(convert_area_rate(rate, unit, "lb/ac")), equation, corners


def _clipped(corners, most):
    """Corners between nothing and a cap, with one added wherever the line crosses either."""
    lines = [tuple(corners[0])]
    for (x0, y0), (x1, y1) in pairwise(corners):
        cut = [(b - y0) / (y1 - y0) for b in (0.0, most) if (y0 - b) * (y1 - b) < 0]
        lines += [(x0 + t * (x1 - x0), y0 + t * (y1 - y0)) for t in sorted(cut)]
        lines.append((x1, y1))
    frame = pd.DataFrame(lines, columns=["test", "rate_lb_ac"])
    return frame.assign(rate_lb_ac=frame["rate_lb_ac"].clip(0.0, most))
