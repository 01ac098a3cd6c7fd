"""Outlines of strips and fields: closed, without holes, not crossing themselves."""

import json

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_points
from fertkit.trials import clean_points, plan_strips, strip_means
from fertkit.trials.application import application_geojson
from fertkit.trials.outline import MOST_CORNERS, OutlineError, closed, crosses_itself, outline

SQUARE = [[0.0, 0.0], [1, 0], [1, 1], [0, 1]]


def test_an_open_ring_is_closed_and_a_closed_one_kept():
    # RFC 7946, 3.1.6: "The first and last positions are equivalent".
    assert closed(SQUARE).tolist() == [*SQUARE, SQUARE[0]]
    assert closed([*SQUARE, SQUARE[0]]).tolist() == [*SQUARE, SQUARE[0]]


@pytest.mark.parametrize(
    ("geometry", "said"),
    [
        ({"type": "Polygon", "coordinates": [SQUARE, [[0.2, 0.2], [0.4, 0.2], [0.4, 0.4]]]}, "a hole"),
        ({"type": "Polygon", "coordinates": [SQUARE] * 3}, "2 holes"),
        ({"type": "MultiPolygon", "coordinates": [[SQUARE], [SQUARE]]}, "2 parts"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1]]]}, "crosses itself"),  # a bow
        ({"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [0, 0]]]}, "three or more corners"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [1, None], [1, 1]]]}, "three or more corners"),
        ({"type": "Polygon", "coordinates": [[*SQUARE, [10**400, 0]]]}, "three or more corners"),
        ({"type": "Polygon", "coordinates": [[*SQUARE, [1e308, -1e308]]]}, "three or more corners"),
        ({"type": "Polygon", "coordinates": []}, "three or more corners"),
        ({"type": "Point", "coordinates": [0, 0]}, "no polygon"),
        (None, "three or more corners"),
    ],
)
def test_what_is_no_outline_is_told(geometry, said):
    with pytest.raises(OutlineError, match=said):
        outline(geometry)


def test_what_is_one_is_kept():
    assert len(outline({"type": "MultiPolygon", "coordinates": [[SQUARE]]})) == 5
    assert len(outline({"type": "Polygon", "coordinates": [[[*c, 300.0] for c in SQUARE]]})) == 5
    ell = [[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]]  # concave, not crossing
    assert len(closed(ell)) == 7
    assert len(closed([[0, 0], [1, 0], [1, 0], [1, 1]])) == 5  # a corner given twice


@pytest.fixture(scope="module")
def passes():
    """Ten passes of 60 records, yield rising from pass to pass."""
    step, line = np.tile(np.arange(60), 10), np.repeat(np.arange(10), 60)
    log = pd.DataFrame({
        "lon": -93.0 + line * 1e-4, "lat": 42 + np.where(line % 2, 59 - step, step) * 2e-5,
        "flow": 15.0 + line, "seconds": 1, "distance": 7.3, "width": 27.0, "moisture": 15.5,
    })  # fmt: skip
    units = {"flow": "lb/s", "distance": "ft", "width": "ft"}
    return clean_points(read_points(log, crop="corn", units=units))


def collection(rings):
    return {"type": "FeatureCollection", "features": [
        {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": ring},
         "properties": {"strip": i, "block": 1, "rate_lb_ac": 60 * i}} for i, ring in enumerate(rings, 1)
    ]}  # fmt: skip


def test_open_rings_hold_the_points_of_closed_ones_from_any_corner(passes):
    west = [[-93.00005, 41.99], [-92.99955, 41.99], [-92.99955, 42.01], [-93.00005, 42.01]]
    east = [[x + 5e-4, y] for x, y in west]
    whole = strip_means(passes, collection([[[*r, r[0]]] for r in (west, east)])).table
    assert whole["points"].tolist() == [len(passes.kept) / 2] * 2  # five passes each
    for start in range(4):
        turned = [[r[start:] + r[:start]] for r in (west, east)]
        pd.testing.assert_frame_equal(strip_means(passes, collection(turned)).table, whole)


