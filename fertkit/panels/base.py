"""What every panel has in common: settings in, result and figure out, nothing computed here.

A panel is a thin class over the library. It holds one control for each setting, works the answer out again
when a control is finished with, shows the figure beside its message in words, and says in one plain sentence
when something cannot be done.
"""

import asyncio
from contextlib import contextmanager
from importlib.util import find_spec
from itertools import starmap
from pathlib import PurePath
from types import SimpleNamespace

import ipywidgets as widgets

from fertkit.errors import FertkitError, InputError, Problem, shorten
from fertkit.panels import controls, show
from fertkit.panels.on_page import OnPage, box
from fertkit.panels.uploads import TakesFiles
from fertkit.plots.style import on_a_page
from fertkit.report.sections import Table
from fertkit.report.workbook import sources_sheet, workbook_bytes
from fertkit.say.line import Kind

VIEWS = ("In words", "Numbers", "Checks", "Sources", "Keep")
SENTENCES = (Kind.LEAD, Kind.TEXT)
BOOKS = find_spec("openpyxl") is not None  # of the extra for workbooks
#: Between two things shown below a panel [s]: time to hear of a setting changed.
TURN = 0.01


class Panel(TakesFiles, OnPage):
    """A panel; subclasses say what to ask, how to compute and which code gives the same.

    Parameters
    ----------
    data : path, file object or object of the library, optional
        What the panel works on; panels that need no file take none.
    **settings
        Values of the panel's settings; those not named keep their defaults.

    Attributes
    ----------
    settings : SimpleNamespace
        What the controls hold.
    data, result : object or None
        What was read, and what was worked out from it.
    error : Exception or None
        What stopped the last step.
    view : ipywidgets.VBox
        The panel as shown.
    """

    title = about = caution = ""
    file_words = ""  # label of the button that takes a file; empty when the panel needs none
    accept = ".csv,.txt,.xlsx"
    several = False  # whether that button takes several files
    sentences = 3  # of the answer, beside the figure
    sliders: tuple[str, ...] = ()  # settings that get a slider; they move marks of the figure
    reading: tuple[str, ...] = ()  # settings that decide how the file is read
    belonging: tuple[str, ...] = ()  # settings that are true of their file alone
    numbers: tuple[
        str, ...
    ] = ()  # columns of the result's table to show; empty for all, the download has all
    folded: tuple[str, ...] = ()  # settings that stand in a part of their own, closed until it is opened
    folded_words = ""
    rest = 0.4  # after a change, before what stands below is worked out again [s]; 0 for at once
    telling: tuple = ()  # such settings, with a value, that a file may need to be told by the user

    def __init__(self, data=None, **settings):
        self.data = self.result = self.error = None
        self.file = ""
        self._source = None  # path or content of the file, to read it again when told how
        self._quiet, self._sheet, self._lines, self._notes = False, None, [], None
        self._by_hand = False  # whether the last change was of one control, not of several settings at once
        self._below, self._later = [], None  # what stands below the panel, and when it is shown again
        self._returning = ""  # settings from before the kernel ended that wait for their file
        self.controls = self.ask()
        self.settings = self._defaults = self._held()
        self._first = data, settings
        for name, control in self.controls.items():
            control.observe(self._when_changed(name), "value")
        self._build()
        self.start_over()

    # -- what a subclass provides ---------------------------------------------------------------------------
    def ask(self) -> dict[str, widgets.Widget]:
        """Make one control for each setting, with its default, in the order they are shown."""
        raise NotImplementedError

    def read(self, source, name: str | None):
        """Read a path or file object into what `compute` works on."""
        raise NotImplementedError

    def follow(self, name: str | None) -> None:
        """Bring choices that depend on the setting `name` up to date; None after a file was read."""

    def fitting(self, settings: dict) -> dict:
        """Give those of the settings the panel began with that fit its file."""
        return settings

    def compute(self, settings):
        """Work out the result."""
        raise NotImplementedError

    def draw(self):
        """Draw the figure and give its axes."""
        return self.result.plot()

    def move(self, *axes) -> None:
        """Draw on the axes of the last figure what a slider moved."""
        raise NotImplementedError

    def words(self) -> list:
        """Tell the result at length, as lines."""
        return self.result.lines()

    def message(self) -> str:
        """Give the first sentences of the answer, one a line."""
        texts = [text for text in self.spoken(*SENTENCES) if text != self.caution]
        return "\n".join(texts[: self.sentences])

    def spoken(self, *kinds) -> list[str]:
        """Give the lines of the answer of some kinds as sentences."""
        return [show.plainly(line) for line in self._lines if line.kind in kinds]

    def cautions(self) -> list[str]:
        """Say what to keep in mind with this result."""
        return [*show.said_by(self.result.checks), self.caution]

    def _at_length(self) -> list:
        """The lines of the answer but for those that stand beside the figure to be kept in mind."""
        beside = set(self.cautions())
        return [line for line in self._lines if show.plainly(line) not in beside]

    def before(self) -> list[widgets.Widget]:
        """Give what stands before the controls, if anything."""
        return []

    def more(self) -> list[widgets.Widget]:
        """Give what stands below the cautions, if anything."""
        return []

    def numbers_shown(self):
        """Give the table of the result, without what only a program needs."""
        table = self.result.table
        return table[[name for name in self.numbers if name in table] or list(table)]

    def saves(self) -> list[str]:
        """Give the links that save something."""
        name = type(self).__name__.removesuffix("Panel").lower()
        return [
            show.download("Save numbers", f"{name}.csv", self.result.table.to_csv(index=False)),
            *([show.download("Save workbook", f"{name}.xlsx", self.workbook(), show.XLSX)] if BOOKS else []),
            show.download("Save figure", f"{name}.svg", self._sheet.svg(), "image/svg+xml"),
            show.for_coders(show.download("Save script", f"{name}.py", self.code(), "text/x-python")),
            show.download("Save settings", f"{name}.json", self.settings_json(), "application/json"),
        ]

    def workbook(self) -> bytes:
        """Give the tables of the result, what was checked and the sources as a workbook."""
        result = self.result
        tables = getattr(result, "tables", None) or {"Numbers": result.table, "Checks": result.checks}
        cited = getattr(result, "sources", None)
        sheets = [] if cited is None or cited.empty else [sources_sheet(cited)]
        return workbook_bytes([*starmap(Table, tables.items()), *sheets])

    def code(self) -> str:
        """Give the lines of code that reproduce the result without the panel."""
        raise NotImplementedError

    # -- what a user or a notebook does ---------------------------------------------------------------------
    @property
    def answer(self):
        """The result, for cells below a panel.

        Raises
        ------
        FertkitError
            What stopped the panel, if there is none.
        """
        if self.result is None:
            raise self.error or FertkitError("open a file in the panel first, or change a setting")
        return self.result

    def below(self, view, *, figure: bool = False):
        """Show what `view` makes of the answer, and show it anew whenever the answer changes.

        Parameters
        ----------
        view : callable
            Takes the answer; gives a result, a table, axes or a text (`fertkit.panels.present`).
        figure : bool
            Show the figure of a result too.

        Returns
        -------
        ipywidgets.HTML
        """
        place = widgets.HTML()
        place.add_class("fertkit-panel")
        self._below.append((place, (lambda answer: with_figure(view(answer))) if figure else view))
        self._show_below(*self._below[-1])
        return place

    def start_over(self) -> None:
        """Go back to the file and settings the panel began with."""
        data, settings = self._first
        with self._step("starting"), self._hold():
            self.data = self._source = None
            self.apply(vars(self._defaults), check=False)
            self.apply({name: value for name, value in settings.items() if name in self.reading})
            if data is not None:
                self.open(data)
            told = {name: value for name, value in settings.items() if value != ""}  # "": as the file says
            self.apply(self.fitting(told))
        if self.error is None:
            self.recompute()

    def set(self, **values) -> None:
        """Set some settings and work the answer out once.

        Raises
        ------
        InputError
            If a setting is unknown or cannot take its value; nothing is changed then.
        """
        self._tell(values)
        self.recompute()

    def open(self, data, name: str | None = None) -> None:
        """Read a file (or take an object of the library) and offer what it holds.

        Raises
        ------
        InputError
            If the file cannot be read; the panel stays with the one before.
        """
        if hasattr(data, "read"):
            data = data.read()
        is_path, is_content = isinstance(data, (str, PurePath)), isinstance(data, bytes)
        name = name or (PurePath(data).name if is_path else "")
        before, self._source = self._source, (data, name) if is_path or is_content else None
        try:
            self.data = self._read(data, name) if self._source else data
        except FertkitError:
            if self.data is not None:  # otherwise it is tried again when a setting says how to read it
                self._source = before
            raise
        self.file = PurePath(data).as_posix() if is_path else name
        self._file_line.value = show.paragraphs(self._showing(name) if name else "")
        with self._hold():
            self.follow(None)

    def apply(self, values: dict, *, check: bool = True) -> None:
        """Put values into the controls, all of them or none."""
        before = self._held()
        problems = [
            Problem(f"unknown setting '{shorten(name)}'", "remove it", value=value)
            for name, value in values.items()
            if name not in self.controls
        ]
        for name, control in self.controls.items():
            if name not in values or (not check and controls.holds(control, values[name])):
                continue
            if why := controls.holds(control, values[name]):
                problems.append(Problem(f"'{name}' is {why}", "choose another value", value=values[name]))
            else:
                control.value = values[name]
        if problems:
            for name, control in self.controls.items():
                if not controls.holds(control, getattr(before, name)):
                    control.value = getattr(before, name)
            raise InputError("settings", problems)

    def recompute(self, changed: str | None = None) -> None:
        """Work out the result for the settings in the controls and show it."""
        with self._step("calculating"):
            if self._source and self.data is None:
                self.open(*self._source)
            controls.check(*self.controls.values())
            self.settings = self._held()
            if self.file_words and self.data is None:
                return
            self.result = self.compute(self.settings)
            self._show(moved=changed in self.sliders)
            self._kept.value = show.kept(self.settings_json())

    # -- how it hangs together ------------------------------------------------------------------------------
    def _held(self) -> SimpleNamespace:
        return SimpleNamespace(**{name: control.value for name, control in self.controls.items()})

    def _build(self) -> None:
        self._banner, self._message, self._figure, self._cautions = (widgets.HTML() for _ in range(4))
        self._file_line, self._detail, self._links = (widgets.HTML() for _ in range(3))
        self._look = widgets.ToggleButtons(options=VIEWS, description="Look closer")
        self._look.observe(lambda _: self._show_detail(), "value")
        self.upload = controls.file_picker(self.file_words, self.accept, self.several)
        self.upload.observe(lambda change: self._take(change["new"], self.take_file), "value")
        self.settings_upload = controls.file_picker("Load settings", ".json")
        self.settings_upload.observe(lambda change: self._take(change["new"], self.take_settings), "value")
        self.again = controls.button("Start over", self.start_over, "Back to the first file and settings")
        self._keep = box([self._links, self.settings_upload], "keep")
        shown = {name: c for name, c in self.controls.items() if name not in self.folded}
        asked = [controls.with_slider(c) if name in self.sliders else c for name, c in shown.items()]
        if self.folded:
            part = box([self.controls[name] for name in self.folded], "folded")
            asked.append(widgets.Accordion([part], titles=[self.folded_words], selected_index=None))
        files = [self.upload, self._file_line] if self.file_words else []
        self.fields = dict(zip(shown, asked, strict=False))
        left = box([*self.before(), *files, *asked, self.again], "ask")
        right = box([self._banner, self._message, self._figure, self._cautions, *self.more()], "answer")
        head = widgets.HTML(f"{show.style()}<h2>{show.escape(self.title)}</h2>{show.paragraphs(self.about)}")
        closer = box([self._look, self._detail, self._keep], "closer")
        self._put_on_page([head, box([left, right, closer], "body")], "Settings kept")
        for piece, name in ((self._figure, "picture"), (self._look, "look"), (self._detail, "detail")):
            piece.add_class(f"fertkit-{name}")

    def _when_changed(self, name: str):
        def changed(_):
            if name in self.reading:
                self.data = None if self._source else self.data  # it has to be read again
            else:
                self._by_hand = not self._quiet
                with self._hold():
                    self.follow(name)
            if not self._quiet:
                self.recompute(name)

        return changed

    @contextmanager
    def _hold(self):
        """Keep the panel from working the answer out at each of several changes."""
        before, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = before

    @contextmanager
    def _step(self, doing: str, keep: bool | str = False):
        """Do one step; if it fails, say why in the banner and, unless `keep`, take the old answer away.

        Where `keep` says whose the old answer is, that stands below the reason and the answer is dimmed.
        """
        self.error, self._banner.value = None, ""
        self._dim(False)
        try:
            yield
        except Exception as error:
            self.error = error
            old = keep if isinstance(keep, str) and self.result is not None else ""
            self._banner.value = show.banner(error, doing, old)
            self._dim(bool(old))
            if not keep:
                self._clear()
            if self.raise_errors:
                raise
        finally:
            if self._below and not (keep and self.error and self.result is not None):
                self._follow_below()

    def _dim(self, old: bool) -> None:
        """Mark what is shown as old, or as of now again."""
        for piece in self._on_show:
            (piece.add_class if old else piece.remove_class)("fertkit-old")

    @property
    def _on_show(self):
        return self._message, self._figure, self._cautions, self._detail, self._links

    def _clear(self) -> None:
        self.result = self._sheet = None
        for piece in self._on_show:
            piece.value = ""
        self._figure.value = show.empty()

    def _show(self, *, moved: bool) -> None:
        self._lines = self.words()
        if not moved or self._notes is None:
            self._notes = show.Notes(getattr(self.result, "sources", None))
        message = self._notes.anew().put(self.message())
        if moved and self._sheet:
            self._sheet.again(self.move)
        else:
            with on_a_page(self._inches):
                self._sheet = show.Sheet(self.draw())
        self._figure.value = self._sheet.html(message, moves=bool(self.sliders))
        self._cautions.value = show.sourced_cautions(self.cautions(), self._notes)
        self._show_detail()
        self._message.value = show.said(message)  # the last: who reads it finds the page at rest

    def _show_again(self) -> None:
        self._show(moved=False)
        self._follow_below()

    def _follow_below(self) -> None:
        """Mark what stands below as old, and show it anew when the panel has come to rest."""
        if self._later:
            self._later.cancel()
        for place, _ in self._below:
            place.add_class("fertkit-old")
        try:
            loop = self.rest and asyncio.get_running_loop()
        except RuntimeError:  # outside a notebook nothing comes later
            loop = None
        if loop:
            self._later = loop.call_later(self.rest, self._show_in_turn, loop, self._below)
        else:
            for place, view in self._below:
                self._show_below(place, view)

    def _show_in_turn(self, loop, waiting) -> None:
        """Show what stands below, one after another: a setting changed meanwhile comes before the next."""
        for place, view in waiting[:1]:
            self._show_below(place, view)
            self._later = loop.call_later(TURN, self._show_in_turn, loop, waiting[1:])

    def _show_below(self, place, view) -> None:
        try:
            with on_a_page(self._inches):
                place.value = show.pieces(view(self.answer))
        except Exception as error:
            place.value = show.nothing_below(error, of_panel=error is self.error)
            if self.raise_errors:
                raise
        place.remove_class("fertkit-old")

    def _show_detail(self) -> None:
        if self.result is None:
            return
        pieces = {
            "In words": lambda: show.prose(self._at_length(), self._notes),
            "Numbers": lambda: show.table(self.numbers_shown(), self._notes),
            "Checks": lambda: show.checks(self.result.checks, self._notes),
            "Sources": lambda: show.sources(self._notes),
            "Keep": lambda: show.for_coders(f"<pre>{show.escape(self.code())}</pre>"),
        }
        look = self._look.value
        self._detail.value = pieces[look]()
        self._keep.layout.display = None if look == "Keep" else "none"
        if look == "Keep":
            self._links.value = " ".join([*self.saves(), show.PRINTS])


def with_figure(result) -> tuple:
    """Give a result and its figure."""
    return result, result.plot()
