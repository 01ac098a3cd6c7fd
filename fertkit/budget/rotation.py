"""The ledger of a rotation for all fields at once: applied, removed, left, and where the soil test goes."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from fertkit.asked import asks, numbers_by_name
from fertkit.budget.buffers import TEST_OF, soil_buffer
from fertkit.budget.ledger import NUTRIENTS
from fertkit.budget.system_answers import level_records
from fertkit.budget.targets import PLACE, Targets, is_legume
from fertkit.budget.thresholds import fits
from fertkit.budget.yields import refuse
from fertkit.reference.load import list_sources
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.results import Result
from fertkit.rounding import at_least

#: Extractants whose tests the published buffering speaks of.
BUFFERED = {"P": "Bray-P1 or Mehlich-3 or Mehlich-3 ICP or Mehlich-3 colorimetric",
            "K": "ammonium acetate or Mehlich-3"}  # fmt: skip

AMOUNTS = ["applied", "brought", "removed"]
#: Credits that are an application of the season, with all they hold.
BROUGHT = ("manure", "starter", "water nitrate")


@dataclass(frozen=True)
class RotationLedger(Result):
    """Books of every field through its rotation.

    Attributes
    ----------
    table : DataFrame
        field, zone, year, season (from 1), crop, area_ac, nutrient, applied, removed, left (applied less
        removed; NaN for nitrogen of a legume, which fixes its own), running (sum of what is left of P2O5 and
        K2O; nitrogen is not carried: NaN) [lb/ac], covers_next (more than removal on purpose of the crop
        after, which gets less), critical (of the system chosen), test_before, test_after, test_low, test_high
        [ppm] (NaN without a test that the buffering speaks of), price [per lb], and per acre: skip_saves,
        skip_replaces (what is missing then and has to be put back, at today's price), skip_response (own
        curve), test_if_skipped, double_costs, double_saves (next season), test_if_doubled; buffer_source,
        removed_source, provenance.
    """

    table: pd.DataFrame

    @property
    def sources(self) -> pd.DataFrame:
        keys = ";".join([*self.table["removed_source"], *self.table["buffer_source"]])
        return list_sources(sorted(keys.split(";")))


@asks(prices=numbers_by_name)
def rotation_ledger(
    targets: Targets,
    levels: pd.DataFrame | None = None,
    *,
    applied: pd.DataFrame | None = None,
    prices: dict | None = None,
) -> RotationLedger:
    """Keep the books of every field of a plan: what is applied and removed, and what the soil test does.

    Parameters
    ----------
    targets : Targets
        Rates and removal, one row a field and year.
    levels : DataFrame, optional
        Soil tests as for `nutrient_targets`; with n and sd (over the points of a field) they widen the range.
    applied : DataFrame, optional
        field, zone, year, nutrient, applied [lb/ac]: what passes bring, in place of the rate.
    prices : dict, optional
        Nutrient -> price [per lb].

    Notes
    -----
    A test moves by what is left over the buffer (`soil_buffer`). Its range takes the ends of the published
    buffering every season, and two standard errors of the test at the start (sd / root of n). A year skipped
    saves its fertilizer; what removal then takes from the soil has to be put back, unless the test stands
    above its range in the system chosen. A year doubled saves in the next what it spares there. What manure
    brings, or another nutrient's product where none was asked for, is neither saved nor doubled.
    """
    for name, price in (prices or {}).items():
        if name not in OF_PRODUCTS or not price >= 0:
            raise refuse("prices", "not a price of a nutrient", "give 0 or more", column=name, value=price)
    books = _books(targets, applied)
    books["price"] = books["nutrient"].map(prices or {}).astype(float)
    return RotationLedger(_with_costs(_with_tests(books, levels), targets))


def _books(targets, applied):
    """One row a field, season and nutrient: applied, removed, left, running."""
    keys = ["at", "nutrient"]
    brought = targets.credits[targets.credits["kind"].isin(BROUGHT)]
    brought = brought.groupby(keys)["total_lb_ac"].sum().astype(float).rename("brought")
    rates = targets.table.join(brought, on=keys)
    rates["applied"] = rates["rate_lb_ac"] + rates["brought"].fillna(0.0)
    books = targets.removal[targets.removal["nutrient"].isin(NUTRIENTS)]
    told = ["applied", "brought", "rate_lb_ac", "soil_class"]
    books = books.merge(rates[[*keys, *told]], on=keys, how="left")
    chosen = targets.systems[targets.systems["chosen"] & (targets.systems["test_unit"] == "ppm")]
    lines = chosen[[*keys, "critical"]].replace(np.inf, np.nan)
    books = books.merge(lines, on=keys, how="left")
    books[AMOUNTS] = books[AMOUNTS].astype(float)
    books["applied"] = books["applied"].fillna(0.0)
    if applied is not None:
        place = [*PLACE, "nutrient"]
        given = books[place].merge(applied[[*place, "applied"]], on=place, how="left")["applied"].to_numpy()
        books["applied"] = np.where(np.isnan(given), books["applied"], given + books["brought"].fillna(0.0))
    books = books.sort_values(["field", "zone", "nutrient", "year", "at"], kind="stable", key=_by_number)
    fixed = (books["nutrient"] == "N") & books["crop"].map(is_legume)
    left = (books["applied"] - books["removed"]).mask(fixed)
    carried = books["nutrient"] != "N"
    books = books.assign(left=left, season=_groups(books).cumcount() + 1)
    running = _running(books, books[["left"]])["left"].where(carried)
    after = _groups(books)["left"].shift(-1)
    covers = carried & (left > 0) & (after < 0) & at_least(left + after.fillna(0.0), 0.0)
    return books.assign(running=running, covers_next=covers)


def _groups(books):
    return books.groupby(["field", "zone", "nutrient"], sort=False)


def _running(books, amounts):
    """Sums over the seasons; not known from the first season on whose amount is not known."""
    keys = [books[name] for name in ("field", "zone", "nutrient")]
    unknown = amounts.isna().groupby(keys, sort=False).cummax()
    return amounts.groupby(keys, sort=False).cumsum().mask(unknown)


def _by_number(column):
    """Years in the order of their numbers where they are numbers."""
    numbers = pd.to_numeric(column, errors="coerce")
    return numbers if column.name == "year" and numbers.notna().all() else column


# ---- soil tests


def _with_tests(books, levels):
    """Add the test before and after every season, with its range."""
    starts = _starts(levels)
    whole = [starts.get((r.field, r.zone, r.nutrient), starts.get((r.field, "", r.nutrient))) for r in
             books[["field", "zone", "nutrient"]].itertuples()]  # fmt: skip
    start = pd.Series([np.nan if one is None else one[0] for one in whole], index=books.index)
    error = pd.Series([np.nan if one is None else one[1] for one in whole], index=books.index)
    moves = [
        _buffers(nutrient, None if one is None else one[0], bool(left < 0), None if one is None else one[2])
        for nutrient, one, left in zip(books["nutrient"], whole, books["left"], strict=True)
    ]
    books = books.assign(
        **pd.DataFrame(moves, columns=["middle", "low", "high", "buffer_source"], index=books.index)
    )
    ends = pd.DataFrame({name: books["left"] / books[name] for name in ("middle", "low", "high")})
    ends["least"], ends["most"] = ends[["low", "high"]].min(axis=1), ends[["low", "high"]].max(axis=1)
    path = _running(books, ends)
    after = start + path["middle"]
    wide = 2 * error.fillna(0.0)
    return books.assign(
        test_start=start,
        test_before=(after - ends["middle"]).clip(lower=0.0).where(books["season"] > 1, start),
        test_after=after.clip(lower=0.0),
        test_low=(start + path["least"] - wide).clip(lower=0.0),
        test_high=start + path["most"] + wide,
    )


def _starts(levels):
    """Field, zone and nutrient -> test [ppm], its standard error, the CEC; where buffering is published."""
    found, cec = {}, {}
    for row in level_records(levels):
        place = (row["field"], row["zone"])
        if row["analyte"] == "CEC":
            cec[place] = row["value"]
        for nutrient, element in TEST_OF.items():
            if (
                row["analyte"] == element
                and not row.get("censored", 0) > 0  # a limit is no test to go on from
                and row["unit"] == "ppm"
                and fits(row["extractant"], BUFFERED[element])
            ):
                error = row.get("sd", np.nan) / np.sqrt(row.get("n", np.nan) or np.nan)
                found.setdefault((*place, nutrient), (float(row["value"]), float(error)))
    return {(*place, nutrient): (*test, cec.get(tuple(place))) for (*place, nutrient), test in found.items()}


@cache
def _buffers(nutrient, start, falling, cec):
    if start is None or nutrient not in TEST_OF:
        return np.nan, np.nan, np.nan, ""
    buffer = soil_buffer(nutrient, start, falling=falling, cec=cec)
    return buffer.middle, buffer.low, buffer.high, buffer.source_key


# ---- money


def _with_costs(books, targets):
    """What a year left out, and one doubled, saves and costs an acre."""
    brought = books["brought"].astype(float).fillna(0.0)
    bought = (books["applied"] - brought).clip(lower=0.0).where(books["rate_lb_ac"] > 0, 0.0)
    books = books.assign(bought=bought)
    carried, money = books["nutrient"] != "N", bought * books["price"]
    needed = carried & (books["soil_class"] != "high")
    missing = np.minimum(bought, (books["removed"] - brought).clip(lower=0.0)).where(needed, 0.0)
    later = _groups(books)["bought"].shift(-1)
    spared = np.minimum(bought, later).where(carried, 0.0)
    moved = bought / books["middle"]
    books = books.assign(
        skip_saves=money,
        skip_replaces=missing * books["price"],
        skip_response=_response(books, targets.value),
        test_if_skipped=(books["test_after"] - moved).clip(lower=0.0),
        double_costs=money,
        double_saves=spared * books["price"],
        test_if_doubled=books["test_after"] + moved,
    )
    names = [*PLACE[:3], "season", "crop", "area_ac", "nutrient", "applied", "removed", "left", "running",
             "covers_next", "critical", "test_before", "test_after", "test_low", "test_high", "price",
             "skip_saves", "skip_replaces", "skip_response", "test_if_skipped", "double_costs",
             "double_saves", "test_if_doubled", "buffer_source", "removed_source", "provenance"]  # fmt: skip
    return books[names].reset_index(drop=True)


def _response(books, value):
    """What a field's own curve gains by the rate applied; NaN without a curve."""
    curves = {key: some for key, some in value.groupby(["field", "zone", "crop", "nutrient"], sort=False)}
    gains, keys = [], books[["field", "zone", "crop", "nutrient"]].itertuples(index=False, name=None)
    for key, rate in zip(keys, books["applied"], strict=True):
        gain = np.nan
        if key in curves:
            points = curves[key]["rate_lb_ac"], curves[key]["gain_per_ac"]
            gain = float(np.diff(np.interp([0.0, rate], *points))[0])
        gains.append(gain)
    return pd.Series(gains, index=books.index)
