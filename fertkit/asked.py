"""One check of the kinds of arguments: what is no number, list or table where one is due is refused.

``@asks()`` checks an argument annotated str, int, float, bool, dict or DataFrame, or one of them or None, by
its annotation; of the others a function states what it wants (``@asks(names=a_list, n=a_count(1))``). Values
of another kind end in one `InputError` that names every such argument; a single name where a list is due is
a list of one. A value that is the default of its argument passes as it is.
"""

import inspect
import os
from collections.abc import Iterable, Mapping
from functools import wraps
from numbers import Integral, Real
from types import NoneType
from typing import get_args

import numpy as np
import pandas as pd

from fertkit.errors import InputError, NotEstimable, Problem

_LARGEST = 1e100  # a number beyond it is none of a field, and its square none of a computer


class _Wrong(Exception):
    """A value of the wrong kind: what it is not, and what to give."""


def asks(**kinds):
    """Check the arguments of a function by name; each kind gives the value back, ready for use."""

    def decorate(function):
        signature = inspect.signature(function)
        due = {name: _BY_TYPE.get(_one_type(p.annotation)) for name, p in signature.parameters.items()}
        due |= kinds

        @wraps(function)
        def asked(*args, **options):
            given = signature.bind(*args, **options)
            problems = []
            for name, value in given.arguments.items():
                if due[name] is None or value is signature.parameters[name].default:
                    continue
                try:
                    given.arguments[name] = due[name](value)
                except _Wrong as wrong:
                    problems.append(Problem(*wrong.args, column=name, value=_shown(value)))
            if problems:
                raise InputError(function.__name__, problems)
            return function(*given.args, **given.kwargs)

        return asked

    return decorate


def _one_type(annotation):
    """The type of an annotation such as ``float | None``."""
    types = [one for one in get_args(annotation) if one is not NoneType]
    return types[0] if NoneType in get_args(annotation) and len(types) == 1 else annotation


def _shown(value):
    return value if value is None or isinstance(value, str | Real | list | tuple) else type(value).__name__


# ---- one thing


def _kind(fits, what: str, remedy: str, ready=None):
    """Make a kind of values that are given back as they are, or as `ready` makes them."""

    def kind(value):
        value = value.item() if isinstance(value, np.number) else value
        if not fits(value):
            raise _Wrong(what, remedy)
        return ready(value) if ready else value

    return kind


def columned(frame):
    """Give a table whose rows have names in its index those names as columns; anything else as it is."""
    if not isinstance(frame, pd.DataFrame):
        return frame
    names = [name for name in frame.index.names if name is not None and name not in frame]
    return frame.reset_index(level=names).reset_index(drop=True) if names else frame


def _is_number(value) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool | np.bool_)


def _is_finite(value) -> bool:
    return _is_number(value) and abs(value) <= _LARGEST


def _is_path(value) -> bool:
    return isinstance(value, str | os.PathLike) and bool(os.fspath(value))


#: One word or name.
a_word = _kind(lambda v: isinstance(v, str) and v.strip(), "not a word", "Write it as text")
#: Yes or no.
a_flag = _kind(lambda v: isinstance(v, bool | np.bool_), "neither True nor False", "Give True or False")
#: One number, not NaN or infinite.
a_number = _kind(_is_finite, "not a number", "Give one plain number")
#: One number, whatever its size; what it may be is asked elsewhere.
a_maybe_infinite = _kind(_is_number, "not a number", "Give one plain number")
above_zero = _kind(lambda v: _is_finite(v) and v > 0, "not a number above zero", "Give one such as 2.5")
zero_or_more = _kind(lambda v: _is_finite(v) and v >= 0, "not zero or more", "Give 0 or more")
#: One number between 0 and 1, both ends left out.
a_share = _kind(lambda v: _is_finite(v) and 0 < v < 1, "not between 0 and 1", "Give a share such as 0.95")
#: A treatment, year or sample, or the header of a column: text or a number.
a_label = _kind(
    lambda v: v is not None and pd.api.types.is_scalar(v) and str(v).strip(),
    "not a name or number",
    "Give one from the table",
)
a_table = _kind(lambda v: isinstance(v, pd.DataFrame), "not a table", "Give a pandas DataFrame")
a_dict = _kind(lambda v: isinstance(v, Mapping), "not a dict", "Give a dict")
a_path = _kind(_is_path, "not the path of a file", "Give a path")
a_content = _kind(lambda v: isinstance(v, str | bytes), "neither text nor bytes", "Give text or bytes")
#: A file to read: its path, its bytes, an open file or a table.
a_file = _kind(
    lambda v: isinstance(v, bytes | bytearray | pd.DataFrame) or hasattr(v, "read") or _is_path(v),
    "not a file",
    "Give a path, bytes, an open file or a DataFrame",
)
a_header = _kind(
    lambda v: (isinstance(v, str) and v.strip()) or _is_number(v),
    "not a header",
    "Give the text of the header",
)
#: No such thing at all.
off = _kind(lambda v: v is False, "not False", "Give False for none")


def a_text(value) -> str:
    """A word, a name or a path as text; "" says nothing and is taken as nothing."""
    if not isinstance(value, str | os.PathLike):
        raise _Wrong("not text", "Write it as text")
    return os.fsdecode(value)


def a_count(least: int):
    """Make the kind of whole numbers of at least `least`."""

    def kind(value) -> int:
        if isinstance(value, bool | np.bool_) or not isinstance(value, Integral) or value < least:
            raise _Wrong("not a whole number", f"Give {least} or more")
        return int(value)

    return kind


