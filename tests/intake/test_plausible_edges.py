"""Limits of the plausibility table at the limit itself, and ratios of a report of two nutrients."""

import pandas as pd
import pytest

from fertkit.intake import plausible, read_tissue
from fertkit.reference.nutrients import load_nutrients

ENDS = load_nutrients().dropna(subset="high").set_index("nutrient")
MOST, LEAST = ENDS["impossible_above"], ENDS["impossible_below"]


@pytest.mark.parametrize("nutrient", MOST.index)
def test_a_value_is_impossible_above_the_limit_of_the_table_not_at_it(nutrient):
    most = MOST[nutrient]
    home = plausible.home_unit(nutrient)
    assert plausible.impossible(nutrient, [most, most * 1.0001], home).tolist() == [False, True]


@pytest.mark.parametrize("nutrient", LEAST[LEAST > 0].index)
def test_a_value_is_impossible_below_the_limit_of_the_table_not_at_it_and_0_is_not(nutrient):
    least, home = LEAST[nutrient], plausible.home_unit(nutrient)
    assert plausible.too_low(nutrient, [0, least * 0.999, least], home).tolist() == [False, True, False]


def test_a_detection_limit_may_be_lower_than_anything_a_plant_holds():
    table = read_tissue(b"Sample,N (%),Zn (ppm)\nA,3.2,<0.2\n").table
    zinc = table.set_index("nutrient").loc["Zn"]
    assert (zinc["value"], zinc["censored"]) == (0.2, "<")


@pytest.mark.parametrize(("under", "ratio"), [("S", 3.0 / 0.25), ("P", 3.0 / 0.25)])
def test_a_report_of_two_nutrients_has_their_ratio(under, ratio):
    rows = [(0, "a", "N", 3.0, ""), (0, "a", under, 0.25, "")]
    table = pd.DataFrame(rows, columns=["specimen", "sample_id", "nutrient", "value", "censored"])
    found = plausible.sanity_checks(table).set_index("check")
    assert list(found.index) == [f"N:{under} in all samples"]
    assert found["value"].iloc[0] == pytest.approx(ratio)
