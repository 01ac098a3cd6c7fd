"""Designs whose rates cannot be told from their blocks are refused with the reason."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, NotEstimable
from fertkit.intake import read_strips
from fertkit.response import analyse_response, compare_curves, fit_response, optima_of_trials
from fertkit.trials import analyse_strips, pool_trials
from fertkit.trials.linear import contrasts_within, parts

CASE = Path(__file__).parents[1] / "cases" / "strips" / "confounded_blocks.csv"
PRICES = {"nutrient_price": 0.5, "grain_price": 4.5}


@pytest.fixture(scope="module")
def confounded():
    return read_strips(CASE)


@pytest.mark.parametrize("model", ["fixed", "random"])
def test_treatments_that_never_meet_are_refused(confounded, model):
    with pytest.raises(NotEstimable, match=r"\(0, 120\) and \(40, 80\) never meet within a block"):
        analyse_strips(confounded, model=model)


@pytest.mark.parametrize("alone", "ABC")
def test_one_treatment_that_meets_no_other_is_refused(alone):
    # Blocks 1 and 2 hold the one treatment alone, blocks 3 to 6 both of the others.
    others = [t for t in "ABC" if t != alone]
    rows = [(b, alone) for b in (1, 1, 2, 2)] + [(b, t) for b in range(3, 7) for t in others]
    table = pd.DataFrame(rows, columns=["block", "treatment"])
    table["yield_t_ha"] = 6 + np.random.default_rng(2).normal(0, 0.2, len(table))
    with pytest.raises(NotEstimable, match="never meet within a block"):
        analyse_strips(table, treatment="treatment", response="yield_t_ha", blocks="block")


@pytest.mark.parametrize(
    "ask",
    [
        lambda t: analyse_response(t, **PRICES),
        lambda t: compare_curves(t, 0.1),
        lambda t: fit_response(t, "quadratic"),
        lambda t: fit_response(t, "square_root"),
    ],
)
def test_curves_are_refused_with_the_reason(confounded, ask):
    with pytest.raises(NotEstimable, match="rates are confounded with"):
        ask(confounded.table)


def test_a_batch_tells_the_trial_and_reads_the_others(confounded):
    table = confounded.table.drop(columns="strip")
    good = pd.DataFrame({"block": np.repeat([1, 2, 3], 4), "rate_lb_ac": [0.0, 40, 80, 120] * 3,
                         "yield_bu_ac": [50.0, 54, 57, 57, 51, 56, 57, 59, 49, 54, 56, 57]})  # fmt: skip
    both = pd.concat([table.assign(trial="bad"), good.assign(trial="good")])
    with pytest.raises(InputError) as told:
        optima_of_trials(both, "trial", 0.1)
    assert len(told.value.problems) == 1
    assert "trial bad: rates are confounded with blocks" in str(told.value)
    more = [good.assign(trial=f"good {i}", yield_bu_ac=good["yield_bu_ac"] + i) for i in range(3)]
    pooled = pool_trials(pd.concat([both, *more]), 120, 0)
    assert "confounded" in pooled.table.set_index("site").loc["bad", "note"]
    assert np.isnan(pooled.table.set_index("site").loc["bad", "estimate"])
    assert (pooled.table["weight_pct"] > 0).sum() == 4


def test_connectedness_of_known_designs():
    # A balanced incomplete block design (treatments 1 2 | 2 3 | 3 1) is connected; 1 2 | 3 4 is not.
    assert parts([0, 1, 1, 2, 2, 0], [0, 0, 1, 1, 2, 2]).max() == 0
    assert parts([0, 1, 2, 3], [0, 0, 1, 1]).tolist() == [0, 0, 1, 1]
    # A chain of blocks that each share one treatment with the next.
    assert parts([0, 1, 1, 2, 2, 3, 3, 4], [3, 3, 2, 2, 1, 1, 0, 0]).max() == 0
    # Rates as applied differ a little from block to block and still link them.
    assert contrasts_within([0.4, 61, 119, 1.1, 58, 122], [0, 0, 0, 1, 1, 1]) == 2
    # Rates close together that come again in other blocks were meant; in one block each they are one.
    assert contrasts_within([190, 195, 200, 195, 200, 190], [0, 0, 0, 1, 1, 1]) == 2
    assert contrasts_within([190, 195, 200, 196, 201, 191], [0, 0, 0, 1, 1, 1]) == 0


def test_parts_agree_with_the_rank_of_the_design():
    # rank of (blocks | treatments) = blocks + treatments - parts: the textbook rule for connectedness.
    rng = np.random.default_rng(5)
    for _ in range(200):
        n, b, t = int(rng.integers(4, 14)), int(rng.integers(1, 6)), int(rng.integers(2, 6))
        block = np.unique(rng.integers(0, b, n), return_inverse=True)[1]
        treatment = np.unique(rng.integers(0, t, n), return_inverse=True)[1]
        design = np.hstack([np.eye(block.max() + 1)[block], np.eye(treatment.max() + 1)[treatment]])
        rank = np.linalg.matrix_rank(design)
        assert parts(treatment, block).max() + 1 == block.max() + treatment.max() + 2 - rank


@pytest.mark.parametrize(("blocks", "more"), [(6, False), (7, True)])
def test_six_parts_are_named_and_more_are_dots(blocks, more):
    table = pd.DataFrame({"block": np.repeat(range(blocks), 2), "treatment": range(2 * blocks),
                          "yield_t_ha": np.arange(2.0 * blocks)})  # fmt: skip
    with pytest.raises(NotEstimable) as caught:
        analyse_strips(table)
    said = str(caught.value)
    assert "(0, 1) and (2, 3)" in said
    assert "(10, 11)" in said
    assert ("(10, 11) ... never meet" in said) == more
