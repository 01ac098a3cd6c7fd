"""Names, bushel weights and trade moistures of crops, and the order of their growth stages."""

import unicodedata
from functools import cache
from importlib.resources import files

import pandas as pd

from fertkit.errors import LookupFailed, UnitError, unknown

_HOME = files("fertkit.reference")


@cache
def _crops() -> pd.DataFrame:
    with (_HOME / "crops.csv").open(encoding="utf-8") as handle:
        table = pd.read_csv(handle, dtype=str, keep_default_na=False)
    for column in ("bushel_lb", "trade_moisture_pct"):
        table[column] = pd.to_numeric(table[column])
    return table.set_index("crop", drop=False)


@cache
def _names() -> dict[str, str]:
    table = _crops()
    names = {_key(alias): row.crop for row in table.itertuples() for alias in row.aliases.split(";") if alias}
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


def crop_name(text: str) -> str:
    """Give fertkit's name of a crop for what a user or a file calls it (Maize, Maíz, Körnermais -> corn).

    Raises
    ------
    LookupFailed
        If the crop is not known; lists the crops.

    Examples
    --------
    >>> from fertkit.reference import crop_name
    >>> crop_name("Soybeans"), crop_name("maize")
    ('soybean', 'corn')
    """
    key = _key(text)
    if key not in _names():
        raise unknown("crop", text, _crops()["crop"])
    return _names()[key]


def unknown_crops(names) -> list[str]:
    """Those of several crop names that are not known, each once; blank ones count as not stated.

    Examples
    --------
    >>> from fertkit.reference import unknown_crops
    >>> unknown_crops(["soybean", "moonwheat", "moonwheat", ""])
    ['moonwheat']
    """

    def known(name):
        try:
            return bool(crop_name(name))
        except LookupFailed:
            return False

    return [name for name in dict.fromkeys(names) if name and not known(name)]


def base_crop(crop: str) -> str:
    """Give the crop a market class belongs to (winter wheat -> wheat); other crops are their own.

    Examples
    --------
    >>> from fertkit.reference import base_crop
    >>> base_crop("winter wheat")
    'wheat'
    """
    name = crop_name(crop)
    for base in ("wheat", "rye"):
        if name.endswith(" " + base) or name == base or (name == "cereal rye" and base == "rye"):
            return base
    return name


def bushel_lb(crop: str) -> float:
    """Trade weight of a bushel of a crop [lb/bu].

    Raises
    ------
    UnitError
        If the crop is not traded by the bushel.

    Examples
    --------
    >>> from fertkit.reference import bushel_lb
    >>> bushel_lb("corn"), bushel_lb("soybean")
    (56.0, 60.0)
    """
    return _constant(crop, "bushel_lb", "is not traded by the bushel; give the yield by weight")


def trade_moisture_pct(crop: str) -> float:
    """Standard moisture at which a crop is traded [% wet basis].

    Raises
    ------
    UnitError
        If the table has none for the crop.

    Examples
    --------
    >>> from fertkit.reference import trade_moisture_pct
    >>> trade_moisture_pct("corn"), trade_moisture_pct("soybean")
    (15.5, 13.0)
    """
    return _constant(
        crop, "trade_moisture_pct", "has no trade moisture in the table; give the standard moisture"
    )


def nitrogen_note(crop: str) -> str:
    """What to know before reading a crop's nitrogen as a need, marked with its source; '' for most crops.

    Examples
    --------
    >>> from fertkit.reference import nitrogen_note
    >>> nitrogen_note("soybean").split(":")[0], nitrogen_note("corn")
    ('a legume', '')
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


@cache
def _stages() -> pd.DataFrame:
    with (_HOME / "stages.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle, dtype=str, keep_default_na=False).astype({"order": int})


def load_stages() -> pd.DataFrame:
    """List growth stages in order: crop, scale (V/R, Feekes, BBCH), code, name, BBCH equivalent, sources.

    Examples
    --------
    >>> from fertkit.reference import load_stages
    >>> stages = load_stages()
    >>> stages.loc[stages.crop == "corn", "code"].iloc[-1]
    'R6'
    """
    return _stages().copy()
