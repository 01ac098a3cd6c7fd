"""What a careless strip file may hold is said, with the smaller honest answer where there is one."""

from io import StringIO

import pandas as pd
import pytest

from fertkit.errors import InputError, NotEstimable
from fertkit.intake import read_strips
from fertkit.response import analyse_response
from fertkit.trials import analyse_strips
from fertkit.trials.pairs import analyse_pairs

HEADER = "block,strip,N rate lb/ac,yield bu/ac\n"
BARE = "N rate lb/ac,yield bu/ac\n0,100\n50,120\n100,131\n0,103\n50,125\n100,128\n"
PRICES = {"nutrient_price": 0.5, "grain_price": 4, "replicates": 0}


def read(text):
    return read_strips(StringIO(text), name="strips", crop="corn")


def test_strips_without_blocks_are_compared_and_said_to_lack_them():
    trial = read(BARE)
    assert "as fully randomised" in analyse_strips(trial).summary()
    answer = analyse_response(trial, **PRICES)
    assert "as fully randomised" in answer.summary()
    assert answer.data.block is None


def test_rates_applied_otherwise_than_planned():
    text = "block,target rate lb/ac,N rate lb/ac,yield bu/ac\n" + "".join(
        f"{b},{r},{r + 12 * (r == 50 and b == 2)},{100 + r / 5 + b}\n"
        for b in (1, 2, 3)
        for r in (0, 50, 100)
    )
    trial = read(text)
    assert "curves use the applied rate, comparisons the planned one (line 6)" in trial.summary()
    assert len(analyse_strips(trial).means) == 3
    assert analyse_response(trial, **PRICES).data.rates.tolist() == [0, 50, 62, 100]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (HEADER + "1,1,0,100\n1,1,50,101\n1,2,50,120\n", "row 3: this strip appears twice, at two rates"),
        (
            "block,N rate lb/ac,yield bu/ac\n1,0,100\n1,50,120\n1,0,100\n",
            "row 4: this line repeats an earlier",
        ),
        ("block,rate,rate unit,yield bu/ac\n1,0,lb/ac,100\n1,50,kg/ha,120\n", "mixed units: kg/ha, lb/ac"),
        (
            "block,N rate lb/ac,yield bu/ac,yield t/ha\n1,0,100,8\n1,50,120,9\n",
            "several columns could be the yield",
        ),
        (HEADER + "1,1,0 lb/ac,100\n1,2,50 kg/ha,120\n", "column 'N rate lb/ac': mixed units: lb/ac, kg/ha"),
    ],
)
def test_duplicates_and_mixed_units_are_refused(text, words):
    with pytest.raises(InputError, match=f"(?s){words}"):
        read(text)


def test_lines_of_one_strip_that_differ_are_averaged_and_said():
    trial = read(HEADER + "1,1,0,100\n1,1,0,101\n1,2,50,120\n")
    assert trial.table["yield_bu_ac"].tolist() == [100.5, 120]
    assert "2 lines (lines 2 to 3) of one block and rate are averaged to 1 strip" in trial.summary()


def test_no_degree_of_freedom_left_gives_means_without_intervals():
    trial = read(HEADER + "1,1,0,100\n1,2,50,120\n1,3,100,131\n")
    strips = analyse_strips(trial)
    assert strips.means["mean"].tolist() == pytest.approx([100, 120, 131])
    assert strips.comparisons["p"].isna().all()
    assert "no error can be estimated" in strips.summary()
    curve = analyse_response(trial, **PRICES)
    assert "no interval: no error can be estimated" in curve.summary()
    assert 0 < curve.optimum.rate <= 100


def test_one_pair_is_no_comparison():
    with pytest.raises(NotEstimable, match="fewer than two complete pairs"):
        analyse_pairs(read(HEADER + "1,1,0,100\n1,2,50,120\n"))


@pytest.mark.parametrize("value", [float("inf"), 1e300, "9,5"])
@pytest.mark.parametrize(
    "ask",
    [
        analyse_strips,
        lambda strips: analyse_pairs(strips[strips["rate_lb_ac"] < 80]),
        lambda strips: analyse_response(strips, nutrient_price=0.5, grain_price=10),
    ],
)
def test_yields_that_are_no_possible_numbers_name_their_row(ask, value):
    strips = pd.DataFrame({"trial": "A", "block": [1, 1, 1, 2, 2, 2], "rate_lb_ac": [0.0, 40.0, 80.0] * 2,
                           "yield_bu_ac": [50.0, 55.0, 57.0, 51.0, 54.0, 58.0]})  # fmt: skip
    strips["yield_bu_ac"] = strips["yield_bu_ac"].astype(object)
    strips.loc[1, "yield_bu_ac"] = value
    with pytest.raises(InputError, match=r"row 3, column 'yield_bu_ac'.*impossibly large"):
        ask(strips)
