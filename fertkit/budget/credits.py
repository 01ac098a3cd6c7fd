"""What manure, starters and water bring, to be taken off a rate."""

from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.asked import a_table_of, asks
from fertkit.budget.products import find_product, nutrients_per_gallon
from fertkit.errors import FertkitError, InputError, Problem
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.load import constants, load_table
from fertkit.units import ACRE_HA, LB_KG, SHORT_TON_LB, US_GALLON_L, convert_area_rate

#: Units of an analysis of one's own, as applied: by what it is, and lb a ton or 1,000 gal in one of it.
_KG_M3 = US_GALLON_L / LB_KG
CONTENTS = {"lb_ton": ("ton", 1.0), "kg_t": ("ton", SHORT_TON_LB / 1000), "lb_1000_gal": ("1000 gal", 1.0),
            "kg_m3": ("1000 gal", _KG_M3), "g_l": ("1000 gal", _KG_M3)}  # fmt: skip
#: Nutrients of a manure, and the columns of such an analysis.
OWN = {n: {f"{n.lower()}_{unit}": of for unit, of in CONTENTS.items()} for n in ("N", "P2O5", "K2O")}
#: Columns that may hold the amount of manure: in what it is, and tons or 1,000 gal an acre in one of it.
AMOUNTS = {"rate_ton_ac": ("ton", 1.0),
           "rate_t_ha": ("ton", convert_area_rate(1.0, "t/ha", "ton/ac")),
           "rate_gal_ac": ("1000 gal", 1 / 1000),
           "rate_m3_ha": ("1000 gal", ACRE_HA / US_GALLON_L)}  # fmt: skip
#: What a manure is measured by -> what is wrong with an analysis by the other, and what to give.
MIXED = {
    "ton": ("the analysis of the manure is by volume and its rate by weight",
            "give the rate in gal/ac or m3/ha, or the analysis in lb/ton or kg/t"),
    "1000 gal": ("manure spread by volume needs its analysis by volume",
                 "give its N, P2O5 or K2O in lb/1000 gal, kg/m3 or g/L, or the rate in ton/ac or t/ha"),
}  # fmt: skip
COLUMNS = ["field", "material", "nutrient", "total_lb_ac", "low_lb_ac", "high_lb_ac", "condition",
           "content_source", "source_key", "provenance", "note"]  # fmt: skip


@asks(applied=a_table_of("material"))
def manure_credits(applied: pd.DataFrame) -> pd.DataFrame:
    """Work out what manures bring in all and in the first year, by their own analysis or a published content.

    Parameters
    ----------
    applied : DataFrame
        One row an application: material and rate_ton_ac, rate_t_ha, rate_gal_ac or rate_m3_ha as applied;
        optional field, condition (a condition of the table manure, such as "surface, spring"; all of them if
        empty) and an analysis of one's own: n_lb_ton (kg_t; by volume lb_1000_gal, kg_m3, g_l), p2o5_... and
        k2o_.... What is spread by volume needs one by volume: published contents are by weight.

    Returns
    -------
    DataFrame
        field, material, nutrient, total_lb_ac, low_lb_ac and high_lb_ac (first year; the span of what is
        published for the material and condition, NaN if nothing is), condition, content_source, source_key,
        provenance, note.

    Raises
    ------
    InputError
        With every material, condition or number that cannot be used.

    Notes
    -----
    First year = content x share available, or an amount per ton where that is published. Nitrogen that the
    air takes after spreading is not modelled. Rates and dates of manure are governed by local rules.

    Examples
    --------
    10 ton of cattle farmyard manure with 12 lb of N a ton hold 120 lb; a tenth is used when it is spread on
    the surface in spring (RB209_2010):

    >>> import pandas as pd
    >>> from fertkit.budget.credits import manure_credits
    >>> applied = pd.DataFrame(
    ...     {"material": ["cattle farmyard manure"], "rate_ton_ac": [10.0], "condition": ["surface, spring"]}
    ... )
    >>> manure_credits(applied).loc[0, ["total_lb_ac", "high_lb_ac"]].tolist()
    [120.0, 12.0]
    """
    given = [name for name in AMOUNTS if name in applied]
    if len(given) != 1:
        what, remedy = ("two amounts", "keep one of") if given else ("no amount", "add one of")
        raise InputError("manure", [Problem(what, f"{remedy}: {', '.join(AMOUNTS)}")])
    measure, factor = AMOUNTS[given[0]]
    table, problems, rows = load_table("manure"), [], []
    for at, row in enumerate(applied.to_dict("records")):
        row["line"], row["amount"] = at + 2, _number(row, given[0], at + 2, problems)
        rows += list(_credits(row, measure, table, problems))
    if problems:
        raise InputError("manure", problems)
    result = pd.DataFrame(rows, columns=COLUMNS)
    pounds = [name for name in COLUMNS if name.endswith("_lb_ac")]
    return result.assign(**{name: result[name] * factor for name in pounds})


