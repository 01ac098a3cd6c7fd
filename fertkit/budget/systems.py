"""Several soil-test systems asked about the same field."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from fertkit.asked import a_list, asks, maybe_a_list
from fertkit.budget.own import checked_own
from fertkit.budget.soil import soil_rate
from fertkit.budget.thresholds import (
    CLASS,
    OXIDE,
    TEST_UNITS,
    in_unit,
    known_cases,
    named,
    rate_systems,
    soil_class,
    system_rows,
)
from fertkit.errors import FertkitError, InputError, Problem, UnitError, unknown
from fertkit.reference.load import list_sources
from fertkit.reference.own import own_tables
from fertkit.reference.profiles import as_list
from fertkit.reference.regions import in_region
from fertkit.results import Result

COLUMNS = ["system", "title", "status", "rate_lb_ac", "zone", "critical", "limit", "test_unit", "equation",
           "why_not", "source_key", "provenance", "carried"]  # fmt: skip


@dataclass(frozen=True)
class SystemComparison(Result):
    """What several systems say about the same field.

    Attributes
    ----------
    nutrient, crop : str
    table : DataFrame
        system, title, status, rate_lb_ac, zone, critical, limit, test_unit, equation, why_not (why a system
        gives no rate), source_key, provenance, carried (whether it speaks of this crop and nutrient at all).
    """

    nutrient: str
    crop: str
    table: pd.DataFrame

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(self.table["source_key"])


@asks(own=own_tables, source=a_list, without=a_list)
def compare_systems(
    nutrient: str, tests: pd.DataFrame, crop: str, yield_goal: float, yield_unit: str | None = None, *,
    source=None, without=None, region: str | None = None, own=None, **options,
) -> SystemComparison:  # fmt: skip
    """Ask every system that is carried, each with the test it is calibrated on.

    Parameters
    ----------
    nutrient : str
        P, K, N, S, Zn, Cl or B, as for `soil_rate`.
    tests : DataFrame
        The soil tests of the field: extractant, depth_in, test; optional test_unit (ppm if absent).
    crop, yield_goal, yield_unit
        As for `soil_rate`.
    source, without : str or list of str, optional
        Ask only the systems of these source keys, and those of your own; leave out those of others.
    region : str, optional
        Where the field is, a state or a region: its systems come first.
    own : path, DataFrame or list of them, optional
        Tables of your own, as for `soil_rate`, whose systems are asked too.
    **options
        cec, om_pct, cases, rotation, years, removal_lb_ac, credit_lb_ac of `soil_rate`.

    Returns
    -------
    SystemComparison
        Also the classes of systems whose rates are not carried (Iowa 2013, New Jersey).

    Raises
    ------
    InputError
        If `tests` lacks a column or a row, or with every cell of it that no system can use.
    LookupFailed
        If the crop, a source or the region is not known.

    Examples
    --------
    >>> from fertkit.budget import compare_systems
    >>> import pandas as pd
    >>> tests = pd.DataFrame({"extractant": ["Mehlich-3"], "test": [15.0], "depth_in": [8.0]})
    >>> compare_systems("P", tests, "corn", 180).table["system"].tolist()[:2]
    ['tri_state_2020', 'tri_state_1995']
    """
    own = checked_own(own)
    missing = [name for name in ("extractant", "depth_in", "test") if name not in tests]
    if missing or tests.empty:
        problem = Problem("no usable soil test", "give rows with extractant, depth_in and test")
        raise InputError("soil tests", [problem])
    tests = tests.assign(test_unit=tests.get("test_unit", "ppm"))
    if problems := list(_test_problems(tests, own)):
        raise InputError("soil tests", problems)
    crop, cases = own.crop_name(crop), known_cases(maybe_a_list(options.get("cases", ())), own)
    options |= {"cases": cases, "own": own}
    tests = tests.to_dict("records")
    rows, carried = [], rate_systems(nutrient, crop, own)
    for system, plan in own.table("soil_systems").set_index("system").iterrows():
        row = _ask(system, plan, tests, (nutrient, crop, yield_goal, yield_unit), options)
        rows.append((*row, system in carried))
    rows += [(*row, True) for row in class_answers(nutrient, tests, crop, own)]
    rows = _chosen(pd.DataFrame(rows, columns=COLUMNS), as_list(source), as_list(without), region, own)
    return SystemComparison(OXIDE.get(nutrient, nutrient), crop, rows)


def _chosen(rows, source, without, region, own):
    """The systems of the sources chosen, those of the region first."""
    keys = rows["source_key"].str.split(";").map(set)
    known = set().union(own.keys, *keys)
    for key in (*source, *without):
        if key not in known:
            raise unknown("source of a soil-test system", key, known)
    wanted = own.keys.union(source) if source else known
    rows = rows[[bool(some & wanted) and not some & set(without) for some in keys]]
    regions = own.table("soil_systems").set_index("system")["region"]
    if region is None:
        return rows.reset_index(drop=True)
    named = rows["system"].map(regions).fillna("").str.split(";")
    home = [in_region(pd.Series(names, dtype=object), region).any() for names in named]
    return rows.iloc[np.argsort(~np.array(home, bool), kind="stable")].reset_index(drop=True)


def _test_problems(tests, own):
    """Cells of a table of soil tests that no system can use."""
    levels = own.table("soil_tests")
    known = {"extractant": levels["extractant"], "test_unit": pd.Series([*levels["unit"], *TEST_UNITS])}
    for column, words in known.items():
        words = sorted({word.removesuffix(", dried") for cell in words for word in cell.split(" or ")})
        kind = column.removeprefix("test_")
        wrong = [named(str(cell), kind) not in words for cell in tests[column]]
        remedy = f"use one of: {', '.join(words)}"
        for at in np.flatnonzero(wrong):
            yield Problem(f"not a known {kind}", remedy, at + 2, column, tests[column].iloc[at])
    for column in ("test", "depth_in"):
        numbers = pd.to_numeric(tests[column], errors="coerce")
        for at in np.flatnonzero(~numbers.between(0, np.inf, inclusive="left")):
            yield Problem("not a number", "give 0 or more", at + 2, column, tests[column].iloc[at])


def _ask(system, plan, tests, about, options):
    """One system's rate from the first test it accepts, or why it accepts none."""
    nutrient, crop, goal, unit = about
    refusals = []
    for test in tests:
        on = {name: test[name] for name in ("extractant", "depth_in", "test_unit")}
        try:
            got = soil_rate(system, nutrient, test["test"], crop, goal, unit, **on, **options)
        except FertkitError as error:
            refusals.append(error)
            continue
        level = got.table.set_index(got.table["term"].str.removesuffix(" (of the rotation)"))
        low, high = (level["value"].get(name, np.nan) for name in ("critical level", "maintenance limit"))
        test_unit = got.test_unit
        return (system, plan["title"], got.status, got.rate_lb_ac, got.zone, low, high, test_unit,
                got.equation, "", plan["source_key"], plan["provenance"])  # fmt: skip
    status, why_not = refusal(plan["thresholds"], nutrient, crop, refusals, options["own"])
    nothing = (np.nan, "", np.nan, np.nan, "", "")
    return (system, plan["title"], status, *nothing, why_not, plan["source_key"], plan["provenance"])


