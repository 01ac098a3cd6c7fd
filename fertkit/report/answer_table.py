"""The numbers of an answer as one tidy table: what each is about, its value, its interval and its unit."""

import numpy as np
import pandas as pd

from fertkit.response.status import status_in_words
from fertkit.results import CHECK_COLUMNS
from fertkit.say.leaf_results import finding
from fertkit.trials.table import show

COLUMNS = ["about", "item", "value", "low", "high", "unit", "remark"]


def answer_table(*groups) -> pd.DataFrame:
    """Put rows of several parts of an answer under each other."""
    return pd.DataFrame([row for rows in groups for row in rows], columns=COLUMNS)


def needs_rows(budget):
    """What the crop takes up and what leaves, by the default source of each nutrient."""
    for row in budget.defaults.itertuples():
        for column, said in (("uptake", "taken up"), ("removed", "removed with the harvest")):
            value, source = getattr(row, column), getattr(row, f"{column}_source")
            if source:
                yield "needs", f"{row.nutrient} {said}", value, np.nan, np.nan, budget.unit, source


def leaf_rows(explanation):
    """What is short in the leaf: the value as measured, how sure it is and what was found."""
    for row in explanation.items.itertuples():
        remark = f"{row.confidence}: {finding(row)}"
        yield "leaf", f"{row.label}, {row.nutrient}", row.value, np.nan, np.nan, row.unit, remark


def response_rows(name, analysis):
    """The economic optimum of a trial and what it gains."""
    best = analysis.optimum
    yield (name, "economic optimum rate", best.rate, best.interval.low, best.interval.high, best.unit,
           status_in_words(best.status))  # fmt: skip
    for row in analysis.gain.itertuples():
        yield name, row.quantity, row.value, row.low, row.high, row.unit, ""


def means_rows(strips, unit):
    """Means of the treatments of a trial, with the letters that tell them apart."""
    for row in strips.means.itertuples():
        yield "strips", f"mean at {show(row.treatment)}", row.mean, row.low, row.high, unit, row.letters


def carried_rows(name, ledger):
    """What is applied, removed and left after the season; cost per acre or hectare."""
    row, area = ledger.rows.iloc[0], ledger.unit.partition("/")[2]
    for column in ("applied", "removed", "balance", "cost"):
        unit = f"money/{area}" if column == "cost" else ledger.unit
        yield name, f"{row['nutrient']} {column}", row[column], np.nan, np.nan, unit, ""


def checks_of(results: dict) -> pd.DataFrame:
    """The checks of several results under each other, each with what it is about."""
    parts = [result.checks.assign(about=name) for name, result in results.items() if result is not None]
    columns = ["about", *CHECK_COLUMNS]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
