"""Field facts that help to explain a leaf test: soil test, pH, texture, weather, roots, symptoms, history."""

import re
from collections.abc import Iterable, Mapping
from functools import cache

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem, one_of
from fertkit.intake.spellings import plain
from fertkit.reference.facts import load_facts
from fertkit.reference.schema import NUTRIENTS

FACT_COLUMNS = ["specimen", "name", "value", "origin"]
_BETWEEN = re.compile(r"\s*(?:[,;/&+|]|\band\b|\bund\b|\by\b)\s*")
_DENIED = re.compile(r"\b(?:no|not|non|without|never|kein\w*|nicht|ohne|sin)\b")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_LONGEST = 200  # characters of a note on a field that are read


@cache
def fact_table() -> pd.DataFrame:
    """Return the facts the kit can use: name, kind, unit, low, high, values, headers, asks."""
    table = load_facts("facts", ("low", "high")).copy()
    table["nutrient"] = table["nutrients"].str.split()
    table = table.explode("nutrient", ignore_index=True).fillna({"nutrient": ""})
    for column in ("name", "headers", "asks"):
        pairs = zip(table[column], table["nutrient"], strict=True)
        table[column] = [text.replace("{}", nutrient) for text, nutrient in pairs]
    return table.drop(columns=["nutrients", "nutrient"])


@cache
def fact_words(name: str) -> dict[str, str]:
    """Return what may be said of a fact by every spelling of it, its own words first."""
    listed = fact_table().set_index("name")["values"][name]
    pairs = [entry.partition("=")[::2] for entry in listed.split(";") if entry]
    own = {plain(word): word for word, _ in pairs}
    return own | {plain(s): word for word, others in pairs for s in others.split("|") if s}


@cache
def _headers() -> dict[str, str]:
    table = fact_table()
    pairs = zip(table["name"], table["headers"], strict=True)
    return {plain(h): name for name, headers in pairs for h in (name, *headers.split("|"))}


def fact_name(header: str) -> str:
    """Return the fact a header or a typed name names; '' if none."""
    bare = re.sub(r"[\[(][^\])]*[\])]|[:.]", " ", plain(header))
    return _headers().get(plain(header)) or _headers().get(plain(bare).replace("_", " ").strip(), "")


def read_facts(facts: Mapping) -> dict:
    """Return facts by name, checked: numbers as numbers, words as the table writes them.

    Parameters
    ----------
    facts : dict or Series of name -> value
        Names as in `fact_table`, such as ``{"ph": 5.4, "texture": "sand", "weather": "dry"}``; blanks are
        left out.

    Returns
    -------
    dict
        name -> float, or tuple of str.

    Raises
    ------
    InputError
        With every name and value that is not known, and what may be given.

    Examples
    --------
    >>> from fertkit.intake.facts import read_facts
    >>> read_facts({"Soil pH": "5,4", "texture": "sandy loam", "weather": "dry, hot"})
    {'ph': 5.4, 'texture': ('sand',), 'weather': ('dry', 'hot')}
    """
    settled, problems = {}, []
    for header, value in facts.items():
        name = fact_name(str(header))
        if not name:
            remedy = one_of(fact_table()["name"])
            problems.append(Problem("unknown field fact", remedy, column=str(header), value=value))
        elif not _blank(value):
            what = _read(name, value)
            if isinstance(what, Problem):
                problems.append(what)
            else:
                settled[name] = what
    if problems:
        raise InputError("facts", problems)
    return settled


def facts_typed(texts: Iterable[str]) -> dict:
    """Return facts typed as NAME=VALUE, checked as `read_facts` does; a name given twice gets both values."""
    pairs: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise InputError("facts", [Problem("not a fact", "write NAME=VALUE, such as ph=5.4", value=text)])
        name = fact_name(name) or name.strip()
        pairs[name] = f"{pairs[name]}, {value}" if name in pairs else value
    return read_facts(pairs)


def facts_of_file(others: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the facts in the columns a leaf file keeps beside its results, and what of them was not read.

    Parameters
    ----------
    others : DataFrame
        ``TissueSamples.others``: specimen and columns of text.

    Returns
    -------
    facts : DataFrame
        specimen, name, value, origin ('file').
    problems : list of Problem
        One for each column and value.
    """
    rows, problems = [], {}
    for column in others.columns.drop(["specimen", "sample_id"], errors="ignore"):
        name = fact_name(column)
        for specimen, text in zip(others["specimen"], others[column], strict=True) if name else ():
            if not _blank(text):
                what = _read(name, text, column)
                if isinstance(what, Problem):
                    problems[column, text] = what
                else:
                    rows.append((specimen, name, what, "file"))
    return pd.DataFrame(rows, columns=FACT_COLUMNS), list(problems.values())


def _blank(value):
    return value is None or (isinstance(value, float) and np.isnan(value)) or not str(value).strip(" -?")


def _read(name, value, column=None):
    """The value of a fact, or the problem with it."""
    row = fact_table().set_index("name", drop=False).loc[name]
    column = column or name
    if row["kind"] == "number":
        return _number(row, value, column)
    if row["kind"] == "nutrients":
        return _nutrients(name, value, column)
    words = fact_words(name)
    texts = [plain(v) for v in value] if isinstance(value, list | tuple | set) else _pieces(value, words)
    known = [words.get(text) or _inside(text, words) for text in texts]
    settled = tuple(dict.fromkeys(filter(None, known)))
    one = row["kind"] == "words" or len(settled) == 1
    if None in known or not one or not settled:
        own = ", ".join(dict.fromkeys(words.values()))
        what = "several words instead of one" if settled and not one else "unknown word"
        return Problem(f"{row['asks']}: {what}", f"write one of: {own}", column=column, value=value)
    return settled


def _pieces(value, words):
    text = plain(str(value))[:_LONGEST].strip(" .")
    return [text] if text in words else [piece for piece in _BETWEEN.split(text) if piece]


def _inside(text, words):
    """The one word a longer note speaks of; a note that denies something is left to its writer."""
    if _DENIED.search(text):
        return None
    said = {word for spelling, word in words.items()
            if len(spelling) > 3 and re.search(rf"(?<!\w){re.escape(spelling)}(?!\w)", text)}  # fmt: skip
    return said.pop() if len(said) == 1 else None


def _number(row, value, column):
    text = str(value).strip()
    number = float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else np.nan
    if row["low"] <= number <= row["high"]:
        return number
    remedy = f"give a number from {row['low']:g} to {row['high']:g}"
    return Problem(f"{row['asks']}: no such value", remedy, column=column, value=value)


def _nutrients(name, value, column):
    known = fact_words(name) | {plain(nutrient): nutrient for nutrient in NUTRIENTS}
    pieces = value if isinstance(value, list | tuple | set) else re.split(r"[\s,;/&+]+", str(value).strip())
    settled = tuple(dict.fromkeys(known.get(plain(piece)) for piece in pieces))
    if None in settled and not _DENIED.search(plain(str(value))):  # 'foliar Mn and Zn 5 days ago'
        settled = tuple(dict.fromkeys(p for p in pieces if p in NUTRIENTS)) or settled
    if None in settled or not settled:
        remedy = "write the nutrients (Zn Mn), yes or no"
        return Problem("Sprayed: unknown nutrient", remedy, column=column, value=value)
    return settled
