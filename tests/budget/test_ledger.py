"""Carry-over: the published rules of thumb, bookkeeping by hand, and invariants of a ledger."""

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit import budget
from fertkit.budget import carry_over, products, skip_year, thresholds
from fertkit.budget.buffers import decline_without_p, soil_buffer
from fertkit.errors import InputError, LookupFailed

ROTATION = pd.DataFrame(
    {
        "year": [2024, 2025, 2026, 2027],
        "crop": ["corn", "soybean", "corn", "soybean"],
        "yield_goal": [200, 60, 200, 60],
        "n_lb_ac": [180, 0, 180, 0],
        "p2o5_lb_ac": [150, 0, 60, 0],
        "k2o_lb_ac": [60, 0, 60, 0],
    }
)
OPTIONS = {
    "start_tests": {"P": 22, "K": 150},
    "cec": 15,
    "prices": {"N": 0.5, "P2O5": 0.6, "K2O": 0.35},
    "interest_pct": 8,
}


def rows_of(ledger, nutrient):
    return ledger.table[ledger.table["nutrient"] == nutrient].set_index("year")


def test_one_corn_crop_moves_the_test_three_ppm():
    # checks 7 and 8, P OSU_BUILD2012: 150 bu of corn remove 55 lb P2O5, about 3 ppm at 20 lb per ppm
    one = pd.DataFrame({"year": [1], "crop": ["corn"], "yield_goal": [150], "p2o5_lb_ac": [0]})
    got = carry_over(one, start_tests={"P": 30}, source="TRI1995").table.iloc[0]
    assert got["removed"] == pytest.approx(55.5)
    assert 30 - got["test_ppm"] == pytest.approx(55.5 / 20)
    assert 30 - got["test_ppm"] == pytest.approx(3, abs=0.3)


def test_half_lives():
    # check 46, D DRAWDOWN2025: 4.3 and 8.2 % a year are half-lives of 15.8 and 8.1 yr (prints 15.9 and 8.4)
    decline = decline_without_p(40, 16)
    assert decline["test_high"].iloc[-1] == pytest.approx(20, abs=0.3)
    assert decline["test_low"].iloc[8] == pytest.approx(20, abs=0.3)
    assert (decline["test_low"] <= decline["test_high"]).all()


def test_buffer_of_p_is_the_published_range():
    # CIAMPITTI2011: 8-11 kg P/ha per mg/kg are 16.4-22.5 lb P2O5/ac; OSU_BUILD2012: 20 lb lies inside;
    # RANDALL_P: 30 lb beyond what held the test
    rising = soil_buffer("P2O5", 20, falling=False)
    assert (rising.low, rising.high) == pytest.approx((16.35, 30), abs=0.01)
    assert rising.middle == 20
    # falling from a high start .2 mg/kg per kg P/ha: 5 kg, 10.2 lb; from a low start .02: 50 kg, 102 lb
    assert soil_buffer("P2O5", 50, falling=True).low == pytest.approx(10.2, abs=0.05)
    assert soil_buffer("P2O5", 15, falling=True).high == pytest.approx(102.2, abs=0.1)
    between = soil_buffer("P2O5", 30, falling=True)
    assert (between.low, between.high) == pytest.approx((10.2, 102.2), abs=0.1)


def test_buffer_of_k():
    # check 44, P OSU_BUILD2012: 6 lb at CEC 10, 10 lb at CEC 30
    assert soil_buffer("K2O", 150, falling=True, cec=10).middle == 6
    assert soil_buffer("K2O", 150, falling=True, cec=30).middle == pytest.approx(10)
    unknown = soil_buffer("K2O", 150, falling=True)
    assert (unknown.low, unknown.middle, unknown.high) == (6, 8, 10)


def test_books_by_hand():
    book = rows_of(carry_over(ROTATION, source="MSU2017", **OPTIONS), "P2O5")
    # MSU2017: 200 x .373 = 74.6 and 60 x .8 = 48 lb
    assert book["removed"].tolist() == pytest.approx([74.6, 48, 74.6, 48])
    assert book["running"].tolist() == pytest.approx([75.4, 27.4, 12.8, -35.2])
    assert book["test_ppm"].tolist() == pytest.approx([22 + 75.4 / 20, 23.37, 22.64, 20.24])
    # 75.4 lb beyond removal cost 45.24; 48 lb of it are saved next season, less 8 % interest
    assert book["over_cost"][2024] == pytest.approx(45.24)
    assert book["over_worth_high"][2024] == pytest.approx(48 * 0.6 / 1.08)
    assert np.isnan(book["over_worth_high"][2027])


