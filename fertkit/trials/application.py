"""The file an operator follows: strips as a CSV table, or as shapes in the field as GeoJSON (RFC 7946)."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, asks, either, holding, labels, zero_or_more
from fertkit.errors import LookupFailed, NotEstimable
from fertkit.rounding import below
from fertkit.trials.layout import SIDES, StripPlan
from fertkit.trials.limits import default
from fertkit.trials.outline import OutlineError, outline
from fertkit.units import FOOT_M

PLACES = 41  # along the longest side at which a trial may start


@asks(plan=holding("treatments", "seed", of="plan_strips"))
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
    plan=holding("treatments", "seed", of="plan_strips"), boundary=either(a_dict, labels),
    line=labels, headland=zero_or_more,
)  # fmt: skip
def application_geojson(plan: StripPlan, boundary=None, *, line=None, headland: float = 0.0) -> dict:
    """Lay the strips into a field and give them as GeoJSON polygons, cut at the boundary if there is one.

    Without a line, strips run along the longest side of the field and start from it, driven so that it lies
    to the left, at the first place where the trial lies wholly in the field, or at the end. A line is the
    middle of the first applicator pass, driven from A to B: strips lie along it and to its right.

    Parameters
    ----------
    plan : StripPlan
    boundary : sequence of (longitude, latitude) or GeoJSON dict, optional
        Field boundary [degrees, WGS 84].
    line : two (longitude, latitude), optional
        A and B of the first pass.
    headland : float
        Turning room left at both ends of the strips [`plan.width_unit`].

    Returns
    -------
    dict
        A FeatureCollection; each strip has the columns of `application_table`, start, end and ``length`` as
        the boundary leaves them over its whole width, its area [ha], how much of what is planned that is
        (``kept_pct``), and the way it is driven: ``driven_deg`` [degrees clockwise from north] and
        ``driven`` in words. Pieces too short to harvest are left out.
    """
    place, w = _place(plan, boundary, line, headland), plan.width_unit
    features = []
    for record, piece, start, end in _harvestable(plan, place):
        ring = place.degrees(piece)
        properties = {k: None if pd.isna(v) else v for k, v in record.items()} | {
            f"start_{w}": start, f"end_{w}": end, f"length_{w}": round(end - start, 1),
            "area_ha": round(area(piece) / 1e4, 4),
            "kept_pct": round(100 * area(piece) / place.planned(record, w), 1),
            **_driven(place.turn),
        }  # fmt: skip
        features.append(_feature("Polygon", [[*ring, ring[0]]], _plain(properties)))
    return {"type": "FeatureCollection", "features": features}


def _harvestable(plan, place) -> list[tuple]:
    """Strips of a plan as records, each with its piece of the field and its start and end over its width."""
    w, kept = plan.width_unit, []
    for record in application_table(plan).sort_values(["position", f"start_{w}"]).to_dict("records"):
        piece = place.piece(record, w)
        if len(piece) < 3 or area(piece) < 1e-6:
            raise NotEstimable(
                f"the strip at position {record['position']} is outside the field; plan fewer strips, or "
                "place the first pass with an A-B line"
            )
        start, end = place.whole_width(record, piece, w)
        if not _too_short(end - start, record[f"end_{w}"] - record[f"start_{w}"], w):
            kept.append((record, piece, start, end))
    if not kept:
        raise NotEstimable("the boundary cuts every strip too short to harvest; plan fewer or shorter strips")
    return kept


def _too_short(length, planned, unit) -> bool:
    """Whether a cut strip has no yields left where a monitor's first and last ones are dropped."""
    least = 2 * default("yield_points", "edge") / (FOOT_M if unit == "ft" else 1.0)
    return below(length, planned) and below(length, min(least, planned / 2))


