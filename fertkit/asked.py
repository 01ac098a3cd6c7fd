"""One check of the kinds of arguments: what is no number, list or table where one is due is refused.

A function states what it wants (``@asks(nutrients=a_list, replicates=a_count(0))``). A value of another kind
ends in one `InputError` that names every such argument; a single name where a list is due is a list of one.
A value that is the default of its argument passes as it is.
"""

import inspect
import os
from collections.abc import Iterable, Mapping
from functools import wraps
from numbers import Integral, Real

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem


class _Wrong(Exception):
    """A value of the wrong kind: what it is not, and what to give."""


def asks(**kinds):
    """Check the arguments of a function by name; each kind gives the value back, ready for use."""

    def decorate(function):
        parameters = inspect.signature(function).parameters

        @wraps(function)
        def asked(*args, **options):
            given = inspect.signature(function).bind(*args, **options)
            problems = []
            for name, kind in kinds.items():
                value = given.arguments.get(name, parameters[name].default)
                if value is parameters[name].default:
                    continue
                try:
                    given.arguments[name] = kind(value)
                except _Wrong as wrong:
                    problems.append(Problem(*wrong.args, column=name, value=_shown(value)))
            if problems:
                raise InputError(function.__name__, problems)
            return function(*given.args, **given.kwargs)

        return asked

    return decorate


def _shown(value):
    return value if value is None or isinstance(value, str | Real | list | tuple) else type(value).__name__


def a_word(value) -> str:
    """One word or name."""
    if not isinstance(value, str) or not value.strip():
        raise _Wrong("not a word", "Write it as text")
    return value


def a_text(value) -> str:
    """A word, a name or a path as text; "" says nothing and is taken as nothing."""
    if not isinstance(value, str | os.PathLike):
        raise _Wrong("not text", "Write it as text")
    return os.fsdecode(value)


def _many(value, what, remedy) -> list:
    """The things of a list, or of whatever else holds several."""
    single = isinstance(value, str | bytes | pd.DataFrame) or getattr(value, "ndim", 1) == 0
    if single or not isinstance(value, Iterable):
        raise _Wrong(what, remedy)
    return list(value)


def a_list(value) -> list[str]:
    """Names of things: a list of them, or one."""
    if isinstance(value, str):
        return [a_word(value)]
    many = _many(value, "not a list of names", "Give one name or a list of names")
    found = [a_word(name) for name in many]
    if not found:
        raise _Wrong("an empty list", "Give at least one name, or leave the argument out")
    return found


def maybe_a_list(value) -> list[str]:
    """The same, with none at all allowed."""
    sized = hasattr(value, "__len__") and not isinstance(value, str | pd.DataFrame)
    return [] if sized and not len(value) else a_list(value)


def a_number(value) -> float:
    """One number, not NaN or infinite."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, Real) or not np.isfinite(value):
        raise _Wrong("not a number", "Give one plain number")
    return value


def above_zero(value) -> float:
    """One number above zero."""
    if a_number(value) <= 0:
        raise _Wrong("not above zero", "Give a number above 0")
    return value


def zero_or_more(value) -> float:
    """One number, zero or above."""
    if a_number(value) < 0:
        raise _Wrong("below zero", "Give 0 or more")
    return value


def a_maybe_infinite(value) -> float:
    """One number, whatever its size; what it may be is asked elsewhere."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, Real):
        raise _Wrong("not a number", "Give one plain number")
    return value


def numbers(value) -> np.ndarray:
    """Several numbers, none of them NaN or infinite."""
    wrong = ("not a list of numbers", "Give a list of plain numbers")
    many = _many(value, *wrong)
    if not many or any(isinstance(one, str | bytes | bool | np.bool_) for one in many):
        raise _Wrong(*wrong)
    try:
        found = np.array(many, dtype=float)
    except (TypeError, ValueError):
        raise _Wrong(*wrong) from None
    if found.ndim != 1 or not np.isfinite(found).all():
        raise _Wrong(*wrong)
    return found


def labels(value) -> list:
    """Names or numbers of things, in order."""
    return _many(value, "not a list of names", "Give a list of names or numbers")


def a_pair(value) -> tuple[float, float]:
    """Two numbers."""
    found = numbers(value)
    if len(found) != 2:
        raise _Wrong("not two numbers", "Give the lower and the higher one")
    return float(found[0]), float(found[1])


