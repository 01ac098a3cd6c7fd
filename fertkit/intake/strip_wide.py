"""Wide strip sheets (rates or treatments across and blocks down, or the reverse) → one line a strip."""

import re
from dataclasses import dataclass, replace
from itertools import permutations

from fertkit.errors import InputError
from fertkit.intake.columns import OTHER, each
from fertkit.intake.grid import HEADER_DEPTH, Sheet, header_key, is_number_like, units_line, with_units
from fertkit.intake.spellings import is_summary, listed, note, problem, spellings, untreated
from fertkit.intake.strip_headers import FACTORS, PLACES, RATES, ROLES, Header, read_header, says
from fertkit.intake.strip_two_rows import two_rows
from fertkit.intake.units import (
    NUTRIENT_WORDS,
    cell_parts,
    is_unit,
    lost,
    rate_unit,
    take_mass,
    take_unit,
    words_of,
)
from fertkit.results import counted
from fertkit.tables import text_of

#: Roles that may stand in the columns beside a wide table.
_LABELS = {*PLACES, *RATES, *FACTORS, "block", "strip", "treatment", "crop"}
_BLOCK = re.compile(
    r"(?:[a-z]+\.?[ _-]?)?\d{1,2}|(?:[a-z]+(?:\.[ _-]?|[ _-]))?(?:[ivx]{1,4}|[a-h])", re.IGNORECASE
)
_YEAR = re.compile(r"(?:19|20)\d\d")
_LEVEL = re.compile(
    r"(?P<name>[a-z0-9 _]*?[a-z_])?[ _:=-]*(?P<number>\d+(?:[.,]\d+)?)(?:[ _]*(?P<unit>[a-z#].*))?",
    re.IGNORECASE,
)
_CLAUSE = re.compile(r"[;:\\|]| / | - |\b(?:by|for|vs|at|je|bei|por|segun|in|en)\b", re.IGNORECASE)
_PLAIN, _ROUNDED = re.compile(r"\d+(?:[.,]\d+)?"), 0.101
#: What a word in the header of a yield says that names no treatment.
_OF_YIELD = {"compared", "dry", "standard", "matter", "moisture", "measured", "part", "remark"}
#: Yields of grain of whole blocks lie between these in bushels an acre (common practice, no source).
_BUSHELS = (10, 400)


@dataclass(frozen=True)
class _Across:
    """What the columns of a wide table tell apart: their role, a label each, unit and nutrient of rates.

    ``harvest`` is the unit of yields that the headers of blocks carry; ``down`` names the lines where the
    corner names the columns instead.
    """

    role: str
    labels: dict
    unit: str = ""
    nutrient: str = ""
    harvest: str = ""
    down: str = ""


def lengthen(sheet: Sheet, raw, columns, units) -> Sheet:
    """Bring a wide sheet to one line a strip; another sheet is given back as it is.

    Parameters
    ----------
    sheet : Sheet
        As the headers were found.
    raw : RawTable
        Lines above the headers may name rate and yield with their units.
    columns, units : dict
        As the caller gives them; a caller who names rate or yield has no wide sheet.
    """
    known = {*(read_header(_bare(header)).role for header in sheet.headers), *columns}
    long = {"yield", "weight"} & known and {*RATES, "treatment"} & known
    if long or {"rate", "yield", "treatment"} & set(columns):
        return sheet
    named = {header_key(header) for role in FACTORS for header in each(columns.get(role, []))}
    for at in range(min(HEADER_DEPTH, len(raw.cells))):
        joined = _with_units_below(raw, at)
        across = _across(joined, at, [text_of(cell) for cell in joined.cells[at]], units, named)
        if across:
            return _melted(joined, at, across, units)
        if at and (groups := two_rows(joined, at, _names)):
            return _from_groups(joined, at, groups, units, named)
    return sheet


