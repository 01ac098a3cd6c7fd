"""A rotation's books kept line by line in the test, with made-up prices.

Removal is that of MSU2017, a bushel: soybean 0.8 lb P2O5 and 1.4 lb K2O, corn .373 and .273;
buffers of OSU_BUILD2012 (20 lb P2O5; 4 + 0.2 CEC lb K2O, 6 to 10).
"""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import carry_over, farm_budget, skip_year
from fertkit.budget.buffers import soil_buffer
from fertkit.budget.ledger import _with_balance, _with_trend
from fertkit.errors import InputError
from fertkit.say.rates import _over

NAN = float("nan")
BOOK = pd.DataFrame(
    {"season": [1, 2, 3, 4], "applied": [100.0, 0.0, 60.0, 90.0], "removed": [40.0, 50.0, 70.0, 30.0]},
    index=[10, 11, 12, 13],
)


def money_by_loop(name, price, interest, kept):
    running = 0.0
    rows = list(BOOK.itertuples())
    for i, row in enumerate(rows):
        balance = row.applied - row.removed
        running = running + balance if name != "N" else 0.0
        over = max(balance, 0.0)
        saved = NAN
        if i + 1 < len(rows):
            saved = min(over, rows[i + 1].removed) * price / (1 + interest / 100) if name != "N" else 0.0
        yield {
            "balance": balance, "running": running, "cost": row.applied * price, "worth": running * price,
            "over_cost": over * price, "over_worth_low": saved * kept[0], "over_worth_high": saved * kept[1],
        }  # fmt: skip


@pytest.mark.parametrize("name", ["N", "P2O5", "K2O"])
@pytest.mark.parametrize(("price", "interest", "kept"), [(0.6, 8.0, (0.35, 0.9)), (0.5, 0.0, (1.0, 1.0))])
def test_balance_and_money_season_by_season(name, price, interest, kept):
    got = _with_balance(BOOK, name, price, interest, kept)
    expected = pd.DataFrame(list(money_by_loop(name, price, interest, kept)), index=BOOK.index)
    pd.testing.assert_frame_equal(got[list(expected)], expected)


def trend_by_loop(name, start, cec, sd):
    """Middle, low and high of the test: each season's balance over the published buffers."""
    middle = low = high = start
    for row in BOOK.itertuples():
        balance = row.applied - row.removed
        buffer = soil_buffer(name, start, balance < 0, cec)
        moves = [balance / buffer.low, balance / buffer.high]
        middle, low, high = middle + balance / buffer.middle, low + min(moves), high + max(moves)
        yield max(middle, 0.0), max(low - 2 * sd, 0.0), high + 2 * sd


@pytest.mark.parametrize(
    ("name", "start", "cec", "sd"),
    [("P2O5", 22.0, None, 1.5), ("P2O5", 1.0, None, 0.0), ("K2O", 150.0, 15.0, 2.0), ("K2O", 4.0, None, 1.0)],
)
def test_trend_of_the_test_season_by_season(name, start, cec, sd):
    book = _with_balance(BOOK, name, 1.0, 0.0, (1, 1))
    got = _with_trend(book, name, start, cec, sd, "lb/ac")
    expected = np.array(list(trend_by_loop(name, start, cec, sd)))
    np.testing.assert_allclose(got[["test_ppm", "test_low", "test_high"]], expected)
    assert got["buffer_source"].str.contains("OSU_BUILD2012").all()
    kilos = book.assign(balance=book["balance"] * 0.45359237 / 0.40468564224)
    again = _with_trend(kilos, name, start, cec, sd, "kg/ha")
    np.testing.assert_allclose(again[["test_ppm", "test_low", "test_high"]], expected)
    bare = _with_trend(book, name, NAN, cec, sd, "lb/ac")
    assert bare[["test_ppm", "test_low", "test_high"]].isna().all(axis=None)
    assert (bare["buffer_source"] == "").all()


def test_what_is_said_of_an_over_application():
    frame = pd.DataFrame(
        {
            "over_cost": [12.0, 0.0, 3.0],
            "over_worth_low": [4.0, 9.0, np.nan],
            "over_worth_high": [8.0, 9.0, np.nan],
        }
    )
    assert _over(frame) == "; excess over removal cost 15.00, saves 4.00 to 8.00 the next season"
    assert _over(frame.assign(over_worth_low=8.0, over_worth_high=8.0)).endswith(
        "saves 16.00 the next season"
    )
    assert _over(frame.iloc[[1]]) == ""
    less = "; excess over removal cost 0.60, saves 0.20 to 0.40 the next season"
    assert _over(frame.iloc[[0]] / 20) == less


