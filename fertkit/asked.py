"""One check of the kinds of arguments: what is no number, list or table where one is due is refused.

A function states what it wants (``@asks(nutrients=a_list, replicates=a_count(0))``). A value of another kind
ends in one `InputError` that names every such argument; a single name where a list is due is a list of one.
A value that is the default of its argument passes as it is.
"""

import inspect
from collections.abc import Mapping
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


def a_list(value) -> list[str]:
    """Names of things: a list of them, or one."""
    if isinstance(value, str):
        return [a_word(value)]
    if not isinstance(value, list | tuple | set | frozenset | dict | pd.Series | pd.Index | np.ndarray):
        raise _Wrong("not a list of names", "Give one name or a list of names")
    found = [a_word(name) for name in value]
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


def a_dict(value) -> dict:
    """Values by name."""
    if not isinstance(value, Mapping):
        raise _Wrong("not values by name", "Give a dict")
    return value
