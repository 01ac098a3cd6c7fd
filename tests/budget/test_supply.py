"""Supply against demand: arithmetic by hand on a season whose curve is a straight line."""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import season_demand, supply_gap
from fertkit.errors import InputError


@pytest.fixture(scope="module")
def demand():
    return season_demand("soybean", 80)


def gap(result, nutrient, delay):
    rows = result.gaps
    return rows[(rows["nutrient"] == nutrient) & (rows["delay"] == delay)].iloc[0]


def test_plenty_is_never_short(demand):
    result = supply_gap(demand, {"K2O": 2000})
    assert np.isnan(gap(result, "K2O", "shortest")["first_day"])
    assert "never short" in result.summary()


def test_nothing_is_short_by_the_whole_demand(demand):
    result = supply_gap(demand, {"K2O": 0})
    row = gap(result, "K2O", "longest")
    total = demand.totals.set_index("nutrient")["uptake"]["K2O"]
    assert row["gap_at_end"] == pytest.approx(total)
    # short as soon as a thousandth of the season is taken up
    taken = demand.table[demand.table["nutrient"] == "K2O"].set_index("day")["fraction"]
    assert row["first_day"] == taken.index[taken > 0.001][0]


def test_delay_moves_the_supply(demand):
    dressing = pd.DataFrame(
        {"nutrient": ["K2O"], "rate": [60.0], "day": [10], "delay_low_days": [0], "delay_high_days": [40]}
    )
    result = supply_gap(demand, {"K2O": 100}, dressing)
    rows = result.table.set_index("day")
    season = rows.index.max()
    assert rows.loc[9, "supply_early"] == pytest.approx(100 * 9 / season)
    assert rows.loc[10, "supply_early"] == pytest.approx(100 * 10 / season + 60)
    assert rows.loc[49, "supply_late"] == pytest.approx(100 * 49 / season)
    assert rows.loc[50, "supply_late"] == pytest.approx(100 * 50 / season + 60)
    assert gap(result, "K2O", "longest")["first_day"] <= gap(result, "K2O", "shortest")["first_day"]
    assert gap(result, "K2O", "longest")["largest_gap"] >= gap(result, "K2O", "shortest")["largest_gap"]


def test_first_day_has_a_span_from_the_spread_of_the_points(demand):
    # by hand: N is 40 % on R1-R2, about day 41.5; there the share is open to 4 x .4 x .6 x .05 = .048
    total = demand.totals.set_index("nutrient")["uptake"]["N"]
    rows = supply_gap(demand, {"N": 0}).table.set_index("day")
    half = (rows["demand_high"] - rows["demand_low"]) / 2 / total
    assert np.interp(41.5, half.index, half) == pytest.approx(0.048, abs=2e-4)
    assert half.iloc[[0, -1]].tolist() == pytest.approx([0, 0], abs=1e-12)
    assert (rows[["demand_low", "demand_high"]].diff().dropna() >= -1e-9).all(axis=None)
    result = supply_gap(demand, {"N": 200})
    row = gap(result, "N", "longest")
    assert row["first_day_from"] < row["first_day"] < row["first_day_to"]
    assert row["largest_gap_low"] < row["largest_gap"] < row["largest_gap_high"]
    assert row["interpolated"]
    assert f"(day {row['first_day_from']:.0f} to {row['first_day_to']:.0f}; interpolated)" in result.summary()


def test_a_span_may_reach_never(demand):
    # an even supply just above the hump of demand: only the highest demand the points allow crosses it
    total = demand.totals.set_index("nutrient")["uptake"]["N"]
    rows = demand.table[demand.table["nutrient"] == "N"].set_index("day")
    even = rows.index / rows.index.max()
    enough = total * (rows["fraction"] / even).max() * 1.001
    result = supply_gap(demand, {"N": enough})
    row = gap(result, "N", "shortest")
    assert np.isnan(row["first_day"])
    assert row["first_day_from"] > 0
    assert "short only at the highest demand, from day" in result.summary()
    less = gap(supply_gap(demand, {"N": enough * 0.97}), "N", "shortest")
    assert less["first_day"] > 0
    assert np.isnan(less["first_day_to"])
    assert np.isnan(gap(supply_gap(demand, {"N": total * 2}), "N", "shortest")["first_day_from"])


def test_own_points_are_exact_and_delays_told_once():
    own = pd.DataFrame({"nutrient": "N", "day": [40, 80, 120], "fraction": [0.4, 0.8, 1.0]})
    result = supply_gap(season_demand("wheat", 90, points=own), {"N": 20})
    row = gap(result, "N", "shortest")
    assert row["first_day_from"] == row["first_day"] == row["first_day_to"]
    assert len(result.distinct) == 1
    assert result.summary().count("short from") == 1
    assert "Spans" not in result.summary()


