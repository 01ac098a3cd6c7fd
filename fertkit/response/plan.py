"""What a planned rate trial will tell: its interval of the economic optimum, expected by simulation.

The plan is harvested many times on paper: a supposed curve gives every strip its yield, chance adds an error,
and each such trial is analysed by the rule of `analyse_response`. Levels of blocks drop out of the analysis,
so none are drawn.

Examples
--------
Five rates in four blocks, strips with an error of 2 bu/ac around a curve from 48 to 57 bu/ac with a join at
90 lb/ac, a slope of 9 / 90:

>>> from fertkit.response import expected_interval
>>> from fertkit.response.plan import curve_through
>>> params = curve_through("linear_plateau", 48, 57, 90)
>>> params.round(6).tolist()
[48.0, 0.1, 90.0]
>>> plan = expected_interval(
...     [0, 40, 80, 120, 160], 4, curve="linear_plateau", params=params, sd=2.0, price_ratio=0.04, n=100
... )
>>> len(plan.trials), float(plan.table["true_optimum_lb_ac"].iloc[0])
(100, 90.0)
"""

from collections.abc import Mapping
from dataclasses import dataclass
from numbers import Integral

import numpy as np
import pandas as pd

from fertkit.asked import (
    a_count,
    a_flag,
    a_number,
    a_seed,
    a_share,
    a_word,
    amounts,
    asks,
    by_name,
    either,
    labels,
    make_rng,
)  # fmt: skip
from fertkit.errors import NotEstimable
from fertkit.reference.load import list_sources
from fertkit.response.curves import QUADRATIC_PLATEAU, Curve, a_curve, get_curve, optimum_in_range
from fertkit.response.optimum import Status
from fertkit.response.prices import column, one_ratio
from fertkit.response.sums import make_sweep
from fertkit.response.survey import survey
from fertkit.results import Result, checks_frame, plain
from fertkit.rounding import at_least, at_most, below
from fertkit.trials.limits import check_row

FEWEST = 100  # simulated trials, below which an 80 % range means little
#: The interval of one curve, and the average over curves.
SOURCES = ("BACHMAIER2009", "MATAVEL2024", "TUREK2012")


@dataclass(frozen=True)
class ExpectedInterval(Result):
    """Expected interval of the economic optimum of one plan or several.

    Attributes
    ----------
    table : DataFrame
        A row per plan: plan, rates, blocks, strips, highest_rate, true_optimum (within the tested rates),
        median_width, width_p10 and width_p90 (ends of the middle 80 % of widths), bias and rmse of the
        reported rate, all [rate unit, in the column name]; coverage_pct, open_pct (trials whose interval has
        an open upper end), no_response_pct. Widths are cut to the tested rates: an open one is at least this.
    trials : DataFrame
        A row per simulated trial: plan, optimum, low, high [rate unit], high_open, status.
    curve : str
        Key of the supposed true curve.
    params : array (p,)
        Its published parameters.
    sd : float
        Error standard deviation of one strip within a block [yield unit].
    price_ratio : float
        [yield unit per rate unit]
    level : float
    n : int
        Simulated trials of each plan.
    seed : int or None
        None where a Generator was passed.
    known_curve : bool
        Whether the trials were analysed as if the true curve were known.
    rate_unit, yield_unit : str
    """

    table: pd.DataFrame
    trials: pd.DataFrame
    curve: str
    params: np.ndarray
    sd: float
    price_ratio: float
    level: float
    n: int
    seed: int | None
    known_curve: bool
    rate_unit: str
    yield_unit: str

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(SOURCES)

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame([row for plan in bare_plans(self).itertuples() for row in _checks(self, plan)])


