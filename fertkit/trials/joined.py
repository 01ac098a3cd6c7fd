"""From the log of a combine and the map of what was applied to strips that a trial is read from."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import (
    a_length,
    a_number,
    a_text,
    above_zero,
    asks,
    headers_by_role,
    words_by_name,
    zero_or_more,
)
from fertkit.errors import NotEstimable
from fertkit.intake.applied import OF_MAP, read_applied
from fertkit.intake.spellings import spaced
from fertkit.intake.strips import StripTrial, read_strips
from fertkit.results import Result, checks_frame, plain
from fertkit.rounding import same
from fertkit.trials import places
from fertkit.trials.limits import citations
from fertkit.trials.points import ALIKE_S, CleaningRules, clean_points, find_delay
from fertkit.trials.points_to_strips import Strips, levels_of

#: Records on which a delay is sought (common practice, no source).
SOUGHT = 100_000


@dataclass(frozen=True)
class JoinedTrial(Result):
    """Strips made of harvest points and what was applied where they lie.

    Attributes
    ----------
    trial : StripTrial
        A row a strip.
    by_zone : StripTrial or None
        A row a strip and zone; ``whole`` names the strip, ``zone`` the zone; area_ha.
    strips : DataFrame
        trial, block (given, or from the places of the strips), strip, rate or treatment, yield, moisture,
        points, area_ha, rate_sd: the spread of the rate within the strip.
    audit : DataFrame
        step, rule, removed, removed_pct, kept, weighted_mean of what is left [yield unit].
    points : DataFrame
        x_m, y_m, level (number of the rate or treatment, -1 none), strip (-1: in none).
    levels : tuple of str
        Rates or treatments by number.
    delay_s : float or None
        Delay of the grain that was undone.
    remarks : tuple of str
        How the delay, strips, blocks and levels were settled.
    yield_unit, name, map_name : str
    """

    trial: StripTrial
    by_zone: StripTrial | None
    strips: pd.DataFrame
    audit: pd.DataFrame
    points: pd.DataFrame
    levels: tuple[str, ...]
    delay_s: float | None
    remarks: tuple[str, ...]
    yield_unit: str
    name: str
    map_name: str

    @property
    def table(self) -> pd.DataFrame:
        return self.strips

    @property
    def methods(self) -> tuple[str, ...]:
        """What the strips rest on, by its names in ``reference/methods.csv``."""
        return ("local Moran",)

    @property
    def how(self) -> str:
        """What was done, as a paper says it."""
        first, last = self.audit.iloc[0], self.audit.iloc[-1]
        late = "" if self.delay_s is None else f"a grain delay of {self.delay_s:g} s was corrected, "
        return (
            f"{last['kept']} of {first['kept']} harvest points were kept: {late}impossible records, pass "
            "ends, speed jumps, overlaps and points unlike the field or their neighbours (local Moran's I) "
            "were removed; the rest were averaged by area to strips"
        )

    @property
    def zone_areas(self) -> dict[str, float]:
        """Area harvested in each zone [ha]."""
        return self.by_zone.table.groupby("zone")["area_ha"].sum().to_dict()

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame([])

    @property
    def sources(self) -> pd.DataFrame:
        return citations("yield_points")


@asks(
    columns=headers_by_role, units=words_by_name, width=a_length, delay=a_number, reach=above_zero,
    utm=a_text, elsewhere=zero_or_more,
)  # fmt: skip
def join_points(
    log, applied, *, crop, zones=None, columns=None, units=None, width=None, delay=None, reach=None, utm=None,
    elsewhere=None, rules=None, **reading,
) -> JoinedTrial:  # fmt: skip
    """Make strips of a combine's log and a map of what was applied.

    Parameters
    ----------
    log : path, file-like, DataFrame or YieldPoints
        See `fertkit.intake.read_points`.
    applied : path, dict or DataFrame
        Polygons (GeoJSON or shapefile) with a rate or treatment, and strip, block and trial where they are
        known; or records of what was applied where (CSV, GeoJSON or shapefile points), with the rate as
        applied and as planned.
    crop : str
    zones : path, dict or str, optional
        Polygons with a property zone, or the header of a column of the log or of the map.
    columns, units : dict, optional
        Role → header and role → unit, of the log as `read_points` takes them, of the map (rate, planned,
        treatment, trial, block, strip) as `fertkit.intake.read_strips` does.
    width : (float, str), optional
        Header width, where no column of the log holds it.
    delay : float, optional
        Time from header to sensor [s]; sought if None, and left alone where it cannot be found.
    reach : float, optional
        Records of what was applied count to this distance [m]; by default to half the way between their
        passes and a tenth more.
    utm : str, optional
        UTM zone of coordinates in metres.
    elsewhere : float, optional
        Rate where the map has no record or polygon within the ground it covers, such as 0 of an applicator
        that records nothing where it is shut off.
    rules : CleaningRules, optional
    **reading
        Further arguments of `read_strips`.

    Raises
    ------
    InputError
        With every problem of both files.
    NotEstimable
        If log and map do not overlap, rates have no contrast or no rate has two strips.

    Notes
    -----
    Points of a strip are no replicates: what is analysed is the strip, or the strip within a zone.
    """
    rules, remarks, units = rules or CleaningRules(), [], dict(units or {})
    points, field, zoned = read_applied(log, applied, zones, crop=crop, columns=columns, units=units,
                                        width=width, utm=utm)  # fmt: skip
    delay = rules.delay_s if delay is None else delay
    delay = _find_delay(points, field, reach, remarks) if delay is None else delay
    early = replace(rules, delay_s=delay or None, global_sd=None, overlap=None, local_significance=None,
                    shortest=None)  # fmt: skip
    work = Strips(clean_points(points, early), field, rules, remarks)
    work.cover(reach, elsewhere)
    work.join()
    work.clean(points)
    work.find_strips()
    table = work.means()
    reading |= {"crop": crop, "units": {k: v for k, v in units.items() if k in OF_MAP}}
    trial = _as_read(table, field, work.column, reading)
    parts = work.means_by_zone(table, zoned)
    by_zone = None
    if parts is not None:
        by_zone = _as_read(parts, field, work.column, reading)
        own = parts.set_index("strip").loc[by_zone.strips["strip"], ["whole", "zone", "area_ha"]]
        by_zone = by_zone.with_strips(by_zone.strips.assign(**own.reset_index(drop=True)))
    shown = work.table[["x_m", "y_m"]].assign(level=work.level, strip=work.strip)
    shown["level"] = shown["level"].where(work.strip >= 0, -1)
    names = tuple(plain(x) if isinstance(x, float) else str(x) for x in work.levels)
    return JoinedTrial(
        trial, by_zone, table, pd.DataFrame(work.rows), shown, names, early.delay_s, tuple(remarks),
        points.yield_unit, points.name, field.name,
    )  # fmt: skip


# ---- the delay


def _find_delay(points, field, reach, remarks) -> float:
    """Delay on which passes the other way agree, of yields about the middle of their pass and rate."""
    table = points.points
    if not (table["seconds"] > 0).any():
        remarks.append("no grain delay is corrected: the log has no times")
        return 0.0
    start = max((len(table) - SOUGHT) // 2, 0)
    table = table.iloc[start : start + SOUGHT].reset_index(drop=True)
    try:
        best = find_delay(replace(points, points=table), label=_labels(table, field, reach))
    except NotEstimable as error:
        remarks.append(f"no grain delay is corrected: {error.note}")
        return 0.0
    delay, alike = float(best["delay_s"].iloc[0]), best["passes_best"]
    near = alike[(best["delay_s"] - delay).abs() <= ALIKE_S].sum()
    remarks.append(
        f"the grain delay, {delay:g} s, is where passes in opposite directions agree best ({near} of "
        f"{alike.sum()} within {ALIKE_S:g} s)"
    )
    return delay


def _labels(table, field, reach) -> np.ndarray:
    """Number of the rate or treatment at each point; -1 where the map has none."""
    if field.at is not None and reach is None:
        reach = places.usual_reach(field.at)
    feature = places.feature_at(table["x_m"].to_numpy(), table["y_m"].to_numpy(), field, reach)
    on = feature >= 0
    return np.append(levels_of(field, feature[on])[1], -1)[np.maximum(feature, -1)] if on.any() else feature


def _as_read(table, field, column, reading) -> StripTrial:
    """The table under the headers of the map, read as any file of strips is."""
    sheet = table[[c for c in ("trial", "block", "strip", "treatment") if c in table]].copy()
    columns = {}
    if "rate" in table:
        header = spaced(field.headers["rate"])
        sheet[header], columns["rate"] = table["rate"].round(6), header
        if not same(table["rate"], table["planned"]).all():
            columns["planned"] = f"planned {header}"
            sheet[columns["planned"]] = table["planned"]
            unit = reading["units"].get("rate")
            units = ({"planned": unit} if unit else {}) | reading["units"]
            reading = reading | {"units": units}
    for name in (column, "harvest_moisture_pct", "stated_moisture_pct"):
        sheet[name] = table[name]
    trial = read_strips(sheet, columns=columns, name=Path(field.name).stem, **reading)
    # The log brought them there or stated it: nothing is left to adjust, nor was it the strips that said so.
    how = f"at {table['stated_moisture_pct'].iloc[0]:g} % moisture"
    report = trial.report.assign(
        taken_as=trial.report["taken_as"].mask(trial.report["item"] == "yields", how)
    )
    return replace(trial, report=report)