def _from_groups(raw, at, groups, units, named) -> Sheet:
    """One line a strip from a sheet with two rows of headers, or its refusal."""
    header = _header_over(groups, _above(raw, at - 1, range(len(raw.cells[at - 1]))), named)
    lines, stacked = groups.stacked(raw, at, header) if header and groups.alike else ([], None)
    top = at - 1
    bare = {header_key(t) for t in groups.down.values() if read_header(t).role in ("", OTHER)}
    beside = {*named, *bare, header_key(header)}
    across = stacked and _across(stacked, top, stacked.cells[top], units, beside)
    if not across:
        key = "two rows unclear" if groups.alike else "two rows uneven"
        words = {"labels": listed(groups.labels, 6), "upper": at, "lower": at + 1}
        raise InputError(raw.name, [problem(key, **words, cell=f"{chr(64 + groups.first)}{at}")])
    sheet = _melted(stacked, top, across, units)
    said = note("two rows", upper=at, lower=at + 1, labels=listed(groups.labels, 6), header=header)
    read = [lines[line - 1] for line in sheet.lines]
    return replace(sheet, header_line=at + 1, lines=read, notes=(*sheet.notes, said))


def _header_over(groups, around, named) -> str:
    """What the upper of two rows of headers holds: by the cell left of it, or by its labels; "" if unsaid."""
    corner, labels = groups.corner, dict(enumerate(groups.labels))
    words = set(spellings("strip kind")) | set(spellings("strip factor"))
    if corner and (header_key(corner) in named or _names(corner) or set(words_of(corner)) & words):
        return corner
    if any(read_header(_bare(t)).role not in {*PLACES, "block", ""} for t in labels.values()):
        return ""
    places = _places(labels)
    if places and (places.role == "year" or all(read_header(_bare(t)).role for t in labels.values())):
        return places.role
    rates, below = _rates(labels), dict(enumerate(groups.below))
    if rates and (rates.unit or rates.nutrient):
        return "rate"
    stated = next((h.text for h in around if h.role in RATES and h.unit), "")
    return stated if rates and not _rates(below) else ""


def _with_units_below(raw, at):
    """The table with a line of units joined to its headers."""
    row, below = raw.cells[at], (raw.cells[at + 1 :] or [[]])[0]
    if not below or not units_line(below):
        return raw
    joined = with_units([text_of(c) for c in row], below)
    return replace(raw, cells=[*raw.cells[:at], joined, [""] * len(row), *raw.cells[at + 2 :]])


def _across(raw, at, texts, units, named=()):
    """Read one line as the headers of a wide table, some `named` as a factor beside; None if it is none."""
    beside = {
        i: read_header(_down(t)) for i, t in enumerate(texts) if t and (header_key(t) in named or _names(t))
    }
    first = min((i for i, t in enumerate(texts) if t and i not in beside and not is_summary(t)), default=None)
    if first is None or not beside or any(i > first and not is_summary(texts[i]) for i in beside):
        return None
    over = {
        i: t for i, t in enumerate(texts) if i >= first and t and not is_summary(t) and not says(t, "remark")
    }
    roles = {header.role for header in beside.values()}
    if len(over) < 2 or not _measured(raw.cells[at + 1 :], over) or _unnamed(raw, at, first):
        return None
    across = _told_apart(raw, at, beside, over, roles, units)
    return across if across and len(set(across.labels.values())) == len(across.labels) else None


def _unnamed(raw, at, first) -> bool:
    """Whether numbers stand below a blank cell of the headers: those of a row of two."""
    blank = [i for i in range(first, len(raw.cells[at])) if not text_of(raw.cells[at][i])]
    return any(is_number_like(text_of(row[i])) for row in raw.cells[at + 1 :] for i in blank)


def _told_apart(raw, at, beside, over, roles, units):
    """What the headers across are, by those beside."""
    if roles & {*RATES, "treatment"}:
        places = _places(over)
        if places and places.role in roles:
            return None
        return places or _rates_of_corner(raw, at, beside, over)
    if rates := _rates(over):
        return rates
    if "block" in roles and (named := _treatments(over, raw, at, units)):
        return named
    return _checks_beside(raw, at, beside, over, units)


