"""The file an operator follows: strips as a CSV table, or as shapes in the field as GeoJSON (RFC 7946)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_path, asks, either, holding, labels, zero_or_more
from fertkit.errors import LookupFailed, NotEstimable, shorten
from fertkit.intake.points import to_degrees, to_metres
from fertkit.sizes import LARGEST_NUMBER
from fertkit.trials.layout import SIDES, StripPlan
from fertkit.units import FOOT_M
from fertkit.writing import write_whole

#: An outline of more corners is a tracing of something else (common practice, no source).
MOST_CORNERS = 5000


@asks(plan=holding("treatments", "seed", like="what plan_strips gives"))
def application_table(plan: StripPlan) -> pd.DataFrame:
    """List the strips in the order in which they lie, with what to apply and where.

    Returns
    -------
    DataFrame
        position, block, strip, kind, rate (or treatment), passes, from and to across the field (counted from
        the left, looking the way the strips are driven), start and end along it, harvest_from and harvest_to;
        units in the column names. ``counted`` says so on every row.

    Examples
    --------
    >>> from fertkit.trials.application import application_table
    >>> from fertkit.trials import plan_strips
    >>> plan = plan_strips(
    ...     [0, 60, 120], seed=7, blocks=4, header_width=30, applicator_width=60, strip_length=1200
    ... )
    >>> application_table(plan)["seed"].unique().tolist()
    [7]
    """
    w = plan.width_unit
    rated = all(isinstance(t, float) for t in plan.treatments)
    applied = f"rate_{plan.unit.replace('/', '_')}" if rated else "treatment"
    table = plan.strips.rename(
        columns={
            "treatment": applied, "left": f"from_{w}", "right": f"to_{w}", "start": f"start_{w}",
            "end": f"end_{w}", "harvest_left": f"harvest_from_{w}", "harvest_right": f"harvest_to_{w}",
        }
    )  # fmt: skip
    return table.assign(passes=plan.passes, seed=plan.seed, counted=SIDES)


@asks(
    plan=holding("treatments", "seed", like="what plan_strips gives"), path=a_path,
    boundary=either(a_dict, labels), headland=zero_or_more,
)  # fmt: skip
def write_application(plan: StripPlan, path, *, boundary=None, headland: float = 0.0) -> Path:
    """Write the application file: ``.csv``, or ``.geojson`` where a field boundary is given.

    Parameters
    ----------
    plan : StripPlan
    path : path
    boundary : sequence of (longitude, latitude) or GeoJSON dict, optional
        Field boundary [degrees, WGS 84].
    headland : float
        Turning room left at both ends of the strips [`plan.width_unit`].

    Raises
    ------
    LookupFailed
        If the ending of the file is neither, or GeoJSON is asked without a boundary.
    NotEstimable
        If the trial does not fit into the boundary.
    """
    path = Path(path)
    if path.suffix.lower() == ".csv":
        text = application_table(plan).to_csv(index=False)
    elif path.suffix.lower() in (".geojson", ".json"):
        if boundary is None:
            raise LookupFailed(
                "GeoJSON needs the field",
                "boundary=[(longitude, latitude), ...]",
                remedy="give its boundary, or write a .csv",
            )
        text = json.dumps(application_geojson(plan, boundary, headland=headland), indent=1)
    else:
        raise LookupFailed(f"unknown ending '{path.suffix}' of an application file; use .csv or .geojson")
    return write_whole(text, path)


@asks(
    plan=holding("treatments", "seed", like="what plan_strips gives"), boundary=either(a_dict, labels),
    headland=zero_or_more,
)  # fmt: skip
def application_geojson(plan: StripPlan, boundary, *, headland: float = 0.0) -> dict:
    """Lay the strips into a field and give them as GeoJSON polygons, cut at the boundary.

    Strips run along the longest side of the field and start from it, driven so that it lies to the left; see
    `write_application`.

    Returns
    -------
    dict
        A FeatureCollection; each strip has the columns of `application_table`, its area [ha] and the way it
        is driven: ``driven_deg`` [degrees clockwise from north] and ``driven`` in words.
    """
    corners = _corners(boundary)
    x, y, centre = to_metres(*corners.T)
    local, turn = _along_longest_side(np.column_stack([x, y]))
    unit = FOOT_M if plan.width_unit == "ft" else 1.0
    low, high = local.min(axis=0), local.max(axis=0)
    if plan.width * unit > high[1] - low[1] + 1e-6:
        raise NotEstimable(
            f"the trial is {plan.width:g} {plan.width_unit} wide, the field "
            f"{(high[1] - low[1]) / unit:.0f} {plan.width_unit} across its longest side; plan fewer strips"
        )
    features = []
    for record in application_table(plan).to_dict("records"):
        x = np.array([record[f"start_{plan.width_unit}"], record[f"end_{plan.width_unit}"]]) * unit
        # Driven against x, so that y counts from the left.
        x = np.sort(np.clip(high[0] - headland * unit - x, low[0] + headland * unit, None))
        y = np.array([record[f"from_{plan.width_unit}"], record[f"to_{plan.width_unit}"]]) * unit + low[1]
        piece = _cut(local, x, y)
        if len(piece) < 3 or area(piece) < 1e-6:
            raise NotEstimable(
                f"strip {record['position']} lies outside the field; plan fewer or shorter strips"
            )
        lon, lat = to_degrees(*(piece @ turn).T, centre)
        ring = [[round(float(a), 8), round(float(b), 8)] for a, b in zip(lon, lat, strict=True)]
        ring.append(ring[0])
        properties = {k: None if pd.isna(v) else v for k, v in record.items()} | {
            "area_ha": round(area(piece) / 1e4, 4), **_driven(turn)
        }  # fmt: skip
        shape = {"type": "Polygon", "coordinates": [ring]}
        features.append({"type": "Feature", "geometry": shape, "properties": _plain(properties)})
    return {"type": "FeatureCollection", "features": features}


def _driven(turn) -> dict:
    """The way the strips are driven, against the x of the turned field, as a bearing and in words."""
    east, north = -turn[0]
    bearing = float(np.degrees(np.arctan2(east, north)) % 360)
    winds = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return {"driven_deg": round(bearing, 1), "driven": f"towards the {winds[round(bearing / 45) % 8]}"}


def area(ring) -> float:
    """Area of a polygon by the shoelace formula [unit of the corners squared]."""
    x, y = np.asarray(ring, dtype=float).T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def _corners(boundary) -> np.ndarray:
    try:
        corners = outline(boundary)[:-1]
    except OutlineError as error:
        raise LookupFailed(f"the boundary of the field: {error}") from None
    if not (np.abs(corners) <= (180, 90)).all():
        raise LookupFailed("a boundary needs its corners as (longitude, latitude) in degrees")
    # Counter-clockwise, as RFC 7946 wants outer rings.
    x, y = corners.T
    return corners if x @ np.roll(y, -1) - y @ np.roll(x, -1) > 0 else corners[::-1]


def _along_longest_side(points):
    """Turn the field so that its longest side lies along x, with the field above it: (points, rotation)."""
    sides = np.roll(points, -1, axis=0) - points
    longest = int(np.hypot(*sides.T).argmax())
    dx, dy = sides[longest] / np.hypot(*sides[longest])
    turn = np.array([[dx, dy], [-dy, dx]])
    return points @ turn.T, turn


def _cut(ring, x, y):
    """Part of a polygon inside a rectangle (Sutherland & Hodgman 1974, Commun. ACM 17:32-42, from memory)."""
    for axis, limit, sign in ((0, x[0], 1), (0, x[1], -1), (1, y[0], 1), (1, y[1], -1)):
        ring = _cut_side(ring, axis, limit, sign)
    return np.array(ring)


def _cut_side(ring, axis, limit, sign):
    kept = []
    for a, b in zip(ring, [*ring[1:], *ring[:1]], strict=True):
        before, after = sign * (a[axis] - limit), sign * (b[axis] - limit)
        if before >= 0:
            kept.append(a)
        if before * after < 0:
            kept.append(a + (b - a) * before / (before - after))
    return kept


def _plain(record):
    return {k: v.item() if isinstance(v, np.generic) else v for k, v in record.items()}


# ---- outlines of fields and strips


class OutlineError(ValueError):
    """What is wrong with an outline, and the remedy."""

    def __init__(self, what: str, remedy: str):
        super().__init__(f"{what}; {remedy}")
        self.what, self.remedy = what, remedy


def outline(shape) -> np.ndarray:
    """Return the corners of a polygon, the first repeated at the end [(n, 2)].

    Parameters
    ----------
    shape : dict or sequence
        A GeoJSON Polygon of one ring, a MultiPolygon of one such polygon, a feature of it, or a collection of
        one feature; or its corners. A ring that is left open is closed (RFC 7946 wants it closed).

    Raises
    ------
    OutlineError
        If it is no polygon, has holes or several parts, or crosses itself.
    """
    try:
        while isinstance(shape, dict) and "coordinates" not in shape:
            many = shape.get("features") or [shape.get("geometry")]
            if len(many) > 1:
                raise OutlineError("there are several shapes", "give the one that is meant")
            shape = many[0]
        corners = _only_ring(shape) if isinstance(shape, dict) else shape
        ring = np.asarray([corner[:2] for corner in corners], dtype=float)
    except OutlineError:
        raise
    except (ValueError, TypeError, KeyError, IndexError, OverflowError):
        ring = np.empty((0, 2))
    return closed(ring)


def _only_ring(geometry):
    kind, rings = geometry["type"], geometry["coordinates"]
    if kind == "MultiPolygon":
        if len(rings) > 1:
            raise OutlineError(f"the polygon has {len(rings)} parts", "draw one polygon, without gaps")
        rings = rings[0]
    elif kind != "Polygon":
        raise OutlineError(f"the outline is a {shorten(kind)}, no polygon", "draw it as one polygon")
    if len(rings) > 1:
        many = "a hole" if len(rings) == 2 else f"{len(rings) - 1} holes"
        remedy = "holes are not read: cut the polygon so that it leaves them out, or drop them"
        raise OutlineError(f"the polygon has {many}", remedy)
    return rings[0]


def closed(ring) -> np.ndarray:
    """Close a ring of corners [(n, 2)] and refuse one that bounds no ground; see `outline`."""
    ring = np.asarray(ring, dtype=float)
    if ring.ndim != 2 or len(np.unique(ring, axis=0)) < 3 or not (np.abs(ring) <= LARGEST_NUMBER).all():
        raise OutlineError("the outline is no ring of three or more corners", "draw it as one polygon")
    if len(ring) > MOST_CORNERS:
        raise OutlineError(f"the outline has {len(ring)} corners", f"simplify it to {MOST_CORNERS} or fewer")
    if (ring[0] != ring[-1]).any():
        ring = np.vstack([ring, ring[:1]])
    if crosses_itself(ring):
        raise OutlineError("the outline crosses itself", "put its corners in order around the ground")
    return ring


def crosses_itself(ring) -> bool:
    """Whether two sides of a closed ring [(n, 2)] cross; sides that only touch do not."""
    start, end = ring[:-1], ring[1:]

    def side(a, b, c):
        turn = (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1])
        return np.sign(turn - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0]))

    for i in range(len(start) - 2):
        a, b, c, d = start[i], end[i], start[i + 2 :], end[i + 2 :]
        if ((side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)).any():
            return True
    return False
