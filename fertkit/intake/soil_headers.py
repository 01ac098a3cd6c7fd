"""What a header or a unit of a soil laboratory says: analyte, extractant, method, unit and depth."""

import re
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import product

from fertkit.intake.columns import role_said, roles_of
from fertkit.intake.headers import ELEMENT, Header
from fertkit.intake.spellings import number_like, plain, spaced, spellings
from fertkit.reference.load import load_table

#: Units that an analyte may be stated in, by its own unit.
AMOUNTS = ("ppm", "lb/ac", "kg/ha", "mg/l", "mg/100 g", "index")
UNITS = {"ppm": AMOUNTS, "%": ("%", "g/kg"), "meq/100 g": ("meq/100 g",), "dS/m": ("dS/m",), "": ()}
EQUIVALENTS = ("meq/100 g", "cmol/dm3", "mmol/dm3")  # of the bases, by mass or by volume of soil
BASES = ("K", "Ca", "Mg", "Na")  # of which a percentage is a share of the exchange capacity
_LONGEST = 100  # characters of a header
INCHES = {"in": 1.0, "ft": 12.0, "cm": 1 / 2.54}
_MARK = {'"': " in", "”": " in", "″": " in", "'": " ft", "′": " ft"}
_LENGTH = r"(?:\"|”|″|'|′|(?<![a-z])(?:inch(?:es)?|in|cm|ft|feet|foot)(?![a-z])\.?)"
_SPAN = re.compile(
    rf"(?P<top>\d+(?:[.,]\d+)?)\s*(?:{_LENGTH})?\s*(?:-|–|—|to|bis|a)\s*(?P<end>\d+(?:[.,]\d+)?)\s*(?P<unit>{_LENGTH})"
)
_GLUED = re.compile(r"(?<![a-z])([a-z]{1,2}|no3-?n|cec)(ppm|mg/kg|lbs?/ac?|%)(?![a-z])")
_INSIDE = re.compile(r"\b(lbs?|kg)\s+(n|p|k|s|p2o5|k2o|no3-?n)\s*/\s*(ac?|acre|ha)\b")  # lb N/A
_RATIO = re.compile(r"(?<![a-z0-9])1\s*:\s*\d(?:[.,]\d)?(?![a-z0-9])")


@dataclass(frozen=True)
class SoilHeader(Header):
    """Meaning of one header cell of a soil report.

    Attributes
    ----------
    extractant, method : str
    compound : str
        P2O5, K2O ... where the laboratory counts in oxides.
    span : tuple of float
        Top and end of the sampled layer [in], where the header tells.
    """

    extractant: str = ""
    method: str = ""
    compound: str = ""
    span: tuple = ()


_METHODS = {
    "P": ("ICP", "colorimetric"), "buffer_pH": ("SMP", "Sikora", "Woodruff", "Adams-Evans", "Mehlich"),
    "pH": ("CaCl2", "KCl"), "OM": ("loss on ignition", "Walkley-Black"),
}  # fmt: skip


@cache
def units_of(analyte: str) -> tuple[str, ...]:
    """Return the units an analyte may be stated in; the bases have equivalents, too."""
    return UNITS[analytes()[analyte]["unit"]] + (EQUIVALENTS if analyte in BASES else ())


# ---- words of the trade


def _key(text: str) -> str:
    """A phrase for comparing: plain, hyphens and marks as blanks."""
    return " ".join(
        re.sub(r"[-_,;:|(){}\[\]*#.&/\"]+(?!\d)|[-_,;:|(){}\[\]*#&/\"]+", " ", plain(text)).split()
    )


@cache
def _soil_words(kind: str) -> dict[str, str]:
    table = load_table("soil_words")
    rows = table[table["kind"] == kind]
    return {
        word: r.name
        for r in rows.itertuples()
        for word in (plain(r.name), *map(plain, r.also.split(";")))
        if word
    }