def _down(text) -> str:
    """What a corner cell says of the lines below it: Rep of 'Rep \\ N rate (lb/ac)'."""
    parts = [part.strip() for part in re.split(r"\\| / |\|", text)]
    return parts[0] if len(parts) == 2 and read_header(parts[0]).role in _LABELS else text


def _names(text) -> bool:
    """Whether a cell names the labels below it: Rep, Block, N rate, Variante; not Rep 1 or Rep II."""
    bare = re.sub(r"p2o5|k2o|ha-1|ac-1", "", _bare(_down(text)).lower())
    label = re.search(r"\d", bare) or _BLOCK.fullmatch(bare) or is_summary(text)
    return read_header(_down(text)).role in _LABELS and not label


def _bare(text) -> str:
    """A label without a unit in brackets behind it: Rep 1 of 'Rep 1 (bu/ac)'."""
    hit = re.fullmatch(r"(.*\S)\s*[(\[](.*)[)\]]\s*", text)
    return hit[1] if hit and is_unit(hit[2]) else text


def _measured(rows, over) -> bool:
    """Whether the columns hold numbers and gaps, two lines of them at least."""
    filled = [row for row in ([text_of(row[i]) for i in over] for row in rows) if any(row)]

    def measured(text):
        return not text or lost(text) or re.match(r"-?[\d.,]*\d", cell_parts(text, "amount")[0])

    good = sum(all(map(measured, row)) for row in filled)
    return good >= 2 and 2 * good > len(filled)


def _places(over):
    """Blocks, sites or years across."""
    units = {h.unit or h.mass for h in map(read_header, over.values())}
    if len(units) > 1:
        return None
    over, roles = {i: _bare(t) for i, t in over.items()}, {read_header(_bare(t)).role for t in over.values()}
    if all(map(_YEAR.fullmatch, over.values())):
        role = "year"
    elif len(roles) == 1 and roles <= {*PLACES, "block"}:
        role = roles.pop()
    elif all(map(_BLOCK.fullmatch, over.values())):
        role = "block"
    else:
        return None
    return _Across(role, over, harvest=units.pop())


def _rates_of_corner(raw, at, beside, over):
    """Rates across under a corner that names them, where each line below begins with Block 1, Rep II ..."""
    if len(beside) != 1:
        return None
    (i, corner), rates = *beside.items(), _rates(over)
    down = [text_of(row[i]) for row in raw.cells[at + 1 :] if text_of(row[i]) and not is_summary(row[i])]
    if not rates or rates.unit or corner.role == "treatment":
        return None
    blocks = down and all(
        read_header(t).role in {*PLACES, "block"} and re.search(r"[\dIVX]", t) for t in down
    )
    return replace(rates, unit=corner.unit, nutrient=corner.nutrient, down="block") if blocks else None


def _rates(over):
    """Rates across, each with the same unit and nutrient, or bare numbers."""
    parts = {i: _level(t) for i, t in over.items()}
    if not all(parts.values()) or len({p[0] for p in parts.values()}) < len(parts):
        return None
    units, nutrients = ({p[k] for p in parts.values()} - {""} for k in (1, 2))
    if len(units) > 1 or len(nutrients) > 1:
        return None
    return _Across("rate", {i: p[0] for i, p in parts.items()}, "".join(units), "".join(nutrients))


def _level(text):
    """(number, unit or mass, nutrient) of a rate that heads a column: 50, 50 lb/ac, 50 lb, N50, Rate 50."""
    hit = _LEVEL.fullmatch(text.strip())
    if not hit:
        return None
    words = words_of(hit["name"] or "")
    unit, nutrient, rest = take_unit(words_of(hit["unit"] or ""))
    if not unit:
        unit, rest = take_mass(rest)  # 50 lb: the area stands elsewhere
    rest = [*rest, *words]
    nutrient = nutrient or next((NUTRIENT_WORDS[w] for w in rest if w in NUTRIENT_WORDS), "")
    strange = [w for w in rest if w not in NUTRIENT_WORDS and read_header(w).role not in ("rate", "yield")]
    return None if strange else (hit["number"], unit, nutrient)


