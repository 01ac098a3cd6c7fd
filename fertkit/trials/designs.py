"""Trials with an arithmetic of their own: two treatments in pairs, and split plots."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_label, a_share, a_word, asks, holding
from fertkit.errors import NotEstimable, unknown
from fertkit.results import Result, checks_frame, counted, show
from fertkit.rounding import at_most, same
from fertkit.trials import linear
from fertkit.trials.diagnose import ORDER, far_row, order_check, order_row, smoother, strip_names
from fertkit.trials.limits import check_row, citations
from fertkit.trials.mixed import components, fit_reml, shared
from fertkit.trials.strips import factor, places
from fertkit.trials.table import arrange, column_of, measured, one_trial


@dataclass(frozen=True)
class PairedAnalysis(Result):
    """Difference of two treatments over pairs of strips.

    Attributes
    ----------
    pairs : DataFrame
        pair, the two yields and their difference [yield unit].
    first, second : object
        The treatments; differences are second - first.
    difference, sd, se : float
        Mean difference, standard deviation of the differences, standard error of their mean [yield unit].
    low, high : float
        Confidence interval of the difference [yield unit].
    t, df, p : float
        Student's t, its degrees of freedom and two-sided probability.
    ratio, ratio_low, ratio_high : float
        Mean of second over mean of first with Fieller's interval [unitless]; NaN ends where it is open.
    level : float
    notes : tuple of str
    checks : DataFrame
    """

    pairs: pd.DataFrame
    first: object
    second: object
    difference: float
    sd: float
    se: float
    low: float
    high: float
    t: float
    df: int
    p: float
    ratio: float
    ratio_low: float
    ratio_high: float
    level: float
    response: str
    notes: tuple[str, ...]
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.pairs

    @property
    def sources(self) -> pd.DataFrame:
        return citations("strip_trial", ["pairs"])


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), treatment=a_header,
    response=a_header, blocks=a_word, check=a_label, level=a_share,
)  # fmt: skip
def analyse_pairs(
    trial, *, treatment=None, response=None, blocks="block", check=None, level: float = 0.95
) -> PairedAnalysis:
    """Compare two treatments laid side by side in pairs.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        One trial with two treatments; a pair that lost a strip is left out and named.
    treatment, response : str, optional
        Columns, as in `analyse_strips`.
    blocks : str
        Column that names the pair.
    check : object, optional
        Treatment the other is set against; the first in order by default.
    level : float

    Raises
    ------
    NotEstimable
        If there are not exactly two treatments, or fewer than two complete pairs.

    Examples
    --------
    Fifteen pairs of maize plants (Fisher 1935, The Design of Experiments): 2.617 taller, t = 2.148 with 14
    degrees of freedom.

    >>> from fertkit.trials import analyse_pairs
    >>> import pandas as pd
    >>> cross = [23.5, 12, 21, 22, 19.125, 21.5, 22.125, 20.375, 18.25, 21.625, 23.25, 21, 22.125, 23, 12]
    >>> own = [17.375, 20.375, 20, 20, 18.375, 18.625, 18.625, 15.25, 16.5, 18, 16.25, 18, 12.75, 15.5, 18]
    >>> trial = pd.DataFrame({"block": list(range(15)) * 2, "yield_bu_ac": cross + own})
    >>> trial["treatment"] = ["cross"] * 15 + ["self"] * 15
    >>> found = analyse_pairs(trial, check="self")
    >>> "in 15 pairs: difference 2.6" in found.summary()
    True
    """
    from scipy.stats import t as t_distribution

    arranged = arrange(trial, treatment=treatment, response=response, blocks=blocks)
    if len(arranged.labels) != 2:
        what = f"pairs need two treatments, there are {len(arranged.labels)}"
        raise NotEstimable(what, "analyse_strips(...)", remedy="compare them all as strips")
    complete, notes = _complete_pairs(arranged, blocks)
    first, second = arranged.labels
    if check is not None and check not in arranged.labels:
        raise unknown("check treatment", check, arranged.labels)
    if check == second:
        first, second = second, first
    one, other = complete[first].to_numpy(), complete[second].to_numpy()
    change = other - one
    n, df = len(change), len(change) - 1
    mean, sd = float(change.mean()), float(change.std(ddof=1))
    size = np.abs(one).max()
    if same(sd, 0, scale=size):
        sd, notes = 0.0, (*notes, "every pair differs by the same: there is no error to test against")
    se = sd / np.sqrt(n)
    t = mean / se if se > 0 else np.nan
    reach = float(t_distribution.isf((1 - level) / 2, df))
    moments = np.cov(other, one) / n
    low, high = fieller(other.mean(), one.mean(), moments, reach)
    return PairedAnalysis(
        pairs=complete.assign(difference=change).reset_index().rename_axis(columns=None),
        first=first, second=second, difference=mean, sd=sd, se=float(se),
        low=mean - reach * se, high=mean + reach * se, t=float(t), df=df,
        p=float(2 * t_distribution.sf(abs(t), df)),
        ratio=float(other.mean() / one.mean()) if one.mean() else np.nan, ratio_low=low, ratio_high=high,
        level=level, response=arranged.response, notes=notes,
        checks=checks_frame([
            *order_check(arranged), _far_pairs(complete, change, blocks), *_pair_checks(change, size),
        ]),
    )  # fmt: skip


def _complete_pairs(arranged, pair) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Yields of the two treatments, a row a pair, and what is noted of the strips."""
    keys = [*(c for c in arranged.sites if c != pair), pair]
    wide = arranged.strips.pivot_table(arranged.response, keys, arranged.treatment, aggfunc="mean")
    complete = wide.dropna()
    notes = arranged.notes
    if len(complete) < len(wide):
        notes += (f"{counted(len(wide) - len(complete), 'strip')} without a partner left out",)
    if len(complete) < 2:
        raise NotEstimable("fewer than two complete pairs: the difference has no measure of its error")
    return complete, notes


