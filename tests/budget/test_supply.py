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
    assert row["first_day"] <= 3


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
    with pytest.raises(InputError, match="dates need a demand made with temperatures"):
        supply_gap(season_demand("corn", 200), {"N": 0}, when)


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
