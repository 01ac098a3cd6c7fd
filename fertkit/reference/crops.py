"""Names, bushel weights and trade moistures of crops, and the order of their growth stages."""

import re
import unicodedata
from difflib import get_close_matches
from functools import cache, lru_cache

import pandas as pd

from fertkit.asked import a_text, asks, lines
from fertkit.errors import LookupFailed, UnitError, typed, unknown
from fertkit.reference.facts import load_sheet
from fertkit.results import records

#: Words by which tables of soil tests name crops together; None for all.
TOGETHER = {
    "corn and soybean": ("corn", "soybean"),
    "cereals": ("wheat", "barley", "oats", "rye"),
    **dict.fromkeys(("general", "all", "row crops")),
}


@cache
def _crops() -> pd.DataFrame:
    return load_sheet("crops", ("bushel_lb", "trade_moisture_pct")).set_index("crop", drop=False)


@cache
def _names() -> dict[str, str]:
    table = _crops()
    names = {_key(alias): row.crop for row in records(table) for alias in row.aliases.split(";") if alias}
    return names | {crop: crop for crop in table["crop"]}


def _key(text) -> str:
    """A crop's name without capitals, accents, hyphens and spare blanks."""
    letters = unicodedata.normalize("NFKD", str(text).replace("_", " ").replace("-", " ").casefold())
    return " ".join("".join(c for c in letters if not unicodedata.combining(c)).split())


def load_crops() -> pd.DataFrame:
    """List the crops: bushel weight [lb/bu], trade moisture [% wet basis], sources, other names.

    Examples
    --------
    >>> from fertkit.reference import load_crops
    >>> load_crops().set_index("crop").loc["corn", ["bushel_lb", "trade_moisture_pct"]].tolist()
    [56.0, 15.5]
    """
    return _crops().reset_index(drop=True)


@asks(text=a_text)
def crop_name(text: str) -> str:
    """Give fertkit's name of a crop for what a user or a file calls it (Maize, Maíz, Körnermais -> corn).

    Raises
    ------
    LookupFailed
        If the crop is not known; lists the crops.

    Examples
    --------
    >>> from fertkit.reference.crops import crop_name
    >>> crop_name("Soybeans"), crop_name("maize")
    ('soybean', 'corn')
    """
    found = _found(str(text), "trait")
    if not found and (cut := _found(str(text), "use")):
        what = f"'{text}' is {cut} harvested another way, which removes another amount"
        remedy = f"ask for the crop {cut} and its harvested part, such as silage"
        raise LookupFailed(what, typed("--part silage", "part='silage'"), remedy=remedy)
    if not found:
        raise unknown("crop", text, _crops()["crop"])
    return found


def leaf_crop(text: str) -> str:
    """Give the crop whose leaf a text names, whatever is harvested of it (silage corn -> corn); '' if none.

    Not for yields and removal: a crop cut for silage takes more away than its grain.

    Examples
    --------
    >>> from fertkit.reference.crops import leaf_crop
    >>> leaf_crop("Corn silage"), leaf_crop("Wheat, winter"), leaf_crop("Sweet corn")
    ('corn', 'winter wheat', '')
    """
    return _found(str(text), "trait") or _found(str(text), "use")


def other_crop(text: str) -> str:
    """Why a text names another crop than one of the table it sounds like; '' if it names none.

    Examples
    --------
    >>> from fertkit.reference.crops import other_crop
    >>> other_crop("sweet corn")
    'not field corn'
    """
    words = name_words(text)
    if leaf_crop(text) or not words:
        return ""
    found = [meaning for mine, meaning in _others() if mine <= words]
    return found[0] if found else ""


def crops_named_in(text: str) -> list[str]:
    """Crops a text that is no crop's name holds the name of ('corn after soybean' -> corn, soybean)."""
    words = name_words(text)
    return sorted({base_crop(crop) for alias, crop in _alias_words() if alias <= words})


@lru_cache(maxsize=20_000)
def _found(text, kind):
    """The crop whose name a text holds, with nothing beside it but words that do not change the crop."""
    key = _key(text)
    if key in _names():
        return _names()[key]
    words = name_words(text)
    if len(words) > 12:
        return ""
    fits = {}
    for alias, crop in _alias_words():
        if alias <= words and words - alias <= _harmless(crop, kind):
            fits[crop] = max(fits.get(crop, 0), len(alias))
    best = [crop for crop, length in fits.items() if length == max(fits.values())]
    return best[0] if len(best) == 1 else ""


def name_words(text) -> frozenset[str]:
    """Words of a name in any order, in the singular: 'Beans, soy' is 'soy bean'."""
    words = (re.sub("oes$", "o", word) for word in re.findall(r"[^\W_]+", _key(text)))
    return frozenset(w[:-1] if len(w) > 3 and w.endswith("s") and not w.endswith("ss") else w for w in words)


@cache
def _alias_words():
    return [(name_words(name), crop) for name, crop in _names().items()]


@cache
def _harmless(crop, kind):
    """Words that may stand beside a crop's name, its other names among them; uses only where asked for."""
    table = load_sheet("crop_words")
    mine = table[table["crop"].isin(["", crop]) & table["kind"].isin(["trait", kind])]
    names = (words for words, named in _alias_words() if named == crop)
    return frozenset().union(*map(name_words, mine["words"]), *names)


