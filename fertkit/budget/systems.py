"""Several soil-test systems asked about the same field."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fertkit.budget.thresholds import CLASS, in_unit, soil_class, system_rows
from fertkit.errors import FertkitError, UnitError
from fertkit.units import depth_text

COLUMNS = ["system", "title", "status", "rate_lb_ac", "zone", "critical", "limit", "test_unit", "equation",
           "why_not", "source_key", "provenance", "carried"]  # fmt: skip


def refusal(thresholds, nutrient, crop, refusals, own, unit="lb/ac"):
    """Status of a system and, in few words, why no test suits it; depths as a unit of rates has them."""
    other = [error for error in refusals if not isinstance(error, UnitError)]
    if other:
        what = " ".join(other[0].what.split())
        _, key, rest = what.partition(" sets its ")  # the row names the system by its title
        return "", f"sets its {rest}" if key else what
    needed = needed_test(thresholds, nutrient, crop, own)
    note = f" ({needed.note})" if needed.note else ""
    return needed.status, f"needs a test by {needed.text(unit)}{note}"


@dataclass(frozen=True)
class NeededTest:
    """The soil test that a system takes: by what extractant, how deep [in] (NaN: any), in what unit."""

    status: str
    extractant: str
    depth_in: float
    unit: str
    note: str

    def text(self, unit: str) -> str:
        """Say the test, its depth as a unit of rates has it."""
        deep = "" if np.isnan(self.depth_in) else f" on a sample {depth_text(self.depth_in, unit)} deep"
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
                   f"class {word}: look up the rate in its guide", row["source_key"],
                   row["provenance"])  # fmt: skip
            break
