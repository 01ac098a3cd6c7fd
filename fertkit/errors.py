"""The few kinds of error fertkit raises.

Every message names what was wrong and what to do next. Problems found in a file are
gathered and raised together, so that a user mends the file once.
"""

import re
from collections.abc import Iterable
from contextlib import contextmanager
from dataclasses import dataclass, replace

_TOLD_APART, _ROWS_NAMED = 3, 12  # alike problems told one by one; rows named when they are told together
_LONGEST_HEADER = 120  # characters of a column's name in a message
_LONGEST_SENTENCE = 2000  # characters of one sentence of a message, whatever a file puts into it
_CLOSE = 0.7  # share of the letters of two names that agree from which on one may be meant by the other


def typed(option: str, python: str = "") -> str:
    """Name what to type, for those who do: an option of the command line, and the same in Python."""
    return f"{option} (in Python {python})" if python else option


def with_code(plain: str, in_code: str) -> str:
    """Join a plain sentence and what to type."""
    stop = "." * (plain.endswith(".") and not plain.endswith("...") and in_code != "")
    return f"{plain.removesuffix(stop)}, or use {in_code}{stop}" if in_code else plain


class Note(str):
    """A plain sentence that carries what to type apart; any text made of it is plain.

    Attributes
    ----------
    in_code : str
    trials : tuple of str
        The trials of a file that it is about; empty for all of them.
    """

    __slots__ = ("in_code", "trials")

    def __new__(cls, plain: str, in_code: str = "", trials=()):
        note = super().__new__(cls, plain)
        note.in_code, note.trials = in_code, tuple(trials)
        return note


def notes_about(notes, trials) -> tuple[str, ...]:
    """Keep the notes of a file that are about some of its trials, or about all."""
    trials = set(trials)
    return tuple(n for n in notes if not getattr(n, "trials", ()) or trials & set(n.trials))


class FertkitError(Exception):
    """Root of every error raised on purpose; as text it names what to type too.

    Attributes
    ----------
    what, remedy : str
        What is wrong, and what to do about it where that is told apart.
    in_code : str
        What to type, for the command line and Python.
    """

    def __init__(self, what: str = "", in_code: str = "", *, remedy: str = ""):
        super().__init__(what, in_code)
        self.what, self.in_code, self.remedy = what, in_code, remedy

    @property
    def plain(self) -> str:
        """The message without options and Python, for pages that have controls."""
        return f"{self.what}; {self.remedy}" if self.remedy else self.what

    def problem(self, otherwise: str = "correct it") -> "Problem":
        """Return the error as a problem of a table; `otherwise` is the remedy of one that tells none."""
        return Problem(self.what, self.remedy or otherwise, in_code=self.in_code)

    def __str__(self) -> str:
        return with_code(self.plain, self.in_code)

    @property
    def note(self) -> Note:
        """The message in one line, as part of an answer that goes on without what was refused."""
        return Note(" ".join(self.plain.split()), self.in_code)

    def _render_traceback_(self) -> list[str]:
        """What a notebook shows of it: the message, not the way through the code."""
        return [f"{type(self).__name__}: {self}"]


class UnitError(FertkitError):
    """A unit is unknown, missing or does not fit the quantity."""


class LookupFailed(FertkitError):
    """A crop, stage, plant part, nutrient, source or curve is not known; lists the valid ones."""


class NotEstimable(FertkitError):
    """The data cannot answer the question asked (too few rates, no degrees of freedom left, ...)."""


class PriceError(FertkitError):
    """A price, cost or price ratio that cannot be: negative, missing, or zero where money changes hands."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with one cell, column or line of a table.

    Attributes
    ----------
    what : str
        What is wrong, in plain words.
    remedy : str
        What to do about it.
    row : int or None
        Line of the file, counted from 1 as a spreadsheet shows it; None for the whole column or file.
    column, value : str or None
        Header and cell content as the user wrote them.
    in_code : str
        The remedy for those who type (see `typed`).
    file : str
        Where it stands, if problems of several files are told together.
    """

    what: str
    remedy: str
    row: int | None = None
    column: str | None = None
    value: object = None
    in_code: str = ""
    file: str = ""

    def __str__(self) -> str:
        return with_code(self.plain, shorten(self.in_code, _LONGEST_SENTENCE))

    @property
    def plain(self) -> str:
        """The problem without options and Python."""
        place = [shorten(self.file)] if self.file else []
        place += [f"row {self.row}"] if self.row is not None else []
        if self.column is not None:
            place.append(f"column '{shorten(self.column, _LONGEST_HEADER)}'")
        if self.value is not None:
            place.append(f"value '{shorten(self.value)}'")
        what, remedy = (shorten(text, _LONGEST_SENTENCE) for text in (self.what, self.remedy))
        return (", ".join(place) + ": " if place else "") + f"{what}; {remedy}"


