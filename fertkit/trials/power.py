"""How many blocks a difference needs, and what difference a plan can find: exact noncentral t and F."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_share, above_zero, asks
from fertkit.errors import NotEstimable, unknown
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_least
from fertkit.trials.limits import check_row

#: Error degrees of freedom with t treatments in r blocks (replicates).
ERROR_DF = {
    "blocks": lambda t, r: (r - 1) * (t - 1),
    "pairs": lambda t, r: r - 1,
    "random": lambda t, r: t * (r - 1),
    "latin": lambda t, r: (t - 1) * (t - 2),
}
MOST_BLOCKS = 400


@dataclass(frozen=True)
class PowerPlan(Result):
    """What a strip trial of a given size can find.

    Attributes
    ----------
    sizes : DataFrame
        blocks, strips, error_df, power for the difference asked, smallest_difference_pct at the power asked.
    blocks : int
        Smallest number of blocks that reaches the power, or the number given.
    difference_pct, cv_pct : float
        Difference of two treatments and standard deviation of one strip, in percent of the mean.
    treatments : int
    design : str
    power, alpha : float
        Power asked and two-sided significance.
    pair_correlation : float
        Correlation of the two strips of a pair, taken into account; 0 else.
    """

    sizes: pd.DataFrame
    blocks: int
    difference_pct: float
    cv_pct: float
    treatments: int
    design: str
    power: float
    alpha: float
    pair_correlation: float

    @property
    def table(self) -> pd.DataFrame:
        return self.sizes

    @property
    def checks(self) -> pd.DataFrame:
        got = self.sizes.set_index("blocks").loc[self.blocks, "power"]
        return checks_frame([check_row("power", "power", got, power=self.power)])


@asks(difference_pct=above_zero, cv_pct=above_zero, treatments=a_count(2), power=a_share, alpha=a_share)
def blocks_for(
    difference_pct: float, cv_pct: float, treatments: int = 2, *, design: str = "blocks",
    power: float = 0.8, alpha: float = 0.05, pair_correlation: float = 0.0,
) -> PowerPlan:  # fmt: skip
    """Find the smallest number of blocks that shows a difference of two treatments.

    Parameters
    ----------
    difference_pct : float
        True difference worth finding [% of the mean].
    cv_pct : float
        Standard deviation of one strip [% of the mean]: within blocks or pairs, as an analysis of such a
        trial gives it; over the whole field for design "random", or beside a `pair_correlation`.
    treatments : int
    design : {"blocks", "pairs", "random", "latin"}
        Complete blocks, pairs of two treatments, no blocks, Latin square.
    power : float
        Chance of finding it.
    alpha : float
        Two-sided significance of the test of one difference.
    pair_correlation : float
        Correlation of the two strips of a pair over the whole field, from -1 to below 1; for design "pairs"
        only. Leave it at 0 where `cv_pct` is that within pairs: it has the correlation taken out already.

    Raises
    ------
    NotEstimable
        If no number of blocks up to 400 will do, or the numbers make no trial.

    Examples
    --------
    Four treatments, CV 5 %, a difference of 10 %: five blocks, power 0.83 (noncentral t).

    >>> from fertkit.trials import blocks_for
    >>> plan = blocks_for(10, 5, treatments=4)
    >>> plan.blocks, float(plan.sizes.set_index("blocks").loc[5, "power"].round(2))
    (5, 0.83)
    """
    _check(treatments, design, power, alpha)
    sd = _strip_sd(cv_pct, design, pair_correlation)
    # A Latin square has as many rows as treatments; no other size of it exists.
    sizes = [treatments] if design == "latin" else range(2, MOST_BLOCKS + 1)
    for blocks in sizes:
        got = power_of_difference(difference_pct, sd, treatments, blocks, design=design, alpha=alpha)
        if at_least(got, power):
            break
    else:
        raise NotEstimable(
            f"a difference of {difference_pct:g}% cannot be detected with a CV of {cv_pct:g}% in this "
            "design; choose a larger difference or a more uniform field"
        )
    return _plan(difference_pct, cv_pct, sd, treatments, blocks, design, power, alpha, pair_correlation)


@asks(
    blocks=a_count(1), cv_pct=above_zero, treatments=a_count(2), power=a_share, alpha=a_share,
    difference_pct=above_zero,
)  # fmt: skip
def smallest_difference(
    blocks: int, cv_pct: float, treatments: int = 2, *, design: str = "blocks", power: float = 0.8,
    alpha: float = 0.05, pair_correlation: float = 0.0, difference_pct: float | None = None,
) -> PowerPlan:  # fmt: skip
    """Find the smallest difference of two treatments that a plan shows; see `blocks_for`.

    With a `difference_pct` the plan tells the power for that one as well.
    """
    _check(treatments, design, power, alpha)
    if design == "latin" and blocks != treatments:
        raise NotEstimable(
            f"a Latin square of {treatments} treatments has {treatments} rows, not {blocks}; "
            f"choose {treatments} blocks or randomised blocks",
            f"blocks={treatments} or design='blocks'",
        )
    sd = _strip_sd(cv_pct, design, pair_correlation)
    difference = difference_pct or _detectable(sd, treatments, blocks, design, power, alpha)
    return _plan(difference, cv_pct, sd, treatments, blocks, design, power, alpha, pair_correlation)


def power_of_difference(difference, sd, treatments, blocks, *, design="blocks", alpha=0.05) -> float:
    """Chance that the test of one difference of two treatments is significant (noncentral t, both tails).

    Parameters
    ----------
    difference, sd : float
        True difference and standard deviation of a strip [same unit].
    treatments, blocks : int
        A fractional number of blocks is allowed, for comparison with tables.

    Raises
    ------
    NotEstimable
        If the design leaves no degree of freedom for the error.
    """
    df = _df(design, treatments, blocks)
    return power_of_contrast(difference, sd * np.sqrt(2 / blocks), df, alpha)


def power_of_contrast(difference, se, df, alpha=0.05) -> float:
    """Chance that a contrast of standard error `se` is significant, both tails at once."""
    # The square of a noncentral t is a noncentral F.
    return noncentral_f_power(1, df, (difference / se) ** 2, alpha)


def smallest_contrast(se, df, power=0.8, alpha=0.05) -> float:
    """Smallest true contrast of standard error `se` that is found with a given chance [unit of `se`]."""
    from scipy.optimize import brentq

    def lacking(ratio):
        return power_of_contrast(ratio, 1, df, alpha) - power

    high = 1.0
    while lacking(high) < 0:
        high *= 2
    return float(se * brentq(lacking, 0, high))


def noncentral_f_power(df1: float, df2: float, shift: float, alpha: float) -> float:
    """Chance that a noncentral F exceeds the upper `alpha` point of the central one.

    Notes
    -----
    Poisson mixture of beta distributions, summed over the terms that carry any weight; the closed form of
    some versions of scipy warns or loses digits far out.
    """
    from scipy.special import betainc, fdtri, gammaln

    limit = fdtri(df1, df2, 1 - alpha)
    half = shift / 2
    reach = 12 * np.sqrt(half) + 40
    j = np.arange(max(0.0, np.floor(half - reach)), half + reach)
    weight = np.exp(j * np.log(half) - half - gammaln(j + 1)) if half > 0 else (j == 0).astype(float)
    at = df1 * limit / (df1 * limit + df2)
    return float(weight @ (1 - betainc(df1 / 2 + j, df2 / 2, at)))


def _df(design, treatments, blocks) -> float:
    df = ERROR_DF[design](treatments, blocks)
    if df <= 0:
        raise NotEstimable(f"{treatments} treatments in {blocks} blocks leave no error; add blocks")
    return df


def _detectable(sd, treatments, blocks, design, power, alpha) -> float:
    return smallest_contrast(sd * np.sqrt(2 / blocks), _df(design, treatments, blocks), power, alpha)


def _plan(difference, cv, sd, treatments, blocks, design, power, alpha, correlation) -> PowerPlan:
    around = [blocks] if design == "latin" else range(max(2, blocks - 3), blocks + 4)
    rows = [
        (
            r, r * treatments, ERROR_DF[design](treatments, r),
            power_of_difference(difference, sd, treatments, r, design=design, alpha=alpha),
            _detectable(sd, treatments, r, design, power, alpha),
        )
        for r in around
    ]  # fmt: skip
    columns = ["blocks", "strips", "error_df", "power", "smallest_difference_pct"]
    return PowerPlan(
        pd.DataFrame(rows, columns=columns), blocks, difference, cv, treatments, design, power, alpha,
        correlation,
    )  # fmt: skip


def _strip_sd(cv, design, correlation) -> float:
    """Standard deviation of a strip as far as it stays in the difference of a pair [% of the mean]."""
    if correlation and design != "pairs":
        raise NotEstimable(f"a pair correlation belongs to pairs; leave it out for {design}")
    if not -1 <= correlation < 1:
        raise NotEstimable(f"a pair correlation must be from -1 to below 1, not {correlation:g}")
    return float(cv * np.sqrt(1 - correlation))


def no_pairs(treatments: int) -> NotEstimable:
    """Make the error for pairs of other than two treatments."""
    what = f"pairs need two treatments, not {treatments}; choose randomised blocks"
    return NotEstimable(what, "design='blocks'")


def _check(treatments, design, power, alpha):
    if design not in ERROR_DF:
        raise unknown("design", design, ERROR_DF)
    if not alpha < power:
        raise NotEstimable(f"give a power between alpha ({alpha:g}) and 1, not {power:g}")
    if design == "pairs" and treatments != 2:
        raise no_pairs(treatments)
