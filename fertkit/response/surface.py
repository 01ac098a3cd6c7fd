"""From a trial of two or three nutrients and their prices to the best combination of rates.

Quadratic and square-root surfaces with the products of the nutrients are fitted; the one that fits better
answers. Its best combination within the tested rates is exact, with a joint region and an interval for each
rate by inverting the test that given rates are the best; the shape of the surface there, the cheapest way to
every yield, and simpler surfaces beside it.

Examples
--------
Nine combinations without error of 20 + 0.2 N - 0.001 N² + 0.1 P - 0.001 P² + 0.0005 N P (invented). With N at a
tenth and P2O5 at a twentieth of the crop's price the slopes are 0.2 - 0.002 N + 0.0005 P = 0.1 and 0.1 - 0.002 P +
0.0005 N = 0.05, which N 60 and P 40 solve.

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
from enum import StrEnum
from functools import cached_property, partial
from itertools import product

import numpy as np
import pandas as pd

from fertkit.asked import (
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
from fertkit.response.compare import aicc
from fertkit.response.curves import CURVES, get_curve
from fertkit.response.gain import NetGain
from fertkit.response.optimum import Status, rates_within
from fertkit.response.prices import Prices, nearly_as_good, price_check, single
from fertkit.response.surface_fit import (
    POWERS,
    SurfaceData,
    SurfaceFit,
    best_in_box,
    fit_surface,
    read_surface_data,
)
from fertkit.response.surface_region import cheapest, ends_of, least_last, misfit
from fertkit.results import ByContent, Result, checks_frame, counted
from fertkit.rounding import above, at_least, at_most, same

METHODS = ("surfaces", "joint region", "axes", "aicc")
#: Steps of the path to a yield; points a side of the grid of a figure.
STEPS, GRID = 10, 81


class Shape(StrEnum):
    """What a surface is where its net return has no slope, by the signs of its eigenvalues."""

    MAXIMUM = "maximum"
    SADDLE = "saddle"
    MINIMUM = "minimum"
    RIDGE = "ridge"  # along one direction the data do not tell a fall from none


@dataclass(frozen=True)
class BestRates(ByContent):
    """The best combination of rates within those tested.

    Attributes
    ----------
    rates : array (k,)
    status : Status
        Inside the box of tested rates, on an edge of it, or in a corner.
    statuses : tuple of Status
        Of each nutrient: inside, no economic response (the lowest rate), at least the highest rate.
    """

    rates: np.ndarray
    status: Status
    statuses: tuple[Status, ...]


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

    @cached_property
    def optimum(self) -> BestRates:
        return best_rates(self.fit, self.ratios)

    @cached_property
    def agronomic_optimum(self) -> BestRates:
        """Rates of the greatest yield, whatever the prices."""
        return best_rates(self.fit, np.zeros(len(self.nutrients)))

    @cached_property
    def intervals(self) -> pd.DataFrame:
        """Each nutrient's rate: nutrient, unit, rate, low, high, joint_low, joint_high, status.

        `low` and `high` are the interval of the one rate, the joint ones the extent of the joint region, within
        the tested rates; nan without an error estimate.
        """
        return _intervals(self)

    @cached_property
    def joint_limit(self) -> float:
        """Value of `surface_region.misfit` up to which rates belong to the joint region."""
        from scipy.special import fdtri

        k = len(self.nutrients)
        return float(k * fdtri(k, self.fit.df_error, self.level)) if self.estimated else np.nan

    @property
    def estimated(self) -> bool:
        """Whether there is an error to judge by."""
        return self.fit.df_error > 0 and self.fit.variance > 0

    @cached_property
    def axes(self) -> pd.DataFrame:
        """Principal axes of the surface at the optimum, the flattest first.

        Columns eigenvalue [yield unit per square of the rate unit, or of its root's in a square-root surface],
        scaled, low, high (of t in units of its tested range [yield unit]) and the direction of each nutrient
        in that scale.
        """
        return _axes(self)

    @property
    def shape(self) -> Shape:
        """Shape of the surface; a ridge where an eigenvalue's interval holds zero."""
        rows = self.axes
        if self.flat or (self.estimated and ((rows["low"] <= 0) & (rows["high"] >= 0)).any()):
            return Shape.RIDGE
        return self.fitted_shape

    @property
    def flat(self) -> bool:
        """Whether an eigenvalue is zero but for rounding."""
        size = self.axes["scaled"].abs()
        return bool(same(size, 0, scale=size.max()).any())

    @property
    def fitted_shape(self) -> Shape:
        """Shape by the signs of the eigenvalues alone."""
        up = self.axes["scaled"] > 0
        return Shape.MINIMUM if up.all() else Shape.SADDLE if up.any() else Shape.MAXIMUM

    @cached_property
    def gain(self) -> pd.DataFrame:
        """Yield gained at the optimum over the lowest rates, its cost, and what is left: value, low, high, unit."""
        return _gain(self)

    @property
    def net_gain(self) -> NetGain:
        """Net return gained over the lowest rates, with its interval [money per area]."""
        row = self.gain.iloc[2]
        return NetGain(*(float(self.grain * row[name]) for name in NetGain._fields))

    def net_over_lowest(self, rates) -> np.ndarray:
        """Net return of rates (..., k) less that of the lowest rates [money per area]."""
        gained = self.fit.predict(rates) - self.fit.predict(self.data.low)
        return self.grain * (gained - (np.asarray(rates, float) - self.data.low) @ self.ratios)

    @cached_property
    def models(self) -> pd.DataFrame:
        """Surfaces and simpler ones, best AICc first.

        Columns curve, terms, n_params, df_error, rss, r2, aicc, f, f_df, p (of what the whole surface of the
        kind has more), lack_of_fit_f, lack_of_fit_p, then the best rate of each nutrient.
        """
        return _models(self)

    @cached_property
    def nearly(self) -> pd.DataFrame:
        """How far each rate may go, the others at their best for it, at the usual loss: nutrient, low, high."""
        return _nearly(self)

    @property
    def within(self) -> float:
        """The usual loss that still counts as nearly as good [money per area]."""
        return nearly_as_good(self.net_gain.value)[0]

    @cached_property
    def path(self) -> pd.DataFrame:
        """Cheapest combination for each of some yields, the last that of the greatest: yield, rates, cost."""
        return _path(self)

    @cached_property
    def isoquants(self) -> pd.DataFrame:
        """Rate of the second nutrient that reaches a yield with a tested rate of the first; nan where none does.

        The third, if there is one, is at its best rate.
        """
        return _isoquants(self)

    @property
    def table(self) -> pd.DataFrame:
        return self.models

    @cached_property
    def inside_tried(self) -> bool:
        """Whether the optimum lies among the combinations tested, not only among the rates of each."""
        return _among(np.unique(self.data.rates, axis=0), self.optimum.rates)

    @cached_property
    def checks(self) -> pd.DataFrame:
        return _checks(self)

    def at_prices(self, nutrient_price, grain_price) -> "SurfaceAnalysis":
        """The same fits at other prices; nothing is refitted."""
        return replace(self, prices=_prices(self.data, nutrient_price, grain_price, self.currency))


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), grain_price=a_number,
    surface=a_word, level=a_share, rates=header_by_role, response=a_header,
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
            f"{why}, so their effects cannot be told apart",
            remedy="analyse it as one rate, of the nutrient it was laid out for",
        )
    curved = any(len(levels) > 2 for levels in data.levels)
    fits = {curve: fit_surface(data, curve) for curve in (POWERS if curved else list(POWERS)[:1])}
    best = min(fits, key=lambda curve: fits[curve].rss)
    if surface is not None and (best := get_curve(surface).key) not in fits:
        known = ", ".join(CURVES[curve].label for curve in fits)
        raise NotEstimable(f"no surface of this trial is {get_curve(surface).label} in each nutrient; there is: {known}")
    return SurfaceAnalysis(data, fits, best, prices, level)


