"""What stands below a panel follows it, and a choice changed and changed back loses nothing."""

import pytest

from fertkit import analyse_response
from fertkit.errors import FertkitError
from fertkit.panels import LeafPanel, NeedsPanel, OptimumPanel, PlanPanel
from fertkit.panels.plan import parse_treatments
from fertkit.results import plain

pytestmark = pytest.mark.usefixtures("undrawn")
LEAF = b"Sample,Crop,Stage,Plant part,K (%)\nA,corn,R1,ear leaf,1.2\nB,corn,R1,ear leaf,2.2\n"
METRIC = b"Block,K2O (kg/ha),Yield (t/ha)\n" + b"".join(
    f"{b},{r},{3 + 0.01 * min(r, 80) + b / 20}\n".encode() for b in (1, 2, 3) for r in (0, 40, 80, 120)
)


@pytest.fixture
def optimum(demo):
    return OptimumPanel(demo("soybean_k_strips.csv"), crop="soybean", nutrient_price=0.45, grain_price=11.0)


def test_what_stands_below_follows_a_price(optimum):
    place = optimum.below(lambda trial: f"the best rate is {plain(trial.optimum.rate)}")
    assert plain(optimum.result.optimum.rate) in place.value
    optimum.controls["nutrient_price"].value = 1.35
    moved = analyse_response(optimum.strips, prices=optimum.result.prices).optimum.rate
    assert f"the best rate is {plain(moved)}" in place.value


def test_what_stands_below_follows_the_blocks():
    panel = PlanPanel(rates="0, 50, 100", blocks=4)
    place = panel.below(lambda plan: plan.table)
    panel.controls["blocks"].value = 6
    assert len(panel.result.table) == 6 * 3 + 2  # and a border at each side
    assert place.value.count("<tr>") == len(panel.result.table)


def test_what_stands_below_says_why_there_is_nothing(optimum):
    place = optimum.below(lambda trial: trial)
    optimum.controls["grain_price"].value = 0.0
    assert "price per bu of soybean" in place.value
    optimum.controls["grain_price"].value = 11.0
    assert "price per bu of soybean" not in place.value


def test_a_text_of_a_view_is_escaped(optimum):
    assert "<b>" not in optimum.below(lambda trial: "<b>").value


def test_prices_of_another_unit_come_back_with_it(optimum, demo):
    optimum.take_file("metric.csv", METRIC)
    assert optimum.controls["nutrient_price"].value == 0
    optimum.set(crop="soybean")
    optimum.set(nutrient_price=1.1, grain_price=400.0)
    optimum.take_file("again.csv", demo("soybean_k_strips.csv").read_bytes())
    optimum.set(crop="soybean")
    assert [optimum.controls[k].value for k in ("nutrient_price", "grain_price")] == [0.45, 11.0]


def test_a_nutrient_may_cost_nothing(optimum):
    """At a price of 0 the optimum is where the curve ends to rise, so at or above that of any price."""
    paid = optimum.result.optimum.rate
    optimum.set(nutrient_price=0.0, free=True)
    assert optimum.error is None
    assert optimum.result.optimum.rate >= paid
    optimum.set(free=False)
    assert "price per lb of K2O" in optimum.error.args[0]


def test_the_goal_of_a_crop_comes_back_with_it():
    panel = NeedsPanel(crop="soybean", yield_goal=63)
    panel.controls["crop"].value = "corn"
    panel.controls["yield_goal"].value = 205
    panel.controls["crop"].value = "soybean"
    assert panel.controls["yield_goal"].value == 63
    panel.controls["crop"].value = "corn"
    assert panel.controls["yield_goal"].value == 205
    assert panel.error is None


def test_widths_are_converted_and_suppositions_come_back():
    panel = PlanPanel(rates="0, 50, 100")
    kept = "header_width", "applicator_width", "strip_length", "yield_without", "price_ratio"
    before = {k: panel.controls[k].value for k in kept}
    panel.controls["width_unit"].value = "m"  # a foot is 0.3048 m (NIST SP 811): 9.144, 18.288 and 365.76 m
    widths = "header_width", "applicator_width", "strip_length"
    assert [panel.controls[k].value for k in widths] == [9.144, 18.288, 365.76]
    panel.controls["unit"].value = "kg/ha"
    assert panel.controls["yield_without"].value == 0
    panel.controls["unit"].value = "lb/ac"
    panel.controls["width_unit"].value = "ft"
    assert {k: panel.controls[k].value for k in before} == before
    assert PlanPanel(rates="0, 50", width_unit="m", header_width=9.0).settings.header_width == 9


def test_rates_are_read_as_files_are():
    assert parse_treatments("0; 22,5; 45") == [0, 22.5, 45]
    assert parse_treatments("0, 22.5, 45") == [0, 22.5, 45]
    assert parse_treatments("check; starter, 2x2") == ["check", "starter, 2x2"]
    with pytest.raises(FertkitError, match=r"may be 1\.500 or 1500"):
        parse_treatments("0; 1,500")


def test_what_the_file_tells_is_not_announced_as_taken():
    panel = LeafPanel()
    panel.take_file("leaf.csv", LEAF)
    panel.set(stage="V6")
    assert "taken as" not in panel._file_line.value
    assert "The file states the stage" in panel._file_line.value
    panel.take_file("bare.csv", LEAF.replace(b"Stage", b"Note"))
    panel.set(stage="R1")
    assert "stage taken as R1" in panel._file_line.value


def test_settings_kept_by_the_page_wait_for_their_file():
    panel = LeafPanel()
    panel.take_file("leaf.csv", LEAF)
    panel.set(cv_pct=7)
    kept, anew = panel.settings_json(), LeafPanel()
    anew.take_back(kept)
    assert "open leaf.csv again" in anew._banner.value
    anew.take_file("leaf.csv", LEAF)
    assert anew.settings.cv_pct == 7
