"""What a trial of several nutrients says, reckoned of its fits: best rates, intervals, shape, checks.

Each function takes a `fertkit.response.surface.SurfaceAnalysis`, whose property of its name describes it.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from itertools import product

import numpy as np
import pandas as pd

from fertkit.response.compare import aicc
from fertkit.response.curves import get_curve
from fertkit.response.optimum import TRIFLE, Status, rates_within
from fertkit.response.prices import area_of, price_check
from fertkit.response.surface_fit import SurfaceFit, fit_surface
from fertkit.response.surface_form import best_in_box
from fertkit.response.surface_region import cheapest, ends_of, least_last, misfit
from fertkit.results import ByContent, checks_frame, counted
from fertkit.rounding import above, at_least, at_most, same
from fertkit.trials.doubtful import LEFT, doubtful_strips
from fertkit.trials.limits import check_row

#: Steps of the path to a yield; points a side of the grid of a figure.
STEPS, GRID = 10, 121


class Shape(StrEnum):
    """What a surface is where its net return has no slope, by the signs of its eigenvalues."""

    MAXIMUM = "maximum"
    SADDLE = "saddle"
    MINIMUM = "minimum"
    STRAIGHT = "straight lines"  # two rates of each nutrient
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
    # a root's slope has no end at a rate of zero: an optimum may lie a trifle above it
    at_low, at_high = at_most(rates - low, TRIFLE * (high - low)), at_least(rates, high)
    rates = np.where(at_low, low, np.where(at_high, high, rates))
    own = tuple(
        Status.NONE if lowest else Status.TOP if highest else Status.INTERIOR
        for lowest, highest in zip(at_low, at_high, strict=True)
    )
    inside = own.count(Status.INTERIOR)
    status = Status.INTERIOR if inside == len(own) else Status.EDGE if inside else Status.CORNER
    return BestRates(rates, status, own)


def intervals(analysis):
    """Each nutrient's rate: nutrient, unit, rate, low, high, joint_low, joint_high, status.

    `low` and `high` are the interval of the one rate, the joint ones the extent of the joint region,
    within the tested rates; nan without an error estimate.
    """
    fit, best = analysis.fit, analysis.optimum
    low, high = fit.t(analysis.data.low), fit.t(analysis.data.high)
    limits = analysis.limits if analysis.estimated else ()
    rows = []
    for i, name in enumerate(analysis.nutrients):
        ends = ends_of(analysis.question, i, fit.t(best.rates)[i], low, high, limits) if limits else []
        ends = np.array(ends or [(np.nan, np.nan)] * 2) ** (1 / fit.powers[i])
        rows.append((name, analysis.data.rate_units[i], best.rates[i], *ends.ravel(), best.statuses[i]))
    return pd.DataFrame(
        rows, columns=["nutrient", "unit", "rate", "low", "high", "joint_low", "joint_high", "status"]
    )


def axes(analysis):
    """Principal axes of the surface at the optimum, the flattest first, of nutrients that have a curve.

    Columns eigenvalue [yield unit per square of the rate unit, of its root in a square-root surface],
    scaled, low, high (of t in units of its tested range [yield unit]) and the direction of each nutrient
    in that scale.
    """
    fit = analysis.fit
    t, span = fit.t(analysis.optimum.rates), fit.t(analysis.data.high) - fit.t(analysis.data.low)
    kept = np.flatnonzero(analysis.data.curved)
    bend, span = fit.net_form(analysis.ratios).half_hessian(t)[np.ix_(kept, kept)], span[kept]
    values, vectors = np.linalg.eigh(bend * np.outer(span, span))
    order = np.argsort(-values)
    parts = [replace(fit, coef=one).form.half_hessian(t)[np.ix_(kept, kept)] for one in np.eye(len(fit.coef))]
    rows = []
    for raw, i in zip(np.sort(np.linalg.eigvalsh(bend))[::-1], order, strict=True):
        along = vectors[:, i] * span
        pull = np.array([along @ part @ along for part in parts])
        half = t_quantile(fit.df_error, analysis.level) * np.sqrt(pull @ fit.spread @ pull * fit.variance)
        way = np.zeros(len(t))
        way[kept] = vectors[:, i]
        rows.append((raw, values[i], values[i] - half, values[i] + half, *way))
    return pd.DataFrame(rows, columns=["eigenvalue", "scaled", "low", "high", *analysis.nutrients])


def t_quantile(df: int, level: float) -> float:
    """Two-sided quantile of Student's t; nan without df."""
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + level) / 2)) if df > 0 else np.nan


def gain(analysis):
    """Yield gained over the lowest rates, its cost, and what is left: value, low, high, unit."""
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
        yield "nutrients interact in pairs only", used < n
    yield "no interaction", used == 1
    for i, name in enumerate(fit.data.nutrients):
        if n > 2:
            yield f"without {name}", exponents[:, i] == 0
        yield f"{name} alone", (used == 1) & (exponents[:, i] > 0)
    yield "no response", used == 0


