"""Peak demand: what publications measured, beside the curve and the trade rule."""

import numpy as np
import pandas as pd

from fertkit.budget.rates import published_rates
from fertkit.budget.timing import day_span, season_rows, value_span
from fertkit.reference.nutrients import OXIDE_OF
from fertkit.reference.own import NO_TABLES
from fertkit.rounding import first_largest, same
from fertkit.units import convert_area_rate, from_element

SCALED = "scaled to this yield"
#: The study names several yields and not the one of its peak; the highest makes the smallest peak.
FROM_HIGHEST = "scaled from the highest yield of that study"
BY_TOTAL = "scaled by the season total of that study"
UNSCALED = "at the unstated yield of that study"
COLUMNS = ["nutrient", "source_key", "stage", "published", "published_low", "published_high",
           "published_scaled", "basis", "provenance", "day_from", "day_to", "listed"]  # fmt: skip


def published_peaks(crop: str, pounds: float, unit: str, totals: dict, scale, own=NO_TABLES) -> pd.DataFrame:
    """Collect published peak rates of a crop, as measured and in proportion to a yield.

    Parameters
    ----------
    crop : str
    pounds : float
        Yield to scale to [lb/ac as sold].
    unit : {'lb/ac', 'kg/ha'}
    totals : dict
        Nutrient -> uptake of the season at that yield [`unit`], to scale by where a source states its season
        total and no yield.
    scale : DataFrame
        Days of the growth stages (`fertkit.budget.timing.stage_scale`).
    own : OwnTables, optional
        Tables of the user's own.

    Returns
    -------
    DataFrame
        nutrient (oxide for P and K), source_key, stage, published [`unit`/day] with its low and high end,
        published_scaled (NaN where the source states no yield and no total), basis (`SCALED`, `FROM_HIGHEST`,
        `BY_TOTAL` or `UNSCALED`), provenance, day_from and day_to (of its stage, or when a listed
        source has the uptake fastest; NaN where neither is stated), listed (the
        source is one that shapes the season of the crop).
    """
    peaks = []
    fastest = [row for row in season_rows(crop, ("peak_window",), own) if row.rank > 0]
    windows = {row.nutrient: day_span(row, scale) for row in fastest}
    for row in season_rows(crop, ("peak_rate",), own):
        low, high = value_span(row.value)
        if np.isnan(low) or row.nutrient == "dry_matter":
            continue
        rates = np.array([(low + high) / 2, low, high])
        rates = convert_area_rate(rates, row.unit.removesuffix("/day"), unit)
        rates = from_element(rates, row.nutrient) if row.element in OXIDE_OF else rates
        factor, basis = _yield_factor(crop, row.source_key, pounds, own)
        if np.isnan(factor):
            total = _season_total(crop, row.source_key, row.nutrient, unit, own)
            factor, basis = totals.get(row.nutrient, np.nan) / total, BY_TOTAL
        basis = UNSCALED if np.isnan(factor) else basis
        days = day_span(row, scale)
        days = windows.get(row.nutrient, days) if np.isnan(days[0]) and row.rank > 0 else days
        peaks.append([
            row.nutrient, row.source_key, row.stage, *rates, rates[0] * factor, basis, row.provenance,
            *days, row.rank > 0, row.element in OXIDE_OF,
        ])  # fmt: skip
    peaks = pd.DataFrame(peaks, columns=[*COLUMNS, "restated"]).sort_values("restated", kind="stable")
    peaks = peaks.drop_duplicates(["nutrient", "source_key"])  # the oxide the source prints, not the element
    return peaks.drop(columns="restated").reset_index(drop=True)


def _yield_factor(crop, source, pounds, own):
    """Factor from the yield of a study to another, and what it is based on."""
    yields = {y for r in published_rates(crop, None, own) if r.source_key == source for y in r.measured_at}
    if not yields:
        return np.nan, UNSCALED
    return pounds / max(yields), SCALED if same(min(yields), max(yields)) else FROM_HIGHEST


def _season_total(crop, source, nutrient, unit, own):
    """Season total a source states beside its peak [`unit`]; NaN if it states none."""
    for row in season_rows(crop, ("season_total",), own):
        if (row.source_key, row.nutrient) == (source, nutrient):
            return convert_area_rate(float(row.value), row.unit, unit)
    return np.nan


def peak_window(peaks, nutrient: str) -> tuple[float, tuple]:
    """Give the highest daily demand a nutrient may have, and when it is fastest, by the listed sources.

    Returns
    -------
    highest : float
        Mean of the published peaks that can be scaled [unit of `peaks`]; inf without one.
    window : tuple of float
        First and last day of the fastest uptake; empty where none is stated.
    """
    listed = peaks[peaks["listed"] & (peaks["nutrient"] == nutrient)]
    scaled = listed["published_scaled"].dropna()
    spans = listed.loc[listed["day_from"] < listed["day_to"], ["day_from", "day_to"]]
    return (float(scaled.mean()) if len(scaled) else np.inf), tuple(spans.iloc[0]) if len(spans) else ()


def peak_table(rows, peaks) -> pd.DataFrame:
    """Set the peak of each curve beside the published peaks of the nutrient.

    Returns
    -------
    DataFrame
        nutrient, curve [`unit`/day], curve_day, the columns of `published_peaks` (source_key and basis "" if
        none is published), difference_pct (of the curve from the scaled peak) and published_day (middle of
        its days); one row per nutrient and published peak.
    """
    each = rows.groupby("nutrient", sort=False)
    top = pd.concat([mine.iloc[[first_largest(mine["daily"])]] for _, mine in each])  # start of a flat top
    top = top[["nutrient", "daily", "day"]].rename(columns={"daily": "curve", "day": "curve_day"})
    peaks = top.merge(peaks, on="nutrient", how="left")
    words = ["source_key", "stage", "basis", "provenance"]
    peaks[words] = peaks[words].astype(object).fillna("")
    return peaks.assign(
        difference_pct=(peaks["curve"] / peaks["published_scaled"] - 1) * 100,
        published_day=(peaks["day_from"] + peaks["day_to"]) / 2,
    )
