"""At what moisture yields are stated, and how they come to trade moisture: dry matter is kept."""

import numpy as np
import pandas as pd
import pytest

from fertkit.intake import moisture
from fertkit.intake.strip_headers import Header
from fertkit.intake.strip_lines import Draft
from fertkit.reference import load_crops
from fertkit.reference.crops import trade_moisture_pct

CORN = 15.5  # trade moisture of corn [%] (U.S. grades)


def draft(cells, moisture=None, **harvest):
    """Strips as they are read, with one line a row, counted from 0."""
    yields = {"text": "Yield", "role": "yield", "unit": "t/ha"} | harvest
    headers = {"yield": (2, Header(**yields)), "stated": (3, Header("stated at")),
               "moisture": (1, moisture or Header("Moisture %", "moisture"))}  # fmt: skip
    frame = pd.DataFrame(cells, dtype=float)
    return Draft(frame, {}, headers, [], list(range(len(frame))))


def settled(cells, **header):
    """Moistures after settling, what was said, problems of the column and rows complained about."""
    strips = draft({"moisture": cells, "yield": np.nan}, Header("Moisture", "moisture", **header))
    said = moisture.settle_moisture(strips)
    column = [str(p) for p in strips.problems if p.row is None]
    rows = [(p.row, p.what) for p in strips.problems if p.row is not None]
    return strips.frame["moisture"].tolist(), said, column, rows


def test_moistures_in_percent_of_the_wet_weight():
    assert settled([14.0, 1.0, 99.9]) == ([14.0, 1.0, 99.9], "", [], [])
    _, _, problems, told = settled([0.0, 100.0, 0.99, 20.0])
    assert not problems
    assert [i for i, _ in told] == [1, 0, 2]
    assert "moisture of 100 % or more" in told[0][1]
    assert "no grain is harvested dry" in told[1][1]
    assert "look like fractions" in told[2][1]


def test_a_column_of_fractions_is_one_problem():
    _, _, problems, told = settled([0.14, 0.2, None])
    assert not told
    assert "moistures below 1 % look like fractions" in problems[0]
    assert "0.14 to 0.2" in problems[0]


def test_fractions_are_hundredths():
    values, said, problems, told = settled([0.14, 0.999], fraction=True)
    assert values == pytest.approx([14, 99.9])
    assert (said, problems, told) == ("a fraction, converted to percent", [], [])
    _, _, _, told = settled([1.0, 0.0, 0.5], fraction=True)
    assert [i for i, _ in told] == [0, 1]
    assert told[0][1] == "moisture of 1 or more"


def test_dry_basis_to_wet_basis():
    # 25 kg of water on 100 kg of dry matter are 20 % of the wet weight; on dry basis 0 and above 100 can be.
    values, said, problems, told = settled([25.0, 0.0, 150.0], dry_basis=True)
    assert values == pytest.approx([20, 0, 60])
    assert (problems, told) == ([], [])
    assert "dry basis" in said
    values, said, _, _ = settled([0.25], dry_basis=True, fraction=True)
    assert values == pytest.approx([20])
    assert said == "a fraction, converted to percent; dry basis, converted to percent of the wet weight"


@pytest.mark.parametrize(
    ("stated", "at_pct", "told"),
    [([14.0, 14.0, None], None, 14.0), ([14.0] * 3, 14.0, 14.0), ([0.0], None, 0.0), ([99.0], None, 99.0),
     ([14.0, 15.0], None, "stated moisture"), ([100.0], None, "stated moisture"),
      ([-1.0], None, "stated moisture"), ([None], None, "stated moisture"),
      ([14.0], 15.0, "by their header")],
)  # fmt: skip
def test_the_moisture_a_column_states(stated, at_pct, told):
    strips = draft({"stated": stated}, at_pct=at_pct)
    moisture.settle_stated(strips)
    at, harvest = strips.headers["yield"]
    assert at == 2
    if isinstance(told, float):
        assert strips.problems == []
        assert (harvest.at_pct, harvest.dry) == (told, True)
    else:
        assert told in str(strips.problems[0])
        assert len(strips.problems) == 1
        assert (harvest.at_pct, harvest.dry) == (at_pct, False)


def test_five_moistures_are_shown_as_four():
    strips = draft({"stated": [15.0, 14, 13, 12, 11]})
    moisture.settle_stated(strips)
    assert strips.problems[0].value == "11, 12, 13, 14"
    untouched = draft({"yield": [1.0]})
    moisture.settle_stated(untouched)
    assert untouched.headers == draft({}).headers
    assert untouched.problems == []


