"""What every result object can do, whatever floor of the package made it.

A result is a frozen dataclass that holds numbers and tables. It answers the same verbs:
``table`` (tidy DataFrame), ``summary()`` (text a person can read aloud), ``checks`` (DataFrame:
check, value, limit, passed, meaning), ``sources`` (DataFrame of citations) and ``plot(ax=None)``.
"""

from html import escape
from importlib import import_module

import pandas as pd

CHECK_COLUMNS = ["check", "value", "limit", "passed", "meaning"]


class Result:
    """Mixin for result objects; subclasses provide ``table`` and ``summary()``."""

    @property
    def table(self) -> pd.DataFrame:
        raise NotImplementedError

    def summary(self) -> str:
        raise NotImplementedError

    def plot(self, ax=None, **options):
        """Draw the result's main figure on a matplotlib axes and return the axes."""
        # Drawing lives above the numbers; found by name so that no number depends on it.
        return import_module("fertkit.plots").draw(self, ax=ax, **options)

    def _repr_html_(self) -> str:
        table = self.table.to_html(
            index=False, border=0, na_rep="", escape=True, float_format="{:.4g}".format
        )
        return f"<pre>{escape(self.summary())}</pre>{table}"


def checks_frame(rows) -> pd.DataFrame:
    """Build a checks table from (check, value, limit, passed, meaning) rows."""
    return pd.DataFrame(list(rows), columns=CHECK_COLUMNS)
