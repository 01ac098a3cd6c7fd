"""Predict, then see: a place for a guess, and the answer only once one was made.

In a room that is shared the guesses of all seats are drawn together, without names, and follow as they come.
"""

import asyncio
import json
import math
from contextlib import contextmanager
from types import SimpleNamespace

import ipywidgets as widgets
from IPython.display import HTML

from fertkit.errors import FertkitError
from fertkit.guesses import Guesses, add_guess, guesses_of
from fertkit.intake.numbers import TwoWays, read_typed
from fertkit.panels import controls, show
from fertkit.panels.on_page import OnPage, box, heard
from fertkit.plots.style import on_a_page
from fertkit.response.interval import make_interval
from fertkit.results import plain

#: Confidence of an interval that is given by its ends.
LEVEL = 0.95
WAITS = "This opens when you have made your guess."
FIRST = "Guess first. The answer opens then."
OWN_ONLY = "With numbers of your own the guess is yours alone: it is not drawn with the room's."
AGED = "The answer below is for the numbers before. Press Show again."
#: Label of the box, and what is said where it is empty or holds something else.
YOUR_GUESS = "Your guess"
NO_GUESS = "write your guess first: a number from {} to {}"
OUTSIDE = "'{}' is not from {} to {} {}. Write a guess in between"
NO_NUMBER = "'{}' is not a number. Write one from {} to {}"


