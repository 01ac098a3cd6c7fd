"""Read the log of a yield monitor: harvest points → metric columns, yields at trade moisture."""

import io
import re
import warnings
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_length, a_text, a_word, asks, headers_by_role, words_by_name
from fertkit.delimited import decode
from fertkit.errors import InputError
from fertkit.intake.columns import assign_roles, no_column, roles_of, roles_said
from fertkit.intake.moisture import trade_source
from fertkit.intake.numbers import LARGEST, SMALLEST, number_style
from fertkit.intake.shapes import from_utm, read_map, utm_zone
from fertkit.intake.spellings import plain, problem, spaced
from fertkit.intake.strip_headers import read_header
from fertkit.intake.units import AREA_UNITS, LENGTH_M, area_unit, measured_in
from fertkit.line_lengths import check_long_file
from fertkit.reference.crops import bushel_lb, crop_name, load_crops, trade_moisture_pct
from fertkit.reference.load import list_sources
from fertkit.results import Result
from fertkit.sizes import LARGEST_LOG, MOST_POINTS, bytes_of, too_large
from fertkit.tables import frame_grid, open_table, text_of
from fertkit.units import LB_KG, at_moisture, convert_area_rate

ROLES = roles_of("points")
#: Measure -> unit -> factor to kg/s, m and m/s.
_FACTORS = {
    "flow": {"lb/s": LB_KG, "kg/s": 1.0}, "length": LENGTH_M, "amount": dict.fromkeys(AREA_UNITS),
    "speed": {"mph": 5280 * LENGTH_M["ft"] / 3600, "km/h": 1 / 3.6, "m/s": 1.0, "ft/s": LENGTH_M["ft"]},
}  # fmt: skip
_HEAD_BYTES = 65_536
_TITLES = 10  # lines in which headers are looked for below a title
_DEGREES = {"lon": 180, "lat": 90}
_PLANE = ("easting", "northing")
#: A step of time or place this many times the usual one is a gap in the log (common practice, no source).
_GAP = 5.0
EARTH_M = 6_371_008.8  # mean radius (IUGG, from memory)


@dataclass(frozen=True)
class YieldPoints(Result):
    """Harvest points in file order.

    Attributes
    ----------
    points : DataFrame
        x_m, y_m (local, east and north of the middle), lon, lat (missing of a plane grid that is not named,
        which has easting and northing), mass_kg (as harvested), moisture_pct, seconds, distance_m, width_m,
        area_m2, ``yield_<unit>`` at `standard_moisture_pct`, and pass, strip, zone, time where the file has
        them (in seconds).
    crop : str
    standard_moisture_pct : float
    yield_unit : str
    name : str
    report : DataFrame
        item, found, taken_as.
    """

    points: pd.DataFrame
    crop: str
    standard_moisture_pct: float
    yield_unit: str
    name: str
    report: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.points

    @property
    def sources(self) -> pd.DataFrame:
        """Sources of the trade moisture and the bushel weight."""
        bushel = load_crops().set_index("crop").loc[self.crop, "bushel_source_key"]
        return list_sources([trade_source(self.crop)[0], bushel])

    @property
    def yield_column(self) -> str:
        return f"yield_{self.yield_unit.replace('/', '_').lower()}"


