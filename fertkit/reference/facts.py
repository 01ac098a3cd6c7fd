"""Read small tables of facts (windows, plant parts, stages, cautions) kept beside the published values."""

from functools import cache
from importlib.resources import files

import pandas as pd


@cache
def load_facts(name: str, numbers: tuple[str, ...] = ()) -> pd.DataFrame:
    """Load ``reference/tissue/<name>.csv``: text cells, the named columns as numbers (blank is NaN).

    The table is shared between callers: do not change it in place.
    """
    with (files("fertkit.reference") / "tissue" / f"{name}.csv").open(encoding="utf-8") as handle:
        table = pd.read_csv(handle, dtype=str, keep_default_na=False)
    for column in numbers:
        table[column] = pd.to_numeric(table[column]).astype(float)
    return table


def threshold(name: str) -> float:
    """One of the table ``thresholds``: where our own texts draw a line that no publication draws."""
    return float(load_facts("thresholds", ("value",)).set_index("name")["value"][name])
