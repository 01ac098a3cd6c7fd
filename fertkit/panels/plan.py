"""Panel: lay out next year's strip trial, see what difference it finds and how well it finds the optimum."""

from pathlib import Path
from tempfile import TemporaryDirectory

import ipywidgets as widgets

from fertkit.errors import FertkitError, shorten
from fertkit.intake.numbers import read_typed
from fertkit.intake.shapes import read_outline
from fertkit.panels import controls, show
from fertkit.panels.base import Panel
from fertkit.panels.show import plainly, said_by
from fertkit.plots.style import on_a_page
from fertkit.report.layout import answer_layout
from fertkit.response.curves import CURVES, QUADRATIC_PLATEAU
from fertkit.response.plan import curve_through, expected_interval
from fertkit.results import failed, plain
from fertkit.say.line import Kind
from fertkit.trials.application import application_table
from fertkit.trials.layout import DESIGNS, plan_strips
from fertkit.trials.power import ERROR_DF, smallest_difference
from fertkit.units import FOOT_M

CURVE = QUADRATIC_PLATEAU.key  # supposed where the panel harvests the plan on paper
SIMULATED = 200  # such harvests; a few seconds
SUPPOSED = "Yields, rate and price ratio are placeholders: enter your own."
NOISE = "The strip-to-strip variation is a placeholder: enter the CV of a trial of your own."
#: Unit of yields by that of the rates, and the largest a control takes.
YIELD_UNITS = {"lb/ac": ("bu/ac", 1000), "kg/ha": ("kg/ha", 60_000)}
WIDTHS = ("header_width", "applicator_width", "strip_length", "field_width")
SUPPOSITIONS = ("yield_without", "best_yield", "rate_of_best", "price_ratio")
WITHOUT, BEST = "Assumed yield with nothing applied [{}]", "Assumed best yield [{}]"


