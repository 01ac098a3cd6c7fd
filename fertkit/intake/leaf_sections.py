"""Cut a laboratory's sheet into its tables, each with the lines that name its sample and crop."""

import re
from collections import Counter
from dataclasses import dataclass

from fertkit.errors import InputError
from fertkit.intake.columns import roles_of
from fertkit.intake.headers import STATED, Header, heading_unit, read_header
from fertkit.intake.spellings import number_like, plain, problem, spellings
from fertkit.intake.units import find_unit
from fertkit.tables import text_of

_WHOSE = ("sample_id", "lab_id", "field", "place", "crop")
NAMES = ("sample_id", "lab_id", "place", "field")
_STAGES = ("growth_stage", "feekes", "zadoks", "bbch")
_GROWN = ("crop", *_STAGES, "plant_part")
_LONGEST = 60  # characters of a cell that may be the name of a role


@dataclass(frozen=True)
class Stated:
    """One thing a line above a table says: its role, the cell with the value, and where it stands."""

    role: str
    cell: object
    line: int
    column: int


@dataclass(frozen=True)
class Section:
    """Lines of one table.

    Attributes
    ----------
    start, body, end : int
        First line (lines of context included), first line after these, and the line after the last.
    stated : tuple of Stated
        What its lines of context say.
    """

    start: int
    body: int
    end: int
    stated: tuple[Stated, ...] = ()


def sections_of(cells: list, text: list, name: str) -> list[Section]:
    """Cut a sheet where lines of context, or the head of a long or turned table, follow a table.

    Parameters
    ----------
    cells : list of list
    text : list of list of Header
        Meaning of each cell as if it were a header.
    name : str
        File name for messages.

    Raises
    ------
    InputError
        If it cannot be told whether such lines belong to the table above or below them.
    """
    starts, stated, table_seen, columns = [0], {0: []}, False, []
    body = {0: 0}
    for i, (row, meanings) in enumerate(zip(cells, text, strict=True)):
        if not any(c != "" for c in row):
            continue
        heads = _heads(row, meanings)  # 'Field, Year, Analyte' names columns; it does not say Field: Year
        context = [] if heads else context_of(row, meanings, i, columns, cells[i + 1 : i + 2])
        if table_seen and (_cuts(row, context) or heads):
            starts.append(i)
            stated[i], body[i], table_seen = [], i, False
        here = starts[-1]
        if context and not table_seen:
            stated[here] += context
            body[here] = i + 1
        elif not context and not table_seen:
            table_seen = _of_table(row, meanings, columns)
        heading = [j for j, h in enumerate(meanings) if h.names_nutrient]
        if len(heading) > 1 and not any(number_like(row[j]) for j in heading):
            columns = heading
    ends = [*starts[1:], len(cells)]
    sections = [Section(s, body[s], e, tuple(stated[s])) for s, e in zip(starts, ends, strict=True)]
    return _without_captions(sections, cells, text, name)


def _cuts(row, context):
    """Whether a line of context begins a new table; a line of a turned table must say whose it is."""
    across = (
        sum(c != "" for c in row) > 2
        and len(context) == 1
        and ":" not in text_of(next(c for c in row if c != ""))
    )
    return bool(context) and (not across or context[0].role in _WHOSE)


def _heads(row, meanings):
    """Whether a line is the head of a long or turned table: it names the analyte or the unit column."""
    roles = {h.name for h in meanings if h.kind == "role"}
    if not roles & {"analyte", "unit"}:
        return False
    others = [c for c in row if c != ""][1:]
    if sum(bool(find_unit(text_of(c))) for c in others) * 2 > len(others):
        return False
    return not any(h.names_nutrient for h in meanings)


def _of_table(row, meanings, columns):
    nutrients = sum(h.names_nutrient for h in meanings)
    numbers = sum(number_like(c) for c in row if c != "")
    return (
        nutrients > 1 or (nutrients == 1 and numbers) or any(number_like(row[j]) for j in columns if row[j])
    )


def _without_captions(sections, cells, text, name):
    """Join lines of context below the last table to it, if there is but one table; else ask."""
    last = sections[-1]
    rows = range(last.body, last.end)
    if len(sections) == 1 or any(_of_table(cells[i], text[i], ()) or _numbers(cells[i]) for i in rows):
        return sections
    before = sections[:-1]
    joined = Section(before[-1].start, before[-1].body, last.end, before[-1].stated)
    roles = {s.role for s in last.stated}
    if len(before) == 1:
        more = tuple(s for s in last.stated if s.role not in {t.role for t in joined.stated})
        return [Section(joined.start, joined.body, joined.end, joined.stated + more)]
    if not before[0].stated and roles & set(_WHOSE):
        first = last.stated[0]
        raise InputError(name, [problem("whose lines", first.line + 1, value=text_of(first.cell))])
    return [*before[:-1], joined]


def _numbers(row):
    filled = [c for c in row if c != ""]
    return sum(map(number_like, filled)) > 1


