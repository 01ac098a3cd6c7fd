"""Removal from a user's own analysis, worked out in plain arithmetic; analyses are made up.

Corn is sold at 15.5 % moisture. P2O5 holds 61.948 / 141.943 of P, and K2O 78.197 / 94.195 of K (IUPAC).
"""

import numpy as np
import pytest

from fertkit.budget.needs import OWN, _analysis_rows
from fertkit.errors import InputError, LookupFailed, UnitError

P2O5, K2O = 141.943 / 61.948, 94.195 / 78.197


@pytest.mark.parametrize(
    ("nutrient", "value", "unit", "name", "share"),
    [
        ("N", 1.3, "%", "N", 0.013), ("N", 0, "%", "N", 0.0), ("N", 100, "%", "N", 1.0),
        ("P", 0.3, "%", "P2O5", 0.003 * P2O5), ("P2O5", 0.3, "%", "P2O5", 0.003),
        ("K", 4.0, "g/kg", "K2O", 0.004 * K2O), ("Zn", 25, "mg/kg", "Zn", 25e-6),
        ("Zn", 1e6, "mg/kg", "Zn", 1.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize(("part", "moisture", "dry"), [("grain", None, 0.845), ("silage", 65.0, 0.35)])
def test_removal_is_dry_matter_times_its_content(nutrient, value, unit, name, share, part, moisture, dry):
    row = _analysis_rows("corn", part, 10_000.0, moisture, {nutrient: value}, unit).iloc[0]
    assert (row["crop"], row["nutrient"], row["source_key"], row["unit"]) == ("corn", name, OWN, "lb/ac")
    assert row["removed"] == row["harvested"] == pytest.approx(10_000 * dry * share, rel=1e-4)
    assert np.isnan([row[n] for n in ("uptake", "stays", "low", "high", "share_removed")]).all()


def test_analyses_that_cannot_be_are_refused():
    def asked(analysis, part="grain", unit="%"):
        return _analysis_rows("corn", part, 10_000.0, None, analysis, unit)

    assert asked({}).empty
    assert asked(None).empty
    assert asked({"N": 1.3, "K": 0.4})["nutrient"].tolist() == ["N", "K2O"]
    for value, unit in ((-0.1, "%"), (100.1, "%"), (1001, "g/kg")):
        with pytest.raises(InputError):
            asked({"N": value}, unit=unit)
    with pytest.raises(UnitError, match="moisture_pct"):
        asked({"N": 1.3}, "silage")
    with pytest.raises(LookupFailed):
        asked({"Xx": 1.3})
