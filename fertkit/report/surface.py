"""The answer for one trial of two or three nutrients: the best combination, how sure, what else pays."""

from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_word, asks, either
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section, Table
from fertkit.report.trial import PRICE_STEPS, notes_of, trial_rows
from fertkit.response.curves import get_curve
from fertkit.response.optimum import status_in_words
from fertkit.response.prices import area_of, money_axis
from fertkit.response.surface import SurfaceAnalysis, analyse_surface
from fertkit.results import plain
from fertkit.say import surface as say
from fertkit.say.advice import OF_ONE_TRIAL, nutrient_cautions
from fertkit.say.line import notes

_TINY = 1e-4  # a coefficient with a smaller error is told of rates in hundreds


@dataclass(frozen=True)
class SurfaceAnswer(Answer):
    """What the kit says about one trial of several nutrients.

    Attributes
    ----------
    name, crop : str
    analysis : SurfaceAnalysis
    sources : DataFrame
    notes : tuple of str
    recipe : Recipe or None
        What asks for it again.
    """

    name: str
    crop: str
    analysis: SurfaceAnalysis
    sources: pd.DataFrame
    notes: tuple[str, ...] = ()
    recipe: object = None

    @property
    def title(self) -> str:
        return f"{self.name}: best combination of {' and '.join(self.analysis.nutrients)}"

    @property
    def table(self) -> pd.DataFrame:
        return self.analysis.table.assign(about=self.name)[parts.COLUMNS]

    @property
    def lead(self) -> list:
        return say.short_lines(self)

    @property
    def trials(self) -> dict[str, SurfaceAnalysis]:
        """The analysis by the name of the trial."""
        return {self.name: self.analysis}

    @property
    def checks(self) -> pd.DataFrame:
        return parts.checks_of({"surface": self.analysis})

    def plot(self, ax=None, **options):
        """Draw net return over the rates of two nutrients."""
        return self.analysis.plot(ax, **options)

    @property
    def sections(self) -> list[Section]:
        do, leave = say.surface_advice(self.analysis)
        own = [text for name in self.analysis.nutrients for text in nutrient_cautions(name)[0]]
        cautions = (OF_ONE_TRIAL, *dict.fromkeys(own))
        return [
            Section("Advice", do=do, leave=leave, cautions=cautions),
            *_maps(self.analysis), _surface_section(self.analysis), _ways_section(self.analysis),
            Section(parts.IF_PRICES, tables=(_prices_table(self.analysis),)),
            Section(parts.RELIABLE, tuple(notes(self.notes)),
                    tables=(parts.checks_table(self.checks), _strips_table(self)),
                    links=parts.script_link(self)),
        ]  # fmt: skip


@asks(
    trial=parts.STRIPS, name=a_word, nutrient_price=either(a_dict, parts.PRICED["nutrient_price"]),
    grain_price=parts.PRICED["grain_price"], currency=parts.PRICED["currency"], surface=a_word,
)  # fmt: skip
def answer_surface(
    trial, *, nutrient_price, grain_price, name=None, currency="", surface=None
) -> SurfaceAnswer:  # fmt: skip
    """Answer for one trial of several nutrients; see `fertkit.response.analyse_surface`.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of one trial; ask for one of several by `name`.
    nutrient_price : dict of str to float
        Price of each nutrient per mass unit of its rate.
    grain_price : float
    name, currency, surface : str, optional
    """
    given, _, called, facts = trial_rows(trial, name)
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price, "currency": currency}
    analysis = analyse_surface(given, surface=surface, **prices)
    keys = [parts.citations([trial, analysis], one) for one in analysis.nutrients]
    sources = pd.concat(keys).drop_duplicates("source_key", ignore_index=True)
    return SurfaceAnswer(called, facts["crop"], analysis, sources, notes_of(given))


def _maps(analysis):
    """A map of net return for each two nutrients."""
    pairs = list(combinations(range(len(analysis.nutrients)), 2))
    for pair in pairs:
        first, second = (analysis.nutrients[i] for i in pair)
        lines = [say.region_text(analysis), say.nearly_text(analysis)]
        yield Section(
            "Which combination paid best?" if pair == pairs[0] else f"{first} and {second}",
            lines=tuple(filter(None, lines)) if pair == pairs[0] else (),
            figure=partial(analysis.plot, pair=pair), figure_says=say.best_text(analysis),
            tables=(_rates_table(analysis),) if pair == pairs[0] else (),
        )  # fmt: skip


