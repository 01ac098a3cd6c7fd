"""From a log and a map to strips: made fields of known strips, and how files say where they lie.

The fields are invented (`made_field.py`); what is expected is arithmetic on the truth they are made of.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, NotEstimable
from fertkit.intake.points import read_points
from fertkit.intake.shapes import from_utm, read_map
from fertkit.trials import places
from fertkit.trials.joined import join_points

sys.path.insert(0, str(Path(__file__).parent))
import made_field as made

OPTIONS = {"crop": "corn", "delay": 0}


@pytest.fixture(scope="module")
def field():
    log, applied, polygons, strips = made.made_field(blocks=3, length=200, drift=0.01, noise=2.0, seed=4)
    return log.drop(columns=["x", "y"]), applied, polygons, strips, log[["x", "y"]]


def truth(strips):
    """Rates from west to east."""
    return strips.sort_values("west")["rate"].tolist()


def from_the_west(joined):
    middle = joined.points[joined.points["strip"] >= 0].groupby("strip")["x_m"].median()
    return joined.strips.loc[middle.sort_values().index]


@pytest.mark.parametrize("kind", ["records", "polygons"])
def test_strips_and_blocks_are_those_of_the_field(field, kind):
    log, applied, polygons, strips, _ = field
    joined = join_points(log, applied if kind == "records" else polygons, **OPTIONS)
    found = from_the_west(joined)
    assert found["planned"].tolist() == truth(strips)
    assert (np.abs(found["rate"] - found["planned"]) <= 0.05 * found["planned"]).all()
    blocks = found["block"].to_numpy().reshape(3, 5)
    assert (blocks == blocks[:, :1]).all()
    assert blocks[:, 0].tolist() == [1, 2, 3]  # numbered as the strips are driven, from the west
    assert joined.audit["kept"].iloc[-1] == found["points"].sum()
    removed = joined.audit["removed"].sum()
    assert joined.audit["kept"].iloc[0] - removed == joined.audit["kept"].iloc[-1]


def test_means_are_those_of_the_yields_by_area(field):
    """Without cleaning, by the same arithmetic in plain pandas on the true places."""
    log, _, polygons, _, at = field
    joined = from_the_west(join_points(log, polygons, **OPTIONS))
    mass, area = log["Mass Flow (lb/s)"] * 0.82 / 0.845 / 56, log["Distance (ft)"] * log["Swath Width (ft)"]
    inside = at["y"].between(0, 200)
    strip = (at["x"] // 18).astype(int)[inside]
    by_hand = mass[inside].groupby(strip).sum() / (area[inside].groupby(strip).sum() / 43560)
    # Points left out as outliers and as pieces between them make the rest of the difference.
    np.testing.assert_allclose(joined["yield_bu_ac"], by_hand, rtol=0.005)


def test_utm_and_local_metres_say_the_same(field):
    """A log and a map in one plane need no zone; the strips are those in degrees."""
    log, _, polygons, strips, at = field
    plane = log.drop(columns=["Longitude", "Latitude"])
    plane["Easting"], plane["Northing"] = 500_000 + at["x"], 4_870_000 + at["y"]
    flat = json.loads(json.dumps(polygons))
    for feature, west in zip(flat["features"], strips["west"], strict=True):
        x, y = np.array([0, 18, 18, 0, 0]) + 500_000 + west, np.array([0, 0, 200, 200, 0]) + 4_870_000
        feature["geometry"]["coordinates"] = [np.column_stack([x, y]).tolist()]
    joined = join_points(plane, flat, **OPTIONS)
    same = join_points(log, polygons, **OPTIONS)
    np.testing.assert_allclose(
        from_the_west(joined)["yield_bu_ac"], from_the_west(same)["yield_bu_ac"], rtol=1e-3
    )
    with pytest.raises(InputError, match="--utm 15N"):
        join_points(plane, polygons, **OPTIONS)
    # The middle of zone 15 is at 93 degrees west; there 4,870,000 m lie at 43.98 degrees north.
    zoned = join_points(plane, flat, utm="15N", **OPTIONS)
    assert from_the_west(zoned)["planned"].tolist() == truth(strips)


@pytest.mark.parametrize(
    ("east", "north", "zone", "lon", "lat"),
    [  # pyproj 3.7.2
        (200_000, 300_000, "15N", -95.698025228, 2.711149342),
        (790_000, 5_000_000, "15N", -89.314476249, 45.093970242),
        (630_084.3, 6_900_000, "33S", 16.323201203, -28.018884353),
    ],
)
def test_utm_as_pyproj_has_it(east, north, zone, lon, lat):
    np.testing.assert_allclose(np.ravel(from_utm([east], [north], zone)), [lon, lat], atol=2e-8)


def box(zone, south, north):
    """A zone across the field."""
    lon, lat = made.degrees([-10, 400, 400, -10, -10], [south, south, north, north, south])
    shape = {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}
    return {"type": "Feature", "properties": {"zone": zone}, "geometry": shape}


def test_a_zone_of_half_the_field(field):
    log, _, polygons, strips, at = field
    log = log.assign(soil=np.where(at["y"] < 100, "light", "heavy"))
    by_column = join_points(log, polygons, zones="soil", **OPTIONS).by_zone.table
    assert sorted(by_column["zone"].unique()) == ["heavy", "light"]
    assert len(by_column) == 2 * len(strips)
    assert by_column["whole"].nunique() == len(strips)
    zones = {"type": "FeatureCollection", "features": [box("light", -30, 100), box("heavy", 100, 300)]}
    by_map = join_points(log, polygons, zones=zones, **OPTIONS).by_zone.table
    np.testing.assert_allclose(by_map["yield_bu_ac"], by_column["yield_bu_ac"], rtol=2e-3)
    with pytest.raises(NotEstimable, match="classes"):
        join_points(log.assign(ec=at["y"].round()), polygons, zones="ec", **OPTIONS)


def test_rates_per_hectare_come_with_yields_per_hectare(field):
    """112.0851 kg/ha are 100 lb/ac, and 1 bu/ac of 56 lb 0.0627677 t/ha."""
    log, _, polygons, *_ = field
    metric = json.loads(json.dumps(polygons))
    for feature in metric["features"]:
        feature["properties"] = {"N (kg/ha)": feature["properties"]["N rate (lb/ac)"] * 1.120851}
    joined = from_the_west(join_points(log, metric, **OPTIONS))
    same = from_the_west(join_points(log, polygons, **OPTIONS))
    np.testing.assert_allclose(joined["yield_t_ha"], same["yield_bu_ac"] * 0.0627677, rtol=1e-5)


def test_a_shapefile_reads_as_its_geojson(field, tmp_path):
    shapefile = pytest.importorskip("shapefile", reason="the extra 'maps' is not installed")
    log, _, polygons, *_ = field
    with shapefile.Writer(str(tmp_path / "strips")) as out:
        out.field("Rate_lb_ac", "N", decimal=1)
        for feature in polygons["features"]:
            out.poly(feature["geometry"]["coordinates"])
            out.record(feature["properties"]["N rate (lb/ac)"])
    (tmp_path / "strips.prj").write_text('GEOGCS["GCS_WGS_1984"]')
    read = join_points(log, tmp_path / "strips.shp", **OPTIONS)
    same = join_points(log, polygons, **OPTIONS)
    assert read.strips["yield_bu_ac"].tolist() == same.strips["yield_bu_ac"].tolist()


def cut_by_rates(seed=3, one_way=False):
    """Whole-field polygons whose rates change along the passes, a delay of 8 s and grain blended over 3 s."""
    rng = np.random.default_rng(seed)
    plan = np.array([np.r_[rng.permutation(5), rng.permutation(5)] * 50.0 for _ in range(3)])
    logs, features = [], []
    for run in range(20):
        y = np.arange(0, 600, 2.0)
        rate = plan[(y // 200).astype(int), run // 2]
        if run % 2 and not one_way:
            y, rate = y[::-1], rate[::-1]
        grain = made.response(rate) + rng.normal(0, 8, len(y)) + made.smooth(rng, len(y), 30, 4)
        late = np.convolve(np.r_[np.zeros(8), grain], np.ones(3) / 3)[: len(y)]
        logs.append(pd.DataFrame({"x": (run + 0.5) * 9, "y": y, "grain": late}))
    for (part, strip), rate in np.ndenumerate(plan):
        lon, lat = made.degrees(
            np.array([0, 18, 18, 0, 0]) + 18 * strip, np.array([0, 0, 1, 1, 0]) * 200 + 200 * part
        )
        shape = {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}
        features.append({"type": "Feature", "properties": {"N rate (lb/ac)": rate}, "geometry": shape})
    log = pd.concat(logs, ignore_index=True)
    lon, lat = made.degrees(log["x"], log["y"])
    log = pd.DataFrame({"Longitude": lon, "Latitude": lat, "Yield (bu/ac at 15.5 %)": log["grain"],
                        "Distance (m)": 2.0, "Width (m)": 9.0, "Seconds": 1.0})  # fmt: skip
    return log, {"type": "FeatureCollection", "features": features}, plan


@pytest.mark.parametrize("one_way", [False, True])
def test_the_delay_shows_where_rates_change_along_the_passes(one_way):
    """Neighbours have other rates, so raw yields hide it; 8 s and blending over 3 s are 9 s on average."""
    log, polygons, plan = cut_by_rates(one_way=one_way)
    joined = join_points(log, polygons, crop="corn")
    assert joined.delay_s == 9
    # Polygons of one rate end to end are one strip, whatever was lost on one of their passes.
    assert len(joined.strips) == plan.size - (np.diff(plan, axis=0) == 0).sum()


def test_dates_as_a_table_has_them_are_seconds(field):
    """Records a second apart, as dates of a table or as their text."""
    log = field[0]
    when = pd.date_range("2026-10-02 10:00", periods=len(log), freq="s")
    bare = log.drop(columns="Interval (s)")
    since = np.arange(len(log)) + 1_790_000_000
    for times in (when, when.astype(str), when.as_unit("us"), since, since * 1000, since * 1_000_000):
        points = read_points(bare.assign(Time=times), crop="corn").points
        assert (points["seconds"] == 1).all()


# ---- what is refused


def test_another_field_is_refused(field):
    log, _, polygons, *_ = field
    with pytest.raises(NotEstimable, match=r"do not overlap.* km"):
        join_points(log.assign(Latitude=log["Latitude"] + 0.1), polygons, **OPTIONS)


def test_rates_without_contrast_and_single_strips_are_refused(field):
    log, _, polygons, *_ = field
    alike, single = (json.loads(json.dumps(polygons)) for _ in range(2))
    for number, feature in enumerate(alike["features"]):
        feature["properties"]["N rate (lb/ac)"] = 100
        single["features"][number]["properties"]["N rate (lb/ac)"] = 20 * number
    single["features"] = single["features"][:5]
    with pytest.raises(NotEstimable, match="no contrast"):
        join_points(log, alike, **OPTIONS)
    with pytest.raises(NotEstimable, match="each rate has one strip"):
        join_points(log, single, **OPTIONS)


def test_problems_of_both_files_are_told_at_once(field):
    log, _, polygons, *_ = field
    bare = json.loads(json.dumps(polygons))
    for feature in bare["features"]:
        feature["properties"] = {"colour": "red"}
    with pytest.raises(InputError) as error:
        join_points(log.drop(columns="Mass Flow (lb/s)"), bare, **OPTIONS)
    text = str(error.value)
    assert "no column for the flow" in text
    assert "no column for the rate; headers: colour; add a header such as" in text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"features": 3}', "not a GeoJSON collection"),
        (
            '{"features": [{"geometry": {"type": "LineString", "coordinates": []}}]}',
            "no polygon or point",
        ),
        ('{"features": [{"geometry": {"type": "Polygon", "coordinates": [[[1, 2], [3]]]}}]}', "broken"),
        ('{"features": []}', "empty"),
        ('{"crs": {"properties": {"name": "EPSG:2154"}}, "features": []}', "coordinate system"),
    ],
)
def test_maps_that_are_none(text, says, tmp_path):
    path = tmp_path / "map.geojson"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_map(path)


# ---- logs as monitors write them


def log_of(**columns):
    n = 30
    base = {"Longitude": -93.0, "Latitude": 44 + np.arange(n) * 2e-5, "Moisture (%)": 20.0}
    return pd.DataFrame({**base, **columns}, index=range(n))


def test_yields_of_any_columns_are_the_same():
    """180 lb/ac in wet mass is 3.2143 bu/ac of 56 lb, at 15.5 % 0.8/0.845 of it, however a log says it."""
    dry = 180 / 56 * 0.80 / 0.845
    width = {"Swth Wdth(ft)": 30.0}
    logs = {
        "wet mass": log_of(**{"Yld Mass(Wet)(lb/ac)": 180.0, "Distance(ft)": 7.0}, **width),
        "wet and dry": log_of(
            **{"Yld Mass(Wet)(lb/ac)": 180.0, "Yld Vol(Wet)(bu/ac)": 180 / 56, "Yld Vol(Dry)(bu/ac)": dry,
               "Distance(ft)": 7.0}, **width),
        "speed": log_of(**{"Flow (lb/s)": 180 * 30 * 10 / 43560, "Speed(mph)": 10 / (5280 / 3600),
                           "Duration(s)": 1.0}, **width),
        "clock": log_of(**{"Flow (lb/s)": 180 * 30 * 10 / 43560, "Speed(mph)": 10 / (5280 / 3600),
                           "Time": pd.date_range("2026-10-01", periods=30, freq="s").astype(str)}, **width),
        "stated": log_of(**{"Yield (bu/ac at 15.5 %)": dry, "Distance(ft)": 7.0}, **width),
        "positions": log_of(**{"Yield (lb/ac)": 180.0}, **width),
    }  # fmt: skip
    for name, log in logs.items():
        points = read_points(log, crop="corn").table
        np.testing.assert_allclose(points["yield_bu_ac"], dry, rtol=1e-9, err_msg=name)
    stated = logs["stated"].drop(columns="Moisture (%)")
    np.testing.assert_allclose(read_points(stated, crop="corn").table["yield_bu_ac"], dry)


def test_what_a_log_does_not_say_is_asked_for():
    width = {"Swath (ft)": 30.0, "Distance (ft)": 7.0}
    with pytest.raises(InputError, match="at what moisture"):
        read_points(log_of(**{"Yield Dry (bu/ac)": 150.0}, **width), crop="corn")
    said = {"yield": "bu/ac at 15.5 %"}
    dry = read_points(log_of(**{"Yield Dry (bu/ac)": 150.0}, **width), crop="corn", units=said)
    np.testing.assert_allclose(dry.table["yield_bu_ac"], 150)
    bare = log_of(**{"Yield (bu/ac)": 150.0}, **width).drop(columns=["Longitude", "Latitude"])
    with pytest.raises(InputError, match="degrees or metres"):
        read_points(bare.assign(X=-93.0, Y=44.0), crop="corn")


# ---- geometry by hand


def test_levels_of_drifting_rates():
    rng = np.random.default_rng(5)
    rates = np.concatenate([rng.normal(rate, 4, 500) for rate in (0, 60, 120, 180)])
    assert places.find_levels(rates).tolist() == pytest.approx([0, 60, 120, 180], abs=1)
    levels = np.array([0.0, 60.0, 120.0])
    # A third of 60 and a little more: 21 to either side.
    assert places.level_of([0, 20, 30, 45, 60, 140, 200, np.nan], levels).tolist() == [
        0,
        0,
        -1,
        1,
        1,
        2,
        -1,
        -1,
    ]


def test_blocks_walk_on_where_a_level_comes_again():
    levels = np.array([0, 1, 2, 2, 0, 1, 1, 2, 0])
    across = np.arange(9) * 10.0
    block = places.blocks_by_place(np.zeros(9), across, np.full(9, 100.0), levels, 10.0)
    assert block.tolist() == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    # All of one rate on one side: no two lie together.
    apart = places.blocks_by_place(np.zeros(4), across[:4], np.full(4, 100.0), np.array([0, 0, 0, 1]), 10.0)
    assert apart is None or len(set(apart)) == 3


def test_a_strip_cut_by_a_waterway_is_one():
    along = np.r_[np.arange(50.0), np.arange(80, 130.0)]
    run = np.r_[np.zeros(50, int), np.ones(50, int)]
    strip = places.strips_by_place(along, np.zeros(100), run, np.zeros(100, int), 9.0)
    assert len(set(strip)) == 1
    label = np.r_[np.zeros(50, int), np.ones(50, int), np.zeros(50, int)]
    between = np.r_[along, np.arange(140, 190.0)]
    strip = places.strips_by_place(between, np.zeros(150), np.repeat([0, 1, 2], 50), label, 9.0)
    assert len(set(strip)) == 3


def test_an_applicator_that_records_nothing_where_it_is_shut_off(field):
    log, applied, _, strips, _ = field
    shut = applied[applied["Applied Rate (lb/ac)"] > 0]
    without = join_points(log, shut, **OPTIONS)
    assert "0" not in without.levels
    told = [text for text in without.remarks if "has no rate" in text]
    assert [text.in_code for text in told] == ["--elsewhere 0"]
    with_zero = join_points(log, shut, elsewhere=0, **OPTIONS)
    inner = truth(strips)
    while inner[0] == 0:
        inner = inner[1:]  # ground beside the records is not covered by them
    while inner[-1] == 0:
        inner = inner[:-1]
    assert from_the_west(with_zero)["planned"].tolist() == inner


# ---- a real log


def test_strips_of_a_real_log_are_the_means_of_its_records(outside):
    """A combine in Minnesota (gartner_corn_yieldmonitor.csv), a made map of twelve strips of two passes each.

    By hand: dry bu/ac = lb/s x s / 56 x (100 - moisture) / 84.5 over 360 in x inches / 6,272,640, of records
    on the ground of the strips; lost outliers and ends of passes make the rest of the difference.
    """
    log = outside("gartner_corn_yieldmonitor.csv")
    east = (log["long"] - -93.97842) * np.cos(np.radians(43.924)) * made.DEGREE
    strip = np.floor((east - 13.0) / 18.25).astype(int)
    features = []
    for number in range(12):
        lon = -93.97842 + (13.0 + 18.25 * (number + np.array([0, 1, 1, 0, 0]))) / (
            made.DEGREE * np.cos(np.radians(43.924))
        )
        ring = np.column_stack([lon, [43.9215, 43.9215, 43.9268, 43.9268, 43.9215]]).tolist()
        features.append({"type": "Feature", "properties": {"N rate (lb/ac)": 60 * (number * 7 % 3)},
                         "geometry": {"type": "Polygon", "coordinates": [ring]}})  # fmt: skip
    options = {"columns": {"flow": "mass", "distance": "dist"}, "units": {"flow": "lb/s", "distance": "in"}}
    joined = join_points(
        log, {"type": "FeatureCollection", "features": features}, width=(360, "in"), **OPTIONS, **options
    )
    inside = log["lat"].between(43.9215, 43.9268) & strip.between(0, 11) & (log["mass"] > 0)
    dry = log["mass"] * log["seconds"] / 56 * (100 - log["moist"]) / 84.5
    acres = 360 * log["dist"] / 6_272_640
    by_hand = dry[inside].groupby(strip).sum() / acres[inside].groupby(strip).sum()
    np.testing.assert_allclose(from_the_west(joined)["yield_bu_ac"], by_hand, rtol=0.03)
    assert joined.strips["block"].nunique() == 4