def test_holes_are_refused_by_the_name_of_their_strip(passes, tmp_path):
    ring = [[-93.001, 41.99], [-92.99, 41.99], [-92.99, 42.01], [-93.001, 42.01]]
    hole = [[-93.0, 42.0], [-92.9995, 42.0], [-92.9995, 42.0005]]
    path = tmp_path / "strips.geojson"
    path.write_text(json.dumps(collection([[ring, hole]])))
    with pytest.raises(InputError, match=r"strip 1: the polygon has a hole; holes are not read"):
        strip_means(passes, path)


def test_a_field_with_a_hole_or_two_shapes_takes_no_plan():
    plan = plan_strips(
        [0, 60, 120], seed=7, blocks=4, header_width=30, applicator_width=60, strip_length=1200
    )
    field = [[-93.0, 42.0], [-92.99, 42.0], [-92.99, 42.01], [-93.0, 42.01]]
    for far in (10**400, 1e308):
        with pytest.raises(LookupFailed, match="boundary"):
            application_geojson(plan, [*field, [far, 42.0]])
    pond = [[-92.996, 42.004], [-92.994, 42.004], [-92.994, 42.006]]
    closed_field = application_geojson(plan, {"type": "Polygon", "coordinates": [[*field, field[0]]]})
    assert application_geojson(plan, {"type": "Polygon", "coordinates": [field]}) == closed_field
    assert application_geojson(plan, field) == closed_field
    with pytest.raises(LookupFailed, match="hole"):
        application_geojson(plan, {"type": "Polygon", "coordinates": [field, pond]})
    with pytest.raises(LookupFailed, match="crosses itself"):
        application_geojson(plan, [field[0], field[2], field[1], field[3]])
    shape = {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [field]}}
    with pytest.raises(LookupFailed, match="several shapes"):
        application_geojson(plan, {"type": "FeatureCollection", "features": [shape, shape]})


# ---- outlines


def crossing(ring):
    """Two sides that are no neighbours share an inner point of both: solved as a pair of equations."""
    n = len(ring) - 1
    for i in range(n):
        for j in range(i + 2, n):
            a, b, c, d = ring[i], ring[i + 1], ring[j], ring[j + 1]
            both = np.column_stack([b - a, c - d])
            if abs(np.linalg.det(both)) > 1e-12:
                share = np.linalg.solve(both, c - a)
                if ((share > 1e-9) & (share < 1 - 1e-9)).all():
                    return True
    return False


def test_crossing_sides_by_their_equations():
    rng = np.random.default_rng(3)
    told = []
    for n in (3, 4, 4, 4, 5, 5, 6):
        for _ in range(40):
            corners = rng.integers(0, 7, (n, 2)).astype(float)
            ring = np.vstack([corners, corners[:1]])
            told.append(crossing(ring))
            assert crosses_itself(ring) == told[-1]
    assert 50 < sum(told) < len(told) - 50


def test_corners_of_a_ring():
    angle = np.linspace(0, 2 * np.pi, MOST_CORNERS, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    with pytest.raises(OutlineError, match="has 5001 corners"):
        closed(np.vstack([circle, circle[:1]]))
    assert len(closed(circle[::50])) == 101
    assert MOST_CORNERS == 5000
    for ring in (
        [[0, 0], [1, 0]],
        [[0, 0], [1, 0], [0, 0], [1, 0]],
        [1, 2, 3],
        [[0, 0], [1, np.nan], [0, 1]],
    ):
        with pytest.raises(OutlineError, match="three or more corners"):
            closed(ring)
    assert len(closed([[0, 0], [1, 0], [0, 1]])) == 4
    half = closed([[0, 0], [1, 0], [0, 1], [0, 2]])  # ends on the line of its start
    assert half[-1].tolist() == [0, 0]
