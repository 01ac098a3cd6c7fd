"""Read the bundled publications, or a table of the user's own, through one checked door."""

import csv
import re
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from pathlib import Path

import pandas as pd

from fertkit.asked import a_path, a_text, a_word, asks, lines
from fertkit.errors import InputError, LookupFailed, Problem, unknown
from fertkit.reference.crops import crop_name, like_a_known_crop
from fertkit.reference.facts import load_sheet
from fertkit.reference.nutrients import load_nutrients
from fertkit.reference.schema import check_table, columns_of, table_of
from fertkit.reference.text_tables import read_text_table
from fertkit.results import records
from fertkit.rounding import below
from fertkit.units import convert_concentration

#: Keys that name no publication.
_UNPUBLISHED = {"MEMO", "COMMON_PRACTICE"}


@cache
def _bundled(kind: str) -> pd.DataFrame:
    """Give the publications of one kind as one table; that they keep its schema is asked by the tests."""
    home = files("fertkit.reference") / kind
    sheets = sorted(home.iterdir(), key=lambda f: f.name) if home.is_dir() else []
    rows = []
    for sheet in [f for f in sheets if f.name.endswith(".csv")] or [home.with_name(f"{kind}.csv")]:
        with sheet.open(encoding="utf-8", newline="") as handle:
            rows += csv.DictReader(handle)
    return table_of(rows, kind)


@asks(path=a_path)
def load_table(kind: str, path=None, *, source: str | None = None, crop: str | None = None) -> pd.DataFrame:
    """Load one kind of reference table: the bundled publications, or the user's own file.

    Parameters
    ----------
    kind : str
        ranges, removal, uptake, timing, soil_tests, products, dilution, dris_norms, cnd_norms, yields or
        constants.
    path : path, optional
        A CSV, XLSX or ODS file of the same columns (``reference/schema.csv``); the bundled rows if None.
    source : str, optional
        Keep the rows of one source key.
    crop : str, optional
        Keep the rows of one crop.

    Returns
    -------
    DataFrame
        One row per published value, with source_key, provenance and confidence. The index of a user's own
        file counts its lines: row 2 of the file is 0.

    Raises
    ------
    InputError
        If the user's file breaks the schema (all problems at once).
    LookupFailed
        If no row has that source or crop; lists those that have.

    Examples
    --------
    Potash that leaves with a bushel of soybeans (MSU2017 prints 56 lb for 40 bushels):

    >>> from fertkit.reference import load_table
    >>> table = load_table("removal", crop="soybean", source="MSU2017")
    >>> table.loc[table.nutrient == "K2O", ["value", "unit"]].values.tolist()
    [[1.4, 'lb/bu']]
    """
    columns_of(kind)  # refuses a kind that is not known
    own = None if path is None else check_table(read_text_table(path), kind, Path(path).name)
    table = _bundled(kind).copy() if own is None else own
    for column, wanted in (("source_key", source), ("crop", crop)):
        if wanted is None:
            continue
        if not (table[column] == wanted).any():
            which = f"{column.removesuffix('_key')} in the {kind} table"
            raise unknown(which, wanted, table[column].unique())
        table = table[table[column] == wanted]
    return table.reset_index(drop=True) if path is None else table


@cache
def constants(group: str = "") -> pd.DataFrame:
    """Give the table of constants by item, or one group of it; it is shared: do not change it in place."""
    table = load_table("constants")
    return table[table["group"].eq(group) | (group == "")].set_index("item")


@asks(path=a_path, source=a_word, crop=a_word)
def load_ranges(path=None, *, source=None, crop=None) -> pd.DataFrame:
    """Load sufficiency ranges and critical levels of plant tissue; see `load_table`.

    Every state and laboratory has its own: ``load_ranges("mine.csv")`` reads a table of the user's with the
    columns crop, stage_from, stage_to, plant_part, nutrient, unit and low/high and/or critical. Commas,
    semicolons or tabs between the cells, decimal commas and units such as ppm or mg/g are read as well.
    Stages and plant parts are checked when samples are scored.

    Examples
    --------
    Critical levels of leaf potassium in soybean at V5 and R2 (STAMMER2018):

    >>> from fertkit.reference import load_ranges
    >>> ranges = load_ranges(crop="soybean", source="STAMMER2018")
    >>> ranges.loc[ranges.nutrient == "K", ["stage_from", "critical", "unit", "provenance"]].values.tolist()
    [['V5', 1.89, '%', 'found'], ['R2', 1.56, '%', 'found']]
    """
    table = load_table("ranges", path, source=source, crop=crop)
    if path is not None:
        problems = list(impossible_rows(table))
        if problems:
            raise InputError(Path(path).name, problems)
    return table


LIMITS = ("low", "high", "critical", "critical_high")
UNIT_REMEDY = "check the unit: %, g/kg or mg/kg"
#: A limit so many times below the usual span of leaves is a slip of the unit (% for mg/kg is 10,000 times).
UNIT_SLIP = 100


