"""What a header cell says (a nutrient with its unit, a role, a range), and which rows hold the headers."""

import re
import unicodedata
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache, lru_cache

from fertkit.intake.columns import role_said
from fertkit.intake.spellings import is_rating, name_kind, number_like, plain, spaced, spellings
from fertkit.intake.units import DRY, find_unit, is_other_matrix, unit_pattern
from fertkit.tables import text_of

#: Kinds of headers that name a nutrient, or what may be one.
NUTRIENTS = ("nutrient", "oxide", "unclear")
OTHER_MATRIX = "another matrix than dry matter"
ELEMENT = {"P2O5": "P", "K2O": "K", "CaO": "Ca", "MgO": "Mg", "SO3": "S"}
#: Roles that say whose a sample is, and of what.
STATED = (
    *("sample_id", "lab_id", "field", "place", "crop", "growth_stage", "plant_part", "sampled", "area"),
    *("feekes", "zadoks", "bbch", "depth"),
)
#: Roles of columns of stages by a scale that their header names, by its word.
SCALES = ("feekes", "zadoks", "bbch")
_RATING = "rating|flag|class|interpretation|qualifier|status|comment|bewertung"
_LIMITS = (
    "low|high|lower|upper|min|max|minimum|maximum|range|normal range|sufficiency range|normal|optimum|target|"
    "limit|mdl|lod|loq|rl|detection limit|ll|ul|critical|sufficient|guideline"
)
_COMPANION = re.compile(rf"(?P<name>.+?)[\s_\-(:]+(?P<word>{_RATING}|{_LIMITS})\)?")
_RATIO = re.compile(
    r"(?P<top>[a-z0-9]+)\s*[:/]\s*(?P<under>[a-z0-9]+)(?:[\s_]*ratio)?|(?P<both>n[ksp]|k\s?mg)[\s_]*ratio"
)
_DRY = re.compile(
    r"[,\s]*\((?:on\s+)?(?:an?\s+)?dry[ -]?(?:matter|weight|wt|mass)?(?:\s*basis)?\)$|"
    r"[,\s(]*\b(?:(?:on|of|in)\s+)?(?:an?\s+)?"
    r"(?:dry[ -]?(?:matter|weight|wt|mass)?(?:\s*basis)?|d\.?[mw]\.? basis)(?=\s*[)\]]|$)"
)
_FOOTNOTE = re.compile(r"\s*[*†‡§]+\s*$|(?<=[\s%)\]])[¹²³⁴-⁹]+\s*$")
_CHARGE = re.compile(r"(?<=[a-z])(?:[0-9]?\+{1,2})(?![a-z0-9])")
_FOREIGN_UNIT = re.compile(r"\b(?:lbs?|kg|oz|tons?|mmol|meq|mol|cmol|acre|ac|ha|units?)\b|/")


@dataclass(frozen=True)
class Header:
    """Meaning of one header cell.

    Attributes
    ----------
    kind : str
        nutrient, role, ratio, rating, limit, oxide, unclear, unit, blank or unknown.
    name : str
        Nutrient (N, NO3-N, Zn) or role (sample_id, crop, growth_stage, ...).
    unit : str
        %, g/kg, mg/kg, or '' if the header states none.
    complaint : str
        Why a nutrient column cannot be used (its unit or its matrix); '' if it can.
    """

    kind: str
    name: str = ""
    unit: str = ""
    complaint: str = ""

    @property
    def names_nutrient(self) -> bool:
        return self.kind in NUTRIENTS


@lru_cache(maxsize=50_000)
def read_header(text: str) -> Header:
    """Read one header cell, e.g. ``Total N, %`` -> nutrient N in %, ``Lab No.`` -> role lab_id."""
    words = _DRY.sub("", plain(_FOOTNOTE.sub("", text)).strip(" :;,.*"))
    if not words:
        return Header("blank")
    apart = plain(spaced(text)).strip(" :;,.*")  # ClientID as 'client id'
    role = role_said("leaf", re.sub(r"[\s_]+", " ", words), apart)
    if role:
        return Header("role", role)
    if find_unit(words):
        return Header("unit", unit=find_unit(words))
    for scale in SCALES:  # growth stage (BBCH), Feekes growth stage
        rest = re.sub(rf"[\s_\-()\[\],:]*\b{scale}\b[\s_\-()\[\],:]*", " ", words).strip()
        if rest != words and role_said("leaf", rest) == "growth_stage":
            return Header("role", scale)
    unit = next((unit for name, unit in _splits(words) if role_said("leaf", name) == "value"), "")
    if unit:
        return Header("role", "value", find_unit(unit))
    ratio = _RATIO.fullmatch(words)
    if ratio and (ratio["both"] or {ratio["top"], ratio["under"]} <= set(spellings("nutrient"))):
        return Header("ratio", words)
    return _with_unit(words) or _companion(words) or Header("unknown")


