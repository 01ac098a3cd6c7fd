"""What every result object can do, whatever floor of the package made it.

A result is a frozen dataclass that holds numbers and tables. It answers the same verbs:
``table`` (tidy DataFrame), ``summary()`` (text a person can read aloud), ``checks`` (DataFrame:
check, value, limit, passed, meaning), ``sources`` (DataFrame of citations) and ``plot(ax=None)``. Two results
are equal where their content is; a console shows the name of one and the first line of its summary.
"""

from collections import namedtuple
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from html import escape
from importlib import import_module

import numpy as np
import pandas as pd

from fertkit.errors import shorten

_LONGEST_REPR = 200  # characters a console shows of a result
CHECK_COLUMNS = ["check", "value", "limit", "passed", "meaning"]


class ByContent:
    """Mixin for frozen dataclasses of arrays and tables: compared by content, hashed by their texts."""

    def __init_subclass__(cls, **options):
        super().__init_subclass__(**options)
        # `dataclass` makes its own of these, blind to arrays, unless the class itself has them.
        for name in ("__eq__", "__hash__", "__repr__"):
            if name not in vars(cls):
                setattr(cls, name, getattr(cls, name))

    def __eq__(self, other):
        return same_content(self, other) if type(other) is type(self) else NotImplemented

    def __hash__(self):
        values = (getattr(self, field.name) for field in fields(self))
        return hash((type(self), *(v for v in values if isinstance(v, str))))

    def __repr__(self) -> str:
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        told = ", ".join(f"{k}={v!r}" for k, v in values.items() if isinstance(v, str | int | float))
        return shorten(f"{type(self).__name__}({told})", _LONGEST_REPR)


class Result(ByContent):
    """Mixin for result objects; subclasses provide ``table``."""

    def __repr__(self) -> str:
        return shorten(f"{type(self).__name__}: {str(self.lines()[0]).strip()}", _LONGEST_REPR)

    table: pd.DataFrame

    def lines(self, **options) -> list:
        """Say what the result holds: sentences (`fertkit.say.Line`), each with its kind."""
        # Sentences, as figures, live above the numbers; found by name so that no number depends on them.
        return import_module("fertkit.say").lines(self, **options)

    def summary(self, **options) -> str:
        """Text a person can read aloud."""
        return "\n".join(map(str, self.lines(**options)))

    def plot(self, ax=None, **options):
        """Draw the result's main figure on a matplotlib axes and return the axes."""
        return import_module("fertkit.plots").draw(self, ax=ax, **options)

    def _repr_html_(self) -> str:
        return f"<pre>{escape(self.summary())}</pre>{table_html(self.table)}"


def same_content(one, other) -> bool:
    """Tell whether two values hold the same, tables and arrays cell by cell; two missing values are equal.

    Examples
    --------
    >>> from fertkit.results import same_content
    >>> import numpy as np
    >>> one, other = np.array([1.0, np.nan]), np.array([1.0, np.nan])
    >>> same_content({"a": one}, {"a": other}), same_content([1, 2], [1, 3])
    (True, False)
    """
    if one is other:
        return True
    if isinstance(one, pd.DataFrame | pd.Series | pd.Index):
        return type(one) is type(other) and bool(one.equals(other))
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        one, other = np.asarray(one), np.asarray(other)
        return one.shape == other.shape and same_content(one.tolist(), other.tolist())
    if isinstance(one, Mapping):
        return (
            isinstance(other, Mapping)
            and one.keys() == other.keys()
            and all(same_content(one[k], other[k]) for k in one)
        )
    if isinstance(one, list | tuple):
        return type(one) is type(other) and len(one) == len(other) and all(map(same_content, one, other))
    if is_dataclass(one):
        names = [field.name for field in fields(one) if field.compare]
        return type(one) is type(other) and all(
            same_content(getattr(one, name), getattr(other, name)) for name in names
        )
    return bool(one == other) or bool(one != one and other != other)


@cache
def _record(columns: tuple):
    return namedtuple("Record", ("Index", *columns), rename=True)._make


def records(frame: pd.DataFrame):
    """Iterate over the rows of a table as `itertuples` does, in a fifth of its time where they are few."""
    make = _record(tuple(map(str, frame.columns)))
    return map(make, ([i, *row] for i, row in zip(frame.index, frame.to_numpy(object).tolist(), strict=True)))


