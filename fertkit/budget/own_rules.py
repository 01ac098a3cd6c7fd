"""Whether a user's own tables of season and soil rates can be read, and where their rows contradict."""

from itertools import combinations, pairwise

import numpy as np

from fertkit.budget.own import SOIL, at_row
from fertkit.budget.thresholds import CLASS, TEST_UNITS, holds, level_of, named
from fertkit.budget.timing import SHARES, day_span, stage_scale, value_span
from fertkit.budget.yields import YIELD_UNITS, base_of, yield_unit
from fertkit.errors import one_of
from fertkit.intake.units import take_unit, words_of
from fertkit.reference.crops import TOGETHER
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import OXIDE_OF
from fertkit.reference.own import NO_TABLES
from fertkit.rounding import above, below, same
from fertkit.units import AREA_RATE_KG_HA, from_element

#: Kinds of rows of the timing table that are read.
SEASON = (*SHARES, "peak_rate", "peak_window", "loss", "season_total")


def season_problems(own):
    """Rows of the season of which no share, day or rate is read, and shares that fall or never reach all."""
    scales = {crop: stage_scale(crop, None, own) for crop in own.rows("timing")["crop"].unique()}
    shares = {}
    for row in own.rows("timing").itertuples():
        (low, high), days = value_span(row.value), day_span(row, scales[row.crop])
        wrong = list(_wrong_season(row, low, high, days))
        yield from (at_row(row, *one) for one in wrong)
        if row.kind == SHARES[0] and not wrong:
            for nutrient in row.nutrient.split(","):
                points = shares.setdefault((row.crop, row.source_key, OXIDE_OF.get(nutrient, nutrient)), [])
                points.append((sum(days) / 2, low, high, row))
    for (crop, _, nutrient), points in shares.items():
        points.sort(key=lambda point: point[:3])
        for (day, low, _, before), (after, _, high, row) in pairwise(points):
            if above(low, high) or (same(day, after) and below(low, high)):
                what = f"share of {nutrient} falls, or differs on the same day, after row {before.line}"
                yield at_row(row, what, "correct one; late losses are rows of kind loss", "value")
        if scales[crop].empty and below(points[-1][1], 1):
            remedy = "add a row of share 1, or days of its stages in a table crop, stage, days"
            yield at_row(points[-1][3], f"the uptake of {nutrient} has no last day", remedy, "value")


def _wrong_season(row, low, high, days):
    """What is wrong with one row of the season: (what, remedy, column)."""
    if row.kind not in SEASON:
        yield "unknown kind", one_of(SEASON), "kind"
        return
    if row.days_from != "emergence":
        yield "count days from emergence", "leave the cell blank", "days_from"
    if row.kind in (*SHARES, "loss") and not (0 <= low <= high <= 1):
        yield "not a share", "write 0 to 1 (0.4), a range 0.2-0.4, or a bound such as >0.5", "value"
    elif row.kind in ("peak_rate", "season_total") and not low > 0:
        yield "not an amount", "write a number above 0", "value"
    day = "/day" if row.kind == "peak_rate" else ""
    units = [unit + day for unit in AREA_RATE_KG_HA]
    if row.kind in ("peak_rate", "season_total") and row.unit not in units:
        yield "not a unit of this amount", one_of(units), "unit"
    if row.kind in (*SHARES, "peak_window") and not days[0] >= 0:
        remedy = "write days after emergence in the column days, or give the stage its day in a table of "
        yield "its day is unknown", remedy + "your own with the columns crop, stage, days", "stage"
    elif row.kind in ("interval_fraction", "peak_window") and not days[0] < days[1]:
        yield "not a period", "name two stages or days, as in R1 to R3 or 40-60", "stage"


# ---- soil rates

