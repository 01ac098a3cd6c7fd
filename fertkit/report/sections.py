"""What answers are made of: sections of sentences, a figure, tables and cautions."""

from base64 import b64encode
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit import asked
from fertkit.reference.load import list_sources
from fertkit.response.optimum import status_in_words
from fertkit.response.prices import money_axis, money_unit
from fertkit.results import CHECK_COLUMNS, ByContent, plain, records
from fertkit.say.advice import nutrient_cautions
from fertkit.say.checks import limit_text
from fertkit.say.worth import chances_text, risk_lines

#: Titles that several kinds of answer share.
RELIABLE = "How reliable is it?"
IF_PRICES = "What if prices change?"
DIFFER = "Did the treatments differ?"
#: Kinds of arguments that answers share.
STRIPS = asked.holding("table", of="read_strips")
PRICED = {
    "nutrient_price": asked.amounts, "grain_price": asked.amounts, "currency": asked.a_text,
    "seed": asked.a_seed,
}  # fmt: skip
CHECKED = "Checks"
NEED_PRICES = (
    "enter the prices of the nutrient and of grain to find the rate that pays",
    "--nutrient-price P --grain-price P, or --design NAME to compare the means alone",
)
BEFORE = asked.holding("table", "trials", like="an answer about the same strips")
#: Columns of the one tidy table of an answer.
SMALLEST_P = 0.001  #: probabilities below are not told apart
COLUMNS = ["about", "item", "value", "low", "high", "unit", "remark"]


@dataclass(frozen=True)
class Table(ByContent):
    """One table for people.

    Attributes
    ----------
    title : str
        Also the name of its sheet in a workbook.
    frame : DataFrame
        Columns named for reading, with units in brackets; a header of ``p`` or ending in ``, p`` is a
        probability. Numbers unrounded: a page rounds them, a workbook holds them as they are.
    """

    title: str
    frame: pd.DataFrame


@dataclass(frozen=True)
class Section:
    """One part of an answer.

    Attributes
    ----------
    title : str
    lines : tuple of Line or str
    figure : callable or matplotlib Axes, optional
        What draws it and gives its axes, such as the `plot` of a result: a workbook draws none.
    figure_says : str
        The message of the figure in words; shown below it and read by a screen reader.
    tables : tuple of Table
    do, leave : tuple of str
        What to do and what not, side by side.
    cautions : tuple of str
        Set apart.
    links : tuple of (str, str)
        Address and text of pages beside this one.
    """

    title: str
    lines: tuple = ()
    figure: object = None
    figure_says: str = ""
    tables: tuple[Table, ...] = ()
    do: tuple[str, ...] = ()
    leave: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    links: tuple[tuple[str, str], ...] = ()


def pick(title: str, frame: pd.DataFrame, columns: dict) -> Table:
    """Return a table of some columns of a result, in the order and under the names of `columns`."""
    held = {name: header for name, header in columns.items() if name in frame}
    return Table(title, frame[list(held)].rename(columns=held).reset_index(drop=True))


def tidy(*groups) -> pd.DataFrame:
    """Return rows of several parts of an answer under each other."""
    return pd.DataFrame([row for rows in groups for row in rows], columns=COLUMNS)


def response_rows(name, analysis):
    """Return the economic optimum of a trial and what it gains, as rows of the tidy table."""
    best = analysis.optimum
    yield (name, "economic optimum rate", best.rate, best.interval.low, best.interval.high, best.unit,
           status_in_words(best.status))  # fmt: skip
    for row in records(analysis.gain):
        yield name, row.quantity, row.value, row.low, row.high, row.unit, ""


def worth_rows(name, worth):
    """Return what every rate nets against others, as rows of the tidy table; the remark tells the chance."""
    for r in records(worth.table):
        item = f"net of {plain(r.rate)} against {plain(r.over)} {worth.rate_unit}"
        chance = "" if np.isnan(r.chance_of_loss) else f"chance of losing money {r.chance_of_loss:.3g}"
        yield name, item, r.net, r.net_low, r.net_high, money_unit(worth.money, worth.area), chance
    if worth.year is not None:
        one, unit = "value of one more year of trial", money_unit(worth.money, worth.area)
        yield from plain_rows(name, [(one, worth.year.worth, unit, "same curve next year")])


