"""What a class guessed before it saw the answer: kept in one file while the room is open, numbers alone.

A line holds a question and a number. Nothing tells who made a guess, and the file goes with the room.
"""

import math
import os
import re
from dataclasses import dataclass
from typing import Any

import pandas as pd

from fertkit.results import Result

#: Variable that names the file of a room; without it a guess stays in the page where it was made.
PLACE = "FERTKIT_GUESSES"
#: Largest size of that file [bytes]: some thousand guesses; later ones are not kept.
LARGEST = 50_000
_KEY = re.compile(r"[a-z0-9-]{1,40}")


@dataclass(frozen=True, repr=False, eq=False)
class Guesses(Result):
    """Guesses beside the answer.

    Attributes
    ----------
    question, unit : str
    own : float
        The guess of this page [`unit`].
    values : tuple of float
        Every guess, the own among them [`unit`].
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


def add_guess(key: str, value: float) -> None:
    """Keep a guess in the file of the room, if there is one and it has space."""
    path = os.environ.get(PLACE)
    if not path or not _KEY.fullmatch(key) or not math.isfinite(value):
        return
    with _held(path), open(path, "a", encoding="ascii") as file:
        if file.tell() < LARGEST:
            file.write(f"{key} {float(value)!r}\n")


def guesses_of(key: str) -> list[float]:
    """Give the guesses of a room at one question; none where no room is open."""
    path = os.environ.get(PLACE)
    if not path or not os.path.exists(path):
        return []
    with _held(path), open(path, encoding="ascii") as file:
        lines = [line.split() for line in file]
    return [float(value) for question, value in lines if question == key]


def _held(path: str):
    from filelock import FileLock

    return FileLock(f"{path}.lock", timeout=5)
