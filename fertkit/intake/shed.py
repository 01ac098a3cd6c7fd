"""Read the shed: products on hand or on offer with analysis, price and limits, and the passes of the year."""

import re
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_text, asks, headers_by_role
from fertkit.errors import InputError, Problem
from fertkit.intake.columns import columns_by_file
from fertkit.intake.lists import open_things
from fertkit.intake.shed_products import CURRENCY, ShedRow
from fertkit.intake.spellings import listed, plain, problem, spellings
from fertkit.intake.stages import is_stage_of_some_crop
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.load import list_sources, load_table
from fertkit.reference.nutrients import nutrient_words
from fertkit.results import Result, checks_frame
from fertkit.tables import open_tables
from fertkit.units import ACRE_HA

PRODUCT_COLUMNS = [
    "product", "material", "grade", "form", "density_lb_gal", *PERCENT.values(), "price", "price_unit",
    "price_per_lb", "on_hand_lb", "lot_lb", "seed_row", "foliar", "foliar_limit_lb_ac", "cautions",
    "source_key", "provenance", "row",
]  # fmt: skip
PASS_COLUMNS = [
    "pass", "method", "cost_per_ac", "earliest", "latest", "max_products", "crop", "nutrients", "note",
    "source_key", "provenance",
]  # fmt: skip


@dataclass(frozen=True)
class Shed(Result):
    """Products and passes as read.

    Attributes
    ----------
    products : DataFrame
        product (as written), material (of the table of products, or ''), grade, form (dry, liquid, gas),
        density_lb_gal, n_pct, p2o5_pct, k2o_pct, s_pct, ... [%], price [money per price_unit], price_unit,
        price_per_lb (NaN: not for sale, only what is on hand), on_hand_lb (0 if none), lot_lb (size of a
        load or bag; 0: any amount), seed_row (most with the seed [lb/ac]; NaN where not stated), foliar,
        foliar_limit_lb_ac, cautions, source_key, provenance, row.
    passes : DataFrame
        pass, method, cost_per_ac, earliest, latest (fall, preplant, planting or a stage), max_products, crop,
        nutrients, note, source_key, provenance.
    notes : tuple of Problem
        What was taken otherwise than it stands.
    name : str
    own_passes : bool
        Whether the passes are the user's; else they are the usual ones, whose cost is counted as 0.
    currency : str
        The one sign or code of money beside the prices; "" where there is none, or several.
    """

    products: pd.DataFrame
    passes: pd.DataFrame
    notes: tuple[Problem, ...] = ()
    name: str = "table"
    own_passes: bool = True
    currency: str = ""

    @property
    def table(self) -> pd.DataFrame:
        return self.products

    def at_prices(self, factor: float) -> "Shed":
        """Return the shed with every price times `factor`."""
        moved = {name: self.products[name] * factor for name in ("price", "price_per_lb")}
        return replace(self, products=self.products.assign(**moved))

    @property
    def checks(self) -> pd.DataFrame:
        """What is not known of the products and passes."""
        strange = self.products.loc[self.products["material"] == "", "product"]
        told = f"no mixing rule or caution known for {listed(strange, 6)}: read the label"
        costs = "passes are counted at no cost: list them with their cost"
        return checks_frame(
            [
                ("unknown products", len(strange), 0, strange.empty, ("all are known", told)),
                ("own passes", self.own_passes, True, self.own_passes, ("passes have their cost", costs)),
            ]
        )

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.products["source_key"], *self.passes["source_key"]])


