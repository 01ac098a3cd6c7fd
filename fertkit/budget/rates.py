"""Published uptake and removal, one record a source and nutrient, in pounds per pound of yield as sold.

Sources are never mixed: every record holds what one publication says about one nutrient of one crop, and
what follows from that alone.
"""

import re
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from fertkit.budget.yields import base_of, lb_ac_per
from fertkit.errors import LookupFailed, UnitError, unknown
from fertkit.reference.crops import bushel_lb, is_known, related_crops, trade_moisture_pct
from fertkit.reference.load import constants, load_table
from fertkit.reference.nutrients import NUTRIENT_ORDER, OXIDE_OF, place_of
from fertkit.reference.own import NO_TABLES
from fertkit.units import SHORT_TON_LB, convert_area_rate, from_element

RESIDUE_PARTS = ("straw", "stover")
#: Of two rows of one source, the first of these units is used (the other is the same value restated).
UNIT_PREFERENCE = ("lb/bu", "lb/ton", "lb/cwt", "lb/bale", "kg/Mg", "g/kg")
PER_POUND = (
    "harvested", "low", "high", "share", "residue_per_yield", "residue_per_mass", "everything",
    "uptake_low", "uptake_high",
)  # fmt: skip
#: What an uptake is: as far as the study says; the most the crop held in the season, with leaves that fell;
#: what it holds when it is harvested, as is all that is worked out from harvest and residue.
TOTAL, SEASON_MAXIMUM, AT_HARVEST = "total uptake", "season maximum", "content at harvest"


@dataclass(frozen=True)
class Rate:
    """What one publication says about one nutrient of one crop.

    Attributes
    ----------
    uptake_yield, uptake : tuple of float
        Yields [lb/ac] at which total uptake was measured, and uptake there [lb per lb of yield]; empty if
        the source gives none.
    counted : str
        What the uptake is: `TOTAL`, `SEASON_MAXIMUM` or `AT_HARVEST`.
    uptake_low, uptake_high : float
        Published range of the uptake [lb per lb of yield].
    fades : bool
        Whether the uptake may count what leaves lose before harvest, so that the straw holds less than
        uptake less harvested.
    per_unit : bool
        Whether uptake is printed for one unit of yield (a bale) and not for a yield measured.
    harvested, low, high : float
        Nutrient in the harvested part, and the published range [lb per lb of yield].
    share : float
        Share of the total that is in the harvested part (harvest index) [0-1].
    residue_per_yield : float
        Nutrient in all straw or stover [lb per lb of yield].
    residue_per_mass : float
        Nutrient in straw or stover [lb per lb of residue].
    everything : float
        Nutrient in grain and all straw together [lb per lb of yield].
    """

    crop: str
    source_key: str
    nutrient: str
    provenance: str
    confidence: str
    note: str = ""
    uptake_yield: tuple[float, ...] = ()
    per_unit: bool = False
    uptake: tuple[float, ...] = ()
    harvested: float = np.nan
    low: float = np.nan
    high: float = np.nan
    share: float = np.nan
    residue_per_yield: float = np.nan
    residue_per_mass: float = np.nan
    everything: float = np.nan
    counted: str = ""
    uptake_low: float = np.nan
    uptake_high: float = np.nan
    fades: bool = False

    @property
    def measured_at(self) -> tuple[float, ...]:
        """Yields at which uptake was measured [lb/ac]."""
        return () if self.per_unit else self.uptake_yield


def parts_of(crop: str, own=NO_TABLES) -> list[str]:
    """Harvested parts with removal rows for a crop, the usual one first; grain where a user's own has none.

    Raises
    ------
    LookupFailed
        If no source is carried for the crop; lists the crops there are.
    """
    table, related = own.table("removal"), related_crops(crop)
    rows = table[table["crop"].isin(related)]
    parts = [p for p in rows["harvested_part"].unique() if p not in (*RESIDUE_PARTS, "grain plus straw")]
    if not parts and any(own.rows(kind)["crop"].isin(related).any() for kind in ("removal", "uptake")):
        return ["grain"]
    if not parts:
        raise LookupFailed(
            f"no removal values for {crop}",
            remedy=f"crops with values: {', '.join(sorted(table['crop'].unique()))}",
        )
    return sorted(parts, key=lambda p: p != "grain")


