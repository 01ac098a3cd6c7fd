"""Daily temperatures -> growing-degree days."""

import numpy as np
import pandas as pd

from fertkit.asked import amounts, asks
from fertkit.budget.yields import refuse
from fertkit.errors import InputError, Problem, UnitError, unknown
from fertkit.reference.load import load_table

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

    >>> from fertkit.budget.degree_days import growing_degree_days
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
