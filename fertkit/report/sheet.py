"""The grower's sheet: what leads a page, fits one sheet of paper and can be changed before it is printed."""

import tomllib
from dataclasses import dataclass, field, fields, replace
from datetime import date
from functools import cached_property
from pathlib import Path

from fertkit.asked import a_path, asks
from fertkit.errors import InputError, Problem
from fertkit.reference.load import list_sources
from fertkit.say.line import Line, day_text

MOST_OWN = 3  # sentences of one's own
LONGEST = 400  # characters of one of them
_UNSEEN = {"found": "", "common practice": ""}  # what a citation says by itself


@dataclass(frozen=True)
class Words:
    """What the writer of a sheet adds to it.

    Attributes
    ----------
    name, date, greeting : str
        Who hands the sheet over, when, and how the reader is greeted.
    own : tuple of str
        Up to three sentences of one's own.
    """

    name: str = ""
    date: str = ""
    greeting: str = ""
    own: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """One answer as a grower reads it.

    Attributes
    ----------
    head : tuple of (str, str)
        Field, crop, stage, date: what it is and what it says.
    lines : tuple of Line
        The verdict first; the others by their label: what to do now, what not, what is not known ...
    figure : callable or matplotlib Axes, optional
    figure_says : str
    words : Words
    """

    head: tuple[tuple[str, str], ...]
    lines: tuple[Line, ...]
    figure: object = None
    figure_says: str = ""
    words: Words = field(default_factory=Words)

    @cached_property
    def keys(self) -> list[str]:
        """Keys of the sources, in the order in which the lines name them."""
        return list(dict.fromkeys(key for line in self.lines for key in line.sources))

    @property
    def groups(self) -> dict[str, list[Line]]:
        """Lines by their label, in order; the verdict under ''."""
        by: dict[str, list[Line]] = {}
        for line in self.lines:
            by.setdefault(line.label, []).append(line)
        return by

    def numbers(self, line) -> list[int]:
        """Numbers of the notes a sentence rests on."""
        return sorted(self.keys.index(key) + 1 for key in line.sources)

    @property
    def notes(self) -> list[tuple[int, str, str]]:
        """Number, citation and how it was obtained, where that is not as printed, of every source named."""
        cited = list_sources(self.keys).set_index("source_key")
        rows = (cited.loc[key] for key in self.keys)
        return [
            (n, row["citation"], _UNSEEN.get(row["obtained"], row["obtained"].replace("_", " ")))
            for n, row in enumerate(rows, 1)
        ]


@asks(path=a_path)
def read_words(path) -> dict[str, Words]:
    """Read what the writer of sheets adds to them.

    Parameters
    ----------
    path : path
        A TOML file with any of ``name``, ``date``, ``greeting`` and ``own`` (up to three sentences, in
        brackets). What stands below a field's name in brackets takes their place on the sheet of that field.

    Returns
    -------
    dict of str to Words
        By field; those of '' hold for every other.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    path = Path(path)
    try:
        held = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        remedy = 'write lines such as: name = "J. Doe" and own = ["Call me before you order."]'
        raise InputError(
            path.name, [Problem(f"not readable as the words of a sheet ({error})", remedy)]
        ) from None
    parts = {"": {}} | {field: part for field, part in held.items() if isinstance(part, dict)}
    parts[""] = {name: value for name, value in held.items() if not isinstance(value, dict)}
    if problems := [problem for name, part in parts.items() for problem in _wrong(name, part)]:
        raise InputError(path.name, problems)
    return {field: replace(Words(), **_plainly(parts[""] | part)) for field, part in parts.items()}


def _wrong(field, part):
    known = {one.name for one in fields(Words)}
    for name, value in part.items():
        place = {"column": f"[{field}] {name}" if field else name, "value": value}
        if name not in known:
            yield Problem("a sheet has no place for this", f"use {', '.join(sorted(known))}", **place)
        elif name == "own" and not _sentences(value):
            yield Problem("not sentences", f"write up to {MOST_OWN}, each in quotes, in brackets", **place)
        elif name != "own" and not isinstance(value, str | date):
            yield Problem("not a text", "write it in quotes", **place)


def _sentences(value):
    return (
        isinstance(value, list)
        and len(value) <= MOST_OWN
        and all(isinstance(one, str) and len(one) <= LONGEST for one in value)
    )


def _plainly(part):
    return {
        name: tuple(value) if name == "own" else day_text(value) if isinstance(value, date) else value
        for name, value in part.items()
    }