def refusal(thresholds, nutrient, crop, refusals, own):
    """Status of a system and, in few words, why no test suits it."""
    other = [error for error in refusals if not isinstance(error, UnitError)]
    if other:
        what = " ".join(other[0].what.split())
        _, key, rest = what.partition(" sets its ")  # the row names the system by its title
        return "", f"sets its {rest}" if key else what
    needed = needed_test(thresholds, nutrient, crop, own)
    return needed.status, f"needs a test by {needed}" + (f" ({needed.note})" if needed.note else "")


@dataclass(frozen=True)
class NeededTest:
    """The soil test that a system takes: by what extractant, how deep [in] (NaN: any), in what unit."""

    status: str
    extractant: str
    depth_in: float
    unit: str
    note: str

    def __str__(self):
        deep = "" if np.isnan(self.depth_in) else f" on a sample {self.depth_in:g} in deep"
        return f"{self.extractant}{deep}"


@lru_cache(maxsize=4096)
def needed_test(thresholds, nutrient, crop, own) -> NeededTest:
    """Find the soil test that a system takes for a nutrient of a crop."""
    known = system_rows(thresholds, nutrient, crop, None, own)
    first = known.iloc[0]
    note = first["note"] if nutrient == "N" else ""  # depths, and what stands in for a deep sample
    extractant = " or ".join(known["extractant"].unique())
    return NeededTest(first["status"], extractant, first["depth_in"], first["unit"], note)


@lru_cache(maxsize=512)
def _class_systems(nutrient, crop, own):
    """Systems of classes without rates that speak of a crop and nutrient, each with its unit."""
    table, plans = own.table("soil_tests"), set(own.table("soil_systems")["thresholds"])
    of_classes = table["parameter"].str.startswith(CLASS) & ~table["system"].isin(plans)
    units = {}
    for system in table.loc[of_classes, "system"].unique():
        try:
            units[system] = system_rows(system, nutrient, crop, None, own)["unit"].iloc[0]
        except FertkitError:
            continue
    return units


def class_answers(nutrient, tests, crop, own):
    """Return the class of the first test that fits each system without rates, in the order of `COLUMNS`."""
    for system, unit in _class_systems(nutrient, crop, own).items():
        for test in tests:
            try:
                level = in_unit(test["test"], test["test_unit"], unit)
                word, row = soil_class(system, nutrient, level, crop, extractant=test["extractant"], own=own)
            except FertkitError:
                continue
            if not np.isnan(row["depth_in"]) and row["depth_in"] != test["depth_in"]:
                continue
            title = system.replace("_", " ").title()
            yield (system, title, row["status"], np.nan, word, np.nan, np.nan, unit, "",
                   f"class {word}; its rates are not carried", row["source_key"],
                   row["provenance"])  # fmt: skip
            break
