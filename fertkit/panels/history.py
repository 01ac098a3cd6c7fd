"""Panels: fields over their dates, crops and years, and nutrients against each other."""

from contextlib import suppress
from io import BytesIO

from fertkit.errors import FertkitError
from fertkit.intake.beside import numbers_beside
from fertkit.intake.leaf import read_tissue
from fertkit.intake.reports import read_reports
from fertkit.intake.typed import pairs_of
from fertkit.panels import controls, show
from fertkit.panels.base import Panel
from fertkit.plots.history import bands_of
from fertkit.report.balance import HEADERS, METHODS, answer_balance
from fertkit.report.history import HistoryAnswer
from fertkit.say.line import DEFER, Kind
from fertkit.tissue.balance import Balance
from fertkit.tissue.history import field_history
from fertkit.tissue.indices import FORMULAS

#: What a method of balance asks for; of the others nothing.
ASKED_BY = {
    "dris": ("sample", "yield_column", "cutoff", "formula"), "cnd": ("sample", "yield_column", "cutoff"),
    "dop": ("sample", "optimum"),
}  # fmt: skip


class HistoryPanel(Panel):
    """Follow fields through leaf reports of several dates, crops and years.

    Parameters
    ----------
    data
        A folder, a workbook or a table of reports. Files opened in the panel are added to each other.
    same : str
        What spellings of a field's name mean: 'Heron Qtr=Heron Quarter; ...'.
    field : str
        Field shown; the first if empty.
    seasons : int
        Which of its figures, where the seasons do not fit in one; the last is -1.
    """

    title = "A field over the years"
    about = "Each value against the range for its stage: what repeats, and what a treatment changed."
    file_words = "Add a laboratory report"
    accept = ".csv,.tsv,.txt,.xlsx,.xls,.ods"
    several = True
    caution = DEFER
    numbers = ("field", "crop", "season", "growth_stage", "spot", "nutrient", "value", "unit", "low", "high",
               "state", "sources")  # fmt: skip

    def ask(self):
        return {
            "same": controls.line("Names of the same field", "Heron Qtr=Heron Quarter"),
            "field": controls.choice("Field", [("the first", "")]),
            "seasons": controls.choice("Seasons", [("the latest", -1)]),
        }

    def start_over(self):
        self._handed = {}
        super().start_over()

    def read(self, source, name):
        if not isinstance(source, BytesIO):
            return [source]
        read_reports([(name, source.getvalue())])  # refuses what cannot be read before it is kept
        self._handed = self._handed | {name: source.getvalue()}
        return list(self._handed.items())

    def follow(self, name):
        if name in (None, "same"):
            self._history = None
            if not self.data:
                return
            try:
                self._history = self._followed()
            except FertkitError:  # said when the answer is worked out
                return
            fields = self._history.fields
            every = fields[0] if len(fields) == 1 else f"all; the figure shows {fields[0]}"
            controls.offer(self.controls["field"], [(every, ""), *((one, one) for one in fields)])
        if name in (None, "same", "field") and self._history is not None:
            bands = bands_of(self._history, self._field())
            named = ["; ".join(f"{crop} {season}" for crop, season in band) for band in bands]
            earlier = [(text, at) for at, text in enumerate(named[:-1])]
            controls.offer(self.controls["seasons"], [(named[-1], -1), *reversed(earlier)])

    def _followed(self):
        return field_history(self.data, same=self._same())

    def _same(self):
        return pairs_of(self.controls["same"].value, "Heron Qtr=Heron Quarter", ";")

    def _field(self) -> str:
        return self.controls["field"].value or self._history.fields[0]

    def compute(self, settings):
        if self._history is None:
            self._history = self._followed()
        return self._history.only(settings.field) if settings.field else self._history

    def draw(self):
        return self.result.plot(field=self._field(), band=self.settings.seasons)

    def cautions(self):
        kinds = Kind.QUESTION, Kind.MISSING, Kind.CAUTION
        return [*(text for kind in kinds for text in self.spoken(kind)), self.caution]

    def page(self) -> str:
        """Give the page of the field that is shown."""
        return HistoryAnswer(self._history.only(self._field())).page()

    def saves(self):
        page = show.download("Save page of this field", "history.html", self.page(), "text/html")
        return [*super().saves(), page]

    def code(self):
        one = f".only({self.settings.field!r})" if self.settings.field else ""
        same = f", same={self._same()!r}" if self._same() else ""
        return (
            "from fertkit.tissue import field_history\n"
            f"result = field_history({self.file!r}{same}){one}\n"
            "print(result.summary())"
        )