#: What a row of rates may say under each rule, and what a system under it cannot do without.
BUILD, TABLE = "build-up and maintenance", "table"
PARAMETERS = {
    BUILD: ("build_per_unit", "extra", "drawdown_width", "most"),
    TABLE: ("rate", "per_yield", "usual_yield", "table_end", "most"),
}
SUMS = ("intercept", "om_least", "om_most", "most")
NEEDED = {BUILD: "build_per_unit", TABLE: "rate"}
FACTORS = ("test", "yield", "om")
#: Rows that are a test or a yield themselves, or a share of organic matter; and what a rate is counted by.
WIDTHS = {"drawdown_width": "test", "table_end": "test", "usual_yield": "yield"}
OF_SOIL = ("om_least", "om_most")
FACTOR_OF = {"build_per_unit": "test", "per_test": "test", "per_yield": "yield"}
PER_YIELD = {"bu": "bu/ac", "bushel": "bu/ac", "bale": "bale/ac", "t": "t/ha"}
CECS = np.arange(0.5, 60.5, 0.5)


def soil_problems(own):
    """Rows of soil systems that belong nowhere, are not read, or hold for one field twice."""
    bundled = {row for kind in SOIL for row in load_table(kind)["system"]}
    plans = own.rows("soil_systems").set_index("system")
    of_plans = {"soil_systems": plans.index, "soil_rates": plans.index, "soil_tests": plans["thresholds"]}
    rates, levels = own.rows("soil_rates"), own.rows("soil_tests")
    classed = levels["parameter"].str.startswith(CLASS).astype(bool)
    of_classes = set(levels["system"][classed])
    for kind in SOIL:
        for row in own.rows(kind).itertuples():
            if row.system in bundled:
                yield at_row(
                    row, "the name belongs to a bundled system", "write a name of your own", "system"
                )
            elif row.system not in {*of_plans[kind], *of_classes}:
                remedy = "add it to your own table with columns system, rule and rate_unit"
                yield at_row(row, "no system of that name", remedy, "system")
    for row in own.rows("soil_systems").itertuples():
        yield from (at_row(row, *one) for one in _wrong_plan(row, own, rates, levels))
    for row in rates[rates["system"].isin(plans.index)].itertuples():
        plan = plans.loc[row.system]
        yield from (at_row(row, *one) for one in (*_wrong_rate(row, plan), *wrong_unit(row, plan, own)))
    for row in levels.itertuples():
        yield from (at_row(row, *one) for one in _wrong_level(row))
    yield from _twice(rates, ["system", "parameter", "test_from"], ("value",))
    yield from _twice(levels[~classed], ["system"], ("low", "high"))


def _wrong_plan(row, own, rates, levels):
    carried = {*own.rows("removal")["source_key"], *load_table("removal")["source_key"], ""}
    if row.removal_source not in carried:
        yield "no table of removal has that key", "write one that has, or leave it blank", "removal_source"
    if row.yield_unit and yield_unit(row.yield_unit) not in YIELD_UNITS:
        yield "not a unit of a yield", one_of(YIELD_UNITS), "yield_unit"
    if row.thresholds not in {*levels["system"], *load_table("soil_tests")["system"]}:
        remedy = "add its levels in a table with columns system, crop, nutrient, extractant, unit, parameter"
        yield "no levels under that name", remedy, "thresholds"
    mine = rates[rates["system"] == row.system]
    need = NEEDED.get(row.rule)
    for nutrient in sorted({n for names in mine["nutrient"] for n in names.split(";")}) or [""]:
        told = mine[mine["nutrient"].str.split(";").map(lambda names, n=nutrient: n in names).astype(bool)]
        if told.empty or (need and need not in set(told["parameter"])):
            what = f"no rates of it{nutrient and ' for ' + nutrient}"
            yield what, f"add rows of {need or 'intercept and per_test'} in a table of rates", "system"


def _wrong_rate(row, plan):
    """What of a row of rates its system's rule would not read."""
    factors = row.parameter.removeprefix("per_").split("_")
    product = row.parameter.startswith("per_") and set(factors) <= set(FACTORS)
    known = PARAMETERS.get(plan["rule"], (*SUMS, "per_test", "per_yield", "per_yield_test", "per_om"))
    if row.parameter not in known and not (plan["rule"] not in PARAMETERS and product):
        yield f"not read under the rule {plan['rule']}", one_of(known), "parameter"
    elif row.parameter == "rate" and not row.test_from >= 0:
        yield "a table line without its test", "write the lowest test it applies to", "test_from"
    elif "yield" in row.parameter and not plan["yield_unit"]:
        yield "the system names no unit of yield", "fill in yield_unit of the system", "parameter"


