"""Nutrient ratios of samples, against the published limits there are."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.errors import NotEstimable
from fertkit.intake.plausible import home_unit
from fertkit.reference.facts import load_facts
from fertkit.reference.load import list_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import above
from fertkit.tissue.balance import balance_notes, results_grid
from fertkit.tissue.score import score_tissue
from fertkit.units import convert_concentration

WIDE, SOME, WITHIN = "above the limit", "above some published limits", "within the limit"
NO_LIMIT = "no published limit"
MOST = 10  # ratios that stand out of a file


@dataclass(frozen=True)
class RatioTable(Result):
    """Ratios of samples.

    Attributes
    ----------
    ratios : DataFrame
        Also ``table``: specimen, sample_id, crop, growth_stage, plant_part, ratio, value, lowest_limit and
        highest_limit (upper ends of the sources that hold for crop, stage and part), verdict
        (above the limit, within the limit, above some published limits or no published limit), when_wide,
        source_keys.
    notes : DataFrame
        note, source_key, provenance.
    """

    ratios: pd.DataFrame
    notes: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.ratios

    @property
    def standing_out(self) -> pd.DataFrame:
        """Ratios above a limit; where these are few, those furthest from the median of their crop too."""
        rows = self.ratios
        over = rows["verdict"].isin([WIDE, SOME])
        away = rows["value"] / rows.groupby(["crop", "ratio"], dropna=False)["value"].transform("median")
        far = np.fmax(away, 1 / away.where(away > 0)).fillna(np.inf).mask(over, np.inf)
        most = far.sort_values(ascending=False, kind="stable").index[: max(MOST, int(over.sum()))]
        return rows.loc[sorted(most)]

    @property
    def sources(self) -> pd.DataFrame:
        named = [k for keys in self.ratios["source_keys"] for k in keys.split(", ") if k]
        return list_sources([*dict.fromkeys(named), *self.notes["source_key"]])

    @property
    def checks(self) -> pd.DataFrame:
        without = int((self.ratios["verdict"] == NO_LIMIT).sum())
        told = (
            "every ratio has a published limit for its crop, stage and part",
            "ratios without a published limit need a comparison of good and poor areas",
        )
        return checks_frame([("ratios without a limit", without, "0", not without, told)])


@asks(samples=holding("table", of="read_tissue"))
def ratios(samples) -> RatioTable:
    """Compare the ratios of samples with their published upper limits.

    Parameters
    ----------
    samples : TissueSamples or DataFrame

    Returns
    -------
    RatioTable
        The usual ratios of each sample; both parts in the same unit. A ratio of a result known only as a
        limit is left out.

    Raises
    ------
    NotEstimable
        If no sample holds both parts of a ratio.

    Examples
    --------
    >>> from fertkit.tissue.ratios import ratios
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> sheet = "Sample,Crop,Stage,Part,N %,S %\\nA,wheat,Feekes 5,whole plant,4.06,0.14\\n"
    >>> table = ratios(read_tissue(StringIO(sheet))).table.round(3)
    >>> table[["value", "highest_limit", "verdict"]].values.tolist()
    [[29.0, 20.0, 'above the limit']]
    """
    grid, context = results_grid(samples)
    usual = load_facts("ratios")
    parts = [_one(grid, name) for name in usual["ratio"] if set(name.split(":")) <= set(grid)]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    if table.empty:
        raise NotEstimable("no sample holds both nutrients of a usual ratio: " + ", ".join(usual["ratio"]))
    table = table.merge(_limits(samples), on=["specimen", "ratio"], how="left")
    table = table.merge(usual[["ratio", "when_wide"]], on="ratio").join(context, on="specimen")
    over_low, over_high = (above(table["value"], table[n]) for n in ("lowest_limit", "highest_limit"))
    table["verdict"] = np.select(
        [table["lowest_limit"].isna(), over_high, over_low], [NO_LIMIT, WIDE, SOME], WITHIN
    )
    table["source_keys"] = table["source_keys"].fillna("")
    columns = [
        *("specimen", "sample_id", "crop", "growth_stage", "plant_part", "ratio", "value"),
        *("lowest_limit", "highest_limit", "verdict", "when_wide", "source_keys"),
    ]
    order = table.sort_values("specimen", kind="stable")
    return RatioTable(order[columns].reset_index(drop=True), balance_notes("ratios"))


def _one(grid, name) -> pd.DataFrame:
    """One ratio of every sample that holds both parts."""
    top, under = (convert_concentration(grid[n], home_unit(n), "%") for n in name.split(":"))
    value = (top / under).dropna()
    return pd.DataFrame({"specimen": value.index, "ratio": name, "value": value.to_numpy()})


def _limits(samples) -> pd.DataFrame:
    """specimen, ratio, lowest_limit, highest_limit, source_keys of the sources that hold."""
    scored = score_tissue(samples).scored
    held = scored[(scored["unit"] == "ratio") & (scored["aside"] == "") & scored["high"].notna()]
    ends = held.groupby(["specimen", "nutrient"], sort=False).agg(
        lowest_limit=("high", "min"), highest_limit=("high", "max"), source_keys=("source_key", ", ".join)
    )
    return ends.rename_axis(["specimen", "ratio"]).reset_index()
