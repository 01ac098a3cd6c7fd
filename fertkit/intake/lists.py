"""A table of things, one a row (fields, products, passes): its columns by their words, and its cells."""

import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from fertkit.errors import InputError
from fertkit.intake.columns import assign_roles, chosen_roles, no_column, role_said, roles_of, roles_said
from fertkit.intake.grid import Sheet, find_sheet, header_key, hidden_rows
from fertkit.intake.numbers import NumberStyle, number_style, read_number
from fertkit.intake.spellings import begins_with, name_kind, plain, problem, spellings
from fertkit.intake.units import cell_parts, measured_in
from fertkit.tables import open_tables, text_of, whole

AREAS = ("ac", "ha")
_PERCENT = {"%", "pct", "percent"}
_AMOUNTS = ("mass", "volume", "cubic", "land")
_MARKS = re.compile(r"[\s_,;:()\[\]{}|]+")


@dataclass(frozen=True)
class Things:
    """A table of things as found.

    Attributes
    ----------
    name : str
    every : tuple of str
        Headers of all columns.
    headers, rests : dict
        Role -> the header, and what it says beside the words of its role: a unit, a currency.
    rows : list of dict
        Role -> raw cell, of each line.
    lines : list of int
        Line of each row in the file.
    style : NumberStyle
    unused : tuple of str
        Headers that play no role.
    notes : tuple of Problem
        Lines that were set aside.
    """

    name: str
    every: tuple
    headers: dict
    rests: dict
    rows: list
    lines: list
    style: NumberStyle
    unused: tuple = ()
    notes: tuple = ()

    def number(self, row, line, role, problems, *, empty=np.nan) -> float:
        """Return the number of a cell, `empty` of a blank one; what is no plain number becomes a problem."""
        cell = row.get(role, "")
        reading = read_number(cell, self.style)
        beside = reading.unit not in ("", self.rests.get(role))
        if reading.problem or reading.censored or reading.flag or beside:
            problems.append(problem("not a number", line, self.headers[role], text_of(cell)))
            return np.nan
        return empty if np.isnan(reading.value) else reading.value


def list_header(file: str, header: str, more: dict | None = None) -> tuple[str, str]:
    """Return the role that the first or last words of a header name, and the other words; or ('', '').

    `more` words name roles that are percentages.
    """
    words = _words(header)
    parted = (w.split("/", 1) if role_said(file, w.split("/", 1)[0]) else [w] for w in words)  # price/ton
    words = [part for parts in parted for part in parts if part]
    for length in range(len(words), 0, -1):
        for at in (0, len(words) - length):
            said, rest = " ".join(words[at : at + length]), words[:at] + words[at + length :]
            for role in roles_said(file, [said]):
                alone = said in AREAS  # 'ac' is an area, 'bu per ac' is none
                if not rest or (roles_of(file)[role].measures and _are_units(rest) and not alone):
                    return role, " ".join(rest)
            if said in (more or ()) and {*rest} <= _PERCENT:
                return more[said], "%"
    return "", ""


def _words(header) -> list[str]:
    return [w for w in _MARKS.split(re.sub(r"([$€£])", r" \1 ", plain(header))) if w]


def _are_units(words):
    """Whether words say a unit, a currency or the size of a container and nothing else."""
    parts = [part for word in words for part in word.split("/") if part]
    return all(part.lstrip("0123456789.") in _unit_words() for part in parts)  # 1000gal


def _units_in(header) -> str:
    """What a header says of units, whatever its other words."""
    return " ".join(word for word in _words(header) if _are_units([word]))


@cache
def _unit_words():
    kinds = (*_AMOUNTS, "length", "square", "per area", "bag", "container")
    words = {word for kind in kinds for phrase in spellings(kind) for word in phrase.split()}
    money, links = {"$", "€", "£", "us", "usd", "eur"}, {"per", "of", "de", "in"}
    return words | _PERCENT | money | links | {"", "short", "metric", "bale", "bales", "ppm"}


def open_things(source, file, *, name=None, sheet=None, columns=None, needed=(), more=None):
    """Open a table of things (a file of ``roles.csv``), in the sheet that names most of them.

    Parameters
    ----------
    needed : sequence of str
        Roles that must have a column.
    more : dict, optional
        Further words of headers -> roles, which are percentages.

    Raises
    ------
    InputError
        If a column is missing or several could be of one role.
    """
    tables = open_tables(source, name=name, sheet=sheet)
    found = [_things(whole(raw), file, columns, more) for raw in tables]
    roles = roles_of(file)
    things, problems = max(found, key=lambda pair: len(set(pair[0].headers) & {*needed, *roles}))
    absent = [role for role in needed if role not in things.headers]
    said = None if columns is None else file
    problems += [no_column(role, things.every, roles[role].words[0], said) for role in absent]
    if problems or not things.rows:
        from fertkit.intake.kinds import refusal

        raise refusal(tables, file, problems or [problem("no rows")])
    return things


