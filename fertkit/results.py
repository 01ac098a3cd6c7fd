"""What every result object can do, whatever floor of the package made it.

A result is a frozen dataclass that holds numbers and tables. It answers the same verbs:
``table`` (tidy DataFrame), ``summary()`` (text a person can read aloud), ``checks`` (DataFrame:
check, value, limit, passed, meaning), ``sources`` (DataFrame of citations) and ``plot(ax=None)``.
"""

from functools import partial
from html import escape
from importlib import import_module

import numpy as np
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
        return f"<pre>{escape(self.summary())}</pre>{table_html(self.table)}"


def table_html(frame: pd.DataFrame) -> str:
    """Write a table as HTML, text escaped, numbers to four digits by the rule of `plain`."""
    number = partial(plain, digits=4)
    return frame.to_html(index=False, border=0, na_rep="", escape=True, float_format=number)


def plain(value: float, digits: int = 3, span: float = 0.0) -> str:
    """Write a number for people: the one rounding rule of every text, figure and page.

    `digits` significant digits, or all its whole units if these are more; trailing zeros dropped; never an
    exponent. A number within a thousandth of `span` from zero, or a millionth of one, is 0.

    Examples
    --------
    >>> from fertkit.results import plain
    >>> plain(87.4567), plain(12345.6), plain(0.000123), plain(60.0)
    ('87.5', '12346', '0.000123', '60')
    """
    value = float(value)
    size = abs(value)
    if not np.isfinite(value):
        return "not known" if np.isnan(value) else "no limit"
    if size <= max(span / 1000, 1e-6):
        return "0"
    text = f"{value:.{max(0, digits - 1 - int(np.floor(np.log10(size))))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def capital(text: str) -> str:
    """Begin a sentence with a capital letter, the rest as it stands."""
    return text[:1].upper() + text[1:]


def counted(n: int, noun: str) -> str:
    """Write a number of things: ``1 strip``, ``3 strips``, ``2 passes``.

    Examples
    --------
    >>> from fertkit.results import counted
    >>> counted(1, "strip"), counted(3, "strip"), counted(2, "pass")
    ('1 strip', '3 strips', '2 passes')
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}{'es' if noun.endswith('s') else 's'}"


def plain_p(p: float) -> str:
    """Write a probability as it follows its letter: ``= 0.04`` or ``< 0.001``."""
    return "< 0.001" if p < 0.001 else f"= {plain(p, digits=2)}"


def checks_frame(rows) -> pd.DataFrame:
    """Build a checks table from (check, value, limit, passed, meaning) rows."""
    return pd.DataFrame(list(rows), columns=CHECK_COLUMNS)