def test_before_planting_counts_from_emergence(demand):
    fall = pd.DataFrame({"nutrient": ["K2O"], "rate": [60.0], "day": [-150]})
    rows = supply_gap(demand, {}, fall).table
    assert (rows["supply_early"] == 60).all()


def test_dates_need_dates():
    days = pd.DataFrame({"date": pd.date_range("2024-05-15", periods=140), "tmax": 80.0, "tmin": 60.0})
    dated = season_demand("corn", 200, temperatures=days)
    when = pd.DataFrame({"nutrient": ["N"], "rate": [100.0], "date": ["2024-06-14"]})
    rows = supply_gap(dated, {"N": 0}, when).table.set_index("date")
    assert rows.loc["2024-06-13", "supply_early"] == 0
    assert rows.loc["2024-06-14", "supply_early"] == 100
    with pytest.raises(InputError, match="dates need a demand with temperatures"):
        supply_gap(season_demand("corn", 200), {"N": 0}, when)


def test_soil_supply_of_an_unfinished_season_comes_over_its_usual_days():
    """Corn is ripe 120 days after emergence (stage_scale): 60 days have brought half of the soil's supply."""
    days = pd.DataFrame({"date": pd.date_range("2026-05-10", periods=150), "tmax": 82.0, "tmin": 60.0})
    whole = supply_gap(season_demand("corn", 200, temperatures=days), {"N": 100})
    so_far = supply_gap(season_demand("corn", 200, temperatures=days.head(60)), {"N": 100})
    assert so_far.days == 120
    assert so_far.table["supply_early"].iloc[-1] == pytest.approx(50)
    assert gap(so_far, "N", "shortest")["first_day"] == gap(whole, "N", "shortest")["first_day"]
    assert "Temperatures end on day 60; soil supply is spread over 120 days." in so_far.summary()
    plenty = supply_gap(so_far.demand, {"N": 1000}).summary()
    assert "corn has not run short so far" in plenty


def test_dates_are_read_as_files_write_them():
    days = pd.DataFrame({"date": pd.date_range("2024-05-15", periods=140), "tmax": 80.0, "tmin": 60.0})
    dated = season_demand("corn", 200, temperatures=days)
    when = pd.DataFrame({"nutrient": ["N", "N"], "rate": [60.0, 40.0], "date": ["14.06.2024", "20.06.2024"]})
    rows = supply_gap(dated, {"N": 0}, when.set_index("nutrient")).table.set_index("date")["supply_early"]
    assert rows[["2024-06-13", "2024-06-14", "2024-06-20"]].tolist() == [0, 60, 100]
    with pytest.raises(InputError, match=r"row 2, column 'date', value '06/05/2024'.*order is unclear"):
        supply_gap(dated, {"N": 0}, when.assign(date="06/05/2024"))


@pytest.mark.parametrize("amount", ["60", [40, 80], (40, 80), True, None])
def test_a_supply_that_is_no_number_is_refused(demand, amount):
    with pytest.raises(InputError, match="not a usable supply; give 0 or more"):
        supply_gap(demand, {"K2O": amount})


def test_every_problem_at_once(demand):
    bad = pd.DataFrame(
        {
            "nutrient": ["K", "K2O", "K2O"],
            "rate": [50, -1, "x"],
            "day": [0, 1, 2],
            "delay_low_days": [0, 9, 0],
            "delay_high_days": [0, 3, 0],
        }
    )
    with pytest.raises(InputError) as caught:
        supply_gap(demand, {"K2O": 10}, bad)
    places = {(p.row, p.column) for p in caught.value.problems}
    assert places == {(2, "nutrient"), (3, "rate"), (4, "rate"), (3, "delay_low_days")}


@pytest.mark.parametrize("soil", [{"K": 100}, {"K2O": -5}, {"K2O": float("nan")}, {}])
def test_soil_supply_that_cannot_be(demand, soil):
    with pytest.raises(InputError, match="soil supply"):
        supply_gap(demand, soil)


@pytest.mark.parametrize(("share", "days", "interpolated"), [(0.398, (40, 40), False), (0.6, (50, 70), True)])
def test_a_day_is_interpolated_where_no_point_is_within_three_days(share, days, interpolated):
    # All of the supply is there from the first day, so that the first short day is the one on which uptake
    # passes it: day 40 for a little less than the 0.4 known on that day; between points for 0.6.
    own = pd.DataFrame({"nutrient": "N", "day": [40, 80, 120], "fraction": [0.4, 0.8, 1.0]})
    season = season_demand("wheat", 90, points=own)
    total = season.totals.set_index("nutrient")["uptake"]["N"]
    all_of_it = pd.DataFrame({"nutrient": ["N"], "rate": [share * total], "day": [0]})
    row = gap(supply_gap(season, {"N": 0}, all_of_it), "N", "shortest")
    assert days[0] <= row["first_day"] <= days[1]
    assert row["interpolated"] == interpolated