@asks(source=a_file, passes=a_file, sheet=a_text, columns=headers_by_role, name=a_text)
def read_shed(source, passes=None, *, sheet=None, columns=None, name=None) -> Shed:
    """Read the products on hand or on offer, and the passes of the year.

    A product is known by its grade (11-52-0), its material (urea) or a short name (MAP, KCl, AMS, UAN 32), or
    by columns of its own analysis (N, P2O5, K2O, S, Zn [%]). Prices and amounts carry their unit in the
    header, in a column beside them or in the cell: ton, t, lb, kg, cwt, gal, L, bag of 50 lb; a column
    such as 'Bag (kg)' says what a bag holds.

    Parameters
    ----------
    source : path, bytes, file-like or DataFrame
        Products, one a row. A workbook may hold the passes in another sheet, named passes.
    passes : path, bytes, file-like or DataFrame, optional
        pass, method, cost an acre, earliest and latest time; the usual passes without a cost if None.
    sheet : str, optional
        Sheet of the products.
    columns : dict, optional
        Role (product, price, on_hand, lot, ...) → header, where headers do not tell; ``passes.cost`` for a
        column of the passes.

    Raises
    ------
    InputError
        With every problem: analysis not known, price without a unit, gallons without a density, grade and
        columns that contradict each other.

    Examples
    --------
    >>> from fertkit.intake.shed import read_shed
    >>> from io import StringIO
    >>> sheet = "Product,Price,Price unit,On hand\\nMAP,780,ton,12 ton\\nUAN 32,1.9,gal,\\n"
    >>> products = read_shed(StringIO(sheet)).products
    >>> products[["material", "price_per_lb", "on_hand_lb"]].round(3).values.tolist()
    [['monoammonium phosphate (MAP)', 0.39, 24000.0], ['UAN 32', 0.172, 0.0]]
    """
    columns = columns_by_file(columns, ("shed", "passes"), "shed")
    things = open_things(
        source, "shed", name=name, sheet=sheet, columns=columns["shed"], needed=("product",),
        more=_nutrients(),
    )  # fmt: skip
    problems, notes = [], list(things.notes)
    elements = [things.headers[role] for role in ("elemental_p", "elemental_k") if role in things.headers]
    problems += [problem("elemental fertilizer", column=header) for header in elements]
    lines = zip(things.rows, things.lines, strict=True)
    rows = [ShedRow(things, row, line, problems, notes).read() for row, line in lines]
    products = pd.DataFrame(rows, columns=PRODUCT_COLUMNS)
    named = products.dropna(subset="product")  # a row without a name is a problem of its own
    for row in named[named["product"].map(plain).duplicated()].itertuples():
        problems.append(problem("product twice", int(row.row), product=row.product))
    own = _sheet_of_passes(source) if passes is None else passes
    try:
        usual = load_table("passes").assign(cost_per_ac=0.0, max_products=np.nan)[PASS_COLUMNS]
        ways = usual if own is None else read_passes(own, columns["passes"])
    except InputError as error:
        problems += error.problems if passes is None else error.of_file()
    if problems:
        raise InputError(things.name, sorted(dict.fromkeys(problems), key=lambda p: p.row or 0))
    if things.unused:
        notes.append(problem("columns not used", names=", ".join(map(repr, things.unused))))
    notes += [problem("no pass costs")] * (own is None)
    return Shed(products, ways, tuple(notes), things.name, own is not None, _currency(things))


def _currency(things) -> str:
    """The one currency that the header and the cells of prices name."""
    said = [things.headers.get(role, "") for role in _PRICED]
    said += [str(row.get(role, "")) for row in things.rows for role in _PRICED]
    signs = {"$" if "$" in sign else sign.upper() for sign in CURRENCY.findall(" ".join(said))}
    return signs.pop() if len(signs) == 1 else ""


_PRICED = ("price", "price_unit")


@cache
def _nutrients():
    """Words for the nutrients of products -> their columns; P and K as elements are asked about."""
    words = nutrient_words(oxides=False) | nutrient_words(oxides=True)
    return {word: PERCENT[name] for word, name in words.items() if name in PERCENT}


# ---- passes


def read_passes(source, columns=None) -> pd.DataFrame:
    """Read the passes of the year: pass, method, cost an acre, earliest, latest, max products.

    Columns whose headers do not tell are named by role, as of the shed.

    Raises
    ------
    InputError
        With every problem of the table.
    """
    things = open_things(source, "passes", columns=columns or {}, needed=("pass", "method", "cost"))
    problems, rows = [], []
    land = set(re.findall(r"[a-z]+", f"{plain(things.headers['cost'])} {things.rests['cost']}"))
    units = {spellings("land")[word] for word in land if word in spellings("land")}
    if len(units) != 1:
        problems.append(problem("cost without unit", column=things.headers["cost"]))
    for row, line in zip(things.rows, things.lines, strict=True):
        text = {role: " ".join(str(cell).split()) for role, cell in row.items()}
        method = spellings("method").get(re.sub(r"[-_]+", " ", plain(text["method"])), "")
        cell = row["cost"]
        row["cost"] = CURRENCY.sub("", cell).strip() if isinstance(cell, str) else cell
        cost = things.number(row, line, "cost", problems)
        if not text["pass"]:
            problems.append(problem("name missing", line, things.headers["pass"], role="pass"))
        if not method:
            problems.append(problem("method not known", line, things.headers["method"], text=text["method"]))
        if not text["cost"]:
            problems.append(problem("pass without cost", line, things.headers["cost"]))
        most = things.number(row, line, "max_products", problems) if "max_products" in row else np.nan
        times = [spellings("time").get(plain(text.get(end, "")), text.get(end, "")) for end in _ENDS]
        for end, time in zip(_ENDS, times, strict=True):
            if time and time not in spellings("time").values() and not is_stage_of_some_crop(time):
                problems.append(problem("time of pass not known", line, things.headers[end], text=time))
        more = (text.get(role, "") for role in ("crop", "nutrients", "note"))
        cost *= ACRE_HA if units == {"ha"} else 1.0
        rows.append((text["pass"], method, cost, *times, most, *more, "own table", "own table"))
    if problems:
        raise InputError(things.name, problems)
    return pd.DataFrame(rows, columns=PASS_COLUMNS)


_ENDS = ("earliest", "latest")


def _sheet_of_passes(source):
    """The sheet of a workbook that is named after passes, as a table; None if there is none."""
    if isinstance(source, pd.DataFrame):
        return None
    if hasattr(source, "seek"):
        source.seek(0)
    named = (raw for raw in open_tables(source) if plain(raw.sheet).startswith(("pass", "operation", "trip")))
    return next((pd.DataFrame(raw.cells[1:], columns=list(map(str, raw.cells[0]))) for raw in named), None)