def wrong_unit(row, plan, own=NO_TABLES):
    """What of the unit of a row of rates is another than its system counts in: (what, remedy, column)."""
    amount, nutrient, rest = take_unit(words_of(row.unit))
    per = " ".join(word for word in rest if word != "per")
    if row.parameter in WIDTHS:
        yield from _wrong_per(row, row.unit, WIDTHS[row.parameter], plan, own)
    elif row.parameter in OF_SOIL:
        return
    elif amount != plan["rate_unit"]:
        what = f"not the unit of the system's rates, {plan['rate_unit']}"
        yield what, "convert value and unit, or give the system the rate_unit of its table", "unit"
    elif nutrient and nutrient not in (oxides := [OXIDE_OF.get(n, n) for n in row.nutrient.split(";")]):
        factor = from_element(1.0, oxides[0]) if OXIDE_OF.get(nutrient) == oxides[0] else None
        remedy = (
            f"multiply the value by {factor:.4g} and write {oxides[0]}" if factor else "correct one of them"
        )
        yield f"an amount of {nutrient}, where rates are of {' or '.join(oxides)}", remedy, "unit"
    elif factor := FACTOR_OF.get(row.parameter):
        yield from _wrong_per(row, per, factor, plan, own)


def _wrong_per(row, unit, factor, plan, own):
    """Whether a unit of the soil test or the yield, where one is named, is another than the system's."""
    levels = own.table("soil_tests")
    levels = levels[
        (levels["system"] == plan["thresholds"]) & levels["nutrient"].isin(row.nutrient.split(";"))
    ]
    counts = {
        "test": {named(word, "unit") for word in levels["unit"]},
        "yield": {yield_unit(plan["yield_unit"])},
    }
    word = named(unit, "unit") if factor == "test" else yield_unit(PER_YIELD.get(unit, unit))
    known = TEST_UNITS if factor == "test" else YIELD_UNITS
    size = {name: AREA_RATE_KG_HA.get(name, name) for name in known}
    sizes = {size[name] for name in counts[factor] if name in known}
    if word in known and sizes and size[word] not in sizes:
        what = f"the system uses the {factor} in {' or '.join(sorted(counts[factor]))}, not {word}"
        yield what, "convert value and unit", "unit"


def _wrong_level(row):
    ends = []
    for column in ("low", "high"):
        text = getattr(row, column)
        try:
            ends.append(level_of(text, 10.0) if text else np.nan)
        except ValueError:
            yield "not a level", "write a number, or a line in CEC such as 75+2.5*CEC", column
    if len(ends) == 2 and above(*ends):
        yield "low is above high", "swap or correct them", "low"


def _twice(rows, alike, values):
    """Rows that hold for one field at once, of which one would go unread or be counted twice."""
    remedy = "keep one, or separate them by crop, extractant or case"
    for _, some in rows.groupby(alike, dropna=False, sort=False):
        for first, row in combinations(some.itertuples(), 2):
            for column in values:
                if "" not in (getattr(first, column), getattr(row, column)) and _meet(first, row):
                    what = f"applies to the same field as row {first.line}"
                    yield at_row(row, what, remedy, column)


def _meet(first, row):
    """Whether two rows can hold for one field: crops, nutrients, extractants, depths, cases, CEC."""
    crops = [(base_of(crop),) if crop and crop not in TOGETHER else TOGETHER[crop or "all"]
             for crop in (first.crop, row.crop)]  # fmt: skip
    nutrients = [set(one.nutrient.split(";")) for one in (first, row)]
    tests = [
        {named(word, "extractant") for word in one.extractant.split(" or ") if word} for one in (first, row)
    ]
    depths = [getattr(one, "depth_in", np.nan) for one in (first, row)]
    return (
        (None in crops or bool(set(crops[0]) & set(crops[1])))
        and bool(nutrients[0] & nutrients[1])
        and (not all(tests) or bool(tests[0] & tests[1]))
        and (any(d != d for d in depths) or depths[0] == depths[1])
        and ("" in (first.case, row.case) or first.case == row.case)
        and any(holds(first.parameter, cec) and holds(row.parameter, cec) for cec in CECS)
    )