def _treatments(over, raw, at, units):
    """Names of treatments across, where something tells that the table holds yields."""
    yields = "yield" in units or any(h.role == "yield" and h.unit for h in _above(raw, at, over))
    yields = yields and not any(read_header(t).role for t in over.values())
    return _Across("treatment", over) if yields else None


def _checks_beside(raw, at, beside, over, units):
    """A check and treatments across, a pair or a place a line; None where a word or number says otherwise.

    The unit of yields stands in each header, as bushels or beside the word yield, or in a line above.
    """
    over = {i: t for i, t in over.items() if not is_summary(_bare(t)) and not says(t, "compared")}
    headers, names = {i: read_header(t) for i, t in over.items()}, {i: _name(t) for i, t in over.items()}
    measured = {h.unit for h in headers.values()}
    sure = all(h.unit == "bu/ac" or (h.unit and h.role == "yield") for h in headers.values())
    stated = measured == {""} and _treatments(over, raw, at, units)
    checks = [name for name in names.values() if untreated([name]) is not None]
    roles = {read_header(name).role for name in names.values()}
    if not (stated or (sure and len(measured) == 1)) or len(checks) != 1 or not roles <= {"", "treatment"}:
        return None
    if any(h.dry or says(h.text, *_OF_YIELD) for h in headers.values()) or not all(names.values()):
        return None
    if _reckoned([[text_of(row[i]) for i in over] for row in raw.cells[at + 1 :]]):
        return None
    down = ""
    if "block" not in {h.role for h in beside.values()}:
        (i, corner), *more = beside.items()
        places = [text_of(row[i]) for row in raw.cells[at + 1 :] if any(text_of(row[k]) for k in over)]
        if more or corner.role not in PLACES or len(set(places)) < len(places):
            return None
        down = "block"
    return _Across("treatment", names, harvest="".join(measured), down=down)


def _name(text) -> str:
    """The treatment in the header of its yields: Check of 'Check yield (bu/ac)'."""
    rest = set(take_unit(words_of(text))[2]) - set(ROLES["yield"].words)
    return " ".join(part for part in re.split(r"[\s_]+", _bare(text)) if set(words_of(part)) & rest)


def _reckoned(rows) -> bool:
    """Whether one column is the difference or the mean of two others on every line."""
    lines = [[float(t.replace(",", ".")) for t in row] for row in rows if all(map(_PLAIN.fullmatch, row))]
    for a, b, c in permutations(range(len(lines[0]) if len(lines) > 1 else 0), 3):
        if all(abs(row[a] - row[b] - row[c]) <= _ROUNDED for row in lines):
            return True
        if all(abs((row[a] + row[b]) / 2 - row[c]) <= _ROUNDED for row in lines):
            return True
    return False


def _above(raw, at, over) -> list[Header]:
    """What the lines above a table, its corner and a line of words below its headers say."""
    lines = raw.cells[: at + 1 + _lines_of_words(raw, at)]
    texts = [text_of(c) for i, row in enumerate(lines) for j, c in enumerate(row) if i != at or j not in over]
    parts = [part for text in texts if text for part in _clauses(text)]
    return [read_header(part) for part in parts]


def _clauses(text):
    """The parts of a line that names several things: two units, or rate and yield; else the whole."""
    parts = _CLAUSE.split(text)
    headers = list(map(read_header, parts))
    units, roles = {p.unit for p in headers if p.unit}, {p.role for p in headers} & {"rate", "yield", "block"}
    return parts if len(units) > 1 or len(roles) > 1 else [text]


def _lines_of_words(raw, at) -> int:
    """How many lines right below the headers hold words and no number."""
    n = 0
    for row in raw.cells[at + 1 :]:
        texts = [text_of(cell) for cell in row if text_of(cell)]
        if not texts or any(map(is_number_like, texts)):
            break
        n += 1
    return n


