"""Error rates of curves by group: the committed table, and the simulation behind it in small."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def simulation(benchmark):
    return benchmark("group_coverage")


def around(percent, trials, errors=3):
    """Ends of what a true share gives in so many trials [%], by the binomial standard error."""
    reach = errors * np.sqrt(percent * (100 - percent) / trials)
    return percent - reach, percent + reach


def test_the_table_holds_the_nominal_rates():
    table = pd.read_csv(TESTS / "reference" / "coverage" / "groups.csv")
    assert {"split", "mixed", "zones", "strips"} == set(table["layout"])
    for row in table.itertuples():
        if row.quantity in ("yields differ", "shapes differ"):
            assert row.percent <= around(5, row.trials)[1]
        if row.quantity in ("difference held", "net gain held"):
            assert row.percent >= around(95, row.trials)[0]
        if row.optimum_a == row.optimum_b and row.quantity in ("optima differ", "a rate for each pays"):
            assert row.percent <= around(5, row.trials)[1]


def test_whole_strips_do_not_pass_for_replicates(simulation):
    """Thirty split plots without a difference: yields and shapes are told apart about one time in twenty."""
    alarms = simulation.false_alarms("split", 30, np.random.default_rng(7))
    assert max(alarms.values()) <= around(5, 30)[1]


def test_a_piece_of_the_table_again(simulation):
    """Six trials on averaged curves agree with the table by both binomial errors together."""
    table = pd.read_csv(TESTS / "reference" / "coverage" / "groups.csv")
    rows = table[
        (table["optimum_b"] == 140) & (table["truth"] == "quadratic") & (table["curve"] == "averaged")
    ]
    again = simulation.said("split", (100, 140), 6, np.random.default_rng(8), "quadratic", "averaged")
    for row in rows.itertuples():
        share = np.clip(row.percent, 2, 98)
        reach = 4 * np.sqrt(share * (100 - share) * (1 / 6 + 1 / row.trials))
        assert abs(again[row.quantity] - row.percent) <= reach