def guidance_geojson(plan: StripPlan, boundary=None, *, line=None, headland: float = 0.0) -> dict:
    """Give the middle of every applicator pass as a line from A to B, the first one the A-B line.

    Returns
    -------
    dict
        A FeatureCollection of lines with name, pass (from the left), strip, block, what is applied and
        ``driven_deg``; see `application_geojson`.
    """
    place, unit = _place(plan, boundary, line, headland), plan.width_unit
    width, features = plan.strip_width / plan.passes, []
    applied = next(c for c in application_table(plan) if c.startswith(("rate_", "treatment")))
    for record, *_ in _harvestable(plan, place):
        for number in range(plan.passes):
            middle = record[f"from_{unit}"] + (number + 0.5) * width
            hair = 1e-3 * width
            track = place.piece(record | {f"from_{unit}": middle - hair, f"to_{unit}": middle + hair}, unit)
            if len(track) < 3:
                raise NotEstimable(
                    f"pass {number + 1} of the strip at position {record['position']} lies outside the field"
                    "; plan fewer strips"
                )
            y = track[:, 1].mean()
            ends = place.degrees(np.array([[track[:, 0].max(), y], [track[:, 0].min(), y]]))
            count = (record["position"] - 1) * plan.passes + number + 1
            named = {"name": "A-B line" if not features else f"pass {count}", "pass": count}
            held = {key: record[key] for key in ("strip", "block", "kind", applied)}
            held = {k: None if pd.isna(v) else v for k, v in held.items()}
            features.append(_feature("LineString", ends, _plain(named | held | _driven(place.turn))))
    return {"type": "FeatureCollection", "features": features}


def _feature(kind, coordinates, properties) -> dict:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


@dataclass(frozen=True)
class _Place:
    """Where a trial lies: metres of a turned field, strips driven against x and counted along y.

    Attributes
    ----------
    ring : (n, 2) array or None
        The boundary.
    turn : (2, 2) array
    centre : (float, float)
        Longitude and latitude of the origin [degrees].
    scale : (2,) array
        Metres of a degree of each.
    start, left : float
        x of the near end and y of the left side of the trial.
    far : float
        Least x of a strip, its headland left.
    """

    ring: np.ndarray | None
    turn: np.ndarray
    centre: tuple[float, float]
    scale: np.ndarray
    start: float
    left: float
    far: float

    def piece(self, record, width_unit) -> np.ndarray:
        """Corners of a strip of `application_table`, as far as it lies in the field."""
        unit = FOOT_M if width_unit == "ft" else 1.0
        x = np.array([record[f"start_{width_unit}"], record[f"end_{width_unit}"]]) * unit
        # Driven against x, so that y counts from the left.
        x = np.sort(np.clip(self.start - x, self.far, None))
        y = np.array([record[f"from_{width_unit}"], record[f"to_{width_unit}"]]) * unit + self.left
        corners = np.array([[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]])
        return corners if self.ring is None else _cut(self.ring, x, y)

    def whole_width(self, record, piece, width_unit) -> tuple[float, float]:
        """Start and end of where a piece has the whole width of its strip [width unit]."""
        unit = FOOT_M if width_unit == "ft" else 1.0
        sides = self.left + unit * np.array([record[f"from_{width_unit}"], record[f"to_{width_unit}"]])
        along = [piece[np.abs(piece[:, 1] - y) < 1e-6, 0] for y in sides]
        if not all(map(len, along)):
            return 0.0, 0.0
        low, high = max(x.min() for x in along), min(x.max() for x in along)
        high = min(high, low + area(piece) / np.ptp(sides))  # a corner of the field may reach in
        start, end = round((self.start - high) / unit, 1), round((self.start - low) / unit, 1)
        return max(float(start), 0.0), max(float(end), float(start), 0.0)

    def planned(self, record, width_unit) -> float:
        """Area of a strip of `application_table` as planned [m2]."""
        side = (record[f"to_{width_unit}"] - record[f"from_{width_unit}"],
                record[f"end_{width_unit}"] - record[f"start_{width_unit}"])  # fmt: skip
        return float(np.prod(side)) * (FOOT_M if width_unit == "ft" else 1.0) ** 2

    def degrees(self, points) -> list[list[float]]:
        """Longitude and latitude of points, to a millimetre."""
        placed = points @ self.turn / self.scale + self.centre
        return [[round(float(lon), 8), round(float(lat), 8)] for lon, lat in placed]


