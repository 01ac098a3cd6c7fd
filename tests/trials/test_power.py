"""Number of blocks and smallest difference against R's power.t.test and published advice."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import LookupFailed, NotEstimable
from fertkit.trials.power import blocks_for, power_of_any, power_of_difference, smallest_difference


def test_documentation_of_power_t_test():
    # R 4.2.2, help of power.t.test: n 20 a group, delta 1, sd 1 -> 0.868953; power .90 -> n 22.02110.
    assert power_of_difference(1, 1, 2, 20, design="random") == pytest.approx(0.868953, abs=5e-7)
    assert power_of_difference(1, 1, 2, 22.02110, design="random") == pytest.approx(0.90, abs=1e-6)
    # One-sided at 5 % (n 17.84713) is two-sided at 10 % but for a far tail of no weight.
    assert power_of_difference(1, 1, 2, 17.84713, design="random", alpha=0.1) == pytest.approx(0.90, abs=1e-4)


@pytest.mark.parametrize(
    ("cv", "difference", "pairs"),
    [(4, 5, 12.106), (4, 10, 4.748), (6, 5, 24.595), (6, 10, 7.783), (8, 5, 42.147), (8, 10, 12.106),
     (10, 5, 64.738), (10, 10, 17.714)],
)  # fmt: skip
def test_pairs_for_80_percent(cv, difference, pairs):
    # R power.t.test(type = "paired"), SD of a difference = CV sqrt 2.
    assert power_of_difference(difference, cv, 2, pairs, design="pairs") == pytest.approx(0.80, abs=1e-4)
    assert blocks_for(difference, cv, design="pairs").blocks == int(np.ceil(pairs))


def test_six_pairs():
    # R: n 6, delta 5, sd of differences 4 -> 0.689271; 80 % needs 7.17164. R leaves out the far tail (2e-6).
    assert power_of_difference(5, 4 / np.sqrt(2), 2, 6, design="pairs") == pytest.approx(0.689271, abs=3e-6)
    assert power_of_difference(5, 4 / np.sqrt(2), 2, 7.17164, design="pairs") == pytest.approx(0.8, abs=3e-6)


@pytest.mark.parametrize(
    ("treatments", "cv", "difference", "blocks", "power"),
    [(2, 5, 10, 7, 0.8737), (4, 5, 10, 5, 0.8268), (4, 8, 10, 11, 0.8096), (6, 5, 5, 17, 0.8213)],
)
def test_smallest_complete_blocks(treatments, cv, difference, blocks, power):
    # R pt() with noncentrality, error df (r - 1)(t - 1).
    plan = blocks_for(difference, cv, treatments)
    assert plan.blocks == blocks
    assert plan.table.set_index("blocks").loc[blocks, "power"] == pytest.approx(power, abs=6e-5)
    assert power_of_difference(10, 5, 4, 4) == pytest.approx(0.711907, abs=3e-6)


def test_eight_replicates_in_corn():
    # Vargas-Rojas & Garcia 2022, doi 10.29312/remexca.v13i4.2784: 8 or more replicates for 80 % power at a
    # 10 % difference in completely random corn trials. That is a CV of 6.6 % or more of two treatments.
    assert blocks_for(10, 6.6, design="random").blocks == 8


def test_f_test_of_two_treatments_is_the_t_test():
    assert power_of_any([100, 110], 8, 5) == pytest.approx(power_of_difference(10, 8, 2, 5))
    assert power_of_any([100, 100, 100], 8, 5, alpha=0.05) == pytest.approx(0.05)


def test_f_test_matches_statsmodels():
    from statsmodels.stats.power import FTestAnovaPower

    means, sd, n = np.array([100.0, 104, 110, 111]), 8.0, 6
    effect = means.std() / sd
    expected = FTestAnovaPower().power(effect, 4 * n, 0.05, k_groups=4)
    # Old versions of scipy give its noncentral F to five digits only.
    assert power_of_any(means, sd, n, design="random") == pytest.approx(expected, rel=1e-5)


@settings(max_examples=15, deadline=None)
@given(blocks=st.integers(2, 12), treatments=st.integers(2, 8), cv=st.floats(2, 20))
def test_smallest_difference_and_power_are_each_other_turned_round(blocks, treatments, cv):
    plan = smallest_difference(blocks, cv, treatments)
    assert power_of_difference(plan.difference_pct, cv, treatments, blocks) == pytest.approx(0.8, abs=1e-6)
    assert plan.checks["passed"].all() or plan.difference_pct > 0
    smaller = smallest_difference(blocks + 1, cv, treatments)
    assert smaller.difference_pct < plan.difference_pct


def test_a_correlated_pair_needs_fewer():
    assert (
        blocks_for(5, 8, design="pairs", pair_correlation=0.5).blocks
        < blocks_for(5, 8, design="pairs").blocks
    )


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: blocks_for(0.01, 20), "cannot be found"),
        (lambda: blocks_for(-5, 10), "positive difference"),
        (lambda: blocks_for(5, 10, 3, design="pairs"), "pairs hold two"),
        (lambda: smallest_difference(1, 10), "nothing to measure the error"),
        (lambda: smallest_difference(3, 6, 5, design="latin"), "has 5 rows, not 3"),
        (lambda: smallest_difference(3.5, 6, 5), "blocks has to be a whole number"),
        (lambda: blocks_for(5, 6, 2.5), "treatments has to be a whole number"),
        (lambda: blocks_for(5, 6, 4, pair_correlation=0.5), "belongs to design='pairs'"),
        (
            lambda: smallest_difference(4, 6, design="random", pair_correlation=0.5),
            "belongs to design='pairs'",
        ),
        (lambda: blocks_for(5, 6, design="pairs", pair_correlation=1.0), "below 1"),
        (lambda: blocks_for(5, 6, design="pairs", pair_correlation=1.5), "below 1"),
        (lambda: smallest_difference(5, 6, design="pairs", pair_correlation=np.nan), "below 1"),
    ],
)
def test_impossible_plans(call, said):
    with pytest.raises(NotEstimable, match=said):
        call()


def test_unknown_design():
    with pytest.raises(LookupFailed, match="unknown design"):
        blocks_for(5, 10, design="spiral")


def test_the_cv_says_whose_it_is():
    assert "a CV of 4 % (of single strips within pairs)" in blocks_for(5, 4, design="pairs").summary()
    over = blocks_for(5, 4, design="pairs", pair_correlation=0.5).summary()
    assert "of single strips over the whole field, correlated 0.5 within pairs" in over
    # The same trial said both ways: the CV within pairs is that over the field times sqrt(1 - r).
    within = blocks_for(5, 4 * np.sqrt(0.5), design="pairs")
    assert within.blocks == blocks_for(5, 4, design="pairs", pair_correlation=0.5).blocks


def test_the_smallest_difference_is_said_once():
    assert smallest_difference(4, 4, treatments=5).summary().count("difference") == 1
    assert blocks_for(5, 4, treatments=5).summary().count("difference") == 2


@pytest.mark.parametrize(
    "given", [{"difference_pct": "5"}, {"cv_pct": "4"}, {"power": None}, {"pair_correlation": "0.5"}]
)
def test_text_for_a_number_is_refused_by_name(given):
    with pytest.raises(NotEstimable, match=next(iter(given))):
        blocks_for(**{"difference_pct": 5, "cv_pct": 4, "design": "pairs"} | given)