ROTATION = pd.DataFrame(
    {
        "year": [2024, 2025, 2026],
        "crop": ["corn", "soybean", "corn"],
        "yield_goal": [200.0, 60.0, 180.0],
        "n_lb_ac": [180.0, 0.0, 160.0],
        "p2o5_lb_ac": [150.0, 0.0, 60.0],
        "k2o_lb_ac": [0.0, 90.0, 0.0],
    },
    index=[3, 5, 9],
)
OPTIONS = {
    "source": "MSU2017", "start_tests": {"P": 22.0, "K": 150.0}, "cec": 15.0,
    "prices": {"P2O5": 0.6, "K2O": 0.35}, "critical": {"P": 15.0, "K": 120.0},
}  # fmt: skip


def test_books_of_a_rotation():
    book = carry_over(ROTATION, **OPTIONS)
    rows = book.table
    assert rows.index.tolist() == list(range(9))
    assert rows["season"].tolist() == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    assert rows["nutrient"].tolist() == ["N", "P2O5", "K2O"] * 3
    assert rows["crop"].tolist() == ["corn"] * 3 + ["soybean"] * 3 + ["corn"] * 3
    assert rows["year"].tolist() == [2024] * 3 + [2025] * 3 + [2026] * 3
    fields = ROTATION[["crop", "yield_goal"]].assign(area_ac=1.0, yield_unit="bu/ac")
    farm = farm_budget(fields, source="MSU2017", nutrients=["N", "P2O5", "K2O"]).table
    np.testing.assert_allclose(rows["removed"], farm["removed"])
    p = rows[rows["nutrient"] == "P2O5"]
    # MSU2017: 200 x .373 = 74.6, 60 x .8 = 48, 180 x .373 = 67.1 lb of P2O5
    assert p["removed"].tolist() == pytest.approx([74.6, 48.0, 67.14], abs=0.01)
    assert p["running"].tolist() == pytest.approx([75.4, 27.4, 20.26], abs=0.02)
    assert book.nutrients == ["N", "P2O5", "K2O"]
    end = book.end
    assert end["nutrient"].tolist() == book.nutrients
    assert end.index.tolist() == [0, 1, 2]
    assert end["running"].tolist() == pytest.approx(rows["running"].iloc[-3:].tolist())
    assert set(book.sources["source_key"]) == {"MSU2017", "OSU_BUILD2012", "CIAMPITTI2011", "RANDALL_P"}
    with pytest.raises(dataclasses.FrozenInstanceError):
        book.unit = "kg/ha"
    alone = carry_over(ROTATION[["year", "crop", "yield_goal", "k2o_lb_ac"]], source="MSU2017")
    assert alone.nutrients == ["K2O"]
    assert alone.table["cost"].isna().all()


def test_levels_are_checked_against_the_lowest_of_trend_and_range():
    book = carry_over(ROTATION, **OPTIONS)
    table = book.checks.set_index("check")
    for element, oxide, level in (("P", "P2O5", 15.0), ("K", "K2O", 120.0)):
        mine = book.table[book.table["nutrient"] == oxide]
        for column, word in (("test_ppm", "trend"), ("test_low", "low end of the trend")):
            row = table.loc[f"{element} {word} [ppm]"]
            assert row["value"] == pytest.approx(min(mine[column]))
            assert row["limit"] == level
            assert row["passed"] == (min(mine[column]) >= level)
    lowest = book.table.loc[book.table["nutrient"] == "P2O5", "test_ppm"].min()
    at_level = carry_over(ROTATION, **(OPTIONS | {"critical": {"P": lowest}})).checks
    assert at_level["passed"].tolist() == [True, False]  # at the level is not below it
    assert carry_over(ROTATION, **(OPTIONS | {"critical": {}})).checks.empty


