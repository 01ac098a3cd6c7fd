"""Every published rate worked out again from the printed rows, one at a time in plain arithmetic.

Weights of a bushel and trade moistures are the crop table's; PPI_COTTON2005 prints 480 lb of lint a bale.
P2O5 holds 43.64 % P and K2O 83.01 % K (atomic masses of IUPAC).
"""

import dataclasses
import itertools
import math
from collections import namedtuple

import numpy as np
import pytest

from fertkit.budget.rates import (
    Rate,
    _trace,
    amounts,
    default_order,
    derivation,
    parts_of,
    published_rates,
    residue_lb_ac,
    residue_ratio,
)
from fertkit.errors import LookupFailed
from fertkit.reference import load_crops, load_table
from fertkit.reference.crops import base_crop, related_crops
from fertkit.reference.nutrients import NUTRIENT_ORDER

P, K, OXYGEN = 30.973762, 39.0983, 15.999
OXIDE = {"P": ("P2O5", (2 * P + 5 * OXYGEN) / (2 * P)), "K": ("K2O", (2 * K + OXYGEN) / (2 * K))}
LB_PER_KG_HA = 0.40468564224 / 0.45359237  # NIST SP 811
CROPS = load_crops().set_index("crop")
UNITS = ("lb/bu", "lb/ton", "lb/cwt", "lb/bale", "kg/Mg", "g/kg")
NAN = float("nan")


def named(nutrient, amount):
    """P and K as oxide."""
    name, factor = OXIDE.get(nutrient, (nutrient, 1.0))
    return name, amount * factor


def dry(crop):
    return 1 - CROPS.loc[crop, "trade_moisture_pct"] / 100


def per_lb(row):
    """Pounds of the nutrient in a pound of the part as sold."""
    if row.unit == "lb/bu":
        return row.value / CROPS.loc[row.crop, "bushel_lb"]
    if row.unit == "g/kg":
        return row.value * dry(row.crop) / 1000
    plain = row.value / {"lb/ton": 2000, "lb/cwt": 100, "kg/Mg": 1000, "lb/bale": 480}[row.unit]
    if row.harvested_part == "grain" and row.moisture_basis == "12%":  # printed at another moisture
        return plain * dry(row.crop) / 0.88
    return plain


def sold_lb_ac(row):
    """Yield of an uptake row in lb/ac as sold."""
    per = {"bu/ac": CROPS.loc[row.crop, "bushel_lb"], "cwt/ac": 100, "bale/ac": 480, "kg/ha": LB_PER_KG_HA,
           "Mg/ha": 1000 * LB_PER_KG_HA}[row.yield_unit]  # fmt: skip
    return row.yield_amount * per / (dry(row.crop) if row.yield_basis == "dry" else 1)


def expected(crop, part):
    """(crop, source, nutrient) -> what the printed rows say, worked out one by one."""
    found, rows_of = {}, {}
    blank = {"uptake": [], "per_unit": False, "harvested": NAN, "low": NAN, "high": NAN, "share": NAN,
             "residue_per_yield": NAN, "residue_per_mass": NAN, "everything": NAN}  # fmt: skip

    def record(row, nutrient):
        key = (row.crop, row.source_key, nutrient)
        return found.setdefault(key, {k: list(v) if v == [] else v for k, v in blank.items()}), key

    removal = load_table("removal")
    removal = removal[removal["crop"].isin(related_crops(crop))]
    for unit in UNITS:
        for row in removal[removal["unit"] == unit].itertuples():
            name, amount = named(row.nutrient, per_lb(row))
            times = amount / row.value
            if row.harvested_part in ("straw", "stover"):
                if part != "grain":
                    continue
                field = "residue_per_yield" if unit == "lb/bu" else "residue_per_mass"
            elif row.harvested_part == part:
                field = "harvested"
            elif row.harvested_part == "grain plus straw":
                field = "everything"
            else:
                continue
            mine, key = record(row, name)
            if math.isnan(mine[field]):
                mine[field] = amount
                rows_of.setdefault(key, []).append(row)
                if field == "harvested":
                    mine["low"], mine["high"] = row.low * times, row.high * times
    if part == parts_of(crop)[0]:
        add_uptake(crop, record, rows_of)
    for (c, source, nutrient), mine in found.items():
        base = (base_crop(c), source, nutrient)
        if c != base_crop(c) and base in found and not math.isnan(found[base]["share"]):
            if math.isnan(mine["share"]):
                mine["share"] = found[base]["share"]
            rows_of[(c, source, nutrient)] = [*rows_of[(c, source, nutrient)], *rows_of[base]]
    return {k: v for k, v in found.items() if k[2] in NUTRIENT_ORDER}, rows_of


