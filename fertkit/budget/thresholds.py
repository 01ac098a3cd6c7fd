"""Published soil-test thresholds: critical level, maintenance limit, classes, by system."""

import re
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from fertkit.budget.yields import base_of, refuse
from fertkit.errors import LookupFailed, UnitError, unknown, unknown_unit
from fertkit.reference.crops import TOGETHER
from fertkit.reference.load import constants, load_table
from fertkit.reference.own import NO_TABLES
from fertkit.rounding import above, at_most

OXIDE = {"P": "P2O5", "K": "K2O"}
#: Units of a soil test that can be restated in each other; any other unit of a system is its own.
TEST_UNITS = ("ppm", "mg/kg", "lb/ac")
#: How a row begins that gives a class of a soil test: "class very low".
CLASS = "class "


@dataclass(frozen=True)
class Thresholds:
    """Where a system draws its lines for one crop, nutrient and soil.

    Attributes
    ----------
    system, status : str
    critical, limit : float
        Critical level and maintenance limit [test_unit].
    extractant : str
    depth_in : float
        Sampling depth the system is calibrated on [in]; NaN if not stated.
    test_unit : str
    rows : tuple of dict
        The rows of the table they come from.
    """

    system: str
    status: str
    critical: float
    limit: float
    extractant: str
    depth_in: float
    test_unit: str
    rows: tuple


def rate_systems(nutrient: str, crop: str, own=NO_TABLES) -> list[str]:
    """Systems with rates whose levels speak of a crop."""
    levels, plans = own.table("soil_tests"), own.table("soil_systems")
    mine = levels[(levels["nutrient"] == nutrient) & levels["crop"].map(lambda words: speaks_of(words, crop))]
    return sorted(plans.loc[plans["thresholds"].isin(mine["system"]), "system"])


@lru_cache(maxsize=4096)
def system_rows(
    system: str, nutrient: str, crop: str, asked: str | None = None, own=NO_TABLES
) -> pd.DataFrame:
    """Rows of a system for one nutrient and crop; errors name the system asked, if another.

    Raises
    ------
    LookupFailed
        If the system, the nutrient or the crop is not in the table; lists those that are.
    """
    table = own.table("soil_tests")
    if system not in set(table["system"]):
        raise unknown("soil-test system", system, table["system"].unique())
    asked, rows = asked or system, table[table["system"] == system]
    carried = ", ".join(sorted(rows["nutrient"].unique()))
    rows = rows[rows["nutrient"] == nutrient]
    if rows.empty:
        raise LookupFailed(f"{asked} has no levels of {nutrient}, only of {carried}")
    mine = rows[[speaks_of(words, crop) for words in rows["crop"]]]
    if mine.empty:
        crops = ", ".join(sorted(rows["crop"].unique()))
        other = ", ".join(rate_systems(nutrient, crop, own))
        remedy = f"systems with {crop}: {other}" if other else "no other system has it"
        raise LookupFailed(f"{asked} has no {nutrient} levels for {crop}, only for {crops}", remedy=remedy)
    return mine


def speaks_of(words: str, crop: str) -> bool:
    """Whether the words of a row for its crops (corn and soybean, general) hold for a crop."""
    crops = TOGETHER.get(words, (words,))
    return crops is None or crop in crops or base_of(crop) in crops


def thresholds(
    system, nutrient, crop, *, cec=None, cases=(), test=(None, None), asked=None, both=True, own=NO_TABLES
) -> Thresholds:
    """Find the critical level and the maintenance limit of a system.

    Parameters
    ----------
    system : str
        A system of the soil_tests table.
    nutrient, crop : str
    cec : float, optional
        Cation exchange capacity [meq/100 g]; needed where the system depends on it.
    cases : sequence of str
        What holds of the field, where the system draws its lines by that.
    test : tuple of (str, float)
        Extractant and depth [in] of the field's test, for systems that know several.
    asked : str, optional
        Name of the system the user asked for, if its levels are shared under another.
    both : bool
        Whether the rule needs both levels; without, an absent one is infinite.
    own : OwnTables, optional
        Tables of the user's own.

    Raises
    ------
    LookupFailed
        If the system has no such lines, or needs the CEC or a case.
    """
    published = (system, nutrient, crop, asked, own)
    conditions, system = _conditions(*published), asked or system
    if any("CEC" in words for words in conditions) and cec is None:
        what = f"{system} sets its {nutrient} levels by CEC"
        raise LookupFailed(what, "cec=...", remedy="give the CEC [meq/100 g]")
    if cec is not None and not 0 < cec <= 100:
        raise refuse("soil test", "not a CEC of a soil", "give meq/100 g, above 0", column="cec", value=cec)
    met = tuple(holds(text, cec) for text in conditions)
    rows = _rows_of(published, tuple(cases), met, tuple(test))
    lines = [row for row in rows if not row["parameter"].startswith(CLASS)]
    critical, limit = ([level_of(row[end], cec) for row in lines if row[end]] for end in ("low", "high"))
    if both and not (critical and limit):
        raise LookupFailed(
            f"{system} publishes no critical level with a maintenance limit for {crop} {nutrient}"
        )
    extractant = " or ".join(dict.fromkeys(row["extractant"] for row in rows))
    levels = ((printed or [np.inf])[0] for printed in (critical, limit))
    about = (rows[0]["depth_in"], rows[0]["unit"], rows)
    return Thresholds(system, rows[0]["status"], *levels, extractant, *about)


