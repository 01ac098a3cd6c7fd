"""Published points of uptake through the season, placed on days or growing-degree days."""

import re

import numpy as np
import pandas as pd

from fertkit.asked import amounts, asks
from fertkit.budget.rates import OXIDE_OF
from fertkit.budget.yields import refuse
from fertkit.errors import InputError, NotEstimable, Problem, UnitError, unknown
from fertkit.reference.crops import base_crop
from fertkit.reference.load import load_table

POINT_COLUMNS = ["nutrient", "stage", "day", "gdd_f", "fraction", "bound", "source_key", "provenance", "used"]
STAGE_COLUMNS = ["stage", "days", "gdd_f", "source_key", "provenance"]
OWN_POINTS = "own points"
METHODS = ("86/50", "average")


@asks(tmax=amounts, tmin=amounts)
def growing_degree_days(tmax, tmin, *, method: str = "86/50", unit: str = "F", base: float | None = None):
    """Daily growing-degree days from daily maximum and minimum temperature.

    Parameters
    ----------
    tmax, tmin : Series or array, shape (days,)
        Daily maximum and minimum [`unit`].
    method : {'86/50', 'average'}
        ``'86/50'``: both temperatures are brought into 50-86 F, averaged, less 50 F (the corn method, table
        constants, HPRCC). ``'average'``: mean of the two less `base`, not below 0.
    unit : {'F', 'C'}
        Unit of the temperatures.
    base : float, optional
        Base temperature [`unit`], for ``'average'`` only.

    Returns
    -------
    Series or array
        Degree-days of each day; in F for ``'86/50'``, else in `unit`.

    Raises
    ------
    InputError
        If a temperature is missing, or a minimum lies above its maximum.
    LookupFailed, UnitError
        If the method or the unit is not known, or a base is missing or too many.

    Examples
    --------
    Days of 90/60 and 60/40 degrees F by the 86/50 rule: (86 + 60) / 2 - 50 and (60 + 50) / 2 - 50.

    >>> from fertkit.budget import growing_degree_days
    >>> growing_degree_days([90, 60], [60, 40]).tolist()
    [23.0, 5.0]
    """
    if method not in METHODS:
        raise unknown("degree-day method", method, METHODS)
    if unit not in ("F", "C"):
        raise UnitError(f"unknown unit of temperature '{unit}'; use F or C")
    if (base is None) != (method == "86/50"):
        raise UnitError(
            "a base temperature goes with the method 'average', and with that one only", "base=..."
        )
    high, low = np.asarray(tmax, dtype=float), np.asarray(tmin, dtype=float)
    _check_temperatures(high, low)
    if method == "average":
        days = np.maximum((high + low) / 2 - base, 0.0)
    else:
        if unit == "C":
            high, low = high * 9 / 5 + 32, low * 9 / 5 + 32
        table = load_table("constants").set_index("item")["value"]
        floor, ceiling = table["86/50 lower"], table["86/50 upper"]
        days = (np.clip(high, floor, ceiling) + np.clip(low, floor, ceiling)) / 2 - floor
    return pd.Series(days, index=tmax.index, name="gdd") if isinstance(tmax, pd.Series) else days


def _check_temperatures(high, low):
    if high.shape != low.shape:
        raise refuse("temperatures", "maximum and minimum differ in length", "give one of each for every day")
    high, low = high.ravel(), low.ravel()
    problems = [
        Problem("a temperature is missing", "fill in every day", row=int(i) + 2)
        for i in np.flatnonzero(~(np.isfinite(high) & np.isfinite(low)))
    ]
    problems += [
        Problem("minimum above maximum", "swap or correct them", int(i) + 2, "tmin", f"{low[i]:g}")
        for i in np.flatnonzero(low > high)
    ]
    if problems:
        raise InputError("temperatures", problems)


def stage_scale(crop: str, stage_days: dict | None = None) -> pd.DataFrame:
    """Place the growth stages of a crop on days after emergence and on degree-days.

    Parameters
    ----------
    crop : str
    stage_days : dict, optional
        Stage -> days after emergence in the user's own field; replaces the published days and drops the
        degree-days.

    Returns
    -------
    DataFrame
        stage, days, gdd_f, source_key, provenance; in order of days.

    Raises
    ------
    NotEstimable
        If no scale is carried for the crop and none is given.
    """
    if stage_days:
        own = pd.DataFrame({"stage": list(stage_days), "days": [float(d) for d in stage_days.values()]})
        own = own.assign(gdd_f=np.nan, source_key="own stages", provenance="own table")
        return own.sort_values("days", kind="stable").reset_index(drop=True)
    table = load_table("stage_scale")
    rows = table[table["crop"] == base_crop(crop)]
    if rows.empty:
        carried = ", ".join(sorted(table["crop"].unique()))
        raise NotEstimable(
            f"no days to each growth stage are carried for {crop} (there are for {carried})",
            "stage_days={...} or points=...",
            remedy="give the days of its stages, or points with a day",
        )
    return rows[STAGE_COLUMNS].reset_index(drop=True)


