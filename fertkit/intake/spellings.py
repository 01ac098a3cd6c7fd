"""The words that files use (``spellings.csv``) and the roles their columns play (``roles.csv``).

What a reader asks or notes stands in ``messages.csv``, a line a question; the code names it and fills it in.
"""

import csv
import unicodedata
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from fertkit.errors import Note, Problem


class Role(NamedTuple):
    """What a column may be: its words, the surest first, what it holds, what it measures and units of it."""

    words: tuple[str, ...]
    holds: str
    measures: str
    examples: str


def plain(text: str) -> str:
    """Return text in lower case and plain characters: accents, µ, superscripts, full width, blanks."""
    text = unicodedata.normalize("NFKC", str(text)).replace("\u2212", "-").replace("\u2013", "-")
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join(bare.lower().split())


def squeezed(text: str) -> str:
    """Return plain text without blanks, underscores and brackets, for comparing names of units."""
    return "".join(c for c in plain(text) if c not in " _()[]{}")


@cache
def _table(name: str) -> list[dict]:
    with (files("fertkit.intake") / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


@cache
def spellings(kind: str) -> dict[str, str]:
    """Return every spelling of one kind (unit, nutrient, oxide, noise, area ...) with its name."""
    rows = (row for row in _table("spellings.csv") if row["kind"] == kind)
    return {plain(word): row["name"] for row in rows for word in row["spellings"].split("|")}


@cache
def roles_of(file: str) -> dict[str, Role]:
    """Return the roles that columns of one kind of file (leaf, strips, points) can play, in their order."""
    return {
        row["role"]: Role(
            tuple(map(plain, row["words"].split("|"))), row["holds"], row["measures"], row["examples"]
        )
        for row in _table("roles.csv")
        if row["file"] == file
    }


@cache
def role_words(file: str) -> dict[str, str]:
    """Return every word that names a role of one kind of file, with that role."""
    return {word: name for name, role in roles_of(file).items() for word in role.words}


@cache
def _messages() -> dict[str, dict]:
    return {row["key"]: row for row in _table("messages.csv")}


def problem(key: str, row=None, column=None, value=None, **words) -> Problem:
    """Return the problem that ``messages.csv`` words, its blanks filled in."""
    what, remedy, in_code = (_messages()[key][part].format(**words) for part in ("what", "remedy", "in_code"))
    return Problem(what, remedy, row, column, value, in_code)


def note(key: str, **words) -> Note:
    """Return the note that ``messages.csv`` words, its blanks filled in."""
    asked = problem(key, **words)
    return Note(asked.what, asked.in_code)


def listed(items, most: int, more: str = ", ...") -> str:
    """Return the first items with commas between, and that there are more."""
    items = list(map(str, items))
    return ", ".join(items[:most]) + more * (len(items) > most)
