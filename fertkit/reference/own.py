"""A user's own tables: what kind each is, what its names mean, and the bundled rows and the own ones as one.

The kind of a table is told by its columns (``schema.csv``); its crops, parts and nutrients are put in the
kit's names, and what cannot be read is refused by row. Rows keep the file and line they come from.
"""

import unicodedata
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from fertkit.asked import a_table_or_path, each_of, either, holding
from fertkit.errors import InputError, Problem, one_of
from fertkit.reference.crops import (
    TOGETHER,
    crop_name,
    is_known,
    like_a_known_crop,
    name_words,
    related_crops,
)
from fertkit.reference.load import impossible_rows, list_sources, load_table
from fertkit.reference.nutrients import NUTRIENT_ORDER, NUTRIENTS, OXIDE_OF, nutrient_words
from fertkit.reference.schema import check_table, columns_of
from fertkit.reference.text_tables import read_text_table
from fertkit.results import records

#: Kinds of tables that may be a user's own.
KINDS = ("removal", "uptake", "timing", "stage_scale", "soil_tests", "soil_systems", "soil_rates", "ranges",
         "nutrients")  # fmt: skip
OWN = "own table"  # provenance of their rows
#: Units that need a bushel, a bale or a trade moisture.
BY_CROP = ("lb/bu", "g/kg", "lb/bale", "bu/ac", "bale/ac")
WEIGHTS = "give weights of what is sold: amounts in kg/Mg, lb/ton or lb/cwt, yields in Mg/ha or cwt/ac"
#: Words for a harvested part; a crop has the first of a line that its bundled rows have, else the very first.
PART_WORDS = (
    ("grain", "grains", "seed", "seeds", "bean", "beans", "kernel", "kernels"),
    ("straw", "stover", "stalk", "stalks"),
    ("grain plus straw", "grain and straw"),
    ("lint plus seed", "lint and seed"),
    ("root", "roots", "beet", "beets"),
    ("tuber", "tubers"),
    ("hay",),
    ("silage",),
)
#: Columns that say what a row is about; two rows alike in them say the same thing twice. Ranges may overlap:
#: they are compared where samples are scored.
ABOUT = {
    "removal": ("crop", "harvested_part", "nutrient", "source_key"),
    "uptake": ("crop", "measure", "nutrient", "source_key", "yield_amount", "yield_unit"),
    "timing": ("crop", "kind", "nutrient", "source_key", "stage", "days"),
    "stage_scale": ("crop", "stage"),
    "soil_tests": ("system", "crop", "nutrient", "extractant", "depth_in", "case", "parameter"),
    "soil_systems": ("system",),
    "soil_rates": ("system", "crop", "nutrient", "extractant", "case", "parameter", "test_from"),
    "nutrients": ("nutrient",),
}
#: What a blank cell stands for: another column, or a word.
BLANKS = {
    "soil_systems": {"title": "system", "thresholds": "system", "policy": "sufficiency"},
    "soil_tests": {"status": "current"}, "timing": {"days_from": "emergence"},
}  # fmt: skip
#: Where a cell may name several nutrients, what stands between them.
BETWEEN = {"timing": ",", "soil_rates": ";"}


@dataclass(frozen=True, eq=False)
class OwnTables:
    """Tables of a user's own by kind, checked; each row has the file and line it comes from."""

    frames: dict[str, pd.DataFrame] = field(default_factory=dict)
    left_out: frozenset[str] = frozenset()

    def __bool__(self):
        return bool(self.frames)

    def rows(self, kind: str) -> pd.DataFrame:
        """The own rows of a kind of table; none where there is no such table."""
        if kind in self.frames:
            return self.frames[kind]
        return pd.DataFrame(columns=[*(c.name for c in columns_of(kind)), *PLACE])

    def table(self, kind: str) -> pd.DataFrame:
        """The bundled rows of a kind of table, and the own ones below them; none of a source left out."""
        table = load_table(kind)
        if kind in self.frames:
            table = pd.concat([table, self.frames[kind]], ignore_index=True)
        return table[~table["source_key"].isin(self.left_out)] if self.left_out else table

    def without(self, keys) -> "OwnTables":
        """Leave sources out, bundled ones too."""
        return replace(self, left_out=self.left_out.union(keys)) if keys else self

    @cached_property
    def keys(self) -> frozenset[str]:
        """Source keys of the own rows; they lead."""
        return frozenset(key for rows in self.frames.values() for key in rows["source_key"])

    @property
    def nutrients(self) -> list[str]:
        """Nutrients that the user's own tables bring."""
        return self.frames["nutrients"]["nutrient"].tolist() if "nutrients" in self.frames else []

    def crop_name(self, crop: str) -> str:
        """Give fertkit's name of a crop, or that of these tables, in any case and also in the plural.

        Raises
        ------
        LookupFailed
            If neither knows it.
        """
        crops = (name for rows in self.frames.values() if "crop" in rows for name in rows["crop"])
        listed = {name_words(name): name for name in crops if name and name not in TOGETHER}
        return crop_name(crop) if is_known(crop) else listed.get(name_words(crop)) or crop_name(crop)


