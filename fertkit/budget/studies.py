"""Every study asked about every field, and the one that leads: a field is a row.

One field and a table of fields, a season and a rotation go through the same `worked_out`.
"""

import unicodedata
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import a_table_or_path, each_of, either
from fertkit.budget.rates import (
    AT_HARVEST,
    NUTRIENT_ORDER,
    OXIDE_OF,
    amounts,
    default_order,
    derivation,
    nutrient_name,
    published_rates,
    related_crops,
)
from fertkit.budget.yields import is_known
from fertkit.errors import InputError, LookupFailed, Problem, unknown
from fertkit.reference.crops import crop_name, like_a_known_crop, name_words
from fertkit.reference.load import list_sources, load_table
from fertkit.reference.profiles import as_list, check_region, studies
from fertkit.reference.schema import check_table
from fertkit.reference.text_tables import read_text_table
from fertkit.rounding import above

#: Units that need a bushel, a bale or a trade moisture.
BY_CROP = ("lb/bu", "g/kg", "lb/bale", "bu/ac", "bale/ac")
WEIGHTS = "give weights of what is sold: amounts in kg/Mg, lb/ton or lb/cwt, yields in Mg/ha or cwt/ac"
#: How far a provenance is trusted where no source is preferred.
TRUST = {"found": 0, "derived": 1, "mixed": 2}
#: Tables of a user's own: one or several, each a path or a DataFrame.
#: Words for a harvested part; a crop has the first of a line that its bundled rows have, else the very first.
PART_WORDS = (
    ("grain", "grains", "seed", "seeds", "bean", "beans", "kernel", "kernels"),
    ("straw", "stover", "stalk", "stalks"),
    ("grain plus straw", "grain and straw"),
    ("lint plus seed", "lint and seed"),
    ("root", "roots", "beet", "beets"),
    ("tuber", "tubers"),
    ("hay",),
    ("silage",),
)
#: Words for a nutrient, and slips of the letter O that can mean nothing else.
NUTRIENT_WORDS = {
    "k20": "K2O", "p205": "P2O5", "nitrogen": "N", "phosphorus": "P", "phosphate": "P2O5",
    "potassium": "K", "potash": "K2O", "sulfur": "S", "sulphur": "S", "calcium": "Ca", "magnesium": "Mg",
    "zinc": "Zn", "manganese": "Mn", "boron": "B", "iron": "Fe", "copper": "Cu", "sodium": "Na",
}  # fmt: skip
own_tables = either(a_table_or_path, each_of(a_table_or_path))
#: Columns of the amounts that answer, from the rows marked as default.
DEFAULTS = ["at", "nutrient", "uptake", "counted", "removed", "share_removed", "stays", "unit",
            "uptake_source", "removed_source", "uptake_provenance", "provenance"]  # fmt: skip


def own_rows(tables) -> dict[str, pd.DataFrame]:
    """Read a user's own tables of removal and uptake, also of crops the kit has never seen.

    Parameters
    ----------
    tables : path, DataFrame, list of them or None
        With the columns of the table removal or uptake; one with a column ``measure`` is of uptake.

    Raises
    ------
    InputError
        With every problem of a table: a crop, part or nutrient that cannot be read, a row given twice, a key
        of a bundled source; of a crop the kit does not know, amounts and yields are by weight.
    """
    rows, names, seen = {}, {}, {}
    for table in tables if isinstance(tables, list) else [] if tables is None else [tables]:
        given = isinstance(table, pd.DataFrame)
        frame = table.reset_index(drop=True).astype(object) if given else read_text_table(table)
        kind = "uptake" if "measure" in frame else "removal"
        name = f"own {kind}" if given else Path(table).name
        frame = check_table(frame, kind, name).assign(provenance="own table")
        problems = [
            *_name_problems(frame, names), *_key_problems(frame), *_weight_problems(frame, kind),
            *_repeats(frame, kind, name, seen),
        ]  # fmt: skip
        if problems:
            raise InputError(name, sorted(problems, key=lambda p: p.row))
        rows[kind] = pd.concat([rows.get(kind), frame], ignore_index=True)
    return rows