def test_the_range_is_that_of_the_buffers_where_no_error_of_the_test_is_given():
    # MSU2017: 50 bu of soybeans remove 50 x 1.4 = 70 lb K2O, so 10 lb are lacking; 6, 8 or 10 lb move 1 ppm.
    one = pd.DataFrame({"year": [1], "crop": ["soybean"], "yield_goal": [50.0], "k2o_lb_ac": [60.0]})
    row = carry_over(one, start_tests={"K": 150}, source="MSU2017").table.set_index("nutrient").loc["K2O"]
    by_hand = (150 - 10 / 6, 150 - 10 / 8, 150 - 10 / 10)
    assert (row["test_low"], row["test_ppm"], row["test_high"]) == pytest.approx(by_hand)


def test_nitrogen_is_not_carried():
    book = rows_of(carry_over(ROTATION, **OPTIONS), "N")
    assert (book["running"] == 0).all()
    assert (book["over_worth_high"].dropna() == 0).all()
    assert book["test_ppm"].isna().all()
    assert "not carried" in carry_over(ROTATION, **OPTIONS).summary()


def test_worth_next_season_never_exceeds_cost_now():
    table = carry_over(ROTATION, kept=(0.35, 0.9), **OPTIONS).table.dropna(subset=["over_worth_high"])
    assert (table["over_worth_high"] <= table["over_cost"] + 1e-9).all()
    assert (table["over_worth_low"] <= table["over_worth_high"]).all()


def test_range_widens_and_holds_the_trend():
    table = carry_over(ROTATION, test_sd_ppm=1.5, **OPTIONS).table.dropna(subset=["test_ppm"])
    assert (table["test_low"] <= table["test_ppm"]).all()
    assert (table["test_ppm"] <= table["test_high"]).all()
    width = (table["test_high"] - table["test_low"]).groupby(table["nutrient"])
    assert (width.diff().dropna() >= -1e-9).all()
    plain = carry_over(ROTATION, **OPTIONS).table.dropna(subset=["test_ppm"])
    np.testing.assert_allclose(table["test_high"] - plain["test_high"], 3.0)


def test_skipping_a_year():
    got = skip_year(ROTATION, 2026, **OPTIONS)
    rows = got.table.set_index("nutrient")
    assert rows["not_applied"].to_dict() == {"N": 180, "P2O5": 60, "K2O": 60}
    assert rows["saved"].to_dict() == pytest.approx({"N": 90, "P2O5": 36, "K2O": 21})
    # 60 lb P2O5 less is 3 ppm less at 20 lb per ppm; 60 lb K2O at CEC 15 (7 lb per ppm) is 8.6 ppm
    assert rows["test_planned"]["P2O5"] - rows["test_skipped"]["P2O5"] == pytest.approx(3)
    assert rows["test_planned"]["K2O"] - rows["test_skipped"]["K2O"] == pytest.approx(60 / 7)
    assert "soil does not store N" in got.summary()
    assert got.decline["test_high"].iloc[-1] == pytest.approx(22 * 0.957)
    with pytest.raises(LookupFailed, match="unknown year"):
        skip_year(ROTATION, 1999, **OPTIONS)


def test_level_to_stay_above():
    checks = carry_over(ROTATION, critical={"P": 20, "K": 120}, source="MSU2017", **OPTIONS).checks
    checks = checks.set_index("check")
    assert checks["passed"]["K trend [ppm]"]
    assert not checks["passed"]["P low end of the trend [ppm]"]


@settings(max_examples=15, deadline=None)
@given(st.floats(0, 200), st.floats(1, 100))
def test_more_applied_never_lowers_the_test(rate, more):
    one = pd.DataFrame({"year": [1], "crop": ["soybean"], "yield_goal": [60], "k2o_lb_ac": [rate]})
    low = carry_over(one, start_tests={"K": 150}).table.iloc[0]
    high = carry_over(one.assign(k2o_lb_ac=rate + more), start_tests={"K": 150}).table.iloc[0]
    for column in ("test_ppm", "test_low", "test_high", "running"):
        assert high[column] > low[column]


def test_every_problem_at_once():
    bad = ROTATION.assign(
        crop=["corn", "kale", "corn", "soybean"],
        yield_goal=[200, 60, 9000, 60],
        p2o5_lb_ac=["x", -5, 10, 10],
    )
    with pytest.raises(InputError) as caught:
        carry_over(bad)
    places = {(p.row, p.column) for p in caught.value.problems}
    assert places == {(2, "p2o5_lb_ac"), (3, "p2o5_lb_ac"), (3, "crop")}
    with pytest.raises(InputError, match="cannot yield"):
        carry_over(bad.assign(crop="corn", p2o5_lb_ac=0))


