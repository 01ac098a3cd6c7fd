"""Peaks of two demands basis by basis; the demands are made up, and every ratio is worked out in the test."""

from types import SimpleNamespace

import pandas as pd
import pytest

from fertkit.budget import compare_peaks
from fertkit.errors import LookupFailed, UnitError

NAN = float("nan")
PUBLISHED, SCALED, FITTED = "published, as measured", "published, scaled to the yields", "fitted curves"


def demand(crop, goal, peaks, flat=(), unit="lb/ac"):
    """Peaks as (nutrient, curve, source, published, scaled to the yield, provenance)."""
    names = ["nutrient", "curve", "source_key", "published", "published_scaled", "provenance"]
    stretches = pd.DataFrame({"nutrient": list(flat)}, dtype=object)
    return SimpleNamespace(
        unit=unit, crop=crop, yield_goal=goal, yield_unit="bu/ac", nutrients=["N", "K2O", "S"],
        peaks=pd.DataFrame(peaks, columns=names), stretches=stretches,
    )  # fmt: skip


WHEAT = [("N", 4.0, "A", 3.0, 6.0, "found"), ("K2O", 8.0, "A", 5.0, NAN, "mixed"),
         ("K2O", 8.0, "B", 6.0, 9.0, "found"), ("S", 1.0, "", NAN, NAN, "")]  # fmt: skip
BEETS = [("N", 2.0, "C", 1.5, NAN, "found"), ("K2O", 5.0, "C", 2.0, 3.0, "found"),
         ("S", 0.5, "C", 0.4, NAN, "found")]  # fmt: skip


def rows_of(first, second, nutrient):
    table = compare_peaks(first, second, nutrient).table
    kept = ["basis", "first", "second", "ratio", "first_source", "second_source"]
    return table[kept].fillna("").to_numpy().tolist()


def test_every_basis_side_by_side():
    wheat, beets = demand("wheat", 80, WHEAT), demand("beets", 30.5, BEETS)
    assert rows_of(wheat, beets, "N") == [
        [PUBLISHED, 3.0, 1.5, 2.0, "A", "C"], [SCALED, 6.0, 1.5, 4.0, "A", "C"],
        [FITTED, 4.0, 2.0, 2.0, "", ""],
    ]  # fmt: skip
    for name in ("K", "K2O"):
        assert rows_of(wheat, beets, name) == [
            [PUBLISHED, 5.0, 2.0, 2.5, "A", "C"], [SCALED, 5.0, 3.0, 5 / 3, "A", "C"],
            [PUBLISHED, 6.0, 2.0, 3.0, "B", "C"], [SCALED, 9.0, 3.0, 3.0, "B", "C"],
            [FITTED, 8.0, 5.0, 1.6, "", ""],
        ]  # fmt: skip
    assert rows_of(wheat, beets, "S") == [[FITTED, 1.0, 0.5, 2.0, "", ""]]
    plain = [("S", 0.5, "C", 0.4, NAN, "found")]
    assert rows_of(demand("wheat", 80, plain), demand("beets", 30, plain), "S") == [
        [PUBLISHED, 0.4, 0.4, 1.0, "C", "C"], [FITTED, 0.5, 0.5, 1.0, "", ""],
    ]  # fmt: skip


def test_what_was_not_scaled_and_where_values_come_from_is_told():
    got = compare_peaks(demand("wheat", 80, WHEAT), demand("beets", 30.5, BEETS), "K")
    assert (got.nutrient, got.unit, got.crops) == ("K2O", "lb/ac", ("80 bu/ac wheat", "30.5 bu/ac beets"))
    assert got.table["provenance"].tolist() == ["mixed / found"] * 2 + ["found"] * 2 + ["derived"]
    assert not got.table["at_least"].any()
    notes = got.table["note"].tolist()
    assert notes[1] == "wheat as measured, yield not stated"
    assert notes[3] == ""
    other = compare_peaks(demand("wheat", 80, WHEAT), demand("beets", 30.5, BEETS), "N").table
    assert other["note"][1] == "beets as measured, yield not stated"


@pytest.mark.parametrize("flat", [(("K2O",), ()), ((), ("K2O",)), (("K2O",), ("N", "K2O"))])
def test_a_curve_without_a_peak_is_not_compared(flat):
    first, second = demand("wheat", 80, WHEAT, flat[0]), demand("beets", 30, BEETS, flat[1])
    assert FITTED not in {row[0] for row in rows_of(first, second, "K2O")}
    assert (FITTED in {row[0] for row in rows_of(first, second, "N")}) == ("N" not in flat[1])


def test_the_rule_of_the_trade_stands_for_its_crop_and_nutrient_alone():
    # common practice, no source: soybean takes up potassium at least twice as fast at its peak as corn
    soy, beets = demand("soybean", 60, BEETS), demand("beets", 30, BEETS)
    rule = compare_peaks(soy, beets, "K").table
    rule = rule[rule["at_least"]]
    assert rule["ratio"].tolist() == [2.0]
    assert rule[["first", "second"]].isna().all(axis=None)
    assert not compare_peaks(soy, beets, "N").table["at_least"].any()
    assert not compare_peaks(beets, soy, "K").table["at_least"].any()


def test_demands_that_cannot_be_compared_are_refused():
    wheat, beets = demand("wheat", 80, WHEAT), demand("beets", 30, BEETS)
    with pytest.raises(UnitError, match="kg/ha"):
        compare_peaks(wheat, demand("beets", 30, BEETS, unit="kg/ha"))
    with pytest.raises(LookupFailed, match="wheat"):
        compare_peaks(wheat, beets, "Zn")
    beets.nutrients = ["K2O"]
    with pytest.raises(LookupFailed, match="beets"):
        compare_peaks(wheat, beets, "N")
