"""Tell harvest points and sub-samples from strips: neither may pass for replicates."""

import numpy as np
import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.spellings import plain
from fertkit.results import counted

#: Words that name a coordinate, by axis.
_AXES = (
    {"lon", "long", "longitude", "lng", "x", "easting", "east", "utm x", "x coord", "laenge", "longitud"},
    {"lat", "latitude", "y", "northing", "north", "utm y", "y coord", "breite", "latitud"},
)
#: Columns that name a single strip.
_NAMES = ("strip", "plot", "position", "row", "column")
#: No block holds a rate this often, no trial without blocks this often with coordinates on every row, and
#: none at all this often (common practice, no source).
MANY_IN_BLOCK, MANY_PLACED, MANY = 5, 13, 100

REMEDY = (
    "give the points to clean_points and strip_means, or average them to one row a strip; points and parts "
    "of a strip are no replicates"
)


def coordinates(table, used=()) -> list[str]:
    """Columns of a table that hold both coordinates of a place, those in use for something else left out.

    Examples
    --------
    >>> import pandas as pd
    >>> from fertkit.intake.strip_points import coordinates
    >>> coordinates(pd.DataFrame({"Longitude": [-93.1], "Latitude": [44.1], "rate_lb_ac": [0.0]}))
    ['Longitude', 'Latitude']
    """
    found = []
    for names in _AXES:
        for column in table:
            bare = plain(str(column).replace("_", " "))
            known = bare in names or bare.removesuffix(" m").removesuffix(" deg") in names
            if column not in used and known and pd.api.types.is_numeric_dtype(table[column]):
                found.append(column)
                break
    return found if len(found) == 2 else []


def points_in(frame, extra) -> Problem | None:
    """The problem of a file of harvest points; as many parts of every strip are averaged later instead.

    Parameters
    ----------
    frame : DataFrame
        Cells by role.
    extra : dict of str to Series
        Header -> cells of the columns without a role.
    """
    table = pd.concat([frame, pd.DataFrame(extra)], axis=1)
    table = table[table["yield"].notna()]
    rate = next(c for c in ("planned", "rate", "treatment") if c in table)
    places = [c for c in ("trial", "site", "year", "block") if c in table]
    told = told_as_points(table, rate, places, (rate, "yield"))
    even = len(set(table.groupby([*places, rate], dropna=False).size())) == 1
    points = told and (coordinates(table) or "strip" in table or not even) and "look like" not in told
    return Problem(told, REMEDY) if points else None


def told_as_points(table, rate, places, used=()) -> str:
    """Why the rows of a table are points or parts of strips, in words; empty where they may be strips.

    Parameters
    ----------
    table : DataFrame
        Rows with a yield.
    rate : str
        Column of the rate or treatment.
    places : list of str
        Columns of blocks, sites and seasons.
    used : collection of str
        Columns of rate and yield, which are no coordinates.
    """
    places = [c for c in places if c in table]
    often = table.groupby([*places, rate], dropna=False, sort=False).size()
    if not len(often):
        return ""
    usual = int(np.median(often))
    where = f"{counted(len(table), 'row')}, about {usual} for each {'block and ' * bool(places)}rate"
    placed = coordinates(table, used)
    if placed and usual >= (MANY_IN_BLOCK if places else MANY_PLACED):
        return f"{where}, with the coordinates {placed[0]} and {placed[1]}: these are harvest points"
    if usual >= (MANY_IN_BLOCK if "block" in places else MANY):
        return f"{where}: these are harvest points or parts of strips"
    named = any(c in table and c not in places for c in _NAMES)
    several = bool(places) and table.groupby(places, dropna=False)[rate].nunique().median() > 1
    if "block" in places and several and not named and usual >= 2:
        return f"{where}, and no column 'strip' to tell strips apart: these look like parts of strips"
    return ""