@cache
def serves(extractant: str) -> tuple[str, ...]:
    """Return the analytes that an extractant is used for; of an unknown one none."""
    table = load_table("soil_words")
    of = table.loc[(table["kind"] == "extractant") & (table["name"] == extractant), "of"]
    return tuple(of.iloc[0].split(";")) if len(of) else ()


@cache
def analytes() -> dict[str, dict]:
    """Return what is known of each analyte: unit, limits, valence, by its name."""
    return load_table("soil_analytes").set_index("analyte").to_dict("index")


@cache
def extractant_of(text: str) -> tuple[str, str]:
    """Return (extractant, method) for a word of the trade; ('', '') if it is none."""
    name = {_key(word): name for word, name in _soil_words("extractant").items()}.get(_key(text), "")
    return _parted(name)


def _parted(name):
    for method in ("ICP", "colorimetric"):
        if name.endswith(f" {method}"):
            return name.removesuffix(f" {method}"), method
    return name, ""


@cache
def soil_unit(text: str) -> str:
    """Return fertkit's spelling of a unit of soil tests (``lbs/A`` -> ``lb/ac``); '' if it is none."""
    words = plain(text).strip(" ()[]{}.,;:")
    loose = {re.sub(r"[\s_]+", "", word): unit for word, unit in _soil_words("unit").items()}
    return loose.get(re.sub(r"[\s_]+", "", words.replace("_a", "/a") if "_" in words else words), "")


@cache
def _unit_pattern():
    words = sorted({w for w in _soil_words("unit") if w != "index"}, key=len, reverse=True)
    loose = [re.escape(w).replace(r"\ ", r"[\s_]*").replace("/", r"\s*[/_]\s*") for w in words]
    return re.compile(rf"(?<![a-z0-9/])(?:{'|'.join(loose)})(?![a-z0-9/])|%")


@cache
def _phrases() -> dict[tuple[str, ...], list[tuple[str, str]]]:
    """Every phrase in words -> what it may say, (kind, name)."""
    table: dict[tuple, list] = {}
    known = set(analytes())

    def add(text, kind, name):
        words = tuple(_key(text).split())
        if words and (kind, name) not in table.setdefault(words, []):
            table[words].append((kind, name))

    for kind in ("nutrient", "soil analyte"):
        for word, name in spellings(kind).items():
            if name in known and (kind, word) != ("nutrient", "mo"):
                add(word, "analyte", name)
    for word, name in spellings("oxide").items():
        add(word, "oxide", name)
    for word, name in _soil_words("extractant").items():
        add(word, "extractant", name)
    for kind in ("aside", "saturation", "recommendation", "method", "noise", "rating"):
        for word, name in spellings(f"soil {kind}").items():
            add(word, kind, name or word)
    for word in roles_of("leaf")["range"].words:
        add(word, "limit", word)
    return table


def _said(words: list[str]) -> list[list[tuple[str, str]]] | None:
    """What each phrase of a header may say, the longest first; None where a word is not known."""
    said, at = [], 0
    while at < len(words):
        for length in range(min(6, len(words) - at), 0, -1):
            if tuple(words[at : at + length]) in _phrases():
                said.append(_phrases()[tuple(words[at : at + length])])
                at += length
                break
        else:
            glued = _unglued(words[at])
            if glued is None:
                return None
            said += [_phrases()[(part,)] for part in glued]
            at += 1
    return said


@lru_cache(maxsize=5000)
def _unglued(word):
    """A word such as m3p, zndtpa as an extractant and an analyte; None if it is none."""
    for i in range(1, len(word)):
        first, second = (_phrases().get((part,), []) for part in (word[:i], word[i:]))
        kinds = {a[0] + b[0] for a, b in product(first, second)}
        if kinds & {"analyteextractant", "extractantanalyte"}:
            return word[:i], word[i:]
    return None


# ---- headers


