"""Product rates against printed examples, seed limits, cautions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.budget import (
    check_seed_row,
    nutrients_per_gallon,
    product_cautions,
    product_rate,
    seed_row_limit,
)
from fertkit.errors import InputError, LookupFailed, NotEstimable, UnitError
from fertkit.reference import cite, load_table


@pytest.mark.parametrize(
    ("product", "nutrient", "rate", "expected", "printed", "tolerance"),
    [
        ("11-52-0", "P2O5", 110.4, 212, 210, 3),  # check 10, P OSU_ANR74
        ("18-46-0", "P2O5", 110.4, 240, 240, 3),  # check 10, P OSU_ANR74
        ("0-0-60", "K2O", 104.4, 174, 180, 7),  # check 11, P OSU_ANR74
    ],
)
def test_rates_printed_by_ohio(product, nutrient, rate, expected, printed, tolerance):
    got = product_rate(product, nutrient, rate).product_lb_ac
    assert got == pytest.approx(expected, abs=0.5)
    assert got == pytest.approx(printed, abs=tolerance)


@pytest.mark.parametrize(
    ("product", "expected", "tolerance"),
    [
        ("28-0-0", {"N": 2.99}, 0.01),  # check 47, D PHYSPROP: 10.67 lb/gal
        ("32-0-0", {"N": 3.54}, 0.01),  # check 47, D PHYSPROP: 11.06 lb/gal
        ("10-34-0", {"N": 1.165, "P2O5": 3.961}, 0.005),  # check 48, D PHYSPROP: 11.65 lb/gal
        ("12-0-0-26S", {"N": 1.325, "S": 2.870}, 0.005),  # check 49, D PHYSPROP: 11.04 lb/gal
    ],
)
def test_pounds_in_a_gallon(product, expected, tolerance):
    got = nutrients_per_gallon(product)
    for nutrient, pounds in expected.items():
        assert got[nutrient] == pytest.approx(
            pounds, abs=0.01 if product < "3" and "28" in product else 0.005
        )
    assert got.sum() == pytest.approx(sum(expected.values()), abs=0.02)


def test_a_liquid_in_gallons():
    # 40 lb P2O5 as 10-34-0: 117.6 lb, 10.1 gal at 11.65 lb/gal, with 11.8 lb N
    got = product_rate("10-34-0", "P2O5", 40)
    assert got.product_gal_ac == pytest.approx(40 / 3.961, abs=0.01)
    assert got.table.set_index("nutrient")["supplied_lb_ac"]["N"] == pytest.approx(40 * 10 / 34)
    assert "gal/ac" in got.summary()


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(sorted(load_table("products")["grade"])), st.floats(0, 500))
def test_the_rate_supplies_what_was_asked(grade, rate):
    row = load_table("products").set_index("grade").loc[grade]
    nutrient = next(n for n in ("N", "P2O5", "K2O", "S", "Zn", "B") if row[f"{n.lower()}_pct"] > 0)
    got = product_rate(grade, nutrient, rate)
    supplied = got.table.set_index("nutrient")["supplied_lb_ac"]
    assert supplied[nutrient] == pytest.approx(rate)
    assert supplied.sum() <= got.product_lb_ac * 1.0001


@pytest.mark.parametrize(("soil", "limits"), [("medium to fine", (6, 8, 12)), ("sandy", (4, 6, 8))])
def test_in_furrow_limits(soil, limits):
    # check 50, P KSU_STARTER: lb N + K2O at 40, 30 and 20 in rows
    for spacing, limit in zip((40, 30, 20), limits, strict=True):
        assert seed_row_limit("corn", spacing, soil)["limit_lb_ac"] == limit
    assert seed_row_limit("corn", 38, soil)["limit_lb_ac"] == limits[0]  # the next wider row counts
    assert seed_row_limit("sunflower", 30, soil)["limit_lb_ac"] == 10  # P HPSUNFLOWER


def test_seed_row_check():
    good = check_seed_row({"10-34-0": 60}, "corn", 30)
    assert good["passed"].all()
    assert good["value"][0] == pytest.approx(6.0)
    bad = check_seed_row({"10-34-0": 60, "urea": 5, "12-0-0-26S": 10}, "corn", 30, "sandy")
    assert not bad["passed"].any()
    assert bad["check"].str.contains("urea").any()
    assert bad["check"].str.contains("thiosulfate").any()


def test_cautions_fit_the_product():
    topics = {p: set(product_cautions([p])["topic"]) for p in ("urea", "0-0-0-15B", "11-52-0", "82-0-0")}
    assert {"ammonia", "nitrate loss", "salt near the seed"} <= topics["urea"]
    assert "boron toxicity" in topics["0-0-0-15B"]
    assert "phosphorus loss" in topics["11-52-0"]
    assert "ammonia" not in topics["11-52-0"]
    assert "ammonia handling" in topics["82-0-0"]
    assert all("who governs" in t for t in topics.values())


def test_every_product_is_cautioned_with_a_source():
    table = product_cautions(load_table("products")["grade"])
    assert all(cite(key) for key in table["source_key"])
    assert not table["text"].str.startswith("as ").any()


@pytest.mark.parametrize(
    ("args", "error", "says"),
    [
        (("7-7-7", "N", 10), LookupFailed, "unknown product '7-7-7'"),
        (("ammonium polyphosphate", "N", 10), LookupFailed, "10-34-0"),
        (("urea", "K2O", 10), NotEstimable, "supplies no K2O"),
        (("urea", "K", 10), LookupFailed, "unknown nutrient of a product 'K'"),
        (("urea", "N", -1), InputError, "0 or more"),
        (("urea", "N", np.nan), InputError, "'rate_lb_ac'.* not a number"),
    ],
)
def test_bad_requests(args, error, says):
    with pytest.raises(error, match=says):
        product_rate(*args)


def test_limits_that_are_not_published():
    with pytest.raises(UnitError, match="no density"):
        nutrients_per_gallon("urea")
    with pytest.raises(NotEstimable, match="wider than 40 in"):
        seed_row_limit("corn", 60)
    with pytest.raises(LookupFailed, match="crop in the seed_limits table"):
        seed_row_limit("wheat", 7)
    with pytest.raises(LookupFailed, match="unknown soil"):
        seed_row_limit("corn", 30, "clay")