def models(analysis):
    """Surfaces and simpler ones, best AICc first.

    Columns curve, terms, n_params, df_error, rss, r2, aicc, f, f_df, p (of what the whole surface of the
    kind has more), lack_of_fit_f, lack_of_fit_p, then the best rate of each nutrient.
    """
    from scipy.special import fdtrc

    data, rows = analysis.data, []
    for curve, whole in analysis.fits.items():
        fits = {terms: fit_surface(data, curve, whole.exponents[kept]) for terms, kept in _simpler(whole)}
        total = fits["no response"].rss
        for terms, fit in fits.items():
            more = fit.df_error - whole.df_error
            f = (fit.rss - whole.rss) / more / whole.variance if more and whole.variance > 0 else np.nan
            p = float(fdtrc(more, whole.df_error, max(f, 0))) if np.isfinite(f) else np.nan
            rows.append((curve, terms, fit.n_params, fit.df_error, fit.rss, 1 - fit.rss / (total or np.nan),
                         float(aicc(fit.rss, len(data.yields), fit.n_params)), f, more, p, *_lack_of_fit(fit),
                         *best_rates(fit, analysis.ratios).rates))  # fmt: skip
    names = ["curve", "terms", "n_params", "df_error", "rss", "r2", "aicc", "f", "f_df", "p", "lack_of_fit_f",
             "lack_of_fit_p", *(f"best_{name}" for name in data.nutrients)]  # fmt: skip
    table = pd.DataFrame(rows, columns=names)
    none = (table["terms"] == "no response") & table.duplicated("terms")  # the same whatever the curve
    return table[~none].sort_values("aicc", kind="stable", ignore_index=True)


def doubtful(analysis):
    """Rows of `data` that the others do not expect."""
    fit, data = analysis.fit, analysis.data
    cells = np.hstack([np.eye(data.combination.max() + 1)[data.combination], data.blocks])
    if len(cells) - np.linalg.matrix_rank(cells) - 1 < LEFT:
        return doubtful_strips(fit.design, data.yields)
    return doubtful_strips(cells, data.yields, fit.design)


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


def nearly(analysis):
    """How far each rate may go at the usual loss, the others at their best for it: low, high."""
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


def path(analysis):
    """Cheapest combination for each of some yields, the last that of the greatest: yield, rates, cost."""
    fit, data = analysis.fit, analysis.data
    low, most = float(fit.predict(data.low)), analysis.agronomic_optimum.rates
    yields = np.linspace(low, float(fit.predict(most)), STEPS + 1)[1:]
    t = cheapest(fit, analysis.ratios, yields[:-1], fit.t(data.low), fit.t(data.high))
    rates = np.vstack([fit.rates(t), most])
    for end in (data.low, data.high):  # which a search reaches to half of the digits
        rates = np.where(np.abs(rates - end) < 1e-6 * (data.high - data.low), end, rates)
    table = pd.DataFrame(rates, columns=list(analysis.nutrients))
    table.insert(0, "yield", yields)
    table["cost"] = (rates - data.low) @ analysis.ratios * analysis.grain
    table["net"] = analysis.net_over_lowest(rates)
    rises = above(yields[-1], low, scale=np.abs(data.yields).max()) and data.curved.any()
    return table if rises else table.iloc[:0]


def isoquants(analysis):
    """Rate of the second nutrient that reaches a yield with a tested rate of the first; nan if none.

    The third, if there is one, is at its best rate.
    """
    fit, data, form = analysis.fit, analysis.data, analysis.fit.form
    for i in range(len(analysis.nutrients) - 1, 1, -1):
        form = form.at(i, fit.t(analysis.optimum.rates)[i])
    yields, levels = analysis.path["yield"].to_numpy()[2::2], data.levels[0]
    t = np.broadcast_to(levels[:, None] ** fit.powers[0], (len(yields), len(levels), 1))
    needed = least_last(form, t, yields, *(fit.t(end)[1] for end in (data.low, data.high))) ** (
        1 / fit.powers[1]
    )
    table = pd.DataFrame(needed.T, columns=yields)
    table.insert(0, analysis.nutrients[0], levels)
    return table


