"""The strip panel shows what the library works out from the strips."""

from html import unescape
from pathlib import Path

import pytest

from fertkit.intake import read_strips
from fertkit.panels.trials import StripsPanel
from fertkit.trials import analyse_strips

pytestmark = pytest.mark.usefixtures("undrawn")


@pytest.fixture
def panel(demo):
    return StripsPanel(demo("workshop_strips.csv"), crop="corn")


def test_shows_the_means_of_the_library(panel, demo):
    strips = read_strips(demo("workshop_strips.csv"), crop="corn").table
    one = strips[strips["trial"] == "Ferry Flat S"]
    assert panel.result.means.equals(analyse_strips(one).means)
    assert "Treatments differ" in panel.message()


def test_the_other_trial_of_the_file_can_be_chosen(panel):
    panel.controls["trial"].value = "Bramble Rise S"
    assert "do not differ significantly" in panel.message()


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
    assert "Means of yield [bu/ac]: " in panel.message()


NO_CROP = b"Rate (lb/ac),Yield (bu/ac),Moisture (%)\n0,50,13\n0,52,13\n80,56,13\n80,57,13\n"


def test_an_uploaded_file_that_does_not_tell_its_crop_is_not_taken_as_that_of_the_one_before(
    panel, handed_over
):
    panel.upload.value = handed_over("beans.csv", NO_CROP)
    assert "beans.csv cannot be read without one more choice" in panel._banner.value
    assert "'Crop'" in unescape(panel._banner.value)
    assert "=" not in panel._banner.value.split("<p>")[1]
    assert panel.result is None
    panel.controls["crop"].value = "soybean"
    assert panel.error is None
    assert "Means of yield [bu/ac]: " in panel.message()
    assert "Showing beans.csv, crop taken as soybean." in panel._file_line.value


def test_a_file_that_is_broken_whatever_its_crop_leaves_the_one_before(panel, handed_over):
    before = panel.message()
    panel.upload.value = handed_over("bad.csv", NO_CROP.replace(b"56", b"abc"))
    assert "bad.csv cannot be used" in panel._banner.value
    assert panel.controls["crop"].value == "corn"
    panel.controls["level"].value = 0.9
    panel.controls["level"].value = 0.95
    assert panel.message() == before


def test_small_yields_are_not_rounded_away(panel, handed_over):
    metric = b"Block;K2O (kg/ha);Yield (t/ha)\n1;0;3,13\n1;40;3,56\n2;0;3,21\n2;40;3,66\n"
    panel.upload.value = handed_over("metric.csv", metric)
    # means of 3.13 and 3.21, and of 3.56 and 3.66
    assert "Means of yield [t/ha]: 3.17 at 0 kg/ha to 3.61 at 40 kg/ha" in panel.message()


def test_two_rates_and_no_blocks_still_answer(panel, handed_over):
    small = b"Rate (lb/ac),Yield (bu/ac)\n0,50\n0,52\n80,56\n80,57\n"
    panel.upload.value = handed_over("small.csv", small)
    assert panel.error is None
    assert "56.5 at 80" in panel.message()


def test_treatments_without_rates_are_named():
    path = Path(__file__).parents[1] / "cases" / "strips" / "treatment_names.csv"
    told = StripsPanel(read_strips(path, crop="corn")).message()
    assert "121 at Check to 190 at 1.5x" in told
    assert "Treatments differ" in told


def test_a_strip_in_doubt_is_named_before_any_mean(handed_over):
    rows = [(b, r, 9 + 0.02 * r + 0.05 * ((b + r) % 3)) for b in (1, 2, 3, 4) for r in (0, 40, 80, 120)]
    rows[5] = (*rows[5][:2], 4.0)  # 9.8 or so is expected
    text = "Block,N rate (kg/ha),Yield (t/ha)\n" + "\n".join(f"{b},{r},{y}" for b, r, y in rows)
    panel = StripsPanel()
    panel.upload.value = handed_over("strips.csv", text.encode())
    assert panel.error is None
    assert panel.message().startswith("Check this first: block 2, row 7 at 40 kg/ha (4 where ")
