"""Read the outlines of fields and zones from GeoJSON (RFC 7946), by the names they carry."""

import json
from pathlib import Path

from fertkit.asked import a_path, asks
from fertkit.errors import InputError, Problem
from fertkit.intake.grid import header_key

FIELD = ("field", "name", "field name", "paddock", "id")
ZONE = ("zone", "zone name", "part")
KINDS = ("Polygon", "MultiPolygon")


@asks(path=a_path)
def read_shapes(path) -> dict[tuple[str, str], dict]:
    """Read outlines: (field, zone) -> geometry as it stands, zone "" where none is named.

    Parameters
    ----------
    path : path
        A FeatureCollection of polygons, each with a property field (or name) and, of zones, zone.

    Raises
    ------
    InputError
        With every feature that is no polygon, has no name or has that of another.
    """
    name = Path(path).name
    try:
        held = json.loads(Path(path).read_text(encoding="utf-8-sig"))
        features = held["features"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise InputError(name, [Problem("not a GeoJSON collection of features", "export it again")]) from None
    shapes, problems = {}, []
    for number, feature in enumerate(features, 1):
        geometry, words = feature.get("geometry") or {}, feature.get("properties") or {}
        place = _named(words, FIELD), _named(words, ZONE)
        if geometry.get("type") not in KINDS:
            problems.append(Problem("not a polygon", "leave it out", number, value=geometry.get("type")))
        elif not place[0]:
            problems.append(Problem("no name of a field", "add a property field", number))
        elif place in shapes:
            problems.append(Problem("a field and zone twice", "join or rename them", number, value=place[0]))
        else:
            shapes[place] = geometry
    if problems:
        raise InputError(name, problems)
    return shapes


def _named(words, keys):
    """The property under one of some names, as text."""
    held = {header_key(str(key)): value for key, value in words.items()}
    found = next((held[key] for key in keys if held.get(key) not in (None, "")), "")
    return str(found).strip()
