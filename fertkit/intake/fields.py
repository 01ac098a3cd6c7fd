"""Read a table of fields: crop, area, yield goal, what is baled, and what stands in the books beside."""

from dataclasses import dataclass

import pandas as pd

from fertkit.intake.lists import open_things
from fertkit.intake.spellings import plain, problem, spellings
from fertkit.intake.units import measured_in
from fertkit.tables import text_of

TABLE = "farm table"
NEEDED = ("crop", "area", "yield_goal")
AREAS = ("ac", "ha")
#: Units of the columns that hold amounts, by the names they get.
AMOUNTS = {
    "manure_rate": ("ton/ac", "t/ha"), "manure_n": ("lb/ton",), "manure_p2o5": ("lb/ton",),
    "manure_k2o": ("lb/ton",), "starter_rate": ("lb/ac", "gal/ac"), "water": ("in",),
    "water_nitrate": ("ppm",),
}  # fmt: skip


#: What words say of straw and stover: kept, or baled without saying how much of it.
WHOLE = 1.0
_MEANS = {"kept": "kept", "baled": WHOLE}
_AMOUNTS_TOO = ("straw", "stover")  # headers under which a number may be tons as well as a share
_TAKEN = ("baled", "removed")  # in a header, of which yes and no speak


@dataclass(frozen=True)
class FieldTable:
    """A table of fields under plain names, cells as written.

    Attributes
    ----------
    frame : DataFrame
        field, crop, area, yield_goal, yield_unit and, where the table has them, zone, year, residue (a share
        baled, percent with their sign, or kept), previous_crop, cases, manure, starter, and amounts named
        with their unit: manure_rate_ton_ac, manure_n_lb_ton, starter_rate_gal_ac, water_in, ...
    area_unit : str
    lines : list of int
        Line of each row in the file.
    notes : tuple of str
    name : str
    """

    frame: pd.DataFrame
    area_unit: str
    lines: list
    notes: tuple
    name: str


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
        blanks = {"absent": ", ".join(absent), "needed": ", ".join(NEEDED)}
        problems.append(problem("no columns of fields", all=", ".join(map(repr, things.every)), **blanks))
    frame = pd.DataFrame(things.rows, dtype=object)
    if "area" in frame:
        header = things.headers["area"]
        stated = measured_in("square", things.rests["area"] or header)
        area_unit = stated if stated in AREAS else area_unit
        if area_unit is None:
            problems.append(problem("area without unit", column="area"))
    if "yield_goal" in frame and "yield_unit" not in frame:
        rest = things.rests["yield_goal"]
        unit = rest if "/" in rest or " per " in rest else "/".join(rest.split())
        if not unit and goal_unit is None:
            problems.append(problem("goal without unit", column="yield_goal"))
        frame["yield_unit"] = unit or goal_unit or ""
    said = ()
    if "residue" in frame:
        words = _residue_words(things.headers["residue"])
        whole = {text_of(cell) for cell in frame["residue"] if words.get(plain(text_of(cell))) == WHOLE}
        said = (problem("straw baled whole", words=", ".join(map(repr, sorted(whole)))),) if whole else ()
        if plain(things.headers["residue"]) in _AMOUNTS_TOO:
            for cell, line in zip(frame["residue"], things.lines, strict=True):
                if (text := text_of(cell)) and plain(text) not in words:
                    problems.append(problem("straw not in words", line, "residue", text))
        percent = bool(things.rests["residue"])
        frame["residue"] = [_own_words(cell, words, percent) for cell in frame["residue"]]
    for role in [role for role in AMOUNTS if role in frame]:
        lines = zip(things.rows, things.lines, strict=True)
        frame[role] = [things.number(row, line, role, problems) for row, line in lines]
        frame = frame.rename(columns={role: _with_unit(role, things, problems)})
    if "year" in frame:
        frame["year"] = [int(text) if (text := text_of(cell)).isdigit() else text for cell in frame["year"]]
    s = "s" * (len(things.unused) > 1)
    unused = (f"not used: column{s} {', '.join(map(repr, things.unused))}",) if things.unused else ()
    notes = (*unused, *map(str, (*things.notes, *said)))
    return FieldTable(frame, area_unit, things.lines, notes, things.name)


def _with_unit(role, things, problems):
    """The name of a column of amounts with its unit: manure_rate_ton_ac."""
    stated = things.rests[role].replace("/", " ").split()
    for unit in AMOUNTS[role]:
        if stated == unit.split("/"):
            return f"{role}_{unit.replace('/', '_')}"
    blanks = {"units": " or ".join(AMOUNTS[role]), "role": role.replace("_", " ")}
    problems.append(problem("amount without unit", column=things.headers[role], **blanks))
    return role


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
