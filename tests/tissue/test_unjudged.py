"""What no range judges is named, asked about and never taken for enough; what cannot tell is not counted."""

import pytest

from fertkit.errors import LookupFailed
from fertkit.tissue import explain, score_tissue

SOY = {"crop": "soybean", "growth_stage": "R2", "plant_part": "Uppermost mature trifoliate"}
YELLOW = {"N": 4.4, "P": 0.30, "K": 1.22, "Mn": 12.0, "Zn": 60.0}


def test_nutrients_without_a_range_are_named_with_what_to_state(tidy):
    """KSU_SOY prints ranges for a trifoliate without petiole, for Mn 20 mg/kg; SMALL1973 leaves it open."""
    scores = score_tissue(tidy({"North": YELLOW, "South": YELLOW}, **SOY))
    rows = scores.unjudged[scores.unjudged["sample_id"] == "North"].set_index("nutrient")
    assert set(rows.index) == {"Mn", "Zn"}
    assert set(rows["differs_in"]) == {"petiole"}
    assert rows.loc["Mn", ["near_lowest", "near_highest"]].tolist() == [20, 20]
    assert (rows.loc["Mn", "near_short"] != "", rows.loc["Zn", "near_short"]) == (True, "")
    assert "Mn" not in set(scores.shortfalls["nutrient"])
    for text in (scores.summary(), explain(scores).summary()):
        told = next(line for line in text.splitlines() if line.lower().startswith("not judged: mn, zn"))
        assert "North, South" in told
        assert '--part "upper trifoliate without petiole"' in told
        asked = next(line for line in text.splitlines() if line.lower().startswith("question: "))
        assert "in 2 samples? " in asked
        assert "Mn in 2 (12 mg/kg; limit 20, KSU_SOY)" in asked
        assert "Zn" not in asked


def test_a_stated_petiole_leaves_nothing_to_ask(tidy):
    scores = score_tissue(tidy({"North": YELLOW}, **SOY | {"plant_part": "trifoliate without petiole"}))
    assert scores.unjudged.empty
    assert scores.shortfalls.iloc[0]["nutrient"] in ("Mn", "K")


def test_a_sample_of_a_stage_without_ranges_is_asked_about(tidy):
    """KSU_WHEAT prints 0.20 % Mg for the flag leaf from boot to heading; nothing for it at Feekes 6."""
    where = {"crop": "wheat", "growth_stage": "Feekes 6", "plant_part": "flag leaf"}
    scores = score_tissue(tidy({"East": {"Mg": 0.1, "K": 2.5}}, **where))
    row = scores.unjudged.set_index("nutrient").loc["Mg"]
    assert (row["differs_in"], row["near_short"]) == ("stage", "KSU_WHEAT")
    assert scores.shortfalls.empty


def test_a_source_that_cannot_tell_is_not_counted_as_agreeing(tidy):
    """Zn limits of corn ear leaves: 15 (KSU_CORN), 20 (TRISTATE_E2567), 20 mg/kg (SCSB394_UDEL)."""
    frame = tidy({"South": {"N": 2.2, "Zn": 20.0}})
    frame.loc[frame["nutrient"] == "Zn", "censored"] = "<"
    scores = score_tissue(frame, source=["TRISTATE_E2567", "SCSB394_UDEL", "KSU_CORN"])
    row = scores.shortfalls.set_index("nutrient").loc["Zn"]
    assert (row["sources"], row["short"], row["untold"], row["untold_sources"]) == (2, 2, 1, "KSU_CORN")
    assert (row["lowest_limit"], row["highest_limit"]) == (20, 20)
    assert row["verdict"] == "short by every source that can tell"
    line = next(line for line in scores.summary(most=20).splitlines() if ": Zn" in line)
    assert "short by 2 of 3 sources (TRISTATE_E2567; SCSB394_UDEL), 1 cannot tell (KSU_CORN)" in line
    assert explain(scores).table.set_index("nutrient").loc["Zn", "confidence"] != "likely"


def test_one_unknown_part_or_stage_stops_no_other_sample(tidy):
    frame = tidy({"North": {"N": 2.2}, "South": {"N": 2.2}, "East": {"N": 2.2}})
    frame.loc[frame["sample_id"] == "South", "plant_part"] = "bud"
    frame.loc[frame["sample_id"] == "East", "growth_stage"] = "Blüte"
    scores = score_tissue(frame)
    assert scores.shortfalls["sample_id"].tolist() == ["North"]
    first, *rest = scores.summary().splitlines()
    assert first.startswith("1 of 3 samples scored")
    assert rest[0].startswith("Not scored: 1 corn sample (South, row 3): unknown plant part of corn 'bud'")
    assert rest[1].startswith("Not scored: 1 corn sample (East, row 4): unknown growth stage of corn")
    with pytest.raises(LookupFailed, match="South, row 3: unknown plant part"):
        score_tissue(frame, strict=True)


def test_parts_offered_hold_those_of_the_ranges(tidy):
    with pytest.raises(LookupFailed, match="upper trifoliate without petiole"):
        score_tissue(tidy({"North": {"N": 4.0}}, **SOY | {"plant_part": "bud"}))