def fieller(top: float, bottom: float, covariance, reach: float) -> tuple[float, float]:
    """Interval of a ratio of two normal estimates (Fieller 1954, J. R. Stat. Soc. B 16:175-185, from memory).

    Parameters
    ----------
    top, bottom : float
        The estimates.
    covariance : (2, 2) array
        Of top and bottom.
    reach : float
        Quantile of Student's t.

    Returns
    -------
    low, high : float
        NaN, NaN where the set is not a finite interval: the bottom cannot be told from zero.
    """
    a = bottom**2 - reach**2 * covariance[1, 1]
    b = top * bottom - reach**2 * covariance[0, 1]
    c = top**2 - reach**2 * covariance[0, 0]
    inside = b**2 - a * c
    if at_most(a, 0, scale=bottom**2) or inside < 0:
        return np.nan, np.nan
    return float((b - np.sqrt(inside)) / a), float((b + np.sqrt(inside)) / a)


def _far_pairs(complete, change, pair):
    """Pairs whose difference the others do not expect; which strip of a pair is wrong none can tell."""
    names = [f"the difference in {pair} {' '.join(map(show, np.atleast_1d(one)))}" for one in complete.index]
    return far_row(np.ones((len(change), 1)), change, names)


def _pair_checks(change, size):
    from scipy.stats import shapiro

    rows = [check_row("pairs", "pairs", len(change))]
    if len(change) >= 3 and not same(np.ptp(change), 0, scale=size):
        rows.append(check_row("pairs", "normality (Shapiro-Wilk)", float(shapiro(change).pvalue)))
    return rows


# ---- split plots


@dataclass(frozen=True)
class SplitPlotAnalysis(Result):
    """Analysis of a split plot.

    Attributes
    ----------
    anova : DataFrame
        stratum, term, df, ss, ms, f, p.
    means : DataFrame
        One row per combination: the two treatments, n and mean [yield unit].
    errors : DataFrame
        Standard error of a difference and least significant difference of each kind of comparison
        [yield unit].
    variances : DataFrame
        term, variance of block, whole plot and part (REML) [yield unit squared].
    whole, part, block, response : str
        Columns.
    level : float
    checks : DataFrame
    """

    anova: pd.DataFrame
    means: pd.DataFrame
    errors: pd.DataFrame
    variances: pd.DataFrame
    whole: str
    part: str
    block: str
    response: str
    level: float
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.means


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), whole=a_word, part=a_word,
    blocks=a_word, response=a_header, level=a_share,
)  # fmt: skip
def analyse_split_plot(trial, whole, part, *, blocks="block", response=None, level=0.95) -> SplitPlotAnalysis:
    """Analyse a complete split plot.

    Parameters
    ----------
    trial : StripTrial or DataFrame
    whole, part : str
        Columns of the treatment of whole strips and of their parts.
    blocks, response : str, optional
        Columns; the one yield column by default.
    level : float
        Confidence behind the least significant differences.

    Raises
    ------
    InputError
        If a column is not there, or a yield is no number.
    NotEstimable
        If a combination is missing or repeated in a block: the strata are then not orthogonal.

    Examples
    --------
    Two blocks of two whole strips, each of two parts (invented); the rates yield 48.75 and 54.75 by hand.

    >>> from fertkit.trials import analyse_split_plot
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "tillage": ["no-till", "no-till", "chisel", "chisel"] * 2,
    ...     "rate_lb_ac": [0, 60] * 4, "yield_bu_ac": [48.0, 55, 49, 54, 50, 56, 48, 54],
    ... })
    >>> analysis = analyse_split_plot(trial, "tillage", "rate_lb_ac")
    >>> by_rate = trial.groupby("rate_lb_ac")["yield_bu_ac"].mean()
    >>> by_rate.tolist(), round(float(analysis.anova.set_index("term").loc["rate_lb_ac", "ss"]), 6)
    ([48.75, 54.75], 72.0)
    """
    table = one_trial(trial)
    response = column_of(table, response, "yield")
    for column in (whole, part, blocks):
        column_of(table, column, "factor")
    strips = table.assign(**{response: measured(table, response)}).dropna(subset=[response])
    counts = strips.pivot_table(response, blocks, [whole, part], aggfunc="count", observed=True)
    complete = counts.shape[1] == len(strips[whole].unique()) * len(strips[part].unique())
    if not complete or not counts.eq(1).all(axis=None) or len(counts) < 2:
        raise NotEstimable(
            "a split plot needs each combination once in each of two or more blocks",
            "analyse_strips(...)",
            remedy="with a strip lost, analyse the parts one by one",
        )
    y = strips[response].to_numpy(float)
    codes = {name: factor(strips[name])[0] for name in (blocks, whole, part)}
    columns = {name: linear.dummies(c) for name, c in codes.items()}
    plots = linear.interaction(columns[blocks], columns[whole])
    both = f"{whole} x {part}"
    rows = linear.sequential_squares(y, [
        (blocks, columns[blocks]), (whole, columns[whole]), ("whole-strip error", plots),
        (part, columns[part]), (both, linear.interaction(columns[whole], columns[part])),
    ])  # fmt: skip
    upper = linear.anova_table(rows[:3], error="whole-strip error").assign(stratum="whole strips")
    lower = linear.anova_table(rows[3:]).replace({"term": {"error": "part error"}}).assign(stratum="parts")
    anova = pd.concat([upper, lower], ignore_index=True)[["stratum", "term", "df", "ss", "ms", "f", "p"]]
    means = strips.groupby([whole, part], observed=True)[response].agg(n="size", mean="mean").reset_index()
    sizes = tuple(int(codes[name].max()) + 1 for name in (blocks, whole, part))
    return SplitPlotAnalysis(
        anova=anova, means=means, errors=_errors(anova, sizes, whole, part, level),
        variances=_variances(y, codes, columns, blocks, whole, part),
        whole=whole, part=part, block=blocks, response=response, level=level,
        checks=checks_frame([
            *_strata_checks(anova), *_orders(strips, codes, blocks, whole, part),
            _far_parts(strips, y, columns, plots, blocks, whole, part),
        ]),
    )  # fmt: skip


