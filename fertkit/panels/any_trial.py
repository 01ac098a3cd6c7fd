"""Panel: a trial of any shape; what its files make possible is offered, and asked as the command asks it."""

import zipfile
from contextlib import contextmanager
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

import ipywidgets as widgets

from fertkit.errors import FertkitError, shorten
from fertkit.intake.numbers import read_product, read_typed
from fertkit.intake.typed import pairs_of
from fertkit.panels import controls, show
from fertkit.panels.base import Panel
from fertkit.panels.pricing import (
    LARGEST_PRICE,
    PLACEHOLDERS,
    AsksForGroups,
    Priced,
    crop_choice,
    enter_prices,
)
from fertkit.panels.show import said_by
from fertkit.report.asking import WAYS, kind_of_file, read_trial_files
from fertkit.report.paper import Paper
from fertkit.response.curves import CURVES
from fertkit.response.surface_fit import POWERS
from fertkit.say.line import Kind
from fertkit.say.response import CAUTION
from fertkit.say.treatments import LABELS

NUTRIENT_PRICES = ("nutrient_price", "second_price", "third_price")
PRICES = (*NUTRIENT_PRICES, "grain_price")
PRICED = ("nutrient_price", "grain_price")
#: Controls under other names than what they ask.
CONTROLS = {"name": "trial", "price_swing_pct": "swing", "nutrient_price": ""}
DESIGNS = [
    ("as the columns tell", ""), ("blocks", "blocks"), ("pairs", "pairs"), ("split plot", "split-plot"),
    ("strip plot", "strip-plot"), ("factorial", "factorial"), ("augmented", "augmented"),
    ("checks in between", "near-checks"),
]  # fmt: skip
LETTERS = [("Tukey", "tukey"), ("Holm", "holm"), ("LSD after a significant F", "protected"), ("LSD", "none")]
SURFACES = [("the better one", ""), *((CURVES[key].label, key) for key in POWERS)]
OF_LOGS = ("zones", "delay", "header_width", "reach", "elsewhere", "utm")
WHAT = {"log": "the combine's log", "map": "the map of what was applied"}