def _credits(row, measure, table, problems):
    """One row a nutrient of one application, measured by the ton or 1,000 gal."""
    material, line, condition = str(row["material"]).strip().lower(), row["line"], row.get("condition")
    own, other = {}, set()
    for n, column in ((n, column) for n, some in OWN.items() for column in some if is_given(row.get(column))):
        of, each = OWN[n][column]
        if of == measure:
            own[n] = _number(row, column, line, problems) * each
        else:
            other.add(n)
    rows = _of_material(table, material)
    contents = rows[rows["measure"] == "content"].set_index("nutrient")
    first = rows[rows["measure"] == "first year"]
    known = sorted({name for name in first["condition"] if name})
    by_volume = measure != "ton"
    if by_volume:  # no table holds the density of a manure
        contents, first = contents.iloc[:0], first[first["unit"] == "%"]
    if other - own.keys() or (by_volume and not own):
        what, remedy = MIXED[measure]
        problems.append(Problem(what, remedy, line, "material", row["material"]))
    elif contents.empty and not own and (first["unit"] == "%").all():
        what = "no analysis for this manure"
        columns = [next(iter(some)) for some in OWN.values()]
        remedy = f"give {', '.join(columns)}, or use one of: {', '.join(_like(material, _contents(table)))}"
        problems.append(Problem(what, remedy, line, "material", row["material"]))
    elif is_given(condition) and condition not in known:
        remedy = f"use one of: {'; '.join(known)}"
        problems.append(Problem("not a condition", remedy, line, "condition", condition))
    else:
        for nutrient in OWN:
            shares = _nearest(first[first["nutrient"] == nutrient], condition)
            content = own.get(nutrient, contents["low"].get(nutrient, np.nan))
            if np.isfinite(content) or (shares["unit"] == "lb/ton").any():
                source = "own analysis" if nutrient in own else contents["source_key"].get(nutrient, "")
                yield (row.get("field", line - 2), row["material"], nutrient, content * row["amount"],
                       *_first_year(shares, content, row["amount"], source))  # fmt: skip


def _of_material(table, material):
    """Rows of a manure, of its kind and of any."""
    return table[table["material"].map(lambda word: word == "any" or material.endswith(word))]


def _nearest(shares, condition):
    """Shares in the condition given, of the material itself before those of any manure."""
    if is_given(condition):
        shares = shares[shares["condition"].isin(["", condition])]
    own = shares[shares["material"] != "any"]
    return own if len(own) else shares


def _first_year(shares, content, amount, source):
    """Low and high end of the first year, then condition, sources, provenance and note."""
    of_ton = np.where(shares["unit"] == "%", content / 100, 1.0) * amount
    low, high = ((shares[end] * of_ton).agg(f) for end, f in (("low", "min"), ("high", "max")))
    marks = sorted(set(shares["provenance"]))
    mark = "" if not marks else marks[0] if len(marks) == 1 else "mixed"
    condition, keys, note = (_joined(shares[name]) for name in ("condition", "source_key", "note"))
    return low, high, condition, source, keys, mark, note


def _joined(texts):
    return ";".join(dict.fromkeys(filter(None, texts)))


def _contents(table):
    return sorted(table.loc[table["measure"] == "content", "material"].unique())


def _like(material, known):
    """Manures that share a word with this one, but for words of any manure; all of them if none does."""
    words = set(material.split()) - {"manure", "litter", "slurry", "solid", "liquid"}
    return [name for name in known if words & set(name.split())] or known


def is_given(value) -> bool:
    """Tell whether a cell of a table of fields is filled in."""
    return value is not None and not pd.isna(value) and str(value).strip() != ""


def _number(row, column, line, problems):
    try:
        value = np.nan if isinstance(row[column], bool | np.bool_) else float(row[column])
    except (TypeError, ValueError):
        value = np.nan
    if not (np.isfinite(value) and value >= 0):
        problems.append(Problem("not an amount", "give a number, 0 or more", line, column, row[column]))
    return value


# ---- credits that a table of fields states itself

#: Columns of a table of fields that state credits; each amount with what it is of.
STATED = {**{f"manure_{amount}": "manure" for amount in AMOUNTS}, "starter_rate_lb_ac": "starter",
          "starter_rate_gal_ac": "starter", "water_nitrate_ppm": "water_in"}  # fmt: skip
#: Amounts of manure of a field, as `manure_credits` calls them.
AMOUNT_OF = {f"manure_{amount}": amount for amount in AMOUNTS}
CREDIT_COLUMNS = ["nutrient", "kind", "low_lb_ac", "high_lb_ac", "total_lb_ac", "source_key", "provenance",
                  "note"]  # fmt: skip