def _rates_table(analysis):
    names = {"nutrient": "nutrient", "unit": "unit", "rate": "best rate", "low": "from", "high": "to",
             "joint_low": "joint region from", "joint_high": "joint region to",
             "status": "status"}  # fmt: skip
    rows = analysis.intervals.assign(status=analysis.intervals["status"].map(status_in_words))
    return parts.pick("Best rates and their intervals", rows, names)


def _surface_section(analysis):
    units = dict(zip(analysis.nutrients, analysis.data.rate_units, strict=True))
    models = analysis.models.assign(kind=[get_curve(key).label for key in analysis.models["curve"]])
    models["kind"] = models["kind"].where(models["terms"] != "no response", "")
    names = {"kind": "surface", "terms": "terms", "r2": "R²", "aicc": "AICc",
             "f": "F of the terms left out", "p": "p",
             **{f"best_{name}": f"best {name} [{unit}]" for name, unit in units.items()}}  # fmt: skip
    fits = [_coefficients_table(fit, analysis.level) for fit in analysis.fits.values()]
    axes = analysis.axes.rename(columns={
        "scaled": f"over the tested range [{analysis.yield_unit}]", "low": "from", "high": "to",
        **{name: f"share of {name}" for name in analysis.nutrients},
    })  # fmt: skip
    lines = say.trial_text(analysis), *say.terms_text(analysis), say.kinds_text(analysis)
    return Section(
        "How do the nutrients act together?", lines=tuple(filter(None, lines)),
        tables=(parts.pick("Surfaces compared", models, names), *fits,
                Table("Shape: eigenvalues", axes)),
    )  # fmt: skip


def _coefficients_table(fit, level):
    """Coefficients of one surface, of rates in hundreds where they would else be too small to read."""
    table = fit.coefficients(level)
    shown, title = ["estimate", "SE", "low", "high"], f"Coefficients, {get_curve(fit.curve).label} surface"
    if (table["SE"] < _TINY).any():
        size = np.r_[1.0, np.prod(100.0 ** (fit.powers * fit.exponents), axis=1)]
        table[shown], title = table[shown].mul(size, axis=0), f"{title}, rates in hundreds"
    return Table(title, table)


def _ways_section(analysis):
    money = analysis.currency, area_of(analysis.yield_unit)
    units = dict(zip(analysis.nutrients, analysis.data.rate_units, strict=True))
    path = analysis.path.rename(columns={
        "yield": f"yield [{analysis.yield_unit}]", "cost": money_axis("cost above the lowest rates", *money),
        "net": money_axis("net return over the lowest rates", *money),
        **{n: f"{n} [{u}]" for n, u in units.items()},
    })  # fmt: skip
    first, second = analysis.nutrients[:2]
    of = f"{second} [{units[second]}] for"
    same = analysis.isoquants.rename(
        columns=lambda c: f"{c} [{units[c]}]" if c == first else f"{of} {plain(c)} {analysis.yield_unit}"
    )
    says = say.path_text(analysis)
    return Section(
        "What is the cheapest combination for a yield?", lines=(says,) if says else (),
        tables=(Table("Cheapest combination for a yield", path), Table("Combinations of equal yield", same)),
    )  # fmt: skip


def _prices_table(analysis):
    """The optimum as the price of one nutrient, or of all, changes."""
    today = {name: price.nutrient for name, price in analysis.prices.items()}
    rows = []
    for which in [(name,) for name in today] + [tuple(today)]:
        for step in PRICE_STEPS:
            prices = {name: price * (step if name in which else 1) for name, price in today.items()}
            at = analysis.at_prices(prices, analysis.prices[which[0]].grain)
            rows.append(
                (*prices.values(), *at.optimum.rates, status_in_words(at.optimum.status), at.net_gain.value)
            )
    money = analysis.currency
    names = [money_axis(f"{n} price", money, analysis.prices[n].nutrient_per) for n in today]
    names += [f"best {n} [{u}]" for n, u in zip(today, analysis.data.rate_units, strict=True)]
    frame = pd.DataFrame(
        rows, columns=[*names, "status", money_axis("net gain", money, area_of(analysis.yield_unit))]
    )
    return Table("Best combination at other prices", frame.drop_duplicates(ignore_index=True))


def _strips_table(answer):
    data = answer.analysis.data
    named = zip(data.nutrients, data.rate_units, strict=True)
    frame = pd.DataFrame(data.rates, columns=[f"{name} [{unit}]" for name, unit in named])
    frame["block"] = data.block + 1
    frame[f"yield [{data.yield_unit}]"] = data.yields
    frame[f"fitted [{data.yield_unit}]"] = np.round(answer.analysis.fit.predict(data.rates), 6)
    return Table("The strips", frame)
