"""How far sites may differ where few strips tell: the spread that is drawn, against scipy's t."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from fertkit.response import Prices
from fertkit.response.data import read_trial_data
from fertkit.response.network_fit import fit_network


@pytest.fixture(scope="module")
def eight():
    """Eight sites whose rises end where their nitrate says, 5 bu/ac of error a strip (invented)."""
    rng, rates = np.random.default_rng(0), np.tile([0, 60, 120, 180, 240.0], 3)
    nitrate, trials = np.repeat([6, 10, 14, 20.0], 2), {}
    for i, x in enumerate(nitrate):
        end = 150 * np.exp(-0.02 * (x - 12))
        rise = 0.45 * end * (1 - (1 - np.minimum(rates, end) / end) ** 2)
        table = {"block": np.repeat([1, 2, 3], 5), "rate_lb_ac": rates,
                 "yield_bu_ac": 100 + 2 * x + rise + rng.normal(0, 5, 15)}  # fmt: skip
        trials[f"site {i}"] = read_trial_data(pd.DataFrame(table))
    known = pd.DataFrame({"nitrate": nitrate}, index=list(trials))
    return fit_network(trials, known=known, curve="quadratic_plateau")


def test_a_spread_that_may_be_none_is_drawn_no_wider_than_its_error(eight):
    """A spread of 0.026 with a standard error of 0.037: on a logarithm it would reach a thousandfold."""
    model, tau = eight.model, eight.model.effects.slices["tau"]
    theta, covariance = model.theta.copy(), np.zeros_like(model.covariance)
    theta[tau], covariance[tau, tau] = 0.026, 0.037**2
    fit = replace(eight, model=replace(model, theta=theta, covariance=covariance))
    drawn = fit.draws(40_000, np.random.default_rng(1))[:, tau].ravel()
    df = 8 - 2  # sites less the numbers of a design: a mean and a slope in nitrate
    t = stats.t(df, 0.026, 0.037 * np.sqrt(8 / df))
    by_hand = optimize.brentq(lambda q: t.cdf(q) - t.cdf(-q) - 0.975, 0, 1)
    assert (drawn >= 0).all()
    assert np.quantile(drawn, 0.975) == pytest.approx(by_hand, rel=0.03)


def test_the_interval_of_sites_that_differ_little_is_closed(eight):
    """Rises end at 128 to 169 lb/ac; at a price ratio of 1/9 the best rates are 0.877 of that.

    The sites might have been others: beyond theirs lies one standard error of their mean, 5.1 lb/ac, at most.
    """
    ends = 150 * np.exp(-0.02 * (np.repeat([6, 10, 14, 20.0], 2) - 12))
    apart = 0.877 * ends.std(ddof=1) / np.sqrt(8)
    rate = eight.best_rate(Prices(nutrient=0.5, grain=4.5), seed=0)
    assert 0.877 * 128 - apart < rate.low < 0.877 * 150 < rate.high < 0.877 * 169 + apart


def test_a_region_is_as_uncertain_as_its_sites_are_few(eight):
    """Shares of the sites (Rubin 1981): uniform over those that sum to one, so of mean 1/8, variance 7/576.

    Of a test at the sites the mean over shares then varies by its variance over the sites a ninth.
    """
    rows = eight.standing()
    shares = eight.shares(40_000, rows, np.random.default_rng(1))
    assert shares.sum(axis=1) == pytest.approx(1)
    assert shares.mean(axis=0) == pytest.approx(1 / 8, rel=0.02)
    assert shares.var(axis=0) == pytest.approx(7 / 576, rel=0.05)
    tests = eight.known.frame["nitrate"].to_numpy()
    order = np.argsort(rows[:, 1])
    drawn = shares[:, order] @ np.sort(tests)
    assert drawn.var() == pytest.approx(tests.var() / 9, rel=0.05)
