"""Read maps: outlines of fields and zones, strips as applied, points with positions; GeoJSON or shapefile."""

import io
import json
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import a_path, asks
from fertkit.errors import InputError, Problem, shorten
from fertkit.intake.grid import header_key
from fertkit.sizes import LARGEST_LOG, bytes_of, too_large

FIELD = ("field", "name", "field name", "paddock", "id")
ZONE = ("zone", "zone name", "part")
KINDS = ("Polygon", "MultiPolygon")
#: Positions of points as columns: degrees, or metres of a plane grid.
DEGREES, METRES = ("longitude", "latitude"), ("easting", "northing")
_NOT_KNOWN = "save it in longitude and latitude (WGS 84) or a UTM zone"
_ZONED = re.compile(r"utm[_ ]zone[_ ](\d{1,2})([ns])")


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
    features = _features(Path(path).read_bytes(), name)["features"]
    shapes, problems = {}, []
    for number, feature in enumerate(features, 1):
        geometry, words = feature.get("geometry") or {}, feature.get("properties") or {}
        place = named(words, FIELD), named(words, ZONE)
        if geometry.get("type") not in KINDS:
            problems.append(Problem("not a polygon", "leave it out", number, value=geometry.get("type")))
        elif not place[0]:
            problems.append(Problem("no field name", "add a property field", number))
        elif place in shapes:
            problems.append(Problem("a field and zone twice", "join or rename them", number, value=place[0]))
        else:
            shapes[place] = geometry
    if problems:
        raise InputError(name, problems)
    return shapes


@asks(path=a_path)
def read_outline(path) -> dict:
    """Read the outline of one field from GeoJSON, as it stands.

    Raises
    ------
    InputError
        If the file is no GeoJSON.
    """
    held = _json(Path(path).read_bytes())
    if not isinstance(held, dict):
        raise InputError(Path(path).name, [Problem("not a GeoJSON object", "export the outline again")])
    return held


def _json(data):
    try:
        return json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return None


def named(words, keys):
    """Return the property under one of some names, as text."""
    held = {header_key(str(key)): value for key, value in words.items()}
    found = next((held[key] for key in keys if held.get(key) not in (None, "")), "")
    return str(found).strip()


# ---- maps of any kind


@dataclass(frozen=True)
class PlaceMap:
    """Things in a field with where they lie.

    Attributes
    ----------
    name : str
    table : DataFrame
        Properties, a row a thing; of points their positions too, under `DEGREES` or `METRES`.
    parts : list or None
        Of polygons: of each its parts, each a list of rings ((n, 2) arrays, the first the outline, the others
        holes).
    grid : str
        "" for longitude and latitude, a UTM zone such as 15N, "metres" for a plane that is not named.
    """

    name: str
    table: pd.DataFrame
    parts: list | None
    grid: str


def read_map(source, name=None) -> PlaceMap | None:
    """Read polygons or points of a GeoJSON file or a shapefile; None where the file is neither.

    Raises
    ------
    InputError
        With everything that is wrong: things without a shape, points among polygons, positions in a grid
        that is not known.
    """
    if isinstance(source, dict):
        name = name or "map"
        return _map(source, _grid_of(source, name), name)
    if isinstance(source, str | Path) and Path(source).suffix.lower() in (".shp", ".dbf", ".shx", ".zip"):
        name = name or Path(source).name
        return _map(*_shapefile(Path(source), name), name)
    if isinstance(source, pd.DataFrame) or not _begins(source).startswith(b"{"):
        return None
    data, name = bytes_of(source, name, LARGEST_LOG)
    held = _features(data, name)
    return _map(held, _grid_of(held, name), name)


def _begins(source) -> bytes:
    """The first bytes of a file, without marks and blanks; b"" where it cannot be looked into."""
    if hasattr(source, "read"):
        head = source.read(200) if source.seekable() else ""
        if head:
            source.seek(0)
        head = head.encode(errors="replace") if isinstance(head, str) else head
    elif isinstance(source, bytes | bytearray):
        head = bytes(source[:200])
    else:
        path = Path(source)
        head = b""
        if path.is_file():
            with path.open("rb") as opened:
                head = opened.read(200)
    return head.lstrip(b"\xef\xbb\xbf \t\r\n")


def _features(data, name) -> dict:
    held = _json(data)
    features = held.get("features") if isinstance(held, dict) else None
    if isinstance(features, list) and all(isinstance(f, dict) for f in features):
        return held
    raise InputError(name, [Problem("not a GeoJSON collection of features", "export it again")])