@lru_cache(maxsize=4096)
def published_rates(crop: str, part: str | None = None, own=NO_TABLES) -> tuple[Rate, ...]:
    """Collect what every source says about a crop.

    Parameters
    ----------
    crop : str
        Crop, or a market class (winter wheat), which also takes the rows of its base crop.
    part : str, optional
        Harvested part (grain, silage, hay, ...); the usual one if None.
    own : OwnTables, optional
        Tables of the user's own (`fertkit.budget.own.checked_own`).

    Returns
    -------
    tuple of Rate
        Ordered by nutrient, then source.

    Raises
    ------
    LookupFailed
        If the crop or part is not known.
    """
    parts = parts_of(crop, own)
    part = part or parts[0]
    if part not in parts:
        raise unknown(f"harvested part of {crop}", part, parts)
    records: dict[tuple, dict] = {}
    _add_removal(records, crop, part, own.table("removal"))
    if part == parts[0]:
        _add_uptake(records, crop, own.table("uptake"))
    _share_between_classes(records)
    _mark_fading(records, own.table("timing"))
    rates = [
        replace(Rate(*key, *_trace(record.pop("traces"))), **record)
        for key, record in records.items()
        if key[2] in (*NUTRIENT_ORDER, *own.nutrients)
    ]
    return tuple(sorted(rates, key=lambda r: (place_of(r.nutrient), r.source_key, r.crop)))


def _mark_fading(records, table):
    """Mark uptake that may be more than the crop holds at harvest: a study has measured the loss of it."""
    table = table[table["kind"] == "loss"]
    lost = {(r.crop, OXIDE_OF.get(n, n)) for r in table.itertuples() for n in r.nutrient.split(",")}
    lost |= {(base_of(crop), nutrient) for (crop, _, nutrient), record in records.items()
             if record.get("counted") == SEASON_MAXIMUM}  # fmt: skip
    for (crop, _, nutrient), record in records.items():
        unsure = record.get("counted") in (TOTAL, SEASON_MAXIMUM)
        record["fades"] = unsure and (base_of(crop), nutrient) in lost


def _add_removal(records, crop, part, table):
    table = table[table["crop"].isin(related_crops(crop))]
    order = table["unit"].map(UNIT_PREFERENCE.index)
    for row in table.assign(order=order).sort_values("order", kind="stable").itertuples():
        residue = row.harvested_part in RESIDUE_PARTS
        if not (residue or row.harvested_part in (part, "grain plus straw")) or (residue and part != "grain"):
            continue
        scale, nutrient = _per_lb(row), OXIDE_OF.get(row.nutrient, row.nutrient)
        if row.nutrient in OXIDE_OF:
            scale = from_element(scale, nutrient)
        if residue:
            field = "residue_per_yield" if row.unit == "lb/bu" else "residue_per_mass"
        else:
            field = "harvested" if row.harvested_part == part else "everything"
        record = records.setdefault((row.crop, row.source_key, nutrient), {"traces": []})
        if field in record:
            continue
        record[field] = row.value * scale
        record["traces"].append(row)
        if field == "harvested":
            record |= {"low": row.low * scale, "high": row.high * scale}


def _per_lb(row) -> float:
    """Factor from a removal row's unit to lb per lb of yield as sold (or of residue, for lb/ton)."""
    moisture = re.match(r"([\d.]+)%", row.moisture_basis)
    if row.unit == "lb/bu":
        return 1 / bushel_lb(row.crop)
    if row.unit == "g/kg":  # dry grain
        return (1 - trade_moisture_pct(row.crop) / 100) / 1000
    per = {"lb/ton": SHORT_TON_LB, "lb/cwt": 100, "kg/Mg": 1000}.get(row.unit)
    scale = 1 / (per or lb_ac_per("bale/ac", row.crop))
    if row.harvested_part == "grain" and moisture and is_known(row.crop):
        scale *= (100 - trade_moisture_pct(row.crop)) / (100 - float(moisture[1]))
    return scale