def _things(raw, file, columns, more):
    def said_in(cell):
        return list_header(file, text_of(cell), more)

    def rivals_of(role, free):
        return [j for j in free if said[j][0] == role]

    chosen, problems = chosen_roles(columns), []
    sheet = find_sheet(raw, lambda cell: bool(chosen.get(header_key(cell)) or said_in(cell)[0]))
    headers, roles = sheet.headers, [*roles_of(file), *dict.fromkeys((more or {}).values())]
    said = [said_in(header) for header in headers]
    problems += raw.shifted([sheet.header_line - 1], [line - 1 for line in sheet.lines])
    said_as = None if columns is None else file
    at = assign_roles(headers, columns or {}, roles, problems, rivals_of, file=said_as)
    at = dict(sorted(at.items(), key=lambda pair: pair[1]))
    rows, lines, dropped = _rows(sheet, at)
    numbers = [
        row[role]
        for row in rows
        for role in row
        if role not in roles_of(file) or roles_of(file)[role].holds == "number"
    ]
    notes = [problem(key, i, value=n) for key, n, i in dropped]
    notes += hidden_rows(raw, lines)
    style = number_style(numbers, raw.delimiter)
    names = {role: headers[j] for role, j in at.items()}
    rests = {role: said[j][1] if said[j][0] == role else _units_in(headers[j]) for role, j in at.items()}
    unused = tuple(h for j, h in enumerate(headers) if h and j not in at.values())
    every = tuple(filter(None, headers))
    return Things(raw.name, every, names, rests, rows, lines, style, unused, tuple(notes)), problems


def _rows(sheet: Sheet, at: dict):
    """Rows of things, their lines, and lines of totals and remarks, which are none: (key, text, line)."""
    rows, lines, dropped = [], [], []
    first = min(at.values(), default=0)
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        label = text_of(row[first])
        if sheet.repeats_headers([text_of(cell) for cell in row]):
            continue
        if (
            name_kind(label) == "statistic"
            and sum(text_of(row[j]) != "" for j in at.values()) <= len(at) / 2 + 1
        ):
            dropped.append(("total set aside", label, line))
            continue
        filled = [text for cell in row if (text := text_of(cell))]
        if len(filled) == 1 and len(at) > 1 and (filled[0][0] == "*" or begins_with(filled[0], "remark")):
            dropped.append(("remark set aside", filled[0], line))
            continue
        rows.append({role: row[j] for role, j in at.items()})
        lines.append(line)
    return rows, lines, dropped


# ---- fields

TABLE = "farm table"
NEEDED = ("crop", "area", "yield_goal")
#: What words say of straw and stover: kept, or baled without saying how much of it.
WHOLE = 1.0
_MEANS = {"kept": "kept", "baled": WHOLE}
#: Words of headers under which a number may be tons as well as a share.
_AMOUNTS_TOO = ("straw", "stover", "stroh", "paja", "rastrojo", "palha", "paille")
_TAKEN = ("baled", "removed")  # in a header, of which yes and no speak


@dataclass(frozen=True)
class FieldTable:
    """A table of fields under plain names, cells as written.

    Attributes
    ----------
    frame : DataFrame
        field, crop, area, yield_goal, yield_unit and, where the table has them, zone, year, part, residue
        (a share baled, percent with their sign, or kept), previous_crop, cases, manure, starter, and
        amounts named with their unit: manure_rate_ton_ac, manure_n_lb_ton, starter_rate_gal_ac, water_in,
        ...
    area_unit : str
    lines : list of int
        Line of each row in the file.
    notes : tuple of str
    name : str
    headers : dict
        Plain name -> the header in the file.
    """

    frame: pd.DataFrame
    area_unit: str
    lines: list
    notes: tuple
    name: str
    headers: dict

    def header(self, column) -> str | None:
        """The header of a plain column as the file has it; that of the goals may hold their unit."""
        own = self.headers.get("yield_goal") if column == "yield_unit" else None
        return self.headers.get(column, own or column)


