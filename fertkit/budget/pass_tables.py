"""Check the tables a pass plan is made of: targets, products, passes, shares after planting, values."""

import numpy as np
import pandas as pd

from fertkit.budget.mixing import METHODS
from fertkit.budget.yields import base_of
from fertkit.errors import InputError, Problem, missing_columns, one_of
from fertkit.reference.crops import crop_name, is_known
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.nutrients import OF_PRODUCTS

_NEED = "give 0 or more"


def targets_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Return targets of one season, a row a field, zone and nutrient."""
    table = _with(frame, "targets", ["field", "crop", "area_ac", "nutrient", "rate_lb_ac"],
                  {"zone": "", "cap_lb_ac": np.nan, "soil_class": "", "zone_of_system": "",
                   "policy": ""})  # fmt: skip
    for name in ("zone_of_system", "policy"):
        table["soil_class"] = table["soil_class"].where(table["soil_class"].ne(""), table[name])
    problems = [
        *_numbers(table, "area_ac", lambda v: v > 0, "give an area above zero"),
        *_numbers(table, "rate_lb_ac", lambda v: v >= 0, _NEED),
        *_numbers(table, "cap_lb_ac", lambda v: v >= 0, _NEED, empty=True),
        *_among(table, "nutrient", OF_PRODUCTS),
        *_twice(table, ["field", "zone", "nutrient"]),
    ]
    places = table.drop_duplicates(["field", "zone", "crop", "area_ac"])
    problems += _twice(places, ["field", "zone"], "with two crops or areas")
    if "year" in frame and len(set(frame["year"])) > 1:
        problems.append(Problem("more than one year", "plan one year at a time", column="year"))
    return _or_refuse(table, "targets", problems)


def products_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Return products with all analyses as numbers [%], a price or a stock."""
    blank = dict.fromkeys(PERCENT.values(), 0.0) | {
        "material": "", "grade": "", "cautions": "", "source_key": "", "provenance": "",
        "density_lb_gal": np.nan,
        "on_hand_lb": 0.0, "lot_lb": 0.0, "seed_row": np.inf, "foliar": False, "foliar_limit_lb_ac": np.nan,
    }  # fmt: skip
    table = _with(frame, "products", ["product", "form", "price_per_lb"], blank)
    table["seed_row"] = pd.to_numeric(table["seed_row"].replace("", np.inf), errors="coerce").fillna(np.inf)
    table["foliar"] = table["foliar"].fillna(False).astype(bool)
    table[["on_hand_lb", "lot_lb"]] = table[["on_hand_lb", "lot_lb"]].fillna(0.0)
    analyses = list(PERCENT.values())
    table[analyses] = table[analyses].fillna(0.0)
    table["material"] = table["material"].where(table["material"].ne(""), table["product"])
    problems = [
        *_numbers(table, "price_per_lb", lambda v: v > 0, "give a price above zero", empty=True),
        *(p for name in ("on_hand_lb", "lot_lb", *analyses)
          for p in _numbers(table, name, lambda v: v >= 0, _NEED)),
        *_among(table, "form", ("dry", "liquid", "gas")),
        *_twice(table, ["product"]),
    ]  # fmt: skip
    none = table.index[table["price_per_lb"].isna() & table["on_hand_lb"].eq(0)]
    remedy = "give its price or what is on hand"
    problems += [
        Problem("neither a price nor a stock", remedy, i + 2, "product", table["product"][i]) for i in none
    ]
    return _or_refuse(table, "products", problems)


def passes_table(frame: pd.DataFrame, most: int | None) -> pd.DataFrame:
    """Return passes with lists of crops and nutrients and the most products (inf: any number)."""
    blank = {"earliest": "preplant", "latest": "", "max_products": np.inf, "crop": "", "nutrients": "",
             "source_key": "", "note": ""}  # fmt: skip
    table = _with(frame, "passes", ["pass", "method", "cost_per_ac"], blank)
    table["max_products"] = table["max_products"].fillna(np.inf).clip(upper=np.inf if most is None else most)
    table["earliest"] = table["earliest"].where(table["earliest"].ne(""), "preplant")
    table["nutrients"] = table["nutrients"].map(_words)
    table["crop"] = table["crop"].map(crops_of)
    problems = [
        *_numbers(table, "cost_per_ac", lambda v: v >= 0, "give the pass cost per acre, 0 or more"),
        *_numbers(table, "max_products", lambda v: v >= 1, "give 1 or more"),
        *_among(table, "method", METHODS),
        *_twice(table, ["pass"]),
    ]
    for i, names in table["nutrients"].items():
        problems += [Problem("not a nutrient", one_of(OF_PRODUCTS), i + 2, "nutrients", name)
                     for name in names if name not in OF_PRODUCTS]  # fmt: skip
    return _or_refuse(table, "passes", problems).rename(columns={"pass": "name", "crop": "crops"})


