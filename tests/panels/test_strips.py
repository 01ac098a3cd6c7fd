"""The strip panel shows what the library works out from the strips."""

import pytest

from fertkit.intake import read_strips
from fertkit.panels.strips import StripsPanel
from fertkit.trials import analyse_strips


@pytest.fixture
def panel(demo):
    return StripsPanel(demo("workshop_strips.csv"), crop="corn")


def test_shows_the_means_of_the_library(panel, demo):
    strips = read_strips(demo("workshop_strips.csv"), crop="corn").table
    one = strips[strips["trial"] == "Ferry Flat S"]
    assert panel.result.means.equals(analyse_strips(one).means)
    assert "The rates differ" in panel.message()


def test_the_other_trial_of_the_file_can_be_chosen(panel):
    panel.controls["trial"].value = "Bramble Rise S"
    assert "cannot be told apart" in panel.message()


def test_start_over_goes_back_to_the_first_trial(panel):
    panel.controls["trial"].value = "Bramble Rise S"
    panel.start_over()
    assert panel.settings.trial == "Ferry Flat S"


@pytest.mark.parametrize("model", ["fixed", "random", "neighbours"])
@pytest.mark.parametrize("trend", [False, True])
def test_every_choice_of_model_works(panel, model, trend):
    panel.set(model=model, trend=trend)
    assert panel.error is None
    assert panel.result.means.shape[0] == 5


def test_a_file_that_needs_its_crop_says_so_and_is_read_once_told(demo):
    panel = StripsPanel(demo("soybean_k_strips.csv"))
    assert "crop" in panel._banner.value
    panel.controls["crop"].value = "soybean"
    assert panel.error is None
    assert panel.message().startswith("Soybean: yields run from")


def test_two_rates_and_no_blocks_still_answer(panel, handed_over):
    small = b"Rate (lb/ac),Yield (bu/ac)\n0,50\n0,52\n80,56\n80,57\n"
    panel.upload.value = handed_over("small.csv", small)
    assert panel.error is None
    assert "56.5 bu/ac at 80 lb/ac" in panel.message()
