"""The needs panel shows the library's budget and season for what is asked."""

import pytest

from fertkit.budget import nutrient_budget, season_demand
from fertkit.panels.needs import FarmPanel, NeedsPanel
from fertkit.reference import load_table

pytestmark = pytest.mark.usefixtures("undrawn")


def test_shows_the_budget_of_the_library():
    panel = NeedsPanel(crop="corn", yield_goal=210)
    rows = nutrient_budget("corn", 210).defaults.set_index("nutrient")
    assert panel.result.defaults.set_index("nutrient").equals(rows)
    for name in ("N", "P2O5", "K2O"):
        assert f"{rows.loc[name, 'uptake']:.0f} {name}" in panel.message()


def test_shows_the_season_of_the_library():
    panel = NeedsPanel()
    panel.controls["question"].value = "season"
    peaks = season_demand("soybean", 60).peaks
    assert panel.result.peaks.equals(peaks)
    assert panel.controls["baled_pct"].layout.display == "none"


def test_a_crop_without_published_points_says_so():
    panel = NeedsPanel(question="season")
    panel.set(crop="sorghum")
    assert "sorghum" in panel._banner.value
    assert panel.result is None
    panel.controls["question"].value = "amounts"
    assert panel.error is None


def test_a_profile_file_decides_in_the_panel(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('without = ["BENDER2015"]\n', encoding="utf-8")
    panel = NeedsPanel(profile=path)
    shown = nutrient_budget("soybean", 60, without="BENDER2015").defaults
    assert panel.result.defaults.equals(shown)
    assert "without=['BENDER2015']" in panel.code()


def test_a_crop_of_the_users_own_tables_is_offered_in_the_panel(tmp_path):
    """Invented: 38.5 kg N a tonne, 2 t/ha."""
    head = "crop,harvested_part,nutrient,value,unit\n"
    (tmp_path / "lentil.csv").write_text(head + "lentil,grain,N,38.5,kg/Mg\n")
    (tmp_path / "mine.toml").write_text('own = "lentil.csv"\n')
    panel = NeedsPanel(profile=tmp_path / "mine.toml")
    panel.set(crop="lentil", yield_unit="t/ha", yield_goal=2.0, unit="kg/ha")
    assert panel.result.defaults.set_index("nutrient").loc["N", "removed"] == pytest.approx(77)
    assert f"own=['{tmp_path / 'lentil.csv'}']" in panel.code()


def test_baling_takes_more_away():
    panel = NeedsPanel(crop="corn", yield_goal=200)
    kept = panel.result.defaults.set_index("nutrient").loc["K2O", "removed"]
    panel.controls["baled_pct"].value = 50
    assert panel.result.defaults.set_index("nutrient").loc["K2O", "removed"] > kept


@pytest.mark.parametrize(
    ("crop", "goal", "kg_ha"),
    [  # 60 lb and 56 lb a bushel of 0.45359237 kg, 2.4710538 acres a hectare
        ("soybean", 60, 60 * 60 * 0.45359237 * 2.4710538),
        ("corn", 200, 200 * 56 * 0.45359237 * 2.4710538),
    ],
)
def test_a_goal_is_restated_in_another_unit_and_back(crop, goal, kg_ha):
    panel = NeedsPanel(crop=crop, yield_goal=goal)
    unit, box = panel.controls["yield_unit"], panel.controls["yield_goal"]
    before = panel.result.defaults["removed"].to_numpy()
    unit.value = "t/ha"
    assert box.value == pytest.approx(kg_ha / 1000, rel=1e-3)
    assert box.max < 100
    assert panel.result.defaults["removed"].to_numpy() == pytest.approx(before, rel=1e-3, nan_ok=True)
    unit.value = "kg/ha"
    assert box.value == pytest.approx(kg_ha, rel=1e-3)
    unit.value = "bu/ac"
    assert box.value == goal


def test_a_goal_typed_after_a_unit_is_in_that_unit():
    panel = NeedsPanel()
    panel.controls["yield_unit"].value = "t/ha"
    panel.controls["yield_goal"].value = 5
    assert "Soybean at 5 t/ha" in panel.message()
    panel.controls["yield_unit"].value = "kg/ha"
    assert panel.controls["yield_goal"].value == 5000


def test_a_number_of_bushels_is_no_number_of_tonnes():
    panel = NeedsPanel()
    panel.controls["yield_unit"].value = "t/ha"
    panel.controls["yield_goal"].value = 60
    assert "not 60. Type another" in panel._banner.value
    assert panel.result is None


def test_a_goal_that_another_crop_cannot_have_is_asked_for_anew():
    panel = NeedsPanel(crop="corn", yield_goal=300)
    panel.controls["crop"].value = "soybean"
    assert panel.controls["yield_goal"].value == 0
    assert "enter the yield goal of soybean in bu/ac" in panel._banner.value
    panel.controls["yield_goal"].value = 70
    assert panel.error is None
    panel.controls["crop"].value = "alfalfa"  # not traded by the bushel
    assert panel.controls["yield_unit"].value == "ton/ac"
    assert panel.controls["yield_goal"].value == 0
    assert "enter the yield goal of alfalfa in ton/ac" in panel._banner.value


def test_settings_given_together_stand_as_given():
    panel = NeedsPanel()
    panel.set(yield_unit="t/ha", yield_goal=9.5, crop="corn")
    assert "Corn at 9.5 t/ha" in panel.message()
    kept = panel.settings_json()
    panel.start_over()
    assert "Soybean at 60 bu/ac" in panel.message()
    panel.load_settings(kept)
    assert "Corn at 9.5 t/ha" in panel.message()


def test_every_crop_answers_or_asks_for_its_goal():
    panel = NeedsPanel()
    for crop in sorted(load_table("removal")["crop"].unique()):
        panel.set(crop=crop)
        assert panel.error is None or "enter the yield goal" in str(panel.error)
        panel.set(yield_unit="kg/ha", yield_goal=3000)
        assert panel.error is None


def test_a_table_of_fields_handed_over_is_used_again_and_a_broken_one_leaves_it(demo):
    panel = FarmPanel(demo("fields.csv"))
    panel.take_file("mine.csv", b"Field,Crop,Area (ac),Yield goal (bu/ac)\nA,soybean,40,60\n")
    pounds = panel.result.budget.totals["removed"].tolist()
    panel.set(unit="kg/ha")
    assert panel.error is None
    kilograms = [0.45359237 * one for one in pounds]  # the international pound, by definition
    assert panel.result.budget.totals["removed"].tolist() == pytest.approx(kilograms)
    panel.take_file("broken.csv", b"Field,Crop,Area (ac),Yield goal (bu/ac)\nA,soybean,-40,60\n")
    assert "broken.csv cannot be used: 1 problem to fix" in panel._banner.value
    assert "Figures shown are from the previous file, mine.csv." in panel._banner.value
    assert panel.file == "mine.csv"
    assert panel.result.budget.totals["removed"].tolist() == pytest.approx(kilograms)