PLACE = ["file", "line"]
NO_TABLES = OwnTables()
_already = holding("frames", of="read_own")
#: Tables of a user's own: one or several, each a path or a DataFrame.
own_tables = either(_already, a_table_or_path, each_of(a_table_or_path))


def read_own(tables) -> OwnTables:
    """Read a user's own tables, also of crops, stages, parts and nutrients the kit has never seen.

    Parameters
    ----------
    tables : path, DataFrame, list of them, OwnTables or None
        With the columns of one kind of `KINDS` each.

    Raises
    ------
    InputError
        With every problem of a table: columns of no kind, a crop, part or nutrient that cannot be read, a row
        given twice, a key of a bundled source; of a crop the kit does not know, amounts and yields are by
        weight.
    """
    if isinstance(tables, OwnTables) or tables is None:
        return tables or NO_TABLES
    raw = [_opened(table) for table in (tables if isinstance(tables, list) else [tables])]
    extra, names, seen, rows = {}, {}, {}, {}  # extra: word -> nutrient the tables bring
    for kind, name, frame in sorted(raw, key=lambda one: one[0] != "nutrients"):
        frame = check_table(frame, kind, name, set(extra.values())).assign(provenance=OWN)
        problems = [
            *(impossible_rows(frame) if kind == "ranges" else _crop_problems(frame, kind, names)),
            *_part_problems(frame), *_key_problems(frame),
            *_nutrient_problems(frame, kind, extra), *_weight_problems(frame, kind),
            *_repeats(frame, kind, name, seen),
        ]  # fmt: skip
        if problems:
            raise InputError(name, sorted(problems, key=lambda p: p.row))
        if kind == "nutrients":
            for row in records(frame):
                extra |= dict.fromkeys(map(_word, [row.nutrient, *row.also.split("|")]), row.nutrient)
        for column, other in BLANKS.get(kind, {}).items():
            frame[column] = frame[column].mask(frame[column] == "", frame.get(other, other))
        frame = frame.assign(file=name, line=frame.index + 2)
        rows[kind] = pd.concat([rows[kind], frame], ignore_index=True) if kind in rows else frame
    return OwnTables({kind: frame.reset_index(drop=True) for kind, frame in rows.items()})


def _opened(table):
    """Kind, name and cells of a table."""
    given = isinstance(table, pd.DataFrame)
    frame = table.reset_index(drop=True).astype(object) if given else read_text_table(table)
    kind = _kind_of(frame, "own tables" if given else Path(table).name)
    return kind, f"own {kind}" if given else Path(table).name, frame


def _kind_of(frame, name):
    """The kind of table whose columns these are, more or less: its check says what is amiss."""
    given = {str(column).strip() for column in frame}
    fits = {}
    for kind in KINDS:
        known = {column.name for column in columns_of(kind)[:-4]}
        needed = {column.name for column in columns_of(kind)[:-4] if column.required}
        fits[kind] = len(known & given) - len(needed - given)
    best = max(fits, key=fits.get)
    if fits[best] < 1:
        remedy = "name them as in one of the tables: " + "; ".join(
            f"{kind} ({', '.join(c.name for c in columns_of(kind) if c.required and c.name != 'source_key')})"
            for kind in KINDS
        )
        raise InputError(name, [Problem("the columns are of no kind of table", remedy)])
    return best


def _crop_problems(frame, kind, names):
    """Put crops in the kit's names; one that is much like a known name is a problem."""
    if "crop" not in frame:
        return
    together = (*TOGETHER, "") if kind.startswith("soil") else ()
    for i, text in frame["crop"].items():
        if text in together:
            continue
        if is_known(text):
            frame.loc[i, "crop"] = crop_name(text)
        elif like_a_known_crop(text):
            remedy = "write the crop as the kit names it, or leave the row out"
            yield Problem("much like a crop the kit knows, and not it", remedy, i + 2, "crop", text)
        else:
            frame.loc[i, "crop"] = names.setdefault(name_words(text), text)


