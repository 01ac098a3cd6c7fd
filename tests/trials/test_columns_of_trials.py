"""Columns of a trial's table: numbers read from cells, the column compared, the order and digits written."""

import numpy as np
import pandas as pd
import pytest

from fertkit.trials import plan_strips
from fertkit.trials.application import application_geojson
from fertkit.trials.table import arrange, default_treatment, measured

MACHINES = {"header_width": 30, "applicator_width": 60, "strip_length": 400}
FIELD = [(-93.0, 44.0), (-92.99, 44.0), (-92.99, 44.01), (-93.0, 44.01)]


def test_cells_of_text_and_numbers_become_numbers():
    cells = pd.DataFrame({"yield_bu_ac": ["41.5", " ", None, 60, "-2e1"]}, dtype=object)
    found = measured(cells, "yield_bu_ac")
    assert isinstance(found, np.ndarray)
    assert found.dtype == float
    np.testing.assert_array_equal(found, [41.5, np.nan, np.nan, 60.0, -20.0])


@pytest.mark.parametrize(
    ("columns", "compared"),
    [
        (["rate_lb_ac", "planned_lb_ac", "treatment"], "treatment"),
        (["rate_lb_ac", "planned_lb_ac"], "planned_lb_ac"),
        (["planned_lb_ac", "planned_kg_ha", "rate_lb_ac"], "planned_lb_ac"),
        (["yield_bu_ac", "rate_lb_ac"], "rate_lb_ac"),
    ],
)
def test_the_treatment_before_the_rate_planned_before_the_rate_applied(columns, compared):
    assert default_treatment(pd.DataFrame(columns=columns)) == compared


@pytest.mark.parametrize(("design", "more"), [("blocks", []), ("latin", ["column"])])
def test_columns_come_in_the_order_the_plan_states(design, more):
    plan = plan_strips([0, 40, 80], seed=5, design=design, blocks=3, borders=1, **MACHINES)
    stated = ["position", "block", "strip", "treatment", "kind", "left", "right", "start", "end"]
    assert list(plan.table)[: len(stated)] == stated
    assert set(more) <= set(plan.table)


def test_degrees_are_written_to_about_a_millimetre():
    # The eighth decimal of a degree is 1.1 mm: a degree of 6,371,008.8 m of radius is 111,195 m.
    plan = plan_strips([0, 40, 80], seed=5, blocks=2, **MACHINES)
    for feature in application_geojson(plan, FIELD)["features"]:
        for place in feature["geometry"]["coordinates"][0]:
            assert [round(degree, 8) for degree in place] == place
        assert any(round(v, 7) != v for place in feature["geometry"]["coordinates"][0] for v in place)


@pytest.mark.parametrize(
    ("rates", "said"),
    [([0, 59.8, 60.1, 119.7, 120.0], "119.7 and 120 "), ([0, 60, 120, 180], ""), ([0, 1, 100, 200, 300], "")],
)
def test_rates_as_applied_are_said_to_count_one_by_one(rates, said):
    # 0.3 of 120 lb/ac is 0.25 %: a spreader's error and no plan
    table = pd.DataFrame({"rate_lb_ac": rates * 2, "yield_bu_ac": np.arange(2.0 * len(rates))})
    notes = [note for note in arrange(table).notes if "planned rate [lb/ac]" in note]
    assert len(notes) == bool(said)
    assert all(said in note for note in notes)