def holding(*members: str, of: str = "", like: str = ""):
    """Make the kind of a DataFrame or a result of the function `of`, known by what it holds."""

    def fits(value):
        if isinstance(value, pd.DataFrame):
            return "table" in members
        # Known by its names: a member that has to be worked out is not made here.
        return all(name in dir(value) for name in members)

    result = f"the result of {of}" + ", or a table" * ("table" in members)
    ready = columned if "table" in members else None
    return _kind(fits, "not usable here", f"Give {like or result}", ready)


def a_table_of(*columns: str):
    """Make the kind of tables that have some columns, whatever else they have."""

    def kind(value) -> pd.DataFrame:
        value = columned(a_table(value))
        lacking = [name for name in columns if name not in value]
        if lacking:
            raise _Wrong(f"a table without the columns {', '.join(lacking)}", "Add them to the table")
        return value

    return kind


def either(*kinds):
    """Make the kind of values that are of one of several kinds; the last says what is wrong."""

    def kind(value):
        for one in kinds[:-1]:
            try:
                return one(value)
            except _Wrong:
                pass
        return kinds[-1](value)

    return kind


#: A file to read that is no table yet.
a_saved_file = either(holding("read", like="a file"), a_path)
_path_if_no_table = _kind(_is_path, "neither a table nor the path of a file", "Give a DataFrame or a path")
a_table_or_path = either(a_table, _path_if_no_table)
a_table_or_file = either(a_table, holding("read", like="a file"), _path_if_no_table)
a_generator = holding("normal", like="numpy.random.default_rng(seed)")
a_seed = either(a_generator, a_count(0))


# ---- several things


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
    many = _many(value, "not a list of names", "Give a list of names")
    found = [a_word(name) for name in many]
    if not found:
        raise _Wrong("an empty list", "Give at least one name")
    return found


def maybe_a_list(value) -> list[str]:
    """The same, with none at all allowed."""
    sized = hasattr(value, "__len__") and not isinstance(value, str | pd.DataFrame)
    return [] if sized and not len(value) else a_list(value)


def numbers(value) -> np.ndarray:
    """Several numbers, none of them NaN or infinite."""
    wrong = ("not a list of numbers", "Give a list of numbers")
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


def amounts(value):
    """A number or an array of numbers of any shape; what they may be is asked elsewhere."""
    wrong = _Wrong("not a number or list of numbers", "Give numbers")
    if value is None or isinstance(value, str | bytes | pd.DataFrame | Mapping):
        raise wrong
    try:
        if getattr(getattr(value, "dtype", None), "kind", "O") not in "iuf":
            cells = np.ravel(np.array(value, dtype=object))
            if not all(map(_is_number, cells)):
                raise wrong
        found = np.asarray(value, dtype=float)
        if not found.size or (np.isfinite(found) & (np.abs(found) > _LARGEST)).any():
            raise wrong
    except (TypeError, ValueError, OverflowError):
        raise wrong from None
    return value


def many_amounts(value):
    """Several such numbers."""
    if not np.ndim(amounts(value)):
        raise _Wrong("not a list of numbers", "Give a list of numbers")
    return value


def labels(value) -> list:
    """Names or numbers of things, in order."""
    return _many(value, "not a list of names", "Give a list")


def a_length(value) -> tuple[float, str]:
    """A number and its unit."""
    if not isinstance(value, list | tuple) or len(value) != 2 or not isinstance(value[1], str):
        raise _Wrong("not a length with its unit", "Give both, as (30, 'ft')")
    return a_number(value[0]), value[1]


def each_of(kind):
    """Make the kind of several things of one kind, or one of them."""

    def kinds(value) -> list:
        try:
            return [kind(value)]
        except _Wrong as wrong:
            return [kind(one) for one in _many(value, *wrong.args)]

    return kinds


def by_name(kind, what: str, remedy: str):
    """Make the kind of a dict from names to things of one kind."""

    def kinds(value) -> dict:
        try:
            return {a_word(name): kind(one) for name, one in a_dict(value).items()}
        except _Wrong:
            raise _Wrong(what, remedy) from None

    return kinds


def headers(value) -> list:
    """Headers of a table: one or several."""
    found = each_of(a_header)(value)
    if not found:
        raise _Wrong("an empty list", "Give at least one header")
    return found


#: Lines of text: one, several or none; a line may be blank.
lines = each_of(either(holding("kind", "text", like="a Line"), a_text))
maybe_headers = each_of(a_header)
numbers_by_name = by_name(a_maybe_infinite, "not a dict of numbers", "Give a dict of numbers")
words_by_name = by_name(a_word, "not a dict of words", "Give a dict such as {'yield': 'bu/ac'}")
word_or_words_by_name = either(a_text, words_by_name)
header_by_role = by_name(a_header, "not a dict of headers", "Give a dict such as {'yield': 'Grain'}")
headers_by_role = by_name(
    each_of(a_header), "not a dict of headers", "Give a dict such as {'yield': 'Grain'}"
)

_BY_TYPE = {str: a_word, bool: a_flag, int: a_count(0), float: a_number, pd.DataFrame: a_table, dict: a_dict}


# ---- random numbers, from what the caller passes alone


def make_rng(seed) -> np.random.Generator:
    """Make a source of random numbers from a seed; a `Generator` is taken as it is.

    Raises
    ------
    NotEstimable
        If the seed is neither.
    """
    try:
        return np.random.default_rng(seed)
    except (TypeError, ValueError):
        raise NotEstimable(f"a seed is a whole number, 0 or more; got {seed!r}") from None