@asks(
    path_or_buffer=a_file, columns=headers_by_role, units=words_by_name, width=a_length, yield_unit=a_word,
    name=a_text, utm=a_text,
)  # fmt: skip
def read_points(
    path_or_buffer, *, crop: str, columns=None, units=None, width=None, yield_unit="bu/ac", name=None,
    utm=None,
) -> YieldPoints:  # fmt: skip
    """Read a yield-monitor log.

    Parameters
    ----------
    path_or_buffer : path, bytes, file-like or DataFrame
        CSV in any common dialect, one record per line, in the order of harvest; or points as GeoJSON or
        shapefile. Where no column holds them, seconds come from the times of the records, distances from
        speeds or positions; yields that are stated at a moisture need none.
    crop : str
        Gives bushel weight and trade moisture.
    columns : dict, optional
        Role (lon, lat or easting, northing; flow, yield, seconds, distance, speed, width, moisture, time,
        pass, strip, zone) → header, where headers do not tell.
    units : dict, optional
        Role → unit, where headers do not tell: flow in lb/s or kg/s; distance and width in in, ft, cm or
        m; speed in mph, km/h, m/s or ft/s; yield in bu/ac, lb/ac, kg/ha, t/ha, ..., with the moisture at
        which it is stated where the header does not say: ``bu/ac at 15.5 %``.
    width : (float, str), optional
        Header width and its unit, where no column holds it, e.g. ``(30, "ft")``.
    yield_unit : str
        Unit of the yields given back.
    utm : str, optional
        UTM zone of eastings and northings, such as 15N.

    Raises
    ------
    InputError
        With every problem: missing column, unknown unit, text in a number.

    Examples
    --------
    >>> from io import StringIO
    >>> sheet = (
    ...     "Longitude,Latitude,Flow lb/s,Seconds,Distance in,Width ft,Moisture %,Time\\n"
    ...     "-93.00000,42.00000,18.0,1,72,30,15.5,0\\n-93.00000,42.00002,18.2,1,72,30,15.4,1\\n"
    ... )
    >>> from fertkit.intake import read_points
    >>> points = read_points(StringIO(sheet), crop="corn").table
    >>> float(points["yield_bu_ac"].iloc[0].round(1))  # 18 lb on 6 ft x 30 ft
    77.8
    """
    crop = crop_name(crop)
    file, cells, grid = open_log(path_or_buffer, name)
    grid = utm_zone(utm) if utm else grid
    problems, units = [], units or {}
    taken = _roles(list(cells.columns), columns or {}, units, problems)
    stated = _units_of(taken, units, problems)
    at_pct = _stated_moisture(taken, units, problems)
    if "width" not in taken and width is None:
        problems.append(problem("no header width"))
    raw = {} if problems else _numbers(cells, taken, problems)
    if not problems:
        _check_plane(raw, taken, problems)
    if problems:
        raise InputError(file, problems)
    clock = _clock(cells[taken["time"]]) if "time" in taken else None
    places, derived = _places(raw, grid), []
    _complete(raw, stated, places, clock, derived)
    standard = trade_moisture_pct(crop)
    measured = _metric(raw, stated, width, crop, (standard, at_pct), yield_unit)
    points = pd.DataFrame(places | measured)
    for role in ("pass", "strip", "zone"):
        if role in taken:
            points[role] = cells[taken[role]].to_numpy()
    if clock is not None:
        points["time"] = clock
    rows = [(f"column '{header}'", stated.get(role, ""), role) for role, header in taken.items()]
    report = pd.DataFrame([*rows, *derived], columns=["item", "found", "taken_as"])
    return YieldPoints(points, crop, standard, yield_unit, file, report)


def to_metres(lon, lat, centre=None):
    """Bring longitude and latitude [degrees] to metres east and north of a centre: (x, y, centre)."""
    lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
    centre = (float(np.nanmean(lon)), float(np.nanmean(lat))) if centre is None else centre
    degree = np.radians(1.0) * EARTH_M
    return (lon - centre[0]) * degree * np.cos(np.radians(centre[1])), (lat - centre[1]) * degree, centre


# ---- the log