def _name_problems(frame, names):
    """Put crops, parts and nutrients in the kit's names; what cannot be read is a problem."""
    for i, text in frame["crop"].items():
        if is_known(text):
            frame.loc[i, "crop"] = crop_name(text)
        elif like_a_known_crop(text):
            remedy = "write the crop as the kit names it, or leave the row out"
            yield Problem("much like a crop the kit knows, and not it", remedy, i + 2, "crop", text)
        else:
            frame.loc[i, "crop"] = names.setdefault(name_words(text), text)
    readers = {"nutrient": lambda i: _own_nutrient(frame["nutrient"][i])}
    if "harvested_part" in frame:
        readers["harvested_part"] = lambda i: _own_part(frame["crop"][i], frame["harvested_part"][i])
    for column, read in readers.items():
        for i, text in frame[column].items():
            frame.loc[i, column], known = read(i)
            if known:
                yield Problem("not read", f"use one of: {', '.join(known)}", i + 2, column, text)


def _own_nutrient(text):
    """The kit's name of a nutrient; the names there are if it is none."""
    key = unicodedata.normalize("NFKC", text).casefold()
    known = (*NUTRIENT_ORDER, *OXIDE_OF)
    name = NUTRIENT_WORDS.get(key) or {n.casefold(): n for n in (*known, "dry matter")}.get(key)
    return (name, ()) if name else (text, known)


def _own_part(crop, text):
    """The kit's name of a harvested part; the names there are if it is none of a crop the kit knows."""
    key = " ".join(text.casefold().split())
    table = load_table("removal")
    carried = set(table.loc[table["crop"].isin(related_crops(crop)), "harvested_part"])
    for names in PART_WORDS:
        if key in names:
            named = next((name for name in names if name in carried), names[0])
            if named == "grain" and carried and "grain" not in carried:
                break  # a crop of which no grain is sold
            return named, ()
    else:
        if not is_known(crop):
            return key, ()
    return text, sorted(carried) if key in PART_WORDS[0] else [names[0] for names in PART_WORDS]


def _key_problems(frame):
    bundled = {key.casefold() for key in list_sources()["source_key"]}
    remedy = "write a name of your own, such as MINE"
    for i, key in frame["source_key"].items():
        if key.casefold() in bundled:
            yield Problem(
                "the key of a bundled source in a table of your own", remedy, i + 2, "source_key", key
            )


def _weight_problems(frame, kind):
    by_crop = frame["unit" if kind == "removal" else "yield_unit"].isin(BY_CROP)
    if kind == "uptake":
        by_crop |= frame["yield_basis"] == "dry"
    for i in frame.index[by_crop & ~frame["crop"].map(is_known).astype(bool)]:
        what = "no bushel and no trade moisture is known of it"
        yield Problem(what, WEIGHTS, i + 2, "crop", frame["crop"][i])


def _repeats(frame, kind, name, seen):
    """Rows that say again what another says, which would stay unread."""
    about = ["harvested_part"] if kind == "removal" else ["measure", "yield_amount", "yield_unit"]
    keys = frame.assign(kind=kind, nutrient=frame["nutrient"].replace(OXIDE_OF))
    for i, key in enumerate(keys[["kind", "crop", "nutrient", "source_key", *about]].itertuples(index=False)):
        before = seen.setdefault(tuple(map(str, key)), (name, i + 2))
        if before != (name, i + 2):
            first = f"row {before[1]}" + ("" if before[0] == name else f" of {before[0]}")
            what = f"the same crop, part and nutrient as {first}"
            yield Problem(what, "keep one of the two", i + 2, "nutrient", frame["nutrient"][i])


