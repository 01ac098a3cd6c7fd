"""Number of blocks and smallest difference against R's power.t.test and published advice."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import chi2, f, ncf, nct, ncx2, t

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.trials.power import (
    blocks_for,
    noncentral_f_power,
    power_of_difference,
    smallest_difference,
)


def power_of_any(means, sd, blocks, *, design="blocks", alpha=0.05):
    """Chance that the F test of all treatments is significant."""
    means = np.asarray(means, dtype=float)
    shift = blocks * ((means - means.mean()) ** 2).sum() / sd**2
    return noncentral_f_power(len(means) - 1, ERROR_DF[design](len(means), blocks), shift, alpha)


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
        (lambda: blocks_for(0.01, 20), "cannot be detected"),
        (lambda: blocks_for(5, 10, power=0.05), "power between alpha"),
        (lambda: blocks_for(5, 10, 3, design="pairs"), "pairs need two"),
        (lambda: smallest_difference(1, 10), "leave no error"),
        (lambda: smallest_difference(3, 6, 5, design="latin"), "has 5 rows, not 3"),
        (lambda: blocks_for(5, 6, 4, pair_correlation=0.5), "belongs to pairs"),
        (
            lambda: smallest_difference(4, 6, design="random", pair_correlation=0.5),
            "belongs to pairs",
        ),
        (lambda: blocks_for(5, 6, design="pairs", pair_correlation=1.0), "below 1"),
        (lambda: blocks_for(5, 6, design="pairs", pair_correlation=1.5), "below 1"),
    ],
)
def test_impossible_plans(call, said):
    with pytest.raises(NotEstimable, match=said):
        call()


def test_unknown_design():
    with pytest.raises(LookupFailed, match="unknown design"):
        blocks_for(5, 10, design="spiral")


def test_the_cv_says_whose_it_is():
    assert "a CV of 4% (of single strips within pairs)" in blocks_for(5, 4, design="pairs").summary()
    over = blocks_for(5, 4, design="pairs", pair_correlation=0.5).summary()
    assert "of single strips over the whole field, correlated 0.5 within pairs" in over
    # The same trial said both ways: the CV within pairs is that over the field times sqrt(1 - r).
    within = blocks_for(5, 4 * np.sqrt(0.5), design="pairs")
    assert within.blocks == blocks_for(5, 4, design="pairs", pair_correlation=0.5).blocks


def test_the_smallest_difference_is_said_once():
    assert smallest_difference(4, 4, treatments=5).summary().count("difference") == 1
    assert blocks_for(5, 4, treatments=5).summary().count("difference") == 2


@pytest.mark.parametrize(("design", "treatments", "blocks"), [("latin", 5, 5), ("blocks", 3, 3)])
def test_a_difference_asked_of_given_blocks_is_answered(design, treatments, blocks):
    plan = smallest_difference(blocks, 6.0, treatments, design=design, difference_pct=8.0)
    power = by_noncentral_t(8.0, 6.0, ERROR_DF[design](treatments, blocks), blocks, 0.05)
    assert plan.sizes.set_index("blocks").loc[blocks, "power"] == pytest.approx(power, abs=1e-6)
    assert f"of 8% of the mean is detected in {100 * power:.0f} of 100" in plan.summary()
    assert plan.summary().count("difference") == 2


@pytest.mark.parametrize("given", [
    {"difference_pct": "5"}, {"difference_pct": -5}, {"cv_pct": "4"}, {"power": None}, {"treatments": 2.5},
    {"pair_correlation": "0.5"}, {"pair_correlation": np.nan},
])  # fmt: skip
def test_what_is_no_such_number_is_refused_by_name(given):
    with pytest.raises(InputError, match=next(iter(given))):
        blocks_for(**{"difference_pct": 5, "cv_pct": 4, "design": "pairs"} | given)


# ---- every number of a plan against the noncentral t of scipy


ERROR_DF = {  # error degrees of freedom of t treatments in r blocks, rows or pairs (any text on design)
    "blocks": lambda t, r: t * r - t - r + 1,
    "pairs": lambda t, r: r - 1,
    "random": lambda t, r: t * r - t,
    "latin": lambda t, r: t * t - 3 * t + 2,
}


def by_noncentral_t(difference, sd, df, blocks, alpha):
    """Chance that a two-sided t test finds a difference of two means of `blocks` strips each."""
    limit, shift = t.isf(alpha / 2, df), difference / (sd * np.sqrt(2 / blocks))
    return nct.sf(limit, df, shift) + np.nan_to_num(nct.cdf(-limit, df, shift))  # scipy: NaN far out, for 0


PLANS = [
    ("blocks", 4, 5, 0.05, 0.8), ("blocks", 2, 2, 0.1, 0.7), ("blocks", 3, 9, 0.01, 0.95),
    ("pairs", 2, 6, 0.05, 0.9), ("random", 3, 4, 0.05, 0.8), ("random", 5, 2, 0.2, 0.5),
    ("latin", 4, 4, 0.05, 0.8), ("latin", 6, 6, 0.1, 0.6),
]  # fmt: skip


@pytest.mark.parametrize(("design", "treatments", "blocks", "alpha", "power"), PLANS)
def test_a_plan_row_by_row(design, treatments, blocks, alpha, power):
    plan = smallest_difference(blocks, 7.0, treatments, design=design, power=power, alpha=alpha)
    table = plan.table
    # Three blocks either way, two at the least; a Latin square has one size.
    near = [blocks] if design == "latin" else [b for b in range(blocks - 3, blocks + 4) if b >= 2]
    assert table["blocks"].tolist() == near
    assert table["strips"].tolist() == [b * treatments for b in near]
    assert (plan.blocks, plan.treatments, plan.cv_pct, plan.alpha) == (blocks, treatments, 7.0, alpha)
    for row in table.itertuples():
        df = ERROR_DF[design](treatments, row.blocks)
        assert row.error_df == df
        got = by_noncentral_t(plan.difference_pct, 7.0, df, row.blocks, alpha)
        assert row.power == pytest.approx(got, abs=1e-6)
        least = by_noncentral_t(row.smallest_difference_pct, 7.0, df, row.blocks, alpha)
        assert least == pytest.approx(power, abs=1e-6)
    own = table.set_index("blocks").loc[blocks]
    assert own["smallest_difference_pct"] == pytest.approx(plan.difference_pct, rel=1e-12)
    assert own["power"] == pytest.approx(power, abs=1e-9)
    assert plan.checks["passed"].tolist() == [True]
    assert "detects the difference as often as asked" in plan.checks["meaning"].iloc[0]


@pytest.mark.parametrize("design", ["blocks", "pairs", "random"])
def test_the_fewest_blocks_that_do(design):
    count = 2 if design == "pairs" else 3
    plan = blocks_for(6.0, 5.0, count, design=design, power=0.75, alpha=0.1)
    needed = [r for r in range(2, 60) if by_noncentral_t(6, 5, ERROR_DF[design](count, r), r, 0.1) >= 0.75]
    assert plan.blocks == needed[0]
    assert plan.difference_pct == 6.0
    assert blocks_for(1000.0, 5.0, count, design=design).blocks == 2


def test_a_latin_square_too_small_is_told():
    with pytest.raises(NotEstimable, match="cannot be detected"):
        blocks_for(1.0, 10.0, 4, design="latin")
    assert blocks_for(40.0, 10.0, 4, design="latin").blocks == 4


def test_four_hundred_blocks_and_no_more():
    def needed(blocks):
        """Difference for just that number of blocks, CV 10 %."""
        return brentq(lambda d: by_noncentral_t(d, 10, blocks - 1, blocks, 0.05) - 0.8, 0.1, 100)

    assert blocks_for(needed(399.5), 10.0).blocks == 400
    with pytest.raises(NotEstimable, match="cannot be detected"):
        blocks_for(needed(400.5), 10.0)


@pytest.mark.parametrize("correlation", [-1, -0.4, 0, 0.9])
def test_what_a_pair_shares_leaves_its_difference(correlation):
    # Var(a - b) = 2 sd^2 (1 - r): the plan is that of independent strips of sd sqrt(1 - r).
    plan = smallest_difference(6, 5.0, design="pairs", pair_correlation=correlation)
    sd = np.sqrt(5.0**2 * (1 - correlation))
    assert by_noncentral_t(plan.difference_pct, sd, 5, 6, 0.05) == pytest.approx(0.8, abs=1e-6)
    assert plan.pair_correlation == correlation


@pytest.mark.parametrize(
    "given",
    [{"difference_pct": 0.0}, {"cv_pct": 0.0}, {"treatments": 1}, {"alpha": 0.0}, {"power": 0.05},
     {"power": 1.0}, {"alpha": 0.9}, {"treatments": 3, "design": "pairs"}],
)  # fmt: skip
def test_numbers_that_make_no_trial(given):
    with pytest.raises((InputError, NotEstimable)):
        blocks_for(**{"difference_pct": 5.0, "cv_pct": 5.0} | given)


@pytest.mark.parametrize(("blocks", "treatments"), [(1, 3), (0, 3)])
def test_no_error_is_left_in_one_block(blocks, treatments):
    with pytest.raises(NotEstimable, match="leave no error"):
        power_of_difference(5, 5, treatments, blocks)


@pytest.mark.parametrize("shift", [0.0, 0.3, 40.0, 900.0])
@pytest.mark.parametrize(("df1", "df2", "alpha"), [(1, 1, 0.05), (3, 12, 0.01), (5, 60, 0.2)])
def test_noncentral_f_by_its_definition(df1, df2, alpha, shift):
    """A noncentral chi2 that exceeds a multiple of a central one, integrated over the latter."""
    limit = f.isf(alpha, df1, df2)
    share = (np.arange(4000) + 0.5) / 4000
    below = chi2.ppf(share, df2)
    above = (
        ncx2.sf(limit * df1 * below / df2, df1, shift) if shift else chi2.sf(limit * df1 * below / df2, df1)
    )
    assert noncentral_f_power(df1, df2, shift, alpha) == pytest.approx(above.mean(), abs=2e-4)


def test_any_of_several_means_against_scipy():
    means, sd, blocks = np.array([50.0, 52, 57]), 4.0, 6
    shift = blocks * ((means - 53) ** 2).sum() / sd**2
    for design, df in (("blocks", 10), ("random", 15), ("latin", 2)):
        limit = f.isf(0.1, 2, df)
        got = power_of_any(means, sd, blocks, design=design, alpha=0.1)
        assert got == pytest.approx(ncf.sf(limit, 2, df, shift), rel=1e-5)


def test_a_plan_short_of_the_power_says_so():
    plan = blocks_for(6.0, 5.0, 3)
    short = replace(plan, blocks=plan.blocks - 1)
    assert short.checks["passed"].tolist() == [False]
    assert "add blocks" in short.checks["meaning"].iloc[0]
    got = by_noncentral_t(6, 5, 2 * plan.blocks - 2, plan.blocks, 0.05)
    assert f"is detected in {100 * got:.0f} of 100 trials (two-sided, 5%)" in plan.summary()
    assert "smallest difference detected in 80 of 100" in plan.summary()
