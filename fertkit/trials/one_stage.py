"""One-stage pooling: all strips of all site-years in one model, sites random.

The mean is linear in its coefficients once a few shape parameters (a join, a rate) are fixed, and the site
effect enters it linearly too (a random level, a random plateau or asymptote). So for given shapes the model
is a linear mixed one, solved exactly from sums by site; the shapes are searched outside it. No response curve
is known here: the caller gives the columns.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_function, a_header, a_list, asks, holding, labels, numbers
from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.reference.load import method_sources
from fertkit.results import Result, checks_frame, counted
from fertkit.rounding import above
from fertkit.trials import linear
from fertkit.trials.limits import check_row
from fertkit.trials.mixed import OneEffect
from fertkit.trials.strips import factor, site_names
from fertkit.trials.table import column_of, measured


@dataclass(frozen=True)
class OneStage(Result):
    """A mixed model over site-years.

    Attributes
    ----------
    coefficients : DataFrame
        term, estimate, se; shape parameters last.
    covariance : (p, p) array
        Of the coefficients in that order.
    site_sd, residual_sd : float
        Standard deviations of the random site effect and of a strip [yield unit].
    sites : DataFrame
        site, n, effect: predicted deviation of each site's level (or plateau) [yield unit].
    criterion : float
        -2 x log-likelihood (restricted where there is no shape parameter).
    random : str
        What varies between sites.
    n : int
        Strips.
    checks : DataFrame
    response : str
        Yield column the model is of, "" where arrays were given.
    """

    coefficients: pd.DataFrame
    covariance: np.ndarray
    site_sd: float
    residual_sd: float
    sites: pd.DataFrame
    criterion: float
    random: str
    n: int
    checks: pd.DataFrame
    response: str = ""

    @property
    def table(self) -> pd.DataFrame:
        return self.coefficients

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("one stage", "reml")


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), degree=a_count(1),
    site=a_header, rate=a_header, response=a_header,
)  # fmt: skip
def pool_polynomial(trial, *, degree: int = 2, site=None, rate=None, response=None) -> OneStage:
    """Fit one polynomial in the rate to all sites, each site with its own random level (REML).

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of several sites.
    degree : int
        1 or 2.
    site : str, optional
        Column that tells site-years apart; by default each combination of trial, site and year, as in
        `pool_trials`.
    rate, response : str, optional
        By default the one rate and the one yield column.

    Returns
    -------
    OneStage
        Coefficients of rate^0, rate^1, ... [yield unit per rate unit to that power].

    Raises
    ------
    NotEstimable
        If there are fewer than two sites or too few rates.

    Examples
    --------
    Three site-years of one straight line, 0.05 bu a lb, at levels of 40, 50 and 60 bu:

    >>> from fertkit.trials import pool_polynomial
    >>> import pandas as pd
    >>> rows = [(site, rate, level + 0.05 * rate + d) for site, level in [("A", 40), ("B", 50), ("C", 60)]
    ...         for rate, d in [(0, 0.1), (50, -0.2), (100, 0.1)]]
    >>> strips = pd.DataFrame(rows, columns=["trial", "rate_lb_ac", "yield_bu_ac"])
    >>> pool_polynomial(strips, degree=1).table["estimate"].round(3).tolist()
    [50.0, 0.05]
    """
    table = trial if isinstance(trial, pd.DataFrame) else trial.table
    rate, response = column_of(table, rate, "rate"), column_of(table, response, "yield")
    x, y, codes, labels = _columns(table, site, rate, response)
    if len(np.unique(x)) <= degree:
        raise NotEstimable(f"{len(np.unique(x))} rates cannot carry a polynomial of degree {degree}")
    _need_contrasts(x, codes, degree, f"a polynomial of degree {degree}")
    # Solved in rates between 0 and 1, so that its square is no worse conditioned than the rate.
    unit = float(np.abs(x).max())
    design = (x[:, None] / unit) ** np.arange(degree + 1)
    fit = OneEffect(design, np.ones(len(y)), y, codes).best()
    back = 1 / unit ** np.arange(degree + 1)
    covariance = fit.variance * fit.covariance * np.outer(back, back)
    terms = ["level", "slope", "curvature"][: degree + 1]
    pooled = _result(terms, fit.coefficients * back, covariance, fit, codes, labels, "level")
    checks = pd.concat([pooled.checks, checks_frame([_alike(design, y, codes)])], ignore_index=True)
    return replace(pooled, response=response, checks=checks)


@asks(x=numbers, y=numbers, site=labels, columns=a_function, start=numbers, terms=a_list, shape_names=a_list)
def pool_curve(
    x, y, site, columns: Callable, start, *, terms, random: int = 0, shape_names=("shape",)
) -> OneStage:
    """Fit one curve with shape parameters to all sites, one of its linear parameters random (ML).

    Parameters
    ----------
    x, y : (n,) sequences
        Rates and yields.
    site : (n,) sequence
        Names of the site-years.
    columns : callable
        ``shapes -> (n, p) array``: the columns of the linear parameters. For a plateau curve
        ``P - s h(x)`` these are 1 and ``-h(x)``.
    start : (q,) sequence
        Starting values of the shape parameters, within their reasonable scale.
    terms : sequence of str
        Names of the p linear parameters.
    random : int
        Which of them varies between sites (0, the plateau).
    shape_names : sequence of str

    Returns
    -------
    OneStage

    Raises
    ------
    NotEstimable
        If no shape lets the sites be fitted.
    """
    from scipy.optimize import minimize

    _check_sizes(x, y, site, columns(start), terms, random)
    codes, sites = factor(pd.Series(site))
    _enough(codes, sites)
    _need_contrasts(x, codes, len(terms) - 1 + len(start), "the curve")

    def loss(shapes):
        design = columns(shapes)
        if not np.isfinite(design).all() or np.linalg.matrix_rank(design) < design.shape[1]:
            return np.inf
        return OneEffect(design, design[:, random], y, codes, restricted=False).best().criterion

    with np.errstate(invalid="ignore"):  # shapes that cannot be fitted, side by side
        best = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    if not np.isfinite(best.fun):
        raise NotEstimable("no shape of the curve fits these sites; start from others or pool in two stages")
    design = columns(best.x)
    model = OneEffect(design, design[:, random], y, codes, restricted=False)
    fit = model.best()
    # Maximum likelihood takes no account of the parameters fitted; n / (n - p) does.
    n, p = len(y), len(terms) + len(start)
    covariance = _with_shapes(columns, best.x, model, fit, random) * fit.variance * n / (n - p)
    values = np.r_[fit.coefficients, best.x]
    return _result([*terms, *shape_names], values, covariance, fit, codes, sites, terms[random])


def _check_sizes(x, y, site, design, terms, random):
    """Refuse rates, yields, sites, columns and names whose numbers do not go together."""
    problems = []
    if not len(x) == len(y) == len(site):
        what = f"{len(x)} rates, {len(y)} yields and {len(site)} sites"
        problems.append(Problem(what, "Give one of each for every strip", column="y"))
    if np.shape(design) != (len(y), len(terms)):
        what = f"columns of the shape {np.shape(design)} for {len(y)} yields and {len(terms)} terms"
        problems.append(
            Problem(what, "Give a row for each yield and a column for each term", column="columns")
        )
    if random >= len(terms):
        what = f"no term has the number {random}"
        problems.append(Problem(what, f"Count from 0 to {len(terms) - 1}", column="random"))
    if problems:
        raise InputError("pool_curve", problems)


def _alike(design, y, codes) -> tuple:
    """F test of one polynomial at the level of each site against a polynomial of its own, as a check."""
    from scipy.stats import f

    sites = np.eye(codes.max() + 1)[codes]
    one = linear.fit(np.column_stack([sites, design[:, 1:]]), y)
    own = linear.fit(linear.interaction(sites, design), y)
    more, p = own.rank - one.rank, None
    if own.df > 0 and more > 0 and above(own.rss, 0, scale=one.rss):
        p = float(f.sf((one.rss - own.rss) / more / own.variance, more, own.df))
    return check_row("pool", "sites respond alike", p)


def _columns(table, site, rate, response):
    site = column_of(table, site, "site") if site else None
    table = table.assign(**{name: measured(table, name) for name in (rate, response)})
    table = table.dropna(subset=[rate, response])
    codes, labels = factor(table[site] if site else site_names(table))
    _enough(codes, labels)
    return table[rate].to_numpy(float), table[response].to_numpy(float), codes, labels


def _enough(codes, labels):
    if len(labels) < 2 or len(codes) <= len(labels):
        raise NotEstimable(
            f"{counted(len(labels), 'site')} with {counted(len(codes), 'strip')}: sites and strips "
            "cannot be told apart; analyse the site by itself"
        )


def _need_contrasts(x, codes, n, what):
    left = linear.contrasts_within(x, codes)
    if left < n:
        raise NotEstimable(
            f"rates are confounded with sites: {what} needs {counted(n, 'contrast')} among rates, and "
            f"sites that share rates offer {left}; pool sites that tested several rates each"
        )


def _with_shapes(columns, shapes, model, fit, random) -> np.ndarray:
    """Inverse information of linear and shape parameters: the mean linearised at the predicted sites."""
    effects = fit.effects[model.codes]

    def mean(s):
        c = columns(s)
        return c @ fit.coefficients + c[:, random] * effects

    steps = np.diag(1e-5 * (np.abs(shapes) + 1e-3))
    slopes = [(mean(shapes + step) - mean(shapes - step)) / (2 * step.sum()) for step in steps]
    wide = np.column_stack([model.design, *slopes])
    scale = np.linalg.norm(wide, axis=0)
    if not scale.all() or np.linalg.matrix_rank(wide / scale, tol=1e-7) < wide.shape[1]:
        raise NotEstimable(
            "the yields do not settle the shape of the curve: other shapes fit the tested rates as well; "
            "choose a simpler curve or pool in two stages"
        )
    return np.linalg.inv(model.products(wide, fit.ratio))


def _result(names, values, covariance, fit, codes, labels, what) -> OneStage:
    between = fit.ratio * fit.variance
    table = pd.DataFrame({"term": names, "estimate": values, "se": np.sqrt(np.diag(covariance))})
    sites = pd.DataFrame({"site": labels, "n": np.bincount(codes), "effect": fit.effects})
    spread = check_row("pool", "variance between sites", between, fit.ratio > 0)
    checks = checks_frame([spread, check_row("pool", "number of sites", len(labels))])
    return OneStage(table, covariance, float(np.sqrt(between)), float(np.sqrt(fit.variance)), sites,
                    fit.criterion, f"the {what}", len(codes), checks)  # fmt: skip
