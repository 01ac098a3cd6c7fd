"""The leaf panel shows what the library scores, sample by sample and source by source."""

import pytest

from fertkit.intake import read_tissue
from fertkit.panels.leaf import LeafPanel
from fertkit.tissue import explain, score_tissue

pytestmark = pytest.mark.usefixtures("undrawn")


@pytest.fixture
def panel(demo):
    return LeafPanel(demo("leaf_tests.csv"))


def test_shows_every_shortfall_the_library_finds(panel, demo):
    short = score_tissue(read_tissue(demo("leaf_tests.csv"))).shortfalls
    pair, verdict = panel.message().splitlines()
    assert pair.startswith("Heron Quarter: K 1.31 % in the poor area, 2.16 in the good")
    assert all(f"{r.nutrient} in {r.label}" in verdict for r in short.itertuples())
    assert panel.result.shortfalls.equals(short)


def test_tells_of_one_sample_alone(panel):
    panel.set(sample="Heron Quarter poor")
    assert "Verdict: Short, act now: K in Heron Quarter poor." in panel.message()
    assert "K 1.31 %" in panel.message()
    panel.set(sample="Heron Quarter good")
    assert "Verdict: Nothing needs action: nothing is short" in panel.message()


def test_nothing_judged_is_no_all_clear(handed_over):
    panel = LeafPanel()
    panel.upload.value = handed_over("bare.csv", b"Sample,Crop,N (%),P (%),K (%)\nA,soybean,4.4,0.4,1.2\n")
    assert panel.message().startswith("Nothing could be judged")


def test_what_is_known_of_a_field_is_not_taken_over_to_another_file(handed_over):
    panel = LeafPanel(soil="K=low", symptoms="old leaves")
    assert panel.facts
    panel.upload.value = handed_over(
        "own.csv", b"Sample,Crop,Stage,Part,K (%)\nA,soybean,R2,trifoliate,1.2\n"
    )
    assert panel.facts == {}
    panel.set(soil="K=low")
    panel.upload.value = handed_over("bad.csv", b"nothing,here\n")
    assert panel.facts == {"soil_K": ("low",)}  # the file before stays, and what is known of it


def test_a_value_within_a_critical_range_is_not_called_short(handed_over):
    # soybean K at R2, critical concentrations: 1.56 to 1.99 (Stammer 2018), 1.76 to 2.00 % (Clover 2013)
    panel = LeafPanel()
    rows = b"Sample,Crop,Stage,Plant part,N (%),P (%),K (%)\nA,soybean,R2,upper trifoliate leaf,5,0.5,1.80\n"
    panel.upload.value = handed_over("edge.csv", rows)
    assert panel.message().startswith("Verdict: Nothing needs action: nothing is short by any source")
    assert "Marginal, no action on these alone: K in A" in panel.message()


def test_one_source_alone_is_scored_alone(panel):
    panel.set(source="STAMMER2018")
    assert set(panel.result.scored["source_key"]) <= {"STAMMER2018", ""}


def test_offers_only_what_the_file_holds(panel):
    assert [value for _, value in panel.controls["sample"].options][1:] == [
        "Heron Quarter poor", "Heron Quarter good", "Otter Bottom", "Mill Bend", "Long Lane",
    ]  # fmt: skip


def test_the_hard_file_says_the_same(panel, demo, handed_over):
    before = panel.message()
    panel.upload.value = handed_over("messy.csv", demo("leaf_tests_messy.csv").read_bytes())
    assert panel.error is None
    # but for what the messy file itself leaves open: a blank cell, a value not detected, one below a limit
    assert panel.message().split(" Not in")[0] == before.split(" Not in")[0]
    for gap in ("Zn in Mill Bend", "B in Long Lane", "no result for Cu in Otter Bottom"):
        assert gap in panel.message()


def test_the_noise_given_takes_the_place_of_the_placeholders(panel):
    panel.set(cv_pct=4.0)
    assert set(panel.result.cvs["cv_pct"]) == {4.0}


def test_field_facts_reach_the_causes_and_the_code(panel):
    """Wet soil: a cause with rooting and water behind it is named by the words of the field."""
    panel.set(sample="Heron Quarter poor", texture="sand", roots="restricted", soil="K=enough")
    known = explain(panel.result, sample="Heron Quarter poor", facts=panel.facts)
    assert panel.facts == {"texture": ("sand",), "roots": ("restricted",), "soil_K": ("enough",)}
    assert panel.words() == known.lines()
    assert "'roots': ('restricted',)" in panel.code()
    panel.set(ph="acid")
    assert "ph" in panel._banner.value.lower()


def test_the_sheet_of_a_field_can_be_saved(panel):
    names = ["heron-quarter", "otter-bottom", "mill-bend", "long-lane"]
    assert all(f'download="{name}.html"' in link for name, link in zip(names, panel.sheets(), strict=True))
    panel.set(sample="Mill Bend")
    panel._look.value = "Keep"
    assert "mill-bend" not in panel._links.value  # a sheet takes its time: it is made when asked for
    panel._for_growers.click()
    assert panel._links.value.count("mill-bend.html") == 1
    panel.set(sample="Long Lane")
    assert "mill-bend" not in panel._links.value


def test_a_file_without_crop_can_be_told_it(demo, handed_over):
    panel = LeafPanel()
    bare = b"Sample,N (%),P (%),K (%)\nA,2.4,0.3,2.1\n"
    panel.upload.value = handed_over("bare.csv", bare)
    panel.set(crop="corn", stage="R1", part="ear leaf")
    assert panel.error is None
    assert panel.message().startswith("Verdict: Short: N in A.")


def test_says_oxides_are_not_tissue(panel, handed_over):
    panel.upload.value = handed_over(
        "soil.csv", b"Sample,Crop,Stage,Plant part,P2O5 (%)\nA,corn,R1,ear leaf,1\n"
    )
    assert "soil.csv cannot be used" in panel._banner.value
    assert panel.result is not None


def test_one_sample_that_cannot_be_judged_is_told_without_code(handed_over):
    panel = LeafPanel()
    panel.upload.value = handed_over("bare.csv", b"Sample,Crop,K %\nA,soybean,1.2\n")
    told = "\n".join([panel.message(), *(line.text for line in panel.words()), *panel.cautions()])
    assert told.startswith("Nothing could be judged: 1 soybean sample")
    assert "the growth stage and plant part" in told
    assert "--" not in told
    assert "stage=" not in told