def context_of(row, meanings, line, columns=(), below=()) -> list[Stated]:
    """Return what a line of context states; empty if the line is none.

    ``columns`` are those of the nutrients in the table above, where numbers make a line one of its samples;
    ``below`` is the next line, where a number makes 'Sample, N' a header and no sample called N.
    """
    filled = [j for j, c in enumerate(row) if c != ""]
    first = filled[0]
    label = text_of(row[first])
    if not isinstance(row[first], str) or (":" not in label and meanings[first].kind != "role"):
        return []
    labelled = label.rstrip().endswith(":")
    at = [j for j in columns if row[j] != ""]
    if not labelled and columns and sum(number_like(row[j]) for j in at) > min(1, len(columns) - 1):
        return []
    named = [j for j, h in enumerate(meanings) if h.names_nutrient]
    if not labelled and (
        len(named) > 1 or any(len(filled) > 2 or number_like(r[j]) for j in named for r in below)
    ):
        return []
    stated, taken = [], -1
    for k, j in enumerate(filled):
        if k == taken or not isinstance(row[j], str):
            continue
        after = filled[k + 1] if k + 1 < len(filled) else None
        pairs = pairs_in(row[j])
        marked = text_of(row[j]).rstrip().endswith((":", "="))
        if pairs and pairs[-1][1] == "" and after is not None and _is_value(row[after], marked):
            pairs[-1] = (pairs[-1][0], row[after])
            taken = k + 1
        if k == 0 and (not pairs or pairs[-1][1] == ""):
            return []
        stated += [Stated(role, cell, line, j) for role, cell in pairs if cell != "" and role in STATED]
    return stated


def _is_value(cell, marked):
    """Whether a cell beside a label can be its value: not a label itself, nor a group heading.

    A sample may be called Field or Low; without a colon behind the label, 'Sample, Field' names two columns.
    """
    if not isinstance(cell, str):
        return True
    if cell.rstrip().endswith(":"):
        return False
    header = read_header(cell) if len(cell) <= _LONGEST and not marked else Header("unknown")
    named = header.name in STATED if header.kind == "role" else header.kind == "nutrient" and header.unit
    return marked or not (named or heading_unit(cell))


def pairs_in(cell: str) -> list[tuple[str, str]]:
    """Roles and values in one cell: 'Crop: Corn  Stage: R1' gives both; a label alone has the value ''."""
    pieces = re.split(r"\s*[:=]\s*", cell)
    role = _role_of(pieces[0])
    if not role:
        return []
    pairs, rest = [], pieces[1:] or [""]
    for k, piece in enumerate(rest):
        value, following = (piece, "") if k == len(rest) - 1 else _next_label(piece)
        if following or k == len(rest) - 1:
            pairs.append((role, value.strip(" ,;|/\t")))
            role = following
        else:  # the mark belongs to the value, as in 10:30
            rest[k + 1] = f"{piece}:{rest[k + 1]}"
    return pairs


def _role_of(words):
    header = read_header(words) if 0 < len(words) <= _LONGEST else None
    if (
        header is None
        or header.kind != "role"
        or header.name in ("range", "flag", "value", "analyte", "unit")
    ):
        return ""
    named = header.name == "place" and plain(words) in spellings("field")
    return "field" if named else header.name


def _next_label(piece):
    """(value, role) of a piece between two colons: its last words may be the next label."""
    words = piece.split()
    for n in range(min(4, len(words)), 0, -1):
        role = _role_of(" ".join(words[-n:]))
        if role:
            return " ".join(words[:-n]), role
    return piece, ""


def own_to_each(sections: list[Section], cells: list) -> list[frozenset]:
    """Roles (crop, stage, part) that no section may take from the sample above, one set a section.

    Those that several sections state, so that each has its own, unless they head groups of samples, and those
    whose label stands unread over the section, as in 'Cropcorn' or a bare 'Crop:'.
    """
    often = Counter(role for s in sections for role in {_family(t.role) for t in s.stated})
    each = {role for role, times in often.items() if times > 1 and not _heads_groups(role, sections)}
    starts = [0, *(s.body for s in sections)]
    return [
        frozenset(each | _unread(cells, range(before, s.body), {t.line for t in s.stated}))
        for before, s in zip(starts, sections, strict=False)
    ]


def _heads_groups(role, sections):
    """Whether a role stands over groups: each time above the name of the first of two samples or more."""
    stated = [[_family(t.role) for t in s.stated] for s in sections]
    at = [k for k, roles in enumerate(stated) if role in roles]
    named = [next((k for k, r in enumerate(roles) if r in NAMES), -1) for roles in stated]
    sizes = [end - k for k, end in zip(at, [*at[1:], len(sections)], strict=True)]
    heads = all(stated[k].index(role) < named[k] for k in at)
    return heads and at[0] == 0 and min(sizes) > 1 and min(named) >= 0


def _family(role):
    return "growth_stage" if role in _STAGES else role


def _unread(cells, lines, read):
    """Crop, stage or part whose label begins one of the lines without being read there."""
    roles = set()
    for i in set(lines) - read:
        filled = [text_of(c) for c in cells[i] if c != ""]
        if 0 < len(filled) <= 2:
            role = _begins_with_label(filled[0])
            roles |= {role} if role and not (len(filled) == 2 and number_like(filled[1])) else set()
    return roles


def _begins_with_label(text):
    words = plain(text)
    known = ((len(w), role) for role in _GROWN for w in roles_of("leaf")[role].words if words.startswith(w))
    return _family(max(known, default=(0, ""))[1])


def carried(past: list[Stated], own: tuple[Stated, ...], each: frozenset = frozenset()) -> list[Stated]:
    """Return the context of a table after those of the tables above it.

    What stood above the first role that the new lines state again holds on; a stage or part is not carried to
    another crop, nor anything from one sample to the next, nor a role of ``each``, which a sample states by
    itself.
    """
    if not own:
        return past
    value = {s.role: text_of(s.cell).casefold() for s in past}
    new = {s.role: text_of(s.cell).casefold() for s in own}
    same = any(role in new and new[role] == value.get(role) for role in ("sample_id", "lab_id"))
    begins = next((k for k, s in enumerate(past) if s.role in new), len(past))
    kept = past if same else [s for s in past[:begins] if _family(s.role) not in each & {*_GROWN}]
    if new.get("crop", value.get("crop")) != value.get("crop"):
        kept = [s for s in kept if s.role not in _GROWN[1:]]
    return [s for s in kept if s.role not in new] + list(own)