@lru_cache(maxsize=4096)
def _conditions(*published):
    """What each row of a system says its levels depend on."""
    rows = system_rows(*published)
    return tuple(rows["parameter"] + " " + rows["low"] + " " + rows["high"])


@lru_cache(maxsize=4096)
def _rows_of(published, cases, met, test):
    """Rows that hold for a case, for the conditions that are met, and for a test, as records."""
    rows = system_rows(*published)
    system, nutrient, _, asked, _ = published
    met = pd.Series(met, index=rows.index)
    rows = of_cases(rows, cases, f"{asked or system} sets its {nutrient} levels by case")
    return tuple(_of_test(rows[met[rows.index]], *test).to_dict("records"))


def of_cases(rows, cases, what):
    """Rows that hold in any case and those of the cases given; says which there are if none is given."""
    own = rows[rows["case"].isin(["", *cases])]
    if own.empty and len(rows):
        known = ", ".join(sorted(rows["case"].unique()))
        remedy = f"choose the case, in a table in a column 'Cases': one of {known}"
        raise LookupFailed(what, "cases=...", remedy=remedy)
    return own


def known_cases(cases, own=NO_TABLES) -> list[str]:
    """Give back cases that some system asks for; anything else is refused."""
    for case in cases:
        if case not in _all_cases(own):
            raise unknown("case", case, _all_cases(own))
    return list(cases)


@lru_cache(maxsize=64)
def _all_cases(own):
    tables = (own.table(kind)["case"] for kind in ("soil_tests", "soil_rates"))
    return sorted({case for table in tables for case in table if case})


def _of_test(rows, extractant, depth_in):
    """Rows for the test that was taken; all of them where none is, so that a refusal can name them."""
    extractants = rows["extractant"].map(lambda own: extractant is None or fits(extractant, own))
    rows = rows[extractants] if extractants.any() else rows
    depths = rows["depth_in"].isna() | (rows["depth_in"] == depth_in)
    return rows[depths] if depths.any() else rows


def holds(text, cec):
    """Whether a row's condition on CEC (CEC<=5, CEC>=12) is met; rows without one always hold."""
    condition = re.search(r"CEC(<=|>=|<|>)(\d+)", text)
    if condition is None:
        return True
    edge = float(condition[2])
    return {"<=": cec <= edge, ">=": cec >= edge, "<": cec < edge, ">": cec > edge}[condition[1]]


def level_of(text, cec):
    """A level as a number, or as a line in CEC (75+2.5*CEC)."""
    line = re.fullmatch(r"([\d.]+)\+([\d.]+)\*CEC", text)
    return float(line[1]) + float(line[2]) * cec if line else float(text)


def soil_class(
    system: str, nutrient: str, test: float, crop: str = "corn", *, extractant: str, own=NO_TABLES
):
    """Class of a soil test in a system of classes (very low to very high), as the system words it.

    Returns
    -------
    tuple of (str, dict)
        The class, and the row of the table it comes from.
    """
    rows = _class_rows(system, nutrient, crop, extractant, own)
    if not rows:
        raise UnitError(f"{system} has no {nutrient} classes for {extractant}")
    row = _reached(rows, test)
    return row["parameter"].removeprefix(CLASS), row