def _prices(data, nutrient_price, grain_price, currency) -> dict[str, Prices]:
    """Prices by nutrient of the trial, from what the user names."""
    example = ",".join(f"{name}={price}" for name, price in zip(data.nutrients, ("0.5", "0.6", "0.4")))
    in_code = typed(f"--nutrient-price {example}", f"nutrient_price={{'{data.nutrients[0]}': 0.5, ...}}")
    named = ", ".join(data.nutrients[:-1]) + f" and {data.nutrients[-1]}"
    if not isinstance(nutrient_price, dict):
        raise PriceError(f"the trial has rates of {named}: give each nutrient a price of its own", in_code)
    given = {str(name).strip().upper(): value for name, value in nutrient_price.items()}
    if set(given) != {name.upper() for name in data.nutrients}:
        has = ", ".join(map(str, nutrient_price)) or "none"
        raise PriceError(f"the trial has rates of {named}; prices are given for {has}: give one for each", in_code)
    for unit in (*data.rate_units, data.yield_unit):
        if "/" not in unit:
            raise UnitError("a rate or yield carries no known unit; name columns as in rate_n_lb_ac, yield_bu_ac")
    mass = data.yield_unit.split("/")[0]
    return {
        name: Prices(given[name.upper()], grain_price, unit.split("/")[0], mass, currency=currency)
        for name, unit in zip(data.nutrients, data.rate_units, strict=True)
    }


