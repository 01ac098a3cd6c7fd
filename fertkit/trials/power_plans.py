"""How large a trial of two factors, of zones, or of many sites and years has to be."""

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_share, above_zero, asks, zero_or_more
from fertkit.errors import NotEstimable, unknown
from fertkit.laws import t_reach
from fertkit.reference.load import method_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_least, at_most
from fertkit.trials.limits import check_row
from fertkit.trials.power import MOST_BLOCKS, power_of_contrast, smallest_contrast

#: How the first factor lies: on any strip, on whole strips that hold the other, or as zones that lie once.
ARRANGEMENTS = ("any strip", "whole strips", "zones")
MOST_SITES = 500


@dataclass(frozen=True)
class FactorPlan(Result):
    """What a trial of two factors can find.

    Attributes
    ----------
    table : DataFrame
        what, se_pct, error_df, power (of the difference asked), smallest_difference_pct; percent of the mean.
    sizes : DataFrame
        blocks, strips and power of the difference of differences, around the number of blocks.
    blocks : int
        Of each level of the first factor where it is zones.
    levels : (int, int)
    arrangement : str
    difference_pct, cv_pct, whole_cv_pct : float
    power, alpha : float
    """

    table: pd.DataFrame
    sizes: pd.DataFrame
    blocks: int
    levels: tuple[int, int]
    arrangement: str
    difference_pct: float
    cv_pct: float
    whole_cv_pct: float
    power: float
    alpha: float

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("power")

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame([check_row("power", "power", self.table["power"].iloc[-1], power=self.power)])


@asks(
    difference_pct=above_zero, cv_pct=above_zero, whole_cv_pct=zero_or_more, power=a_share, alpha=a_share,
)  # fmt: skip
def plan_factors(
    levels, difference_pct: float, cv_pct: float, *, arrangement: str = "any strip", blocks=None,
    whole_cv_pct: float = 0.0, power: float = 0.8, alpha: float = 0.05,
) -> FactorPlan:  # fmt: skip
    """Find how many blocks show that one factor changes what the other does.

    Parameters
    ----------
    levels : (int, int)
        Of the first factor (hybrid, timing, zone) and of the rates or treatments.
    difference_pct : float
        Difference worth finding [% of the mean]: of two levels, or between two such differences.
    cv_pct : float
        Standard deviation of one strip (or part of one) within blocks [% of the mean].
    arrangement : {"any strip", "whole strips", "zones"}
        Whether levels of the first factor lie on any strip, on whole strips of which the others are parts, or
        are zones that each lie once and hold blocks of their own.
    blocks : int, optional
        Instead of the fewest that do; in each zone where the first factor is zones.
    whole_cv_pct : float
        Standard deviation that whole strips add [% of the mean].
    power, alpha : float

    Raises
    ------
    NotEstimable
        If 400 blocks will not do, or there is no error to test against.

    Examples
    --------
    Two hybrids at four rates, CV 5 %: a difference of rates that is 10 % larger in one than in the other.

    >>> from fertkit.trials.power_plans import plan_factors
    >>> plan_factors((2, 4), 10, 5).blocks
    9
    """
    if arrangement not in ARRANGEMENTS:
        raise unknown("arrangement", arrangement, ARRANGEMENTS)
    levels = tuple(map(int, levels))
    if len(levels) != 2 or min(levels) < 2:
        raise NotEstimable("each factor needs two or more levels")
    spread = cv_pct, whole_cv_pct

    def last(r):
        return power_of_contrast(difference_pct, *_contrasts(levels, r, arrangement, *spread)[-1][1:], alpha)

    if blocks is None:
        sizes = range(2, MOST_BLOCKS + 1)
        blocks = next((r for r in sizes if at_least(last(r), power)), None)
        if blocks is None:
            raise NotEstimable(f"{MOST_BLOCKS} blocks do not detect this difference; choose a larger one")
    rows = [
        (
            what,
            se,
            df,
            power_of_contrast(difference_pct, se, df, alpha),
            smallest_contrast(se, df, power, alpha),
        )
        for what, se, df in _contrasts(levels, blocks, arrangement, *spread)
    ]
    columns = ["what", "se_pct", "error_df", "power", "smallest_difference_pct"]
    around = range(max(2, blocks - 3), blocks + 4)
    sizes = pd.DataFrame(
        [(r, r * levels[0] * levels[1], last(r)) for r in around], columns=["blocks", "strips", "power"]
    )
    return FactorPlan(
        pd.DataFrame(rows, columns=columns), sizes, int(blocks), levels, arrangement, difference_pct, cv_pct,
        whole_cv_pct, power, alpha,
    )  # fmt: skip


