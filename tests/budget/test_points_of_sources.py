"""Points of the season from invented publications: placed, restated and chosen as worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import timing
from fertkit.budget.timing import code_of, own_points, season_conditions, stage_place, value_span
from fertkit.errors import InputError
from fertkit.reference import own as own_tables

SCALE = pd.DataFrame(
    {
        "stage": ["V6", "VT", "R1", "R5"],
        "days": [20.0, 50.0, 54.0, 90.0],
        "gdd_f": [400.0, 1100.0, 1200.0, 2000.0],
    }
)
NONE = SCALE.iloc[:0]
NAN = float("nan")
CUMULATIVE, INTERVAL = "cumulative_fraction", "interval_fraction"
TIMING = pd.DataFrame(
    [
        ("corn", CUMULATIVE, "K", "V6", "", "0.3", "FIRST"),
        ("corn", CUMULATIVE, "K", "VT/R1", "", "0.7", "SECOND"),
        ("corn", CUMULATIVE, "K2O", "R5", "", "1", "FIRST"),
        ("corn", INTERVAL, "N,K", "VT-R5", "", "0.20-0.40", "SECOND"),
        ("corn", CUMULATIVE, "N", "VT", "", "<0.6", "FIRST"),
        ("corn", CUMULATIVE, "N", "R1", "", "<= .65", "OTHER"),
        ("corn", CUMULATIVE, "N", "R5", "", "0.9", "SECOND"),
        ("corn", CUMULATIVE, "N", "flowering", "60-70", "0.8", "SECOND"),
        ("corn", CUMULATIVE, "S", "R1", "", "0.5", "OTHER"),
        ("corn", CUMULATIVE, "all", "V6", "", "<=0.11", "FIRST"),
        ("corn", CUMULATIVE, "P", "R9", "", "0.5", "FIRST"),
        ("corn", CUMULATIVE, "P", "R1", "", "half", "FIRST"),
        ("corn", "peak_rate", "P", "R1", "", "0.5", "FIRST"),
        ("soybean", CUMULATIVE, "P", "R1", "", "0.5", "FIRST"),
    ],
    columns=["crop", "kind", "nutrient", "stage", "days", "value", "source_key"],
).assign(provenance="found", days_from=["emergence"] * 14)
ORDER = pd.DataFrame(
    [("corn", "season", 2, "SECOND", ""), ("corn", "season", 1, "FIRST", "all,K,K2O,P,S"),
     ("corn", "needs", 1, "OTHER", ""), ("soybean", "season", 1, "OTHER", "")],
    columns=["crop", "use", "rank", "source_key", "nutrient"],
)  # fmt: skip


@pytest.mark.parametrize("crop", ["corn", "maize"])
def test_conditions_are_placed_and_the_first_source_of_each_nutrient_is_used(monkeypatch, crop):
    for module in (timing, own_tables):
        monkeypatch.setattr(module, "load_table", {"timing": TIMING, "default_sources": ORDER}.get)
    got = season_conditions(crop, SCALE)
    kept = ["nutrient", "form", "day_from", "day", "gdd_from", "gdd_f", "low", "high", "source_key", "used"]
    by_all = [[name, "bound", 0.0, 20.0, 0.0, 400.0, 0.0, 0.11, "FIRST", True] for name in ("K2O", "N", "S")]
    assert got[kept].fillna(-1).to_numpy().tolist() == [
        *by_all,
        ["K2O", "point", 0.0, 20.0, 0.0, 400.0, 0.3, 0.3, "FIRST", True],
        ["K2O", "point", 0.0, 52.0, 0.0, 1150.0, 0.7, 0.7, "SECOND", False],
        ["K2O", "point", 0.0, 90.0, 0.0, 2000.0, 1.0, 1.0, "FIRST", True],
        ["N", "interval", 50.0, 90.0, 1100.0, 2000.0, 0.2, 0.4, "SECOND", True],
        ["K2O", "interval", 50.0, 90.0, 1100.0, 2000.0, 0.2, 0.4, "SECOND", True],
        ["N", "bound", 0.0, 50.0, 0.0, 1100.0, 0.0, 0.6, "FIRST", False],  # not listed for N
        ["N", "bound", 0.0, 54.0, 0.0, 1200.0, 0.0, 0.65, "OTHER", False],
        ["N", "point", 0.0, 90.0, 0.0, 2000.0, 0.9, 0.9, "SECOND", True],
        ["N", "point", 0.0, 65.0, 0.0, -1, 0.8, 0.8, "SECOND", True],
        ["S", "point", 0.0, 54.0, 0.0, 1200.0, 0.5, 0.5, "OTHER", False],
    ]


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [("0.4", 0.4, 0.4), ("<=0.11", 0, 0.11), ("<0.50", 0, 0.5), (">0.50", 0.5, 1), ("0.20-0.40", 0.2, 0.4),
     ("nearly 1.0", NAN, NAN), ("2-3", 2, 3)],
)  # fmt: skip
def test_a_share_as_a_publication_writes_it(text, low, high):
    np.testing.assert_equal(value_span(text), (low, high))


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("R1", 54.0),
        ("VT-R1", 52.0),
        ("V6 to R5 (dent)", 55.0),
        ("R1-R2", 54.0),
        ("R2", NAN),
        ("silking", NAN),
    ],
)
def test_a_stage_as_a_publication_writes_it(text, day):
    np.testing.assert_equal(stage_place(text, SCALE), day)
    assert code_of(f"{text} (of the main stem)") == text.partition(" (")[0]


def test_own_points_by_day_or_stage():
    frame = pd.DataFrame({"nutrient": ["K", "N", "P2O5"], "fraction": [0.0, "0.5", 1.0]}, index=[5, 6, 7])
    by_day = own_points(frame.assign(day=[1, "20.5", 90]), NONE)
    assert by_day["day"].tolist() == [1.0, 20.5, 90.0]
    assert by_day["nutrient"].tolist() == ["K2O", "N", "P2O5"]
    assert by_day["low"].tolist() == by_day["high"].tolist() == [0.0, 0.5, 1.0]
    assert by_day["used"].all()
    assert set(by_day["form"]) == {"point"}
    by_stage = own_points(frame.assign(stage=["V6", "VT/R1", "R5"]), SCALE)
    assert by_stage["day"].tolist() == [20.0, 52.0, 90.0]
    both = own_points(frame.assign(stage=["V6", "", "R5"], day=[1, 2, 3]), SCALE)
    assert both["day"].tolist() == [1.0, 2.0, 3.0]
    assert both["stage"].tolist() == ["V6", "", "R5"]


@pytest.mark.parametrize(
    ("change", "scale", "told"),
    [
        ({"day": [0, 1, -1]}, NONE, [(2, "day"), (4, "day")]),
        ({"stage": ["V6", "R9", "R5"]}, SCALE, [(3, "stage")]), ({"stage": "V6"}, NONE, [(None, "day")]),
        ({}, SCALE, [(None, "day")]),
        ({"day": 1, "fraction": [-0.01, 1.01, 0.5]}, NONE, [(2, "fraction"), (3, "fraction")]),
        ({"day": ["", 2, 3], "fraction": [0.1, "x", 1]}, NONE, [(2, "day"), (3, "fraction")]),
    ],
)  # fmt: skip
def test_points_that_cannot_be_are_named_by_row(change, scale, told):
    frame = pd.DataFrame({"nutrient": ["K", "N", "P"], "fraction": [0.1, 0.2, 0.3]}).assign(**change)
    with pytest.raises(InputError) as refused:
        own_points(frame, scale)
    assert [(p.row, p.column) for p in refused.value.problems] == told
    with pytest.raises(InputError) as refused:
        own_points(frame.drop(columns=["nutrient", "fraction"]), scale)
    assert [p.column for p in refused.value.problems][:2] == ["nutrient", "fraction"]


def test_a_scale_of_stages_is_that_of_the_crop_or_the_users_own(monkeypatch):
    table = SCALE.assign(crop="soybean", source_key="MADE_UP", provenance="found", note="")
    table = pd.concat([table.assign(crop="corn", days=table["days"] + 1), table], ignore_index=True)
    monkeypatch.setattr(timing, "load_table", lambda name: {"stage_scale": table}[name])
    for crop, days in (("soybean", [20.0, 50.0, 54.0, 90.0]), ("maize", [21.0, 51.0, 55.0, 91.0])):
        got = timing.stage_scale(crop)
        assert list(got.columns) == ["stage", "days", "gdd_f", "source_key", "provenance"]
        assert got.index.tolist() == [0, 1, 2, 3]
        assert got["days"].tolist() == days
        assert got["gdd_f"].tolist() == [400.0, 1100.0, 1200.0, 2000.0]
    own = timing.stage_scale("wheat", {"R5": 80, "V6": "15", "VT": 80})
    assert list(own.columns) == ["stage", "days", "gdd_f", "source_key", "provenance"]
    assert own[["stage", "days"]].to_numpy().tolist() == [["V6", 15.0], ["R5", 80.0], ["VT", 80.0]]
    assert own["gdd_f"].isna().all()
    assert own.index.tolist() == [0, 1, 2]
    assert timing.stage_scale("wheat").empty
