"""One order of treatments in every block is told; lots that were drawn are not."""

from math import factorial

import numpy as np
import pandas as pd
import pytest

from fertkit.response import analyse_response
from fertkit.say.response import first
from fertkit.trials import analyse_strips
from fertkit.trials.diagnose import systematic

RATES = [0.0, 50, 100, 150, 200]


def trial(orders, **columns):
    """Strips in field order under a straight trend and no response at all."""
    rate = np.concatenate(orders)
    rng = np.random.default_rng(2)
    n = len(rate)
    block = np.repeat(range(1, len(orders) + 1), len(orders[0]))
    harvest = 150 + 2.0 * np.arange(n) + rng.normal(0, 2, n)
    return pd.DataFrame({"block": block, "rate_lb_ac": rate, "yield_bu_ac": harvest} | columns)


@pytest.mark.parametrize("columns", [
    {"position": range(1, 21)}, {"strip": range(1, 21)}, {"plot": range(101, 121)},
    {"lon": -93 + np.arange(20) * 1e-4, "lat": 44.0 + np.arange(20) * 1e-6},
])  # fmt: skip
def test_a_repeated_order_is_said_beside_the_verdict(columns):
    table = trial([RATES] * 4, **columns)
    analysis = analyse_strips(table)
    assert analysis.p_value < 0.05  # the trend alone passes for a response
    assert "the same order in every block" in analysis.summary()
    response = analyse_response(table, nutrient_price=0.5, grain_price=4.5, replicates=0)
    assert "the same order in every block" in "\n".join(first(response))
    assert "the same order in every block" in response.summary()


def test_there_and_back_is_an_order_too():
    assert "the same order" in analyse_strips(trial([RATES, RATES[::-1]] * 2, position=range(20))).summary()


def test_an_order_that_is_not_known_is_said_in_the_checks():
    analysis = analyse_strips(trial([RATES] * 4))
    row = analysis.checks.set_index("check").loc["order of the treatments drawn by lot"]
    assert row["passed"] is None or pd.isna(row["passed"])
    assert "is unknown" in row["meaning"]
    assert "the same order" not in analysis.summary()


def test_drawn_lots_are_told_as_rarely_as_they_repeat():
    # One order repeated in all of b blocks of t treatments has probability (1/t!)^(b - 1); forwards or
    # backwards (2/t!)^(b - 1): with 3 treatments in 4 blocks 1/27, so about 37 of 1,000.
    rng = np.random.default_rng(6)
    block = np.repeat(range(4), 3)
    told = sum(
        bool(systematic(np.concatenate([rng.permutation(3) for _ in range(4)]), block, range(12)))
        for _ in range(1000)
    )
    expected = 1000 * (2 / factorial(3)) ** 3
    assert abs(told - expected) < 4 * np.sqrt(expected)


def test_two_treatments_in_pairs_repeat_too_often_to_tell():
    assert systematic([0, 1] * 3, [0, 0, 1, 1, 2, 2], range(6)) is None


def test_a_lost_strip_does_not_hide_the_order():
    kept = np.delete(np.arange(20), 7)
    assert systematic(np.tile(range(5), 4)[kept], np.repeat(range(4), 5)[kept], kept)
