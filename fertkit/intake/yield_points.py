"""Read the log of a yield monitor: harvest points → metric columns, yields at trade moisture."""

import io
import re
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_length, a_text, a_word, asks, header_by_role, words_by_name
from fertkit.errors import InputError, Problem
from fertkit.intake.moisture import trade_source
from fertkit.intake.numbers import LARGEST, SMALLEST, number_style
from fertkit.intake.spellings import plain
from fertkit.intake.units import area_unit
from fertkit.line_lengths import check_long_file
from fertkit.reference.crops import bushel_lb, crop_name, load_crops, trade_moisture_pct
from fertkit.reference.load import list_sources
from fertkit.results import Result
from fertkit.sizes import LARGEST_LOG, MOST_POINTS, bytes_of, too_large
from fertkit.tables import RawTable, open_table, text_of
from fertkit.units import AREA_RATE_KG_HA, FOOT_M, LB_KG, at_moisture, convert_area_rate

#: Role -> words of its header.
POINT_WORDS = {
    "lon": ("longitude", "long", "lon"),
    "lat": ("latitude", "lat"),
    "flow": ("flow", "mass"),
    "yield": ("yield", "yld"),
    "seconds": ("seconds", "interval", "duration", "cycle"),
    "distance": ("distance", "dist", "travelled", "traveled"),
    "width": ("width", "swath"),
    "moisture": ("moisture", "moist"),
    "time": ("time",),
    "pass": ("pass",),
    "strip": ("strip",),
}
#: Unit -> factor to kg/s, m, s.
_FLOW = {"lb/s": LB_KG, "kg/s": 1.0}
_LENGTH = {"m": 1.0, "ft": FOOT_M, "in": FOOT_M / 12, "cm": 0.01}
_UNITS = {"flow": _FLOW, "distance": _LENGTH, "width": _LENGTH}
_SPELLINGS = {"inch": "in", "inches": "in", "feet": "ft", "lbs/s": "lb/s", "lb/sec": "lb/s", "kg/sec": "kg/s"}
_HEAD_BYTES = 65_536
_DEGREES = {"lon": 180, "lat": 90}
EARTH_M = 6_371_008.8  # mean radius (IUGG, from memory)


@dataclass(frozen=True)
class YieldPoints(Result):
    """Harvest points in file order.

    Attributes
    ----------
    points : DataFrame
        x_m, y_m (local, east and north of the middle), lon, lat, mass_kg (as harvested), moisture_pct,
        seconds, distance_m, width_m, area_m2, ``yield_<unit>`` at `standard_moisture_pct`, and pass, strip,
        time where the file has them (a date or a time of day in seconds; numbers in the file's unit).
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
    path_or_buffer=a_file, columns=header_by_role, units=words_by_name, width=a_length, yield_unit=a_word,
    name=a_text,
)  # fmt: skip
def read_points(
    path_or_buffer, *, crop: str, columns=None, units=None, width=None, yield_unit="bu/ac", name=None
) -> YieldPoints:
    """Read a yield-monitor log.

    Parameters
    ----------
    path_or_buffer : path, bytes, file-like or DataFrame
        CSV in any common dialect, one record a line, in the order of harvest.
    crop : str
        Gives bushel weight and trade moisture.
    columns : dict, optional
        Role (lon, lat, flow, yield, seconds, distance, width, moisture, time, pass, strip) → header, where
        headers do not tell.
    units : dict, optional
        Role → unit, where headers do not tell: flow in lb/s or kg/s; distance and width in in, ft, cm or
        m; yield in bu/ac, lb/ac, kg/ha, t/ha, ...
    width : (float, str), optional
        Header width and its unit, where no column holds it, e.g. ``(30, "ft")``.
    yield_unit : str
        Unit of the yields given back.

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
    file, cells = _cells(path_or_buffer, name)
    problems: list[Problem] = []
    taken = _roles(cells.columns, columns or {}, problems)
    told = _units_of(taken, units or {}, problems)
    if "width" not in taken and width is None:
        problems.append(Problem("no header width", "add a column 'width'", in_code="width=(30, 'ft')"))
    raw = {} if problems else _numbers(cells, taken, problems)
    if problems:
        raise InputError(file, problems)
    standard = trade_moisture_pct(crop)
    points = _metric(raw, told, width, crop, standard, yield_unit)
    for role in ("pass", "strip"):
        if role in taken:
            points[role] = cells[taken[role]].to_numpy()
    if "time" in taken:
        points["time"] = _clock(cells[taken["time"]])
    report = pd.DataFrame(
        [(f"column '{header}'", told.get(role, ""), role) for role, header in taken.items()],
        columns=["item", "found", "taken_as"],
    )
    return YieldPoints(points, crop, standard, yield_unit, file, report)


