"""The plan panel lays out what the library lays out, and says what it can show."""

import json
from base64 import b64decode
from html import unescape
from re import search

import numpy as np
import pytest

from fertkit.errors import FertkitError
from fertkit.panels.plan import PlanPanel, parse_treatments
from fertkit.report.layout import answer_layout
from fertkit.response import expected_interval
from fertkit.response.plan import curve_through
from fertkit.results import plain
from fertkit.trials.application import application_table
from fertkit.trials.layout import plan_strips
from fertkit.trials.power import smallest_difference

MACHINES = {"header_width": 30.0, "applicator_width": 60.0, "strip_length": 1200.0}


@pytest.mark.usefixtures("undrawn")
def test_lays_out_the_plan_of_the_library():
    panel = PlanPanel(rates="0, 50, 100", blocks=5, seed=7)
    plan = plan_strips([0.0, 50.0, 100.0], seed=7, blocks=5, **MACHINES)
    assert panel.result.table.equals(plan.table)
    power = smallest_difference(5, 3.0, 3)
    assert power.lines()[0].text in panel.message()


@pytest.mark.usefixtures("undrawn")
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


@pytest.mark.usefixtures("undrawn")
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


def test_the_interval_to_expect_is_that_of_the_library_and_only_worked_out_when_asked():
    panel = PlanPanel(rates="0, 60, 120, 180", blocks=3, cv_pct=4.0)
    assert panel.expected is None
    panel.work_out.click()
    params = curve_through("quadratic_plateau", 110, 210, 180)
    at = 110 + 100 * (1 - (1 - np.array([0, 60, 120, 180]) / 180) ** 2)  # vertex form of the same curve
    wanted = expected_interval(
        [0, 60, 120, 180], 3, params=params, sd=0.04 * at.mean(), price_ratio=0.1, n=200
    )
    assert panel.expected.table.iloc[0, 1:].tolist() == pytest.approx(wanted.table.iloc[0, 1:].tolist())
    assert wanted.summary().splitlines()[1] in unescape(panel._expected.value)
    width = plain(wanted.table["median_width_lb_ac"].iloc[0])
    assert f"optimum is about {width} lb/ac wide" in panel._expected.value
    assert "<img" in panel._expected.value
    panel._look.value = "Keep"
    assert "expected.csv" in panel._links.value
    assert "expected_interval(" in panel._detail.value
    panel.controls["blocks"].value = 5
    assert panel._expected.value == ""
    assert panel.expected is None


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"rates": "usual, double"}, "named treatments"),
        ({"design": "ladder"}, "choose the design"),
        ({"rates": "0, 100"}, "three or more rates"),
        ({"best_yield": 100.0}, "best yield must be above the yield without"),
    ],
)
@pytest.mark.usefixtures("undrawn")
def test_a_plan_without_an_interval_is_said_and_stays_as_it_is(settings, says):
    panel = PlanPanel(**settings)
    panel.work_out.click()
    assert says in unescape(panel._banner.value)
    assert panel._expected.value == ""
    assert panel.result is not None


@pytest.mark.usefixtures("undrawn")
def test_the_unit_of_rates_names_that_of_yields():
    panel = PlanPanel()
    assert "[bu/ac]" in panel.controls["best_yield"].description
    panel.controls["unit"].value = "kg/ha"
    assert "[kg/ha]" in panel.controls["yield_without"].description
    assert panel.controls["best_yield"].max > 10_000


@pytest.mark.usefixtures("undrawn")
def test_a_remedy_is_told_without_code():
    panel = PlanPanel()
    panel.controls["design"].value = "pairs"
    assert "choose randomised blocks" in unescape(panel._banner.value)
    assert "=" not in unescape(panel._banner.value).split("<p>")[1]


@pytest.mark.usefixtures("undrawn")
def test_the_note_on_placeholder_noise_goes_when_noise_is_typed():
    panel = PlanPanel()
    assert "placeholder" in " ".join(panel.cautions())
    panel.controls["cv_pct"].value = 2.0
    assert "placeholder" not in " ".join(panel.cautions())


@pytest.mark.usefixtures("undrawn")
def test_what_was_supposed_in_other_units_is_asked_for_again():
    panel = PlanPanel()
    panel.controls["unit"].value = "kg/ha"
    panel.work_out.click()
    assert "enter the yields, the rate and the price ratio" in panel._banner.value
    assert panel.expected is None


WHOLE = {
    "two factors": ({"second": 2, "second_on": "whole strips"}, "Two factors, or zones", ["strips.csv"]),
    "sites": ({"width": 10.0, "site_sd": 3.0}, "How many sites and years?", ["strips.csv"]),
    "in the field": ({"line": "-93.10,42.00 -93.10,42.01"}, "Where do the strips go?",
                     ["strips.csv", "strips.geojson", "lines.geojson"]),
}  # fmt: skip


@pytest.mark.parametrize("name", WHOLE)
def test_the_whole_trial_is_laid_out_as_the_command_does(name):
    settings, part, files = WHOLE[name]
    panel = PlanPanel(rates="0, 60, 120", blocks=4, seed=7, **settings)
    panel.lay_out()
    assert panel.error is None, panel.error
    assert part in unescape(panel._layout.value)
    assert list(panel.layout.files) == files
    same = answer_layout([0.0, 60.0, 120.0], seed=7, blocks=4, cv_pct=3.0, **MACHINES)
    assert panel.layout.plan.table.equals(same.plan.table)
    panel.controls["blocks"].value = 5
    assert panel.layout is None
    assert panel._layout.value == ""


def test_the_whole_trial_repeats_nothing_that_stands_above_it():
    panel = PlanPanel(rates="0, 60, 120", blocks=4, seed=7)
    panel.lay_out()
    assert panel._layout.value.count("<img") == 1  # of the power; the strips lie as drawn above
    assert "unharvested" in panel._cautions.value
    assert "unharvested" not in panel._layout.value
    panel.set(difference_pct=4.0)
    panel.lay_out()
    assert panel.layout.plan.blocks > 4
    assert panel._layout.value.count("<img") == 2


def test_an_outline_is_read_and_a_line_that_is_none_refused():
    panel = PlanPanel(line="north")
    panel.lay_out()
    assert "is no A-B line; write it as" in panel._banner.value
    panel.take_outline("field.geojson", b"not a map")
    assert "not a geojson object" in panel._banner.value.lower()
    corners = [[-93.10, 42.0], [-93.09, 42.0], [-93.09, 42.01], [-93.10, 42.01], [-93.10, 42.0]]
    panel.take_outline("field.geojson", json.dumps({"type": "Polygon", "coordinates": [corners]}).encode())
    panel.set(line="")
    panel.lay_out()
    assert "lines.geojson" in panel.layout.files
