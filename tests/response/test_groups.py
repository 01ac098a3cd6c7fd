"""Curves by groups of one trial; R: tests/reference/r/groups.R."""

import pandas as pd
import pytest

from fertkit.response import compare_groups

BACHMAIER = {"nutrient_price": 0.60, "grain_price": 110}


@pytest.fixture(scope="module")
def zones(outside):
    wheat = outside("bachmaier_wheat_n.csv").rename(columns={"n_kg_ha": "rate_kg_ha"})
    return compare_groups(wheat, "zone", curve="quadratic", **BACHMAIER)


@pytest.fixture(scope="module")
def oats(outside):
    """Yates' split plot: yields in quarter pounds of 1/80 acre as hundredweights of 112 lb an acre."""
    oats = outside("yates_oats_splitplot_n.csv")
    oats = pd.DataFrame({
        "block": oats["block"], "variety": oats["gen"], "rate_cwt_ac": oats["n_cwt_ac"],
        "yield_cwt_ac": oats["yield_qlb_plot"] * 80 / 4 / 112,
    })  # fmt: skip
    return compare_groups(oats, "variety", nutrient_price=50, grain_price=10, curve="quadratic")


def test_optima_by_zone_are_the_published_ones(zones):
    """Bachmaier 2009: the low zone's 95 % interval is 173 to 260 at this price; R: high 203.969 to 328."""
    groups = zones.groups.set_index("group")
    assert groups["rate"].to_dict() == pytest.approx({"low": 199.081, "high": 239.759}, abs=0.005)
    assert groups["low"].to_dict() == pytest.approx({"low": 173.096, "high": 203.969}, abs=0.005)
    assert groups["high_open"].all()  # 260.06 and 328 lie above the highest rate tested, 260


def test_whole_plot_error_judges_the_levels(oats):
    """Yates 1935: varieties F(2, 10) = 1.4853 against the whole-plot error, p = 0.2724."""
    test = oats.tests("parallel")
    assert (test["f"], test["df1"], test["df2"]) == pytest.approx((1.4853, 2, 10), abs=5e-5)
    assert test["p"] == pytest.approx(0.2724, abs=5e-5)