def _errors(anova, sizes, whole, part, level) -> pd.DataFrame:
    """Standard errors of the four kinds of difference (Gomez & Gomez 1984, chapter 3, from memory)."""
    from scipy.stats import t

    r, a, b = sizes
    base = anova.set_index("term")
    upper, lower = base.loc["whole-strip error"], base.loc["part error"]
    ea, eb = upper["ms"], lower["ms"]
    ta, tb = (t.isf((1 - level) / 2, row["df"]) for row in (upper, lower))
    mixed = (b - 1) * eb + ea
    table = pd.DataFrame(
        [
            (f"two {whole} means", 2 * ea / (r * b), ta),
            (f"two {part} means", 2 * eb / (r * a), tb),
            (f"two {part} at one {whole}", 2 * eb / r, tb),
            (
                f"two {whole} at one or different {part}",
                2 * mixed / (r * b),
                ((b - 1) * eb * tb + ea * ta) / mixed,
            ),
        ],
        columns=["comparison", "variance", "t"],
    )
    sed = np.sqrt(table["variance"])
    return pd.DataFrame({"comparison": table["comparison"], "sed": sed, "lsd": table["t"] * sed})


def _variances(y, codes, columns, block, whole, part) -> pd.DataFrame:
    cells = linear.interaction(columns[whole], columns[part])
    design = np.column_stack([np.ones(len(y)), columns[whole], columns[part], cells])
    plot = codes[block] * (codes[whole].max() + 1) + codes[whole]
    build = components([shared(codes[block]), shared(plot), np.eye(len(y))])
    fit = fit_reml(design, y, build, np.full(3, y.var() / 3))
    return pd.DataFrame({"term": [block, f"{whole} strip", "part"], "variance": fit.parameters})


def _strata_checks(anova):
    base = anova.set_index("term")["df"]
    names = ("whole-strip error", "part error")
    return [check_row("split plot", f"degrees of freedom, {name}", int(base[name])) for name in names]


def _orders(strips, codes, block, whole, part):
    """Whether whole strips lie in one order in every block, and parts in one order in every whole strip."""
    order = places(strips)[1]
    plot = codes[block] * (codes[whole].max() + 1) + codes[whole]
    first = None if order is None else pd.Series(order).groupby(plot).mean().to_numpy()
    strip = pd.DataFrame({"plot": plot, "whole": codes[whole], "block": codes[block]}).groupby("plot").first()
    return [
        order_row(strip["whole"].to_numpy(), strip["block"].to_numpy(), first, f"{whole}: {ORDER}"),
        order_row(codes[part], plot, order, f"{part}: {ORDER}"),
    ]


def _far_parts(strips, y, columns, plots, block, whole, part):
    """Parts that the others do not expect."""
    rest = np.column_stack([np.ones(len(y)), columns[block], columns[whole], plots])
    design = np.column_stack([rest, columns[part], linear.interaction(columns[whole], columns[part])])
    numeric = pd.api.types.is_numeric_dtype(strips[part])
    given = [f"{show(a)}, {show(b)}" for a, b in zip(strips[whole], strips[part], strict=True)]
    named = strip_names(strips.assign(block=strips[block]), given)
    return far_row(design, y, named, smoother(strips[part], rest) if numeric else None)