def stage_place(text: str, scale: pd.DataFrame, axis: str = "days") -> float:
    """Place of a stage as a publication writes it (R1-R2, VT/R1, V14); NaN if the scale lacks it."""
    known = dict(zip(scale["stage"], scale[axis], strict=True))
    places = [known[code] for code in re.findall(r"\b[VR][CETN\d]+\b", text) if code in known]
    return float(np.mean(places)) if places else np.nan


def published_points(crop: str, scale: pd.DataFrame) -> pd.DataFrame:
    """Collect the published shares of season uptake that can be placed on a stage.

    Returns
    -------
    DataFrame
        Columns `POINT_COLUMNS`: nutrient (oxide for P and K), fraction of the season total [0-1], bound
        (True for an upper bound), used (by the default sources of the nutrient).
    """
    table = load_table("timing")
    rows = table[(table["crop"] == base_crop(crop)) & (table["kind"] == "cumulative_fraction")]
    ranks = load_table("default_sources")
    ranks = ranks[(ranks["crop"] == base_crop(crop)) & (ranks["use"] == "season")]
    ranks = ranks.set_index("source_key")["rank"]
    points = []
    for row in rows.itertuples():
        number = re.fullmatch(r"(<=?)?\s*(\d*\.?\d+)", row.value)
        day = stage_place(row.stage, scale)
        if number is None or np.isnan(day):
            continue
        gdd = stage_place(row.stage, scale, "gdd_f")
        name = OXIDE_OF.get(row.nutrient, row.nutrient)
        points.append([name, row.stage, day, gdd, float(number[2]), bool(number[1]), row.source_key,
                       row.provenance, False])  # fmt: skip
    points = pd.DataFrame(points, columns=POINT_COLUMNS)
    usable = points[~points["bound"] & (points["nutrient"] != "all")]
    rank = usable["source_key"].map(ranks)
    best = rank.groupby(usable["nutrient"]).transform("min")
    points.loc[usable.index[rank == best], "used"] = True
    return points


def own_points(frame: pd.DataFrame, scale: pd.DataFrame | None) -> pd.DataFrame:
    """Check the user's own points: columns nutrient, fraction and day (after emergence) or stage.

    Raises
    ------
    InputError
        With every problem of the table.
    """
    problems = [
        Problem("column is missing", "add it; needed are nutrient, fraction, and day or stage", column=name)
        for name in ("nutrient", "fraction")
        if name not in frame
    ]
    if "day" not in frame and ("stage" not in frame or scale is None):
        problems.append(Problem("column is missing", "add days after emergence", column="day"))
    if problems:
        raise InputError("uptake points", problems)
    frame = frame.reset_index(drop=True)
    day = frame["day"] if "day" in frame else frame["stage"].map(lambda s: stage_place(str(s), scale))
    points = pd.DataFrame(
        {
            "nutrient": frame["nutrient"].map(lambda n: OXIDE_OF.get(n, n)),
            "stage": frame.get("stage", ""),
            "day": pd.to_numeric(day, errors="coerce"),
            "gdd_f": np.nan,
            "fraction": pd.to_numeric(frame["fraction"], errors="coerce"),
            "bound": False,
            "source_key": OWN_POINTS,
            "provenance": "own table",
            "used": True,
        }
    )
    for i in points.index[~(points["day"] > 0)]:
        problems.append(Problem("no day above 0", "give days after emergence, or a stage that is carried",
                                i + 2, "day" if "day" in frame else "stage"))  # fmt: skip
    for i in points.index[~points["fraction"].between(0, 1)]:
        remedy = "give the share of season uptake, 0 to 1"
        problems.append(Problem("not a share", remedy, i + 2, "fraction", frame["fraction"][i]))
    if problems:
        raise InputError("uptake points", problems)
    return points[POINT_COLUMNS]


def code_of(stage: str) -> str:
    """Take the code of a stage without the words in brackets after it: R5 of 'R5 (start of pod filling)'."""
    return stage.partition(" (")[0]