def best_rates(fit: SurfaceFit, ratios) -> BestRates:
    """Find the tested rates of the greatest net return on a surface.

    Parameters
    ----------
    fit : SurfaceFit
    ratios : array (k,)
        Price ratios [yield unit per rate unit]; zeros give the agronomic optimum.
    """
    low, high = fit.data.low, fit.data.high
    rates = fit.rates(best_in_box(fit.net_form(ratios), fit.t(low), fit.t(high)))
    at_low, at_high = at_most(rates, low, scale=high), at_least(rates, high)
    rates = np.where(at_low, low, np.where(at_high, high, rates))
    own = tuple(
        Status.NONE if lowest else Status.TOP if highest else Status.INTERIOR
        for lowest, highest in zip(at_low, at_high, strict=True)
    )
    inside = own.count(Status.INTERIOR)
    status = Status.INTERIOR if inside == len(own) else Status.EDGE if inside else Status.CORNER
    return BestRates(rates, status, own)


def _intervals(analysis):
    from scipy.special import fdtri

    fit, best = analysis.fit, analysis.optimum
    low, high = fit.t(analysis.data.low), fit.t(analysis.data.high)
    limits = [fdtri(1, fit.df_error, analysis.level), analysis.joint_limit] if analysis.estimated else []
    rows = []
    for i, name in enumerate(analysis.nutrients):
        ends = ends_of(fit, analysis.ratios, i, fit.t(best.rates)[i], low, high, limits) if limits else []
        ends = np.array(ends or [(np.nan, np.nan)] * 2) ** (1 / fit.powers[i])
        rows.append((name, analysis.data.rate_units[i], best.rates[i], *ends.ravel(), best.statuses[i]))
    return pd.DataFrame(
        rows, columns=["nutrient", "unit", "rate", "low", "high", "joint_low", "joint_high", "status"]
    )


def _axes(analysis):
    fit = analysis.fit
    t, span = fit.t(analysis.optimum.rates), fit.t(analysis.data.high) - fit.t(analysis.data.low)
    bend = fit.net_form(analysis.ratios).half_hessian(t)
    values, vectors = np.linalg.eigh(bend * np.outer(span, span))
    order = np.argsort(-values)
    parts = [replace(fit, coef=one).form.half_hessian(t) for one in np.eye(len(fit.coef))]
    rows = []
    for raw, i in zip(np.sort(np.linalg.eigvalsh(bend))[::-1], order, strict=True):
        along = vectors[:, i] * span
        pull = np.array([along @ part @ along for part in parts])
        half = t_quantile(fit.df_error, analysis.level) * np.sqrt(pull @ fit.spread @ pull * fit.variance)
        rows.append((raw, values[i], values[i] - half, values[i] + half, *vectors[:, i]))
    return pd.DataFrame(rows, columns=["eigenvalue", "scaled", "low", "high", *analysis.nutrients])


def t_quantile(df: int, level: float) -> float:
    """Two-sided quantile of Student's t; nan without df."""
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + level) / 2)) if df > 0 else np.nan


def _gain(analysis):
    fit, rates, low = analysis.fit, analysis.optimum.rates, analysis.data.low
    more = fit.basis(rates) - fit.basis(low)
    half = t_quantile(fit.df_error, analysis.level) * np.sqrt(more @ fit.spread @ more * fit.variance)
    gained, cost = float(more @ fit.coef), float((rates - low) @ analysis.ratios)
    rows = [
        ("yield gain over the lowest rates", gained, gained - half, gained + half),
        ("its cost in yield", cost, np.nan, np.nan),
        ("gain minus cost", gained - cost, gained - half - cost, gained + half - cost),
    ]
    return pd.DataFrame(rows, columns=["quantity", "value", "low", "high"]).assign(unit=analysis.yield_unit)


def _simpler(fit):
    """The whole surface and simpler ones within it: what each is, and which of its terms it keeps."""
    exponents, n = fit.exponents, fit.exponents.shape[1]
    used = (exponents > 0).sum(axis=1)
    yield "with interaction", used >= 1
    if n > 2 and (used == n).any():
        yield "nutrients interact by twos alone", used < n
    yield "no interaction", used == 1
    for i, name in enumerate(fit.data.nutrients):
        yield f"{name} alone", (used == 1) & (exponents[:, i] > 0)
    yield "no response", used == 0


