"""Panel: the economic optimum rate of a strip trial, and what moves it; prices move it without a new fit."""

from dataclasses import dataclass

from fertkit.intake import read_strips
from fertkit.panels import controls
from fertkit.panels.base import Panel, said_by
from fertkit.panels.strips import LEVELS, crop_choice, one_trial
from fertkit.reference import bushel_lb
from fertkit.response import CURVES, Prices, analyse_response
from fertkit.response.net_return import CAUTION

#: Largest price a control takes, by the unit of mass that is priced; wide enough for most currencies.
LARGEST_PRICE = {
    "lb": 5.0, "kg": 12.0, "oz": 1.0, "g": 1.0, "bu": 40.0, "cwt": 100.0, "q": 200.0, "t": 2000.0,
    "Mg": 2000.0, "ton": 2000.0,
}  # fmt: skip
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
        the defaults are placeholders.
    pass_cost : float
        Cost of the application pass [money per area].
    curve : str
        Key of `fertkit.response.CURVES`, or empty for the average over them.
    level : float
        Confidence of the interval [0-1].
    """

    crop: str = ""
    trial: str = ""
    nutrient_price: float = 0.45
    grain_price: float = 11.0
    pass_cost: float = 0.0
    curve: str = ""
    level: float = 0.95


class OptimumPanel(Panel):
    """Find the rate at which one more unit of nutrient just pays, and see how prices move it."""

    title = "The rate that pays"
    about = "The economic optimum of a strip trial. Move a price: the curves stay, only the money moves."
    Settings = OptimumSettings
    file_words = "Open a strip file"
    reading = ("crop",)
    sliders = ("nutrient_price", "grain_price")

    def __init__(self, data=None, **settings):
        self._fitted = None, None
        super().__init__(data, **settings)

    def ask(self, settings):
        curves = [AVERAGED, *((c.label, c.key) for c in CURVES.values() if c.key != "mean")]
        return {
            "nutrient_price": controls.number("Price of the nutrient", settings.nutrient_price, 0.01, 5,
                                              step=0.01),
            "grain_price": controls.number("Price of the crop", settings.grain_price, 0.01, 40, step=0.05),
            "pass_cost": controls.number("Cost of the application pass", settings.pass_cost, 0, 500,
                                         step=0.5),
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
        rate_mass, yield_mass = self._masses()
        controls.relabel(
            self.controls["nutrient_price"],
            f"Price per {rate_mass} of {data.nutrient or 'nutrient'}",
            LARGEST_PRICE[rate_mass],
        )
        controls.relabel(
            self.controls["grain_price"],
            f"Price per {yield_mass} of {data.crop or 'crop'}",
            LARGEST_PRICE[yield_mass],
        )
        area = data.rate_unit.split("/")[1]
        controls.relabel(self.controls["pass_cost"], f"Cost of the application pass per {area}", 500)

    def compute(self, settings):
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
        of = f"{self.data.nutrient} on {self.data.crop or 'the crop'}, {self.settings.trial}"
        gain = result.gain.iloc[-1]
        nearer = " ".join(str(gain["quantity"]).split())
        return (
            f"Economic optimum rate: {result.optimum.text}.\n"
            f"{of.strip()}: {nearer} is worth {gain['value']:.3g} {gain['unit']} at a price ratio of "
            f"{result.price_ratio:.3g} {result.yield_unit} per {result.rate_unit}."
        )

    def cautions(self):
        checks = [*(f"Note: {note}." for note in self.data.notes), *said_by(self.result.checks)]
        return [*checks, "The prices to begin with are placeholders: put in your own.", CAUTION]

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
