"""From a trial of two or three nutrients and their prices to the best combination of rates.

Quadratic and square-root surfaces with the products of the nutrients are fitted; the one that fits better
answers. Its best combination within the tested rates is exact, with a joint region and an interval for each
rate by inverting the test that given rates are the best; the shape of the surface there, the cheapest way to
every yield, and simpler surfaces beside it.

Examples
--------
Nine combinations without error of 20 + 0.2 N - 0.001 N² + 0.1 P - 0.001 P² + 0.0005 N P (invented). With N at
a tenth and P2O5 at a twentieth of the crop's price the slopes are 0.2 - 0.002 N + 0.0005 P = 0.1 and
0.1 - 0.002 P + 0.0005 N = 0.05, which N 60 and P 40 solve.

>>> from fertkit.response import analyse_surface
>>> import pandas as pd
>>> rates = [(n, p) for n in (0, 50, 100) for p in (0, 40, 80)]
>>> trial = pd.DataFrame(rates, columns=["rate_n_lb_ac", "rate_p2o5_lb_ac"])
>>> n, p = trial["rate_n_lb_ac"], trial["rate_p2o5_lb_ac"]
>>> trial["yield_bu_ac"] = 20 + 0.2 * n - 0.001 * n**2 + 0.1 * p - 0.001 * p**2 + 0.0005 * n * p
>>> best = analyse_surface(trial, nutrient_price={"N": 0.5, "P2O5": 0.25}, grain_price=5).optimum
>>> best.rates.round(6).tolist(), str(best.status)
([60.0, 40.0], 'interior')
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

import fertkit.response.surface_parts as parts
from fertkit.asked import (
    a_dict,
    a_header,
    a_number,
    a_share,
    a_text,
    a_word,
    asks,
    either,
    header_by_role,
    holding,
    maybe_headers,
    off,
)
from fertkit.errors import NotEstimable, PriceError, UnitError, typed
from fertkit.intake.strip_nutrients import why_not_apart
from fertkit.reference.load import method_sources
from fertkit.response.curves import CURVES, get_curve
from fertkit.response.gain import NetGain
from fertkit.response.prices import Prices, nearly_as_good, single
from fertkit.response.surface_fit import POWERS, SurfaceData, SurfaceFit, fit_surface, read_surface_data
from fertkit.response.surface_region import Question
from fertkit.results import Result, failed
from fertkit.rounding import same

METHODS = ("surfaces", "joint region", "axes", "aicc")


@dataclass(frozen=True)
class SurfaceAnalysis(Result):
    """What a trial of several nutrients says about the rates to use.

    Attributes
    ----------
    data : SurfaceData
    fits : dict of str to SurfaceFit
        The whole surface of each kind, with all products, by the curve it has in each nutrient.
    curve : str
        Key of the one that answers.
    prices : dict of str to Prices
        By nutrient.
    level : float
    """

    data: SurfaceData
    fits: dict[str, SurfaceFit]
    curve: str
    prices: dict[str, Prices]
    level: float

    @property
    def fit(self) -> SurfaceFit:
        return self.fits[self.curve]

    @property
    def nutrients(self) -> tuple[str, ...]:
        return self.data.nutrients

    @property
    def yield_unit(self) -> str:
        return self.data.yield_unit

    @cached_property
    def unit_prices(self) -> list:
        """Prices in the units of the trial, one a nutrient."""
        units = zip(self.nutrients, self.data.rate_units, strict=True)
        return [single(self.prices[name].per(unit, self.yield_unit)) for name, unit in units]

    @property
    def ratios(self) -> np.ndarray:
        """Price ratios [yield unit per rate unit]."""
        return np.array([unit.ratio for unit in self.unit_prices])

    @property
    def grain(self) -> float:
        """Price of a yield unit's mass [money]."""
        return float(self.unit_prices[0].grain)

    @property
    def currency(self) -> str:
        return self.prices[self.nutrients[0]].currency

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources(*METHODS)

    @property
    def methods(self) -> tuple[str, ...]:
        """What the analysis rests on, by its names in ``reference/methods.csv``."""
        return METHODS

    @property
    def how(self) -> str:
        """What was done, as a paper says it."""
        kinds = ", ".join(get_curve(key).label for key in self.fits)
        prices = " and ".join(
            f"{r:.4g} for {name}" for r, name in zip(self.ratios, self.nutrients, strict=True)
        )
        return (
            f"surfaces with interactions ({kinds}) were fitted by least squares with block effects removed "
            f"and compared by AICc; the {get_curve(self.curve).label} surface is reported, with best rates "
            f"inside the tested range at price ratios of {prices}, their joint region and the axes of the "
            "surface"
        )

    @cached_property
    def optimum(self) -> parts.BestRates:
        return parts.best_rates(self.fit, self.ratios)

    @cached_property
    def agronomic_optimum(self) -> parts.BestRates:
        """Rates of the greatest yield, whatever the prices."""
        return parts.best_rates(self.fit, np.zeros(len(self.nutrients)))

    intervals = cached_property(parts.intervals)

    @cached_property
    def question(self) -> Question:
        """What the intervals and the joint region answer."""
        asked = Question(self.fit, self.ratios)
        if self.shape == parts.Shape.MAXIMUM:
            return asked
        from scipy.special import fdtri

        m = len(self.fit.exponents)
        limit = float(m * fdtri(m, self.fit.df_error, self.level))
        return asked._replace(best=self.fit.t(self.optimum.rates), limit=limit)

    @cached_property
    def limits(self) -> tuple[float, float]:
        """Values of `surface_region.misfit` up to which one rate, and all together, may be the best."""
        from scipy.special import fdtri

        df = self.fit.df_error if self.estimated else np.nan
        return tuple(float(k * fdtri(k, df, self.level)) for k in (1, len(self.nutrients)))

    @property
    def estimated(self) -> bool:
        """Whether there is an error to judge by, and a curve whose best rate has an interval."""
        return self.fit.df_error > 0 and self.fit.variance > 0 and bool(self.data.curved.any())

    axes = cached_property(parts.axes)

    @property
    def shape(self) -> parts.Shape:
        """Shape of the surface; a ridge where an eigenvalue's interval holds zero."""
        rows = self.axes
        if rows.empty:
            return parts.Shape.STRAIGHT
        if self.flat or (self.estimated and ((rows["low"] <= 0) & (rows["high"] >= 0)).any()):
            return parts.Shape.RIDGE
        return self.fitted_shape

    @property
    def responds(self) -> bool:
        """Whether AICc or the F test of all terms tells the surfaces from no response at all."""
        rows = self.models
        ranked = bool(np.isfinite(rows.loc[rows["terms"] == "with interaction", "aicc"]).any())
        none = rows.loc[rows["terms"] == "no response", "p"].iloc[0]
        return not (ranked and rows.iloc[0]["terms"] == "no response" and not none < 1 - self.level)

    @property
    def flat(self) -> bool:
        """Whether an eigenvalue is zero but for rounding."""
        size = self.axes["scaled"].abs()
        return bool(same(size, 0, scale=size.max()).any())

    @property
    def fitted_shape(self) -> parts.Shape:
        """Shape by the signs of the eigenvalues alone."""
        up = self.axes["scaled"] > 0
        return parts.Shape.MINIMUM if up.all() else parts.Shape.SADDLE if up.any() else parts.Shape.MAXIMUM

    gain = cached_property(parts.gain)

    @property
    def net_gain(self) -> NetGain:
        """Net return gained over the lowest rates, with its interval [money per area]."""
        row = self.gain.iloc[2]
        return NetGain(*(float(self.grain * row[name]) for name in NetGain._fields))

    def net_over_lowest(self, rates) -> np.ndarray:
        """Net return of rates (..., k) less that of the lowest rates [money per area]."""
        gained = self.fit.predict(rates) - self.fit.predict(self.data.low)
        return self.grain * (gained - (np.asarray(rates, float) - self.data.low) @ self.ratios)

    models = cached_property(parts.models)

    nearly = cached_property(parts.nearly)

    @property
    def within(self) -> float:
        """The usual loss that still counts as nearly as good [money per area]."""
        return nearly_as_good(self.net_gain.value)[0]

    @property
    def within_by(self) -> str:
        """Whence that loss, in words."""
        return nearly_as_good(self.net_gain.value)[1]

    path = cached_property(parts.path)

    isoquants = cached_property(parts.isoquants)

    table = property(parts.table)

    @cached_property
    def inside_tried(self) -> bool:
        """Whether the optimum lies among the combinations tested, not only among the rates of each."""
        return parts.among(np.unique(self.data.rates, axis=0), self.optimum.rates)

    doubtful = cached_property(parts.doubtful)

    @cached_property
    def without_doubtful(self) -> parts.BestRates | None:
        """Best combination on the same kind of surface without the doubtful rows; None if not estimable."""
        try:
            return parts.best_rates(
                fit_surface(self.data.without(self.doubtful.rows), self.curve), self.ratios
            )
        except NotEstimable:
            return None

    @property
    def doubts(self) -> list[str]:
        """What makes the prices implausible, a sentence a nutrient."""
        rows = self.checks[self.checks["check"].str.startswith("units of the prices")]
        return failed(rows)

    checks = cached_property(parts.checks)

    def at_prices(self, nutrient_price, grain_price) -> "SurfaceAnalysis":
        """The same fits at other prices; nothing is refitted."""
        return replace(self, prices=_prices(self.data, nutrient_price, grain_price, self.currency))


