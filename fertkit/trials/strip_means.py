"""From cleaned harvest points to one row a strip: the only replicates a strip trial has."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_path, asks, either, holding
from fertkit.errors import InputError, LookupFailed, NotEstimable, Problem, shorten
from fertkit.results import Result, checks_frame
from fertkit.sizes import bytes_of
from fertkit.trials.limits import check_row
from fertkit.trials.outline import OutlineError, outline
from fertkit.trials.places import inside
from fertkit.trials.points import CleanedPoints


@dataclass(frozen=True)
class StripMeans(Result):
    """Means of strips from harvest points.

    Attributes
    ----------
    strips : DataFrame
        trial, block, strip, rate_<unit> or treatment, yield_<unit> (at trade moisture, weighted by area),
        harvest_moisture_pct (weighted by mass), stated_moisture_pct (of the yields; `read_strips` knows both
        and dries nothing twice), points, area_ha.
    name : str
    checks : DataFrame
    """

    strips: pd.DataFrame
    name: str
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.strips


@asks(
    cleaned=holding("points", "yield_column", of="clean_points"), strips=either(a_dict, a_path),
)  # fmt: skip
def strip_means(cleaned: CleanedPoints, strips, *, trial: str | None = None) -> StripMeans:
    """Average the points of each strip.

    Parameters
    ----------
    cleaned : CleanedPoints
    strips : path or dict
        The strips as GeoJSON, as `fertkit layout` writes them: polygons with the properties
        strip, block and ``rate_<unit>`` or treatment. Borders are left out.
    trial : str, optional
        Name of the trial; that of the log by default.

    Raises
    ------
    InputError
        If strips overlap, have holes, cross themselves or lack what is needed. A ring left open is closed.
    NotEstimable
        If no point lies in any strip.

    Examples
    --------
    One strip over the whole of a made-up log:

    >>> from fertkit.trials import strip_means
    >>> import numpy as np
    >>> import pandas as pd
    >>> from fertkit.intake import read_points
    >>> step = np.arange(60)
    >>> log = pd.DataFrame({"lon": -93.0, "lat": 42 + step * 2e-5, "flow": 18 + step % 3 * 0.1, "seconds": 1,
    ...                     "distance": 7.3, "width": 30.0, "moisture": 15.5})
    >>> units = {"flow": "lb/s", "distance": "ft", "width": "ft"}
    >>> points = read_points(log, crop="corn", units=units)
    >>> from fertkit.trials import clean_points
    >>> ring = [[-93.001, 41.99], [-92.999, 41.99], [-92.999, 42.01], [-93.001, 42.01], [-93.001, 41.99]]
    >>> strip = {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]},
    ...          "properties": {"strip": 1, "block": 1, "rate_lb_ac": 60, "kind": "strip"}}
    >>> means = strip_means(clean_points(points), {"type": "FeatureCollection", "features": [strip]})
    >>> means.table[["strip", "rate_lb_ac", "points"]].values.tolist()  # 18 at the pass ends are left out
    [[1, 60, 42]]
    """
    own, rings = _shapes(strips)
    kept = cleaned.kept
    code = _locate(kept["lon"].to_numpy(), kept["lat"].to_numpy(), own, rings)
    within = code >= 0
    if not within.any():
        raise NotEstimable("no harvest point lies in a strip: same field?")
    moisture = cleaned.standard_moisture_pct
    sums = sums_of(kept[within], code[within], cleaned.yield_column, moisture, len(own))
    table = pd.DataFrame(own)
    keep = [
        c for c in table.columns if c in ("block", "strip", "treatment", "position") or c.startswith("rate_")
    ]
    table = pd.concat([table[keep], sums], axis=1)
    table.insert(0, "trial", trial or Path(cleaned.name).stem)
    return StripMeans(table, cleaned.name, checks_frame(_checks(table, cleaned.yield_column, within)))


def sums_of(points, code, column, stated_pct, n) -> pd.DataFrame:
    """Means of the points of each of n strips: yield by area, moisture by mass, number and area."""

    def total(weights):
        return np.bincount(code, weights=weights, minlength=n)

    area, mass = points["area_m2"].to_numpy(), points["mass_kg"].to_numpy()
    count = np.bincount(code, minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        # Sum of grain over sum of ground: a slow stretch counts for its ground, not for its records.
        mean = total(points[column].to_numpy() * area) / total(area)
        moisture = total(points["moisture_pct"].to_numpy() * mass) / total(mass)
    return pd.DataFrame(
        {
            column: mean,
            "harvest_moisture_pct": moisture,
            "stated_moisture_pct": stated_pct,
            "points": count,
            "area_ha": total(area) / 1e4,
        }
    )


def _shapes(strips) -> tuple[list[dict], list[np.ndarray]]:
    """Properties and outlines of the strips, borders left out, with every problem told at once."""
    name = "strips"
    if not isinstance(strips, dict):
        data, name = bytes_of(strips)
        try:
            strips = json.loads(data)
        except (ValueError, RecursionError):
            raise InputError(name, [Problem("not a GeoJSON file", "save the strips as GeoJSON")]) from None
    if not isinstance(strips, dict) or not isinstance(strips.get("features"), list):
        raise LookupFailed("strips must be a GeoJSON FeatureCollection of polygons")
    shapes = [f for f in strips["features"] if _properties(f).get("kind") != "border"]
    problems, seen, rings = [], set(), []
    for number, shape in enumerate(shapes, 1):
        own = _properties(shape)
        try:
            rings.append(outline(shape))
        except OutlineError as error:
            which = f"strip {shorten(own.get('strip'))}: " if own.get("strip") is not None else ""
            problems.append(Problem(f"{which}{error.what}", error.remedy, number))
        if own.get("strip") is None:
            problems.append(
                Problem("the strip has no number", "give each feature a property 'strip'", number)
            )
        if not any(k.startswith("rate_") or k == "treatment" for k in own):
            problems.append(Problem("the strip has no rate", "give a property such as 'rate_lb_ac'", number))
        strip = shorten(own.get("strip"))
        if own.get("strip") is not None and strip in seen:
            problems.append(Problem(f"strip {strip} is given twice", "number each strip once", number))
        seen.add(strip)
    if problems:
        raise InputError(name, problems)
    return [_properties(shape) for shape in shapes], rings


def _properties(feature) -> dict:
    own = feature.get("properties") if isinstance(feature, dict) else None
    return own if isinstance(own, dict) else {}


def _locate(lon, lat, own, rings) -> np.ndarray:
    """Number of the strip each point lies in, -1 for none; points in two strips are a problem."""
    code = np.full(len(lon), -1)
    problems = []
    for number, ring in enumerate(rings):
        low, high = ring.min(axis=0), ring.max(axis=0)
        near = np.flatnonzero((lon >= low[0]) & (lon <= high[0]) & (lat >= low[1]) & (lat <= high[1]))
        here = near[inside(lon[near], lat[near], [ring])]
        for other in np.unique(code[here][code[here] >= 0]):
            both = int((code[here] == other).sum())
            names = own[other]["strip"], own[number]["strip"]
            problems.append(Problem(
                f"strips {names[0]} and {names[1]} overlap: {both} points lie in both",
                "draw strips that only touch",
            ))  # fmt: skip
        code[here] = number
    if problems:
        raise InputError("strips", problems)
    return code


def _checks(table, column, inside):
    empty = table.loc[table[column].isna(), "strip"]
    return [
        check_row("strip means", "strips without points", len(empty), strips=", ".join(map(str, empty))),
        check_row("strip means", "points outside the strips", int((~inside).sum())),
    ]
