"""Points to strips against sums written out and the inside of polygons as matplotlib tells it."""

import json

import numpy as np
import pandas as pd
import pytest
from matplotlib.path import Path

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.trials.points import NO_RULES, CleanedPoints
from fertkit.trials.strip_means import strip_means

ELL = [[0.0, 0], [3, 0], [3, 1], [1, 1], [1, 3], [0, 3], [0, 0]]  # concave
KITE = [[4.0, 0], [6, 2], [4, 4], [3.5, 2], [4, 0]]
EMPTY = [[9.0, 9], [10, 9], [10, 10], [9, 10], [9, 9]]


def shape(ring, strip, **own):
    properties = {"strip": strip, "block": 1, "rate_lb_ac": 10.0 * (strip or 0), "kind": "strip"} | own
    return {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": properties,
    }


def collection(*shapes):
    return {"type": "FeatureCollection", "features": list(shapes)}


@pytest.fixture
def cleaned():
    """Points at random over seven degrees, a fifth of them removed; unequal ground and grain."""
    rng = np.random.default_rng(1)
    n = 400
    table = pd.DataFrame({
        "lon": rng.uniform(-1, 7, n), "lat": rng.uniform(-1, 5, n), "area_m2": rng.uniform(5, 50, n),
        "mass_kg": rng.uniform(1, 9, n), "moisture_pct": rng.uniform(12, 25, n),
        "yield_t_ha": rng.uniform(4, 9, n), "removed_by": np.where(rng.random(n) < 0.2, "speed", ""),
    })  # fmt: skip
    steps, checks = pd.DataFrame(), pd.DataFrame()
    return CleanedPoints(table, steps, NO_RULES, "yield_t_ha", "t/ha", "wheat", "north.csv", 13.5, checks)


def test_means_weigh_by_ground_and_grain(cleaned):
    border = shape(EMPTY, 7, kind="border")
    found = strip_means(cleaned, collection(shape(ELL, 1), border, shape(KITE, 2), shape(EMPTY, 3)))
    table = found.table
    assert table["strip"].tolist() == [1, 2, 3]
    assert table["rate_lb_ac"].tolist() == [10, 20, 30]
    assert set(table["trial"]) == {"north"}
    kept = cleaned.points[cleaned.points["removed_by"] == ""]
    held = 0
    for row, ring in zip(table.itertuples(), (ELL, KITE, EMPTY), strict=True):
        own = kept[Path(ring).contains_points(kept[["lon", "lat"]])]
        held += len(own)
        assert row.points == len(own)
        assert row.stated_moisture_pct == 13.5
        assert row.area_ha == pytest.approx(own["area_m2"].sum() / 10_000)
        if len(own):
            assert row.yield_t_ha == pytest.approx(np.average(own["yield_t_ha"], weights=own["area_m2"]))
            moisture = np.average(own["moisture_pct"], weights=own["mass_kg"])
            assert row.harvest_moisture_pct == pytest.approx(moisture)
        else:
            assert np.isnan([row.yield_t_ha, row.harvest_moisture_pct]).all()
    assert held > 40
    checks = found.checks.set_index("check")
    assert checks.loc["strips without points", ["value", "passed"]].tolist() == [1, False]
    assert "no points in strip 3" in checks.loc["strips without points", "meaning"]
    assert checks.loc["points outside the strips", "value"] == len(kept) - held
    assert checks.loc["points outside the strips", "passed"] is None
    full = strip_means(cleaned, collection(shape(ELL, 1)), trial="mine")
    assert full.checks["passed"].tolist() == [True, None]
    assert set(full.table["trial"]) == {"mine"}
    assert full.summary().startswith("north.csv: 1 strip, ")


def test_points_on_a_side_lie_in_one_of_two_neighbours(cleaned):
    n = 40
    table = cleaned.points.iloc[:n].assign(lon=1.0, lat=np.linspace(0, 2, n), removed_by="")
    table.loc[20:, "lon"], table.loc[20:, "lat"] = np.linspace(0, 2, 20), 1.0
    left, right = ([[x, 0.0], [x + 1, 0], [x + 1, 2], [x, 2], [x, 0]] for x in (0.0, 1.0))
    shapes = collection(shape(left, 1), shape(right, 2))
    found = strip_means(
        CleanedPoints(table, *[None] * 2, "yield_t_ha", "t/ha", "wheat", "n", 13.5, None), shapes
    )
    assert (found.table["points"] >= 10).all()
    assert found.table["points"].sum() >= n - 3  # an end of a side may belong to none


def test_points_in_two_strips_are_told(cleaned):
    moved = [[x + 0.5, y] for x, y in ELL]
    kept = cleaned.points[cleaned.points["removed_by"] == ""][["lon", "lat"]]
    both = (Path(ELL).contains_points(kept) & Path(moved).contains_points(kept)).sum()
    with pytest.raises(InputError, match=f"strips 1 and 2 overlap: {both} points lie in both"):
        strip_means(cleaned, collection(shape(ELL, 1), shape(moved, 2)))


@pytest.mark.parametrize(
    ("shapes", "said"),
    [
        ([shape(ELL, None)], "row 1.*the strip has no number"),
        ([shape(ELL, 1), shape(KITE, 1)], "row 2.*given twice"),
        ([shape(ELL, 1) | {"properties": {"strip": 1}}], "has no rate"),
        ([shape(ELL[::-1][:2], 4)], "strip 4: the outline needs three"), ([None], "has no number"),
        ([{"properties": {"treatment": "a"}, "geometry": None}], "row 1.*the outline needs three"),
    ],
)  # fmt: skip
def test_what_is_no_strip_is_told(cleaned, shapes, said):
    with pytest.raises(InputError, match=f"(?s){said}"):
        strip_means(cleaned, collection(*shapes))


def test_strips_that_cannot_be_read(cleaned, tmp_path):
    path = tmp_path / "strips.geojson"
    for text in ("{", "[" * 100_000):
        path.write_text(text)
        with pytest.raises(InputError, match="not a GeoJSON file"):
            strip_means(cleaned, path)
    for whole in ([], {"features": {}}, {"type": "Feature"}):
        path.write_text(json.dumps(whole))
        with pytest.raises(LookupFailed, match="FeatureCollection"):
            strip_means(cleaned, path)
    with pytest.raises(NotEstimable, match="no harvest point"):
        strip_means(cleaned, collection(shape(EMPTY, 1)))
    named = strip_means(cleaned, collection(shape(ELL, 1, treatment="a", position=4, area_ha=9))).table
    assert {"treatment", "position", "block"} < set(named)
    assert named["area_ha"].iloc[0] < 9