def add_uptake(crop, record, rows_of):
    uptake = load_table("uptake")
    uptake = uptake[uptake["crop"].isin(related_crops(crop)) & (uptake["nutrient"] != "dry matter")]
    printed = {(r.crop, r.source_key, r.nutrient) for r in uptake.itertuples()}
    for row in uptake.itertuples():
        known = not (math.isnan(row.amount) or math.isnan(row.yield_amount))
        if not known and math.isnan(row.harvest_index):
            continue
        oxide = OXIDE.get(row.nutrient, ("", 1))[0]
        if (row.crop, row.source_key, oxide) in printed:
            continue  # the same publication prints the oxide
        mine, key = record(row, named(row.nutrient, 1)[0])
        rows_of.setdefault(key, []).append(row)
        if known:
            pounds = {"lb/ac": 1, "kg/ha": LB_PER_KG_HA, "oz/ac": 1 / 16}[row.amount_unit]
            amount = named(row.nutrient, row.amount * pounds / sold_lb_ac(row))[1]
            if row.measure == "left in residue":
                mine["residue_per_yield"] = amount
                continue
            mine["uptake"].append((sold_lb_ac(row), amount))
            mine["per_unit"] = row.yield_amount == 1
            if math.isnan(mine["harvested"]) and not math.isnan(row.removed):
                mine["harvested"] = amount * row.removed / row.amount
        if math.isnan(mine["share"]):
            mine["share"] = row.harvest_index


PARTS = [(crop, part) for crop in sorted(set(load_table("removal")["crop"])) for part in parts_of(crop)]
#: Both share a base crop's figures.
CLASSES = [("hard red spring wheat", "grain"), ("spring wheat", "grain"), ("winter wheat", "grain")]
EVERY = sorted({*PARTS, *((c, p) for c, p in CLASSES if c in CROPS.index)})


@pytest.mark.parametrize(("crop", "part"), EVERY)
def test_every_rate_of_a_crop_is_what_its_rows_say(crop, part):
    rates = published_rates(crop, part)
    wanted, rows_of = expected(crop, part)
    assert {(r.crop, r.source_key, r.nutrient) for r in rates} == set(wanted)
    places = [(NUTRIENT_ORDER.index(r.nutrient), r.source_key, r.crop) for r in rates]
    assert places == sorted(places)
    for rate in rates:
        key = (rate.crop, rate.source_key, rate.nutrient)
        mine = wanted[key]
        assert list(zip(rate.uptake_yield, rate.uptake, strict=True)) == [
            pytest.approx(pair, rel=1e-4) for pair in mine.pop("uptake")
        ], key
        for field, value in mine.items():
            assert getattr(rate, field) == pytest.approx(value, rel=1e-4, nan_ok=True), (key, field)
        assert rate.measured_at == (() if mine["per_unit"] else rate.uptake_yield)
        told = {row.provenance for row in rows_of[key]}
        mixed = "derived" if told == {"found", "derived"} else "mixed"
        assert rate.provenance == (next(iter(told)) if len(told) == 1 else mixed)
        held = {row.confidence for row in rows_of[key]}
        assert rate.confidence == ("medium" if "medium" in held else rows_of[key][0].confidence)
        assert set(filter(None, rate.note.split("; "))) >= {
            r.note for r in rows_of[key] if "; " not in r.note
        } - {""}
    with pytest.raises(dataclasses.FrozenInstanceError):
        rates[0].share = 1.0


def test_the_usual_part_is_the_one_if_none_is_asked():
    assert repr(published_rates("corn")) == repr(published_rates("corn", "grain"))
    assert parts_of("corn")[0] == "grain"
    assert set(parts_of("corn")) == {"grain", "silage"}
    with pytest.raises(LookupFailed, match="unknown harvested part of corn"):
        published_rates("corn", "root")
    with pytest.raises(LookupFailed, match="no removal values"):
        parts_of("sudangrass")


def test_market_classes_share_the_base_crop_and_no_other():
    wheats = related_crops("wheat")
    assert wheats[0] == "wheat"
    assert set(wheats) == {c for c in CROPS.index if base_crop(c) == "wheat"}
    assert related_crops("winter wheat") == ["winter wheat", "wheat"]
    assert related_crops("corn") == ["corn"]


def by_hand(rate, pounds, baled, residue):
    """One field, one source: what follows from its own numbers, step by step (the notes of `amounts`)."""
    uptake = NAN
    if rate.uptake:
        uptake = pounds * float(np.interp(pounds, rate.uptake_yield, rate.uptake))
    harvested = rate.harvested * pounds
    if math.isnan(harvested):
        harvested = uptake * rate.share
    if math.isnan(uptake):
        uptake = harvested / rate.share
    left = next(
        (v for v in (rate.residue_per_yield * pounds, rate.residue_per_mass * residue) if not math.isnan(v)),
        uptake - harvested,
    )
    if math.isnan(uptake):
        uptake = harvested + left
    taken = baled * left if baled else 0.0
    removed = rate.everything * pounds if baled == 1 and math.isnan(harvested) else harvested + taken
    share = removed / uptake if uptake else NAN
    if math.isnan(share) and baled == 0:
        share = rate.share
    stays = uptake - removed
    return {
        "uptake": uptake, "harvested": harvested, "baled": taken, "removed": removed, "share_removed": share,
        "stays": left - taken if math.isnan(stays) else stays,
        "low": rate.low * pounds, "high": rate.high * pounds,
    }  # fmt: skip