def open_log(source, name=None) -> tuple[str, pd.DataFrame, str]:
    """Open records with positions: (name, table, grid as `fertkit.intake.shapes.PlaceMap` names it).

    Long text files go through pandas, in the dialect of their first lines.
    """
    if isinstance(source, pd.DataFrame):
        _refuse_alike(frame_grid(source.head(0), name))
        return name or "table", source, ""
    held = read_map(source, name)
    if held is not None:
        if held.parts is not None:
            raise InputError(held.name, [problem("polygons as log")])
        return held.name, held.table, held.grid
    data, name = bytes_of(source, name, LARGEST_LOG)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        data = decode(data, name)[0].encode()
    data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in data else data
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("\n"))
    longest = np.diff(ends, prepend=-1, append=len(data))
    if longest.max() > _HEAD_BYTES:
        raise too_large(name, f"row {longest.argmax() + 1} is longer than {_HEAD_BYTES:,} bytes")
    if len(ends) > MOST_POINTS:
        raise too_large(name, f"the log has more than {MOST_POINTS:,} rows")
    first = data[:_HEAD_BYTES].rpartition(b"\n")[0]
    head = open_table(first if len(data) > _HEAD_BYTES else data, name=name)
    if titles := _titles(head):  # emptied, so that lines keep their numbers
        data = b"\n" * titles + data.split(b"\n", titles)[-1]
        head = replace(head, cells=head.cells[titles:])
    _refuse_alike(head)
    check_long_file(io.BytesIO(data), head.delimiter or ",", name)
    style = number_style((cell for row in head.cells[1:200] for cell in row), head.delimiter)
    try:
        with warnings.catch_warnings():  # cells beyond the column names are empty, as was looked up
            warnings.simplefilter("ignore", pd.errors.ParserWarning)
            table = pd.read_csv(
                io.BytesIO(data), sep=head.delimiter or ",", decimal=style.decimal or ".",
                encoding=head.encoding, low_memory=False, index_col=False,
            )  # fmt: skip
    except (ValueError, TypeError, OverflowError) as error:
        raise InputError(name, [problem("no log", error=" ".join(str(error).split()))]) from None
    table.attrs = {"above": titles, "decimal": style.decimal or "."}
    return head.name, table.rename(columns=lambda c: str(c).strip()), ""


def _titles(head) -> int:
    """How many lines above the headers hold one text or none."""
    filled = [sum(map(bool, row)) for row in head.cells[:_TITLES]]
    first = next((i for i, n in enumerate(filled) if n > 2), 0)
    return first if all(n < 2 for n in filled[:first]) and any(filled[:first]) else 0


def _refuse_alike(head):
    """Two columns of one name cannot be stated apart."""
    names = next((row for row in head.cells if any(row)), [])
    twice = dict.fromkeys(name for j, name in enumerate(names) if name and name in names[:j])
    if twice:
        raise InputError(head.name, [problem("two of one name", name=name) for name in twice])


def _roles(headers, columns, units, problems) -> dict[str, str]:
    """The column of each role, as the caller says it or its header."""

    def rivals_of(role, free):
        found = [headers[j] for j in free if place_role(headers[j], role)]
        found = [h for h in found if _measured(role, h, units)] or found
        return [headers.index(h) for h in (_harvested(found) if role == "yield" else found)]

    taken = assign_roles(headers, columns, ROLES, problems, rivals_of)
    taken = {role: headers[j] for role, j in taken.items()}
    if "yield" in taken and "flow" in taken and not {"seconds", "time"} & set(taken):
        del taken["flow"]
    problems += [no_column(role, headers, role) for role in _absent(taken, units)]
    return taken


def place_role(header, role) -> bool:
    """Tell whether a header of records with positions says a role; x and y only where they stand alone."""
    words = {*re.split(r"[\s_()\[\],]+", plain(spaced(header))), ""} - {""}
    alone = words - {"m", "utm", "coord", "coordinate"}
    return role in roles_said("points", words) or alone == {dict(zip(_PLANE, "xy", strict=True)).get(role)}


def _measured(role, header, units) -> bool:
    measures = ROLES[role].measures
    return not measures or measured_in(measures, units.get(role, header)) in _FACTORS[measures]


def _harvested(headers) -> list[str]:
    """Of columns of yields those as harvested, in a mass before bushels: the others follow from them."""
    for kind in (lambda h: not read_header(h, "yield").dry, lambda h: area_unit(h) != "bu/ac"):
        headers = [h for h in headers if kind(h)] or headers
    return headers