@lru_cache(maxsize=50_000)
def read_soil_header(text: str) -> SoilHeader:
    """Read one header cell, e.g. ``Bray-1 P ppm`` -> P by Bray-P1 in ppm, ``B Depth`` -> role depth_from."""
    bare = re.sub(r"\s*[*†‡§]+\s*$", "", str(text))
    words = plain(bare).strip(" :;,.")
    if not words:
        return SoilHeader("blank")
    if len(words) > _LONGEST:
        return SoilHeader("unknown")
    for form in dict.fromkeys((words, plain(spaced(bare)).strip(" :;,."))):
        header = _role(form) or _test(form)
        if header:
            return header
    return SoilHeader("unknown")


def stated_under(header: SoilHeader, word: str) -> SoilHeader | None:
    """Return a header with the unit, extractant or method that stands right under it; None if none does."""
    if number_like(word):  # 'P' over '2' is no P2
        return None
    more = read_soil_header(f"{header.name} {word}")
    if header.kind == "role":
        return replace(header, unit=more.unit) if more.unit and more.name == header.name else None
    if (more.kind, more.name) != ("nutrient", header.name) or (more.complaint and not more.unit):
        return None
    own, new = (header.unit, header.extractant), (more.unit, more.extractant)
    if any(a and b and a != b for a, b in zip(own, new, strict=True)) or not any((*new, more.method)):
        return None
    unit, extractant = (a or b for a, b in zip(own, new, strict=True))
    return replace(header, unit=unit, extractant=extractant, method=header.method or more.method)


def _role(words):
    forms = words, re.sub(r"[\s_]+", " ", words)
    if role := role_said("soil", *forms) or role_said("leaf", *forms):
        return SoilHeader("role", role)
    measured = re.fullmatch(rf"(?P<name>.+?)[\s_,(\[]+(?P<unit>{_LENGTH})[)\]]?", words)
    if measured:
        role = _role(measured["name"])
        if role and role.name.startswith("depth"):
            return SoilHeader("role", role.name, length_unit(measured["unit"]))
    if soil_unit(words):
        return SoilHeader("unit", unit=soil_unit(words))
    value = _unit_pattern().search(words)
    if value and role_said("leaf", _key(words[: value.start()])) == "value" and value.end() >= len(words) - 1:
        return SoilHeader("role", "value", soil_unit(value[0]))
    return None


def _test(words):
    """A header that names a soil test; None if it does not."""
    span = _SPAN.search(words)
    inches = ()
    if span:
        inches = tuple(
            inch_of(float(span[end].replace(",", ".")), length_unit(span["unit"])) for end in ("top", "end")
        )
        words = words[: span.start()] + " " + words[span.end() :]
    words = _GLUED.sub(r"\1 \2", _INSIDE.sub(r"\1/\3 \2", _RATIO.sub(" ", words)))
    unit = _unit_pattern().search(words)
    stated = soil_unit(unit[0]) if unit else ""
    rest = _key(words[: unit.start()] + " " + words[unit.end() :] if unit else words).split()
    if not stated and "index" in rest and len(rest) > 1 and "buffer" not in rest:
        stated, rest = "index", [w for w in rest if w != "index"]
    said = _said(rest) if rest else None
    if said is None:
        return _foreign_unit(words, inches)
    return _meant(words, said, stated, inches)


def _foreign_unit(words, inches):
    """An analyte with a unit that is not known, in brackets or with a stroke; None if it is none."""
    hit = re.fullmatch(
        r"(?P<name>[^()\[\]]+?)[\s_,]*[(\[](?P<unit>[^()\[\]]+)[)\]]|(?P<bare>.+?)[\s,_]+(?P<rate>\S+/\S+)",
        words,
    )
    if not hit:
        return None
    said = _said(_key(hit["name"] or hit["bare"]).split())
    header = said and _meant(words, said, "", inches)
    if not header or not header.names_nutrient:
        return None
    return SoilHeader(header.kind, header.name, complaint=f"unknown unit '{hit['unit'] or hit['rate']}'")


