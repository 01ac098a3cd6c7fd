"""Points of the season from invented publications: placed, restated and chosen as worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import timing
from fertkit.budget.timing import code_of, own_points, published_points, stage_place
from fertkit.errors import InputError, NotEstimable

SCALE = pd.DataFrame(
    {
        "stage": ["V6", "VT", "R1", "R5"],
        "days": [20.0, 50.0, 54.0, 90.0],
        "gdd_f": [400.0, 1100.0, 1200.0, 2000.0],
    }
)
NAN = float("nan")
TIMING = pd.DataFrame(
    [
        ("corn", "cumulative_fraction", "K", "V6", "0.3", "FIRST"),
        ("corn", "cumulative_fraction", "K", "VT/R1", "0.7", "SECOND"),
        ("corn", "cumulative_fraction", "K2O", "R5", "1", "FIRST"),
        ("corn", "cumulative_fraction", "N", "VT", "<0.6", "FIRST"),
        ("corn", "cumulative_fraction", "N", "R1", "<= .65", "OTHER"),
        ("corn", "cumulative_fraction", "N", "R5", "0.9", "SECOND"),
        ("corn", "cumulative_fraction", "S", "R1", "0.5", "OTHER"),
        ("corn", "cumulative_fraction", "all", "R1", "0.5", "FIRST"),
        ("corn", "cumulative_fraction", "P", "R9", "0.5", "FIRST"),
        ("corn", "cumulative_fraction", "P", "R1", "half", "FIRST"),
        ("corn", "peak_rate", "P", "R1", "0.5", "FIRST"),
        ("soybean", "cumulative_fraction", "P", "R1", "0.5", "FIRST"),
    ],
    columns=["crop", "kind", "nutrient", "stage", "value", "source_key"],
).assign(provenance="found")
ORDER = pd.DataFrame(
    [("corn", "season", 2, "SECOND"), ("corn", "season", 1, "FIRST"), ("corn", "needs", 1, "OTHER"),
     ("soybean", "season", 1, "OTHER")],
    columns=["crop", "use", "rank", "source_key"],
)  # fmt: skip


@pytest.mark.parametrize("crop", ["corn", "maize"])
def test_points_are_placed_and_the_first_source_of_each_nutrient_is_used(monkeypatch, crop):
    monkeypatch.setattr(timing, "load_table", lambda name: {"timing": TIMING, "default_sources": ORDER}[name])
    got = published_points(crop, SCALE)
    kept = ["nutrient", "stage", "day", "gdd_f", "fraction", "bound", "source_key", "used"]
    assert got[kept].to_numpy().tolist() == [
        ["K2O", "V6", 20.0, 400.0, 0.3, False, "FIRST", True],
        ["K2O", "VT/R1", 52.0, 1150.0, 0.7, False, "SECOND", False],
        ["K2O", "R5", 90.0, 2000.0, 1.0, False, "FIRST", True],
        ["N", "VT", 50.0, 1100.0, 0.6, True, "FIRST", False],
        ["N", "R1", 54.0, 1200.0, 0.65, True, "OTHER", False],
        ["N", "R5", 90.0, 2000.0, 0.9, False, "SECOND", True],
        ["S", "R1", 54.0, 1200.0, 0.5, False, "OTHER", False],
        ["all", "R1", 54.0, 1200.0, 0.5, False, "FIRST", False],
    ]


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
    by_day = own_points(frame.assign(day=[1, "20.5", 90]), None)
    assert by_day["day"].tolist() == [1.0, 20.5, 90.0]
    assert by_day["nutrient"].tolist() == ["K2O", "N", "P2O5"]
    assert by_day["fraction"].tolist() == [0.0, 0.5, 1.0]
    assert by_day["used"].all()
    assert not by_day["bound"].any()
    by_stage = own_points(frame.assign(stage=["V6", "VT/R1", "R5"]), SCALE)
    assert by_stage["day"].tolist() == [20.0, 52.0, 90.0]
    both = own_points(frame.assign(stage=["V6", "", "R5"], day=[1, 2, 3]), SCALE)
    assert both["day"].tolist() == [1.0, 2.0, 3.0]
    assert both["stage"].tolist() == ["V6", "", "R5"]


@pytest.mark.parametrize(
    ("change", "scale", "told"),
    [
        ({"day": [0, 1, -1]}, None, [(2, "day"), (4, "day")]),
        ({"stage": ["V6", "R9", "R5"]}, SCALE, [(3, "stage")]), ({"stage": "V6"}, None, [(None, "day")]),
        ({}, SCALE, [(None, "day")]),
        ({"day": 1, "fraction": [-0.01, 1.01, 0.5]}, None, [(2, "fraction"), (3, "fraction")]),
        ({"day": ["", 2, 3], "fraction": [0.1, "x", 1]}, None, [(2, "day"), (3, "fraction")]),
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
    with pytest.raises(NotEstimable, match="there are for corn, soybean"):
        timing.stage_scale("wheat")
