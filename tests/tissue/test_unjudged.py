"""What no range judges is named, asked about and never taken for enough; what cannot tell is not counted."""

import pytest

from fertkit.errors import LookupFailed
from fertkit.tissue import explain, score_tissue

SOY = {"crop": "soybean", "growth_stage": "R2", "plant_part": "Uppermost mature trifoliate"}
YELLOW = {"N": 4.4, "P": 0.30, "K": 1.22, "Mn": 12.0, "Zn": 60.0}


def test_an_open_petiole_is_taken_as_the_table_asks_and_asked_about_where_it_decides(tidy):
    """KSU_SOY prints ranges for a trifoliate without petiole, for Mn 20 mg/kg; SMALL1973 leaves it open."""
    scores = score_tissue(tidy({"North": YELLOW, "South": YELLOW}, **SOY))
    assert scores.unjudged.empty
    explained = explain(scores)
    north = explained.verdicts[explained.verdicts["sample_id"] == "North"].set_index("nutrient")
    assert north["status"][["Mn", "Zn"]].tolist() == ["short", "high"]  # Zn 60 above 50 mg/kg
    assert "petioles are assumed as the table asks" in north["remark"]["Mn"]
    assert north["remark"]["K"] == ""  # three tables that do not state the petiole decide
    for text in (scores.summary(), explained.summary()):
        assert "Not judged" not in text
        asked = [line for line in text.splitlines() if line.startswith("Question: ")]
        assert asked == [
            "Question: Were petioles left on? The verdict for Mn in 2 samples depends on it: short only for "
            "leaves without petiole"
        ]  # fmt: skip
    assert explained.questions[["sample_id", "nutrient", "about", "settles"]].to_numpy().tolist() == [
        ["North", "Mn", "petiole", "without"], ["South", "Mn", "petiole", "without"],
    ]  # fmt: skip


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
    assert row["verdict"] == "below every range that can be checked"
    line = next(line for line in scores.summary(most=20).splitlines() if ": Zn" in line)
    assert "below 2 of 3 published limits (20 mg/kg), 1 cannot tell" in line
    item = explain(scores).table.set_index("nutrient").loc["Zn"]
    # two call it short, one cannot tell: (1 + 1 + 0.5) / 3 = 0.83 of being short
    assert (item["confidence"], item["chance"]) == ("short", pytest.approx(2.5 / 3))


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
