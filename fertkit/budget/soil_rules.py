"""How a system makes a rate: build-up and maintenance, a sum of terms (sufficiency, equation), or a table."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.budget.thresholds import level_class
from fertkit.errors import LookupFailed, NotEstimable
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
        text = f"({lines.critical:g} - {level:g}) x {per:g} / {years:g} + {kept}"
        return Worked(rate, "build-up", text, corners)
    if below(level, lines.limit) or (same(level, lines.limit) and at_limit == "maintenance"):
        return Worked(keep, "maintenance", kept, corners)
    if below(level, lines.limit + width):
        rate = keep * (1 - over / width)
        text = f"({kept}) x (1 - ({level:g} - {lines.limit:g}) / {width:g})"
        return Worked(rate, "drawdown", text, corners)
    return _nothing(level, lines.limit + width, corners)


def _nothing(level, end, corners):
    return Worked(0.0, "none", f"{level:g} is at or above {end:g}: nothing", corners)


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
        more, moved = per * (values["yield"] - usual), f" + {per:g} x ({values['yield']:g} - {usual:g})"
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
    equation = worked.text if worked.zone == "none" else f"{worked.text} = {worked.rate:.1f}"
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