def _with_unit(words):
    """A nutrient header with or without unit; None if no nutrient is named."""
    kind, name = name_of(words)
    if kind:
        return Header(kind, name)
    method = re.fullmatch(r"(?P<rest>.*\S)\s*[(\[,]\s*(?P<method>[a-z -]+)[)\]]?", words)
    if method and set(re.split("[ -]+", method["method"].strip())) <= {*spellings("noise"), "oes", "aes"}:
        return _with_unit(method["rest"])
    for text, unit in _splits(words):
        kind, name = name_of(text)
        if not kind and text in spellings("nutrient with unit"):
            kind, name = "nutrient", spellings("nutrient with unit")[text]
        if kind:
            complaint = OTHER_MATRIX if is_other_matrix(text) else ""
            return Header(kind, name, find_unit(unit), complaint)
    return _with_foreign_unit(words)


@lru_cache(maxsize=20_000)
def _splits(words) -> list[tuple[str, str]]:
    """Ways to part a header into a name and a unit, the surest first: Znppm, Zn (ppm), Zn ppm, ppm Zn."""
    ends = range(len(words) - 1, 0, -1)
    ways = [(words[:end], words[end:]) for end in ends if words[:end] in _nutrient_words()]
    for seam in re.finditer(r"[\s,_;:\-]*[(\[{]\s*", words):
        inner = re.fullmatch(rf"(.*?)\s*[)\]}}](?:\s*{DRY})?", words[seam.end() :])
        ways += [(words[: seam.start()], inner[1])] if inner else []
    seams = [hit.span() for hit in re.finditer(r"[\s,_;:.|/\-]+|(?=%$)", words)]
    ways += [(words[:start], words[end:]) for start, end in seams]
    seams = [hit.span() for hit in re.finditer(r"[\s,_;:\-]+|(?<=^%)", words)]
    ways += [(words[end:], words[:start]) for start, end in seams]
    return [(name, unit) for name, unit in ways if name and unit and unit_pattern().fullmatch(unit)]


@cache
def _nutrient_words() -> frozenset[str]:
    """Names and symbols, to be found without a blank before their unit, as in 'Znppm'."""
    return frozenset(word for kind in NUTRIENTS for word in spellings(kind))


def _with_foreign_unit(words):
    bracketed = re.fullmatch(r"(?P<name>[^()\[\]]+?)[\s,_]*[(\[](?P<unit>[^()\[\]]+)[)\]]", words)
    hit = bracketed or re.fullmatch(r"(?P<name>\S+)[\s,_]+(?P<unit>.+)", words)
    if not hit:
        return None
    kind, name = name_of(hit["name"])
    if not kind:
        return None
    if is_other_matrix(words):
        return Header(kind, name, complaint=OTHER_MATRIX)
    spoken_for = re.fullmatch(f"{_LIMITS}|{_RATING}", hit["unit"])
    if (bracketed or _FOREIGN_UNIT.search(hit["unit"])) and not spoken_for:
        return Header(kind, name, complaint=f"unknown unit '{hit['unit']}'")
    return None


def _companion(words):
    hit = _COMPANION.fullmatch(words)
    if not hit:
        return None
    inner = _with_unit(hit["name"])
    if inner is None:
        return None
    return Header("rating" if re.fullmatch(_RATING, hit["word"]) else "limit", inner.name)


