"""What one published system answers to a soil test: its lines, its terms, the rule that joins them."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fertkit.budget.rates import amounts, published_rates
from fertkit.budget.soil_rules import Terms, build_maintain, equation_rate, table_rate
from fertkit.budget.thresholds import (
    CLASS,
    OXIDE,
    check_test,
    fits,
    known_cases,
    of_cases,
    speaks_of,
    thresholds,
)
from fertkit.budget.yields import base_of, lb_ac_per, refuse
from fertkit.errors import LookupFailed, unknown
from fertkit.reference.own import NO_TABLES
from fertkit.units import convert_area_rate

#: With one of these in the rotation, the P levels of the rotation are theirs (TRI2020_QUOTED).
HIGHER_P_CROPS = ("wheat", "alfalfa")


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
