"""Read the text tables kept beside the published values: crops, stages, sources, words, facts on tissue."""

import csv
from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def load_sheet(name: str, numbers: tuple[str, ...] = ()) -> pd.DataFrame:
    """Load ``reference/<name>.csv``: text cells, the named columns as numbers (blank is NaN).

    The table is shared between callers: do not change it in place.
    """
    with (files("fertkit.reference") / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
        names, *rows = csv.reader(handle)
    table = pd.DataFrame(rows, columns=names, dtype=str)
    return table.assign(**{column: pd.to_numeric(table[column]).astype(float) for column in numbers})


def load_facts(name: str, numbers: tuple[str, ...] = ()) -> pd.DataFrame:
    """Load a table of ``reference/tissue`` as `load_sheet` does."""
    return load_sheet(f"tissue/{name}", numbers)


def threshold(name: str) -> float:
    """Give one of the table ``thresholds``: where our own texts draw a line that no publication draws."""
    return _thresholds()[name]


@cache
def _thresholds() -> dict[str, float]:
    table = load_facts("thresholds", ("value",))
    return dict(zip(table["name"], table["value"].tolist(), strict=True))
