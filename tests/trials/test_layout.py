"""Layout of strip trials: what every plan has to keep, whatever is asked."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.path import Path

from fertkit.errors import InputError, LookupFailed, NotEstimable, UnitError
from fertkit.say.trials import sketch
from fertkit.trials.application import (
    application_geojson,
    application_table,
    area,
    guidance_geojson,
)
from fertkit.trials.layout import draw_latin, plan_strips

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
    assert "\n".join(sketch(plan)) in text
    assert "local rules" in text
    assert "".join(sketch(plan)).count("|") == 5


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
        ({"design": "pairs"}, "pairs need two"),
        ({"treatments": [0, 0, 50]}, "give each treatment once"),
        ({"treatments": [0, 50], "design": "latin"}, "leaves no error"),
        ({"treatments": [0, -50, 100]}, "zero or more, not -50 lb/ac"),
        ({"treatments": [0, np.nan, 100]}, "zero or more, not nan"),
        ({"field_width": 800}, "needs 1080 ft across, the field has 800 ft; 2 block"),
        ({"field_width": 100}, "use fewer treatments or borders"),
    ],
)
def test_impossible_plans_say_what_would_do(options, said):
    with pytest.raises(NotEstimable, match=said):
        plan_strips(**({"treatments": RATES, "seed": 1} | MACHINES | options))


@pytest.mark.parametrize("options", [
    {"blocks": 0}, {"blocks": 2.5}, {"seed": None}, {"borders": -1}, {"harvest_passes": 0},
    {"header_width": np.nan}, {"strip_length": 0}, {"field_width": np.nan}, {"buffer": -30},
    {"borders": -1, "buffer": -30},
])  # fmt: skip
def test_numbers_that_cannot_be_are_refused_by_name(options):
    with pytest.raises(InputError) as caught:
        plan_strips(**({"treatments": RATES, "seed": 1} | MACHINES | options))
    assert [problem.column for problem in caught.value.problems] == sorted(options, reverse=True)


def test_borders_stand_in_every_tier_of_a_latin_square():
    plan = plan_strips([0, 50, 100], seed=1, design="latin", borders=2, **MACHINES)
    tiers = sketch(plan)
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


def metres_of_degree(lat):
    """Metres of a degree of longitude and latitude by the series for WGS 84 (from memory)."""
    phi = np.radians(lat)
    return np.array([
        111_412.84 * np.cos(phi) - 93.5 * np.cos(3 * phi) + 0.118 * np.cos(5 * phi),
        111_132.92 - 559.82 * np.cos(2 * phi) + 1.175 * np.cos(4 * phi) - 0.0023 * np.cos(6 * phi),
    ])  # fmt: skip


def field(width, depth, turned=20.0, lon=-93.0, lat=44.0):
    """Rectangle of a size [m] as (longitude, latitude)."""
    angle = np.radians(turned)
    corners = np.array([(0, 0), (width, 0), (width, depth), (0, depth)]) - [width / 2, depth / 2]
    x = corners @ [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]
    return x / metres_of_degree(lat) + [lon, lat]


def test_table_of_an_application():
    plan = plan_strips(RATES, seed=3, **MACHINES)
    table = application_table(plan)
    assert table["rate_lb_ac"].tolist() == plan.table["treatment"].tolist()
    assert {"from_ft", "to_ft", "passes", "seed"} <= set(table)
    assert not list(table.filter(like="treatment"))


def test_geojson_covers_the_planned_area():
    plan = plan_strips(RATES, seed=3, **MACHINES)
    shapes = json.loads(json.dumps(application_geojson(plan, field(420, 380))))["features"]
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
    ("boundary", "error", "said"),
    [
        (field(420, 200), NotEstimable, "across its longest side"),
        ([(0, 0), (1, 1)], LookupFailed, "three or more corners"),
        ([(500000, 4.8e6), (500400, 4.8e6), (500400, 4.9e6)], LookupFailed, "in degrees"),
        ({"type": "Point", "coordinates": [0, 0]}, LookupFailed, "is a Point"),
    ],
)
def test_bad_application_requests(boundary, error, said):
    with pytest.raises(error, match=said):
        application_geojson(plan_strips(RATES, seed=3, **MACHINES), boundary)


def test_strip_one_lies_to_the_left_of_the_way_it_is_driven():
    plan = plan_strips([0, 50, 100], seed=11, blocks=3, design="latin", unit="kg/ha", header_width=6,
                       applicator_width=12, strip_length=60, width_unit="m")  # fmt: skip
    corners = np.array([[0, 0], [380, 0], [380, 400], [0, 400]], dtype=float)
    for angle in (0, 0.7, 2.0, 4.1):  # the field turned in any way
        c, s = np.cos(angle), np.sin(angle)
        x, y = (corners @ np.array([[c, s], [-s, c]])).T
        degree = metres_of_degree(52.1)
        ring = np.column_stack([x, y]) / degree + [11.3, 52.1]
        shapes = application_geojson(plan, ring)["features"]
        way = np.radians(shapes[0]["properties"]["driven_deg"])
        ahead, right = np.array([np.sin(way), np.cos(way)]), np.array([np.cos(way), -np.sin(way)])
        for shape in shapes:
            said = shape["properties"]
            assert "counted from the left" in said["counted"]
            lon, lat = np.array(shape["geometry"]["coordinates"][0][:-1]).T
            place = np.column_stack([lon - 11.3, lat - 52.1]) * degree
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


# ---- every rectangle by arithmetic


def rectangles(blocks, treatments, design, width, length, buffer, borders):
    """(left, start, end, block, slot) of strips, (left, start, end) of borders, width and length."""
    if design == "latin":
        inner = [((borders + i) * width, b * (length + buffer), b * (length + buffer) + length, b + 1, i)
                 for i in range(treatments) for b in range(treatments)]  # fmt: skip
    else:
        inner = [(borders * width + b * (treatments * width + buffer) + i * width, 0, length, b + 1, i)
                 for b in range(blocks) for i in range(treatments)]  # fmt: skip
    right = max(left for left, *_ in inner) + width
    top = max(end for _, _, end, *_ in inner)
    outer = [(i * width, 0, top) for i in range(borders)] + [
        (right + i * width, 0, top) for i in range(borders)
    ]
    return inner, outer, right + borders * width, top


@pytest.mark.parametrize("design", ["blocks", "pairs", "latin", "ladder"])
@pytest.mark.parametrize(("borders", "buffer"), [(0, 0), (1, 0), (2, 7.5), (0, 3)])
def test_every_strip_lies_where_arithmetic_puts_it(design, borders, buffer):
    rates = [40, 0] if design == "pairs" else [40, 0, 90]
    plan = plan_strips(rates, seed=3, design=design, blocks=5, header_width=8, harvest_passes=2,
                       applicator_width=6, strip_length=200, buffer=buffer, borders=borders)  # fmt: skip
    # Two passes of 8 ft take three of 6 ft: strips of 18 ft, 16 ft harvested, 1 ft left at each side.
    assert (plan.passes, plan.strip_width, plan.harvest_width) == (3, 18, 16)
    assert any("leave 1 ft at each side" in note for note in plan.notes)
    inner, outer, wide, top = rectangles(5, len(rates), design, 18, 200, buffer, borders)
    assert plan.blocks == (3 if design == "latin" else 5)
    assert (plan.width, plan.length) == (wide, top)
    strips = plan.table[plan.table["kind"] == "strip"]
    got = strips[["left", "start", "end", "block"]].to_numpy(float).tolist()
    assert got == [list(map(float, row[:4])) for row in inner]
    assert strips["strip"].tolist() == list(range(1, len(inner) + 1))
    edges = plan.table[plan.table["kind"] == "border"]
    assert edges[["left", "start", "end"]].to_numpy(float).tolist() == [list(map(float, r)) for r in outer]
    assert edges["treatment"].eq(40).all()
    assert edges[["block", "strip"]].isna().all(axis=None)
    table = plan.table
    assert (table["right"] - table["left"]).eq(18).all()
    assert (table["harvest_left"] - table["left"]).eq(1).all()
    assert (table["right"] - table["harvest_right"]).eq(1).all()
    assert table["position"].tolist() == [
        sorted(set(table["left"])).index(left) + 1 for left in table["left"]
    ]
    assert ("column" in table) == (design == "latin")
    if design == "latin":
        assert strips["column"].tolist() == [slot + 1 for *_, slot in inner]
        assert edges["column"].isna().all()


def test_a_latin_square_is_any_of_the_twelve():
    # Order 3 has 12 Latin squares (Fisher & Yates tables); chi-square on 11 df, upper 0.1 % point 31.264.
    rng = np.random.default_rng(1)
    drawn = [str(draw_latin((1, 2, 3), rng)) for _ in range(1200)]
    counts = np.unique(drawn, return_counts=True)[1]
    assert len(counts) == 12
    assert ((counts - 100) ** 2 / 100).sum() < 31.264


def test_a_ladder_of_names_keeps_their_order():
    plan = plan_strips(["b", "a", "c"], seed=1, blocks=3, design="ladder", borders=0, **MACHINES)
    assert "".join(plan.table["treatment"]) == "baccabbac"
    mixed = plan_strips(["b", 7, 3], seed=1, blocks=1, design="ladder", borders=0, **MACHINES)
    assert mixed.table["treatment"].tolist() == ["b", 7, 3]
    assert any("order is not random" in note for note in plan.notes)
    drawn = plan_strips(["b", "a"], seed=1, **MACHINES)
    assert not any("order is not random" in note for note in drawn.notes)


@pytest.mark.parametrize(("header", "applicator", "passes", "harvested"), [
    (0.1, 0.3, 1, 0.3), (30, 30, 3, 90), (30, 29, 4, 90), (30, 90, 1, 90),
])  # fmt: skip
def test_whole_passes_cover_what_is_harvested(header, applicator, passes, harvested):
    # 0.1 x 3 is 0.30000000000000004 in binary, and one pass of 0.3 all the same.
    plan = plan_strips([0, 50], seed=1, header_width=header, applicator_width=applicator, harvest_passes=3,
                       strip_length=800)  # fmt: skip
    assert plan.passes == passes
    assert plan.harvest_width == pytest.approx(harvested)
    assert any("whole strip is harvested" in n for n in plan.notes) == (
        passes * applicator - harvested < 1e-9
    )


@pytest.mark.parametrize(("borders", "buffer"), [(0, 0), (1, 10), (2, 45)])
@pytest.mark.parametrize("field_width", [100, 360, 700, 1000])
def test_as_many_blocks_as_fit(borders, buffer, field_width):
    def needs(blocks):
        return 2 * borders * 60 + blocks * 3 * 60 + (blocks - 1) * buffer

    asked = MACHINES | {"buffer": buffer, "borders": borders}
    most = max([b for b in range(1, 9) if needs(b) <= field_width], default=0)
    remedy = f"{most} block" if most else "use fewer treatments"
    with pytest.raises(NotEstimable, match=rf"{needs(most + 1)} ft across, the field has .*; {remedy}"):
        plan_strips([0, 50, 100], seed=1, blocks=most + 1, field_width=field_width, **asked)
    if most:
        plan = plan_strips([0, 50, 100], seed=1, blocks=most, field_width=needs(most), **asked)
        assert plan.width == needs(most)
        with pytest.raises(NotEstimable, match="across"):
            plan_strips([0, 50, 100], seed=1, blocks=most, field_width=needs(most) - 0.5, **asked)


def test_a_latin_square_too_wide_names_no_blocks():
    with pytest.raises(NotEstimable, match="fewer treatments or narrower strips"):
        plan_strips([0, 50, 100], seed=1, design="latin", field_width=100, **MACHINES)


@pytest.mark.parametrize(
    ("options", "check", "passed"),
    [
        # STEEP on-farm testing guide 1994: 750 ft or longer, four replicates; Exner 2003: six pairs.
        ({"strip_length": 750}, "strip length", True), ({"strip_length": 749}, "strip length", False),
        ({"strip_length": 228.6, "width_unit": "m"}, "strip length", True),
        ({"strip_length": 228, "width_unit": "m"}, "strip length", False),
        ({"blocks": 4}, "replicates", True), ({"blocks": 3}, "replicates", False),
        ({"blocks": 6, "design": "pairs"}, "pairs", True), ({"blocks": 5, "design": "pairs"}, "pairs", False),
        ({"blocks": 2}, "error degrees of freedom", True), ({"blocks": 1}, "error degrees of freedom", False),
    ],
)  # fmt: skip
def test_advice_holds_from_its_limit_on(options, check, passed):
    checks = plan_strips([0, 50], seed=1, **MACHINES | options).checks.set_index("check")
    assert checks.loc[check, "passed"] == passed
    assert {"strip length", "error degrees of freedom"} < set(checks.index)
    # Wuest et al. 1994: 5 against 10 bu/ac.
    assert "50 % of that with" in checks.loc["strip length", "meaning"]
    said = checks.loc[check, "meaning"]
    assert ("short" in said or "fewer" in said or "no degrees" in said) == (not passed)


@pytest.mark.parametrize("design", ["latin", "ladder"])
def test_designs_without_rules_of_thumb_are_checked_for_length_alone(design):
    plan = plan_strips([0, 50, 100], seed=1, design=design, **MACHINES)
    assert plan.checks["check"].tolist() == ["strip length"]


@pytest.mark.parametrize(
    "given",
    [{"seed": -1}, {"seed": 1.0}, {"borders": 0.5}, {"blocks": -1}, {"strip_length": "9"},
     {"header_width": np.inf}, {"applicator_width": -3}, {"applicator_width": 0}, {"buffer": np.inf},
     {"buffer": "1"}, {"buffer": np.nan}, {"treatments": [50]}, {"treatments": [0, np.inf]},
     {"treatments": ["a", "b"], "design": "latin"}, {"field_width": -1}],
)  # fmt: skip
def test_numbers_no_plan_can_have(given):
    with pytest.raises((NotEstimable, InputError)):
        plan_strips(**({"treatments": RATES, "seed": 1} | MACHINES | given))


def test_sketch_row_by_row():
    plan = plan_strips([0, 50, 100], seed=4, design="latin", borders=1, **MACHINES)
    rate = plan.table.set_index(["block", "column"])["treatment"]
    rows = [" ".join(f"{rate[b, c]:>3g}" for c in (1, 2, 3)) for b in (3, 2, 1)]  # the far end on top
    assert sketch(plan) == [f"     · | {row} |   ·" for row in rows]
    ladder = plan_strips([0, 50], seed=4, blocks=2, design="ladder", borders=2, **MACHINES)
    assert sketch(ladder) == ["    ·  · |  0 50 | 50  0 |  ·  ·"]


# ---- strips laid into a field


def pixels(ring, step):
    """Area of a polygon by counting the middles of squares inside it (matplotlib's even-odd rule)."""
    low, high = ring.min(axis=0), ring.max(axis=0)
    x, y = (np.arange(a + step / 2, b, step) for a, b in zip(low, high, strict=True))
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return grid[Path(ring).contains_points(grid)], step**2


@pytest.mark.parametrize("turned", [0.0, 33.0, 200.0])
@pytest.mark.parametrize("headland", [0.0, 12.0])
@pytest.mark.parametrize("clockwise", [False, True])
def test_strips_hold_the_ground_of_field_and_rectangle_in_common(turned, headland, clockwise):
    # A field of six corners, one of them inward; its longest side is the lowest, from (0, 0) to (200, 0).
    ring = np.array([(0.0, 0), (200, 0), (185, 60), (120, 45), (60, 90), (0, 70)])
    plan = plan_strips([0, 50, 100], seed=2, blocks=2, borders=0, header_width=9, applicator_width=10,
                       strip_length=150, width_unit="m")  # fmt: skip
    angle = np.radians(turned)
    corners = ring @ [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]
    degree = metres_of_degree(44)
    lonlat = corners / degree + [-93, 44]
    shapes = application_geojson(plan, lonlat[::-1] if clockwise else lonlat, headland=headland)["features"]
    inside, unit = pixels(ring, 0.5)
    for shape, strip in zip(shapes, plan.table.itertuples(), strict=True):
        # Driven from the right end towards x = 0, strip 1 beside the longest side, the headland left free.
        near = 200 - headland - strip.start
        far = max(200 - headland - strip.end, headland)
        own = (inside[:, 0] > far) & (inside[:, 0] < near)
        own &= (inside[:, 1] > strip.left) & (inside[:, 1] < strip.right)
        assert shape["properties"]["area_ha"] * 1e4 == pytest.approx(own.sum() * unit, rel=0.01)
        got = np.array(shape["geometry"]["coordinates"][0])
        assert got[0].tolist() == got[-1].tolist()
        place = (got - [-93, 44]) * degree
        back = place @ [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
        assert area(back[:-1]) == pytest.approx(own.sum() * unit, rel=0.01)
        assert back[:, 0].min() >= far - 0.2
        assert back[:, 0].max() <= near + 0.2
        assert back[:, 1].min() >= strip.left - 0.2
        assert back[:, 1].max() <= strip.right + 0.2
        x, y = back[:-1].T
        assert (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() > 0  # counter-clockwise (RFC 7946)
        assert shape["properties"]["driven_deg"] == pytest.approx((270 - turned) % 360, abs=0.06)


@pytest.mark.parametrize(("turned", "said"), [
    (0, "west"), (30, "south-west"), (90, "south"), (135, "south-east"), (180, "east"), (225, "north-east"),
    (270, "north"), (315, "north-west"), (337, "north-west"), (338, "west"), (22, "west"), (23, "south-west"),
])  # fmt: skip
def test_the_eight_winds(turned, said):
    plan = plan_strips([0, 50], seed=1, blocks=1, borders=0, header_width=6, applicator_width=6,
                       strip_length=100, width_unit="m")  # fmt: skip
    shape = application_geojson(plan, field(300, 100, turned=turned))["features"][0]
    assert shape["properties"]["driven"] == f"towards the {said}"


def test_a_field_just_as_wide_as_the_trial():
    plan = plan_strips([0, 50], seed=1, blocks=2, borders=1, header_width=30, applicator_width=30,
                       strip_length=500)  # fmt: skip
    feet = 0.3048
    shapes = application_geojson(plan, field(600 * feet, 180.001 * feet, turned=5))["features"]
    assert len(shapes) == 6
    assert {s["properties"]["kind"] for s in shapes} == {"strip", "border"}
    assert shapes[0]["properties"]["block"] is None
    with pytest.raises(NotEstimable, match="trial is 180 ft wide, the field 178 ft across"):
        application_geojson(plan, field(600 * feet, 178 * feet, turned=5))


def test_a_strip_without_ground_is_refused():
    plan = plan_strips([0, 50], seed=1, blocks=2, borders=0, header_width=10, applicator_width=10,
                       strip_length=20, width_unit="m")  # fmt: skip
    # Half of 200 x 60 m: 40 m from the longest side it is 67 m long, and 40 m high over a third of that side.
    corner = field(200, 60, turned=0)[[0, 1, 2]]
    shapes = application_geojson(plan, corner)["features"]
    assert [s["properties"]["kept_pct"] for s in shapes] == [100.0] * 4
    assert sum(s["properties"]["area_ha"] for s in shapes) == pytest.approx(4 * 10 * 20 / 1e4, rel=1e-3)
    long = plan_strips([0, 50], seed=1, blocks=2, borders=0, header_width=10, applicator_width=10,
                       strip_length=150, width_unit="m")  # fmt: skip
    # 150 m long it lies wholly nowhere; of its fourth strip the slant, 40 x 192 / 57 = 133 m, leaves 17 m.
    kept = [s["properties"]["kept_pct"] for s in application_geojson(long, corner)["features"]]
    assert kept[0] > kept[2]
    assert len(kept) == 3
    with pytest.raises(NotEstimable, match="position 2 is outside the field"):
        application_geojson(plan, corner, headland=0, line=[corner[0], corner[1]])


@pytest.mark.parametrize("wrap", [
    lambda g: g, lambda g: {"type": "Feature", "geometry": g},
    lambda g: {"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": g}]},
])  # fmt: skip
def test_a_boundary_in_any_geojson(wrap):
    plan = plan_strips([0, 50], seed=1, blocks=1, borders=0, header_width=6, applicator_width=6,
                       strip_length=100, width_unit="m")  # fmt: skip
    ring = field(300, 100).tolist()
    shape = wrap({"type": "Polygon", "coordinates": [[*ring, ring[0]]]})
    assert application_geojson(plan, shape) == application_geojson(plan, ring)
    heights = [[*corner, 250.0] for corner in ring]
    assert application_geojson(plan, heights) == application_geojson(plan, ring)


@pytest.mark.parametrize("boundary", [
    [(0, 0), (1, 1), (1, 0), (181, 3)], [(0, 0), (1, 91), (1, 0)], [(0, 0), (1, 1), "x"], [1, 2, 3], 7,
    "field", {"type": "FeatureCollection", "features": []}, {"features": [1, 2]},
    {"type": "Feature", "geometry": None},
])  # fmt: skip
def test_what_is_no_boundary(boundary):
    plan = plan_strips([0, 50], seed=1, blocks=1, **MACHINES)
    with pytest.raises((InputError, LookupFailed), match="boundary"):
        application_geojson(plan, boundary)


def test_names_are_written_as_treatments():
    plan = plan_strips(["with", "without"], seed=1, **MACHINES)
    table = application_table(plan)
    assert table["treatment"].tolist() == plan.table["treatment"].tolist()
    assert not list(table.filter(like="rate"))
    first = application_geojson(plan, field(500, 500))["features"][0]["properties"]
    assert (first["passes"], first["seed"], first["from_ft"], first["to_ft"]) == (1, 1, 0.0, 60.0)
    assert (first["harvest_from_ft"], first["harvest_to_ft"]) == (15.0, 45.0)


# ---- a line of a receiver

METRES_N, METRES_E = 111_073.3, 82_850.8  # of a degree at 42 north on WGS 84, by its two radii in R


def test_strips_lie_along_a_line_and_to_its_right():
    """A line due north: strips eastward, each 60 ft; the first pass is driven on the line itself."""
    a, b = (-93.0, 42.0), (-93.0, 42.005)
    plan = plan_strips(
        [0, 60, 120], seed=7, blocks=2, header_width=30, applicator_width=60, strip_length=1200
    )
    strips = application_geojson(plan, line=[a, b])["features"]
    lines = guidance_geojson(plan, line=[a, b])["features"]
    assert lines[0]["properties"]["name"] == "A-B line"
    assert lines[0]["geometry"]["coordinates"][0] == pytest.approx(a, abs=2e-8)
    assert [line["properties"]["driven_deg"] for line in lines] == [0.0] * len(lines)
    assert len(lines) == len(strips) == 8  # one pass a strip, borders too
    for number, (strip, line) in enumerate(zip(strips, lines, strict=True)):
        ring = np.array(strip["geometry"]["coordinates"][0])
        east = (ring[:, 0] - a[0]) * METRES_E / 0.3048
        assert [east.min(), east.max()] == pytest.approx([60 * number - 30, 60 * number + 30], abs=0.1)
        north = (ring[:, 1] - a[1]) * METRES_N / 0.3048
        assert [north.min(), north.max()] == pytest.approx([0, 1200], abs=0.1)
        ends = np.array(line["geometry"]["coordinates"])
        assert (ends[:, 0] - a[0]) * METRES_E / 0.3048 == pytest.approx(60 * number, abs=0.1)
        assert strip["properties"]["area_ha"] == pytest.approx(60 * 1200 * 0.3048**2 / 1e4, abs=1e-4)


def test_two_passes_of_a_strip_have_two_lines_and_a_boundary_cuts_them():
    plan = plan_strips([0, 60], seed=1, blocks=2, header_width=40, applicator_width=30, strip_length=600)
    corners = field(420, 380)
    lines = guidance_geojson(plan, corners)["features"]
    assert plan.passes == 2
    assert len(lines) == 2 * len(plan.strips)
    along = [corners[1], corners[0]]  # the field lies to the right of this way along its first side
    cut = application_geojson(plan, corners, line=along)["features"]
    assert all(strip["properties"]["area_ha"] > 0 for strip in cut)


@pytest.mark.parametrize("line", [[(0, 0)], [(0, 0), (0, 0)], [(0, 0), (500000, 4)], ["a", "b"]])
def test_a_line_that_is_none_is_refused(line):
    plan = plan_strips([0, 60], seed=1, blocks=2, header_width=30, applicator_width=30, strip_length=600)
    with pytest.raises(LookupFailed, match="line"):
        guidance_geojson(plan, line=line)
