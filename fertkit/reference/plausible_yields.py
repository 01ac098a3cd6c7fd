"""The highest yield of a crop that was ever weighed, to tell a slip of the unit from a harvest."""

from dataclasses import dataclass

import numpy as np

from fertkit.asked import a_text, asks
from fertkit.errors import unknown
from fertkit.reference.crops import base_crop, load_crops
from fertkit.reference.load import load_table
from fertkit.units import convert_area_rate


@dataclass(frozen=True)
class PlausibleYield:
    """The highest yield known of one harvested part of a crop.

    Attributes
    ----------
    crop, part : str
        Crop (market classes as their crop) and harvested part.
    highest : float
        Highest yield, as published [`unit`].
    unit : str
    highest_t_ha : float
        The same [t/ha].
    year, source_key, provenance, note : str
    """

    crop: str
    part: str
    highest: float
    unit: str
    highest_t_ha: float
    year: str
    source_key: str
    provenance: str
    note: str

    def highest_in(self, unit: str) -> float:
        """The highest yield in another unit of area [`unit`]; bu/ac by the bushel of the crop."""
        return float(convert_area_rate(self.highest_t_ha, "t/ha", unit, lb_per_bushel=_bushel(self.crop)))


@asks(crop=a_text)
def plausible_yield(crop: str, part: str | None = None) -> PlausibleYield:
    """Give the highest plausible yield of a crop: a record where one was found, else a remembered bound.

    Parameters
    ----------
    crop : str
        Any name `fertkit.reference.crop_name` knows.
    part : str, optional
        Harvested part (grain, silage, straw, hay, root, ...); the usual one if None. "grain plus straw" is
        stated by the grain.

    Raises
    ------
    LookupFailed
        If the crop or its part is not in the table ``yields``; lists those that are.

    Examples
    --------
    The national corn yield contest of 2023 was won with 623.84 bu/ac, 39.2 t/ha:

    >>> from fertkit.reference.plausible_yields import plausible_yield
    >>> best = plausible_yield("maize")
    >>> best.part, best.highest, best.unit, round(best.highest_t_ha, 1), best.provenance
    ('grain', 623.84, 'bu/ac', 39.2, 'found')
    >>> round(plausible_yield("winter wheat").highest_in("bu/ac"))
    267
    """
    table = load_table("yields")
    table = table[table["measure"] == "highest"]
    base = base_crop(crop)
    base = base if base in set(table["crop"]) else base.split()[-1]
    rows = table[table["crop"] == base]
    if rows.empty:
        raise unknown("crop with a highest yield", crop, table["crop"].unique())
    wanted = rows["harvested_part"].iloc[0] if part is None else part.removesuffix(" plus straw")
    if wanted not in set(rows["harvested_part"]):
        raise unknown(f"harvested part of {base}", part, rows["harvested_part"])
    row = rows[rows["harvested_part"] == wanted].iloc[0]
    tonnes = convert_area_rate(row["value"], row["unit"], "t/ha", lb_per_bushel=_bushel(base))
    return PlausibleYield(
        base, wanted, float(row["value"]), row["unit"], float(tonnes), row["year"], row["source_key"],
        row["provenance"], row["note"],
    )  # fmt: skip


def _bushel(crop) -> float | None:
    weight = load_crops().set_index("crop").loc[crop, "bushel_lb"]
    return None if np.isnan(weight) else float(weight)