class PlanPanel(Panel):
    """Draw the strips of a trial by lot, fit them to the machines and say what the trial can show.

    Parameters
    ----------
    rates : str
        Rates or names of treatments, set apart by commas; the first goes into the borders.
    unit : str
        Of the rates.
    design : str
        Key of `fertkit.trials.layout.DESIGNS`.
    blocks, seed : int
    header_width, applicator_width, strip_length : float
        [`width_unit`]
    field_width : float
        Room across the field [`width_unit`]; 0 for no limit.
    width_unit : {'ft', 'm'}
    cv_pct : float
        Standard deviation of one strip within a block [% of the mean]; a placeholder until it comes from a
        trial of the user's own.
    yield_without, best_yield, rate_of_best : float
        Assumed yield with nothing applied, the best yield [unit of `YIELD_UNITS`], and the rate that
        reaches it [`unit`]; placeholders.
    price_ratio : float
        Price of a unit of nutrient over that of a unit of yield; a placeholder.
    difference_pct, second, second_on, whole_cv, width, site_sd, year_sd, headland
        As in `fertkit.report.layout.answer_layout`; 0 for what is not asked.
    place : bool
        Place the rates for the field that is supposed.
    line : str
        'LON,LAT LON,LAT' of the first pass.
    """

    folded = ("difference_pct", "place", "second", "second_on", "whole_cv", "width", "site_sd", "year_sd",
              "line", "headland")  # fmt: skip
    folded_words = "Second factor, sites, placed rates and field"

    title = "Next year's trial"
    about = "Where each rate goes, how much field it takes, and what difference it can detect."

    def __init__(self, **settings):
        self.power = self.expected = self.layout = self.boundary = None
        self._unit, self._supposed = "lb/ac", {}  # the unit shown, and what was supposed in each unit left
        self._widths = {}  # each width: how it was written when its unit was last changed, and typed before
        super().__init__(**settings)

    def ask(self):
        number, yields = controls.number, YIELD_UNITS["lb/ac"]
        return {
            "rates": controls.line("Rates or treatments, with commas between", "0, 50, 100",
                                   "0, 40, 80, 120, 160, 200"),
            "unit": controls.choice("Unit of the rates", ["lb/ac", "kg/ha"]),
            "design": controls.choice("Design", [(name, key) for key, name in DESIGNS.items()], "blocks"),
            "blocks": number("Blocks", 4, 1, 40, whole=True),
            "cv_pct": number("Strip-to-strip variation (CV), %", 3.0, 0.1, 50, step=0.5),
            "header_width": number("Combine header width", 30.0, 0.5, 100, step=0.5),
            "applicator_width": number("Spreader or sprayer width", 60.0, 0.5, 200, step=0.5),
            "strip_length": number("Length of a strip", 1200.0, 10, 10_000, step=10),
            "field_width": number("Field width (0: no limit)", 0.0, 0, 20_000, step=10),
            "width_unit": controls.choice("Unit of widths and lengths", ["ft", "m"]),
            "seed": number("Random seed", 2027, 0, 999_999, whole=True),
            "yield_without": number(WITHOUT.format(*yields), 110.0, 0, yields[1]),
            "best_yield": number(BEST.format(*yields), 210.0, 0, yields[1]),
            "rate_of_best": number("Assumed rate that reaches it", 180.0, 0, 2000),
            "price_ratio": number("Price ratio, nutrient to yield", 0.1, 0, 100, step=0.01),
            "difference_pct": number("Difference to detect, % of the mean (0: none)", 0.0, 0, 100),
            "place": controls.tick("Place the rates where they best locate the optimum", False),
            "second": number("Levels of a second factor, or zones (0: none)", 0, 0, 12, whole=True),
            "second_on": controls.choice("The second factor lies on", ["any strip", "whole strips", "zones"]),
            "whole_cv": number("Added error of whole strips, %", 0.0, 0, 50, step=0.5),
            "width": number("Width of the interval over many sites (0: one site)", 0.0, 0, 10_000),
            "site_sd": number("Standard deviation between sites, in the unit of that width", 0.0, 0, 10_000),
            "year_sd": number("Standard deviation between years, in the unit of that width", 0.0, 0, 10_000),
            "line": controls.line("A-B line of the first pass", "-93.10,42.00 -93.10,42.01"),
            "headland": number("Turning room at both ends", 0.0, 0, 1000),
        }  # fmt: skip

    def follow(self, name):
        if name == "unit":
            self._change_unit()
        if name == "width_unit" and self._by_hand:
            self._change_width_unit()
        yields = YIELD_UNITS[self.controls["unit"].value]
        for key, label in (("yield_without", WITHOUT), ("best_yield", BEST)):
            controls.relabel(self.controls[key], label.format(*yields), yields[1])

    def _change_unit(self) -> None:
        """Put aside what was supposed in another unit, and take back what was supposed in this one."""
        shown = {key: self.controls[key].value for key in SUPPOSITIONS}
        self._supposed[self._unit], self._unit = shown, self.controls["unit"].value
        for key, value in self._supposed.get(self._unit, dict.fromkeys(SUPPOSITIONS, 0.0)).items():
            self.controls[key].value = value

    def _change_width_unit(self) -> None:
        """Write the widths and lengths in the unit chosen; one untouched since comes back as it was typed."""
        factor = FOOT_M if self.controls["width_unit"].value == "m" else 1 / FOOT_M
        for key in WIDTHS:
            shown = self.controls[key].value
            written, typed = self._widths.get(key, (None, None))
            turned = typed if shown == written else float(plain(shown * factor, digits=5))
            self._widths[key] = turned, shown
            self.controls[key].value = turned

    def more(self):
        hint = "Simulates many harvests; takes a few seconds"
        self.work_out = controls.button("How well would it find the optimum?", self.expect, hint)
        self._expected = widgets.HTML()
        hint = "Second factor, sites and years, rates, and the strips in the field; takes a few seconds"
        self.lay = controls.button("Lay out the whole trial", self.lay_out, hint)
        self.outline = controls.file_picker("Open the field boundary", ".geojson,.json")
        self.outline.observe(lambda change: self._take(change["new"], self.take_outline), "value")
        self._layout = widgets.HTML()
        return [self.work_out, self._expected, self.outline, self.lay, self._layout]

    def take_outline(self, name: str, content: bytes) -> None:
        """Take the boundary of the field, in which the strips are laid out."""
        self.outline.value = ()
        with self._step("reading the boundary", keep=True), TemporaryDirectory() as folder:
            path = Path(folder) / (Path(name).name or "boundary")
            path.write_bytes(content)
            self.boundary = read_outline(path)
            self._layout.value = show.paragraphs(f"The strips will be laid out in {name}.")

    def lay_out(self) -> None:
        """Plan the whole trial, as `fertkit.report.layout.answer_layout` does, and show every part of it."""
        with self._step("laying out the trial", keep=True):
            self._layout.value = show.paragraphs("Working, a few seconds …")
            try:
                self.layout = layout_of(self.settings, self.boundary)
            finally:
                self._layout.value = ""
            with on_a_page(self._inches):
                self._layout.value = show.pieces(show.AllParts(self.layout, self._above()))
            self._show_detail()

    def _above(self) -> tuple:
        """What the panel shows of the whole trial already: its notes and, where it is the same, its plan."""
        plan = self.layout.plan
        same = plan.strips.equals(self.result.strips)
        return (*self.cautions(), *((plan.plot,) if same else ()))

    def expect(self) -> None:
        """Work out the interval of the economic optimum to expect of this plan, and show it."""
        with self._step("simulating harvests", keep=True):
            self._expected.value = show.paragraphs("Simulating harvests, a few seconds …")
            try:
                self.expected = expected_of(self.settings)
            finally:
                self._expected.value = ""
            how, found, but = map(plainly, self.expected.lines())  # of its one plan
            notes = [*said_by(self.expected.checks), *([SUPPOSED] if self._untouched(*SUPPOSITIONS) else [])]
            with on_a_page(self._inches):
                figure = show.Sheet(self.expected.plot()).html(found)
            told = show.said(f"{found}\n{how}\n{but}")
            self._expected.value = told + figure + show.cautions(notes)
            self._show_detail()

    def compute(self, settings):
        treatments = parse_treatments(settings.rates)
        passed = ("seed", "blocks", "design", "unit", "header_width", "applicator_width", "strip_length",
                  "width_unit")  # fmt: skip
        options = {name: getattr(settings, name) for name in passed}
        plan = plan_strips(treatments, field_width=settings.field_width or None, **options)
        self.power = self.expected = self.layout = None
        self._expected.value = self._layout.value = ""  # they were those of another plan
        if plan.design in ERROR_DF and plan.blocks > 1:
            noise = settings.cv_pct
            self.power = smallest_difference(plan.blocks, noise, len(treatments), design=plan.design)
        return plan

    def words(self):
        return [*self.result.lines(), *(self.power.lines() if self.power else ())]

    def message(self):
        place = self.spoken(Kind.TEXT)[0]
        return "\n".join([place, *(map(plainly, self.power.lines()) if self.power else ())])

    def cautions(self):
        placeholder = [NOISE] if self._untouched("cv_pct") else []
        said = {f"{meaning}." for meaning in failed(self.result.checks)}  # notes of the plan too
        beside = [line for line in self._lines if line.kind == Kind.NOTE and line.text not in said]
        return [*said_by(self.result.checks), *placeholder, *map(plainly, beside)]

    def numbers_shown(self):
        along = ("left", "right", "start", "end", "harvest_left", "harvest_right")
        unit = self.result.width_unit
        return (
            super()
            .numbers_shown()
            .rename(columns={name: f"{name.replace('_', ' ')} [{unit}]" for name in along})
        )

    def code(self):
        s = self.settings
        treatments = parse_treatments(s.rates)
        lines = [
            "from fertkit.trials import plan_strips",
            f"result = plan_strips({treatments}, seed={s.seed}, blocks={s.blocks}, design={s.design!r}, "
            f"unit={s.unit!r}, header_width={s.header_width}, applicator_width={s.applicator_width}, "
            f"strip_length={s.strip_length}, width_unit={s.width_unit!r}, "
            f"field_width={s.field_width or None})",
            "print(result.summary())",
        ]
        if e := self.expected:
            lines += [
                "from fertkit.response import expected_interval",
                f"expected = expected_interval({treatments}, {s.blocks}, curve={e.curve!r}, "
                f"params={e.params.tolist()}, sd={e.sd}, price_ratio={e.price_ratio}, n={e.n}, "
                f"rate_unit={e.rate_unit!r}, yield_unit={e.yield_unit!r})",
                "print(expected.summary())",
            ]
        return "\n".join(lines)

    def saves(self):
        orders = application_table(self.result).to_csv(index=False)
        links = [*super().saves(), show.download("Save operator's list", "operator.csv", orders)]
        if self.expected is not None:
            table = self.expected.table.to_csv(index=False)
            links.append(show.download("Save expected interval", "expected.csv", table))
        if self.layout is not None:
            links.append(
                show.download("Save page of the trial", "layout.html", self.layout.page(), "text/html")
            )
            links += [show.download(f"Save {name}", name, text) for name, text in self.layout.files.items()]
        return links

    def _untouched(self, *names) -> bool:
        return any(getattr(self.settings, name) == getattr(self._defaults, name) for name in names)


