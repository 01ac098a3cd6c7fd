"""Panel: the economic optimum rate of a strip trial, and what moves it; prices move it without a new fit."""

from dataclasses import dataclass

from fertkit.errors import FertkitError
from fertkit.intake.strips import read_strips
from fertkit.panels import controls
from fertkit.panels.base import Panel, said_by
from fertkit.panels.strips import LEVELS, crop_choice, one_trial
from fertkit.reference.crops import bushel_lb
from fertkit.response.analyse import analyse_response
from fertkit.response.curves import CURVES, MEAN
from fertkit.response.prices import Prices
from fertkit.results import plain
from fertkit.say.response import CAUTION, gain_lines

#: Where the slider of a price ends, by the unit of mass that is priced; any currency can be typed.
USUAL_PRICE = {
    "lb": 2.0, "kg": 5.0, "oz": 0.4, "g": 0.4, "bu": 16.0, "cwt": 40.0, "q": 80.0, "t": 800.0,
    "Mg": 800.0, "ton": 800.0,
}  # fmt: skip
LARGEST_PRICE = 1_000_000
AVERAGED = ("averaged over the curves", "")


@dataclass(frozen=True)
class OptimumSettings:
    """What the panel asks.

    Attributes
    ----------
    crop, trial : str
        As in `StripsSettings`.
    nutrient_price, grain_price : float
        Price of a unit of mass of the rate and of the yield, in any one currency [money per lb, bu, ...];
        0 for not given yet.
    pass_cost : float
        Cost of the application pass [money per area].
    curve : str
        Key of `fertkit.response.CURVES`, or empty for the average over them.
    level : float
        Confidence of the interval [0-1].
    """

    crop: str = ""
    trial: str = ""
    nutrient_price: float = 0.0
    grain_price: float = 0.0
    pass_cost: float = 0.0
    curve: str = ""
    level: float = 0.95