def demand_table(frame: pd.DataFrame | None) -> dict[tuple[str, str], float]:
    """Return the least share of a target after planting by crop and nutrient."""
    if frame is None:
        return {}
    table = _with(frame, "demand", ["crop", "nutrient", "share"], {})
    table["crop"] = table["crop"].map(_named)
    problems = [
        *_numbers(table, "share", lambda v: (v >= 0) & (v <= 1), "give a share of the target from 0 to 1"),
        *_among(table, "nutrient", OF_PRODUCTS),
        *_twice(table, ["crop", "nutrient"]),
    ]
    _or_refuse(table, "demand", problems)
    return {(r.crop, r.nutrient): float(r.share) for r in table.itertuples()}


def share_late(demand, crop: str, nutrient: str) -> float:
    """Return the share asked for after planting: of the crop, else of the one it is a class of; else 0."""
    return demand.get((crop, nutrient), demand.get((base_of(crop), nutrient), 0.0))


def crops_of(cell) -> tuple[str, ...]:
    """Return the crops that a pass is for, by their names here; none where it is for all."""
    return tuple(map(_named, _words(cell)))


def _words(cell) -> tuple[str, ...]:
    return tuple(word.strip() for word in str(cell).split(";") if word.strip())


def _named(crop) -> str:
    """A crop by the name it has here; one of a user's own tables as it is."""
    return crop_name(crop) if is_known(crop) else crop


def value_table(value):
    """Return own response curves that begin at no fertilizer, or values of a pound."""
    if value is None or (isinstance(value, pd.DataFrame) and value.empty):
        return None
    if not isinstance(value, pd.DataFrame):
        table = pd.DataFrame({"nutrient": list(value), "value": list(value.values())})
        problems = [
            *_numbers(table, "value", lambda v: v >= 0, _NEED),
            *_among(table, "nutrient", OF_PRODUCTS),
        ]
        _or_refuse(table, "value", problems)
        return value
    table = _with(value, "value", ["nutrient", "rate_lb_ac", "gain_per_ac"], {"field": "", "crop": ""})
    problems = [
        *_numbers(table, "rate_lb_ac", lambda v: v >= 0, _NEED),
        *_numbers(table, "gain_per_ac", lambda v: v == v, "give the gain per acre"),
        *_among(table, "nutrient", OF_PRODUCTS),
        *_twice(table, ["field", "crop", "nutrient", "rate_lb_ac"]),
    ]
    for names, some in table.groupby(["field", "crop", "nutrient"], sort=False):
        if some["rate_lb_ac"].min() > 0:
            what, whose = "a curve without rate 0", " ".join(filter(None, names))
            problems.append(
                Problem(what, "give the gain at rate 0 too", some.index[0] + 2, "rate_lb_ac", whose)
            )
    return _or_refuse(table, "value", problems)


def _with(frame, what, needed, blank):
    """The columns that are read, those that may lack filled in; rows counted anew."""
    missing = missing_columns(frame, needed)
    if missing or frame.empty:
        raise InputError(what, missing or [Problem("no rows", "give at least one")])
    table = frame.reset_index(drop=True).copy()
    for name, value in blank.items():
        if name not in table:
            table[name] = value
        elif isinstance(value, str):
            table[name] = table[name].fillna(value).astype(object)
    return table[[*needed, *blank]]


def _numbers(table, name, fits, remedy, empty=False):
    values = pd.to_numeric(table[name], errors="coerce")
    good = np.isfinite(values) & fits(values)
    if empty:
        good |= table[name].isna()
    if name in ("seed_row", "max_products"):
        good |= values.eq(np.inf)
    problems = [Problem("not such a number", remedy, i + 2, name, table[name][i]) for i in table.index[~good]]
    table[name] = values.astype(float)
    return problems


def _among(table, name, known):
    bad = table.index[~table[name].isin(known)]
    remedy = one_of(known)
    return [Problem("not known", remedy, i + 2, name, table[name][i]) for i in bad]


def _twice(table, names, what="twice"):
    bad, what = table.index[table.duplicated(names)], f"the same {', '.join(names)} {what}"
    return [Problem(what, "keep one row", i + 2, names[0], table[names[0]][i]) for i in bad]


def _or_refuse(table, what, problems):
    if problems:
        raise InputError(what, sorted(problems, key=lambda p: p.row or 0))
    return table