@asks(
    trial=holding("table", of="read_strips"),
    nutrient_price=either(a_dict, a_number), grain_price=a_number, surface=a_word,
    level=a_share, rates=header_by_role, response=a_header,
    blocks=either(maybe_headers, off), currency=a_text,
)  # fmt: skip
def analyse_surface(
    trial, *, nutrient_price, grain_price, surface=None, level=0.95, rates=None, response=None, blocks=None,
    currency="",
) -> SurfaceAnalysis:  # fmt: skip
    """Analyse one trial of two or three nutrients: both surfaces, the best combination and its region.

    Parameters
    ----------
    trial : DataFrame or StripTrial
        One row a strip, with a column of rates for each nutrient such as ``rate_n_lb_ac``.
    nutrient_price : dict of str to float
        Price of each nutrient per mass unit of its rate.
    grain_price : float
        Price per mass unit of the yield.
    surface : str, optional
        Curve in each nutrient, quadratic or square root; the one that fits better by default.
    level : float
        Confidence level.
    rates : dict of str to str, optional
        Column of each nutrient's rates, where their names do not tell.
    response, blocks
        See `fertkit.response.data.read_trial_data`.
    currency : str
        Name of the money.

    Raises
    ------
    InputError
        If the table cannot be used as it stands.
    PriceError
        If a nutrient has no price, or one price is given for all.
    NotEstimable
        If the nutrients cannot be told apart or the combinations are too few.
    """
    data = read_surface_data(trial, rates=rates, response=response, blocks=blocks)
    prices = _prices(data, nutrient_price, grain_price, currency)
    if why := why_not_apart(data.rates, data.blocks, data.nutrients):
        raise NotEstimable(
            f"{why}, so their effects cannot be separated",
            remedy="analyse it as rates of the nutrient under test",
        )
    if same(data.yields.min(), data.yields.max()):
        raise NotEstimable("all yields are equal: no response")
    kinds = POWERS if data.curved.any() else list(POWERS)[:1]
    fits = {curve: fit_surface(data, curve) for curve in kinds}
    best = min(fits, key=lambda curve: fits[curve].rss)
    if surface is not None and (best := get_curve(surface).key) not in fits:
        known = ", ".join(CURVES[curve].label for curve in fits)
        raise NotEstimable(f"no {get_curve(surface).label} surface for this trial; available: {known}")
    return SurfaceAnalysis(data, fits, best, prices, level)