def table(analysis):
    """Every number in rows of item, value, low, high, unit, remark."""
    unit, rows = analysis.yield_unit, []
    for row in analysis.intervals.itertuples():
        rows += [(f"best rate of {row.nutrient}", row.rate, row.low, row.high, row.unit, str(row.status)),
                 (f"joint region, {row.nutrient}", np.nan, row.joint_low, row.joint_high, row.unit, ""),
                 ]  # fmt: skip
    rows += [(row.quantity, row.value, row.low, row.high, row.unit, "") for row in analysis.gain.itertuples()]
    money = f"{analysis.currency or 'money'}/{area_of(unit)}"
    rows.append(("net gain over the lowest rates", *analysis.net_gain, money, ""))
    rows += [("eigenvalue over the tested range", row.scaled, row.low, row.high, unit, str(analysis.shape))
             for row in analysis.axes.itertuples()]  # fmt: skip
    for curve, fit in analysis.fits.items():
        kind = f"{get_curve(curve).label} surface"
        rows += [(row.term, row.estimate, row.low, row.high, "", f"coefficient, {kind}")
                 for row in fit.coefficients(analysis.level).itertuples()]  # fmt: skip
    for _, row in analysis.models.iterrows():
        kind = f"{get_curve(row['curve']).label} surface, {row['terms']}"
        rows += [(name, row[name], np.nan, np.nan, "", kind) for name in ("rss", "aicc", "r2", "f", "p")]
        rows += [(f"best rate of {name}", row[f"best_{name}"], np.nan, np.nan, of, kind)
                 for name, of in zip(analysis.nutrients, analysis.data.rate_units, strict=True)]  # fmt: skip
    return pd.DataFrame(rows, columns=["item", "value", "low", "high", "unit", "remark"])


def among(points, point) -> bool:
    """Whether a point lies in the hull of others: a mean of them, by linear programming."""
    from scipy.optimize import linprog

    scale = points.max(axis=0)
    rows = np.vstack([(points / scale).T, np.ones(len(points))])
    return linprog(np.zeros(len(points)), A_eq=rows, b_eq=[*(point / scale), 1.0]).status == 0


def checks(analysis):
    data, fit = analysis.data, analysis.fit
    pure = _lack_of_fit(fit)
    rows = [
        price_check(analysis.prices[name], unit, data.yield_unit, name, float(top), data.crop)
        for name, unit, top in zip(data.nutrients, data.rate_units, data.high, strict=True)
    ]
    rows = [(f"{row[0]}, {name}", *row[1:]) for row, name in zip(rows, data.nutrients, strict=True)]
    row, fits, shape = partial(check_row, "surface"), pure[1], analysis.shape
    hill = None if shape == Shape.STRAIGHT else shape == Shape.MAXIMUM
    inside, tried = analysis.optimum.status == Status.INTERIOR, analysis.inside_tried
    rows += [
        row("error degrees of freedom", fit.df_error, fit.df_error >= 5),
        row("the surface fits, p", fits, None if np.isnan(fits) else fits >= 0.05),
        row("optimum inside the tested rates", str(analysis.optimum.status), inside,
            limit=str(Status.INTERIOR)),
        row("optimum among the combinations tested", int(tried), tried),
        row("shape of the surface", str(shape), hill, limit=str(Shape.MAXIMUM)),
    ]  # fmt: skip
    if fit.aliased:
        lost = ", ".join(fit.aliased)
        rows.append(row("terms of the surface", lost, False, terms=lost))
    if data.left_out:
        strips = counted(data.left_out, "strip")
        rows.append(row("strips without a yield", data.left_out, False, limit=0, strips=strips))
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
    joint : array (m, m)
        `surface_region.misfit` as a share of its limit: the joint region is where it is 1 or less; inf
        without an error estimate.
    """

    first: np.ndarray
    second: np.ndarray
    net: np.ndarray
    joint: np.ndarray


def grid_of(analysis, first: int = 0, second: int = 1) -> Grid:
    """Reckon net return and joint region over two nutrients, a third at its best rate."""
    fit, data, at = analysis.fit, analysis.data, (first, second)
    axes = [np.linspace(fit.t(data.low)[i], fit.t(data.high)[i], GRID) for i in at]
    t = np.broadcast_to(fit.t(analysis.optimum.rates), (GRID, GRID, len(data.nutrients))).copy()
    t[..., first], t[..., second] = np.meshgrid(*axes)
    joint = np.full((GRID, GRID), np.inf)
    if analysis.estimated:
        sides = {Status.NONE: -1, Status.TOP: 1}
        fixed = np.array([sides.get(status, 0) for status in analysis.optimum.statuses])
        for rows, columns in product((-1, 0, 1), repeat=2):
            face = fixed.copy()
            face[first], face[second] = columns, rows
            here = np.ix_(_of_side(rows), _of_side(columns))
            joint[here] = misfit(analysis.question, t[here], face) / analysis.limits[1]
    rates = fit.rates(t)
    return Grid(rates[0, :, first], rates[:, 0, second], analysis.net_over_lowest(rates), joint)


def _of_side(side):
    """Indices of a grid at the lowest end, between, or at the highest end."""
    return [0] if side < 0 else [GRID - 1] if side > 0 else list(range(1, GRID - 1))
