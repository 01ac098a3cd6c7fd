"""What a class guessed before it saw the answer: kept in one file while the room is open, without names.

A line holds a question, a number and a mark that the browser drew by lot: who loads a page again counts once,
by the guess made before the answer was seen. The file goes with the room.
"""

import math
import os
import re
from dataclasses import dataclass
from typing import Any

import pandas as pd

from fertkit.results import Result
from fertkit.rounding import same

#: Variable that names the file of a room; without it a guess stays in the page where it was made.
PLACE = "FERTKIT_GUESSES"
#: Largest size of that file [bytes]: some thousand guesses; later ones are not kept.
LARGEST = 50_000
_KEY = re.compile(r"[a-z0-9-]{1,40}")
_SEAT = re.compile(r"[a-z0-9]{1,40}")


@dataclass(frozen=True, repr=False, eq=False)
class Guesses(Result):
    """Guesses beside the answer.

    Attributes
    ----------
    question, unit : str
    own : float
        The guess of this page [`unit`].
    first : float
        The guess that the room counts of this page: the own one, unless that came after another [`unit`].
    values : tuple of float
        Every guess that counts, the first of this page among them [`unit`].
    answer : float
        [`unit`]
    between : Interval or None
        Interval that the data give: has ends, a text, and tells what lies in it [`unit`].
    named, interval : str
        What the answer and the interval are.
    """

    question: str
    unit: str
    own: float
    first: float
    values: tuple[float, ...]
    answer: float
    between: Any
    named: str
    interval: str

    @property
    def table(self) -> pd.DataFrame:
        """One row a guess, from the least."""
        return pd.DataFrame({"guess": sorted(self.values)})

    @property
    def middle(self) -> float:
        """Median of the guesses."""
        return float(self.table["guess"].median())

    @property
    def inside(self) -> int:
        """How many guesses lie in the interval."""
        return sum(value in self.between for value in self.values)

    @property
    def again(self) -> bool:
        """Whether the own guess came after one that counts in its place."""
        return not same(self.own, self.first)


def add_guess(key: str, value: float, seat: str = "") -> float:
    """Keep a guess in the file of the room, if there is one and it has space; give the one that counts.

    It is the first of a `seat`; one of no seat always counts.
    """
    path = os.environ.get(PLACE)
    if not path or not _KEY.fullmatch(key) or not math.isfinite(value):
        return value
    mark = [seat] if _SEAT.fullmatch(seat) else []
    with _held(path), open(path, "a+", encoding="ascii") as file:
        file.seek(0)
        for question, guessed, *whose in map(str.split, file):
            if mark and (question, whose) == (key, mark):
                return float(guessed)
        if file.tell() < LARGEST:
            file.write(" ".join([key, repr(float(value)), *mark]) + "\n")
    return value


def guesses_of(key: str) -> list[float]:
    """Give the guesses of a room at one question; none where no room is open."""
    path = os.environ.get(PLACE)
    if not path or not os.path.exists(path):
        return []
    with _held(path), open(path, encoding="ascii") as file:
        lines = [line.split() for line in file]
    return [float(value) for question, value, *_ in lines if question == key]


def _held(path: str):
    from filelock import FileLock

    return FileLock(f"{path}.lock", timeout=5)