def read_field_table(source, area_unit=None, goal_unit=None, problems=None) -> FieldTable:
    """Read a table of fields by the words of its columns; a column without a unit is a question, not a guess.

    Parameters
    ----------
    source : path, file-like or DataFrame
    area_unit, goal_unit : str, optional
        Units of columns that do not carry theirs.
    problems : list of Problem
        Filled with what is asked.
    """
    named = TABLE if isinstance(source, pd.DataFrame) else None
    things = open_things(source, "fields", name=named)
    problems = [] if problems is None else problems
    absent = [role for role in NEEDED if role not in things.headers]
    if absent:
        from fertkit.intake.kinds import another_kind

        if told := another_kind([things.every], "fields"):
            raise InputError(things.name, told)
        said = {role: role.replace("_", " ") for role in NEEDED}
        blanks = {"absent": ", ".join(said[role] for role in absent), "needed": ", ".join(said.values())}
        problems.append(problem("no columns of fields", all=", ".join(map(repr, things.every)), **blanks))
    frame = pd.DataFrame(things.rows, dtype=object)
    if "area" in frame:
        header = things.headers["area"]
        stated = measured_in("square", things.rests["area"] or header)
        area_unit = stated if stated in AREAS else area_unit
        if area_unit is None:
            problems.append(problem("area without unit", column=header))
    if "yield_goal" in frame and "yield_unit" not in frame:
        rest = things.rests["yield_goal"]
        unit = rest if "/" in rest or " per " in rest else "/".join(rest.split())
        in_cells = [] if unit else _stated_in(frame["yield_goal"], area_unit)
        if not (unit or goal_unit or in_cells):
            problems.append(problem("goal without unit", column=things.headers["yield_goal"]))
        frame["yield_unit"] = unit or goal_unit or ""
        if in_cells:
            frame["yield_goal"], frame["yield_unit"] = zip(*in_cells, strict=True)
    said = ()
    if "residue" in frame:
        words = _residue_words(things.headers["residue"])
        whole = {text_of(cell) for cell in frame["residue"] if words.get(plain(text_of(cell))) == WHOLE}
        said = (problem("straw baled whole", words=", ".join(map(repr, sorted(whole)))),) if whole else ()
        if plain(things.headers["residue"]) in _AMOUNTS_TOO:
            for cell, line in zip(frame["residue"], things.lines, strict=True):
                if (text := text_of(cell)) and plain(text) not in words:
                    problems.append(problem("straw not in words", line, things.headers["residue"], text))
        percent = bool(things.rests["residue"])
        frame["residue"] = [_own_words(cell, words, percent) for cell in frame["residue"]]
    for role in [
        role for role in frame if roles_of("fields")[role].measures in ("rate", "content", "length")
    ]:
        lines = zip(things.rows, things.lines, strict=True)
        frame[role] = [things.number(row, line, role, problems) for row, line in lines]
        frame = frame.rename(columns={role: _with_unit(role, things, problems)})
    if "year" in frame:
        frame["year"] = [int(text) if (text := text_of(cell)).isdigit() else text for cell in frame["year"]]
    s = "s" * (len(things.unused) > 1)
    unused = (f"not used: column{s} {', '.join(map(repr, things.unused))}",) if things.unused else ()
    notes = (*unused, *map(str, (*things.notes, *said)))
    return FieldTable(frame, area_unit, things.lines, notes, things.name, things.headers)


def _stated_in(cells, area_unit) -> list[tuple[str, str]]:
    """Number and unit of each goal where all cells hold both, as in 210 bu or 9,5 t/ha; else none."""
    parts = [cell_parts(text_of(cell), "amount")[:2] for cell in cells if text_of(cell)]
    if len(parts) < len(cells) or not all(unit for _, unit in parts):
        return []
    return [(number, unit if "/" in unit else f"{unit}/{area_unit}") for number, unit in parts]


def _with_unit(role, things, problems):
    """The name of a column of amounts with its unit: manure_rate_ton_ac."""
    stated, units = _unit_words_of(things.rests[role]), roles_of("fields")[role].examples.split(", ")
    for unit in units:
        if stated == _unit_words_of(unit):
            return f"{role}_{re.sub('[ /]', '_', unit).lower()}"
    blanks = {"units": " or ".join(", ".join(units).rsplit(", ", 1)), "role": role.replace("_", " ")}
    problems.append(problem("amount without unit", column=things.headers[role], **blanks))
    return role


def _unit_words_of(text):
    """The words of a unit, each in one spelling: lb, 1000 and gal of 'lbs per 1,000 gallons'."""
    text = re.sub(r"\b1[ ,]?000", "1000 ", spellings("per area").get(text, text))
    known = {word: name for kind in _AMOUNTS for word, name in spellings(kind).items()}
    return [known.get(plain(word), word) for word in re.split(r"[\s/]+", text) if word not in ("", "per")]


def _residue_words(header):
    """What words mean in a column of residue; yes and no only where its header says what they answer."""
    words = {word: _MEANS[name] for word, name in spellings("residue").items()}
    if any(said in plain(header) for said in _TAKEN):
        words |= {word: _MEANS[name] for word, name in (("yes", "baled"), ("no", "kept"))}
    return words


def _own_words(cell, words, percent):
    """A cell of a column of straw as one of residue: what its words mean, and percent with its sign."""
    text = plain(text_of(cell))
    if text in words:
        return words[text]
    return f"{text}%" if percent and text and not text.endswith("%") else cell