@pytest.mark.parametrize(
    ("change", "options", "error", "says"),
    [
        ({}, {"prices": {"K": 0.5}}, LookupFailed, "unknown name in prices"),
        ({}, {"start_tests": {"P2O5": 20}}, LookupFailed, "unknown name in start_tests"),
        ({}, {"start_tests": {"P": -2}}, InputError, "0 or more"),
        ({}, {"kept": (0.9, 0.4)}, InputError, "the lower first"),
        ({}, {"interest_pct": float("nan")}, InputError, "interest_pct"),
        ({}, {"source": "TRI2020"}, LookupFailed, "no published N removal for corn, soybean by TRI2020"),
        ({"drop": ["year"]}, {}, InputError, "needed are year"),
        ({"drop": ["n_lb_ac", "p2o5_lb_ac", "k2o_lb_ac"]}, {}, InputError, "at least one of"),
    ],
)
def test_bad_requests(change, options, error, says):
    with pytest.raises(error, match=says):
        carry_over(ROTATION.drop(columns=change.get("drop", [])), **options)


def test_metric_columns_are_the_same_books():
    # 1 lb/ac is 1.12085 kg/ha (NIST SP 811)
    factor = 1.1208511561944561
    metric = ROTATION.assign(k2o_kg_ha=ROTATION["k2o_lb_ac"] * factor).drop(columns="k2o_lb_ac")
    pounds, mixed = carry_over(ROTATION, **OPTIONS), carry_over(metric, **OPTIONS)
    pd.testing.assert_frame_equal(mixed.table, pounds.table)
    per_kg = {name: price / 0.45359237 for name, price in OPTIONS["prices"].items()}
    kilos = carry_over(metric, **(OPTIONS | {"prices": per_kg}), unit="kg/ha")
    for name, times in (
        ("running", factor),
        ("removed", factor),
        ("test_ppm", 1),
        ("cost", 1 / 0.40468564224),
    ):
        np.testing.assert_allclose(kilos.table[name], pounds.table[name] * times)
    assert "[kg/ha]" in kilos.summary()
    assert skip_year(metric, 2026).table.set_index("nutrient")["not_applied"]["K2O"] == pytest.approx(60)


@pytest.mark.parametrize("column", ["k_lb_ac", "k2o_kg", "K2O_lb_ac", "potash", "s_lb_ac", "applied_p2o5"])
def test_a_nutrient_column_is_never_dropped(column):
    with pytest.raises(InputError, match=f"column '{column}'.*cannot be read"):
        carry_over(ROTATION.assign(**{column: 10}))


def test_other_columns_are_left_alone():
    plain = carry_over(ROTATION)
    noted = carry_over(ROTATION.assign(note="wet", k_ppm=150, field="east", n_price=0.5, yield_lb_ac=1))
    assert noted.table.equals(plain.table)
    with pytest.raises(InputError, match="keep one of the two"):
        carry_over(ROTATION.assign(n_kg_ha=10))


def test_summary_counts_seasons_and_adds_up():
    one = pd.DataFrame({"year": [2025], "crop": ["soybean"], "yield_goal": [80], "k2o_lb_ac": [114]})
    said = carry_over(one).summary()
    assert said.startswith("1 season, 2025 [lb/ac]")
    applied, removed, balance = map(
        float, re.search(r"applied (\d+), removed (\d+), balance ([+-]\d+)", said).groups()
    )
    assert applied - removed == balance
    assert carry_over(ROTATION).summary().startswith("4 seasons, 2024 to 2027")


SEASON = pd.DataFrame({"year": [1], "crop": ["corn"], "yield_goal": [200.0], "k2o_lb_ac": [60.0]})
SOIL = {"extractant": "Mehlich-3", "depth_in": 8}


@pytest.mark.parametrize(
    ("ask", "named"),
    [
        (lambda: carry_over(SEASON, start_tests={"K": 120}, cec=-1), "cec"),
        (lambda: carry_over(SEASON, start_tests={"K": 120}, cec=0), "cec"),
        (lambda: soil_buffer("K2O", 120, falling=False, cec=-1), "cec"),
        (lambda: soil_buffer("P2O5", -20, falling=False), "test_ppm"),
        (lambda: decline_without_p(-20, 3), "test_ppm"),
        (lambda: budget.soil_rate("tri_state_2020", "K", 90, "corn", 200, **SOIL, cec=-10), "cec"),
        (lambda: thresholds.convert_soil_test(-5, "P", "Bray-P1", "Mehlich-3"), "test"),
        (lambda: products.seed_row_limit("corn", -30), "row_spacing_in"),
        (lambda: budget.check_seed_row({"10-34-0": -100}, "corn", 30), "rates"),
    ],
)
def test_amounts_that_cannot_be_negative_are_refused_by_name(ask, named):
    with pytest.raises(InputError, match=f"column '{named}'"):
        ask()


def test_a_nutrient_without_a_soil_test_is_no_key_error():
    with pytest.raises(LookupFailed, match="choose one of: K2O, P2O5"):
        soil_buffer("Zn", 5, falling=False)