def test_summary_line_by_line():
    lines = carry_over(ROTATION, **OPTIONS).summary().splitlines()
    assert lines[0] == "3 seasons, 2024 to 2026 [lb/ac]"
    assert lines[1].startswith("  N     applied 340, removed ")
    assert lines[1].endswith("(legumes fix their own); not carried")
    # 210 - 190 = 20, worth 20.3 x .6; from 22 ppm by 20.26/20 to 23.0
    # 75.4 lb beyond removal cost 45.24; 48 of them are saved the next season, 28.80
    assert lines[2].startswith(
        "  P2O5  applied 210, removed 190, balance +20 (worth +12.16); test 22 to 23 ppm ("
    )
    assert lines[2].endswith("; excess over removal cost 45.24, saves 28.80 the next season")
    # .273 x 380 + 1.4 x 60 = 187.74 lb of K2O leave; 97.74 lacking / 7 lb a ppm are 14 ppm; 6 lb over
    assert lines[3].startswith(
        "  K2O   applied 90, removed 188, balance -98 (worth -34.21); test 150 to 136 ppm ("
    )
    assert lines[3].endswith("; excess over removal cost 2.10, saves 2.10 the next season")
    assert lines[4] == "Removal: MSU2017. Trend of the test: OSU_BUILD2012, CIAMPITTI2011, RANDALL_P."
    bare = carry_over(ROTATION.iloc[[1]], source="MSU2017").summary().splitlines()
    assert bare[0] == "1 season, 2025 [lb/ac]"
    assert "worth" not in bare[2]
    assert "ppm" not in bare[2]
    assert bare[2] == "  P2O5  applied 0, removed 48, balance -48"
    assert bare[4] == "Removal: MSU2017."


def test_a_year_skipped_is_the_book_without_it():
    got = skip_year(ROTATION, 2024, **OPTIONS)
    bare = ROTATION.copy()
    bare.loc[3, ["n_lb_ac", "p2o5_lb_ac", "k2o_lb_ac"]] = 0.0
    other = carry_over(bare, **OPTIONS)
    pd.testing.assert_frame_equal(got.skipped.table, other.table)
    table = got.table.set_index("nutrient")
    assert table["not_applied"].to_dict() == {"N": 180.0, "P2O5": 150.0, "K2O": 0.0}
    assert table["saved"].tolist() == pytest.approx([NAN, 90.0, 0.0], nan_ok=True)
    before, after = (b.end.set_index("nutrient") for b in (got.planned, other))
    for name, book, column in (
        ("running_planned", before, "running"), ("running_skipped", after, "running"),
        ("test_planned", before, "test_ppm"), ("test_skipped", after, "test_ppm"),
        ("test_skipped_low", after, "test_low"), ("test_skipped_high", after, "test_high"),
    ):  # fmt: skip
        np.testing.assert_allclose(table[name], book.loc[table.index, column])
    assert got.decline["year"].tolist() == [0, 1]
    assert "DRAWDOWN2025" in set(got.sources["source_key"])
    lines = got.summary().splitlines()
    assert lines[0] == "Nothing applied in 2024"
    assert lines[1] == "  N     180 lb/ac not applied; soil does not store N, so that crop goes short"
    p = after.loc["P2O5"]
    assert lines[2] == (
        f"  P2O5  150 lb/ac not applied, saves 90.00 now; test ends at {p['test_ppm']:.0f} ppm "
        f"({p['test_low']:.0f} to {p['test_high']:.0f}) instead of {before.loc['P2O5', 'test_ppm']:.0f}"
    )
    assert skip_year(ROTATION, 2024, source="MSU2017").decline.empty
    assert (
        skip_year(ROTATION, 2024, source="MSU2017").summary().splitlines()[2]
        == "  P2O5  150 lb/ac not applied"
    )


@pytest.mark.parametrize(
    ("options", "column"),
    [
        ({"prices": {"N": -0.1}}, "N"),
        ({"prices": {"N": math.inf}}, "N"),
        ({"critical": {"P": -1.0}}, "P"),
        ({"interest_pct": -1.0}, "interest_pct"),
        ({"interest_pct": math.inf}, "interest_pct"),
        ({"test_sd_ppm": -1.0}, "test_sd_ppm"),
        ({"kept": (-0.1, 0.5)}, "kept"),
        ({"kept": (0.5, 1.1)}, "kept"),
        ({"kept": (0.6, 0.5)}, "kept"),
    ],
)
def test_options_that_cannot_be(options, column):
    with pytest.raises(InputError) as caught:
        carry_over(ROTATION, **options)
    assert [p.column for p in caught.value.problems] == [column]


def test_options_at_their_ends_are_taken():
    zero = carry_over(
        ROTATION, prices={"P2O5": 0.0}, start_tests={"P": 0.0}, kept=(0.0, 0.0), **{"critical": {"P": 0}}
    )
    assert (zero.table.loc[zero.table["nutrient"] == "P2O5", "cost"] == 0).all()
    carry_over(ROTATION, kept=(0.5, 0.5))
    carry_over(ROTATION, kept=(0.0, 1.0))
