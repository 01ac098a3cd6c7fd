"""Optimum rates of own trials as a season plan takes them: rate, interval and what the nutrient gained."""

from functools import partial

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_text, asks
from fertkit.response.optimum import Status
from fertkit.rounding import at_least
from fertkit.units import ACRE_HA, convert_area_rate

COLUMNS = ["field", "crop", "nutrient", "low", "rate", "high", "curve", "source_key", "note"]
#: Statuses whose rate is an answer; at the highest rate tested a trial only says "at least".
_ANSWERS = (Status.INTERIOR, Status.NONE, Status.STEP)
_POINTS = 13  # of the curve of gain
OPEN = "the interval is open above the highest rate tested"


@asks(analyses=a_dict, nutrient=a_text, crop=a_text)
def own_rates(analyses: dict, nutrient: str, crop: str) -> pd.DataFrame:
    """List the economic optimum of each trial for `fertkit.plan_season(trials=...)`.

    Parameters
    ----------
    analyses : dict of str to ResponseAnalysis
        By field.
    nutrient : str
        N, P2O5, K2O, S, ...
    crop : str

    Returns
    -------
    DataFrame
        `COLUMNS`: low, rate and high [lb/ac]; curve, pairs of rate [lb/ac] and gain in money an acre before
        the cost of the nutrient, as text; note. Trials that only say "at least", or compare two rates, are
        not in it.
    """
    rows = [_row(name, one) for name, one in analyses.items() if one.optimum.status in _ANSWERS]
    about = {"crop": crop, "nutrient": nutrient, "source_key": "own trial"}
    return pd.DataFrame(rows, columns=["field", "low", "rate", "high", "curve", "note"]).assign(**about)[
        COLUMNS
    ]


def _row(name, analysis):
    """One trial: the interval is cut where it was not tested, and that is said."""
    ends, returned = analysis.optimum.interval, analysis.net_return().table
    tested = analysis.data.rates[[0, -1]]
    is_open = ends.high_open or ends.high > tested[-1]
    kept = np.unique(np.linspace(0, len(returned) - 1, _POINTS).round().astype(int))
    rates = returned.iloc[kept, 0]  # in the trial's unit
    gross = returned.filter(like="gross_return").iloc[:, 0]
    gain = gross.iloc[kept] - gross.iloc[0]
    gain *= ACRE_HA if analysis.rate_unit.endswith("/ha") else 1.0
    to_lb = partial(convert_area_rate, unit=analysis.rate_unit, to="lb/ac")
    curve = "; ".join(f"{rate:.6g} {money:.6g}" for rate, money in zip(to_lb(rates), gain, strict=True))
    low, rate, high = (float(to_lb(x)) for x in (ends.low, analysis.optimum.rate, min(ends.high, tested[-1])))
    return name, low, rate, high, curve, OPEN if is_open else ""


@asks(analyses=a_dict, crop=a_text)
def own_surface_rates(analyses: dict, crop: str) -> pd.DataFrame:
    """List the best rates of trials of several nutrients, a row a nutrient, as `own_rates` does.

    The curve of each nutrient is the gain with the others at their best rates. A nutrient of which a trial
    only says "at least" is not in it.
    """
    rows = [
        row for name, one in analyses.items() for i in range(len(one.nutrients))
        if one.optimum.statuses[i] in _ANSWERS for row in [_surface_row(name, one, i)]
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["field", "nutrient", "low", "rate", "high", "curve", "note"])
    return frame.assign(crop=crop, source_key="own trial")[COLUMNS]


def _surface_row(name, analysis, i):
    data, best, unit = analysis.data, analysis.optimum.rates, analysis.data.rate_units[i]
    ends, to_lb = analysis.intervals.iloc[i], partial(convert_area_rate, unit=unit, to="lb/ac")
    rates = np.linspace(data.low[i], data.high[i], _POINTS)
    along = np.tile(best, (_POINTS, 1))
    along[:, i] = rates
    yields = analysis.fit.predict(along)
    gain = analysis.grain * (yields - yields[0])
    gain = gain * (ACRE_HA if unit.endswith("/ha") else 1.0)
    curve = "; ".join(f"{rate:.6g} {money:.6g}" for rate, money in zip(to_lb(rates), gain, strict=True))
    beside = " and ".join(
        f"{other} at {best[j]:.4g} {data.rate_units[j]}"
        for j, other in enumerate(analysis.nutrients)
        if j != i
    )
    note = f"with {beside}" + f"; {OPEN}" * bool(at_least(ends["high"], data.high[i]))
    low, rate, high = (float(to_lb(x)) for x in (ends["low"], best[i], ends["high"]))
    return name, analysis.nutrients[i], low, rate, high, curve, note
