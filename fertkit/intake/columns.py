"""Which column of a file plays which role: by the words of ``roles.csv``, or as the caller says it."""

from dataclasses import replace
from functools import cache
from typing import NamedTuple

from fertkit.errors import InputError, Problem, typed
from fertkit.intake.grid import header_key, without_unit
from fertkit.intake.spellings import plain, problem, table_of

#: Columns known to be of no role (protein, soil).
OTHER = "other"
#: Headers of rates and of what may stand in their place, as a message names them.
RATE_HEADER = "N rate (lb/ac)' or, where treatments have names, 'Treatment"


class Role(NamedTuple):
    """What a column may be: its words, the surest first, what it holds, what it measures and units of it."""

    words: tuple[str, ...]
    holds: str
    measures: str
    examples: str


# ---- what a header says


@cache
def roles_of(file: str) -> dict[str, Role]:
    """Return the roles that columns of one kind of file (leaf, strips, points) can play, in their order."""
    return {
        row["role"]: Role(
            tuple(map(plain, row["words"].split("|"))), row["holds"], row["measures"], row["examples"]
        )
        for row in table_of("roles.csv")
        if row["file"] == file
    }


@cache
def role_words(file: str) -> dict[str, dict[str, int]]:
    """Return every word that names roles of one kind of file: role -> how sure the word is, 0 the surest."""
    words: dict[str, dict] = {}
    for name, role in roles_of(file).items():
        for rank, word in enumerate(role.words):
            for form in {word, word.rstrip(".")}:
                words.setdefault(form, {}).setdefault(name, rank)
    return words


def roles_said(file: str, phrases) -> dict[str, int]:
    """Return the roles that phrases of a header name, in the order of the phrases, and how sure each is."""
    said, words = {}, role_words(file)
    for phrase in phrases:
        for role, rank in words.get(phrase, {}).items():
            said[role] = min(rank, said.get(role, rank))
    return said


def role_said(file: str, *phrases) -> str:
    """Return the role that the first phrase to name one names; '' if none does."""
    return next(iter(roles_said(file, phrases)), "")


# ---- what the caller says


def each(named):
    """Return one header or several as a list."""
    return [named] if isinstance(named, str) or not isinstance(named, list | tuple) else named


def say_column(role, header, file="") -> str:
    """Return how to name a column, on the command line and in Python; a `file` is one of several."""
    name = f"{file}.{role}" if file else role
    option = f'--by "{header}"' if name == "factor" else f'--column {name}="{header}"'
    return typed(option, f"columns={{'{role}': '{header}'}}")


def columns_by_file(columns, files, rest) -> dict[str, dict]:
    """Part what the caller names, ``soil.field``, by file; what names no file is of the one called `rest`."""
    parted: dict[str, dict] = {file: {} for file in (*files, rest)}
    for role, named in (columns or {}).items():
        file, dot, own = role.partition(".")
        parted[file if dot and file in files else rest][own if dot and file in files else role] = named
    return parted


def chosen_roles(columns) -> dict[str, str]:
    """Return the role of each header that the caller names, by the header as it is compared."""
    return {header_key(header): role for role, named in (columns or {}).items() for header in each(named)}


def as_chosen(read, columns, roles, name):
    """Return a reader of header cells that obeys the caller: a role, or what a header would say (``K %``).

    Raises
    ------
    InputError
        If a role is neither.
    """
    meant, problems = {}, []
    for key, role in chosen_roles(columns).items():
        said = read(role)
        if role in roles and not said.names_nutrient:
            said = replace(read(""), kind="role", name=role)
        elif said.kind != "role" and not said.names_nutrient:
            every = ", ".join([*roles, "a test with its unit"])
            problems.append(problem("unknown role", role=role, roles=every))
        meant[key] = said
    if problems:
        raise InputError(name, problems)

    def read_chosen(text):
        said, own = meant.get(header_key(text)), read(text)
        if said and said.names_nutrient and (own.kind, own.name) == (said.kind, said.name):
            complaint = "" if said.unit else own.complaint
            told = {part: what for part, what in vars(said).items() if what} | {"complaint": complaint}
            return replace(own, **told)
        return said or own

    return read_chosen if meant else read


def parts_of(header, headers) -> list[str]:
    """Return the headers that ``A + B`` names; the whole, where it is a header itself."""
    whole = header_key(header)
    if "+" not in whole or whole in map(header_key, headers):
        return [header]
    return [part.strip().strip("\"'") for part in str(header).split("+")]