def _absent(taken, units) -> list[str]:
    """Roles without a column, of those that no other stands in for."""
    plane = set(_PLANE) & set(taken) and not {"lon", "lat"} & set(taken)
    needed = [*(_PLANE if plane else ("lon", "lat"))]
    if "yield" not in taken:
        needed += ["flow", *(["seconds"] if "time" not in taken else [])]
    if "yield" not in taken or "flow" in taken or not _said(taken, units).dry:
        needed.append("moisture")
    return [role for role in needed if role not in taken]


def _said(taken, units):
    """What the header of the yields says, completed by the unit that the caller states."""
    return read_header(f"{taken['yield']} {units.get('yield', '')}", "yield")


def _stated_moisture(taken, units, problems) -> float | None:
    """Moisture at which the yields are stated [%]; None where they are as harvested."""
    if "yield" not in taken or "flow" in taken:
        return None
    says = _said(taken, units)
    if says.dry and not says.at_pct and "matter" not in plain(f"{taken['yield']} {units.get('yield', '')}"):
        problems.append(problem("dry at what", header=taken["yield"]))
    return says.at_pct if says.dry else None


def _units_of(taken, units, problems) -> dict[str, str]:
    """Unit of each measured column."""
    stated = {}
    for role, header in taken.items():
        measures = ROLES[role].measures
        spare = role == "speed" and "distance" in taken
        if not measures or spare or (role == "yield" and "flow" in taken):
            continue
        known, unit = _FACTORS[measures], measured_in(measures, units.get(role, header))
        if unit in known:
            stated[role] = unit
        else:
            problems.append(problem("no point unit", column=header, role=role, known=", ".join(known)))
    return stated


def _check_plane(raw, taken, problems):
    """Columns x and y may be degrees."""
    if "easting" in raw and "lon" not in raw and len(plain(taken["easting"])) == 1:
        x, y = (np.nanmax(np.abs(raw[role])) for role in _PLANE)
        if x <= _DEGREES["lon"] and y <= _DEGREES["lat"]:
            problems.append(problem("degrees or metres", x=taken["easting"], y=taken["northing"]))


def _numbers(cells, taken, problems) -> dict[str, np.ndarray]:
    raw = {}
    for role, header in taken.items():
        if ROLES[role].holds != "number":
            continue
        column = cells[header]
        if column.dtype == object:  # whole numbers beyond 64 bits
            column = column.map(str, na_action="ignore")
        as_read = column
        if cells.attrs.get("decimal") == "," and column.dtype.kind not in "iufb":  # a word leaves all as text
            column = column.str.replace(",", ".")
        numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        size = np.abs(numbers)
        for key, wrong in (
            ("not a number", ~np.isfinite(numbers) & column.notna().to_numpy()),
            ("no sensible number", (size > LARGEST) | ((size < SMALLEST) & (size > 0))),
            ("beyond the globe", size > _DEGREES.get(role, np.inf)),
        ):
            at = np.flatnonzero(wrong)[: InputError.SHOWN]
            above = cells.attrs.get("above", 0) + 2
            problems += [problem(key, int(i) + above, header, text_of(as_read.iloc[i])) for i in at]
        if role in (*_DEGREES, *_PLANE) and not np.isfinite(numbers).any():
            problems.append(problem("no position", column=header))
        raw[role] = numbers
    return raw


# ---- in metric units


def _clock(column) -> np.ndarray:
    """Times in seconds: numbers, dates or times of day; missing where they cannot be read."""
    numbers = pd.to_numeric(column.astype(str) if column.dtype.kind == "M" else column, errors="coerce")
    if numbers.isna().sum() == column.isna().sum():
        clock = numbers.to_numpy(dtype=float, na_value=np.nan)
        step = np.diff(clock)
        usual = np.median(step[step > 0]) if (step > 0).any() else 0.0
        # A log records every few seconds: a hundred and more are thousandths, millionths or billionths.
        return clock / next((size for size in (1e9, 1e6, 1e3) if usual >= 0.1 * size), 1.0)
    when = pd.to_datetime(column.astype(str), errors="coerce", format="mixed", utc=True)
    return ((when - when.min()) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)


