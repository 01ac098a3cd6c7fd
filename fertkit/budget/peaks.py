"""Peak demand: what publications measured, beside the curve and the trade rule."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.budget.rates import published_rates
from fertkit.budget.timing import day_span, season_rows, value_span
from fertkit.errors import UnitError, unknown
from fertkit.reference.load import list_sources, load_table
from fertkit.reference.nutrients import OXIDE_OF
from fertkit.reference.own import NO_TABLES
from fertkit.results import Result
from fertkit.rounding import same
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
    top = rows.loc[rows.groupby("nutrient", sort=False)["daily"].idxmax(), ["nutrient", "daily", "day"]]
    top = top.rename(columns={"daily": "curve", "day": "curve_day"})
    peaks = top.merge(peaks, on="nutrient", how="left")
    words = ["source_key", "stage", "basis", "provenance"]
    peaks[words] = peaks[words].astype(object).fillna("")
    return peaks.assign(
        difference_pct=(peaks["curve"] / peaks["published_scaled"] - 1) * 100,
        published_day=(peaks["day_from"] + peaks["day_to"]) / 2,
    )


@dataclass(frozen=True)
class PeakComparison(Result):
    """Peak daily demand of two crops for one nutrient, published, fitted and as the trade has it.

    Attributes
    ----------
    nutrient, unit : str
    crops : tuple of str
        The crop asked about and the one it is compared with, with their yields.
    table : DataFrame
        basis, first, second [`unit`/day], ratio (first / second), at_least (the rule of the trade is a lower
        limit), first_source, second_source, provenance, note.
    """

    nutrient: str
    unit: str
    crops: tuple[str, str]
    table: pd.DataFrame

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.table["first_source"], *self.table["second_source"]])


@asks(
    first=holding("peaks", of="season_demand"),
    second=holding("peaks", of="season_demand"),
)  # fmt: skip
def compare_peaks(first, second, nutrient: str = "K2O") -> PeakComparison:
    """Compare the peak daily demand of two crops, every basis side by side.

    Parameters
    ----------
    first, second : SeasonDemand
        In the same unit.
    nutrient : str
        A nutrient of both (K2O or K).

    Returns
    -------
    PeakComparison
        Rows: published peaks as measured; published peaks scaled to the yields where a source states its
        yield; peaks of the fitted curves; and the trade rule where there is one (common practice, no
        source).

    Raises
    ------
    LookupFailed
        If a demand lacks the nutrient.
    UnitError
        If the two are in different units.

    Examples
    --------
    >>> from fertkit.budget import compare_peaks
    >>> from fertkit.budget import season_demand
    >>> soybean, corn = season_demand("soybean", 60), season_demand("corn", 200)
    >>> print(compare_peaks(soybean, corn).summary().splitlines()[0])
    Peak K2O demand, 60 bu/ac soybean against 200 bu/ac corn [lb/ac/day]
    """
    nutrient = OXIDE_OF.get(nutrient, nutrient)
    if first.unit != second.unit:
        raise UnitError(f"demands are in {first.unit} and {second.unit}; use one unit")
    for demand in (first, second):
        if nutrient not in demand.nutrients:
            raise unknown(f"nutrient of the {demand.crop} demand", nutrient, demand.nutrients)
    rows = []
    for a in _mine(first, nutrient):
        for b in _mine(second, nutrient):
            rows.append(
                _pair("published, as measured", a.published, b.published, a, b, "two studies, not one trial")
            )
            if not np.isnan([a.published_scaled, b.published_scaled]).all():
                values = [x.published if np.isnan(x.published_scaled) else x.published_scaled for x in (a, b)]
                kept = [d.crop for d, x in ((first, a), (second, b)) if np.isnan(x.published_scaled)]
                note = f"{kept[0]} as measured, yield not stated" if kept else ""
                rows.append(_pair("published, scaled to the yields", *values, a, b, note))
    if not any((d.stretches["nutrient"] == nutrient).any() for d in (first, second)):
        curves = [d.peaks.loc[d.peaks["nutrient"] == nutrient, "curve"].iloc[0] for d in (first, second)]
        rows.append(_pair("fitted curves", *curves, None, None, "drawn to the published peaks"))
    rows += _trade_rule(first.crop, nutrient)
    crops = tuple(f"{d.yield_goal:g} {d.yield_unit} {d.crop}" for d in (first, second))
    return PeakComparison(nutrient, first.unit, crops, pd.DataFrame(rows))


def _mine(demand, nutrient):
    peaks = demand.peaks
    return list(peaks[(peaks["nutrient"] == nutrient) & (peaks["source_key"] != "")].itertuples())


def _pair(basis, first, second, a, b, note):
    return {
        "basis": basis,
        "first": first,
        "second": second,
        "ratio": first / second,
        "at_least": False,
        "first_source": a.source_key if a else "",
        "second_source": b.source_key if b else "",
        "provenance": " / ".join(dict.fromkeys([a.provenance, b.provenance])) if a else "derived",
        "note": note,
    }


def _trade_rule(crop, nutrient):
    table = load_table("timing")
    rules = table[(table["crop"] == crop) & (table["kind"] == "peak_ratio")]
    for row in rules.itertuples():
        if OXIDE_OF.get(row.nutrient, row.nutrient) == nutrient:
            yield {"basis": row.provenance, "first": np.nan, "second": np.nan, "ratio": float(row.value),
                   "at_least": True,
                   "first_source": row.source_key, "second_source": "", "provenance": row.provenance,
                   "note": row.note}  # fmt: skip