def to_metres(lon, lat, centre=None):
    """Bring longitude and latitude [degrees] to metres east and north of a centre: (x, y, centre)."""
    lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
    centre = (float(np.nanmean(lon)), float(np.nanmean(lat))) if centre is None else centre
    degree = np.radians(1.0) * EARTH_M
    return (lon - centre[0]) * degree * np.cos(np.radians(centre[1])), (lat - centre[1]) * degree, centre


def to_degrees(x, y, centre):
    """Turn metres east and north of a centre back to degrees: (lon, lat); see `to_metres`."""
    degree = np.radians(1.0) * EARTH_M
    return x / (degree * np.cos(np.radians(centre[1]))) + centre[0], y / degree + centre[1]


def _cells(source, name) -> tuple[str, pd.DataFrame]:
    """Open the log; long ones through pandas, in the dialect of their first lines."""
    if isinstance(source, pd.DataFrame):
        _refuse_alike(RawTable(name or "table", [list(map(str, source.columns))]))
        return name or "table", source
    data, name = bytes_of(source, name, LARGEST_LOG)
    if b"\r" in data and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("\n"))
    longest = np.diff(ends, prepend=-1, append=len(data))
    if longest.max() > _HEAD_BYTES:
        raise too_large(name, f"row {longest.argmax() + 1} is longer than {_HEAD_BYTES:,} bytes")
    first = data[:_HEAD_BYTES].rpartition(b"\n")[0]
    if len(ends) > MOST_POINTS:
        raise too_large(name, f"the log has more than {MOST_POINTS:,} rows")
    head = open_table(first if len(data) > _HEAD_BYTES else data, name=name)
    sep, decimal, encoding = head.delimiter or ",", _decimal(head), head.encoding
    try:
        if encoding == "utf-16":
            text = data.decode(encoding).replace("\r\n", "\n").replace("\r", "\n")
            data, encoding = text.encode(), "utf-8"
        _refuse_alike(head)
        check_long_file(io.BytesIO(data), sep, name)
        with warnings.catch_warnings():  # cells beyond the column names are empty, as was looked up
            warnings.simplefilter("ignore", pd.errors.ParserWarning)
            table = pd.read_csv(
                io.BytesIO(data),
                sep=sep,
                decimal=decimal,
                encoding=encoding,
                low_memory=False,
                index_col=False,
            )
    except (ValueError, TypeError, OverflowError) as error:
        reason = " ".join(str(error).split())
        raise InputError(
            name, [Problem(f"not a readable log ({reason})", "save it as CSV (UTF-8), one record a line")]
        ) from None
    return head.name, table.rename(columns=lambda c: str(c).strip())


def _refuse_alike(head: RawTable):
    """Two columns of one name cannot be told apart."""
    names = next((row for row in head.cells if any(row)), [])
    twice = dict.fromkeys(name for j, name in enumerate(names) if name and name in names[:j])
    if twice:
        problems = [
            Problem(f"two columns are named '{name}'", "keep one, or rename the other") for name in twice
        ]
        raise InputError(head.name, problems)


def _decimal(head: RawTable) -> str:
    cells = (cell for row in head.cells[1:200] for cell in row)
    return number_style(cells, head.delimiter).decimal or "."


def _roles(headers, columns, problems) -> dict[str, str]:
    taken = {}
    for role, header in columns.items():
        if role not in POINT_WORDS or header not in headers:
            problems.append(Problem(
                (f"no column '{header}' for the {role}" if role in POINT_WORDS else f"unknown role '{role}'"),
                f"the headers are: {', '.join(headers)}; the roles: {', '.join(POINT_WORDS)}",
            ))  # fmt: skip
        else:
            taken[role] = header
    words = {h: set(_words(h)) for h in headers}
    for role, names in POINT_WORDS.items():
        found = [h for h, w in words.items() if set(names) & w and h not in taken.values()]
        if role not in taken and found:
            taken[role] = found[0]
            if len(found) > 1:
                problems.append(Problem(
                    f"several columns could be the {role}: {', '.join(found)}",
                    "keep one of them, or rename the others", in_code=f"columns={{'{role}': ...}}",
                ))  # fmt: skip
    needed = ["lon", "lat", "moisture", "distance", *(() if "yield" in taken else ("flow", "seconds"))]
    for role in needed:
        if role not in taken:
            problems.append(Problem(
                f"no column for the {role}; the headers are: {', '.join(headers)}",
                f"write '{role}' as its header", in_code=f"columns={{'{role}': 'your header'}}",
            ))  # fmt: skip
    return taken


def _words(header) -> list[str]:
    return re.split(r"[\s_()\[\],]+", plain(header))