def crop_of(crop: str, own: dict) -> str:
    """Give fertkit's name of a crop, or that of the user's own tables, in any case and also in the plural.

    Raises
    ------
    LookupFailed
        If neither knows it.
    """
    listed = {name_words(name): name for rows in own.values() for name in rows["crop"]}
    return crop_name(crop) if is_known(crop) else listed.get(name_words(crop)) or crop_name(crop)


def worked_out(fields: pd.DataFrame, *, nutrients=None, source=None, without=None, region=None, own=None):
    """Uptake and removal of every field by every study: one row per field, nutrient and source [lb/ac].

    Parameters
    ----------
    fields : DataFrame
        at (what tells them apart), crop, part, pounds [lb/ac as sold], baled [0-1], residue [lb/ac].
    nutrients, source, without, region
        As for `nutrient_budget`.
    own : dict, optional
        Rows of the user's own (`own_rows`), which lead.

    Returns
    -------
    DataFrame
        at and the columns of `NutrientBudget.rows`, and place (rank of the source; the lowest leads).

    Raises
    ------
    LookupFailed
        If a source, region or nutrient is not known.
    """
    check_region(region)
    wanted = NUTRIENT_ORDER if nutrients is None else [nutrient_name(name) for name in nutrients]
    source, without = as_list(source), as_list(without)
    leading = {key for rows in (own or {}).values() for key in rows["source_key"]}
    crops = fields[["crop", "part"]].drop_duplicates()
    rates = {(c.crop, c.part): published_rates(c.crop, c.part, own) for c in crops.itertuples()}
    _check_own(rate for some in rates.values() for rate in some if rate.source_key in leading)
    known = {rate.source_key for some in rates.values() for rate in some}
    for key in (*source, *without):
        if key not in known:
            raise unknown(f"source for {', '.join(crops['crop'])}", key, known)
    parts = []
    # share baled decides which sources are complete, so fields are worked out in groups alike in that
    kind = fields["baled"].where(fields["baled"].isin([0, 1]))
    for (crop, part, _), group in fields.groupby(["crop", "part", kind], dropna=False, sort=False):
        chosen = [
            rate for rate in rates[crop, part]
            if rate.nutrient in wanted and rate.source_key not in without
            and (not source or rate.source_key in leading.union(source))
        ]  # fmt: skip
        if chosen:
            order = {key: i for i, key in enumerate(source)} or default_order(crop)
            order |= dict.fromkeys(leading, -1)
            parts.append(_group_rows(crop, group, chosen, order, region))
    if not parts:
        raise LookupFailed(
            f"no source is left for {', '.join(crops['crop'])} with what was asked",
            remedy=f"leave fewer out; there are: {', '.join(sorted(known))}",
        )
    rows = pd.concat(parts, ignore_index=True)
    order = rows["nutrient"].map(NUTRIENT_ORDER.index)
    return rows.assign(order=order).sort_values(["at", "order"], kind="stable").drop(columns="order")


def _check_own(rates):
    """Refuse rows of a user's own by which more is removed than is taken up."""
    problems = []
    for rate in dict.fromkeys(rates):
        taken = min(rate.uptake, default=np.inf)
        if above(rate.harvested, taken):
            what = f"{rate.nutrient} of {rate.crop}: removal is {rate.harvested / taken:.3g} times the uptake"
            problems.append(Problem(what, "check value and unit of both rows", column="nutrient"))
        if above(rate.share, 1):
            what = f"{rate.nutrient} of {rate.crop}: more than all of it in the harvested part"
            remedy = "write the share as 0 to 1"
            problems.append(Problem(what, remedy, column="harvest_index", value=f"{rate.share:g}"))
    if problems:
        raise InputError("tables of your own", problems)