@cache
def name_of(text: str) -> tuple[str, str]:
    """Return (kind, name) of the nutrient, oxide or unclear compound a text names; ('', '') if none."""
    words = _CHARGE.sub("", plain(text)).replace("_", " ").strip(" :;,.*")
    for kind in ("nutrient", "oxide", "unclear"):
        bare = " ".join(re.sub(r"[()\[\]]", " ", words).split())
        for key in (words, bare, words.replace(" ", "-"), words.replace(" ", "")):
            if key in spellings(kind):
                return kind, spellings(kind)[key]
    noise = {*spellings("noise"), ""}
    pieces = (piece.split("-") for piece in re.split(r"[\s,;:()\[\]]+", words))
    tokens = ["-".join(part for part in parts if part not in noise) for parts in pieces]  # N-total
    tokens = [token for token in tokens if token]
    if not tokens or (len(tokens) == 1 and tokens[0] == words):
        return "", ""
    named = {name_of(token) for token in tokens}
    return named.pop() if len(named) == 1 else ("", "")


def begins_with_nutrient(text: str) -> str:
    """Return the nutrient whose name or symbol a text begins with, as 'Zn xyz' or 'ZnDTPA' does; or ''."""
    words = unicodedata.normalize("NFKC", text).strip()
    first = re.match(r"[^\W\d_]+", words)
    if not first or first[0].casefold().startswith(("chloroph", "clorof")):  # the green of a leaf, no Cl
        return ""
    name = spellings("nutrient").get(plain(first[0]), "")
    symbol = re.match(r"(?:Zn|Mn)|(?:Ca|Mg|Fe|Cu|Mo|Cl|Na|Al)(?=[A-Z])|[NPKSB](?=[A-Z][a-z]{2})", words)
    long = (w for w in sorted(spellings("nutrient"), key=len) if len(w) > 4 and plain(first[0]).startswith(w))
    like = next(long, "") or _misspelt(plain(first[0]))
    return name or (symbol[0] if symbol else spellings("nutrient").get(like, ""))


def _misspelt(word: str) -> str:
    """The name that a word is most like, as 'pottasium' is like potassium; '' if it is like none."""
    names = [w for w in spellings("nutrient") if len(w) > 4 and w.isalpha()]
    return next(iter(get_close_matches(word, names, 1, 0.8)), "") if len(word) > 4 else ""


def heading_unit(text: str) -> str:
    """Return the unit at the end of a group heading such as 'Micronutrients (ppm)'; '' if there is none."""
    words = _DRY.sub("", plain(text))
    starts = [0, *(hit.end() for hit in re.finditer(r"[\s,(\[]", words))]
    tails = (words[start : len(words) - (words[-1:] in (")", "]"))] for start in reversed(starts))
    return next((find_unit(tail) for tail in tails if unit_pattern().fullmatch(tail)), "")


# ---- header rows of a wide table, and what the lines around them add


def nutrients_in(row) -> set[str]:
    """Return the nutrients (oxides, ions) a line of meanings names."""
    return {h.name for h in row if h.names_nutrient}


def header_rows(cells, text, lines) -> list[int]:
    """Find the lines that name the nutrients of a table: the first, and later ones (a new page ...)."""
    starts: list[int] = []
    for i in lines:
        named = [j for j, h in enumerate(text[i]) if h.names_nutrient]
        if not named:
            continue
        numbers = sum(number_like(c) for j, c in enumerate(cells[i]) if c != "" and j not in named)
        role = any(h.kind == "role" and h.name in STATED for h in text[i])
        again = bool(starts) and cells[i] == cells[starts[-1]]
        lone = len(nutrients_in(text[i])) == 1 and not role
        if again or not (
            numbers >= len(named) or lone or (starts and _below(cells, text, i, starts[-1], named))
        ):
            starts.append(i)
    if starts:
        return starts
    most = max(lines, key=lambda i: len(nutrients_in(text[i])), default=None)
    return [most] if most is not None and nutrients_in(text[most]) else []


def _below(cells, text, i, header, named):
    """Whether a line that seems to name nutrients is one of ratings, of second names, or of remarks."""
    if all(is_rating(cells[i][j]) for j in named):
        return True
    same = sum(text[header][j].name == text[i][j].name for j in named)
    return same * 2 >= len(named) and not any(cells[k][j] != "" for k in range(header + 1, i) for j in named)