def impossible_rows(table):
    """Rows of a user's own ranges that no plant can hold, or in another unit, or of a crop not known."""
    windows = load_nutrients().dropna(subset="impossible_above").set_index("nutrient")
    for row in records(table[table["unit"] != "ratio"]):
        try:
            crop_name(row.crop)
        except LookupFailed as error:  # a new crop, unless it looks like a slip of a known name
            if like_a_known_crop(row.crop):
                remedy = "use that name, or leave the row out"
                yield Problem(str(error), remedy, row.Index + 2, "crop", row.crop)
        if row.nutrient not in windows.index:
            continue
        limit, unit = windows.loc[row.nutrient, ["impossible_above", "unit"]]
        for column in LIMITS:
            value = float(getattr(row, column))  # of a number of numpy's, an overflow warns
            if convert_concentration(value, row.unit, unit) > limit:
                what = f"no dry matter holds {value:g} {row.unit} of {row.nutrient}"
                yield Problem(what, UNIT_REMEDY, row.Index + 2, column, f"{value:g}")
        most = float(pd.Series([getattr(row, name) for name in LIMITS]).max())
        if below(convert_concentration(most, row.unit, unit) * UNIT_SLIP, windows.loc[row.nutrient, "low"]):
            what = f"{most:g} {row.unit} of {row.nutrient} is far below what leaves hold"
            yield Problem(what, UNIT_REMEDY, row.Index + 2, "unit", row.unit)


def load_cautions(crop: str = "") -> pd.DataFrame:
    """Load what can hurt people, crops or water: cautions for every crop and, if one is named, its own.

    A market class has the cautions of its base crop: name that.
    """
    table = load_table("cautions")
    return table[table["crop"].str.split(";").map(lambda names: not {crop, ""}.isdisjoint(names))]


@asks(keys=lines)
def list_sources(keys=None) -> pd.DataFrame:
    """List the publications behind the bundled numbers.

    Parameters
    ----------
    keys : iterable of str, optional
        Only these source keys, in this order; keys may be joined by ``;``. A key that is not bundled (a
        user's own table) is listed as such.

    Returns
    -------
    DataFrame
        source_key, name (of author or publisher, and year), citation, address, obtained (found,
        from_memory, ...), note.

    Examples
    --------
    >>> from fertkit.reference import list_sources
    >>> list_sources(["BENDER2015", "KSU_SOY"])["obtained"].tolist()
    ['found', 'partly from_memory']
    """
    table = load_sheet("sources")
    if keys is None:
        return table.copy()
    wanted = list(dict.fromkeys(part for key in keys for part in str(key).split(";") if part))
    places = _places_of_sources()
    if all(key in places for key in wanted):
        return table.iloc[[places[key] for key in wanted]].reset_index(drop=True)
    own = [k for k in wanted if k not in places]
    extra = pd.DataFrame({"source_key": own, "name": own, "citation": "the user's own table"})
    extra[["address", "obtained", "note"]] = ""
    both = pd.concat([table, extra], ignore_index=True).set_index("source_key")
    return both.loc[wanted].reset_index()


@cache
def _places_of_sources() -> dict[str, int]:
    return {key: i for i, key in enumerate(load_sheet("sources")["source_key"])}


def method_keys(*methods: str) -> tuple[str, ...]:
    """Give the source keys of methods of analysis (``reference/methods.csv``), each once."""
    table = load_sheet("methods").set_index("method")["source_keys"]
    return tuple(dict.fromkeys(key for method in methods for key in table[method].split(";")))


def method_sources(*methods: str) -> pd.DataFrame:
    """List the publications behind methods of analysis; see `list_sources`."""
    return list_sources(method_keys(*methods))


_KEY = re.compile(r"\b[A-Z][A-Z0-9_]+\b")
#: Before a key that is part of a name, as in "Nebraska EC117".
PART_OF_A_NAME = re.compile(r"[A-Z][a-z]+ $")


def short_names(text: str) -> str:
    """Write a text for readers: each source key in it as author or publisher, BENDER2015 as Bender 2015."""
    names = _short_names()

    def name(hit):
        within = PART_OF_A_NAME.search(text, 0, hit.start())
        return hit[0] if within else names.get(hit[0], hit[0])

    return _KEY.sub(name, text)


@cache
def _short_names() -> dict[str, str]:
    sources = load_sheet("sources")
    return dict(zip(sources["source_key"], sources["name"], strict=True))


def read_or_remembered(what: str, memory: Iterable[str] = ()) -> tuple[str, str]:
    """Say that every `what` was read in its source, or that those of some source keys are from memory."""
    named = ", ".join(key for key in memory if key not in _UNPUBLISHED)
    return (
        f"every {what} was read in its source",
        f"{what}s{' of ' * bool(named)}{named} are from memory: check before use",
    )


def keys_within(text: str) -> frozenset[str]:
    """Give the bundled source keys that a text names."""
    return frozenset(_KEY.findall(text)).intersection(_places_of_sources())


@asks(key=a_text)
def cite(key: str) -> str:
    """Give the full citation of one source key, or of several joined by ``;``.

    Examples
    --------
    >>> from fertkit.reference import cite
    >>> cite("BENDER2015")[:45]
    'Bender RR, Haegele JW, Below FE. 2015. Nutrie'
    """
    places = _places_of_sources()
    parts = (part.strip() for part in key.split(";"))
    rows = list_sources([part.upper() if part.upper() in places else part for part in parts])
    return "; ".join(" ".join(filter(None, [r.citation, r.address])) for r in records(rows))
