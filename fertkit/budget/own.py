"""What a user's own tables of removal and uptake say, and where their rows contradict each other."""

import re

import numpy as np

from fertkit.budget.rates import RESIDUE_PARTS, _per_lb, _uptake_per_lb, parts_of, published_rates
from fertkit.errors import InputError, Problem
from fertkit.reference.load import constants
from fertkit.reference.nutrients import OXIDE_OF
from fertkit.reference.own import OwnTables, read_own
from fertkit.rounding import above, at_most
from fertkit.units import from_element

#: Ways to say on what basis a yield of the uptake table stands; other words would be passed over.
BASES = ("", "dry", "fresh", "as sold", "trade moisture")


SOIL = ("soil_tests", "soil_systems", "soil_rates")


def checked_own(tables) -> OwnTables:
    """Read a user's own tables (`read_own`) and refuse rows that contradict each other or would go unread.

    Raises
    ------
    InputError
        With every problem of the tables.
    """
    own = read_own(tables)
    if own is tables or not own:
        return own
    problems = [*_unread(own)]
    if {"timing", *SOIL} & set(own.frames):
        from fertkit.budget.own_rules import season_problems, soil_problems

        problems += [*season_problems(own), *soil_problems(own)]
    problems += [] if problems else [*_apart(own), *_impossible(own)]
    if problems:
        files = dict.fromkeys(file for file, _ in problems)
        raise InputError(" and ".join(files), [problem for _, problem in problems])
    return own


def at_row(row, what, remedy, column):
    return row.file, Problem(what, remedy, row.line, column, getattr(row, column))


def _unread(own):
    """Rows from which nothing, or something else than is meant, would be read."""
    for row in own.rows("removal").itertuples():
        read = re.match(r"$|trade moisture$|\d+(\.\d+)?%", row.moisture_basis)
        if row.harvested_part == "grain" and not read:
            remedy = "write 14%, 0% for dry grain, or leave it blank for trade moisture"
            yield at_row(row, "moisture not read", remedy, "moisture_basis")
    for row in own.rows("uptake").itertuples():
        if row.yield_basis not in BASES:
            remedy = "write dry or fresh, or leave it blank for trade moisture"
            yield at_row(row, "basis of the yield not read", remedy, "yield_basis")
        remedy = "fill it in, to scale the amount to other yields"
        for name in ("amount_unit", "yield_unit") if row.amount >= 0 else ():
            if not getattr(row, name):
                yield at_row(row, "an amount without a unit or yield", remedy, name)
        if row.amount >= 0 and not row.yield_amount > 0:
            yield at_row(row, "an amount without a yield", remedy, "yield_amount")
        if row.measure != "total" and not row.amount >= 0:
            yield at_row(row, "no amount left in residue", "fill in the amount", "amount")


def _statements(own):
    """What each own row says: (crop, source, nutrient, what), value, row and the column it stands in."""
    for row in own.rows("removal").itertuples():
        oxide = OXIDE_OF.get(row.nutrient, row.nutrient)
        residue = row.harvested_part in RESIDUE_PARTS
        per_mass = residue and row.unit != "lb/bu"
        what = "residue by weight" if per_mass else "residue" if residue else row.harvested_part
        value = row.value * _per_lb(row)
        value = from_element(value, oxide) if row.nutrient in OXIDE_OF else value
        yield (row.crop, row.source_key, oxide, what), value, row, "value"
    for row in own.rows("uptake").itertuples():
        about = row.crop, row.source_key, OXIDE_OF.get(row.nutrient, row.nutrient)
        if row.harvest_index >= 0:
            yield (*about, "harvest index"), row.harvest_index, row, "harvest_index"
        if row.removed >= 0 and row.amount > 0:
            yield (*about, "harvest index"), row.removed / row.amount, row, "removed"
        amount, per_yield = _uptake_per_lb(row)
        if amount is None or row.nutrient == "dry matter":
            continue
        if row.measure != "total":
            yield (*about, "residue"), amount, row, "amount"
            continue
        yield (*about, f"uptake at {1 / per_yield:.3g} lb/ac"), amount, row, "amount"
        if row.removed >= 0 and row.amount > 0:
            part = parts_of(row.crop, own)[0]
            yield (*about, part), amount * row.removed / row.amount, row, "removed"


def _apart(own):
    """Rows of one source that say something else of the same thing, in whatever unit."""
    near, first = constants()["value"]["agreement of one's own rows"], {}
    for about, value, row, column in _statements(own):
        before, other = first.setdefault(about, (value, row))
        if at_most(abs(value - before), near * max(value, before)):
            continue
        what = f"another value of the {about[-1]} than row {other.line}" + (
            f" of {other.file}" if other.file != row.file else ""
        )
        what += f", {value / before:.3g} times as much" if before else ""
        yield at_row(row, what, "keep one, or give each its source_key", column)
    for about, (whole, row) in first.items():
        if about[-1] == "grain plus straw":
            parts = sum(first.get((*about[:3], name), (0.0,))[0] for name in ("grain", "residue"))
            if above(parts, whole):
                what = "less than grain and straw of the same source"
                yield at_row(row, what, "check the value and unit", "value")


def _impossible(own):
    """Rows by which more is removed than is taken up, and straw of which no grain is told."""
    rates, lines = [], {}
    for kind in ("removal", "uptake"):
        for row in own.rows(kind).itertuples():
            rates += published_rates(row.crop, None, own)
            if kind == "removal" and row.harvested_part in parts_of(row.crop, own):
                rates += published_rates(row.crop, row.harvested_part, own)
            lines.setdefault((row.crop, row.source_key, OXIDE_OF.get(row.nutrient, row.nutrient)), row)
    for rate in dict.fromkeys(rates):
        row = lines.get((rate.crop, rate.source_key, rate.nutrient))
        if row is None:
            continue
        about, taken = f"{rate.nutrient} of {rate.crop}", min(rate.uptake, default=np.inf)
        if above(rate.harvested, taken):
            what = f"{about}: removal is {rate.harvested / taken:.3g} times the uptake"
            yield at_row(row, what, "check the value and unit of both rows", "nutrient")
        if above(rate.share, 1):
            what = f"{about}: more than 100 % in the harvested part"
            yield at_row(row, what, "write the share as 0 to 1", "nutrient")
        residue = not np.isnan([rate.residue_per_yield, rate.residue_per_mass]).all()
        if residue and np.isnan([rate.harvested, rate.share, rate.everything]).all() and not rate.uptake:
            what = f"{about}: straw or stover without grain of {rate.source_key}"
            remedy = "add the grain under the same source_key, or delete the row"
            yield at_row(row, what, remedy, "nutrient")