def cells(frame: pd.DataFrame, *columns: str):
    """Iterate over the rows of some columns as plain tuples."""
    return zip(*(frame[name].tolist() for name in columns), strict=True)


def table_html(frame: pd.DataFrame, class_of=None) -> str:
    """Write a table as HTML, text escaped, numbers to four digits by the rule of `plain`.

    `class_of`, if given, gives the class of a cell from its text, "" for none.
    """
    heads = "".join(f"<th>{escape(str(name), quote=False)}</th>" for name in frame.columns)
    lines = (map(_cell_text, line) for line in frame.to_numpy(object).tolist())
    rows = [f"<tr>{''.join(_cell_html(text, class_of) for text in line)}</tr>" for line in lines]
    return "\n".join(
        ['<table class="dataframe">', f'<thead><tr style="text-align: right;">{heads}</tr></thead>',
         "<tbody>", *rows, "</tbody>", "</table>"]
    )  # fmt: skip


def _cell_text(value) -> str:
    if pd.api.types.is_scalar(value) and pd.isna(value):
        return ""
    return plain(value, digits=4) if isinstance(value, float) else str(value).removesuffix(" 00:00:00")


def _cell_html(text: str, class_of) -> str:
    name = class_of(text) if class_of else ""
    begins = f'<td class="{name}">' if name else "<td>"
    return f"{begins}{escape(text, quote=False)}</td>"


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


def alike(*values: float, digits: int = 3) -> list[str]:
    """Write numbers that stand together with equally many decimals, as far as the digits allow.

    Examples
    --------
    >>> from fertkit.results import alike
    >>> alike(0.54, 0.4), alike(9.7, 10, 104)
    (['0.54', '0.40'], ['9.7', '10.0', '104'])
    """
    texts = [plain(value, digits) for value in values]
    most = max((len(text.partition(".")[2]) for text in texts), default=0)
    return [text if text == "0" or text[-1].isalpha() else _padded(text, most, digits) for text in texts]


def _padded(text, decimals, digits):
    whole, _, part = text.lstrip("-").partition(".")
    room = digits - len(whole) if whole != "0" else digits + len(part) - len(part.lstrip("0"))
    return f"{float(text):.{max(len(part), min(decimals, room))}f}"


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
    """Write a probability as it follows its letter: ``= 0.04``, ``< 0.001`` or ``> 0.99``."""
    return "< 0.001" if p < 0.001 else "> 0.99" if 0.995 <= p < 1 else f"= {plain(p, digits=2)}"


def show(value) -> str:
    """Write a treatment for people: 50.0 -> 50."""
    return f"{value:g}" if isinstance(value, float) else str(value)


def heading(column: str) -> str:
    """Write a column name for people: ``yield_bu_ac`` -> ``yield [bu/ac]``."""
    name, *unit = str(column).split("_")
    if name == "adjusted" and unit:
        return f"adjusted {heading('_'.join(unit))}"
    return f"{name} [{'/'.join(unit)}]" if name in ("rate", "planned", "yield") and unit else str(column)


def checks_frame(rows) -> pd.DataFrame:
    """Build a checks table from (check, value, limit, passed, meaning) rows.

    `passed` is True where the check holds, False where it does not, None where it could not be judged. The
    meaning is one sentence, or a pair of which the table takes one: what is so where the check holds, and
    what is not, with what to do about it, where it does not.

    Examples
    --------
    >>> from fertkit.results import checks_frame, failed
    >>> told = ("enough strips", "too few strips: add blocks")
    >>> checks = checks_frame([("strips", 8, 6, True, told), ("strips", 4, 6, False, told)])
    >>> checks["meaning"].tolist(), failed(checks)
    (['enough strips', 'too few strips: add blocks'], ['too few strips: add blocks'])
    """
    rows = [(*row, passed, _said(passed, meaning)) for *row, passed, meaning in rows]
    return pd.DataFrame(rows, columns=CHECK_COLUMNS)


def _said(passed, meaning) -> str:
    if isinstance(meaning, str):
        return meaning
    return "could not be judged" if passed is None else meaning[0] if passed else meaning[1]


def failed(checks: pd.DataFrame) -> list[str]:
    """What the checks that do not hold mean; those not judged are none of them."""
    return list(dict.fromkeys(checks.loc[checks["passed"].eq(False), "meaning"]))
