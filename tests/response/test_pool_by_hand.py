"""A pool of trials worked rate by rate in plain loops, curves and costs written out here."""

import numpy as np
import pytest
from scipy import stats

from fertkit.response import Prices, pool_net_return
from fertkit.response.pooled import Site, grid_step

SITES = [
    Site("plateau", "linear_plateau", (3.0, 0.03, 100.0), 0.0, 150.0),
    Site("bent", "quadratic", (4.0, 0.05, -1.25e-4), 20.0, 250.0),
    Site("rising", "linear", (5.0, 0.013), 0.0, 180.0),
    Site("none", "mean", (4.0,), 10.0, 120.0),
]
YIELDS = [
    lambda x: 3 + 0.03 * min(x, 100),
    lambda x: 4 + 0.05 * x - 1.25e-4 * x**2,
    lambda x: 5 + 0.013 * x,
    lambda x: 4.0,
]
TESTED = [(0, 150), (20, 250), (0, 180), (10, 120)]
NUTRIENT, GRAIN, FIXED, PASS = 1.0, 100.0, 35.0, 12.0
PRICES = Prices(NUTRIENT, GRAIN, "kg", "t", fixed_cost=FIXED, pass_cost=PASS)
RATES = np.arange(0, 252, 2.0)  # [kg/ha]
UNITS = {"rate_unit": "kg/ha", "yield_unit": "t/ha"}


def net(trial, rate):
    return GRAIN * YIELDS[trial](rate) - NUTRIENT * rate - FIXED - (PASS if rate > 0 else 0)


@pytest.fixture(scope="module")
def gains():
    """Net return of every trial (k, m) over its own at the lowest rate of all, zero."""
    return np.array([[net(k, rate) - net(k, 0.0) for rate in RATES] for k in range(4)])


@pytest.fixture(scope="module")
def pool():
    rng = np.random.default_rng(4)
    return pool_net_return(SITES, PRICES, step=2.0, rng=rng, replicates=400, **UNITS)


def test_best_rate_has_the_greatest_mean_net_return(pool, gains):
    mean = gains.mean(axis=0)
    best = int(mean.argmax())
    assert (pool.rate, pool.gain) == (RATES[best], pytest.approx(mean[best]))
    # Student's t over the trials, by scipy
    ends = stats.t.interval(0.95, 3, mean[best], stats.sem(gains[:, best]))
    assert (pool.gain_low, pool.gain_high) == pytest.approx(ends)
    frame = pool.frame
    np.testing.assert_allclose(frame["rate_kg_ha"], RATES)
    np.testing.assert_allclose(frame["mean_net_gain_per_ha"], mean, atol=1e-9)
    lifts = [np.mean([y(rate) - y(0.0) for y in YIELDS]) for rate in RATES]
    np.testing.assert_allclose(frame["mean_gain_t_ha"], lifts, atol=1e-12)
    reach = [sum(low <= rate <= high for low, high in TESTED) for rate in RATES]
    assert frame["trials_tested"].tolist() == reach
    assert pool.highest_rate == 250


def test_rates_nearly_as_good_lose_no_more_than_asked(pool, gains):
    """Five in a hundred of the gain where nothing is asked for: common practice, no source."""
    mean = gains.mean(axis=0)
    near = RATES[mean >= mean.max() * 0.95]
    assert pool.within == pytest.approx(mean.max() / 20)
    assert (pool.within_low, pool.within_high) == (near[0], near[-1])
    asked = pool_net_return(SITES, PRICES, step=2.0, within=15.0, **UNITS)
    near = RATES[mean >= mean.max() - 15]
    assert (asked.within, asked.within_low, asked.within_high) == (15, near[0], near[-1])
    assert np.isnan([asked.interval_low, asked.interval_high]).all()
    nothing = pool_net_return(SITES, PRICES, step=2.0, within=0, **UNITS)
    assert (nothing.within, nothing.within_low, nothing.within_high) == (0, pool.rate, pool.rate)