GIVEN = [
    # header of the yield, moistures beside it, crop -> trade moisture, None, or words of a problem
    ({}, True, "corn", CORN), ({}, False, "corn", None), ({}, False, "", None),
    ({}, True, "", "moistures but no crop"), ({"at_pct": 0.0, "dry": True}, False, "corn", CORN),
    ({"at_pct": 0.0, "dry": True}, True, "corn", "beside"),
    ({"at_pct": 0.0, "dry": True}, False, "", "dry matter but no crop"),
    ({"at_pct": 0.0, "dry": True, "unit": "bu/ac"}, False, "corn", "dry bushels"),
    ({"at_pct": 0.0, "dry": True, "unit": "bu/ac", "text": "Yield at 0 %"}, False, "corn", CORN),
    ({"at_pct": 14.0, "dry": True, "unit": "bu/ac"}, False, "corn", CORN),
    ({"at_pct": 14.0, "dry": True}, False, "", None),
    ({"at_pct": 14.0, "dry": True}, True, "corn", CORN),
    ({"dry": True}, True, "", None), ({"dry": True}, True, "corn", CORN), ({"dry": True}, False, "", None),
    ({}, True, "alfalfa", "give the standard moisture"),
    ({"at_pct": 0.0, "dry": True}, False, "alfalfa", None),
]  # fmt: skip


@pytest.mark.parametrize(("harvest", "moistures", "crop", "told"), GIVEN)
def test_the_moisture_yields_are_brought_to(harvest, moistures, crop, told):
    strips = draft({"yield": [9.0]} | ({"moisture": [20.0]} if moistures else {}), **harvest)
    found = moisture.standard_moisture(strips, crop)
    if isinstance(told, str):
        assert found is None
        assert told in str(strips.problems[0])
    else:
        assert (found, strips.problems) == (told, [])


def test_the_crop_is_not_asked_for_beside_other_problems():
    strips = draft({"moisture": [20.0]})
    strips.problems.append("another")
    assert moisture.standard_moisture(strips, "") is None
    assert strips.problems == ["another"]
    assert trade_moisture_pct("corn") == CORN


@pytest.mark.parametrize(
    ("harvest", "standard", "want", "said"),
    [
        # As harvested at 20 and 10 %: 9 t hold 7.2 t of dry matter, which are 7.2 / 0.845 at 15.5 %.
        ({}, CORN, [9 * 80 / 84.5, 9 * 90 / 84.5], "read as harvested and converted to 15.5 %"),
        ({"dry": True, "at_pct": 14.0}, CORN, [9 * 86 / 84.5] * 2, "brought from 14 % to 15.5 %"),
        (
            {"dry": True, "at_pct": 0.0},
            CORN,
            [9 / 0.845] * 2,
            "read as dry matter (0 % moisture), converted to",
        ),
        ({"dry": True, "at_pct": CORN}, CORN, [9, 9], "as stated; not adjusted"),
        ({"dry": True}, CORN, [9, 9], "at standard moisture, as stated"),
        ({}, None, [9, 9], "as in the file"),
        ({"dry": True, "at_pct": 0.0}, None, [9, 9], "trade moisture is unknown"),
        ({"dry": True, "at_pct": 14.0}, None, [9, 9], "at 14 % moisture"),
    ],
)
def test_yields_at_trade_moisture(harvest, standard, want, said):
    strips = draft({"yield": [9.0, 9.0], "moisture": [20.0, 10.0]}, **harvest)
    values, how = moisture.traded(strips.frame, strips.header("yield"), standard)
    assert values.tolist() == pytest.approx(want)
    assert said in how


def test_drying_is_said_where_it_was_done():
    moist, bare = {"moisture": [20.0]}, {"yield": [1.0]}
    said = moisture.dried(draft(moist), CORN)
    assert len(said) == 1
    assert "already at 15.5 % moisture need the header 'Yield (t/ha at 15.5 %)'" in said[0]
    left = moisture.dried(draft(bare, dry=True, at_pct=14.0), None)
    assert left == ["yields stay at 14 % moisture, as stated; the file names no crop"]
    assert moisture.dried(draft(bare, dry=True, at_pct=0.0), None) == []
    for cells, harvest, standard in ((moist, {}, None), (moist, {"dry": True}, CORN), (bare, {}, CORN)):
        assert moisture.dried(draft(cells, **harvest), standard) == []


def test_a_remembered_trade_moisture_says_so():
    for row in load_crops().query("moisture_source_key != ''").itertuples():
        key, mark = moisture.trade_source(row.crop)
        assert key == row.moisture_source_key
        assert (mark == "") == (row.moisture_provenance == "found")
        assert mark in ("", " (from memory)", " (mixed)", " (derived)")