def complete_headers(cells, text, start, past, free) -> tuple[list[Header], list[str]]:
    """Return headers and labels of a line, with roles of the line above or, on a second table, the first.

    The line above is `free` if it states no context of the table.
    """
    headers, labels = list(text[start]), [text_of(c) or f"column {j + 1}" for j, c in enumerate(cells[start])]
    blank = [j for j, c in enumerate(cells[start]) if c == ""]
    above = start - 1
    for j in blank if above >= 0 and free else ():
        if text[above][j].kind == "role" and text[above][j].name in STATED:
            headers[j], labels[j] = text[above][j], text_of(cells[above][j])
    for j in blank if past is not None else ():
        if headers[j].kind == "blank" and past[j].kind == "role" and past[j].name in STATED:
            headers[j] = past[j]
    _units_above(cells, start, headers)
    return headers, labels


def _units_above(cells, start, headers):
    """Obey a line of group headings such as 'Macronutrients (%)', 'Micronutrients (ppm)' over the symbols."""
    units = [heading_unit(c) if isinstance(c, str) and c else "" for c in cells[start - 1]] if start else []
    if sum(map(bool, units)) < 2:
        return
    current = ""
    for j, unit in enumerate(units):
        current = unit or current
        if headers[j].kind == "nutrient" and not headers[j].unit:
            headers[j] = replace(headers[j], unit=current)


def stated_under(header: Header, word: str) -> Header | None:
    """Return a header with the unit that stands right under it; None if the word is no unit."""
    return _state_unit(header, word, find_unit(word)) if find_unit(word) else None


def take_units(cells, text, start, end, headers, under=stated_under):
    """Take the units, second names or kinds of columns from the lines right under a header, in place.

    Returns
    -------
    first : int
        First line of samples.
    dropped : list of (what, row)
    """
    dropped = []
    for i in range(start + 1, end):
        row = cells[i]
        if not any(c != "" for c in row) or _take_kinds(row, text[i], headers):
            continue
        filled = [j for j, h in enumerate(headers) if h.names_nutrient and row[j] != ""]
        if not filled or any(not isinstance(row[j], str) for j in filled):
            return i, dropped
        words = {j: text_of(row[j]) for j in filled}
        names = [j for j in filled if text[i][j].names_nutrient and text[i][j].name == headers[j].name]
        told = {j: under(headers[j], word) for j, word in words.items()}
        if sum(header is not None for header in told.values()) * 2 >= len(filled):
            for j, word in words.items():
                headers[j] = told[j] or _state_unit(headers[j], word, "")
            for j in (j for j, h in enumerate(headers) if h.name.startswith("depth")):
                headers[j] = under(headers[j], text_of(row[j])) or headers[j]
        elif len(names) * 2 >= len(filled):
            for j in names:
                headers[j] = replace(headers[j], unit=headers[j].unit or text[i][j].unit)
        elif _is_remark(row):
            dropped.append(("line of remarks under the header", i + 1))
        else:
            return i, dropped
    return max(start + 1, end), dropped


def _is_remark(row):
    if any(not isinstance(c, str) or re.search(r"\d", c) for c in row):
        return False
    label = text_of(row[0])
    return not label or name_kind(label) in ("limit", "range")


def _take_kinds(row, meanings, headers):
    """Obey a line that says which columns hold the result, the range and the rating of a nutrient.

    A nutrient named once over several such columns (a merged cell) is carried to the right.
    """
    roles = ("value", "range", "flag")
    kinds = {j: h.name for j, h in enumerate(meanings) if h.kind == "role" and h.name in roles}
    if len(kinds) < 2 or not any(kind == "value" and headers[j].names_nutrient for j, kind in kinds.items()):
        return False
    current = None
    for j, header in enumerate(headers):
        if header.names_nutrient:
            current = header
        elif header.kind != "blank" or j not in kinds:
            current = None if header.kind != "blank" else current
        if j not in kinds or current is None:
            continue
        kind = {"range": "limit", "flag": "rating"}.get(kinds[j])
        headers[j] = replace(current, kind=kind, complaint="") if kind else current
    return True


def _state_unit(header, word, unit):
    if header.unit and unit and unit != header.unit:
        return replace(header, complaint=f"the header says {header.unit}, the unit row {unit}")
    if unit or header.kind != "nutrient" or plain(word) in spellings("no unit"):
        return replace(header, unit=header.unit or unit)
    matrix = is_other_matrix(word)
    return replace(header, complaint=OTHER_MATRIX if matrix else f"unknown unit '{word}'")