def case_named(text: str, crop: str) -> str:
    """Give the case of a soil-test system that the name of a crop says; '' if it says none.

    Examples
    --------
    >>> from fertkit.reference.crops import case_named
    >>> case_named("winter oilseed rape", "canola"), case_named("rape", "canola")
    ('winter rape', '')
    """
    table = load_sheet("crop_words")
    mine = records(table[(table["kind"] == "case") & (table["crop"] == crop)])
    return next((r.meaning for r in mine if name_words(text) & name_words(r.words)), "")


@cache
def _others():
    table = load_sheet("crop_words")
    table = table[table["kind"] == "other"]
    return [(name_words(name), r.meaning) for r in records(table) for name in r.words.split(";")]


@asks(names=lines)
def unknown_crops(names) -> list[str]:
    """Those of several crop names that are not known, each once; blank ones count as not stated.

    Examples
    --------
    >>> from fertkit.reference.crops import unknown_crops
    >>> unknown_crops(["soybean", "moonwheat", "moonwheat", ""])
    ['moonwheat']
    """

    def known(name):
        try:
            return bool(crop_name(name))
        except LookupFailed:
            return False

    return [name for name in dict.fromkeys(names) if name and not known(name)]


@lru_cache(maxsize=20_000)
def is_known(crop: str) -> bool:
    """Whether the kit knows a crop; another may stand in a user's own tables."""
    return not unknown_crops([crop])


def related_crops(crop: str) -> list[str]:
    """Crops whose rows speak of a crop: itself, its base crop, or all its market classes (wheat)."""
    if not is_known(crop):
        return [crop]
    name = crop_name(crop)
    if name != base_crop(name):
        return [name, base_crop(name)]
    return [name, *(c for c in load_crops()["crop"] if c != name and base_crop(c) == name)]


def like_a_known_crop(name: str) -> bool:
    """Whether a name that is not known looks like a slip of one that is (soybaen)."""
    return bool(get_close_matches(_key(name), _names(), 1, 0.8))


@asks(crop=a_text)
def base_crop(crop: str) -> str:
    """Give the crop a market class belongs to (winter wheat -> wheat); other crops are their own.

    Examples
    --------
    >>> from fertkit.reference.crops import base_crop
    >>> base_crop("winter wheat")
    'wheat'
    """
    name = crop_name(crop)
    for base in ("wheat", "rye"):
        if name.endswith(" " + base) or name == base or (name == "cereal rye" and base == "rye"):
            return base
    return name


@asks(crop=a_text)
def bushel_lb(crop: str) -> float:
    """Trade weight of a bushel of a crop [lb/bu].

    Raises
    ------
    UnitError
        If the crop is not traded by the bushel.

    Examples
    --------
    >>> from fertkit.reference.crops import bushel_lb
    >>> bushel_lb("corn"), bushel_lb("soybean")
    (56.0, 60.0)
    """
    return _constant(crop, "bushel_lb", "is not traded by the bushel; give the yield by weight")


@asks(crop=a_text)
def sold_by_weight(crop: str) -> bool:
    """Tell whether yields of a crop are reported by weight although a bushel of it is known (rice).

    Examples
    --------
    >>> from fertkit.reference.crops import sold_by_weight
    >>> sold_by_weight("rice"), sold_by_weight("corn")
    (True, False)
    """
    return bool(_crops().loc[crop_name(crop), "by_weight_source_key"])


@asks(crop=a_text)
def trade_moisture_pct(crop: str) -> float:
    """Standard moisture at which a crop is traded [% wet basis].

    Raises
    ------
    UnitError
        If the table has none for the crop.

    Examples
    --------
    >>> from fertkit.reference.crops import trade_moisture_pct
    >>> trade_moisture_pct("corn"), trade_moisture_pct("soybean")
    (15.5, 13.0)
    """
    return _constant(
        crop, "trade_moisture_pct", "has no trade moisture in the table; give the standard moisture"
    )


@asks(crop=a_text)
def nitrogen_note(crop: str) -> str:
    """What to know before reading a crop's nitrogen as a need, marked with its source; '' for most crops.

    Examples
    --------
    >>> from fertkit.reference.crops import nitrogen_note
    >>> "not a fertilizer requirement" in nitrogen_note("soybean"), nitrogen_note("corn")
    (True, '')
    """
    row = _crops().loc[crop_name(crop)]
    mark = "from memory" if row["nitrogen_source_key"] == "MEMO" else row["nitrogen_source_key"]
    return f"{row['nitrogen_note']} ({mark})" if row["nitrogen_note"] else ""


def _constant(crop, column, complaint):
    name = crop_name(crop)
    value = _crops().loc[name, column]
    if pd.isna(value):
        raise UnitError(f"{name} {complaint}")
    return float(value)


def load_stages() -> pd.DataFrame:
    """List growth stages in order: crop, scale (V/R, Feekes, BBCH), code, name, BBCH equivalent, sources.

    Examples
    --------
    >>> from fertkit.reference import load_stages
    >>> stages = load_stages()
    >>> stages.loc[stages.crop == "corn", "code"].iloc[-1]
    'R6'
    """
    return load_sheet("stages").astype({"order": int})