class InputError(FertkitError):
    """A user's table cannot be used as it stands; holds every problem found in it.

    Parameters
    ----------
    file : str
        Name of the file or table, as the user knows it.
    problems : iterable of Problem

    Attributes
    ----------
    file : str
    problems : tuple of Problem
    """

    SHOWN = 25

    def __init__(self, file: str, problems: Iterable[Problem]):
        self.file = harmless(str(file))
        self.problems = tuple({repr(one): one for one in problems}.values())  # one cell may stand for strips
        super().__init__(self._listed(lambda problem: problem.plain))
        self.args = self.file, self.problems  # what makes it again in another process

    def of_file(self) -> list[Problem]:
        """The problems, each with the file it stands in, to be told with those of other files."""
        return [replace(problem, file=problem.file or self.file) for problem in self.problems]

    def __str__(self) -> str:
        return self._listed(str)

    @property
    def note(self) -> Note:
        told = _told(self.problems, lambda problem: problem.plain)
        return Note(f"{self.file}: {'; '.join(told[: self.SHOWN])}")

    def _listed(self, say) -> str:
        told = _told(self.problems, say)
        lines = [f"  - {text}" for text in told[: self.SHOWN]]
        if len(told) > self.SHOWN:
            lines.append(f"  - and {len(told) - self.SHOWN} more")
        count = f"{len(self.problems)} problem{'s' * (len(self.problems) > 1)} to fix"
        return f"{self.file}: {count}\n" + "\n".join(lines)


def _told(problems, say) -> list[str]:
    """A sentence for each problem; the same one in many rows is told once, with its rows."""
    alike: dict[tuple, list[Problem]] = {}
    for place, problem in enumerate(problems):
        alone = place if problem.row is None else None
        same = problem.what, problem.remedy, problem.in_code, problem.column, problem.file, alone
        alike.setdefault(same, []).append(problem)
    told = []
    for group in alike.values():
        if len(group) <= _TOLD_APART:
            told += map(say, group)
            continue
        rows = ", ".join(str(p.row) for p in group[:_ROWS_NAMED])
        more = f" and {len(group) - _ROWS_NAMED} more" if len(group) > _ROWS_NAMED else ""
        told.append(f"{say(group[0])} (the same in {len(group)} rows: {rows}{more})")
    return told


# Control characters, marks that turn the direction of writing, and halves of characters: a file's id must not
# steer a terminal, hide in a page or stop a file from being written.
_HARMFUL = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def harmless(text: str) -> str:
    """Put a visible mark in place of characters that are not to be shown; tabs and line ends stay."""
    return _HARMFUL.sub("\ufffd", text)


def shorten(value: object, longest: int = 60) -> str:
    """Show a user's value in a message without letting it flood the message."""
    text = harmless(" ".join(str(value).split()))
    return text if len(text) <= longest else text[: longest - 1] + "…"


def unknown(kind: str, value: object, valid: Iterable[str]) -> LookupFailed:
    """Make the error for a name that is not in a list of valid names; says which are spelled much like it."""
    from difflib import get_close_matches

    names, wanted = {str(name).lower(): str(name) for name in valid}, str(value).lower().strip()
    near = [names[key] for key in get_close_matches(wanted, names, 2, _CLOSE)]
    like = f", much like {' and '.join(near)}" if near else ""
    remedy = f"choose one of: {', '.join(sorted(names.values()))}"
    return LookupFailed(f"unknown {kind} '{shorten(value)}'{like}", remedy=remedy)


def one_of(names: Iterable[object]) -> str:
    """Name what may be written: the remedy of a word that is not read."""
    return f"use one of: {', '.join(map(str, names))}"


def unknown_unit(unit: str, valid: Iterable[str], of: str = "unit") -> UnitError:
    """Make the error for a unit that is not read."""
    return UnitError(f"unknown {of} '{unit}'", remedy=one_of(valid))


def installing(extra: str) -> str:
    """Name what to install: the remedy where a library is not there."""
    return f"install it with: pip install 'fertkit[{extra}]'"


def missing_columns(table, names: Iterable[str], remedy: str = "add it") -> list[Problem]:
    """Make a problem of each column that a table needs and does not have."""
    return [Problem("column is missing", remedy, column=name) for name in names if name not in table]


@contextmanager
def naming(path, draft=None):
    """Name a file in errors of the system that name none (those of a full disk), or that name its draft."""
    try:
        yield
    except OSError as error:
        ours = error.filename is None or str(error.filename) == str(draft)
        if ours and error.errno is not None:
            error.filename = str(path)
            del error.filename2
        raise
