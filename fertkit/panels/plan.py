"""Panel: lay out next year's strip trial, see what difference it finds and how well it finds the optimum."""

import ipywidgets as widgets

from fertkit.errors import FertkitError, shorten
from fertkit.intake.numbers import read_typed
from fertkit.panels import controls, show
from fertkit.panels.base import Panel, plainly, said_by
from fertkit.response.curves import CURVES, QUADRATIC_PLATEAU
from fertkit.response.plan import curve_through, expected_interval
from fertkit.results import plain
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
    """

    title = "Next year's trial"
    about = "Where each rate goes, how much field it takes, and what difference it can detect."

    def __init__(self, **settings):
        self.power = self.expected = None
        self._unit, self._supposed = "lb/ac", {}  # the unit shown, and what was supposed in each unit left
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
        """Write the widths and lengths in the unit chosen."""
        factor = FOOT_M if self.controls["width_unit"].value == "m" else 1 / FOOT_M
        for key in WIDTHS:
            self.controls[key].value = float(plain(self.controls[key].value * factor, digits=5))

    def more(self):
        hint = "Simulates many harvests; takes a few seconds"
        self.work_out = controls.button("How well would it find the optimum?", self.expect, hint)
        self._expected = widgets.HTML()
        return [self.work_out, self._expected]

    def expect(self) -> None:
        """Work out the interval of the economic optimum to expect of this plan, and show it."""
        with self._step("simulating harvests", keep=True):
            self._expected.value = show.paragraphs("Simulating harvests, a few seconds …")
            try:
                self.expected = expected_of(self.settings)
            finally:
                self._expected.value = ""
            says = plainly(self.expected.lines()[1])  # of its one plan
            notes = [*said_by(self.expected.checks), *([SUPPOSED] if self._untouched(*SUPPOSITIONS) else [])]
            pieces = (
                show.said(self.expected.summary()),
                show.Sheet(self.expected.plot()).html(says),
                show.cautions(notes),
            )
            self._expected.value = "".join(pieces)
            self._show_detail()

    def compute(self, settings):
        treatments = parse_treatments(settings.rates)
        passed = ("seed", "blocks", "design", "unit", "header_width", "applicator_width", "strip_length",
                  "width_unit")  # fmt: skip
        options = {name: getattr(settings, name) for name in passed}
        plan = plan_strips(treatments, field_width=settings.field_width or None, **options)
        self.power = self.expected = None
        self._expected.value = ""  # it was that of another plan
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
        return [*said_by(self.result.checks), *placeholder, *self.spoken(Kind.NOTE)]

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
        return links

    def _untouched(self, *names) -> bool:
        return any(getattr(self.settings, name) == getattr(self._defaults, name) for name in names)


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