ANY = Rate("corn", "A", "N", "found", "high")
MADE = [
    ANY,
    dataclasses.replace(ANY, uptake_yield=(5000.0, 10000.0), uptake=(0.02, 0.024)),
    dataclasses.replace(ANY, uptake_yield=(5000.0,), uptake=(0.02,), share=0.6),
    dataclasses.replace(ANY, uptake_yield=(5000.0,), uptake=(0.02,), harvested=0.011, low=0.01, high=0.013),
    dataclasses.replace(ANY, harvested=0.011, share=0.6),
    dataclasses.replace(ANY, harvested=0.011, residue_per_yield=0.007),
    dataclasses.replace(ANY, harvested=0.011, residue_per_mass=0.004),
    dataclasses.replace(ANY, harvested=0.011, residue_per_yield=0.007, residue_per_mass=0.004),
    dataclasses.replace(ANY, harvested=0.011, share=0.6, residue_per_mass=0.004),
    dataclasses.replace(ANY, everything=0.03),
    dataclasses.replace(ANY, residue_per_mass=0.004),
    dataclasses.replace(ANY, share=0.7),
    dataclasses.replace(ANY, harvested=0.011, everything=0.03),
]


def test_amounts_of_every_kind_of_source():
    fields = list(itertools.product((4000.0, 7000.0, 12000.0), (0.0, 0.3, 1.0), (NAN, 5000.0)))
    fields += [(0.0, baled, NAN) for baled in (0.0, 1.0)]  # a lost crop
    found = amounts(MADE, *np.array(fields).T)
    for i, rate in enumerate(MADE):
        for j, field in enumerate(fields):
            for name, value in by_hand(rate, *field).items():
                got = found[name][i, j]
                assert got == pytest.approx(value, rel=1e-12, nan_ok=True), (i, field, name)
    assert all(values.shape == (len(MADE), len(fields)) for values in found.values())


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        (MADE[2], "removed = uptake x harvest index"),
        (MADE[3], ""),
        (dataclasses.replace(MADE[3], share=0.6), ""),
        (MADE[4], "uptake = removed / harvest index"),
        (MADE[5], "uptake = grain + residue"),
        (MADE[6], "uptake = grain + residue; residue content x residue mass"),
        (MADE[7], "uptake = grain + residue; residue content x residue mass"),
        (MADE[8], "uptake = removed / harvest index; residue content x residue mass"),
        (MADE[9], ""),
        (MADE[10], "residue content x residue mass"),
        (MADE[11], ""),
        (MADE[12], ""),
        (dataclasses.replace(MADE[5], uptake_yield=(1.0,), uptake=(0.02,)), ""),
    ],
)
def test_what_was_worked_out_is_said(rate, said):
    assert derivation(rate) == said


def test_straw_from_grain_by_the_usual_ratio():
    # FERNANDEZ_STOVER and FERNANDEZ_STRAW: as much dry stover or straw as dry grain; corn is sold at 15.5 %,
    # wheat at 13.5 % or the crop table's moisture
    assert residue_ratio("corn") == 1.0
    assert residue_ratio("soybean") is None
    assert residue_lb_ac("corn", [1000.0, 2000.0]) == pytest.approx([845.0, 1690.0])
    assert residue_lb_ac("winter wheat", 1000.0) == pytest.approx(1000 * dry("wheat"))
    assert np.isnan(residue_lb_ac("soybean", [1000.0, 2.0])).tolist() == [True, True]
    assert np.isnan(residue_lb_ac("alfalfa", [1000.0, 2.0])).tolist() == [True, True]


def test_order_of_the_default_sources():
    # BENDER2015 before KSU_SOY for soybean: the note of `nutrient_budget`
    order = default_order("soybean")
    assert order["BENDER2015"] < order["KSU_SOY"]
    # a market class has its own first, then those of its base crop
    assert list(default_order("spring wheat")) == ["IPNI2014", *default_order("wheat")]
    table = load_table("default_sources")
    for crop in table["crop"].unique():
        mine = table[(table["crop"] == crop) & (table["use"] == "needs")].set_index("rank")["source_key"]
        assert list(default_order(crop))[: len(mine)] == [mine[rank] for rank in sorted(mine.index)]
    assert default_order("bromegrass") == {}


def test_one_doubt_among_the_rows_of_a_source_is_kept():
    row = namedtuple("row", "provenance confidence note")
    high, doubt = row("found", "high", "a"), row("derived", "medium", "")
    assert _trace([high, doubt]) == _trace([doubt, high]) == ("derived", "medium", "a")
    assert _trace([high, high, row("from_memory", "high", "b")]) == ("mixed", "high", "a; b")
    assert _trace([row("from_memory", "high", ""), row("derived", "high", ""), high])[0] == "mixed"