@asks(
    rates=either(by_name(labels, "not plans", "Give rates, or a dict of name: (rates, blocks)"), amounts),
    n_blocks=a_count(1), curve=a_curve, params=amounts, sd=a_number, price_ratio=a_number, level=a_share,
    n=a_count(1), seed=a_seed, known_curve=a_flag, rate_unit=a_word, yield_unit=a_word,
)  # fmt: skip
def expected_interval(
    rates, n_blocks=None, *, curve=QUADRATIC_PLATEAU.key, params, sd, price_ratio, level=0.95, n=500, seed=0,
    known_curve=False, rate_unit="lb/ac", yield_unit="bu/ac",
) -> ExpectedInterval:  # fmt: skip
    """Return the expected interval of the economic optimum of rate trials in randomised complete blocks.

    Parameters
    ----------
    rates : array or mapping
        Rate of each strip of a block, three or more distinct ones [rate unit]; or several plans side by side,
        as name -> (rates, n_blocks). The first plan gets the same simulated trials as it would alone.
    n_blocks : int
        Of a single plan.
    curve : str
        Key of `CURVES`: the supposed true curve.
    params : array, shape (p,)
        Its published parameters; `curve_through` makes them of two yields and a rate.
    sd : float
        Error standard deviation of one strip within a block [yield unit].
    price_ratio : float
        Price of a unit of nutrient over the price of a unit of yield [yield unit per rate unit].
    level : float
    n : int
        Trials to simulate; the time goes with it, some milliseconds each.
    seed : int or numpy.random.Generator
    known_curve : bool
        Fit the true curve alone. No real trial knows it; this is the least width to be had.
    rate_unit, yield_unit : str

    Raises
    ------
    NotEstimable
        If the plan leaves no curve or error to estimate, or a number cannot be.
    PriceError, LookupFailed
        For a price ratio or a curve that is none.
    """
    name = "" if isinstance(rates, Mapping) else f"{len(np.unique(rates))} rates in {n_blocks} blocks"
    plans = {name: (rates, n_blocks)} if name else rates
    curve, params, ratio = get_curve(curve), np.asarray(params, float), one_ratio(price_ratio)
    _check(plans, curve, params, sd, n)
    rows, parts = [], []
    for (name, (rates, blocks)), rng in zip(plans.items(), make_rng(seed).spawn(len(plans)), strict=True):
        rate, block, yields = simulate(rates, blocks, curve, params, sd, n, rng)
        sums = make_sweep(rate, block).sums(yields)
        trials = survey(sums, ratio, level, curve.key if known_curve else None)
        trials = trials[["optimum", "low", "high", "high_open", "status"]]
        true = float(optimum_in_range(curve, params, ratio, rate.min(), rate.max()))
        rows.append(_row(name, rate, blocks, true, trials, rate_unit))
        trials.insert(0, "plan", str(name))
        parts.append(trials)
    return ExpectedInterval(
        pd.DataFrame(rows), pd.concat(parts, ignore_index=True), curve.key, params, float(sd), ratio, level,
        n, seed if isinstance(seed, Integral) else None, bool(known_curve), rate_unit, yield_unit,
    )  # fmt: skip


def simulate(rates, n_blocks, curve: Curve, params, sd, n, rng):
    """Harvest a plan `n` times on paper.

    Returns
    -------
    rate, block : array (strips,)
    yields : array (n, strips)
        Curve plus normal errors [yield unit].
    """
    rate = np.tile(np.asarray(rates, float), n_blocks)
    block = np.repeat(np.arange(n_blocks), len(rates))
    return rate, block, rng.normal(curve.value(rate, params), sd, (n, len(rate)))


