"""Outlines of fields and strips: one closed ring of corners, from GeoJSON or a list, or refused in words."""

import numpy as np

from fertkit.errors import shorten
from fertkit.sizes import LARGEST_NUMBER

#: An outline of more corners is a tracing of something else (common practice, no source).
MOST_CORNERS = 5000


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
                raise OutlineError("there are several shapes", "give one")
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
            raise OutlineError(f"the polygon has {len(rings)} parts", "draw one polygon without gaps")
        rings = rings[0]
    elif kind != "Polygon":
        raise OutlineError(f"the outline is a {shorten(kind)}, no polygon", "draw it as one polygon")
    if len(rings) > 1:
        many = "a hole" if len(rings) == 2 else f"{len(rings) - 1} holes"
        remedy = "holes are not read; split the polygon around them, or remove them"
        raise OutlineError(f"the polygon has {many}", remedy)
    return rings[0]


def closed(ring) -> np.ndarray:
    """Close a ring of corners [(n, 2)] and refuse one that bounds no ground; see `outline`."""
    ring = np.asarray(ring, dtype=float)
    if ring.ndim != 2 or len(np.unique(ring, axis=0)) < 3 or not (np.abs(ring) <= LARGEST_NUMBER).all():
        raise OutlineError("the outline needs three or more corners", "draw it as one polygon")
    if len(ring) > MOST_CORNERS:
        raise OutlineError(f"the outline has {len(ring)} corners", f"simplify it to {MOST_CORNERS} or fewer")
    if (ring[0] != ring[-1]).any():
        ring = np.vstack([ring, ring[:1]])
    if crosses_itself(ring):
        raise OutlineError("the outline crosses itself", "list its corners in order")
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