class AnyTrialPanel(AsksForGroups, Priced, Panel):
    """Ask of a trial whatever its files make possible.

    Parameters
    ----------
    data : path
        A strip file, or the map of what was applied beside a `log`.
    log, zones_map : path, optional
    examples : dict, optional
        Name → (path, settings) of trials to choose from; the first is shown.
    crop, by : str
        Crop and column of a second factor, where the file does not tell.
    way : str
        Of `fertkit.report.asking.WAYS`; empty for the first that the file makes possible.
    **settings
        What the ways take, as typed.
    """

    title = "A trial of any shape"
    about = "Your file decides which questions are offered. Prices and choices update the answer."
    file_words = "Open a strip file, or a log and its map"
    accept = ".csv,.tsv,.txt,.xlsx,.xls,.ods,.geojson,.json,.zip"
    several = True
    reading = ("crop", "by", *OF_LOGS)
    telling = (("crop", "corn"),)
    sentences = 6
    folded = ("within", "swing", "adjust", "currency", *OF_LOGS[1:])
    folded_words = "More settings"

    def __init__(self, data=None, *, log=None, zones_map=None, examples=None, **settings):
        self._examples = examples or {}
        self._beside, self._handed = {"log": log, "zones": zones_map}, {}
        self._paper = widgets.HTML()
        self._to_come = 0  # files handed over together that are still to be looked at
        self._asked, self._last = None, None  # what was asked without prices, and its answer
        if self._examples:
            data, settings = self._example(next(iter(self._examples)))
        super().__init__(data, **settings)
        hint = "Methods, tables, figures at journal size and a script in one file; a few seconds"
        self.prepare = controls.button("Prepare files for a paper", self.prepare_paper, hint)
        self._keep.children += (self.prepare, self._paper)

    # -- examples -------------------------------------------------------------------------------------------
    def _example(self, name):
        path, settings = self._examples[name]
        own = dict(settings)
        self._beside = {"log": own.pop("log", None), "zones": own.pop("zones_map", None)}
        return path, own

    def before(self):
        if not self._examples:
            return []
        self.example = controls.choice("Example", list(self._examples))
        self.example.observe(lambda change: self._show_example(change["new"]), "value")
        return [self.example]

    def _show_example(self, name):
        self._first = self._example(name)
        self.start_over()

    def start_over(self):
        self._handed = {}
        super().start_over()

    # -- controls -------------------------------------------------------------------------------------------
    def ask(self):
        line, tick, choice = controls.line, controls.tick, controls.choice
        money = {key: controls.number(key, 0.0, 0, LARGEST_PRICE, step=0.01) for key in PRICES}
        return {
            "crop": crop_choice(),
            "by": line("Second factor (column)", "none, or such as Hybrid", offered=True),
            "zones": line("Zones (column of log or map)", "none, or e.g. Soil", offered=True),
            "way": choice("Question", [("what the file suggests", "")], broad=True),
            "trial": choice("Trial in the file", [("the only one", "")]),
            **money,
            "free": tick("Nutrient is free", False),
            "surface": choice("Curve in each nutrient", SURFACES),
            "against": line("Rates to compare, your usual one first", "none, or e.g. 120; 150"),
            "known": line("Site information (column)", "none, or a column", offered=True),
            "new_site": line("A field without a trial", "column=value"),
            "design": choice("Design", DESIGNS),
            "check": choice("Check", [("the one named check", "")]),
            "costs": line("Costs of treatments per area", "Product=14.50; Other=0.45x30"),
            "no_worse_than": line("Acceptable loss against the check", "none, or e.g. 2"),
            "robust": tick("Downweight outlying strips", False),
            "uneven": tick("Allow for error that changes with rate", False),
            "within": line("Acceptable loss against the best, money per area", "the usual share"),
            "swing": line("Swing of both prices, %", "none, or e.g. 15"),
            "adjust": choice("Letters by", LETTERS),
            "currency": line("Currency", "e.g. $"),
            "delay": line("Delay from header to sensor, s", "found from the log"),
            "header_width": line("Header width", "as the log says, or e.g. 30 ft"),
            "reach": line("Reach of an application record, m", "half way to the next pass"),
            "elsewhere": line("Rate where the map is empty", "none, or e.g. 0"),
            "utm": line("UTM zone", "e.g. 15N"),
        }  # fmt: skip

    def follow(self, name):
        if name is None:
            self._offer()
        if name in (None, "way"):
            self._show_what_is_taken()

    def _offer(self):
        """Offer what the file makes possible."""
        strips, held = self.data.strips, self.controls
        table = strips.table
        controls.offer(held["way"], [(WAYS[way].label, way) for way in self.data.ways])
        trials = list(dict.fromkeys(table["trial"].astype(str))) if "trial" in table else []
        controls.offer(held["trial"], [(one, one) for one in trials] or [("the only one", "")])
        named = table["treatment"].astype(str) if "treatment" in table else []
        controls.offer(held["check"], [("the one named check", ""), *((n, n) for n in dict.fromkeys(named))])
        kept = strips.report.loc[strips.report["taken_as"] == "kept as it is", "item"]
        headers = tuple(text.removeprefix("column ").strip("'") for text in kept)
        held["by"].options = held["known"].options = headers
        kinds = self._kinds()
        labels = {key: self._named(key) for key in kinds}
        self.price_by(kinds, {key: label[0].upper() + label[1:] for key, label in labels.items()})

    def _named(self, key) -> str:
        """A price in words."""
        unit, of = self._kinds()[key]
        return f"price per {unit} of {of or ('crop' if key == 'grain_price' else 'nutrient')}"

    def _kinds(self):
        strips = self.data.strips
        kinds = {}
        if strips.rate_column:
            kinds["nutrient_price"] = strips.rate_unit.split("/")[0], strips.nutrient
        for key, (nutrient, column) in zip(NUTRIENT_PRICES, strips.rate_columns.items(), strict=False):
            kinds[key] = column.rsplit("_", 2)[1], nutrient
        return kinds | {"grain_price": (strips.yield_unit.split("/")[0], strips.crop)}

    def _show_what_is_taken(self):
        """Show the controls of the question chosen, and of the files."""
        takes = WAYS[self.controls["way"].value].takes if self.data else ()
        names = {CONTROLS.get(name, name) for name in takes} | {"crop", "way"}
        if self.data and self.data.of_points:
            names |= {*OF_LOGS}
        elif self.data:
            names |= {"by"}
            names |= {"trial"} & names if len(self.controls["trial"].options) > 1 else set()
        if "nutrient_price" in takes:
            names |= {*self._kinds(), "free"} - {"free" if self.data.strips.rate_columns else ""}
        if len(self.controls["trial"].options) < 2:
            names -= {"trial"}
        controls.show_only(self.fields | {name: self.controls[name] for name in self.folded}, names)

    # -- files ----------------------------------------------------------------------------------------------
    def read(self, source, name):
        return self._read_as(source, name, {"factor": self._text("by")} if self._text("by") else {})

    def _read_as(self, source, name, columns):
        crop = {"crop": self._text("crop")} if self._text("crop") else {}
        with self._laid_out(source, name) as at:
            if "log" not in at:
                columns = {role: held if isinstance(held, list) else [held] for role, held in columns.items()}
                reading = crop | ({"columns": columns} if columns else {})
                files = read_trial_files(source, name=name, **reading)
                return replace(files, files=(at["map"],), reading=reading)
            reading = crop | self._of_log(at)
            files = read_trial_files(at["map"], at["log"], **reading)
            return replace(files, reading=reading)

    def _of_log(self, at) -> dict:
        """How a log is to be read, as typed."""
        numbers = {name: self._number(name) for name in ("delay", "reach", "elsewhere")}
        width, label = self._text("header_width"), self.controls["header_width"].description
        figures = width.rstrip("abcdefghijklmnopqrstuvwxyz ")
        unit = width.removeprefix(figures).strip()
        if width and not unit:
            raise FertkitError(f"'{label}': write {shorten(width)} with its unit, as in 30 ft")
        wide = (_typed(label, figures), unit) if width else None
        asked = {**numbers, "width": wide, "utm": self._text("utm"),
                 "zones": at.get("zones") or self._text("zones")}  # fmt: skip
        return {name: value for name, value in asked.items() if value not in (None, "")}

    @contextmanager
    def _laid_out(self, source=None, name=""):
        """The files by what they are, as paths: those handed over are written beside each other for now."""
        handed = dict(self._handed)
        if handed and isinstance(source, BytesIO):
            handed["map"] = name, source.getvalue()
        with TemporaryDirectory() as folder:
            beside = {} if isinstance(source, BytesIO) else self._beside
            at = {role: Path(path) for role, path in beside.items() if path}
            at["map"] = Path(name if isinstance(source, BytesIO) or source is None else source)
            for role, (called, content) in handed.items():
                at[role] = Path(folder) / Path(called).name
                at[role].write_bytes(content)
            yield at

    def _take(self, uploads, use):
        self._to_come = len(uploads) or self._to_come  # the button is emptied as soon as they are taken
        super()._take(uploads, use)

    def take_file(self, name, content):
        """Take a strip file, or keep a log or its map until the other is there too."""
        with TemporaryDirectory() as folder:
            path = Path(folder) / (Path(name).name or "file")
            path.write_bytes(content)
            kind = kind_of_file(path)
        before = self._handed
        self._handed = {} if kind == "strips" else before | {kind: (name, content)}
        lacking = [WHAT[one] for one in WHAT if one not in self._handed]
        self._to_come -= 1
        if kind != "strips" and lacking and self._to_come > 0:
            self.error = None
            return
        if kind != "strips" and lacking:
            with self._step("reading the file", keep=self._of_before()):
                raise FertkitError(f"{name} is kept; open {' and '.join(lacking)} too")
            return
        super().take_file(*(self._handed.get("map") or (name, content)))
        if self.error is not None and self.data is not None:
            self._handed = before

    def _showing(self, name):
        log = self._handed.get("log", (self._beside["log"],))[0] if self.data.of_points else None
        return super()._showing(f"{name} with {Path(log).name}" if log else name)

    def _tells_itself(self, key, name):
        return not self.data.of_points and super()._tells_itself(key, name)

    # -- the answer -----------------------------------------------------------------------------------------
    def compute(self, settings):
        self._paper.value = ""
        way = settings.way or self.data.ways[0]
        asked = self._options(settings, way)
        fixed = sorted((name, repr(value)) for name, value in asked.items() if name not in PRICED)
        key = id(self.data), way, fixed
        before = self._last if self._asked == key else None
        self._banner.value = show.paragraphs("Working …")
        try:
            answer = self.data.answer(way, before=before, **asked)
        finally:
            self._banner.value = ""
        self._asked, self._last = key, answer
        return answer

    def _options(self, s, way) -> dict:
        """What is asked of a way, as its function takes it."""
        takes, data = WAYS[way].takes, self.data
        typed = {
            "name": s.trial, "currency": s.currency.strip(), "within": self._number("within"),
            "price_swing_pct": self._number("swing"), "against": self._numbers("against"),
            "robust": s.robust, "uneven": s.uneven, "surface": s.surface, "design": s.design,
            "check": s.check, "adjust": s.adjust, "no_worse_than": self._number("no_worse_than"),
            "known": [part.strip() for part in s.known.split(";") if part.strip()],
            "new_site": {key: _plain_or_number(value) for key, value in
                         pairs_of(s.new_site, "Soil P ppm=12", ";").items()},
            "costs": {key: _product(value) for key, value in
                      pairs_of(s.costs, "Product=14.50; Other=0.45x30", ";").items()},
        }  # fmt: skip
        asked = {name: value for name, value in typed.items() if name in takes}
        if not data.of_points and "trial" not in data.strips.table:
            asked.pop("name", None)
        kinds = self._kinds()
        lacking = [key for key in kinds if not getattr(s, key) and not (key == "nutrient_price" and s.free)]
        if "nutrient_price" in takes:
            if lacking:
                raise FertkitError(enter_prices(map(self._named, lacking)))
            prices = {kinds[k][1]: getattr(s, k) for k in NUTRIENT_PRICES if k in kinds}
            one = 0.0 if s.free else s.nutrient_price
            asked["nutrient_price"] = prices if data.strips.rate_columns else one
        asked["grain_price"] = s.grain_price or None
        return asked

    def _text(self, name) -> str:
        return self.controls[name].value.strip()

    def _number(self, name):
        return _typed(self.controls[name].description, self._text(name)) if self._text(name) else None

    def _numbers(self, name):
        parts = [part.strip() for part in self._text(name).split(";") if part.strip()]
        return [_typed(self.controls[name].description, part) for part in parts]

    def cautions(self):
        first = self._first[1]
        entered = any(getattr(self.settings, key) != first.get(key, 0.0) for key in self._kinds())
        given = any(first.get(key) for key in self._kinds())
        begun = [PLACEHOLDERS] if given and not entered else []
        otherwise = LABELS if self.settings.way == "means" else CAUTION
        return [*begun, *said_by(self.result.checks), *(self.spoken(Kind.CAUTION) or [otherwise])]

    def parts(self, answer):
        """Give the answer with all parts of its page, for what stands below the panel."""
        return show.AllParts(answer)

    # -- what is kept ---------------------------------------------------------------------------------------
    def code(self):
        return self.result.recipe.code()

    def workbook(self):
        return self.result.workbook()

    def saves(self):
        page = show.download("Save page", "trial.html", self.result.page(), "text/html")
        again = self.result.recipe.script(self.result.table)
        script = show.download("Save script", "reproduce.py", again, "text/x-python")
        return [page, *super().saves(), script]

    def prepare_paper(self) -> None:
        """Write what a paper needs of the answer into one file, and offer it."""
        with self._step("writing the files of a paper", keep=True):
            self._paper.value = show.paragraphs("Drawing the figures, a few seconds …")
            try:
                packed = self.paper()
            finally:
                self._paper.value = ""
            self._paper.value = show.download("Save the files", "paper.zip", packed, "application/zip")

    def paper(self) -> bytes:
        """Give the folder of a paper as one zip file."""
        source = self._source[0] if self._source else None
        source = BytesIO(source) if isinstance(source, bytes) else source
        with self._laid_out(source, Path(self.file).name) as at, TemporaryDirectory() as folder:
            if isinstance(source, BytesIO) and not self._handed:
                at["map"] = Path(folder) / Path(self.file).name
                at["map"].write_bytes(source.getvalue())
            recipe = self.answer.recipe
            files = (at["log"], at["map"]) if self.data.of_points else (at["map"],)
            options = {k: at["zones"] if isinstance(v, Path) else v for k, v in recipe.options.items()}
            recipe = replace(recipe, files=files, options=options)
            out = Path(folder) / "paper"
            Paper(replace(self.answer, recipe=recipe), self.data.strips).write(out)
            packed = BytesIO()
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as into:
                for path in sorted(out.iterdir()):
                    into.write(path, path.name)
        return packed.getvalue()


def _typed(label, text) -> float:
    """A number as typed into the control of this label."""
    try:
        return read_typed(text)
    except ValueError as error:
        raise FertkitError(f"'{shorten(label)}': {error}") from None


def _product(text) -> float:
    try:
        return read_product(text)
    except ValueError as error:
        raise FertkitError(f"a cost: {error}") from None


def _plain_or_number(text):
    try:
        return read_typed(text)
    except ValueError:
        return text