class OptimumPanel(Panel):
    """Find the rate at which one more unit of nutrient just pays, and see how prices move it.

    Parameters
    ----------
    data, **settings
        As in `Panel`.
    prices : Prices, optional
        Instead of prices among the settings: they are used only for a file that counts in their units.
    """

    title = "The rate that pays"
    about = "The economic optimum of a strip trial. Move a price: the curves stay, only the money moves."
    Settings = OptimumSettings
    file_words = "Open a strip file"
    reading = ("crop",)
    telling = (("crop", "corn"),)
    sliders = ("nutrient_price", "grain_price")

    def __init__(self, data=None, *, prices: Prices | None = None, **settings):
        self._fitted = None, None
        self._priced = {}  # what each price was given for: unit, and nutrient, crop or nothing
        self._per = {}  # unit of the prices the panel began with, where they name it
        if prices is not None:
            self._per = {"nutrient_price": prices.nutrient_per, "grain_price": prices.grain_per}
            settings |= {"nutrient_price": float(prices.nutrient), "grain_price": float(prices.grain)}
            settings |= {"pass_cost": prices.pass_cost}
        super().__init__(data, **settings)

    def ask(self, settings):
        curves = [AVERAGED, *((c.label, c.key) for c in CURVES.values() if c is not MEAN)]
        return {
            "nutrient_price": controls.number("Price of the nutrient", settings.nutrient_price, 0,
                                              LARGEST_PRICE, step=0.01),
            "grain_price": controls.number("Price of the crop", settings.grain_price, 0, LARGEST_PRICE,
                                           step=0.05),
            "pass_cost": controls.number("Cost of the application pass", settings.pass_cost, 0,
                                         LARGEST_PRICE, step=0.5),
            "crop": crop_choice(settings.crop),
            "trial": controls.choice("Trial in the file", [""]),
            "curve": controls.choice("Response curve", curves, settings.curve),
            "level": controls.choice("Confidence of the interval", LEVELS, settings.level),
        }  # fmt: skip

    def read(self, source, name):
        return read_strips(source, crop=self.controls["crop"].value or None, name=name)

    def follow(self, name):
        if name is not None:
            return
        data = self.data
        controls.offer(self.controls["trial"], list(dict.fromkeys(data.table["trial"])))
        for key, label in self._labels().items():
            usual = USUAL_PRICE.get(self._kinds()[key][0])
            controls.relabel(self.controls[key], label, LARGEST_PRICE, usual)
        self._drop_other_prices()

    def fitting(self, settings):
        if self.data is None:
            return settings
        other = {key for key, unit in self._per.items() if unit != self._kinds()[key][0]}
        return {name: value for name, value in settings.items() if name not in other}

    def compute(self, settings):
        missing = [self._labels()[key] for key in self.sliders if not getattr(settings, key)]
        if missing:
            raise FertkitError(
                f"put in the {' and the '.join(label[0].lower() + label[1:] for label in missing)}; "
                "a price for another unit or crop is not carried over"
            )
        asked = (id(self.data), settings.trial, settings.curve, settings.level)
        prices = self._prices(settings)
        if self._fitted[0] != asked:
            table = one_trial(self.data, settings.trial)
            fitted = analyse_response(
                table, prices=prices, curve=settings.curve or None, level=settings.level
            )
            self._fitted = asked, fitted
            return fitted
        return self._fitted[1].at_prices(prices=prices)

    def move(self, *axes):
        from fertkit.plots.response import move_prices

        move_prices(self.result, *axes)

    def message(self):
        result = self.result
        of = f"{self.data.nutrient or 'Nutrient'} on {self.data.crop or 'the crop'}, {self.settings.trial}"
        lines = [
            *result.first,
            f"Economic optimum rate: {result.optimum.text}.",
            f"{of}: price ratio {plain(result.price_ratio)} {result.yield_unit} per {result.rate_unit}.",
            *gain_lines(result),
        ]
        return "\n".join(lines)

    def cautions(self):
        checks = [*(f"Note: {note}." for note in self.data.notes), *said_by(self.result.checks)]
        first = self._first[1]
        typed = any(getattr(self.settings, key) != first[key] for key in self.sliders)
        placeholder = [] if typed else ["The prices to begin with are placeholders: put in your own."]
        return [*checks, *placeholder, CAUTION]

    def code(self):
        s = self.settings
        crop = f", crop={s.crop!r}" if s.crop else ""
        return (
            "from fertkit import analyse_response, read_strips\n"
            "from fertkit.response import Prices\n"
            f"strips = read_strips({self.file!r}{crop}).table\n"
            f"prices = {self._prices_code()}\n"
            f"result = analyse_response(strips[strips['trial'] == {s.trial!r}], prices=prices, "
            f"curve={s.curve or None!r}, level={s.level})\n"
            "print(result.summary())"
        )

    def _kinds(self) -> dict[str, tuple[str, str]]:
        """Tell for each amount of money what it is counted by: the unit, and of what."""
        rate_mass, yield_mass = self._masses()
        return {
            "nutrient_price": (rate_mass, self.data.nutrient or ""),
            "grain_price": (yield_mass, self.data.crop or ""),
            "pass_cost": (self.data.rate_unit.split("/")[1], ""),
        }

    def _labels(self) -> dict[str, str]:
        kinds = self._kinds()
        (rate_mass, nutrient), (yield_mass, crop), (area, _) = kinds.values()
        named = (
            f"Price per {rate_mass} of {nutrient or 'nutrient'}",
            f"Price per {yield_mass} of {crop or 'crop'}",
            f"Cost of the application pass per {area}",
        )
        return dict(zip(kinds, named, strict=True))

    def _drop_other_prices(self) -> None:
        """Take away prices that were given for another unit, nutrient or crop than the file's."""
        kinds = self._kinds()
        for key, (unit, of) in self._priced.items():
            if unit != kinds[key][0] or (of and kinds[key][1] and of != kinds[key][1]):
                self.controls[key].value = 0.0
        self._priced = kinds

    def _masses(self) -> tuple[str, str]:
        return self.data.rate_unit.split("/")[0], self.data.yield_unit.split("/")[0]

    def _prices(self, s) -> Prices:
        rate_mass, yield_mass = self._masses()
        return Prices(s.nutrient_price, s.grain_price, rate_mass, yield_mass, pass_cost=s.pass_cost,
                      lb_per_bushel=bushel_lb(self.data.crop) if self.data.crop else None)  # fmt: skip

    def _prices_code(self) -> str:
        p = self._prices(self.settings)
        return (
            f"Prices({p.nutrient}, {p.grain}, {p.nutrient_per!r}, {p.grain_per!r}, pass_cost={p.pass_cost}, "
            f"lb_per_bushel={p.lb_per_bushel})"
        )