def _map(held, grid, name) -> PlaceMap:
    if not isinstance(held.get("features"), list):
        raise InputError(name, [Problem("not a GeoJSON collection of features", "export it again")])
    shapes, rows, problems, kinds = [], [], [], set()
    for number, feature in enumerate(held["features"], 1):
        geometry = feature.get("geometry") or {}
        kind = str(geometry.get("type", "")).removeprefix("Multi")
        words = feature.get("properties")
        if isinstance(words, dict) and words.get("kind") == "border":
            continue
        try:
            shapes.append(_SHAPES[kind](geometry))
            rows.append(words if isinstance(words, dict) else {})
            kinds.add(kind)
        except (KeyError, ValueError, TypeError, IndexError):
            what = "no polygon or point" if kind not in _SHAPES else f"a broken {kind.lower()}"
            problems.append(Problem(what, "leave it out, or draw it again", number, value=shorten(kind)))
    if len(kinds) > 1:
        problems.append(Problem("points among polygons", "save them as files of their own"))
    if not shapes and not problems:
        problems.append(Problem("the map is empty", "export it again"))
    if problems:
        raise InputError(name, problems)
    table = pd.DataFrame(rows)
    points = "Point" in kinds
    corners = np.concatenate(shapes if points else [r for parts in shapes for part in parts for r in part])
    grid = grid or ("" if (np.abs(corners) <= [180, 90]).all() else "metres")
    if points:
        at = np.array(shapes).reshape(-1, 2)
        columns = METRES if grid else DEGREES
        same = [c for c in table if header_key(str(c)) in (*DEGREES, *METRES, "lon", "long", "lat", "x", "y")]
        table = table.drop(columns=same).assign(**dict(zip(columns, at.T, strict=True)))
    return PlaceMap(name, table, None if points else shapes, "" if grid == "degrees" else grid)


def _ring(corners) -> np.ndarray:
    ring = np.array([corner[:2] for corner in corners], dtype=float)
    if len(ring) < 3 or not np.isfinite(ring).all():
        raise ValueError
    return ring if (ring[0] == ring[-1]).all() else np.vstack([ring, ring[:1]])


def _polygon(geometry) -> list:
    parts = geometry["coordinates"]
    parts = parts if geometry["type"] == "MultiPolygon" else [parts]
    return [[_ring(ring) for ring in part] for part in parts if part] or [][0]


def _point(geometry) -> np.ndarray:
    at = geometry["coordinates"]
    at = at[0] if geometry["type"] == "MultiPoint" and len(at) == 1 else at
    return np.array([[float(at[0]), float(at[1])]])


_SHAPES = {"Polygon": _polygon, "Point": _point}


def _grid_of(held, name) -> str:
    """The grid that an older GeoJSON file names; RFC 7946 knows degrees alone."""
    crs = held.get("crs")
    text = str(crs.get("properties", {}).get("name", "")) if isinstance(crs, dict) else ""
    return _known_grid(text, name) if text else ""


def _known_grid(text, name) -> str:
    """A UTM zone or "" (degrees) as a coordinate system is written; another one is refused."""
    plain = text.lower()
    code = re.search(r"epsg\D*(\d{4,5})$", plain.strip(" '\"]})"))
    zone = _ZONED.search(plain)
    if zone:
        return f"{int(zone[1])}{zone[2].upper()}"
    if code and re.fullmatch(r"(326|327|269)\d\d", code[1]):
        return f"{int(code[1][3:])}{'S' if code[1].startswith('327') else 'N'}"
    if "crs84" in plain or (code and code[1] in ("4326", "4269", "4258")) or plain.startswith("geogcs"):
        return "degrees"
    raise InputError(name, [Problem("unknown coordinate system", _NOT_KNOWN, value=shorten(text))])