def test_resampled_pools_are_worked_one_by_one(pool, gains):
    """95 % of the best rates lie between the ends; (t / z)^2 = 2.64 times fewer than 3 are drawn."""
    assert round(3 * (stats.norm.ppf(0.975) / stats.t.ppf(0.975, 3)) ** 2) == 1
    counts = np.random.default_rng(4).multinomial(1, [0.25] * 4, 400)
    best = [RATES[np.argmax(np.repeat(gains, drawn, axis=0).mean(axis=0).round(9))] for drawn in counts]
    assert (pool.interval_low, pool.interval_high) == pytest.approx(tuple(np.quantile(best, [0.025, 0.975])))


def test_resampled_sites_are_stretched_along_the_rate():
    """Ten joins from 50 to 140: each is drawn with its rates stretched, by a share of their own spread."""
    joins, rates = np.arange(50.0, 150, 10), np.arange(0, 202, 2.0)
    sites = [Site(str(j), "linear_plateau", (3.0, 0.03, j), 0.0, 200.0) for j in joins]
    prices = Prices(1.0, 100.0, "kg", "t")
    pool = pool_net_return(sites, prices, step=2.0, rng=np.random.default_rng(4), replicates=500, **UNITS)
    width = 0.42 * 10**-0.2 * np.log(joins).std(ddof=1)
    stretch = np.exp(width * stats.norm.ppf((np.arange(11) + 0.5) / 11))
    net = np.array([[3 * min(x / f, j) - x for x in rates] for f in stretch for j in joins])
    drawn = round(9 * (stats.norm.ppf(0.975) / stats.t.ppf(0.975, 9)) ** 2)
    counts = np.random.default_rng(4).multinomial(drawn, np.full(110, 1 / 110), 500)
    best = [rates[np.argmax((count @ net).round(9))] for count in counts]
    assert (pool.interval_low, pool.interval_high) == pytest.approx(tuple(np.quantile(best, [0.025, 0.975])))


def test_every_trial_is_shown_with_its_own_best_rate(pool):
    """Optima: the join; (0.05 - 0.01) / 0.00025; the highest rate, as 0.013 is above 0.01; the lowest."""
    table = pool.sites.set_index("trial")
    assert table["own_rate_kg_ha"].tolist() == pytest.approx([100, 160, 180, 10])
    assert table["lowest_rate_kg_ha"].tolist() == [low for low, _ in TESTED]
    assert table["highest_rate_kg_ha"].tolist() == [high for _, high in TESTED]
    own = [100.0, 160.0, 180.0, 10.0]
    lost = [
        net(k, own[k]) - net(k, pool.rate) if low <= pool.rate <= high else np.nan
        for k, (low, high) in enumerate(TESTED)
    ]
    np.testing.assert_allclose(table["loss_at_pooled_rate_per_ha"], lost, atol=1e-9)
    check = pool.checks.set_index("check")
    inside = check.loc["trials with the pooled rate inside their tested rates"]
    reach = sum(low <= pool.rate <= high for low, high in TESTED)
    assert (inside["value"], inside["limit"], bool(inside["passed"])) == (reach, ">= 4", reach == 4)
    assert check.loc["pooled rate below the highest rate of the grid", "passed"]
    rising = pool_net_return([SITES[2]] * 5, PRICES, **UNITS)
    assert rising.rate == 180
    check = rising.checks.set_index("check")
    assert not check.loc["pooled rate below the highest rate of the grid", "passed"]
    assert check.loc["trials with the pooled rate inside their tested rates", "passed"]


@pytest.mark.parametrize(
    ("low", "high", "step"),
    [(0, 100, 1), (0, 250, 1), (50, 140, 0.1), (0, 999, 1), (0, 1200, 10), (1, 3.5, 0.01)],
)
def test_step_of_the_grid_is_round_and_cuts_the_rates_in_a_hundred_to_a_thousand(low, high, step):
    sites = [
        Site("a", "mean", (3,), low, high),
        Site("b", "mean", (3,), low + 0.3 * (high - low), high - 0.6 * (high - low)),
    ]
    assert grid_step(sites) == pytest.approx(step, rel=1e-12)
    assert 100 <= round((high - low) / step, 9) < 1000
    assert grid_step(sites[::-1]) == pytest.approx(step, rel=1e-12)