def _add_uptake(records, crop, table):
    table = table[table["crop"].isin(related_crops(crop)) & (table["nutrient"] != "dry matter")]
    oxide = table["nutrient"].isin(OXIDE_OF.values())
    taken = set()
    for row in table.assign(late=~oxide).sort_values("late", kind="stable").itertuples():
        key = (row.crop, row.source_key, OXIDE_OF.get(row.nutrient, row.nutrient))
        if row.nutrient in OXIDE_OF and key in taken:
            continue  # the same publication prints the oxide too
        amount, scale = _uptake_per_lb(row)
        if amount is None and np.isnan(row.harvest_index):
            continue  # no yield to scale by
        taken.add(key)
        record = records.setdefault(key, {"traces": []})
        record["traces"].append(row)
        if row.measure == "left in residue":
            record["residue_per_yield"] = amount
            continue
        record.setdefault("share", row.harvest_index)
        if amount is not None:
            record["uptake_yield"] = (*record.get("uptake_yield", ()), 1 / scale)
            record["uptake"] = (*record.get("uptake", ()), amount)
            record["per_unit"] = row.yield_amount == 1
            per = amount / row.amount
            record |= {"counted": row.counted or TOTAL, "uptake_low": row.amount_low * per,
                       "uptake_high": row.amount_high * per}  # fmt: skip
            if "harvested" not in record and not np.isnan(row.removed):
                record["harvested"] = amount * row.removed / row.amount


def _uptake_per_lb(row):
    """Amount of an uptake row [lb per lb of yield as sold] and 1/yield; (None, None) without a yield."""
    if np.isnan(row.amount) or np.isnan(row.yield_amount):
        return None, None
    sold = row.yield_amount * lb_ac_per(row.yield_unit, row.crop)
    if row.yield_basis == "dry":
        sold /= 1 - trade_moisture_pct(row.crop) / 100
    pounds = convert_area_rate(row.amount, row.amount_unit, "lb/ac") / sold
    return (from_element(pounds, OXIDE_OF[row.nutrient]) if row.nutrient in OXIDE_OF else pounds), 1 / sold


def _share_between_classes(records):
    """Give a market class the share in grain that the same source states for its base crop."""
    for (crop, source, nutrient), record in records.items():
        parent = records.get((base_of(crop), source, nutrient), {})
        if crop != base_of(crop) and "share" in parent:
            record.setdefault("share", parent["share"])
            record["traces"] = [*record["traces"], *parent["traces"]]


def _trace(rows):
    """Provenance, confidence and note of several rows of one source."""
    provenance = {row.provenance for row in rows}
    if provenance == {"found", "derived"}:
        provenance = {"derived"}
    confidence = "medium" if any(row.confidence == "medium" for row in rows) else rows[0].confidence
    notes = "; ".join(dict.fromkeys(row.note for row in rows if row.note))
    return (provenance.pop() if len(provenance) == 1 else "mixed"), confidence, notes


def residue_ratio(crop: str) -> float | None:
    """Dry straw or stover per unit of dry grain [lb/lb], or None if no value is carried."""
    rows = constants("harvest_ratio")
    rows = rows[rows.index.str.startswith(f"{base_of(crop)} ") & (rows["unit"] == "mass/mass")]
    return None if rows.empty else float(rows["value"].iloc[0])


def residue_lb_ac(crop: str, pounds):
    """Straw or stover grown with a grain yield [lb/ac dry], from the usual ratio; NaN without one."""
    ratio = residue_ratio(crop)
    try:
        dry = np.asarray(pounds, dtype=float) * (1 - trade_moisture_pct(crop) / 100)
    except (UnitError, LookupFailed):  # no trade moisture, or a crop of the user's own
        return np.full(np.shape(pounds), np.nan)
    return dry * (np.nan if ratio is None else ratio)