def _places(raw, grid) -> dict[str, np.ndarray]:
    """Positions: local metres, degrees where they are known, else the plane of the file."""
    if "lon" not in raw and grid not in ("", "metres"):
        raw["lon"], raw["lat"] = from_utm(raw["easting"], raw["northing"], grid)
    if "lon" in raw:
        x, y, _ = to_metres(raw["lon"], raw["lat"])
        return {"x_m": x, "y_m": y, "lon": raw["lon"], "lat": raw["lat"]}
    east, north = raw["easting"], raw["northing"]
    blank = np.full(len(east), np.nan)
    places = {"x_m": east - np.nanmean(east), "y_m": north - np.nanmean(north), "lon": blank, "lat": blank}
    return places | {"easting": east, "northing": north}


def _complete(raw, stated, places, clock, derived):
    """Seconds from times, distances from speeds or positions, where no column holds them."""
    if "seconds" not in raw and clock is not None and np.isfinite(clock).sum() > 1:
        raw["seconds"] = _steps(clock)
        derived.append(("seconds", "no column", "the time from one record to the next"))
    if "distance" in raw:
        return
    stated["distance"] = "m"
    if "speed" in raw and "seconds" in raw:
        raw["distance"] = raw["speed"] * _FACTORS["speed"][stated["speed"]] * raw["seconds"]
        derived.append(("distance", "no column", "speed times seconds"))
    else:
        way = np.hypot(np.diff(places["x_m"]), np.diff(places["y_m"]))
        raw["distance"] = _steps(np.r_[0.0, np.nan_to_num(way).cumsum()])
        derived.append(("distance", "no column", "the distance from one position to the next"))


def _steps(clock) -> np.ndarray:
    """Step to each record from the one before it; the usual one after a gap and where it stands still."""
    steps = np.diff(clock, prepend=np.nan)
    passed = steps[steps > 0]
    usual = float(np.median(passed)) if len(passed) else np.nan
    with np.errstate(invalid="ignore"):
        return np.where((steps >= 0) & (steps <= _GAP * usual), steps, usual)


def _metric(raw, stated, width, crop, moistures, yield_unit) -> dict[str, np.ndarray]:
    """What each record harvested, of what ground; moistures are those of the trade and of the yields."""
    standard, at_pct = moistures
    distance = raw["distance"] * LENGTH_M[stated["distance"]]
    if "width" in raw:
        across = raw["width"] * LENGTH_M[stated["width"]]
    else:
        across = np.full(len(distance), width[0] * LENGTH_M[measured_in("length", width[1])])
    area = distance * across
    bushel = bushel_lb(crop) if "bu" in f"{yield_unit}{stated.get('yield', '')}" else None
    seconds = raw.get("seconds", np.full(len(area), np.nan))
    moisture = raw.get("moisture", np.full(len(area), at_pct))
    if "flow" in raw:
        mass = raw["flow"] * _FACTORS["flow"][stated["flow"]] * seconds
    else:
        mass = convert_area_rate(raw["yield"], stated["yield"], "kg/ha", lb_per_bushel=bushel) * area / 1e4
        mass = mass if at_pct is None else mass * (100 - at_pct) / (100 - moisture)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_ha = at_moisture(mass, moisture, standard) / (area / 1e4)
    column = f"yield_{yield_unit.replace('/', '_').lower()}"
    return {
        "mass_kg": mass, "moisture_pct": moisture, "seconds": seconds, "distance_m": distance,
        "width_m": across, "area_m2": area,
        column: convert_area_rate(per_ha, "kg/ha", yield_unit, lb_per_bushel=bushel),
    }  # fmt: skip