def _units_of(taken, units, problems) -> dict[str, str]:
    """Unit of each measured column."""
    told = {}
    for role in ("flow", "distance", "width", "yield"):
        if role not in taken or (role == "yield" and "flow" in taken):
            continue
        if role == "yield":
            known, unit = ("bu/ac", *AREA_RATE_KG_HA), area_unit(units.get(role, taken[role]))
        else:
            known, unit = _UNITS[role], _written(units.get(role), taken[role], _UNITS[role])
        if unit in known:
            told[role] = unit
        else:
            problems.append(Problem(
                f"the unit of the {role} is not known",
                f"write the unit into the header: {', '.join(known)}", column=taken[role],
                in_code=f"units={{'{role}': ...}}",
            ))  # fmt: skip
    return told


def _written(said, header, known) -> str:
    if said is not None:
        word = plain(said)
        return _SPELLINGS.get(word, word)
    words = (
        plain(header)
        .replace("(", " ")
        .replace(")", " ")
        .replace("_", " ")
        .replace("[", " ")
        .replace("]", " ")
    )
    found = [_SPELLINGS.get(w, w) for w in words.split()[1:]]
    return next((w for w in found if w in known), "")


def _numbers(cells, taken, problems) -> dict[str, np.ndarray]:
    raw = {}
    for role, header in taken.items():
        if role in ("pass", "strip", "time"):
            continue
        column = cells[header]
        column = (
            column.map(str, na_action="ignore") if column.dtype == object else column
        )  # whole numbers beyond 64 bits
        numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        bad = ~np.isfinite(numbers) & column.notna().to_numpy()
        for i in np.flatnonzero(bad)[: InputError.SHOWN]:
            remedy = "write the plain number, or leave the cell empty"
            problems.append(Problem("not a number", remedy, int(i) + 2, header, text_of(column.iloc[i])))
        size = np.abs(numbers)
        for i in np.flatnonzero((size > LARGEST) | ((size < SMALLEST) & (size > 0)))[: InputError.SHOWN]:
            remedy = "write the number as measured, or take the line out"
            problems.append(
                Problem("not a sensible number", remedy, int(i) + 2, header, text_of(column.iloc[i]))
            )
        for i in np.flatnonzero(np.abs(numbers) > _DEGREES.get(role, np.inf))[: InputError.SHOWN]:
            what, remedy = "beyond the globe", "give degrees with a decimal point, or take the point out"
            problems.append(Problem(what, remedy, int(i) + 2, header, text_of(column.iloc[i])))
        if role in _DEGREES and not np.isfinite(numbers).any():
            remedy = "fill in the positions, or name the column that holds them"
            problems.append(Problem("the column holds no position", remedy, column=header))
        raw[role] = numbers
    return raw


def _clock(column) -> np.ndarray:
    """Times as they stand, or dates and times of day in seconds; missing where they cannot be read."""
    numbers = pd.to_numeric(column, errors="coerce")
    if numbers.isna().sum() == column.isna().sum():
        return numbers.to_numpy(dtype=float, na_value=np.nan)
    when = pd.to_datetime(column.astype(str), errors="coerce", format="mixed", utc=True)
    return ((when - when.min()) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)


def _metric(raw, told, width, crop, standard, yield_unit) -> pd.DataFrame:
    x, y, _ = to_metres(raw["lon"], raw["lat"])
    distance = raw["distance"] * _LENGTH[told["distance"]]
    if "width" in raw:
        across = raw["width"] * _LENGTH[told["width"]]
    else:
        across = np.full(len(x), width[0] * _LENGTH[_written(width[1], "", _LENGTH)])
    area = distance * across
    bushel = bushel_lb(crop) if "bu" in f"{yield_unit}{told.get('yield', '')}" else None
    seconds = raw.get("seconds", np.full(len(x), np.nan))
    if "flow" in raw:
        mass = raw["flow"] * _FLOW[told["flow"]] * seconds
    else:
        mass = convert_area_rate(raw["yield"], told["yield"], "kg/ha", lb_per_bushel=bushel) * area / 1e4
    with np.errstate(divide="ignore", invalid="ignore"):
        per_ha = at_moisture(mass, raw["moisture"], standard) / (area / 1e4)
    column = f"yield_{yield_unit.replace('/', '_').lower()}"
    return pd.DataFrame(
        {
            "x_m": x, "y_m": y, "lon": raw["lon"], "lat": raw["lat"], "mass_kg": mass,
            "moisture_pct": raw["moisture"], "seconds": seconds, "distance_m": distance, "width_m": across,
            "area_m2": area, column: convert_area_rate(per_ha, "kg/ha", yield_unit, lb_per_bushel=bushel),
        }
    )  # fmt: skip