def _models(analysis):
    from scipy.special import fdtrc

    data, rows = analysis.data, []
    for curve, whole in analysis.fits.items():
        fits = {terms: fit_surface(data, curve, whole.exponents[kept]) for terms, kept in _simpler(whole)}
        total = fits["no response"].rss
        for terms, fit in fits.items():
            more = fit.df_error - whole.df_error
            f = (fit.rss - whole.rss) / more / whole.variance if more and whole.df_error else np.nan
            p = float(fdtrc(more, whole.df_error, max(f, 0))) if np.isfinite(f) else np.nan
            rows.append((curve, terms, fit.n_params, fit.df_error, fit.rss, 1 - fit.rss / total,
                         float(aicc(fit.rss, len(data.yields), fit.n_params)), f, more, p, *_lack_of_fit(fit),
                         *best_rates(fit, analysis.ratios).rates))  # fmt: skip
    names = ["curve", "terms", "n_params", "df_error", "rss", "r2", "aicc", "f", "f_df", "p", "lack_of_fit_f",
             "lack_of_fit_p", *(f"best_{name}" for name in data.nutrients)]  # fmt: skip
    table = pd.DataFrame(rows, columns=names)
    none = (table["terms"] == "no response") & table.duplicated("terms")  # the same whatever the curve
    return table[~none].sort_values("aicc", kind="stable", ignore_index=True)


def _lack_of_fit(fit) -> tuple[float, float]:
    """F test against the error among strips of one combination and block: (F, p), nan without any."""
    from scipy.special import fdtrc

    data = fit.data
    cells = np.eye(data.combination.max() + 1)[data.combination]
    design = np.hstack([cells, data.blocks])
    coef, _, rank, _ = np.linalg.lstsq(design, data.yields, rcond=1e-11)
    pure, df = float(((data.yields - design @ coef) ** 2).sum()), len(design) - rank
    more = fit.df_error - df
    if df <= 0 or more <= 0 or same(np.sqrt(pure), 0, scale=np.abs(data.yields).max()):
        return np.nan, np.nan
    f = max(fit.rss - pure, 0.0) / more / (pure / df)
    return f, float(fdtrc(more, df, f))


def _nearly(analysis):
    fit, best = analysis.fit, analysis.optimum.rates
    form, low, high = fit.net_form(analysis.ratios), fit.t(analysis.data.low), fit.t(analysis.data.high)

    def net(rates, i):
        values = [_best_beside(form, i, t, low, high) for t in rates.ravel() ** fit.powers[i]]
        return np.reshape(values, rates.shape)

    rows = []
    for i, name in enumerate(analysis.nutrients):
        ends = rates_within(partial(net, i=i), best[i], analysis.data.low[i], analysis.data.high[i],
                            analysis.within / analysis.grain)  # fmt: skip
        rows.append((name, *map(float, ends)))
    return pd.DataFrame(rows, columns=["nutrient", "low", "high"])


def _best_beside(form, i, t, low, high) -> float:
    """Greatest value of a polynomial with one t given."""
    rest = form.at(i, t)
    return float(rest.value(best_in_box(rest, np.delete(low, i), np.delete(high, i))))


def _path(analysis):
    fit, data = analysis.fit, analysis.data
    low, most = float(fit.predict(data.low)), analysis.agronomic_optimum.rates
    yields = np.linspace(low, float(fit.predict(most)), STEPS + 1)[1:]
    t = cheapest(fit, analysis.ratios, yields[:-1], fit.t(data.low), fit.t(data.high))
    rates = np.vstack([fit.rates(t), most])
    table = pd.DataFrame(rates, columns=list(analysis.nutrients))
    table.insert(0, "yield", yields)
    table["cost"] = (rates - data.low) @ analysis.ratios * analysis.grain
    table["net"] = analysis.net_over_lowest(rates)
    return table if above(yields[-1], low, scale=np.abs(data.yields).max()) else table.iloc[:0]


def _isoquants(analysis):
    fit, data, form = analysis.fit, analysis.data, analysis.fit.form
    for i in range(len(analysis.nutrients) - 1, 1, -1):
        form = form.at(i, fit.t(analysis.optimum.rates)[i])
    yields, levels = analysis.path["yield"].to_numpy()[3::2], data.levels[0]
    t = np.broadcast_to(levels[:, None] ** fit.powers[0], (len(yields), len(levels), 1))
    needed = least_last(form, t, yields, *(fit.t(end)[1] for end in (data.low, data.high))) ** (1 / fit.powers[1])
    table = pd.DataFrame(needed.T, columns=yields)
    table.insert(0, analysis.nutrients[0], levels)
    return table