# ---- the long table


def _melted(raw, at, across, units) -> Sheet:
    beside = [i for i in range(min(across.labels)) if text_of(raw.cells[at][i])]
    around = _above(raw, at, across.labels)
    corner = [across.down or _down(text_of(raw.cells[at][i])) for i in beside]
    rate, rate_of = _rate_header(across, around, corner)
    harvest, assumed = _yield_header(raw, at, across, around, rate_of or rate, units)
    rows, lines = [], []
    skipped = at + 1 + _lines_of_words(raw, at)
    for line, row in enumerate(raw.cells[skipped:], skipped + 1):
        texts = [text_of(row[i]) for i in beside]
        if not any(text_of(c) for c in row):
            continue
        filled = any(text_of(row[k]) for k in across.labels)
        if not filled and not any(re.match(r"[\d.,]", t) for t in texts):
            strips = [("", "")]  # a remark
        else:
            strips = [(label, row[i]) for i, label in across.labels.items()]
            if not filled or any(map(is_summary, texts)):
                strips = strips[:1]  # a summary or a remark is one line
        rows += [[*(row[j] for j in beside), *strip] for strip in strips]
        lines += [line] * len(strips)
    headers = [*corner, rate if across.role == "rate" else across.role]
    rates = [i for i, text in enumerate(headers) if read_header(text).role in RATES]
    if rate_of and len(rates) == 1:  # the rates of several nutrients keep their own headers
        headers[rates[0]] = rate_of
    aside = [
        t for i, t in enumerate(map(text_of, raw.cells[at]))
        if is_summary(t) or (across.role == "treatment" and t and i not in across.labels and i not in beside)
    ]  # fmt: skip
    number = counted(len(across.labels), across.role)
    notes = [f"wide table: {number} in columns, read as one line per strip", *assumed]
    if across.down and across.role == "treatment":
        notes.append(note("place is block", header=text_of(raw.cells[at][beside[0]])))
    notes += [f"summary columns not used: {', '.join(map(repr, aside))}"] * bool(aside)
    return Sheet(raw.name, raw.delimiter, at + 1, [*headers, harvest], rows, lines, tuple(notes))


def _rate_header(across, around, corner):
    """Header of the rates across, and of rates that stand down the side where the lines above give a unit."""
    stated = next((h for h in around if h.role in RATES and h.unit), None)
    unit, nutrient = across.unit, across.nutrient or (stated.nutrient if stated else "")
    if stated and unit in ("", stated.unit.split("/")[0]):
        unit = stated.unit
    header = " ".join(filter(None, [nutrient, "rate", f"({unit})" if unit else ""]))
    down = [text for text in corner if read_header(text).role in RATES]
    if across.role == "rate" or not down or read_header(down[0]).unit or not unit:
        return header, down[0] if down and across.role != "rate" else ""
    return header, header


def _yield_header(raw, at, across, around, rate, units):
    """Header of the yields with the unit of the lines above; bushels where rates are per acre and it fits."""
    stated = [h for h in around if h.role == "yield"]
    header = next((h.text for h in stated if h.unit), stated[0].text if stated else "yield")
    if across.harvest:
        return f"yield ({across.harvest})", []
    if read_header(header).unit or "yield" in units:
        return header, []
    cells = [cell_parts(row[i], "amount") for row in raw.cells[at + 1 :] for i in across.labels]
    if any(unit for _, unit, _ in cells):
        return header, []
    texts = [text_of(c).replace(",", ".") for c, _, _ in cells]
    values = [float(text) for text in texts if re.fullmatch(r"\d+(?:\.\d+)?", text)]
    fits = values and _BUSHELS[0] <= min(values) and max(values) <= _BUSHELS[1]
    per = rate_unit(units.get("rate", "")) or read_header(rate).unit
    return ("yield (bu/ac)", [note("taken as bushels")]) if fits and per.endswith("/ac") else (header, [])
