"""What one published system answers to a soil test: its lines, its terms, and the rule that joins them.

A rule is build-up and maintenance, a sum of terms (sufficiency, equation), or a table.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd

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
from fertkit.budget.yields import base_of, lb_ac_per, refuse
from fertkit.errors import LookupFailed, NotEstimable, unknown
from fertkit.reference.own import NO_TABLES
from fertkit.rounding import at_least, at_most, below, same
from fertkit.units import convert_area_rate

COLUMNS = ["term", "value", "unit", "source_key", "provenance", "confidence"]
CUT = ", below zero: apply nothing"
#: Points that stand for a curved line of rates.
CURVE_POINTS = 41


@dataclass(frozen=True)
class Worked:
    """A rate in the system's own unit before caps and credits, and the equation up to its equals sign.

    A rate below zero is what the equation gives; nothing is applied then.
    """

    rate: float
    zone: str
    text: str
    corners: list


class Terms:
    """The numbers of an equation, gathered with their sources as it is worked out from a system's rows."""

    def __init__(self, rates, cec=None):
        self.rates = rates.to_dict("records") if isinstance(rates, pd.DataFrame) else rates
        self.cec, self.rows = cec, []

    def add(self, term, value, unit, source_key, provenance, confidence):
        self.rows.append((term, value, unit, source_key, provenance, confidence))

    def of(self, row):
        """Value of one row at the field's CEC."""
        value = row["value"]
        if row["per_cec"] > 0:
            if self.cec is None:
                what, remedy = f"{row['system']} builds {row['nutrient']} by CEC", "give the CEC [meq/100 g]"
                raise LookupFailed(what, "cec=...", remedy=remedy)
            value += row["per_cec"] * self.cec
        source = (row["unit"], row["source_key"], row["provenance"], row["confidence"])
        self.add(row["parameter"].replace("_", " "), value, *source)
        return value

    def take(self, parameter, default=None):
        """Value of a parameter; the default if the system has none."""
        row = next((row for row in self.rates if row["parameter"] == parameter), None)
        return default if row is None else self.of(row)

    def frame(self):
        return pd.DataFrame(self.rows, columns=COLUMNS)


def build_maintain(terms, at_limit, level, lines, removal, years):
    extra = terms.take("extra", 0.0)
    keep = removal + extra
    kept = f"{removal:.1f}" + (f" + {extra:g}" if extra else "")
    width = terms.take("drawdown_width", 0.0)
    short = below(level, lines.critical)
    per = (terms if short else Terms(terms.rates, terms.cec)).take("build_per_unit")
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
        text = f"({lines.critical:g} - {level:.4g}) x {per:.4g} / {years:g} + {kept}"
        return Worked(rate, "build-up", text, corners)
    if below(level, lines.limit) or (same(level, lines.limit) and at_limit == "maintenance"):
        return Worked(keep, "maintenance", kept, corners)
    if below(level, lines.limit + width):
        rate = keep * (1 - over / width)
        text = f"({kept}) x (1 - ({level:.4g} - {lines.limit:g}) / {width:g})"
        return Worked(rate, "drawdown", text, corners)
    return _nothing(level, lines.limit + width, corners)


def _nothing(level, end, corners):
    return Worked(0.0, "none", f"{level:.4g} is at or above {end:g}: nothing", corners)


def equation_rate(terms, values, lines, rule):
    """A sum of products: 'per_yield_test' is the coefficient of yield x test, 'intercept' stands alone."""
    if values["om"] is None and any("_om" in row["parameter"] for row in terms.rates):
        system = terms.rates[0]["system"]
        what = f"{system} needs organic matter"
        raise LookupFailed(what, "om_pct=...", remedy="give the organic matter [%]")
    if values["om"] is not None:
        kept = np.clip(values["om"], terms.take("om_least", 0.0), terms.take("om_most", 100.0))
        values = values | {"om": float(kept)}
    level, by_power, products = values["test"], np.zeros(3), []
    for row in terms.rates:
        names = row["parameter"].removeprefix("per_").replace("intercept", "").split("_")
        if row["parameter"] != "intercept" and not set(names) <= set(values):
            continue
        names, value = [name for name in names if name], terms.of(row)
        others = np.prod([values[name] for name in names if name != "test"])
        by_power[names.count("test")] += value * others
        products.append((value, names))
    end = min(_turn(*by_power), lines.critical)
    line = np.polynomial.Polynomial(by_power)
    tests = [0.0, end] if by_power[2] == 0 else np.linspace(0.0, end, CURVE_POINTS)
    corners = [(float(x), float(line(x))) for x in tests] if np.isfinite(end) else [(0.0, float(line(0.0)))]
    if np.isfinite(lines.critical):
        corners.append((lines.critical, 0.0))
    if at_least(level, lines.critical):
        return _nothing(level, lines.critical, corners)
    at = min(level, end) if by_power[2] else level
    shown = values | {"test": at}
    text = " ".join(
        _term(value, [shown[n] for n in names], not i) for i, (value, names) in enumerate(products)
    )
    return Worked(float(line(at)), rule, text, corners)


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


