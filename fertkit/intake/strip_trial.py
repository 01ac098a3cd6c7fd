"""Harvested strips as read from a file: one tidy table, and what was recognised, adjusted and noted."""

from dataclasses import dataclass, replace

import pandas as pd

from fertkit.intake.strip_moisture import trade_source
from fertkit.reference.load import list_sources
from fertkit.results import Result


@dataclass(frozen=True)
class StripTrial(Result):
    """Harvested strips of one or several trials, tidy.

    Attributes
    ----------
    strips : DataFrame
        One row a strip: trial, site and year (when given), block (when given), strip, ``rate_<unit>`` as
        applied, ``planned_<unit>`` (when given), ``yield_<unit>`` at trade moisture, ``harvested_<unit>`` as
        harvested, moisture_pct (at harvest), stated_moisture_pct (of ``yield_<unit>``), width and length with
        their unit, and the file's other columns.
    rate_column, yield_column : str
    rate_unit, yield_unit : str
        ``rate_column`` and ``rate_unit`` are empty where the file names treatments and no rates.
    nutrient, crop : str
        Empty where the file does not tell.
    standard_moisture_pct : float or None
        Moisture to which the yields were brought [% wet basis].
    name : str
    report : DataFrame
        item, found, taken_as: what was recognised and what was adjusted.
    checks : DataFrame
    notes : tuple of str
        What the user should know of the file: what was taken otherwise than it stands, and the columns that
        no answer rests on.
    """

    strips: pd.DataFrame
    rate_column: str
    yield_column: str
    rate_unit: str
    yield_unit: str
    nutrient: str
    crop: str
    standard_moisture_pct: float | None
    name: str
    report: pd.DataFrame
    checks: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        return self.strips

    def with_strips(self, strips) -> "StripTrial":
        """The same with some of the strips, such as those of one trial."""
        return replace(self, strips=strips)

    @property
    def sources(self) -> pd.DataFrame:
        """Source of the trade moisture, where yields were brought to it."""
        return list_sources([trade_source(self.crop)[0]] if self.standard_moisture_pct is not None else [])