@lru_cache(maxsize=4096)
def _class_rows(system, nutrient, crop, extractant, own):
    """Classes of a system for one extractant, as records."""
    rows = system_rows(system, nutrient, crop, None, own)
    fit = rows["extractant"].map(lambda own: fits(extractant, own))
    return tuple(rows[rows["parameter"].str.startswith(CLASS) & fit].to_dict("records"))


def level_class(rows, level) -> str:
    """Class of a test among the rows of one system and extractant; '' where it has no classes."""
    rows = [row for row in rows if row["parameter"].startswith(CLASS)]
    return _reached(rows, level)["parameter"].removeprefix(CLASS) if rows else ""


def _reached(rows, test):
    reached = [row for row in rows if at_most(float(row["low"]), test)]
    return max(reached, key=lambda row: float(row["low"])) if reached else rows[0]


@cache
def named(word: str, kind: str) -> str:
    """Give the name of an extractant or unit for a word of the trade (M3, lbs/ac), or the word itself."""
    wanted, words = " ".join(word.lower().split()), load_table("soil_words")
    for row in words[words["kind"] == kind].itertuples():
        if wanted in (row.name.lower(), *row.also.split(";")):
            return row.name
    return word.strip()


def fits(extractant: str, published: str) -> bool:
    """Whether an extractant is one of those a system names (Bray-P1 or Mehlich-3 colorimetric)."""
    listed = published.lower().replace(", dried", "")
    return named(extractant, "extractant").lower() in listed.split(" or ")


def check_test(lines, test, extractant, depth_in, test_unit) -> float:
    """Refuse a soil test that a system is not calibrated on; restate it in the system's unit.

    Raises
    ------
    UnitError
        If the extractant, the depth or the unit does not fit; says what would.
    InputError
        If the test is not a number of 0 or more.
    """
    if not (np.isfinite(test) and test >= 0):
        raise refuse(
            "soil test", "not a soil-test level", "give a number, 0 or more", column="test", value=test
        )
    if not fits(extractant, lines.extractant):
        raise UnitError(
            f"{lines.system} is calibrated on {lines.extractant}, not on {extractant}",
            remedy="use a test by that extractant",
        )
    if not np.isnan(lines.depth_in) and depth_in != lines.depth_in:
        raise UnitError(
            f"{lines.system} is calibrated on samples {lines.depth_in:g} in deep, not {depth_in:g} in; "
            "sample to that depth"
        )
    if lines.test_unit == "class" and test % 1:
        raise refuse("soil test", "not a class", "give a whole number", column="test", value=test)
    return in_unit(test, test_unit, lines.test_unit)


@cache
def _usual_tests():
    return load_table("soil_analytes").set_index("analyte")[["high", "most"]].T.to_dict()


def question_of(nutrient: str, test: float, test_unit: str) -> str:
    """Ask about a soil test above what soils hold; nothing where it is usual, or of a unit of a system's own.

    Raises
    ------
    InputError
        If no soil holds as much.
    """
    usual = _usual_tests().get({"N": "NO3-N"}.get(nutrient, nutrient))
    if usual is None or named(test_unit, "unit") not in TEST_UNITS:
        return ""
    ppm = in_unit(test, test_unit, "ppm")
    if above(ppm, usual["most"]):
        what = f"no soil test of {nutrient} is above {usual['most']:g} ppm"
        raise refuse(
            "soil test", what, "check the number and unit", column="test", value=f"{test:g} {test_unit}"
        )
    if above(ppm, usual["high"]):
        given, most = f"{test:g} {test_unit} {nutrient}", f"{usual['high']:g} ppm"
        return f"test of {given}: soils seldom exceed {most}; check the number and unit"
    return ""


def in_unit(test, unit, to):
    """Restate a soil test between ppm and lb/ac (x 2, the conventional furrow slice; AGBMPS)."""
    unit = named(unit, "unit")
    if unit == to not in TEST_UNITS:
        return test
    if to not in TEST_UNITS:
        raise UnitError(f"the system uses '{to}', not '{unit}'; give the test in {to}, as reported")
    if unit not in TEST_UNITS:
        raise unknown_unit(unit, TEST_UNITS, "unit of a soil test")
    factor = {"ppm": 1.0, "mg/kg": 1.0, "lb/ac": 1 / lb_ac_per_ppm()}
    return test * factor[unit] / factor[to]


@cache
def lb_ac_per_ppm() -> float:
    """Pounds per acre of a conventional furrow slice, some 6 2/3 in deep, in 1 ppm."""
    return float(constants()["value"]["ppm_to_lb_per_ac"])