def _prices(data, nutrient_price, grain_price, currency) -> dict[str, Prices]:
    """Prices by nutrient of the trial, from what the user names."""
    example = ",".join(
        f"{name}={price}" for name, price in zip(data.nutrients, ("0.5", "0.6", "0.4"), strict=False)
    )
    in_code = typed(f"--nutrient-price {example}", f"nutrient_price={{'{data.nutrients[0]}': 0.5, ...}}")
    named = ", ".join(data.nutrients[:-1]) + f" and {data.nutrients[-1]}"
    if not isinstance(nutrient_price, dict):
        raise PriceError(f"the trial has rates of {named}: give a price for each nutrient", in_code)
    given = {str(name).strip().upper(): value for name, value in nutrient_price.items()}
    if set(given) != {name.upper() for name in data.nutrients}:
        has = ", ".join(map(str, nutrient_price)) or "none"
        raise PriceError(
            f"the trial has rates of {named}; prices are given for {has}: give one for each", in_code
        )
    for unit in (*data.rate_units, data.yield_unit):
        if "/" not in unit:
            raise UnitError("unknown unit of rate or yield; name columns as in rate_n_lb_ac, yield_bu_ac")
    mass = data.yield_unit.split("/")[0]
    return {
        name: Prices(given[name.upper()], grain_price, unit.split("/")[0], mass, currency=currency)
        for name, unit in zip(data.nutrients, data.rate_units, strict=True)
    }