def layout_of(s, boundary=None):
    """The whole plan of what the settings say; 0 asks for nothing.

    Raises
    ------
    FertkitError
        If rates are to be placed and nothing is assumed of the field, or the A-B line is none.
    """
    named = ("seed", "design", "unit", "header_width", "applicator_width", "strip_length", "width_unit",
             "headland", "cv_pct")  # fmt: skip
    asked = {name: getattr(s, name) for name in named}
    treatments, network = parse_treatments(s.rates), None
    supposed = {"yield_without": s.yield_without, "best_yield": s.best_yield, "best_rates": [s.rate_of_best],
                "price_ratio": s.price_ratio, "yield_unit": YIELD_UNITS[s.unit][0]}  # fmt: skip
    if s.place and (isinstance(treatments[0], str) or not all(supposed.values())):
        raise FertkitError("enter rates, and the yields, the rate and the price ratio you assume")
    if s.place:
        asked |= {"field_supposed": supposed | {"highest": max(treatments)}, "strips": len(treatments)}
    if s.width:
        network = {"width": s.width, "site_sd": s.site_sd, "year_sd": s.year_sd}
    return answer_layout(
        None if s.place else treatments, blocks=None if s.difference_pct else s.blocks,
        difference_pct=s.difference_pct or None, second=s.second or None, arrangement=s.second_on,
        whole_cv_pct=s.whole_cv, network=network, boundary=boundary, line=line_of(s.line), **asked,
    )  # fmt: skip


