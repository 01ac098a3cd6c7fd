"""The needs panel shows the library's budget and season for what is asked."""

import pytest

from fertkit.budget import nutrient_budget, season_demand
from fertkit.panels.needs import NeedsPanel


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
    panel.set(crop="wheat")
    assert "wheat" in panel._banner.value
    assert panel.result is None
    panel.controls["question"].value = "amounts"
    assert panel.error is None


def test_baling_takes_more_away():
    panel = NeedsPanel(crop="corn", yield_goal=200)
    kept = panel.result.defaults.set_index("nutrient").loc["K2O", "removed"]
    panel.controls["baled_pct"].value = 50
    assert panel.result.defaults.set_index("nutrient").loc["K2O", "removed"] > kept


@pytest.mark.parametrize("crop", ["barley", "cotton", "alfalfa"])
def test_every_crop_answers_or_says_why_not(crop):
    panel = NeedsPanel()
    panel.set(crop=crop)
    assert (panel.error is None) == (panel.result is not None)
    assert "unforeseen" not in panel._banner.value