class BalancePanel(Panel):
    """Set nutrients against each other: ratios, norms, an optimum or the dilution of nitrogen.

    Parameters
    ----------
    data
        A laboratory's file; with yields for norms of one's own, with shoot dry matter for dilution.
    method : str
        Of `fertkit.report.balance.METHODS`.
    sample : str
        Sample drawn; the first if empty.
    yield_column : str
        Column of yields from which norms are built (dris, cnd); empty for the bundled norms.
    cutoff : float
        Yield from which a sample belongs to the high group.
    formula : str
        Function of a ratio (dris).
    optimum : str
        Optimum concentrations (dop): 'N=2.9; K=2.1'.
    """

    title = "Nutrients against each other"
    about = "Which nutrient is low relative to the others. The limits of each method are listed below."
    file_words = "Open a laboratory file"
    accept = ".csv,.tsv,.txt,.xlsx,.xls,.ods"
    caution = DEFER

    def ask(self):
        return {
            "method": controls.choice("Method", [(text, key) for key, text in METHODS.items()]),
            "sample": controls.choice("Sample", [("the first", "")]),
            "yield_column": controls.choice("Norms from the yields in", [("none", "")]),
            "cutoff": controls.number("Lowest yield of the high group", 0.0, 0, 100_000),
            "formula": controls.choice(
                "Function of a ratio (DRIS)",
                [(" and ".join(one.title() for one in name.split("_")), name) for name in FORMULAS],
            ),
            "optimum": controls.line("Optimum (DOP)", "N=2.9; K=2.1"),
        }

    def read(self, source, name):
        return read_tissue(source, name=name)

    def follow(self, name):
        if name is None:
            names = list(dict.fromkeys(self.data.table["sample_id"].astype(str)))
            first = [(f"the first ({names[0]})", "")] if names else [("the first", "")]
            controls.offer(self.controls["sample"], [*first, *((one, one) for one in names)])
            columns = [c for c in self.data.others if c not in ("specimen", "sample_id")]
            offered = [("none", ""), *((c, c) for c in columns)]
            controls.offer(self.controls["yield_column"], offered)
        if name in (None, "method"):
            controls.show_only(self.fields, {"method", *ASKED_BY.get(self.controls["method"].value, ())})
        column = self.controls["yield_column"].value
        if name == "yield_column" and column:
            with suppress(FertkitError):  # a column without numbers is refused when norms are built of it
                self.controls["cutoff"].value = round(float(numbers_beside(self.data, column).median()), 1)

    def compute(self, settings):
        return answer_balance(self.data, settings.method, **self._options(settings))

    def _options(self, settings) -> dict:
        """What the method asks for, and nothing else."""
        options = {}
        if settings.method in ("dris", "cnd") and settings.yield_column:
            options = {"yield_column": settings.yield_column, "cutoff": settings.cutoff}
        if settings.method == "dris":
            options["formula"] = settings.formula
        if settings.method == "dop":
            options["optimum"] = controls.numbers_of(settings.optimum, "N=2.9; K=2.1")
        return options

    def draw(self):
        one = self.settings.sample if isinstance(self.result.balance, Balance) else ""
        held = one and (self.result.table["sample_id"] == one).any()
        return self.result.plot(**({"sample": one} if held else {}))

    def cautions(self):
        return [*self.spoken(Kind.CAUTION), *self.spoken(Kind.MISSING), self.caution]

    def numbers_shown(self):
        table = self.result.table.drop(columns="specimen", errors="ignore")
        if "index" in table:
            table = table.rename(columns={"value": "value [% or mg/kg]", "verdict": "by published ranges"})
        return table.rename(columns=HEADERS)

    def saves(self):
        page = show.download("Save page", "balance.html", self.result.page(), "text/html")
        return [*super().saves(), page]

    def code(self):
        options = "".join(f", {k}={v!r}" for k, v in self._options(self.settings).items())
        return (
            "from fertkit import read_tissue\n"
            "from fertkit.report.balance import answer_balance\n"
            f"result = answer_balance(read_tissue({self.file!r}), {self.settings.method!r}{options})\n"
            "print(result.summary())"
        )
