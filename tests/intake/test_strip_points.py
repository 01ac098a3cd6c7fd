"""Harvest points and parts of strips never pass for strips, from a file or a table."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_strips
from fertkit.intake.strip_checks import coordinates, why_no_strips
from fertkit.response import analyse_response, fit_response, optima_of_trials
from fertkit.trials import analyse_strips

LOG = Path(__file__).parents[1] / "reference" / "response" / "gartner_corn_yieldmonitor.csv"
PRICES = {"nutrient_price": 0.5, "grain_price": 4.5}


@pytest.fixture(scope="module")
def points():
    """A real log of a combine (corn, Minnesota 2011), its ground laid out as four blocks of four rates."""
    log = pd.read_csv(LOG)
    log = log[(log["mass"] > 5) & (log["dist"] > 60)]
    # bu/ac = lb/s x s / 56 over width 360 in x distance in / 6,272,640 in2 per acre
    crop = log["mass"] * log["seconds"] / 56 / (360 * log["dist"] / 6_272_640)
    band = pd.qcut(log["long"].rank(method="first"), 16, labels=False)
    table = pd.DataFrame({"block": band // 4 + 1, "rate_lb_ac": 60.0 * ((band + band // 4) % 4),
                          "yield_bu_ac": crop, "lon": log["long"], "lat": log["lat"]})  # fmt: skip
    return table[table["yield_bu_ac"].between(20, 400)].reset_index(drop=True)


@pytest.mark.parametrize("dropped", [[], ["lon", "lat"], ["block"]])
def test_points_are_sent_to_strip_means(points, dropped):
    table = points.drop(columns=dropped)
    with pytest.raises(InputError, match="strip_means"):
        analyse_strips(table)
    for ask in (lambda t: analyse_response(t, **PRICES), fit_response):
        with pytest.raises(InputError, match="harvest points"):
            ask(table)
    with pytest.raises(InputError, match="strip_means"):
        optima_of_trials(table.assign(trial="A"), "trial", 0.1)


def test_a_number_for_each_point_makes_it_no_strip(points):
    numbered = points.assign(strip=range(len(points)))
    with pytest.raises(InputError, match="harvest points"):
        analyse_strips(numbered)
    with pytest.raises(InputError, match="harvest points"):
        read_strips(numbered, name="points.csv")


@pytest.mark.parametrize("dropped", [[], ["lon", "lat"], ["block"]])
def test_a_file_of_points_is_refused(points, dropped):
    with pytest.raises(InputError, match=r"strip_means"):
        read_strips(points.drop(columns=dropped), name="points.csv")


def test_as_many_parts_of_every_strip_are_averaged(points):
    few = points.groupby(["block", "rate_lb_ac"]).head(10).drop(columns=["lon", "lat"])
    trial = read_strips(few, name="parts.csv")
    assert len(trial.table) == 16
    assert any("averaged" in note for note in trial.notes)
    by_hand = few.groupby(["block", "rate_lb_ac"])["yield_bu_ac"].mean()
    found = trial.table.set_index(["block", "rate_lb_ac"])["yield_bu_ac"]
    assert found.sort_index().tolist() == pytest.approx(by_hand.sort_index().tolist())
    assert analyse_strips(trial).error_df == 9  # (4 - 1) x (4 - 1)


def test_parts_of_strips_in_a_table_are_not_replicates():
    home = Path(__file__).parents[1] / "cases" / "strips" / "two_rows_a_rate.csv"
    table = pd.read_csv(home)
    table.columns = ["block", "rate_lb_ac", "yield_bu_ac", *table.columns[3:]]
    with pytest.raises(InputError, match="parts of strips"):
        analyse_strips(table)
    with pytest.raises(InputError, match="parts of strips"):
        analyse_response(table, **PRICES)


def test_ordinary_trials_with_coordinates_pass():
    block, rate = np.repeat([1, 2, 3, 4], 5), np.tile([0.0, 50, 100, 150, 200], 4)
    table = pd.DataFrame({"block": block, "rate_lb_ac": rate, "yield_bu_ac": 100 + rate / 4 + block,
                          "lon": -93 + np.arange(20) / 1e3, "lat": 44.0})  # fmt: skip
    assert why_no_strips(table, "rate_lb_ac", ["block"]) == ""
    assert why_no_strips(table.drop(columns="block"), "rate_lb_ac", []) == ""
    doubled = pd.concat([table, table]).assign(
        strip=range(40)
    )  # two strips of each rate in a block, numbered
    assert why_no_strips(doubled, "rate_lb_ac", ["block"]) == ""


def test_coordinates_by_name():
    both = {"x": [1.0], "y": [2.0]}
    assert coordinates(pd.DataFrame(both)) == ["x", "y"]
    assert coordinates(pd.DataFrame(both), used=("x", "y")) == []  # rate and yield
    assert coordinates(pd.DataFrame({"Easting_m": [1.0], "Northing_m": [1.0]})) == ["Easting_m", "Northing_m"]
    assert coordinates(pd.DataFrame({"lon": [1.0]})) == []
