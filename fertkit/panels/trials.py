"""Panels of a strip trial: what the strips show block by block, and the rate that pays, which prices move."""

from fertkit.errors import FertkitError
from fertkit.intake.strips import read_strips
from fertkit.panels import controls
from fertkit.panels.base import Panel
from fertkit.panels.pricing import (
    LARGEST_PRICE,
    PLACEHOLDERS,
    AsksForGroups,
    Priced,
    crop_choice,
    enter_prices,
)
from fertkit.panels.show import plainly
from fertkit.plots.groups import move_group_prices
from fertkit.plots.response import move_prices
from fertkit.reference.crops import bushel_lb
from fertkit.response.analyse import analyse_response
from fertkit.response.curves import CURVES, MEAN
from fertkit.response.groups import compare_groups
from fertkit.response.prices import Prices
from fertkit.response.worth import compare_rates
from fertkit.rounding import same
from fertkit.say.advice import ONE_TRIAL
from fertkit.say.line import notes
from fertkit.say.response import CAUTION
from fertkit.say.worth import against_text
from fertkit.trials.analyse import analyse_strips

MODELS = [("fixed blocks", "fixed"), ("random blocks", "random"), ("correlated neighbours", "neighbours")]
LEVELS = [("80%", 0.80), ("90%", 0.90), ("95%", 0.95)]


class _TrialPanel(Panel):
    """What both panels ask of a file of strips: its crop, if it does not tell, and which trial of it."""

    file_words = "Open a strip file"
    reading = ("crop",)
    telling = (("crop", "corn"),)

    def ask(self):
        return {
            "crop": crop_choice(),
            "trial": controls.choice("Trial in the file", [""]),
            "level": controls.choice("Confidence level", LEVELS, 0.95),
        }

    def read(self, source, name):
        return read_strips(source, crop=self.controls["crop"].value or None, name=name)

    def follow(self, name):
        if name is None:
            controls.offer(self.controls["trial"], list(dict.fromkeys(self.data.table["trial"])))

    def cautions(self):
        return [*map(plainly, notes(self.data.notes)), *super().cautions()]

    @property
    def strips(self):
        """The strips of the trial chosen."""
        table = self.data.table
        chosen = table[table["trial"] == self.controls["trial"].value]
        return self.data.with_strips(chosen.reset_index(drop=True))

    def _code(self, function: str, options: str, before=()) -> str:
        s = self.settings
        crop = f", crop={s.crop!r}" if s.crop else ""
        trial = f"strips[strips['trial'] == {s.trial!r}]"
        lines = [
            f"from fertkit import {function}, read_strips",
            f"strips = read_strips({self.file!r}{crop}).table",
            *before,
            f"result = {function}({trial}, {options}, level={s.level})",
            "print(result.summary())",
        ]
        return "\n".join(lines)


class StripsPanel(_TrialPanel):
    """Compare the rates of a strip trial: means, noise and which differences stand out of it.

    Parameters
    ----------
    data
        A sheet of strips.
    crop : str
        Crop of the file, if the file does not tell; empty otherwise.
    trial : str
    model : {'fixed', 'random', 'neighbours'}
    trend : bool
        Allow for a straight trend across the field.
    level : float
        Confidence of intervals [0-1].
    """

    title = "What the strips say"
    about = "Mean yield of each rate with its interval."
    caution = ONE_TRIAL

    def ask(self):
        return super().ask() | {
            "model": controls.choice("Blocks and neighbours", MODELS),
            "trend": controls.tick("Allow for a trend across the field", False),
        }

    def compute(self, settings):
        options = {"model": settings.model, "trend": settings.trend, "level": settings.level}
        return analyse_strips(self.strips, **options)

    def numbers_shown(self):
        unit = "/".join(self.result.response.split("_")[1:])
        said = {"mean": "mean", "se": "standard error", "low": "low", "high": "high"}
        return (
            super().numbers_shown().rename(columns={name: f"{says} [{unit}]" for name, says in said.items()})
        )

    def code(self):
        s = self.settings
        return self._code("analyse_strips", f"model={s.model!r}, trend={s.trend}")


