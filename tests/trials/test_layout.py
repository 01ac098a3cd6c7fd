"""Layout of strip trials: what every plan has to keep, whatever is asked."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import LookupFailed, NotEstimable, UnitError
from fertkit.trials.application import application_geojson, application_table, area, write_application
from fertkit.trials.layout import plan_strips, sketch

MACHINES = {"header_width": 30, "applicator_width": 60, "strip_length": 1200}
RATES = [0, 50, 100, 150]


@settings(max_examples=40, deadline=None)
@given(
    rates=st.lists(st.integers(0, 300), min_size=2, max_size=8, unique=True), blocks=st.integers(1, 8),
    seed=st.integers(0, 2**32), header=st.floats(5, 50), applicator=st.floats(5, 120),
    buffer=st.floats(0, 20), borders=st.integers(0, 2), harvest_passes=st.integers(1, 3),
)  # fmt: skip
def test_every_block_holds_every_rate_once_and_no_strips_overlap(
    rates, blocks, seed, header, applicator, buffer, borders, harvest_passes
):
    asked = {
        "seed": seed, "blocks": blocks, "header_width": header, "applicator_width": applicator,
        "strip_length": 900, "buffer": buffer, "borders": borders, "harvest_passes": harvest_passes,
    }  # fmt: skip
    plan = plan_strips(rates, **asked)
    strips = plan.table[plan.table["kind"] == "strip"]
    assert all(sorted(group) == sorted(rates) for _, group in strips.groupby("block")["treatment"])
    assert (plan.table["left"].iloc[1:].to_numpy() >= plan.table["right"].iloc[:-1].to_numpy() - 1e-6).all()
    # Whole applicator passes, and the harvested part lies inside the strip.
    assert plan.strip_width == pytest.approx(plan.passes * applicator)
    assert (plan.table["harvest_left"] >= plan.table["left"] - 1e-6).all()
    assert (plan.table["harvest_right"] <= plan.table["right"] + 1e-6).all()
    assert plan.strip_width - applicator < harvest_passes * header or plan.passes == 1
    pd.testing.assert_frame_equal(plan.table, plan_strips(rates, **asked).table)


@pytest.mark.parametrize("size", [3, 4, 5, 6])
def test_latin_square(size):
    plan = plan_strips(range(size), seed=1, design="latin", **MACHINES)
    strips = plan.table[plan.table["kind"] == "strip"]
    for group in ("block", "column"):
        assert all(sorted(g) == list(range(size)) for _, g in strips.groupby(group)["treatment"])


def test_every_order_is_as_likely():
    # 2400 blocks, six orders: chi-square on 5 degrees of freedom, upper 0.1 % point 20.515 (printed tables).
    blocks = plan_strips([1, 2, 3], seed=5, blocks=2400, borders=0, **MACHINES).table.groupby("block")
    counts = blocks["treatment"].agg(tuple).value_counts()
    assert len(counts) == 6
    assert ((counts - 400) ** 2 / 400).sum() < 20.515


def test_ladder_steps_up_and_down_and_says_it_is_no_lottery():
    plan = plan_strips(RATES, seed=1, blocks=2, design="ladder", borders=0, **MACHINES)
    assert plan.table["treatment"].tolist() == [0, 50, 100, 150, 150, 100, 50, 0]
    assert "do not test differences" in plan.summary()


def test_summary_prints_seed_sketch_and_caution():
    plan = plan_strips(RATES, seed=4711, **MACHINES)
    text = plan.summary()
    assert "seed 4711" in text
    assert sketch(plan) in text
    assert "local rules" in text
    assert sketch(plan).count("|") == 5


def test_strip_length_advice_is_cited():
    # STEEP on-farm testing guide 1994: 300 ft strips have worked, 750 ft or longer are more reliable.
    short = plan_strips(RATES, seed=1, **MACHINES | {"strip_length": 400})
    check = short.checks.set_index("check").loc["strip length"]
    assert not check["passed"]
    assert check["value"] == 400
    assert "300 ft have worked, 750 ft" in check["meaning"]
    assert "STEEP1994" in set(short.sources["source_key"])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"design": "pairs"}, "pairs hold two"),
        ({"treatments": [0, 0, 50]}, "each once"),
        ({"treatments": [0, 50], "design": "latin"}, "no error left"),
        ({"blocks": 0}, "blocks has to be a whole number of 1 or more, not 0"),
        ({"blocks": 2.5}, "blocks has to be a whole number"),
        ({"seed": None}, "seed has to be a whole number"),
        ({"borders": -1}, "borders has to be a whole number of 0 or more"),
        ({"harvest_passes": 0}, "harvest_passes has to be a whole number of 1 or more"),
        ({"header_width": np.nan}, "header_width has to be positive, not nan"),
        ({"strip_length": 0}, "strip_length has to be positive"),
        ({"field_width": np.nan}, "field_width has to be positive"),
        ({"buffer": -30}, "buffer has to be zero or more"),
        ({"buffer": -30, "borders": -1}, "borders .*; buffer"),
        ({"treatments": [0, -50, 100]}, "zero or more, not -50 lb/ac"),
        ({"treatments": [0, np.nan, 100]}, "zero or more, not nan"),
        ({"field_width": 800}, "needs 1080 ft across, the field has 800 ft; 2 block"),
        ({"field_width": 100}, "0 block"),
    ],
)
def test_impossible_plans_say_what_would_do(options, said):
    with pytest.raises(NotEstimable, match=said):
        plan_strips(**({"treatments": RATES, "seed": 1} | MACHINES | options))


def test_borders_stand_in_every_tier_of_a_latin_square():
    plan = plan_strips([0, 50, 100], seed=1, design="latin", borders=2, **MACHINES)
    tiers = sketch(plan).splitlines()
    assert [tier.count("·") for tier in tiers] == [4, 4, 4]
    assert len({len(tier) for tier in tiers}) == 1


def test_unknown_words():
    with pytest.raises(UnitError, match="unknown unit 'lbs'"):
        plan_strips(RATES, seed=1, unit="lbs", **MACHINES)
    with pytest.raises(LookupFailed, match="unknown design"):
        plan_strips(RATES, seed=1, design="spiral", **MACHINES)
    with pytest.raises(LookupFailed, match="unknown unit of width"):
        plan_strips(RATES, seed=1, width_unit="rods", **MACHINES)


# ---- application file


def field(width, depth, turned=20.0, lon=-93.0, lat=44.0):
    """Rectangle of a size [m] as (longitude, latitude); a degree is 111,195 m on a sphere of 6,371.0 km."""
    degree = 6_371_008.8 * np.pi / 180
    angle = np.radians(turned)
    corners = np.array([(0, 0), (width, 0), (width, depth), (0, depth)]) - [width / 2, depth / 2]
    x = corners @ [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]
    return x / [degree * np.cos(np.radians(lat)), degree] + [lon, lat]


def test_csv_application_file(tmp_path):
    plan = plan_strips(RATES, seed=3, **MACHINES)
    path = write_application(plan, tmp_path / "apply.csv")
    table = pd.read_csv(path)
    assert table["rate_lb_ac"].tolist() == plan.table["treatment"].tolist()
    assert {"from_ft", "to_ft", "passes", "seed"} <= set(table)
    assert not list(application_table(plan).filter(like="treatment"))


def test_geojson_covers_the_planned_area(tmp_path):
    plan = plan_strips(RATES, seed=3, **MACHINES)
    path = write_application(plan, tmp_path / "apply.geojson", boundary=field(420, 380))
    shapes = json.loads(path.read_text())["features"]
    assert len(shapes) == 18
    # 1080 x 1200 ft are 29.7521 ac (43,560 sq ft an acre), 12.0402 ha.
    assert sum(s["properties"]["area_ha"] for s in shapes) == pytest.approx(
        1080 * 1200 / 43560 * 0.40468564224, rel=1e-4
    )
    ring = shapes[0]["geometry"]["coordinates"][0]
    assert ring[0] == ring[-1]
    assert all(-93.1 < lon < -92.9 and 43.9 < lat < 44.1 for lon, lat in ring)


def test_strips_are_cut_at_a_slanting_boundary():
    # A right triangle of 400 x 400 m: whatever lies inside is half the square at most.
    plan = plan_strips([0, 50], seed=3, blocks=1, borders=0, header_width=9, applicator_width=9,
                       strip_length=2000, width_unit="m")  # fmt: skip
    corners = field(400, 400, turned=0)[[0, 1, 3]]
    shapes = application_geojson(plan, {"type": "Polygon", "coordinates": [corners.tolist()]})["features"]
    # The hypotenuse (565.7 m) is the longest side; strips 9 m wide are cut at 45 degrees at both ends.
    sizes = [s["properties"]["area_ha"] * 1e4 for s in shapes]
    length = 400 * np.sqrt(2)
    assert sizes == pytest.approx([9 * (length - 9), 9 * (length - 27)], rel=1e-3)


def test_area_of_a_known_polygon():
    assert area([(0, 0), (4, 0), (4, 3)]) == 6


@pytest.mark.parametrize(
    ("boundary", "path", "error", "said"),
    [
        (None, "a.geojson", LookupFailed, "needs the field"),
        (None, "a.shp", LookupFailed, "unknown ending"),
        (field(420, 200), "a.geojson", NotEstimable, "across its longest side"),
        ([(0, 0), (1, 1)], "a.geojson", LookupFailed, "three or more corners"),
        ([(500000, 4.8e6), (500400, 4.8e6), (500400, 4.9e6)], "a.geojson", LookupFailed, "in degrees"),
        ({"type": "Point", "coordinates": [0, 0]}, "a.geojson", LookupFailed, "is a Point"),
    ],
)
def test_bad_application_requests(tmp_path, boundary, path, error, said):
    with pytest.raises(error, match=said):
        write_application(plan_strips(RATES, seed=3, **MACHINES), tmp_path / path, boundary=boundary)
    assert not (tmp_path / path).exists()


def test_strip_one_lies_to_the_left_of_the_way_it_is_driven():
    plan = plan_strips([0, 50, 100], seed=11, blocks=3, design="latin", unit="kg/ha", header_width=6,
                       applicator_width=12, strip_length=60, width_unit="m")  # fmt: skip
    corners = np.array([[0, 0], [380, 0], [380, 400], [0, 400]], dtype=float)
    for angle in (0, 0.7, 2.0, 4.1):  # the field turned in any way
        c, s = np.cos(angle), np.sin(angle)
        x, y = (corners @ np.array([[c, s], [-s, c]])).T
        degree = 6_371_008.8 * np.pi / 180
        ring = np.column_stack([11.3 + x / (degree * np.cos(np.radians(52.1))), 52.1 + y / degree])
        shapes = application_geojson(plan, ring)["features"]
        way = np.radians(shapes[0]["properties"]["driven_deg"])
        ahead, right = np.array([np.sin(way), np.cos(way)]), np.array([np.cos(way), -np.sin(way)])
        for shape in shapes:
            said = shape["properties"]
            assert "counted from the left" in said["counted"]
            lon, lat = np.array(shape["geometry"]["coordinates"][0][:-1]).T
            place = np.column_stack([(lon - 11.3) * degree * np.cos(np.radians(52.1)), (lat - 52.1) * degree])
            said["across"], said["along"] = (place @ right).mean(), (place @ ahead).mean()
        for kind, one, other in (("across", "from_m", "to_m"), ("along", "start_m", "end_m")):
            there = np.array([f["properties"][kind] for f in shapes])
            planned = np.array([(f["properties"][one] + f["properties"][other]) / 2 for f in shapes])
            assert np.ptp(there - planned) < 0.1  # the same order and distances, from the left and near end


def test_words_of_the_way_driven():
    plan = plan_strips([0, 50], seed=1, blocks=2, header_width=6, applicator_width=6, strip_length=200,
                       width_unit="m")  # fmt: skip
    # Longest side in the east: driven to the south the east lies to the left.
    first = application_geojson(plan, field(200, 400, turned=0))["features"][0]["properties"]
    assert (first["driven"], first["driven_deg"]) == ("towards the south", 180.0)
    assert "counted from the left" in plan.summary()
    assert application_table(plan)["counted"].str.contains("from the left").all()


def test_a_metric_plan_speaks_metres():
    plan = plan_strips([0, 50], seed=1, blocks=4, header_width=6, applicator_width=12, strip_length=100,
                       width_unit="m")  # fmt: skip
    check = plan.checks.set_index("check").loc["strip length"]
    # 300 and 750 ft of the STEEP guide are 91 and 229 m.
    assert "91 m have worked, 229 m" in check["meaning"]
    assert (check["value"], check["limit"][:8]) == (100, ">= 229 m")
    assert " ft" not in plan.summary()
    assert "bu/ac" not in plan.summary()
    assert "(1 applicator pass)" in plan.summary()