def _group_rows(crop, group, rates, order, region):
    """Rows of fields of one crop that are alike in what is baled."""
    amount = amounts(rates, group["pounds"], group["baled"], group["residue"])
    n = len(group)
    each = {"crop": [r.crop for r in rates], "nutrient": [r.nutrient for r in rates],
            "source_key": [r.source_key for r in rates]}  # fmt: skip
    about = {"provenance": [r.provenance for r in rates], "confidence": [r.confidence for r in rates],
             "derivation": [derivation(r) for r in rates], "note": [r.note for r in rates]}  # fmt: skip
    rows = pd.DataFrame(
        {"at": np.tile(group["at"].to_numpy(), len(rates))}
        | {name: np.repeat(values, n) for name, values in each.items()}
        | {name: values.ravel() for name, values in amount.items()}
        | {"counted": np.repeat([r.counted or AT_HARVEST for r in rates], n), "unit": "lb/ac"}
        | {
            name: np.repeat([end(r.measured_at, default=np.nan) for r in rates], n)
            for name, end in (("measured_from", min), ("measured_to", max))
        }
        | {name: np.repeat(values, n) for name, values in about.items()}
    )
    rows["counted"] = rows["counted"].where(rows["uptake"].notna(), "")
    return _with_defaults(rows, crop, order, region)


def _with_defaults(rows, crop, order, region):
    """Add the rank of each source and, per nutrient, for what it is the default: the first that gives it."""
    first = rows.drop_duplicates(["crop", "nutrient", "source_key"])
    listed = first["source_key"].map(lambda key: order.get(key, len(order)))
    away = ~first["source_key"].map(studies()["region"]).eq(region) & (listed >= 0) if region else False
    ranked = pd.DataFrame({
        "away": away, "listed": listed,
        "trust": first["provenance"].map(lambda text: TRUST.get(text, len(TRUST))),
        "other": first["crop"] != crop,
    }, index=first.index)  # fmt: skip
    ranked = ranked.sort_values(list(ranked), kind="stable")
    place = pd.Series(range(len(ranked)), index=ranked.index)
    first = first.assign(place=place).sort_values("place")
    keys = ["crop", "nutrient", "source_key"]
    up, off = (first[first[name].notna()].drop_duplicates("nutrient") for name in ("uptake", "removed"))
    # a share is of one row: of two classes of wheat in one source, that of the uptake answers for both
    both = up.dropna(subset="removed").merge(off[["nutrient", "source_key"]])
    off = pd.concat([both, off]).drop_duplicates("nutrient")
    uses = {name: set(map(tuple, some[keys].to_numpy())) for name, some in (("uptake", up), ("removed", off))}
    default = {
        key: " and ".join(use for name, use in (("uptake", "uptake"), ("removed", "removal"))
                          if key in uses[name])
        for key in map(tuple, first[keys].to_numpy())
    }  # fmt: skip
    rows = rows.merge(first[[*keys, "place"]], on=keys, how="left")
    return rows.assign(default=[default[key] for key in map(tuple, rows[keys].to_numpy())])


def default_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per field and nutrient from the rows marked as default; `at` is the field."""
    keys = ["at", "nutrient"]
    both = rows.loc[rows["default"] != "", [*keys, "unit"]].drop_duplicates(keys)
    for use, name, more in (
        ("uptake", "uptake", ["counted"]),
        ("removal", "removed", ["share_removed", "stays"]),
    ):
        some = rows[rows["default"].str.contains(use)].assign(row=lambda table: table.index)
        some = some[[*keys, name, *more, "source_key", "provenance", "row"]]
        names = {"source_key": f"{name}_source", "provenance": f"{name}_provenance", "row": f"{name}_row"}
        both = both.merge(some.rename(columns=names), "left", keys)
    words = ["counted", "uptake_source", "removed_source", "uptake_provenance", "removed_provenance"]
    both[words] = both[words].fillna("")
    apart = both["uptake_row"] != both["removed_row"]
    marks = zip(both["uptake_provenance"], both["removed_provenance"], strict=True)
    return both.assign(
        share_removed=both["share_removed"].mask(apart),
        stays=both["stays"].mask(apart),
        provenance=[" / ".join(dict.fromkeys(filter(None, pair))) for pair in marks],
    )[DEFAULTS]
