"""What is read from a trial table: rows kept, levels, places, units, and what is refused."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, NotEstimable, UnitError
from fertkit.response.data import read_trial_data, unit_of

RATES = [0.0, 60, 120, 180]


def table(**more):
    return pd.DataFrame({"rate_lb_ac": RATES * 2, "yield_bu_ac": [50.0, 58, 63, 64, 51, 59, 62, 66]} | more)


def problems(trial, **options):
    with pytest.raises(InputError) as caught:
        read_trial_data(trial, **options)
    return [(p.row, p.column, p.what) for p in caught.value.problems]


def test_rows_of_two_sites_with_a_lost_yield_and_replicate_counts():
    trial = table(site=["A"] * 4 + ["B"] * 4, block=[1, 1, 2, 2] * 2, n=[3.0, 4, 3, 4, 2, 2, 2, 1])
    trial.loc[5, "yield_bu_ac"] = np.nan
    data = read_trial_data(trial, weight="n")
    kept = [0, 1, 2, 3, 4, 6, 7]
    assert data.rate.tolist() == trial["rate_lb_ac"][kept].tolist()
    assert data.yields.tolist() == trial["yield_bu_ac"][kept].tolist()
    assert data.weight.tolist() == [3, 4, 3, 4, 2, 2, 1]
    assert data.block.tolist() == ["A / 1", "A / 1", "A / 2", "A / 2", "B / 1", "B / 2", "B / 2"]
    assert (data.rate_unit, data.yield_unit, data.nutrient) == ("lb/ac", "bu/ac", "")
    assert (data.places, data.left_out, data.through_origin) == ("2 sites", 1, False)
    assert data.shared == "2 sites, one common response; "
    assert data.losses == [("strips without a yield", 1, 0, False, "1 strip without a yield left out")]
    assert data.columns == ("rate_lb_ac", "yield_bu_ac")
    assert data.origin.columns.tolist() == ["site", "block"]
    assert data.origin.index.tolist() == kept
    frame = data.table
    assert frame["rate"].tolist() == sorted(data.rate)
    assert frame["block"].tolist() == ["A / 1", "B / 1", "A / 1", "A / 2", "B / 2", "A / 2", "B / 2"]
    assert frame["yield"].tolist() == [50, 51, 58, 63, 62, 64, 66]
    assert frame["weight"].tolist() == [3, 2, 4, 3, 2, 4, 1]
    less = data.without([0, 6])
    assert less.rate.tolist() == [60, 120, 180, 0, 120]
    assert less.yields.tolist() == [58, 63, 64, 51, 62]
    assert less.weight.tolist() == [4, 3, 4, 2, 2]
    assert less.block.tolist() == data.block[1:6].tolist()
    assert less.origin.index.tolist() == [1, 2, 3, 4, 6]


def test_a_plain_table():
    data = read_trial_data(table(nutrient="K2O"))
    assert (data.block, data.places, data.shared, data.losses, data.left_out) == (None, "", "", [], 0)
    assert data.nutrient == "K2O"
    assert data.weight.tolist() == [1] * 8
    assert (data.table["block"] == "").all()
    assert data.without([1]).block is None
    assert read_trial_data(data) is data
    lost = table()
    lost.loc[[1, 2], "yield_bu_ac"] = np.nan
    assert read_trial_data(lost).losses[0][-1] == "2 strips without a yield left out"


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"year": [2021] * 4 + [2022] * 4}, "2 years"),
        ({"site": list("AAAABBBB")}, "2 sites"),
        ({"site": list("AAAABBBB"), "year": [2021, 2021, 2022, 2022] * 2}, "4 site-years"),
        ({"field": list("AABBCCDD")}, "4 sites"),
        ({"site_year": list("AABBCCDD")}, "4 site-years"),
        ({"site": ["A"] * 8, "year": [2021] * 8}, ""),
    ],
)
def test_places(columns, said):
    assert read_trial_data(table(**columns)).places == said


def test_levels_are_those_asked_for_and_those_of_sites():
    trial = table(site=list("AAAABBBB"), row=[1, 2] * 4, block=[5] * 8)
    assert set(read_trial_data(trial).block) == {"A", "B"}  # one block is no block
    assert set(read_trial_data(trial, blocks="row").block) == {"A / 1", "A / 2", "B / 1", "B / 2"}
    assert set(read_trial_data(trial, blocks=["row", "site"]).block) == {"1 / A", "2 / A", "1 / B", "2 / B"}
    assert [what for *_, what in problems(trial, blocks=False)] == [
        "several levels in 'site' but no site effects"
    ]
    assert [what for *_, what in problems(trial, blocks=["lane"])] == ["there is no column 'lane'"]
    alone = read_trial_data(trial.drop(columns="site").assign(block=[1, 2] * 4), blocks=False)
    assert alone.block is None
    missing = trial.assign(row=[1, 2, np.nan, 2, 1, 2, 1, 2])
    assert problems(missing, blocks="row") == [(4, "row", "the block is missing")]


def test_every_bad_cell_is_named():
    trial = table(n=[1.0, 0, 1, 1, 1, 1, -2, 1])
    trial["rate_lb_ac"] = [0.0, -60, 120, 180, np.inf, 60, 120, 180]
    trial["yield_bu_ac"] = pd.Series([50.0, 58, "lost", 64, 51, 59, 62, None], dtype=object)
    found = problems(trial, weight="n")
    assert [(row, column) for row, column, _ in found] == [
        (6, "rate_lb_ac"), (4, "yield_bu_ac"), (3, "rate_lb_ac"), (3, "n"), (8, "n"),
    ]  # fmt: skip
    assert [what for *_, what in found[2:]] == [
        "a rate cannot be negative", *["a replicate count must be above zero"] * 2
    ]  # fmt: skip
    assert [what for *_, what in problems(table(), weight="n", rate="dose")] == [
        "there is no column 'dose'", "there is no column 'n'"
    ]  # fmt: skip


def test_empty_cells_are_passed_over_where_all_others_are_numbers():
    for empty in (np.nan, None, "", "  "):
        trial = table()
        trial["yield_bu_ac"] = trial["yield_bu_ac"].astype(object)
        trial.loc[[0, 3], "yield_bu_ac"] = empty
        data = read_trial_data(trial)
        assert (len(data.rate), data.left_out) == (6, 2)


def test_strips_with_treatments_and_no_rates():
    trial = table(treatment=list("abcd") * 2)
    assert len(read_trial_data(trial).rate) == 8
    with pytest.raises(NotEstimable, match="treatments without rates"):
        read_trial_data(trial.drop(columns="rate_lb_ac"))
    other = trial.rename(columns={"rate_lb_ac": "dose"})
    assert read_trial_data(other, rate="dose").rate.tolist() == RATES * 2
    bare = trial.drop(columns=["rate_lb_ac", "treatment"])
    assert [what for *_, what in problems(bare)] == ["no column starts with 'rate_'"]


def test_several_trials_or_units_are_refused():
    with pytest.raises(NotEstimable, match="holds 2 trials: A, B;"):
        read_trial_data(table(trial=list("AAAABBBB")))
    with pytest.raises(NotEstimable, match="holds 7 trials: A, B, C, D, E and 2 more;"):
        read_trial_data(table(trial=list("ABCDEFGG")))
    with pytest.raises(NotEstimable, match="holds 5 trials: A, B, C, D, E;"):
        read_trial_data(table(trial=list("ABCDEEEE")))
    assert len(read_trial_data(table(trial="A")).rate) == 8
    mixed = table(crop=["corn", "wheat"] * 4, nutrient=list("NNNNPPPP"))
    assert [(column, what) for _, column, what in problems(mixed)] == [
        ("nutrient", "several values in one trial: N, P"),
        ("crop", "several values in one trial: corn, wheat"),
    ]
    assert len(read_trial_data(table(rate_unit="lb/ac", yield_unit="bu/ac")).rate) == 8


def test_cells_of_one_strip():
    strips = table(strip=[1, 2, 3, 3, 5, 6, 7, 6])
    assert problems(strips) == [(5, "strip", "2 rows repeat a strip that is already there")]
    assert len(read_trial_data(strips.assign(block=[1, 1, 1, 2, 2, 2, 2, 3])).rate) == 8
    plots = table(plot=[1, 2, 3, 4, 5, 6, 7, 5])
    assert problems(plots) == [(9, "plot", "1 row repeats a plot that is already there")]
    assert len(read_trial_data(table(plot=[1, 2, 3, 4, np.nan, np.nan, np.nan, 5])).rate) == 8


def test_rates_that_agree_to_ten_digits_are_one():
    data = read_trial_data(table(rate_lb_ac=[0, 60, 120, 180, 0, 60 * (1 + 1e-12), 120, 180 * (1 - 1e-12)]))
    assert len(data.rates) == 4
    assert len(read_trial_data(table(rate_lb_ac=[0, 60, 120, 180, 0, 60 + 1e-6, 120, 180])).rates) == 5
    tiny = read_trial_data(table(rate_lb_ac=np.array(RATES * 2) * 1e-6))
    np.testing.assert_allclose(tiny.rates, np.array(RATES) * 1e-6, rtol=1e-9)
    with pytest.raises(NotEstimable, match="all rates are equal"):
        read_trial_data(table(rate_lb_ac=0.0))


def test_units_of_column_names():
    assert unit_of("Yield_T_HA_dry", "?") == "t/ha"
    assert unit_of("rate_kg_ha", "?") == "kg/ha"
    assert unit_of("rate", "?") == unit_of("rate_lb", "?") == "?"
    read_trial_data(table()).need_units()
    bare = table().rename(columns={"yield_bu_ac": "yield_bu"})
    with pytest.raises(UnitError, match=r"column 'yield_bu' has no known unit.* like 'yield_bu_ac'"):
        read_trial_data(bare).need_units()
    bare = table().rename(columns={"rate_lb_ac": "rate_lb"})
    with pytest.raises(UnitError, match=r"column 'rate_lb' has no known unit.* like 'rate_lb_ac'"):
        read_trial_data(bare).need_units()


def test_strips_that_came_with_names_of_their_columns():
    class Strips:
        table, rate_column, yield_column = table(rate_kg_ha=1.0, yield_t_ha=2.0), "rate_lb_ac", "yield_bu_ac"

    assert read_trial_data(Strips()).columns == ("rate_lb_ac", "yield_bu_ac")
    with pytest.raises(NotEstimable, match="all rates are equal"):
        read_trial_data(Strips(), rate="rate_kg_ha", response="yield_t_ha")
    assert [what for *_, what in problems(Strips.table)] == [
        "several rate columns: rate_lb_ac, rate_kg_ha", "several yield columns: yield_bu_ac, yield_t_ha"
    ]  # fmt: skip


def test_a_curve_through_the_origin_leaves_blocks_out():
    data = read_trial_data(table(block=[1] * 4 + [2] * 4), through_origin=True)
    assert data.sums.n_blocks.tolist() == [0]
    assert data.sums.total_ss()[0, 0] == pytest.approx((data.yields**2).sum())
