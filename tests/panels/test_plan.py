"""The plan panel lays out what the library lays out, and says what it can show."""

from base64 import b64decode
from re import search

import pytest

from fertkit.errors import FertkitError
from fertkit.panels.plan import PlanPanel, parse_treatments
from fertkit.trials.application import application_table
from fertkit.trials.layout import plan_strips
from fertkit.trials.power import smallest_difference

MACHINES = {"header_width": 30.0, "applicator_width": 60.0, "strip_length": 1200.0}


def test_lays_out_the_plan_of_the_library():
    panel = PlanPanel(rates="0, 50, 100", blocks=5, seed=7)
    plan = plan_strips([0.0, 50.0, 100.0], seed=7, blocks=5, **MACHINES)
    assert panel.result.table.equals(plan.table)
    power = smallest_difference(5, 3.0, 3)
    assert f"{power.difference_pct:.1f} % of the mean" in panel.message()


def test_more_blocks_find_smaller_differences():
    panel = PlanPanel(blocks=3)
    before = panel.power.difference_pct
    panel.controls["blocks"].value = 8
    assert panel.power.difference_pct < before


def test_a_field_too_narrow_is_said():
    panel = PlanPanel()
    panel.controls["field_width"].value = 400
    assert "the field has 400 ft" in panel._banner.value
    assert panel.result is None


def test_the_list_for_the_operator_is_that_of_the_library():
    panel = PlanPanel()
    panel._look.value = "Keep"
    found = search(r'download="operator.csv" href="data:text/csv;base64,([^"]+)"', panel._links.value)
    assert b64decode(found[1]).decode() == application_table(panel.result).to_csv(index=False)


@pytest.mark.parametrize(
    ("text", "read"),
    [("0, 50,100", [0.0, 50.0, 100.0]), ("0;50", [0.0, 50.0]), ("usual, double", ["usual", "double"])],
)
def test_reads_treatments(text, read):
    assert parse_treatments(text) == read


@pytest.mark.parametrize("text", ["", "40", " , "])
def test_refuses_fewer_than_two_treatments(text):
    with pytest.raises(FertkitError, match="fewer than two"):
        parse_treatments(text)


@pytest.mark.parametrize("design", ["blocks", "latin", "ladder"])
def test_every_design_works(design):
    panel = PlanPanel(design=design)
    assert panel.error is None
    assert (panel.power is None) == (design == "ladder")