def plain_rows(about, items):
    """Return rows without an interval, from (item, value, unit, remark)."""
    for item, value, unit, remark in items:
        yield about, item, value, np.nan, np.nan, unit, remark


def needs_rows(rows):
    """Return what fields take up and what is removed, with the source of each, as rows of the tidy table."""
    for row in records(rows):
        for column, what in (("uptake", "taken up"), ("removed", "removed with the harvest")):
            if source := getattr(row, f"{column}_source"):
                item = f"{row.nutrient} {what}", getattr(row, column), row.unit, source
                yield from plain_rows(row.field, [item])


def curves_table(response, of: str = "") -> Table:
    """Return what each curve says on its own; with two rates, the difference."""
    if response.comparison is None:
        return Table(f"Difference of the two rates{of}", response.gain)
    return pick(
        f"Optimum by curve{of}", response.table,
        {"label": "curve",
         "optimum_text": f"optimum and {response.level:.0%} interval [{response.rate_unit}]",
         "aicc": "AICc", "weight": "support among all curves", "average_weight": "weight in the average",
         "lack_of_fit_p": "lack of fit, p", "note": "remark"},
    )  # fmt: skip


def worth_section(worth, of: str = "", *, led: bool = False) -> Section:
    """Return what rates are worth against each other; `led` where the page begins with the reported one's."""
    unit, of_money = worth.rate_unit, (worth.money, worth.area)
    names = {"rate": f"rate [{unit}]", "over": f"against [{unit}]",
             "gain": f"yields more [{worth.yield_unit}]", "gain_low": "at least", "gain_high": "at most",
             "cost": money_axis("costs more", *of_money), "net": money_axis("net", *of_money),
             "net_low": "from", "net_high": "to",
             "chance_of_loss": "chance of a loss, p"}  # fmt: skip
    return Section(
        f"What is each rate worth{of}?", lines=risk_lines(worth) if led else worth.lines(), figure=worth.plot,
        figure_says=chances_text(worth, worth.references[-1]),
        tables=(pick(f"Each rate against others{of}", worth.table, names),),
    )  # fmt: skip


def script_link(answer) -> tuple[tuple[str, str], ...]:
    """Return the link that saves the script of an answer, which asks for it again; none without a file."""
    if answer.recipe is None:
        return ()
    code = b64encode(answer.recipe.script(answer.table).encode("utf-8")).decode("ascii")
    return ((f"data:text/x-python;base64,{code}", "Save a script that reproduces these numbers"),)


def checks_of(results: dict) -> pd.DataFrame:
    """Return the checks of several results under each other, each with what it is about."""
    parts = [result.checks.assign(about=name) for name, result in results.items() if result is not None]
    columns = ["about", *CHECK_COLUMNS]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def checks_table(rows: pd.DataFrame) -> Table:
    """Return checks for people; the meaning stands where a check failed."""
    held = rows["passed"].map({True: "passed", False: "failed"}).fillna("not judged")
    rows = rows.assign(result=held, means=rows["meaning"].where(held != "passed", ""))
    rows["value"], rows["limit"] = rows["value"].astype(object), rows["limit"].astype(object)
    chance = rows["check"].str.endswith("[p]") | rows["limit"].map(str).str.startswith("p ")
    small = pd.to_numeric(rows["value"], errors="coerce") < SMALLEST_P
    rows["value"] = rows["value"].mask(chance & small, f"< {SMALLEST_P}")
    rows["limit"] = rows["limit"].map(limit_text)
    names = {"about": "of", "check": "check", "value": "value", "limit": "limit", "result": "result",
             "means": "what it means"}  # fmt: skip
    return pick(CHECKED, rows, names)


def citations(results, nutrient: str = "", crop: str = "", part: str = "") -> pd.DataFrame:
    """Return the citations behind several results and the cautions of a nutrient on a crop, each once."""
    frames = [getattr(result, "sources", None) for result in results]
    keys = [key for frame in frames if frame is not None for key in frame["source_key"]]
    return list_sources(list(dict.fromkeys([*keys, *nutrient_cautions(nutrient, crop, part)[1]])))
