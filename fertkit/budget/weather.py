"""Weather of a season: daily temperatures as a user keeps them, and the growing-degree days they make."""

from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.asked import amounts, asks, columned
from fertkit.budget.yields import refuse
from fertkit.errors import InputError, NotEstimable, Problem, UnitError, missing_columns, unknown
from fertkit.intake.dates import read_dates
from fertkit.reference.load import constants
from fertkit.rounding import above

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
        If a temperature is missing or higher than any measured, or a minimum lies above its maximum.
    LookupFailed, UnitError
        If the method or the unit is not known, or a base is missing or too many.

    Examples
    --------
    Days of 90/60 and 60/40 degrees F by the 86/50 rule: (86 + 60) / 2 - 50 and (60 + 50) / 2 - 50.

    >>> from fertkit.budget.weather import growing_degree_days
    >>> growing_degree_days([90, 60], [60, 40]).tolist()
    [23.0, 5.0]
    """
    if method not in METHODS:
        raise unknown("degree-day method", method, METHODS)
    if unit not in ("F", "C"):
        raise UnitError(f"unknown unit of temperature '{unit}'; use F or C")
    if (base is None) != (method == "86/50"):
        raise UnitError("a base temperature is needed by, and only by, the method 'average'", "base=...")
    high, low = np.asarray(tmax, dtype=float), np.asarray(tmin, dtype=float)
    _check_temperatures(high, low, unit)
    if method == "average":
        days = np.maximum((high + low) / 2 - base, 0.0)
    else:
        if unit == "C":
            high, low = high * 9 / 5 + 32, low * 9 / 5 + 32
        table = constants()["value"]
        floor, ceiling = table["86/50 lower"], table["86/50 upper"]
        days = (np.clip(high, floor, ceiling) + np.clip(low, floor, ceiling)) / 2 - floor
    return pd.Series(days, index=tmax.index, name="gdd") if isinstance(tmax, pd.Series) else days


def _check_temperatures(high, low, unit):
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
    hottest = constants()["value"]["hottest day"]
    hottest = hottest if unit == "F" else (hottest - 32) * 5 / 9
    what = f"hotter than any day measured, {hottest:.3g} {unit}"
    problems += [
        Problem(what, "check the number and the unit of the temperatures", int(i) + 2, "tmax", f"{high[i]:g}")
        for i in np.flatnonzero(above(high, hottest))
    ]
    if problems:
        raise InputError("temperatures", problems)


def season_degree_days(temperatures: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Add up the growing-degree days of a season from its first day on.

    Parameters
    ----------
    temperatures : DataFrame
        date, tmax and tmin [`unit`], one row a day in any order.
    unit : {'F', 'C'}

    Returns
    -------
    DataFrame
        day (from 1), date, gdd (sum so far).

    Raises
    ------
    InputError
        With every date that cannot be read, comes twice or is missing between two others.
    NotEstimable
        If no day is warm enough to count.
    """
    frame = columned(temperatures)
    if missing := missing_columns(frame, ("date", "tmax", "tmin")):
        raise InputError("temperatures", missing)
    if frame.empty:
        raise refuse("temperatures", "the table has no days", "give one row a day")
    dates, complaints, _ = read_dates(frame["date"].tolist())
    dates = pd.Series(dates, dtype="datetime64[ns]").dt.normalize()
    if problems := list(_date_problems(dates, complaints, frame["date"])):
        raise InputError("temperatures", problems)
    high, low = (pd.to_numeric(frame[name], errors="coerce") for name in ("tmax", "tmin"))
    gdd = pd.Series(growing_degree_days(high, low, unit=unit).to_numpy(), index=dates).sort_index()
    if gdd.max() <= 0:
        floor, other = constants()["value"]["86/50 lower"], {"F": "C", "C": "F"}[unit]
        what = f"no day has degree-days: none is warmer than {floor:g} F"
        remedy = f"check the unit of the temperatures; are they in degrees {other}?"
        raise NotEstimable(what, f"temperature_unit='{other}'", remedy=remedy)
    days = np.arange(1.0, len(gdd) + 1)
    return pd.DataFrame({"day": days, "date": gdd.index, "gdd": gdd.cumsum().to_numpy()})


def _date_problems(dates, complaints, cells):
    for i, (date, complaint) in enumerate(zip(dates, complaints, strict=True)):
        if complaint or pd.isna(date):
            yield Problem(complaint or "no date", "write dates like 2026-07-21", i + 2, "date", cells.iloc[i])
    for i in np.flatnonzero(dates.duplicated() & dates.notna()):
        yield Problem("the same day twice", "keep one row a day", int(i) + 2, "date", f"{dates[i]:%Y-%m-%d}")
    known = dates.dropna().drop_duplicates().sort_values()
    for before, after in pairwise(known):
        if (after - before).days > 1:
            what = f"no row from {before:%Y-%m-%d} to {after:%Y-%m-%d}"
            yield Problem(what, "fill in every day between", column="date")