def _part_problems(frame):
    """Put harvested parts in the kit's names; what cannot be read is a problem."""
    if "harvested_part" not in frame:
        return
    grown = set(frame["crop"][frame["harvested_part"].map(lambda text: _word(text) in PART_WORDS[0])])
    for i, text in frame["harvested_part"].items():
        crop = frame["crop"][i]
        if _word(text) in ("stalk", "stalks") and not is_known(crop) and crop not in grown:
            frame.loc[i, "harvested_part"] = "stalk"  # what is sold of it: cane has no grain
            continue
        frame.loc[i, "harvested_part"], known = _part(crop, text)
        if known:
            yield Problem("not read", one_of(known), i + 2, "harvested_part", text)


def _part(crop, text):
    """The kit's name of a harvested part; the names there are if it is none of a crop the kit knows."""
    key = " ".join(text.casefold().split())
    table = load_table("removal")
    carried = set(table.loc[table["crop"].isin(related_crops(crop)), "harvested_part"])
    for names in PART_WORDS:
        if key in names:
            named = next((name for name in names if name in carried), names[0])
            if named == "grain" and carried and "grain" not in carried:
                break  # a crop of which no grain is sold
            return named, ()
    else:
        if not is_known(crop):
            return key, ()
    return text, sorted(carried) if key in PART_WORDS[0] else [names[0] for names in PART_WORDS]


def _nutrient_problems(frame, kind, extra):
    """Put nutrients in the kit's names; what cannot be read, and an oxide of a soil test, is a problem."""
    if kind == "nutrients":
        for name in frame.columns.difference(
            ["nutrient", "also", "source_key", "provenance", "confidence", "note"]
        ):
            for i in frame.index[frame[name].notna() & (frame[name] != "")]:
                what = "not read of a nutrient of your own"
                yield Problem(what, "leave it blank", i + 2, name, frame[name][i])
    if "nutrient" not in frame or kind in ("ranges", "nutrients"):
        return
    allowed = NUTRIENTS if kind.startswith("soil") else (*NUTRIENT_ORDER, *OXIDE_OF)
    allowed += ("dry matter",) if kind == "uptake" else ()
    known = {_word(name): name for name in allowed} | extra
    words = nutrient_words(False) | nutrient_words(True)
    for i, text in frame["nutrient"].items():
        found = []
        for word in text.split(BETWEEN[kind]) if kind in BETWEEN else [text]:
            name = known.get(_word(words.get(_word(word), word)))
            if name is None:
                remedy = one_of(dict.fromkeys(known.values()))
                yield Problem("not read", remedy, i + 2, "nutrient", text)
                break
            found.append(name)
        frame.loc[i, "nutrient"] = BETWEEN.get(kind, "").join(found)


def _word(text):
    return unicodedata.normalize("NFKC", text).strip().casefold()


def _key_problems(frame):
    bundled = {key.casefold() for key in list_sources()["source_key"]}
    remedy = "write a name of your own, such as MINE"
    for i, key in frame["source_key"].items():
        if key.casefold() in bundled:
            yield Problem(
                "the key of a bundled source in a table of your own", remedy, i + 2, "source_key", key
            )


def _weight_problems(frame, kind):
    if kind not in ("removal", "uptake"):
        return
    by_crop = frame["unit" if kind == "removal" else "yield_unit"].isin(BY_CROP)
    if kind == "uptake":
        by_crop |= frame["yield_basis"] == "dry"
    for i in frame.index[by_crop & ~frame["crop"].map(is_known).astype(bool)]:
        what = "no bushel and no trade moisture is known of it"
        yield Problem(what, WEIGHTS, i + 2, "crop", frame["crop"][i])


def _repeats(frame, kind, name, seen):
    """Rows that say again what another says, which would stay unread."""
    if kind not in ABOUT:
        return
    keys = frame.assign(nutrient=frame["nutrient"].replace(OXIDE_OF)) if "nutrient" in frame else frame
    for i, key in enumerate(keys[list(ABOUT[kind])].itertuples(index=False)):
        before = seen.setdefault((kind, *map(str, key)), (name, frame.index[i] + 2))
        if before != (name, frame.index[i] + 2):
            first = f"row {before[1]}" + ("" if before[0] == name else f" of {before[0]}")
            column = next(c for c in ("nutrient", "stage", "system") if c in ABOUT[kind])
            yield Problem(f"says again what {first} says", "keep one of the two", frame.index[i] + 2, column,
                          frame[column][frame.index[i]])  # fmt: skip