class GuessPanel(OnPage):
    """Ask for a number, and show the answer beside it once it is given.

    Parameters
    ----------
    key : str
        What the guesses of a room are kept under: small letters, digits and dashes.
    question : str
        One line.
    unit : str
    reveal : callable
        Takes the numbers of `own` by name; gives the answer, or the answer and an interval: an `Interval`, or
        its two ends.
    low, high : float
        What a guess may be [`unit`].
    named, interval : str
        What the answer and the interval are.
    own : dict, optional
        Numbers that a reader may put own ones in for: name -> (label, number to begin with, least, most).

    Attributes
    ----------
    result : Guesses or None
    error : Exception or None
        What stopped the last step.
    view : ipywidgets.Box
    """

    every = 2.0  # between two looks at the guesses of the room [s]; 0 for none

    def __init__(self, key: str, question: str, unit: str, reveal, *, low: float = 0.0, high: float = 1000.0,
                 named: str = "the truth of the simulation", interval: str = "95% interval of the strips",
                 own: dict | None = None):  # fmt: skip
        self.key, self.question, self.unit, self.reveal = key, question, unit, reveal
        self.low, self.high, self.named, self.interval = low, high, named, interval
        self.result = self.error = None
        self._begun = {name: value for name, (_, value, *_) in (own or {}).items()}
        self._waiting, self._known = [], []  # what opens with the answer; guesses of the room as drawn
        self._given = None  # the guess that the room has of this seat
        self._seat = ""  # mark of the browser, once it has told
        self._asked = self._begun  # numbers of the answer on show
        self._watching = None
        self.box = controls.line(f"{YOUR_GUESS} [{unit}]", f"{plain(low)} to {plain(high)}")
        self.own = {name: controls.number(*asked) for name, asked in (own or {}).items()}
        for control in self.own.values():
            control.add_class("fertkit-own")
            control.observe(lambda _: self._age(), "value")
        self.button = controls.button("Show the answer", self.open, "Opens once you have made a guess")
        self._build()

    def guess(self, value) -> None:
        """Make a guess and see the answer."""
        self.box.value = str(value)
        self.open()

    def open(self) -> None:
        """Read the guess; keep it for the room if it is the first of this seat, and show the answer."""
        with self._step():
            value, self._asked = self._guessed(), self._numbers()
            alone = self._asked != self._begun
            if self._given is None and not alone:
                self._given = add_guess(self.key, value, self._seat)
            self._known = [] if alone else guesses_of(self.key)
            self._show(value)
            for place in self._waiting:
                place.remove_class("fertkit-closed")
            self.button.description = "Show again"
            self._watch()

    def before(self, *panels):
        """Keep panels and answers closed until the guess is made.

        Parameters
        ----------
        *panels : Panel, ipywidgets.Widget or what `present` gives

        Returns
        -------
        ipywidgets.Box
        """
        waits = widgets.HTML(show.waits(WAITS))
        place = box([waits, *map(_widget, panels)], "behind")
        if self.result is None:
            place.add_class("fertkit-closed")
        self._waiting.append(place)
        return place

    def take_back(self, kept: str) -> None:
        """Make a guess again that was made before the kernel ended; the room has it already."""
        if not kept:
            return
        before = json.loads(kept)
        self.box.value = before["guess"]
        for name, value in before["own"].items():
            self.own[name].value = value
        self._given = before["first"]
        self.open()

    # -- how it hangs together ------------------------------------------------------------------------------
    def _build(self) -> None:
        self._banner, self._aged, self._says, self._figure = (widgets.HTML() for _ in range(4))
        self._aged.add_class("fertkit-old-said")
        self._says.value = show.said(FIRST)
        note = [widgets.HTML(f'<p class="fertkit-quiet">{OWN_ONLY}</p>')] if self.own else []
        ask = box([*self.own.values(), *note, self.box, self.button], "ask")
        answer = box([self._banner, self._aged, self._says, self._figure], "answer")
        head = widgets.HTML(f"{show.style()}<h3>{show.escape(self.question)}</h3>")
        seat = heard("seat", "Seat", self._take_seat)
        self._put_on_page([head, box([ask, answer], "body"), seat], "Guess kept")
        self.view.add_class("fertkit-guess")
        self._figure.add_class("fertkit-picture")

    def _take_seat(self, mark: str) -> None:
        self._seat = mark

    @contextmanager
    def _step(self):
        self.error, self._banner.value = None, ""
        try:
            yield
        except Exception as error:
            self.error = error
            self._banner.value = show.banner(error, "opening the answer")
            if self.raise_errors and not isinstance(error, FertkitError):
                raise

    def _guessed(self) -> float:
        typed, bounds = self.box.value.strip(), (plain(self.low), plain(self.high))
        typed = typed.removesuffix(self.unit).strip()
        if not typed:
            raise controls.Refused(NO_GUESS.format(*bounds))
        try:
            value = read_typed(typed)
        except TwoWays as error:
            raise controls.Refused(str(error)) from None
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise controls.Refused(NO_NUMBER.format(typed, *bounds))
        if not self.low <= value <= self.high:
            raise controls.Refused(OUTSIDE.format(typed, *bounds, self.unit))
        return value

    def _numbers(self) -> dict:
        controls.check(*self.own.values())
        return {name: control.value for name, control in self.own.items()}

    def _show(self, value: float) -> None:
        shown = self.reveal(SimpleNamespace(**self._asked))
        answer, *ends = shown if isinstance(shown, tuple) else (shown,)
        between = make_interval(*ends, LEVEL, "exact") if len(ends) == 2 else ends[0] if ends else None
        counted = self._given in self._known
        first, values = (self._given, self._known) if counted else (value, [*self._known, value])
        self.result = Guesses(self.question, self.unit, value, first, tuple(values), float(answer), between,
                              self.named, self.interval)  # fmt: skip
        self._show_again()
        self._kept.value = show.kept(
            json.dumps({"guess": self.box.value, "own": self._asked, "first": self._given})
        )

    def _show_again(self) -> None:
        texts = "\n".join(line.text for line in self.result.lines())
        with on_a_page(self._inches):
            self._figure.value = show.Sheet(self.result.plot()).html(texts)
        self._says.value = show.said(texts)
        self._age()

    def _age(self) -> None:
        """Mark an answer for other numbers than those typed as old, and say so."""
        old = self.result is not None and any(
            control.value != self._asked[name] for name, control in self.own.items()
        )
        for piece in (self._says, self._figure):
            (piece.add_class if old else piece.remove_class)("fertkit-old")
        self._aged.value = show.paragraphs(AGED) if old else ""

    def _watch(self) -> None:
        """Look again and again what the others of the room guess."""
        if self._watching:
            self._watching.cancel()
        try:
            loop = self.every and self._known and asyncio.get_running_loop()
        except RuntimeError:  # outside a notebook nothing comes later
            loop = None
        self._watching = loop.call_later(self.every, self._look) if loop else None

    def _look(self) -> None:
        if (now := guesses_of(self.key)) != self._known:
            self._known = now
            with self._step():
                self._show(self.result.own)
        self._watch()


def _widget(shown):
    """Give what a cell shows as a widget."""
    return widgets.HTML(shown.data) if isinstance(shown, HTML) else getattr(shown, "view", shown)