class OptimumPanel(AsksForGroups, Priced, _TrialPanel):
    """Find the rate at which one more unit of nutrient just pays, and see how prices move it.

    Parameters
    ----------
    data
        A sheet of strips.
    prices : Prices, optional
        Instead of prices among the settings: they are used only for a file that counts in their units.
    crop, trial : str
        As in `StripsPanel`.
    by : str
        Column of a second factor or of zones, whose levels get a curve and an optimum each.
    nutrient_price, grain_price : float
        Price of a unit of mass of the rate and of the yield, in any one currency [money per lb, bu, ...];
        0 for not given yet.
    pass_cost : float
        Cost of the application pass [money per area].
    free : bool
        The nutrient costs nothing, as where it has to be spread anyway.
    curve : str
        Key of `fertkit.response.CURVES`, or empty for the average over them.
    usual_rate : float
        Rate to hold the optimum against, within the tested ones [unit of the rate]; 0 for none.
    robust, uneven : bool
        See `fertkit.response.analyse_response`.
    level : float
        Confidence of the interval [0-1].
    """

    title = "The rate that pays"
    reading = ("crop", "by")
    about = "Economic optimum of a strip trial. Prices change the return, not the curves."
    sentences = 7
    sliders = ("nutrient_price", "grain_price")
    numbers = ("label", "optimum_text", "r2", "aicc", "average_weight", "lack_of_fit_p", "note")
    caution = CAUTION

    def __init__(self, data=None, *, prices: Prices | None = None, **settings):
        self._fitted, self._usual = (None, None), None  # an analysis and what it was asked; the usual rate's
        self._per = {}  # unit of the prices the panel began with, where they name it
        if prices is not None:
            self._per = {"nutrient_price": prices.nutrient_per, "grain_price": prices.grain_per}
            settings |= {"nutrient_price": float(prices.nutrient), "grain_price": float(prices.grain)}
            settings |= {"pass_cost": prices.pass_cost}
        super().__init__(data, **settings)

    def ask(self):
        curves = [
            ("average of the curves", ""),
            *((c.label, c.key) for c in CURVES.values() if c is not MEAN),
        ]
        steps = {"nutrient_price": 0.01, "grain_price": 0.05, "pass_cost": 0.5}
        money = {key: controls.number(key, 0.0, 0, LARGEST_PRICE, step=step) for key, step in steps.items()}
        free = controls.tick("Nutrient is free", False)
        by = controls.line("Compare by column", "none, or such as Hybrid")
        curve = controls.choice("Response curve", curves)
        usual = controls.number("Your usual rate (0: none)", 0.0, 0, LARGEST_PRICE)
        own = {"by": by, "curve": curve, "free": free, "usual_rate": usual}
        return money | super().ask() | own | {
            "robust": controls.tick("Downweight outlying strips", False),
            "uneven": controls.tick("Allow for error that changes with rate", False),
        }  # fmt: skip

    def read(self, source, name):
        by = self.controls["by"].value.strip()
        return self._read_as(source, name, {"factor": by} if by else None)

    def numbers_shown(self):
        optimum = f"optimum and {self.result.level:.0%} interval [{self.result.rate_unit}]"
        return super().numbers_shown().rename(columns={"label": "curve", "optimum_text": optimum})

    def _read_as(self, source, name, columns):
        crop = self.controls["crop"].value or None
        strips = read_strips(source, crop=crop, columns=columns, name=name)
        if strips.rate_columns:
            raise FertkitError(
                f"the file has rates of {' and '.join(strips.rate_columns)}; this panel needs one nutrient",
                "fertkit strips FILE (in Python analyse_surface)",
            )
        return strips

    def follow(self, name):
        super().follow(name)
        if name is None:
            self.price_by(self._kinds(), self._labels())

    def fitting(self, settings):
        if self.data is None:
            return settings
        other = {key for key, unit in self._per.items() if unit != self._kinds()[key][0]}
        return {name: value for name, value in settings.items() if name not in other}

    def compute(self, settings):
        asked = [key for key in self.sliders if key != "nutrient_price" or not settings.free]
        missing = [self._labels()[key] for key in asked if not getattr(settings, key)]
        if missing:
            raise FertkitError(
                enter_prices(label[0].lower() + label[1:] for label in missing)
                + f". Tick '{self.controls['free'].description}' if it costs nothing"
                * ("nutrient_price" in asked and not settings.nutrient_price)
            )
        if self.data.factor and (settings.usual_rate or settings.robust or settings.uneven):
            raise FertkitError(
                "the usual rate, outlying strips and changing error need one curve: clear them, "
                f"or clear '{self.controls['by'].description}'"
            )
        how = {name: getattr(settings, name) for name in ("level", "robust", "uneven")}
        asked = (id(self.data), settings.trial, settings.curve, *how.values())
        prices = self._prices(settings)
        if self._fitted[0] == asked:
            found = self._fitted[1].at_prices(prices=prices)
        else:
            found = self._analysed(settings, prices, how)
            self._fitted = asked, found
        usual = settings.usual_rate
        self._usual = compare_rates(found, [usual], alone=True) if usual else None
        return found

    def _analysed(self, settings, prices, how):
        """The curve of the strips, or one of each group."""
        options, by = {"prices": prices, "curve": settings.curve or None}, self.data.factor
        if not by:
            return analyse_response(self.strips, **options, **how)
        return compare_groups(self.strips, by, level=settings.level, **options)

    def message(self):
        held = self._usual
        aside = held is None or same(held.chosen, held.against[0])
        return super().message() if aside else f"{super().message()}\n{against_text(held, held.against[0])}"

    def move(self, *axes):
        (move_group_prices if self.data.factor else move_prices)(self.result, *axes)

    def cautions(self):
        first = self._first[1]
        typed = any(getattr(self.settings, key) != first.get(key, 0.0) for key in self.sliders)
        placeholder = [] if typed else [PLACEHOLDERS]
        return [*placeholder, *super().cautions()]

    def code(self):
        s, p = self.settings, self._prices(self.settings)
        prices = (
            "from fertkit.response import Prices",
            f"prices = Prices({p.nutrient}, {p.grain}, {p.nutrient_per!r}, {p.grain_per!r}, "
            f"pass_cost={p.pass_cost}, lb_per_bushel={p.lb_per_bushel})",
        )
        options = f"prices=prices, curve={s.curve or None!r}"
        if not self.data.factor:
            more = "".join(f", {name}=True" for name in ("robust", "uneven") if getattr(s, name))
            code = self._code("analyse_response", options + more, prices)
            return f"{code}\nprint(result.worth({s.usual_rate}).summary())" if s.usual_rate else code
        told = {"crop": s.crop, "columns": s.by and {"factor": s.by}}
        reading = "".join(f", {name}={value!r}" for name, value in told.items() if value)
        return "\n".join([
            "from fertkit import read_strips", "from fertkit.response import compare_groups", *prices,
            f"strips = read_strips({self.file!r}{reading})",
            f"trial = strips.with_strips(strips.table[strips.table['trial'] == {s.trial!r}])",
            f"result = compare_groups(trial, strips.factor, {options}, level={s.level})",
            "print(result.summary())",
        ])  # fmt: skip

    def _kinds(self) -> dict[str, tuple[str, str]]:
        """Tell for each amount of money what it is counted by: the unit, and of what."""
        rate_mass, area = self.data.rate_unit.split("/")
        yield_mass = self.data.yield_unit.split("/")[0]
        return {
            "nutrient_price": (rate_mass, self.data.nutrient or ""),
            "grain_price": (yield_mass, self.data.crop or ""),
            "pass_cost": (area, ""),
        }

    def _labels(self) -> dict[str, str]:
        (rate_mass, nutrient), (yield_mass, crop), (area, _) = self._kinds().values()
        return {
            "nutrient_price": f"Price per {rate_mass} of {nutrient or 'nutrient'}",
            "grain_price": f"Price per {yield_mass} of {crop or 'crop'}",
            "pass_cost": f"Cost of the application pass per {area}",
        }

    def _prices(self, s) -> Prices:
        kinds, bushel = self._kinds(), bushel_lb(self.data.crop) if self.data.crop else None
        masses = kinds["nutrient_price"][0], kinds["grain_price"][0]
        return Prices(
            0.0 if s.free else s.nutrient_price,
            s.grain_price,
            *masses,
            pass_cost=s.pass_cost,
            lb_per_bushel=bushel,
        )