def metres_a_degree(latitude: float) -> tuple[float, float]:
    """Metres of a degree of longitude and of latitude on the WGS 84 ellipsoid.

    Examples
    --------
    At the equator and at 45 degrees (NIMA TR8350.2: a = 6378137 m, 1/f = 298.257223563):

    >>> from fertkit.trials.application import metres_a_degree
    >>> [round(x, 1) for x in (*metres_a_degree(0.0), *metres_a_degree(45.0))]
    [111319.5, 110574.3, 78846.8, 111131.8]
    """
    major, flat = 6378137.0, 1 / 298.257223563
    squared = flat * (2 - flat)
    phi = np.radians(latitude)
    bulge = 1 - squared * np.sin(phi) ** 2
    degree = np.radians(1.0)
    east, north = np.cos(phi) / np.sqrt(bulge), (1 - squared) / bulge**1.5
    return float(degree * major * east), float(degree * major * north)


def _place(plan, boundary, line, headland) -> _Place:
    """Turn the field so that strips are driven against x, from its longest side or along a line."""
    unit = FOOT_M if plan.width_unit == "ft" else 1.0
    if boundary is None and line is None:
        raise LookupFailed("give the field boundary or an A-B line")
    corners = None if boundary is None else _corners(boundary)
    ends = None if line is None else _line(line)
    held = ends if corners is None else corners
    centre = tuple(held.mean(axis=0))
    scale = np.array(metres_a_degree(centre[1]))  # a receiver steers in metres of the ellipsoid
    ring = None if corners is None else (corners - centre) * scale
    if ends is None:
        ring, turn = _along_longest_side(ring)
        low, high = ring.min(axis=0), ring.max(axis=0)
        if plan.width * unit > high[1] - low[1] + 1e-6:
            raise NotEstimable(
                f"the trial is {plan.width:g} {plan.width_unit} wide, the field "
                f"{(high[1] - low[1]) / unit:.0f} {plan.width_unit} across its longest side; plan fewer "
                "strips"
            )
        far, sides = low[0] + headland * unit, np.array([plan.length, plan.width]) * unit
        start = _first_room(ring, high[0] - headland * unit, far, low[1], *sides)
        return _Place(ring, turn, centre, scale, start, low[1], far)
    ends = (ends - centre) * scale
    dx, dy = (ends[0] - ends[1]) / np.hypot(*(ends[0] - ends[1]))
    turn = np.array([[dx, dy], [-dy, dx]])
    start, middle = ends[0] @ turn.T
    left = middle - plan.strip_width / plan.passes * unit / 2
    if ring is None:
        return _Place(None, turn, centre, scale, start - headland * unit, left, -np.inf)
    ring = ring @ turn.T
    low, high = ring.min(axis=0), ring.max(axis=0)
    start = min(start, high[0]) - headland * unit
    return _Place(ring, turn, centre, scale, start, left, low[0] + headland * unit)


def _first_room(ring, end, far, left, length, width) -> float:
    """Largest x at which a trial can start to lie wholly in the field; the end if there is none."""
    for start in np.linspace(end, far + length, PLACES) if end - far > length else ():
        held = _cut(ring, (start - length, start), (left, left + width))
        if len(held) > 2 and area(held) > length * width * (1 - 1e-6):
            return float(start)
    return end


def _line(line) -> np.ndarray:
    """Two points of a line [degrees], at least a metre apart."""
    try:
        ends = np.array([[float(x) for x in point][:2] for point in line], dtype=float)
    except (TypeError, ValueError):
        ends = np.empty((0, 2))
    if ends.shape != (2, 2) or not (np.abs(ends) <= (180, 90)).all():
        raise LookupFailed("an A-B line needs A and B as longitude and latitude in degrees")
    if np.hypot(*((ends[1] - ends[0]) * metres_a_degree(ends[0, 1]))) < 1:
        raise LookupFailed("A and B of the line are the same point; give both ends of a pass")
    return ends


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
        raise LookupFailed("a boundary needs corners as (longitude, latitude) in degrees")
    # Counter-clockwise, as RFC 7946 wants outer rings.
    x, y = corners.T
    return corners if x @ np.roll(y, -1) - y @ np.roll(x, -1) > 0 else corners[::-1]


def _along_longest_side(points):
    """Turn the field so that its longest side lies along x, with the field above it: (points, rotation)."""
    sides = np.roll(points, -1, axis=0) - points
    lengths = np.hypot(*sides.T)
    longest = int((lengths > lengths.max() * (1 - 1e-6)).argmax())  # the first of those alike
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