def a_length(value) -> tuple[float, str]:
    """A number and its unit."""
    if not isinstance(value, list | tuple) or len(value) != 2 or not isinstance(value[1], str):
        raise _Wrong("not a length with its unit", "Give both, as in (30, 'ft')")
    return a_number(value[0]), value[1]


def a_share(value) -> float:
    """One number between 0 and 1, both ends left out."""
    if not 0 < a_number(value) < 1:
        raise _Wrong("not between 0 and 1", "Give a share such as 0.95")
    return value


def a_count(least: int):
    """Make the kind of whole numbers of at least `least`."""

    def kind(value) -> int:
        if isinstance(value, bool | np.bool_) or not isinstance(value, Integral) or value < least:
            raise _Wrong("not a whole number of things", f"Give a whole number, {least} or more")
        return int(value)

    return kind


def a_table(value) -> pd.DataFrame:
    """A table."""
    if not isinstance(value, pd.DataFrame):
        raise _Wrong("not a table", "Give a pandas DataFrame")
    return value


def holding(*members: str, like: str):
    """Make the kind of a DataFrame or a result of another function, known by what it holds."""

    def kind(value):
        if isinstance(value, pd.DataFrame) and "table" in members:
            return value
        if isinstance(value, pd.DataFrame) or not all(hasattr(value, name) for name in members):
            raise _Wrong("not what is asked for", f"Give {like}")
        return value

    return kind


def a_function(value):
    """A function."""
    if not callable(value):
        raise _Wrong("not a function", "Give a function")
    return value


def a_path(value) -> str | os.PathLike:
    """The place of a file."""
    if not isinstance(value, str | os.PathLike) or not os.fspath(value):
        raise _Wrong("not the path of a file", "Give its path, as text or Path")
    return value


def a_file(value):
    """A file to read: its path, its bytes, an open file or a table."""
    if isinstance(value, bytes | bytearray | pd.DataFrame) or hasattr(value, "read"):
        return value
    try:
        return a_path(value)
    except _Wrong:
        raise _Wrong("not a file", "Give its path, its bytes, an open file or a DataFrame") from None


def a_table_or_path(value):
    """A table, or the path of one."""
    return value if isinstance(value, pd.DataFrame) else a_path(value)


def each_of(kind):
    """Make the kind of several things of one kind, or one of them."""

    def kinds(value) -> list:
        try:
            return [kind(value)]
        except _Wrong as wrong:
            return [kind(one) for one in _many(value, *wrong.args)]

    kinds.__name__ = "each_of"
    return kinds


def by_name(kind, what: str, remedy: str):
    """Make the kind of a dict from names to things of one kind."""

    def kinds(value) -> dict:
        try:
            return {a_word(name): kind(one) for name, one in a_dict(value).items()}
        except _Wrong:
            raise _Wrong(what, remedy) from None

    kinds.__name__ = "by_name"
    return kinds


def a_dict(value) -> dict:
    """Values by name."""
    if not isinstance(value, Mapping):
        raise _Wrong("not values by name", "Give a dict")
    return value


def a_header(value):
    """A header of a table, which need not be text."""
    if not isinstance(value, str | Real) or not str(value).strip():
        raise _Wrong("not a header", "Give the text of the header")
    return value


def lines(value) -> list[str]:
    """Lines of text: one, several or none; a line may be blank."""
    return each_of(a_text)(value)


def headers(value) -> list:
    """Headers of a table: one or several."""
    found = each_of(a_header)(value)
    if not found:
        raise _Wrong("an empty list", "Give at least one header")
    return found


amounts_by_name = by_name(zero_or_more, "not amounts by name", "Give a dict of numbers, 0 or more")
numbers_by_name = by_name(a_maybe_infinite, "not numbers by name", "Give a dict of numbers")
words_by_name = by_name(a_word, "not words by name", "Give a dict such as {'yield': 'bu/ac'}")
header_by_role = by_name(a_header, "not headers by role", "Give a dict such as {'yield': 'Grain'}")
headers_by_role = by_name(each_of(a_header), "not headers by role", "Give a dict such as {'yield': 'Grain'}")


def word_or_words_by_name(value):
    """One word for all, or words by name."""
    return value if isinstance(value, str) else words_by_name(value)