@asks(curve=a_curve)
def curve_through(curve, yield_without: float, best_yield: float, rate_of_best: float) -> np.ndarray:
    """Published parameters (p,) of a curve from what a planner can say of a field.

    Parameters
    ----------
    curve : str
        Key of a curve of three parameters.
    yield_without, best_yield : float
        Yield at a rate of zero, and the plateau or greatest yield [yield unit].
    rate_of_best : float
        Rate at which the yield stops rising; for the Mitscherlich curve, which never does, the rate at which
        95 % of the rise is made [rate unit].

    Raises
    ------
    NotEstimable
        If the yields do not rise or the curve has no such rate.
    """
    curve, at = get_curve(curve), float(rate_of_best)
    rise = float(best_yield) - float(yield_without)
    if not (rise > 0 and 0 < at < np.inf and np.isfinite(rise)):
        raise NotEstimable(
            "the best yield must be above the yield without fertilizer, at a rate above zero; "
            f"got {plain(best_yield)} against {plain(yield_without)}, at {plain(rate_of_best)}"
        )
    if not curve.bends:
        raise NotEstimable(f"the {curve.label} curve never stops rising")
    return curve.through(float(yield_without), rise, at)


def _check(plans, curve, params, sd, n):
    if params.shape != (curve.n_params,) or not np.isfinite(params).all():
        raise NotEstimable(
            f"the {curve.label} curve has parameters {', '.join(curve.param_names)}; got {params.tolist()}"
        )
    if sd <= 0:
        raise NotEstimable(f"the error of a strip must be a number above zero; got {sd}")
    if n < FEWEST:
        raise NotEstimable(f"simulate {FEWEST} trials or more; got {n}")
    if not plans:
        raise NotEstimable("give at least one plan: its rates and its number of blocks")
    for name, (rates, blocks) in plans.items():
        _check_plan(name, np.asarray(rates, float), blocks)


def _check_plan(name, rates, blocks):
    if not isinstance(blocks, Integral) or blocks < 1:
        raise NotEstimable(f"{name}: blocks must be a whole number above zero; got {blocks}")
    if rates.ndim != 1 or not (np.isfinite(rates).all() and (rates >= 0).all()):
        raise NotEstimable(f"{name}: rates are a list of numbers of zero or more; got {rates.tolist()}")
    if len(np.unique(rates)) < 3:
        raise NotEstimable(f"{name}: a curve needs three or more rates; with two, plan for a difference")
    if len(rates) * blocks - blocks - 2 <= 0:
        raise NotEstimable(f"{name}: {len(rates) * blocks} strips leave no error; add blocks")


def _row(name, rate, blocks, true, found, unit):
    width, off = found["high"] - found["low"], found["optimum"] - true
    holds = at_most(found["low"], true) & (at_least(found["high"], true) | found["high_open"])
    length = {
        "highest_rate": rate.max(), "true_optimum": true, "median_width": width.median(),
        "width_p10": width.quantile(0.1), "width_p90": width.quantile(0.9), "bias": off.mean(),
        "rmse": np.sqrt((off**2).mean()),
    }  # fmt: skip
    return {
        "plan": str(name), "rates": len(np.unique(rate)), "blocks": int(blocks), "strips": len(rate),
        **{column(k, unit): float(v) for k, v in length.items()},
        "coverage_pct": 100 * holds.mean(), "open_pct": 100 * found["high_open"].mean(),
        "no_response_pct": 100 * (found["status"] == Status.NONE).mean(),
    }  # fmt: skip


def bare_plans(result) -> pd.DataFrame:
    """Plans with column names freed of the rate unit."""
    return result.table.rename(columns=lambda c: c.removesuffix(column("", result.rate_unit)))


def _checks(result, plan):
    chance = 100 * 3 * np.sqrt(result.level * (1 - result.level) / result.n)
    least, top, best = 100 * result.level - chance, plan.highest_rate, plan.true_optimum
    for name, value, passed, limit in (
        ("interval holds the true optimum [%]", plan.coverage_pct, at_least(plan.coverage_pct, least), ""),
        ("interval closed above [% of trials]", 100 - plan.open_pct, plan.open_pct < 50, ""),
        ("a response is found [% of trials]", 100 - plan.no_response_pct, plan.no_response_pct < 50, ""),
        ("true optimum below the highest rate", best, below(best, top), top),
    ):
        label, facts = f"{plan.plan}: {name}", {"limit": limit, "least": plain(least)}
        yield check_row("expected interval", name, value, passed, label=label, **facts)