def field_credits(rows: pd.DataFrame) -> pd.DataFrame:
    """Work out the credits that a table of fields states in its own columns.

    Parameters
    ----------
    rows : DataFrame
        field, zone, year and any of the columns of `read_field_table`: manure, manure_rate_ton_ac (t_ha,
        gal_ac, m3_ha) and an own analysis (manure_n_lb_ton, manure_n_lb_1000_gal, ...); manure_condition;
        starter (a product) with starter_rate_lb_ac or gal_ac; water_nitrate_ppm (nitrate-N of the water) with
        water_in (water given).

    Returns
    -------
    DataFrame
        field, zone, year, nutrient, kind, low_lb_ac, high_lb_ac (of manure what is published as available in
        the first year, 0 where nothing is; of "earlier manure" in the second, where a figure is published and
        the next year of the field has a row), total_lb_ac (all of it), source_key, provenance, note.

    Raises
    ------
    InputError
        With every cell that cannot be read, and every amount without what it is of.
    """
    problems, parts = [], []
    rows = rows.reset_index(drop=True)
    for amount, of in STATED.items():
        given = [is_given(cell) for cell in rows.get(amount, pd.Series("", index=rows.index))]
        for at in np.flatnonzero(given):
            number = _number(rows.loc[at], amount, at + 2, problems)
            if of not in rows or not is_given(rows[of][at]):
                problems.append(Problem(f"{amount} without {of}", f"fill in {of}", at + 2, of))
            elif np.isfinite(number) and number > 0:
                parts += _stated(amount, rows.loc[at], number, at, problems)
                parts += _year_after(amount, rows, number, at)
    amounts = [name for name in AMOUNT_OF if name in rows]
    if amounts:
        both = rows[amounts].map(is_given).sum(axis=1) > 1
        problems += [Problem("two manure rates", "keep one", at + 2, "manure") for at in np.flatnonzero(both)]
    if problems:
        raise InputError("fields", problems)
    table = pd.DataFrame(parts, columns=["at", *CREDIT_COLUMNS])
    return rows[["field", "zone", "year"]].join(table.set_index("at"), how="right").reset_index(drop=True)


def _stated(amount, row, number, at, problems):
    """Records of one amount of one field."""
    if amount in AMOUNT_OF:
        return _of_manure(row, AMOUNT_OF[amount], number, at, problems)
    if amount == "water_nitrate_ppm":
        inches = _number(row, "water_in", at + 2, problems)
        water = constants().loc["acre_inch_lb"]
        pounds = number / 1e6 * inches * water["value"]
        return [(at, "N", "water nitrate", *[pounds] * 3, water["source_key"], water["provenance"], "")]
    try:
        product, name = find_product(str(row["starter"])), str(row["starter"])
        share = product[list(PERCENT.values())].astype(float).fillna(0.0).to_numpy() / 100
        each = nutrients_per_gallon(name).to_numpy() if amount == "starter_rate_gal_ac" else share
    except FertkitError as error:
        problems.append(replace(error.problem(), row=at + 2, column="starter", value=row["starter"]))
        return []
    about = (product["source_key"], product["provenance"], product["material"])
    brought = zip(PERCENT, number * each, strict=True)
    return [(at, nutrient, "starter", *[pounds] * 3, *about) for nutrient, pounds in brought if pounds > 0]


def _year_after(amount, rows, number, at):
    """Records of what manure of one row brings the year after, where that is published by the ton."""
    measure, tons = AMOUNTS[AMOUNT_OF[amount]] if amount in AMOUNT_OF else ("", 0.0)
    row = rows.loc[at]
    if measure != "ton" or isinstance(row["year"], str):
        return
    place = (
        (rows["field"] == row["field"]) & (rows["zone"] == row["zone"]) & (rows["year"] == row["year"] + 1)
    )
    known = _of_material(load_table("manure"), str(row["manure"]).strip().lower())
    for r in known[(known["measure"] == "second year") & (known["unit"] == "lb/ton")].itertuples():
        low, high = (end * number * tons for end in (r.low, r.high))
        told = (low, high, (low + high) / 2, r.source_key, r.provenance, r.note)
        yield from ((i, r.nutrient, "earlier manure", *told) for i in rows.index[place])


def _of_manure(row, unit, amount, at, problems):
    applied = {"material": row["manure"], unit: amount, "condition": row.get("manure_condition")}
    own = {column: row.get(f"manure_{column}") for some in OWN.values() for column in some}
    applied |= {column: amount for column, amount in own.items() if is_given(amount)}
    try:
        credits = manure_credits(pd.DataFrame([applied]))
    except InputError as error:
        of_field = {"material": "manure", "condition": "manure_condition"}
        problems += [replace(p, row=at + 2, column=of_field.get(p.column, p.column)) for p in error.problems]
        return []
    credits[["low_lb_ac", "high_lb_ac"]] = credits[["low_lb_ac", "high_lb_ac"]].fillna(0.0)
    keys = credits["source_key"].where(credits["source_key"] != "", credits["content_source"])
    pounds = (credits[name] for name in ("low_lb_ac", "high_lb_ac", "total_lb_ac"))
    about = zip(credits["nutrient"], *pounds, keys, credits["provenance"], credits["note"], strict=True)
    return [(at, nutrient, "manure", *rest) for nutrient, *rest in about]