def amounts(rates, pounds, baled, residue) -> dict[str, np.ndarray]:
    """Work out uptake, removal and what stays for many fields at once.

    Parameters
    ----------
    rates : sequence of Rate, length r
    pounds : array, shape (n,)
        Yield as sold [lb/ac].
    baled : array, shape (n,)
        Share of the straw or stover taken off [0-1].
    residue : array, shape (n,)
        Straw or stover grown [lb/ac].

    Returns
    -------
    dict of arrays, shape (r, n)
        uptake, harvested, baled, removed, stays, low, high, uptake_low, uptake_high [lb/ac] and share_removed
        [0-1]; NaN where the source does not say.

    Notes
    -----
    From one source alone: harvested = printed, or uptake x harvest index; residue = printed, or
    uptake - harvested, which is baled only of a nutrient that leaves do not lose before harvest;
    uptake = printed (interpolated between printed yields, in proportion beyond
    them), or harvested / harvest index, or harvested + residue.
    """
    pounds, baled, residue = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (pounds, baled, residue))
    column = {name: np.array([getattr(r, name) for r in rates], dtype=float)[:, None] for name in PER_POUND}
    uptake = np.array(
        [
            pounds * np.interp(pounds, r.uptake_yield, r.uptake) if r.uptake else np.full(len(pounds), np.nan)
            for r in rates
        ]
    )
    harvested = _first(column["harvested"] * pounds, uptake * column["share"])
    uptake = _first(uptake, harvested / column["share"])
    straw = _first(column["residue_per_yield"] * pounds, column["residue_per_mass"] * residue)
    left = _first(straw, uptake - harvested)
    uptake = _first(uptake, harvested + left)
    fades = np.array([r.fades for r in rates])[:, None]
    taken = np.where(baled > 0, baled * np.where(fades, straw, left), 0.0)
    removed = np.where((baled == 1) & np.isnan(harvested), column["everything"] * pounds, harvested + taken)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = removed / uptake
    share = np.where(np.isnan(share) & (baled == 0), column["share"], share)
    return {
        "uptake": uptake,
        "harvested": harvested,
        "baled": taken,
        "removed": removed,
        "share_removed": share,
        "stays": _first(uptake - removed, left - taken),
        **{name: column[name] * pounds for name in ("low", "high", "uptake_low", "uptake_high")},
    }


def _first(*choices):
    """Take, cell by cell, the first choice that is a number."""
    answer = choices[0]
    for other in choices[1:]:
        answer = np.where(np.isnan(answer), other, answer)
    return answer


def default_order(crop: str) -> dict[str, int]:
    """Source keys to prefer for a crop with their rank, its own before its base crop's."""
    table = load_table("default_sources")
    table = table[table["use"] == "needs"].sort_values("rank")
    chain = [key for name in dict.fromkeys([crop, base_of(crop)])
             for key in table.loc[table["crop"] == name, "source_key"]]  # fmt: skip
    return {key: rank for rank, key in enumerate(dict.fromkeys(chain))}


def nutrient_name(text: str, own=NO_TABLES) -> str:
    """Give a nutrient of `NUTRIENT_ORDER`, or of a user's own, for its name as oxide or element, in any case.

    Raises
    ------
    LookupFailed
        If it is not known.
    """
    written = {n.casefold(): n for n in (*NUTRIENT_ORDER, *OXIDE_OF, *own.nutrients)}
    name = written.get(str(text).strip().casefold())
    if name is None:
        raise unknown("nutrient", text, written.values())
    return OXIDE_OF.get(name, name)


def derivation(rate: Rate) -> str:
    """Say in words what was worked out from a source's own numbers rather than printed by it."""
    steps = []
    residue = not np.isnan([rate.residue_per_yield, rate.residue_per_mass]).all()
    printed, shared = not np.isnan(rate.harvested), not np.isnan(rate.share)
    if rate.uptake and shared and not printed:
        steps.append("removed = uptake x harvest index")
    if not rate.uptake and printed and shared:
        steps.append("uptake = removed / harvest index")
    elif not rate.uptake and printed and residue:
        steps.append("uptake = grain + residue")
    if not np.isnan(rate.residue_per_mass):
        steps.append("residue content x residue mass")
    return "; ".join(steps)
