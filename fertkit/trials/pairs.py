"""Two treatments side by side in pairs."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_label, a_share, a_word, asks, holding
from fertkit.errors import NotEstimable, unknown
from fertkit.laws import t_below, t_reach
from fertkit.results import Result, checks_frame, counted, show
from fertkit.rounding import at_most, same
from fertkit.trials.diagnose import far_row, order_check
from fertkit.trials.limits import check_row, citations
from fertkit.trials.table import arrange


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
    response, treatment : str
        Columns of yields and treatments.
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
    treatment: str
    notes: tuple[str, ...]
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.pairs

    @property
    def sources(self) -> pd.DataFrame:
        return citations("strip_trial", ["pairs"])


@asks(
    trial=holding("table", of="read_strips"), treatment=a_header,
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

    >>> from fertkit.trials import analyse_strips
    >>> import pandas as pd
    >>> cross = [23.5, 12, 21, 22, 19.125, 21.5, 22.125, 20.375, 18.25, 21.625, 23.25, 21, 22.125, 23, 12]
    >>> own = [17.375, 20.375, 20, 20, 18.375, 18.625, 18.625, 15.25, 16.5, 18, 16.25, 18, 12.75, 15.5, 18]
    >>> trial = pd.DataFrame({"block": list(range(15)) * 2, "yield_bu_ac": cross + own})
    >>> trial["treatment"] = ["cross"] * 15 + ["self"] * 15
    >>> found = analyse_strips(trial, design="pairs", check="self")
    >>> "in 15 pairs: difference 2.6" in found.summary()
    True
    """
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
        sd, notes = 0.0, (*notes, "every pair differs by the same amount: no error to test against")
    se = sd / np.sqrt(n)
    t = mean / se if se > 0 else np.nan
    reach = float(t_reach(df, level))
    moments = np.cov(other, one) / n
    low, high = fieller(other.mean(), one.mean(), moments, reach)
    return PairedAnalysis(
        pairs=complete.assign(difference=change).reset_index().rename_axis(columns=None),
        first=first, second=second, difference=mean, sd=sd, se=float(se),
        low=mean - reach * se, high=mean + reach * se, t=float(t), df=df,
        p=float(2 * t_below(df, -abs(t))),
        ratio=float(other.mean() / one.mean()) if one.mean() else np.nan, ratio_low=low, ratio_high=high,
        level=level, response=arranged.response, treatment=arranged.treatment, notes=notes,
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
        raise NotEstimable("fewer than two complete pairs: no error can be estimated")
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