def _among(points, point) -> bool:
    """Whether a point lies in the hull of others: a mean of them, by linear programming."""
    from scipy.optimize import linprog

    scale = points.max(axis=0)
    rows = np.vstack([(points / scale).T, np.ones(len(points))])
    return linprog(np.zeros(len(points)), A_eq=rows, b_eq=[*(point / scale), 1.0]).status == 0


def _checks(analysis):
    data, fit = analysis.data, analysis.fit
    pure = _lack_of_fit(fit)
    rows = [
        price_check(analysis.prices[name], unit, data.yield_unit, name, float(top), data.crop)
        for name, unit, top in zip(data.nutrients, data.rate_units, data.high, strict=True)
    ]
    rows = [(f"{row[0]}, {name}", *row[1:]) for row, name in zip(rows, data.nutrients, strict=True)]
    rows += [
        ("error degrees of freedom", fit.df_error, 5, fit.df_error >= 5,
         ("enough strips to judge the surface", "few strips beyond what the surface needs: its error is hardly known")),
        ("the surface fits, p", pure[1], 0.05, None if np.isnan(pure[1]) else pure[1] >= 0.05,
         ("the surface fits the means of the combinations",
          "the means of the combinations stray from the surface more than strips of one combination do: other "
          "shapes may put the optimum elsewhere")),
        ("optimum inside the tested rates", str(analysis.optimum.status), str(Status.INTERIOR),
         analysis.optimum.status == Status.INTERIOR,
         ("the optimum lies inside the tested rates of every nutrient",
          "the optimum lies at the end of the tested rates of a nutrient: rates beyond were not tested")),
        ("optimum among the combinations tested", int(analysis.inside_tried), 1, analysis.inside_tried,
         ("combinations around the optimum were tested",
          "no combination so far out was tested in both nutrients at once: the optimum rests on the formula alone")),
        ("shape of the surface", str(analysis.shape), str(Shape.MAXIMUM), analysis.shape == Shape.MAXIMUM,
         ("the surface is a hill, beyond its error", "the surface is no sure hill: see its shape")),
    ]  # fmt: skip
    if fit.aliased:
        rows.append(("terms of the surface", ", ".join(fit.aliased), "", False,
                     f"blocks or rates leave no room for {', '.join(fit.aliased)}: left out"))  # fmt: skip
    if data.left_out:
        said = f"{counted(data.left_out, 'strip')} without a yield left out"
        rows.append(("strips without a yield", data.left_out, 0, False, said))
    return checks_frame(rows)


@dataclass(frozen=True)
class Grid(ByContent):
    """A surface over the rates of two nutrients, for figures.

    Attributes
    ----------
    first, second : array (m,)
        Rates along the axes.
    net : array (m, m)
        Net return less that of the lowest rates [money per area]; rows by the second nutrient.
    joint : array (m, m) of bool
        Joint region; all False without an error estimate.
    """

    first: np.ndarray
    second: np.ndarray
    net: np.ndarray
    joint: np.ndarray


def grid_of(analysis: SurfaceAnalysis, first: int = 0, second: int = 1) -> Grid:
    """Reckon net return and joint region over two nutrients, a third at its best rate."""
    fit, data, at = analysis.fit, analysis.data, (first, second)
    axes = [np.linspace(fit.t(data.low)[i], fit.t(data.high)[i], GRID) for i in at]
    t = np.broadcast_to(fit.t(analysis.optimum.rates), (GRID, GRID, len(data.nutrients))).copy()
    t[..., first], t[..., second] = np.meshgrid(*axes)
    joint = np.zeros((GRID, GRID), bool)
    if analysis.estimated:
        rest = [s for s in analysis.optimum.statuses]
        sides = {Status.NONE: -1, Status.TOP: 1}
        fixed = np.array([sides.get(s, 0) for s in rest])
        for rows, columns in product((-1, 0, 1), repeat=2):
            face = fixed.copy()
            face[first], face[second] = columns, rows
            here = np.ix_(_of_side(rows), _of_side(columns))
            joint[here] = misfit(fit, analysis.ratios, t[here], face) <= analysis.joint_limit
    rates = fit.rates(t)
    return Grid(rates[0, :, first], rates[:, 0, second], analysis.net_over_lowest(rates), joint)


def _of_side(side):
    """Indices of a grid at the lowest end, between, or at the highest end."""
    return [0] if side < 0 else [GRID - 1] if side > 0 else list(range(1, GRID - 1))