def _shapefile(path, name) -> tuple[dict, str]:
    """Features of a shapefile, alone or zipped, and its grid as the .prj file says it."""
    try:
        import shapefile
    except ImportError:
        remedy = "install the extra 'maps' (pip install 'fertkit[maps]'), or save the map as GeoJSON"
        raise InputError(name, [Problem("shapefiles need the package pyshp", remedy)]) from None
    shapefile.VERBOSE = False  # rings wound the other way are told apart by what lies in what
    files = _zipped(path, name) if path.suffix.lower() == ".zip" else _beside(path, name)
    try:
        with shapefile.Reader(**{k: io.BytesIO(v) for k, v in files.items() if k != "prj"}) as reader:
            held = {"features": [
                {"geometry": s.shape.__geo_interface__ if s.shape.points else None,
                 "properties": s.record.as_dict()} for s in reader.iterShapeRecords()
            ]}  # fmt: skip
    except Exception as error:  # pyshp raises whatever a damaged file leads it to
        what = f"not a readable shapefile: {' '.join(str(error).split())[:120]}"
        raise InputError(name, [Problem(what, "export it again")]) from None
    prj = files.get("prj", b"").decode("latin-1").strip()
    return held, _known_grid(prj, name) if prj else ""


def _beside(path, name) -> dict[str, bytes]:
    files = {}
    for kind in ("shp", "shx", "dbf", "prj"):
        at = [f for f in (path.with_suffix(f".{kind}"), path.with_suffix(f".{kind.upper()}")) if f.exists()]
        files |= {kind: bytes_of(at[0], None, LARGEST_LOG)[0]} if at else {}
    _whole(files, name)
    return files


def _zipped(path, name) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(path) as packed:
            infos = {Path(i.filename).suffix.lower()[1:]: i for i in packed.infolist()
                     if not Path(i.filename).name.startswith(".")}  # fmt: skip
            infos = {kind: infos[kind] for kind in ("shp", "shx", "dbf", "prj") if kind in infos}
            if sum(i.file_size for i in infos.values()) > LARGEST_LOG:
                raise too_large(name, f"the map is larger than {LARGEST_LOG / 1e6:g} MB unpacked")
            files = {kind: packed.read(i) for kind, i in infos.items()}
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError):
        raise InputError(name, [Problem("not a readable zip file", "export it again")]) from None
    _whole(files, name)
    return files


def _whole(files, name):
    missing = [f".{kind}" for kind in ("shp", "dbf") if kind not in files]
    if missing:
        what = f"the {' and '.join(missing)} of the shapefile is missing"
        raise InputError(name, [Problem(what, "put all files of the shapefile in one folder")])


# ---- UTM


def from_utm(east, north, zone) -> tuple[np.ndarray, np.ndarray]:
    """Turn eastings and northings of a UTM zone such as 15N [m] into (lon, lat) [degrees].

    Notes
    -----
    Krüger's series to the third order of the flattening, WGS 84 (Karney 2011, J. Geod. 85:475-485, formulas
    from memory); within a millimetre inside a zone.
    """
    number, south = int(zone[:-1]), zone[-1].upper() == "S"
    a, f, scale = 6_378_137.0, 1 / 298.257223563, 0.9996
    n = f / (2 - f)
    radius = scale * a / (1 + n) * (1 + n**2 / 4 + n**4 / 64)
    y = (np.asarray(north, float) - 1e7 * south) / radius
    x = (np.asarray(east, float) - 5e5) / radius
    back = (n / 2 - 2 * n**2 / 3 + 37 * n**3 / 96, n**2 / 48 + n**3 / 15, 17 * n**3 / 480)
    up = (2 * n - 2 * n**2 / 3 - 2 * n**3, 7 * n**2 / 3 - 8 * n**3 / 5, 56 * n**3 / 15)
    xi = y - sum(b * np.sin(2 * j * y) * np.cosh(2 * j * x) for j, b in enumerate(back, 1))
    eta = x - sum(b * np.cos(2 * j * y) * np.sinh(2 * j * x) for j, b in enumerate(back, 1))
    chi = np.arcsin(np.sin(xi) / np.cosh(eta))
    lat = chi + sum(d * np.sin(2 * j * chi) for j, d in enumerate(up, 1))
    lon = np.arctan2(np.sinh(eta), np.cos(xi))
    return np.degrees(lon) + 6 * number - 183, np.degrees(lat)


def utm_zone(text) -> str:
    """Return a UTM zone as typed: ``15N``, ``zone 15 n``.

    Raises
    ------
    InputError
        If it is none.
    """
    hit = re.fullmatch(r"(?:utm)?\s*(?:zone)?\s*(\d{1,2})\s*(n|s)(?:orth|outh)?", str(text).strip().lower())
    if hit and 1 <= int(hit[1]) <= 60:
        return f"{int(hit[1])}{hit[2].upper()}"
    raise InputError("UTM zone", [Problem("no UTM zone", "write it as 15N or 33S", value=shorten(text))])
