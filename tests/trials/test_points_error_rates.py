"""Error rates of trials harvested with a yield monitor: the table of the simulation, and a piece again."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit.response.groups import compare_groups
from fertkit.trials import analyse_strips

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import points_error_rates as rates


@pytest.fixture(scope="module")
def field():
    return rates.harvest(np.random.default_rng(1), rates.Case(20), rates.bent)


def test_the_table_holds_error_rates_of_five_percent():
    """4 to 6 % in every field; points as replicates call far more."""
    table = pd.read_csv(rates.TABLE)
    assert (table["trials"] == rates.TRIALS).all()
    by_points = table["asked"].str.contains("as replicates")
    assert (table.loc[by_points, "called_pct"] > 30).all()
    assert table.loc[~by_points, "called_pct"].between(4, 6).all()


def test_a_piece_of_the_table_again():
    """The first trials of a field, at chance: 60 of 5 % are 3, and more than 9 one time in 1000."""
    called = {row["asked"]: row["called_pct"] for row in rates.run(rates.CASES[1], 60, 1)}
    by_strips, by_points, by_zones = (0.6 * called[name] for name in rates.ASKED)
    assert by_strips <= 9
    assert by_zones <= 9
    assert by_points > 45


def test_strips_are_compared_as_the_simulation_does(field):
    table = rates.strips_of(*field)[["block", "rate_lb_ac", "yield_bu_ac"]]
    assert analyse_strips(table).p_value == pytest.approx(rates.p_by_strips(*field), rel=1e-9)


def test_zones_are_compared_as_the_simulation_does(field):
    table = rates.strips_of(*field, rates.ZONES)
    groups = compare_groups(
        table, "zone", nutrient_price=0.6, grain_price=4.5, cluster="whole", curve="quadratic"
    )
    assert groups.tests("separate")["p"] == pytest.approx(rates.p_by_zones(*field), rel=1e-6)


def test_a_zone_without_a_response_is_told_apart(field):
    yields, rate, block = field
    other = yields.copy()
    other[:, : rates.POINTS // 2] -= rates.bent(rate)[:, None]
    assert rates.p_by_zones(other, rate, block) < 1e-4 < rates.p_by_zones(*field)
