"""The analysis errs as often as it says: small simulations of null and real differences, by binomial limits.

The share to be found is no output of ours: it is the level of the test, or the power by scipy's noncentral t.
"""

import numpy as np
import pytest
from scipy.stats import binom, nct, t


@pytest.fixture(scope="module")
def simulation(benchmark):
    return benchmark("trials_error_rates")


def found(simulation, case, trials):
    """How many trials the analysis calls different."""
    return sum(simulation.p_value(case, seed)[0] < simulation.ALPHA for seed in range(trials))


def limits(trials, share):
    """Counts between which 999 of 1000 such simulations lie if the share is right."""
    return binom.ppf([0.0005, 0.9995], trials, share)


@pytest.mark.parametrize(
    ("name", "trials"),
    [
        ("complete blocks, 4 x 4, steep field", 200),
        ("complete blocks, 4 x 4, trend in the analysis", 200),
        ("random blocks (REML), 6 x 4, two strips lost", 80),
        ("Latin square, 5 x 5", 200),
        ("pairs, 6", 200),
        ("neighbours correlated (REML), 4 x 6", 60),
    ],
)
def test_null_strips_are_called_different_in_5_of_100_trials(simulation, name, trials):
    case = next(c for c in simulation.CASES if c.name == name)
    low, high = limits(trials, 0.05)
    assert low <= found(simulation, case, trials) <= high


@pytest.mark.parametrize(
    ("number", "difference", "sd", "blocks", "df"),
    [(10, 20, 10, 5, 12), (12, 20, 12, 8, 7)],  # 4 treatments in 5 blocks: 3 x 4 df; 8 pairs: 7 df
)
def test_real_differences_are_found_as_often_as_the_noncentral_t_says(
    simulation, number, difference, sd, blocks, df
):
    case, trials = simulation.CASES[number], 150
    assert (case.difference, case.noise, case.blocks) == (difference, sd, blocks)
    away, reach = difference / (sd * np.sqrt(2 / blocks)), t.isf(0.025, df)
    power = nct.sf(reach, df, away) + nct.cdf(-reach, df, away)
    low, high = limits(trials, power)
    assert low <= found(simulation, case, trials) <= high
