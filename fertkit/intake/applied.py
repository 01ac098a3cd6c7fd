"""Read the map of what was applied, and of zones: polygons or records, in the metres of a log."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem
from fertkit.intake.columns import RATE_HEADER, assign_roles, no_column
from fertkit.intake.points import ROLES as OF_POINTS
from fertkit.intake.points import YieldPoints, open_log, place_role, read_points, to_metres
from fertkit.intake.shapes import ZONE, PlaceMap, from_utm, named, read_map, utm_zone
from fertkit.intake.spellings import spaced
from fertkit.intake.strip_headers import read_header

#: Roles of the columns of a map.
OF_MAP = ("rate", "planned", "treatment", "trial", "block", "strip")


@dataclass(frozen=True)
class AppliedMap:
    """Features of a map, or of zones, in the local metres of a log.

    Attributes
    ----------
    name : str
    parts : list or None
        Of polygons, as in `fertkit.intake.shapes.PlaceMap`.
    at : (n, 2) array or None
        Of records.
    own : DataFrame
        What the features hold, by role; ``zone`` too where it is asked for.
    headers : dict
        Role -> header.
    """

    name: str
    parts: list | None
    at: np.ndarray | None
    own: pd.DataFrame
    headers: dict


def read_applied(log, applied, zones, *, crop, columns, units, width, utm):
    """Read a log, the map of what was applied and zones: (YieldPoints, AppliedMap, AppliedMap or None).

    Parameters are those of `fertkit.trials.joined.join_points`.

    Raises
    ------
    InputError
        With the problems of all files.
    """
    problems, columns = [], dict(columns or {})
    header = zones if isinstance(zones, str) and not _is_file(zones) else None
    own = {role: columns.pop(role) for role in OF_MAP if role in columns}
    held = _tried(problems, open_map, applied)
    of_map = held is not None and header in held.table
    if header and not of_map:
        columns["zone"] = header
    reading = {"crop": crop, "columns": columns, "width": width, "utm": utm}
    reading["units"] = {role: unit for role, unit in units.items() if role in OF_POINTS}
    field = held and _by_role(held, own, header if of_map else None, problems)
    rate = units.get("rate") or read_header(spaced((field and field.headers.get("rate")) or "")).unit
    if rate.endswith("/ha"):  # yields of the same area as rates
        reading["yield_unit"] = "t/ha"
    points = log if isinstance(log, YieldPoints) else _tried(problems, read_points, log, **reading)
    outlines = None if zones is None or header else _tried(problems, open_map, zones)
    zoned = outlines and _zones(outlines, problems)
    if points is not None:
        field = field and _in_plane(field, held, points, utm, problems)
        zoned = zoned and _in_plane(zoned, outlines, points, utm, problems)
    if problems:
        names = dict.fromkeys(problem.file for problem in problems if problem.file)
        raise InputError(" and ".join(names), problems)
    return points, field, zoned


def _tried(problems, read, *args, **options):
    """What a reader gives, or its problems among those of the others."""
    try:
        return read(*args, **options)
    except InputError as error:
        problems += error.of_file()
    return None


def _is_file(text) -> bool:
    return Path(text).suffix.lower() in (".geojson", ".json", ".shp", ".zip") or Path(text).is_file()


def open_map(source) -> PlaceMap:
    """Open polygons or records with places, whatever they hold."""
    held = read_map(source)
    if held is None:
        name, table, grid = open_log(source)
        held = PlaceMap(name, table, None, grid)
    return held


def _by_role(held, own, zone, problems) -> AppliedMap:
    """The columns of a map by role."""
    taken = _roles(held, own, problems)
    values = {role: held.table[header].reset_index(drop=True) for role, header in taken.items()}
    for role in {"rate", "planned"} & set(values):
        cells = values[role]
        values[role] = pd.to_numeric(cells, errors="coerce")
        wrong = values[role].isna() & cells.notna() & (cells.astype(str).str.strip() != "")
        problems += [
            Problem("not a number", "write the plain rate", int(i) + 1, str(taken[role]), str(cells[i]),
                    file=held.name)
            for i in np.flatnonzero(wrong)[: InputError.SHOWN]
        ]  # fmt: skip
    if zone is not None:
        values["zone"] = held.table[zone].reset_index(drop=True)
    return AppliedMap(held.name, None, None, pd.DataFrame(values), taken)


def _roles(held, own, problems) -> dict[str, str]:
    headers, asked = [str(header) for header in held.table], []
    said = [read_header(spaced(header)) for header in headers]

    def rivals_of(role, free):
        found = [(said[j].rank, not said[j].unit, j) for j in free if said[j].role == role]
        return [j for *sure, j in found if sure == list(min(found)[:2])]

    taken = assign_roles(headers, own, OF_MAP, asked, rivals_of)
    taken = {role: held.table.columns[j] for role, j in taken.items()}
    if "rate" not in taken and "planned" in taken:
        taken["rate"] = taken.pop("planned")
    if not {"rate", "treatment"} & {*taken, *own}:
        asked.append(no_column("rate", headers, RATE_HEADER))
    problems += [replace(problem, file=held.name) for problem in asked]
    return taken


def _zones(held, problems) -> AppliedMap | None:
    names = [named(row, ZONE) for row in held.table.to_dict("records")]
    if not all(names) and len(held.table.columns) == 1:
        names = held.table.iloc[:, 0].astype(str).tolist()
    if held.parts is None:
        problems.append(Problem("zones must be polygons", "or name a column of zones", file=held.name))
    elif not all(names):
        problems.append(Problem("zones without a name", "give each a property zone", file=held.name))
    else:
        return AppliedMap(held.name, None, None, pd.DataFrame({"zone": names}), {})
    return None


# ---- in the metres of the log


def _in_plane(field, held, points, utm, problems) -> AppliedMap:
    """The same with its shapes or places in the local metres of the log."""
    table = points.points
    flat = "easting" in table
    columns, plane = _coordinates(held) if held.parts is None else ((), bool(held.grid))
    grid = held.grid or ("metres" if plane else "")
    grid = utm_zone(utm) if utm and grid == "metres" else grid
    problem = None
    if columns is None:
        every = ", ".join(map(str, held.table))
        what = "no polygons or positions: no longitude and latitude, or easting and northing, among "
        problem = Problem(what + every, "rename them in the map", file=held.name)
    elif (flat and not grid) or (not flat and grid == "metres"):
        which = ("log", "map") if flat else ("map", "log")
        what = f"the {which[0]} is in metres and the {which[1]} in degrees"
        problem = Problem(what, "give the UTM zone of the metres: --utm 15N", file=held.name)
    if problem:
        problems.append(problem)
        return field
    local = _to_plane(table, flat, grid)
    if held.parts is None:
        at = held.table[list(columns)].apply(pd.to_numeric, errors="coerce").to_numpy(dtype=float)
        return replace(field, at=local(at))
    parts = [[[local(ring) for ring in rings] for rings in of] for of in held.parts]
    if "strip" in field.own:
        return replace(field, parts=parts)
    # Without names of strips, each part of a polygon may be a strip.
    each = np.repeat(np.arange(len(parts)), [len(of) for of in parts])
    return replace(field, parts=[[p] for of in parts for p in of],
                   own=field.own.iloc[each].reset_index(drop=True))  # fmt: skip


def _to_plane(table, flat, grid):
    """The function that brings positions of a map to the local metres of a log."""
    if flat:
        middle = [table["easting"].mean(), table["northing"].mean()]
        return lambda at: at - middle
    centre = table["lon"].mean(), table["lat"].mean()

    def local(at):
        lon, lat = from_utm(*at.T, grid) if grid else at.T
        return np.column_stack(to_metres(lon, lat, centre)[:2])

    return local


def _coordinates(held):
    """Headers of the positions of records, and whether they are of a plane; None where there are none."""
    for pair, plane in ((("lon", "lat"), False), (("easting", "northing"), True)):
        found = [next((h for h in held.table if place_role(h, role)), None) for role in pair]
        if None not in found:
            return found, plane
    return None, False