def line_of(text: str):
    """Read the two points of an A-B line, longitude and latitude each; None where none is typed."""
    if not text.strip():
        return None
    try:
        (a, b), (c, d) = (tuple(map(float, point.split(","))) for point in text.split())
    except ValueError:
        raise FertkitError(
            f"'{shorten(text)}' is no A-B line; write it as -93.10,42.00 -93.10,42.01"
        ) from None
    return [(a, b), (c, d)]


def expected_of(s):
    """Expected interval of a plan; its noise is taken of the mean yield of the plan.

    Raises
    ------
    FertkitError
        If the plan is not one of rates in blocks, or leaves nothing to estimate.
    """
    rates = parse_treatments(s.rates)
    if isinstance(rates[0], str):
        raise FertkitError("named treatments have no optimum; enter rates, such as 0, 50, 100")
    if s.design != "blocks":
        raise FertkitError(f"choose the design '{DESIGNS['blocks']}': this simulation needs it")
    if not (s.best_yield and s.rate_of_best and s.price_ratio):
        raise FertkitError("enter the yields, the rate and the price ratio you assume, in these units")
    params = curve_through(CURVE, s.yield_without, s.best_yield, s.rate_of_best)
    mean = sum(float(CURVES[CURVE].value(rate, params)) for rate in rates) / len(rates)
    return expected_interval(
        rates, s.blocks, curve=CURVE, params=params, sd=s.cv_pct / 100 * mean, price_ratio=s.price_ratio,
        n=SIMULATED, rate_unit=s.unit, yield_unit=YIELD_UNITS[s.unit][0],
    )  # fmt: skip


def parse_treatments(text: str) -> list:
    """Read rates or names set apart by commas (or semicolons); all numbers, or all names.

    Raises
    ------
    FertkitError
        If there are fewer than two.
    """
    mark = ";" if ";" in text else ","  # between semicolons a comma is a decimal mark
    parts = [part.strip() for part in text.split(mark) if part.strip()]
    if len(parts) < 2:
        raise FertkitError(f"'{shorten(text)}' has fewer than two treatments; write them as 0, 50, 100")
    try:
        return [read_typed(part) for part in parts]
    except ValueError as error:
        if mark == ";" and any(part[:1].isdigit() and "," in part for part in parts):
            raise FertkitError(f"'{shorten(text)}': {error}") from None
        return parts