def left_over(headers, columns) -> list[int]:
    """Return the columns that the caller does not name."""
    named = [header for of in columns.values() for header in each(of)]
    keys = {header_key(part) for header in named for part in parts_of(header, headers)}
    taken = {_column_of(key, headers) for key in keys}
    return [j for j, header in enumerate(headers) if j not in taken and header_key(header) not in keys]


def lacking(headers, columns) -> list[Problem]:
    """Return the complaints of headers that the caller names and the file lacks."""
    named = [(role, header) for role, of in columns.items() for header in each(of)]
    gone = [(role, header) for role, header in named if _column_of(header, headers) is None]
    every = listed_all(dict.fromkeys(headers))
    return [problem("no such column", header=header, role=role, all=every) for role, header in gone]


def _column_of(header, headers) -> int | None:
    """The column of a header: as it is written, but for case and blanks, or the only one but for its unit."""
    exact = (j for j, h in enumerate(headers) if h == header)
    alike = (j for j, h in enumerate(headers) if header_key(h) == header_key(header))
    bare = [j for j, h in enumerate(headers) if header_key(without_unit(h)) == header_key(header)]
    return next(exact, next(alike, bare[0] if len(bare) == 1 else None))


# ---- the column of each role


def assign_roles(
    headers, columns, roles, problems, rivals_of, *, several=None, sums=(), file=""
) -> dict[str, int]:
    """Find which column plays which role: the one that the caller names, or the surest by its header.

    Parameters
    ----------
    headers : list of str
    columns : dict
        Role -> header, as the caller says it; of `OTHER` one or several.
    roles : collection of str
        In the order in which they take their columns.
    problems : list of Problem
        Filled with roles and headers that are not known, roles given twice, and roles of several columns.
    rivals_of : callable
        (role, free columns) -> those that are as sure as each other, the first choice first.
    several : callable, optional
        (role, rivals, taken) -> the question which of them it is, or None where it is settled in `taken`.
    sums : collection of str
        Roles that may be the sum of columns, ``A + B``; the further ones play "role 2", "role 3", ...
    file : str, optional
        Name of the file among several, as the caller writes it before a role; None where none can be named.
    """
    taken = _chosen(headers, columns, roles, sums, problems)
    free = left_over(headers, columns)
    for role in roles:
        rivals = rivals_of(role, free) if role != OTHER else []
        free = [j for j in free if j not in rivals]
        if role in taken or not rivals:
            continue
        taken[role] = rivals[0]
        if len(rivals) > 1:
            if several:
                asked = several(role, rivals, taken)
            else:
                asked = which_column(role, [headers[j] for j in rivals], file)
            problems += [asked] if asked else []
    return taken


def _chosen(headers, columns, roles, sums, problems) -> dict[str, int]:
    """The columns that the caller names, by role; of a sum the further ones play "role 2", "role 3", ..."""
    taken: dict[str, int] = {}
    for role, header in [(role, header) for role, named in columns.items() for header in each(named)]:
        if role not in (*roles, OTHER):
            every = ", ".join(dict.fromkeys((*roles, OTHER)))
            problems.append(problem("unknown role", role=role, roles=every))
            continue
        parts = parts_of(header, headers) if role in sums else [header]
        for part in parts:
            if (at := _column_of(part, headers)) is None:
                problems.append(problem("no such column", header=part, role=role, all=listed_all(headers)))
            elif role == OTHER:
                continue
            elif role in taken and part is parts[0]:
                blanks = {"first": headers[taken[role]], "second": header}
                blanks["sum"] = ", or join both with + for their sum" if role in sums[:1] else ""
                problems.append(problem("column given twice", role=role, **blanks))
            else:
                n = sum(r.split()[0] == role for r in taken)
                taken[f"{role} {n + 1}" if n else role] = at
    return taken


def which_column(role, headers, file="") -> Problem:
    """Return the question which of several columns plays a role."""
    names, first = ", ".join(f"'{header}'" for header in headers), headers[0]
    if len({header_key(header) for header in headers}) == 1:
        return problem("several of one name", role=role.replace("_", " "), names=names)
    blanks = {"names": names, "sum": "", "in_code": "" if file is None else say_column(role, first, file)}
    return problem("several columns", role=role.replace("_", " "), **blanks)


def no_column(role, headers, example, file="", own="your header") -> Problem:
    """Return the question for the column of a role that none plays; `own` is a header that may."""
    told = "" if file is None else say_column(role, own, file)
    blanks = {"example": example, "in_code": told}
    return problem("no column", role=role.replace("_", " "), all=listed_all(headers), **blanks)


def listed_all(headers) -> str:
    """Return all headers, for a message."""
    return ", ".join(filter(None, map(str, headers)))
