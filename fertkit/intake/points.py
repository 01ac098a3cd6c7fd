"""Read the log of a yield monitor: harvest points → metric columns, yields at trade moisture."""

import io
import re
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_length, a_text, a_word, asks, header_by_role, words_by_name
from fertkit.delimited import decode
from fertkit.errors import InputError
from fertkit.intake.moisture import trade_source
from fertkit.intake.numbers import LARGEST, SMALLEST, number_style
from fertkit.intake.spellings import plain, problem, roles_of
from fertkit.intake.units import AREA_UNITS, LENGTH_M, area_unit, take_length
from fertkit.line_lengths import check_long_file
from fertkit.reference.crops import bushel_lb, crop_name, load_crops, trade_moisture_pct
from fertkit.reference.load import list_sources
from fertkit.results import Result
from fertkit.sizes import LARGEST_LOG, MOST_POINTS, bytes_of, too_large
from fertkit.tables import frame_grid, open_table, text_of
from fertkit.units import LB_KG, at_moisture, convert_area_rate

ROLES = roles_of("points")
#: Measure -> unit -> factor to kg/s and m.
_FACTORS = {"flow": {"lb/s": LB_KG, "kg/s": 1.0}, "length": LENGTH_M, "amount": dict.fromkeys(AREA_UNITS)}
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
    problems = []
    taken = _roles(list(cells.columns), columns or {}, problems)
    stated = _units_of(taken, units or {}, problems)
    if "width" not in taken and width is None:
        problems.append(problem("no header width"))
    raw = {} if problems else _numbers(cells, taken, problems)
    if problems:
        raise InputError(file, problems)
    standard = trade_moisture_pct(crop)
    points = _metric(raw, stated, width, crop, standard, yield_unit)
    for role in ("pass", "strip"):
        if role in taken:
            points[role] = cells[taken[role]].to_numpy()
    if "time" in taken:
        points["time"] = _clock(cells[taken["time"]])
    report = pd.DataFrame(
        [(f"column '{header}'", stated.get(role, ""), role) for role, header in taken.items()],
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


# ---- the log


def _cells(source, name) -> tuple[str, pd.DataFrame]:
    """Open the log; long ones through pandas, in the dialect of their first lines."""
    if isinstance(source, pd.DataFrame):
        _refuse_alike(frame_grid(source.head(0), name))
        return name or "table", source
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
    return head.name, table.rename(columns=lambda c: str(c).strip())


def _refuse_alike(head):
    """Two columns of one name cannot be stated apart."""
    names = next((row for row in head.cells if any(row)), [])
    twice = dict.fromkeys(name for j, name in enumerate(names) if name and name in names[:j])
    if twice:
        raise InputError(head.name, [problem("two of one name", name=name) for name in twice])


def _roles(headers, columns, problems) -> dict[str, str]:
    """The column of each role, as the caller says it or its header."""
    taken, blanks = {}, {"all": ", ".join(headers)}
    for role, header in columns.items():
        if role not in ROLES:
            problems.append(problem("unknown role", role=role, roles=", ".join(ROLES)))
        elif header not in headers:
            problems.append(problem("no such column", header=header, role=role, **blanks))
        else:
            taken[role] = header
    words = {header: set(re.split(r"[\s_()\[\],]+", plain(header))) for header in headers}
    for role, of in ROLES.items():
        found = [h for h, w in words.items() if w & set(of.words) and h not in taken.values()]
        if role not in taken and found:
            taken[role] = found[0]
            if len(found) > 1:
                names, in_code = ", ".join(f"'{h}'" for h in found), f"columns={{'{role}': ...}}"
                problems.append(problem("several columns", role=role, names=names, sum="", in_code=in_code))
    needed = ["lon", "lat", "moisture", "distance", *(() if "yield" in taken else ("flow", "seconds"))]
    for role in [role for role in needed if role not in taken]:
        in_code = f"columns={{'{role}': 'your header'}}"
        problems.append(problem("no column", role=role, example=role, in_code=in_code, **blanks))
    return taken


def _units_of(taken, units, problems) -> dict[str, str]:
    """Unit of each measured column."""
    stated = {}
    for role, header in taken.items():
        measures = ROLES[role].measures
        if not measures or (role == "yield" and "flow" in taken):
            continue
        known, unit = _FACTORS[measures], _unit(measures, units.get(role, header))
        if unit in known:
            stated[role] = unit
        else:
            problems.append(problem("no point unit", column=header, role=role, known=", ".join(known)))
    return stated


def _unit(measures, text) -> str:
    if measures == "amount":
        return area_unit(text)
    return take_length(re.split(r"[\s_()\[\]]+", plain(text)), measures)


def _numbers(cells, taken, problems) -> dict[str, np.ndarray]:
    raw = {}
    for role, header in taken.items():
        if ROLES[role].holds != "number":
            continue
        column = cells[header]
        if column.dtype == object:  # whole numbers beyond 64 bits
            column = column.map(str, na_action="ignore")
        numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        size = np.abs(numbers)
        for key, wrong in (
            ("not a number", ~np.isfinite(numbers) & column.notna().to_numpy()),
            ("no sensible number", (size > LARGEST) | ((size < SMALLEST) & (size > 0))),
            ("beyond the globe", size > _DEGREES.get(role, np.inf)),
        ):
            at = np.flatnonzero(wrong)[: InputError.SHOWN]
            problems += [problem(key, int(i) + 2, header, text_of(column.iloc[i])) for i in at]
        if role in _DEGREES and not np.isfinite(numbers).any():
            problems.append(problem("no position", column=header))
        raw[role] = numbers
    return raw


# ---- in metric units


def _clock(column) -> np.ndarray:
    """Times as they stand, or dates and times of day in seconds; missing where they cannot be read."""
    numbers = pd.to_numeric(column, errors="coerce")
    if numbers.isna().sum() == column.isna().sum():
        return numbers.to_numpy(dtype=float, na_value=np.nan)
    when = pd.to_datetime(column.astype(str), errors="coerce", format="mixed", utc=True)
    return ((when - when.min()) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)


def _metric(raw, stated, width, crop, standard, yield_unit) -> pd.DataFrame:
    x, y, _ = to_metres(raw["lon"], raw["lat"])
    distance = raw["distance"] * LENGTH_M[stated["distance"]]
    if "width" in raw:
        across = raw["width"] * LENGTH_M[stated["width"]]
    else:
        across = np.full(len(x), width[0] * LENGTH_M[_unit("length", width[1])])
    area = distance * across
    bushel = bushel_lb(crop) if "bu" in f"{yield_unit}{stated.get('yield', '')}" else None
    seconds = raw.get("seconds", np.full(len(x), np.nan))
    if "flow" in raw:
        mass = raw["flow"] * _FACTORS["flow"][stated["flow"]] * seconds
    else:
        mass = convert_area_rate(raw["yield"], stated["yield"], "kg/ha", lb_per_bushel=bushel) * area / 1e4
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