def _meant(words, said, unit, span):
    """The header that phrases make together; None where they name no test."""
    kinds: dict[str, list] = {}
    for kind, name in dict.fromkeys(one for options in said for one in options):
        kinds.setdefault(kind, []).append(name)
    names, oxides = set(kinds.get("analyte", [])), set(kinds.get("oxide", []))
    extractants = kinds.get("extractant", [])
    if "OM" in names and _key(words).split()[:1] == ["mo"] and unit not in UNITS["%"]:
        names -= {"OM"}  # molybdenum, or organic matter in Spanish
        kinds["aside"] = ["mo"]
    if not names and not oxides and "aside" not in kinds:
        names = {a for e in extractants for a in serves(e)}
        names = names if len(names) == 1 else set()
        if names & {"NO3-N", "S"}:
            return SoilHeader("nutrient", *names, complaint="ion or element is not stated")
    names = {"buffer_pH"} if "buffer_pH" in names else names
    names -= {ELEMENT[oxide] for oxide in oxides}  # 'P lb P2O5/ac' counts in the oxide
    of = sorted(names | oxides)
    if "limit" in kinds and of:
        return SoilHeader("limit", of[0])
    if not of:
        return (
            SoilHeader("ratio", words, unit)
            if {"aside", "saturation", "recommendation"} & set(kinds)
            else None
        )
    cation = names <= {*BASES} and unit == "%"
    if len(of) > 1 or cation or {"saturation", "recommendation"} & set(kinds):
        return SoilHeader("ratio", words, unit)
    compound = next(iter(oxides), "")
    name = ELEMENT[compound] if compound else of[0]
    extractant, method = _extraction(name, words, extractants, kinds.get("method", []))
    if "rating" in kinds and not unit:
        return SoilHeader("rating", name, extractant=extractant)
    return SoilHeader("nutrient", name, unit, "", extractant, method, compound, span)


def _extraction(name, words, extractants, methods):
    """Extractant and method of an analyte; those that are not used for it are words of another kind."""
    own = [e for e in extractants if name in serves(e) and e not in ("sulfate", "nitrate", "chloride")]
    sulfate = name == "S" and re.search("so4|sul(?:f|ph)ate", words)
    default = {"NO3-N": "nitrate", "Cl": "chloride"}.get(name, "sulfate" if sulfate else "")
    extractant, method = _parted(own[-1] if own else default)
    method = method if name == "P" else ""
    said = spellings("soil method")
    methods = [*methods, *(said[word] for word in _key(words).split() if word in said)]
    methods = [m for m in methods if m in _METHODS.get(name, ())]
    return extractant, method or ("sulfate" if sulfate and own else next(iter(methods), ""))


# ---- depths


def length_unit(text: str) -> str:
    """Return in, ft or cm for a word or mark of a length."""
    word = _MARK.get(text, text).strip(" .")
    return spellings("length").get(word, word)


def inch_of(number: float, unit: str) -> float:
    """Bring a depth to inches; whole ones where 2.5 cm an inch gives them, as 15 cm for 6 in."""
    if unit == "cm" and (number / 2.5).is_integer():
        return number / 2.5
    return number * INCHES[unit]


@lru_cache(maxsize=5000)
def read_depth(text: str, unit: str = "") -> tuple[float, float] | str:
    """Read a sampled layer: ``0-6 in`` -> (0, 6) [in], a single number as from the surface; else why not."""
    words = plain(text).strip(" .")
    hit = re.fullmatch(
        rf"(?:top\s*)?(?:(?P<top>\d+(?:[.,]\d+)?)\s*(?:{_LENGTH})?\s*(?:-|to|bis|a)\s*)?(?P<end>\d+(?:[.,]\d+)?)\s*(?P<unit>{_LENGTH})?",
        words,
    )
    if not hit:
        return "not a depth"
    unit = length_unit(hit["unit"]) if hit["unit"] else unit
    if not unit:
        return "the depth states no unit"
    top, end = (inch_of(float((hit[e] or "0").replace(",", ".")), unit) for e in ("top", "end"))
    return (top, end) if top < end <= 120 else "not a depth"