def _contrasts(levels, blocks, arrangement, cv, whole) -> list[tuple[str, float, float]]:
    """Standard error [% of the mean] and degrees of freedom of each kind of difference."""
    a, b = levels
    parts = (a * b - 1) * (blocks - 1) if arrangement == "any strip" else a * (b - 1) * (blocks - 1)
    if parts <= 0 or blocks < 2:
        raise NotEstimable("one block leaves no error; add blocks")
    own = whole**2 * b if arrangement == "whole strips" else 0.0
    first = np.sqrt(2 * (cv**2 + own) / (blocks * b))
    rows = [("two levels of the first factor", first,
             (a - 1) * (blocks - 1) if arrangement == "whole strips" else parts)]  # fmt: skip
    rows = [] if arrangement == "zones" else rows  # zones lie once: nothing tells them from their place
    return [
        *rows,
        ("two rates or treatments, over the first factor", cv * np.sqrt(2 / (blocks * a)), parts),
        ("two rates or treatments at one level of the first", cv * np.sqrt(2 / blocks), parts),
        ("difference of two such differences", cv * np.sqrt(4 / blocks), parts),
    ]


# ---- many sites and years


@dataclass(frozen=True)
class NetworkPlan(Result):
    """How many sites and years a pooled number needs.

    Attributes
    ----------
    table : DataFrame
        years, blocks, sites (fewest that reach the width; nan where none up to 500 does), trials, strips
        (where treatments are known), half_width, df.
    width : float
        Whole width asked of the interval [`unit`].
    one_block, site_sd, year_sd, rest_sd : float
        Standard error of one trial of one block; standard deviations between sites, between years, and of a
        site in a year [`unit`].
    level : float
    quantity, unit : str
    """

    table: pd.DataFrame
    width: float
    one_block: float
    site_sd: float
    year_sd: float
    rest_sd: float
    level: float
    quantity: str
    unit: str

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("satterthwaite")


def pooled_half_width(sites, years, trial_se, site_sd, year_sd=0.0, rest_sd=0.0, level=0.95):
    """Half width of the interval of a mean over the same sites in each of some years.

    Expected mean squares of sites, years and the rest give its variance, (MS site + MS year - MS rest) / n,
    and Satterthwaite's degrees of freedom. With one year the year's own deviation is in every site alike:
    it is not measured, and the interval is that of the year.

    Parameters
    ----------
    sites, years : int
    trial_se : float
        Standard error of one trial.
    site_sd, year_sd, rest_sd : float
        Standard deviations between sites, years, and of a site in a year [unit of `trial_se`].

    Returns
    -------
    half_width, se, df : float
        nan width where there are no degrees of freedom.
    """
    rest = rest_sd**2 + trial_se**2
    n = sites * years
    squares = [(1, rest + years * site_sd**2, sites - 1)] if sites > 1 else []
    if years > 1:
        squares.append((1, rest + sites * year_sd**2, years - 1))
    if sites > 1 and years > 1:
        squares.append((-1, rest, (sites - 1) * (years - 1)))
    if not squares:
        return np.nan, np.nan, 0.0
    total = sum(sign * square for sign, square, _ in squares)
    df = total**2 / sum(square**2 / df for _, square, df in squares)
    se = np.sqrt(total / n)
    return float(t_reach(df, level) * se), float(se), float(df)


@asks(
    width=above_zero, one_block=above_zero, site_sd=zero_or_more, year_sd=zero_or_more, rest_sd=zero_or_more,
    level=a_share, treatments=a_count(1),
)  # fmt: skip
def plan_network(
    width: float, one_block: float, site_sd: float, *, year_sd: float = 0.0, rest_sd: float = 0.0,
    years=(1, 2, 3), blocks=(2, 3, 4, 6), treatments=None, level: float = 0.95, quantity: str = "",
    unit: str = "",
) -> NetworkPlan:  # fmt: skip
    """Find how many sites give a pooled number an interval of some width, by years and blocks.

    Parameters
    ----------
    width : float
        Whole width of the interval [`unit`].
    one_block : float
        Standard error that a trial of one block would have [`unit`]: sqrt(2) times the standard deviation of
        a strip for a difference of two rates; for an optimum see `fertkit.response.placing`.
    site_sd, year_sd, rest_sd : float
        Standard deviations between sites, between years, and of a site in a year [`unit`].
    years, blocks : sequence of int
    treatments : int, optional
        Strips of a block, to count strips.
    level : float
    quantity, unit : str

    Examples
    --------
    A difference measured to 3 bu/ac in one block, sites that vary by 2: within 1 bu to either side.

    >>> from fertkit.trials.power_plans import plan_network
    >>> plan_network(2, 3, 2, years=[1], blocks=[4]).table["sites"].tolist()
    [27.0]
    """
    rows, spread = [], (site_sd, year_sd, rest_sd, level)
    for each, r in product(years, blocks):
        trial = one_block / np.sqrt(r)
        found = next(
            (s for s in range(2, MOST_SITES + 1)
             if at_most(2 * pooled_half_width(s, each, trial, *spread)[0], width)), None,
        )  # fmt: skip
        half, _, df = pooled_half_width(found or MOST_SITES, each, trial, *spread)
        trials = np.nan if found is None else found * each
        strips = np.nan if treatments is None else trials * r * treatments
        rows.append((each, r, np.nan if found is None else found, trials, strips, half, df))
    columns = ["years", "blocks", "sites", "trials", "strips", "half_width", "df"]
    table = pd.DataFrame(rows, columns=columns).astype({"sites": float})
    return NetworkPlan(table, width, one_block, site_sd, year_sd, rest_sd, level, quantity, unit)