def table_rate(terms, values, lines, rule):
    """The line of a table that the test reaches, moved with the yield where the table says by how much."""
    level, end = values["test"], terms.take("table_end", np.inf)
    steps = [row for row in terms.rates if row["parameter"] == "rate"]
    steps.sort(key=lambda row: row["test_from"])
    starts = [row["test_from"] for row in steps]
    if at_least(level, end):
        raise NotEstimable(f"{lines.system} has no rate for a test of {end:g} {lines.test_unit} or above")
    if below(level, starts[0]):
        raise NotEstimable(f"{lines.system} has no rate for a test below {starts[0]:g} {lines.test_unit}")
    per, more, moved = terms.take("per_yield"), 0.0, ""
    if per is not None:
        usual = terms.take("usual_yield")
        more, moved = per * (values["yield"] - usual), f" + {per:.4g} x ({values['yield']:g} - {usual:g})"
    moves = [row["value"] + more if row["value"] > 0 else 0.0 for row in steps]
    rates = [max(rate, 0.0) for rate in moves]
    at = int(np.sum(at_most(np.array(starts), level))) - 1
    value = terms.of(steps[at])
    corners = [(x, rate) for x, rate in zip(starts, rates, strict=True)]
    before = [(x, rate) for x, rate in zip(starts[1:], rates, strict=False)]
    corners = sorted([*before, *corners], key=lambda corner: corner[0])
    word = level_class(lines.rows, level) or f"{rule} from {starts[at]:g} {lines.test_unit}"
    return Worked(moves[at], word, f"{value:g}{moved if value > 0 else ''}", corners)


def bounded(worked, terms, credit_lb_ac, unit):
    """Rate [lb/ac] and equation after the published cap and the credits, never below zero; cap, credit."""
    most, credit = terms.take("most", np.inf), float(convert_area_rate(credit_lb_ac, "lb/ac", unit))
    rate = min(max(worked.rate, 0.0), most)
    bare = worked.zone == "none" or worked.text.replace(".", "", 1).isdigit()  # nothing is worked out
    equation = worked.text if bare else f"{worked.text} = {worked.rate:.1f}"
    if below(worked.rate, 0.0):
        equation += CUT
    if rate < worked.rate:
        equation += f", no more than {most:g} a year"
    if credit:
        left = rate - credit
        rate = max(left, 0.0)
        equation += f"; less {credit:g} credited = {left:.1f}" + ", below zero: apply nothing" * below(
            left, 0.0
        )
    return float(convert_area_rate(rate, unit, "lb/ac")), equation, (most, credit)


def bent(worked, most, credit, unit) -> pd.DataFrame:
    """Where the system bends [lb/ac], after the published cap and the credits."""
    corners = pd.DataFrame(worked.corners, columns=["test", "rate_lb_ac"])
    if credit or np.isfinite(most):
        corners = _clipped(corners.to_numpy() - [0.0, credit], max(most - credit, 0.0))
    return corners.assign(rate_lb_ac=convert_area_rate(corners["rate_lb_ac"], unit, "lb/ac"))


def _clipped(corners, most):
    """Corners between nothing and a cap, with one added wherever the line crosses either."""
    lines = [tuple(corners[0])]
    for (x0, y0), (x1, y1) in pairwise(corners):
        cut = [(b - y0) / (y1 - y0) for b in (0.0, most) if (y0 - b) * (y1 - b) < 0]
        lines += [(x0 + t * (x1 - x0), y0 + t * (y1 - y0)) for t in sorted(cut)]
        lines.append((x1, y1))
    frame = pd.DataFrame(lines, columns=["test", "rate_lb_ac"])
    return frame.assign(rate_lb_ac=frame["rate_lb_ac"].clip(0.0, most))


@dataclass(frozen=True)
class Reckoned:
    """A system's answer as plain numbers: its row of soil_systems, lines, level of the test, terms."""

    plan: dict
    lines: object
    level: float
    worked: object
    terms: Terms
    years: float


