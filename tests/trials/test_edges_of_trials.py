"""Edges of rules: exact sites, steps of written yields, delays in half seconds, pairs, letters, corners."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import NotEstimable
from fertkit.intake import read_points
from fertkit.trials import blocks_for, linear
from fertkit.trials.analyse import compact_letters
from fertkit.trials.doubtful import _step_of, doubtful_strips
from fertkit.trials.places import inside
from fertkit.trials.points import find_delay
from fertkit.trials.power import smallest_difference


@pytest.mark.parametrize("step", [10, 5, 1, 0.5, 0.1, 0.05, 0.01, 0.001])
def test_the_step_to_which_yields_are_written(step):
    assert _step_of(step * np.array([3.0, 7, 11, 31])) == step
    assert _step_of(step * np.array([3.0, 7, 11, 31]) + 0.0003) == 0


def test_two_bad_strips_of_twelve_are_both_named():
    block, treatment = np.repeat(range(3), 4), np.tile(range(4), 3)
    x = np.column_stack([np.ones(12), linear.dummies(block), linear.dummies(treatment)])
    y = 50 + treatment + np.random.default_rng(4).normal(0, 0.3, 12)
    y[1] -= 20
    y[6] -= 25
    assert set(doubtful_strips(x, y).rows) == {1, 6}


def late_log(delay):
    """Six passes up and down a slope of yield, a record a second, grain weighed `delay` seconds late."""
    run, step = np.divmod(np.arange(6 * 60), 60)
    place = np.where(run % 2, 59 - step, step)
    late = np.where(run % 2, place + delay, place - delay)
    log = pd.DataFrame({
        "lon": -93 + run * 1e-4, "lat": 42 + place * 2e-5, "flow": 15 + late * 0.1, "seconds": 1,
        "distance": 7.3, "width": 30.0, "moisture": 15.5, "pass": run,
    })  # fmt: skip
    return read_points(log, crop="corn", units={"flow": "lb/s", "distance": "ft", "width": "ft"})


def test_delays_in_half_seconds_are_tried_as_given():
    found = find_delay(late_log(3), candidates=[0, 1.5, 3, 4.5, 6, 7])
    assert sorted(found["delay_s"]) == [0, 1.5, 3, 4.5, 6, 7]
    assert found["delay_s"].iloc[0] == 3
    whole = find_delay(late_log(3), candidates=[0.0, 1, 2, 3, 4, 5, 6])
    assert [str(delay) for delay in sorted(whole["delay_s"])] == ["0", "1", "2", "3", "4", "5", "6"]


@pytest.mark.parametrize("correlation", [-1.01, -1.5, -2.0])
def test_no_pair_correlates_below_minus_one(correlation):
    for plan in (lambda **o: blocks_for(5, 6, **o), lambda **o: smallest_difference(6, 5.0, **o)):
        with pytest.raises(NotEstimable, match="from -1 to below 1"):
            plan(design="pairs", pair_correlation=correlation)


@pytest.mark.parametrize(("p", "letters"), [(0.049, ["b", "a"]), (0.051, ["a", "a"]), (0.07, ["a", "a"])])
def test_letters_part_at_five_percent(p, letters):
    pairs = pd.DataFrame({"first": ["x"], "second": ["y"], "p_adjusted": [p]})
    assert compact_letters(pd.Series([1.0, 2.0], index=["x", "y"]), pairs).tolist() == letters


def test_points_level_with_a_corner_lie_where_arithmetic_puts_them():
    # A square on its corner: inside is |x - 4| + |y - 4| < 4; its corners lie at heights that points share.
    ring = np.array([(4.0, 0), (8, 4), (4, 8), (0, 4), (4, 0)])
    x, y = (c.ravel() for c in np.meshgrid(np.arange(-2, 11) + 0.5, np.arange(-2, 11)))
    assert inside(x, y, [ring]).tolist() == (np.abs(x - 4) + np.abs(y - 4) < 4).tolist()
    assert inside(x, y, [ring[::-1]]).tolist() == inside(x, y, [ring]).tolist()