def reckon(
    system, nutrient, crop, pounds, *, test, extractant, depth_in, test_unit="ppm", cec=None, om_pct=None,
    cases=(), rotation=(), years=None, removal_lb_ac=None, residue_lb_ac=0.0, own=NO_TABLES,
) -> Reckoned:  # fmt: skip
    """Work out a system's rate for one test and a yield [lb/ac], before caps and credits; see `soil_rate`.

    `residue_lb_ac` is what leaves with baled straw or stover [lb/ac of the oxide], beside the grain.
    """
    systems = rate_plans(own)
    if system not in systems:
        raise unknown("soil-test system with rates", system, systems)
    plan, cases = systems[system], known_cases(cases, own)
    builds = plan["rule"] == "build-up and maintenance"
    governing = _governing_crop(nutrient, crop, rotation, plan["rotation_crops"].split(";"))
    of_field = {"cec": cec, "cases": cases, "test": (extractant, depth_in)}
    both = {"asked": system, "both": builds, "own": own}
    lines = thresholds(plan["thresholds"], nutrient, governing, **of_field, **both)
    level = check_test(lines, test, extractant, depth_in, test_unit)
    terms = Terms(_case_rates(system, nutrient, crop, extractant, tuple(cases), own), cec)
    terms.add("soil test", level, lines.test_unit, "own test", "own table", "as supplied")
    _add_lines(terms, lines, governing != crop)
    if builds:
        years = plan["years"] if years is None else years
        if not (np.isfinite(years) and years >= 1):
            what = "build-up takes a year or more"
            raise refuse("soil test", what, "give 1 or more", column="years", value=years)
        removal = _removal(terms, plan, nutrient, crop, pounds, removal_lb_ac, own)
        residue = convert_area_rate(residue_lb_ac, "lb/ac", plan["rate_unit"])
        if residue_lb_ac:
            terms.add("baled residue", residue, plan["rate_unit"], "", "own table", "as supplied")
        worked = build_maintain(terms, plan["at_limit"], level, lines, removal + residue, years)
    else:
        goal = pounds / lb_ac_per(plan["yield_unit"], crop) if plan["yield_unit"] else np.nan
        values = {"test": level, "yield": goal, "om": om_pct}
        work_out = table_rate if plan["rule"] == "table" else equation_rate
        worked = work_out(terms, values, lines, plan["rule"])
    return Reckoned(plan, lines, level, worked, terms, years)


@lru_cache(maxsize=64)
def rate_plans(own=NO_TABLES) -> dict[str, dict]:
    """The rows of the table soil_systems by the name of the system, in its order."""
    return {row["system"]: row for row in own.table("soil_systems").to_dict("records")}


@lru_cache(maxsize=4096)
def _case_rates(system, nutrient, crop, extractant, cases, own):
    rows = _rates(system, nutrient, crop, extractant, own)
    return of_cases(rows, cases, f"{system} sets its rates of {nutrient} for {crop} by case").to_dict(
        "records"
    )


@lru_cache(maxsize=4096)
def _rates(system, nutrient, crop, extractant, own=NO_TABLES):
    """Rows of a system's rates for one crop, nutrient and test."""
    table = own.table("soil_rates")
    speaks = table["nutrient"].map(lambda named: nutrient in named.split(";"))
    table = table[(table["system"] == system) & speaks]
    of_crop = table["crop"].map(lambda words: not words or speaks_of(words, crop))
    rows = table[of_crop & table["extractant"].map(lambda named: not named or fits(extractant, named))]
    if rows.empty:
        crops = ", ".join(sorted(set(table["crop"]))) or "no crop"
        raise LookupFailed(f"{system} has no {nutrient} rates for {crop}, only for {crops}")
    return rows


def _governing_crop(nutrient, crop, rotation, higher):
    """The crop whose P levels hold: one of the rotation that the system lets decide, or the crop itself."""
    if nutrient == "P" and base_of(crop) not in higher:
        return next((c for c in map(base_of, rotation) if c in higher), crop)
    return crop


def _add_lines(terms, lines, by_rotation):
    of = " (of the rotation)" if by_rotation else ""
    for name, column, value in (
        ("critical level", "low", lines.critical),
        ("maintenance limit", "high", lines.limit),
    ):
        if np.isinf(value):
            continue
        row = next(row for row in lines.rows if row[column] and not row["parameter"].startswith(CLASS))
        terms.add(name + of, value, lines.test_unit, row["source_key"], row["provenance"], row["confidence"])


def _removal(terms, plan, nutrient, crop, pounds, given, own):
    """What leaves with the harvest, in the system's unit: as given [lb/ac], or by the system's own source."""
    unit, source = plan["rate_unit"], plan["removal_source"]
    if given is not None:
        if not (np.isfinite(given) and given >= 0):
            raise refuse("soil test", "not a removal", "give 0 or more", column="removal_lb_ac", value=given)
        removal = float(convert_area_rate(given, "lb/ac", unit))
        terms.add("removal", removal, unit, "own test", "own table", "as supplied")
        return removal
    oxide, sources = OXIDE.get(nutrient, nutrient), {source} if source else own.keys
    rates = [r for r in published_rates(crop, None, own) if r.source_key in sources and r.nutrient == oxide]
    wanted = [r for r in rates if r.harvested > 0]
    if not wanted:
        what = f"{source or 'your own table'} has no {oxide} removal for {crop}"
        raise LookupFailed(what, "removal_lb_ac=...", remedy="give the removal [lb/ac]")
    pounds = amounts(wanted[:1], pounds, 0.0, np.nan)["harvested"][0, 0]
    removal = float(convert_area_rate(pounds, "lb/ac", unit))
    terms.add("removal", removal, unit, wanted[0].source_key, wanted[0].provenance, wanted[0].confidence)
    return removal
