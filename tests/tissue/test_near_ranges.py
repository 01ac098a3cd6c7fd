"""Which invented ranges hold, which are near and what they would say: every answer is worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.tissue.agree import UNJUDGED_COLUMNS, unjudged_of
from fertkit.tissue.match import ASSUMED, CONDITION, _named, match_ranges, prepare_ranges

NAN = float("nan")
WITH, WITHOUT, SILENT, PLANT = (
    "upper trifoliate with petiole", "upper trifoliate without petiole", "upper trifoliate", "whole plant",
)  # fmt: skip


def ranges(*rows):
    """(nutrient, source, first and last stage, part, low) of each, and its crop."""
    names = ["nutrient", "source_key", "stage_from", "stage_to", "plant_part", "low"]
    frame = pd.DataFrame([row[:6] for row in rows], columns=names)
    blank = dict.fromkeys(("high", "critical", "critical_high", "toxic_above"), NAN)
    return frame.assign(
        crop=[row[6] if len(row) > 6 else "soybean" for row in rows], unit="%", lineage="", **blank
    )


def found(rows, *conditions, **options):
    asked = pd.DataFrame(conditions, columns=CONDITION)
    return match_ranges(asked, prepare_ranges(ranges(*rows)), **options)


def test_limits_come_in_home_units_and_a_ratio_has_an_upper_end():
    table = ranges(
        ("Zn", "A", "R1", "R3", PLANT, 0.002), ("K", "A", "VT", "R2", PLANT, 20_000.0, "maize"),
        ("N:S", "A", "R2", "R2", PLANT, NAN), ("N:S", "B", "R2", "R2", PLANT, 8.0),
        ("S", "A", "R2", "R2", PLANT, 0.2),
    ).set_axis([7, 3, 5, 1, 9])  # fmt: skip
    table.loc[3, "unit"] = "mg/kg"
    table.loc[[5, 1], "unit"] = "ratio"
    table.loc[5, ["critical", "critical_high"]] = [16.0, 18.0]
    table.loc[1, ["high", "critical"]] = [15.0, 17.0]
    table.loc[9, ["critical", "high"]] = [0.15, 0.4]
    before = table.copy()
    got = prepare_ranges(table)
    assert table.equals(before)
    assert got.index.tolist() == [0, 1, 2, 3, 4]
    assert got["crop"].tolist() == ["soybean", "corn", "soybean", "soybean", "soybean"]
    assert got["unit"].tolist() == ["mg/kg", "%", "ratio", "ratio", "%"]
    # 0.002 % is 20 mg/kg and 20 000 mg/kg is 2 %
    # too wide a ratio is short of its lower element, a narrow one is not judged
    np.testing.assert_allclose(got["low"], [20.0, 2.0, NAN, NAN, 0.2])
    np.testing.assert_allclose(got["high"], [NAN, NAN, 16.0, 15.0, 0.4])
    np.testing.assert_allclose(got["critical"], [NAN, NAN, NAN, NAN, 0.15])
    assert np.isnan(got["critical_high"]).all()
    assert (got["first"] < got["last"]).tolist() == [True, True, False, False, False]


def test_a_table_with_words_that_are_not_known_is_refused_row_by_row():
    rows = [
        ("K", "A", "R1", "R3", PLANT, 1.0), ("K", "A", "R1", "R3", PLANT, 1.0, "soybaen"),
        ("K", "A", "R3", "R1", PLANT, 1.0), ("K", "A", "R99", "R3", PLANT, 1.0),
        ("K", "A", "R1", "R99", "whole plnt", 1.0), ("K", "A", "R2", "R2", PLANT, 1.0),
    ]  # fmt: skip
    with pytest.raises(InputError) as refused:
        prepare_ranges(ranges(*rows), "mine.csv")
    told = [(problem.row, problem.column) for problem in refused.value.problems]
    # the first row of a file is line 2
    assert told == [(3, "crop"), (4, "stage_from"), (5, "stage_from"), (6, "plant_part"), (6, "stage_to")]
    assert "mine.csv" in str(refused.value)


def test_a_range_holds_for_its_crop_part_and_stages():
    rows = [
        ("K", "WIDE", "R1", "R5", WITHOUT, 1.0), ("K", "WIDE", "R2", "R3", WITHOUT, 2.0),
        ("K", "OTHER", "R1", "R2", WITHOUT, 3.0), ("N", "WIDE", "R1", "R5", SILENT, 4.0),
        ("S", "WIDE", "R1", "R5", WITH, 5.0), ("K", "CORN", "R1", "R5", PLANT, 6.0, "corn"),
    ]  # fmt: skip
    held = {
        ("R2", WITHOUT): {("K", "WIDE", 1), ("K", "OTHER", 2), ("N", "WIDE", 3)},
        ("R4", WITHOUT): {("K", "WIDE", 0), ("N", "WIDE", 3)},
        ("R5", WITH): {("N", "WIDE", 3), ("S", "WIDE", 4)},
        # where the petiole is left open, tables with and without it hold as they instruct
        ("R5", SILENT): {("N", "WIDE", 3), ("K", "WIDE", 0), ("S", "WIDE", 4)}, ("R6", SILENT): set(),
        ("R2", PLANT): set(),
        ("R2-R4", WITHOUT): {("K", "WIDE", 0), ("N", "WIDE", 3)},
    }  # fmt: skip
    for stated in ([key] for key in held), [list(held)]:
        for keys in stated:
            got = found(rows, *(("soybean", *key) for key in keys))
            for number, key in enumerate(keys):
                mine = got.found[got.found["condition"] == number]
                assert set(zip(mine["nutrient"], mine["source_key"], mine["range"], strict=True)) == held[key]
                assert (got.why[number] == "") == bool(held[key])
            assert got.found.index.tolist() == list(range(len(got.found)))
    got = found(rows, ("soybean", "R2", WITHOUT)).found.set_index("nutrient")["match"]
    assert got["N"] == "source does not state the petiole"
    assert set(got["K"]) == {"same part"}


NEAR = [
    ("K", "A", "R2", "R3", WITHOUT, 1.7), ("K", "B", "R4", "R4", SILENT, 1.5),
    ("N", "A", "R2", "R3", SILENT, 4.0), ("S", "A", "R5", "R6", SILENT, 0.2),
    ("P", "A", "R2", "R3", PLANT, 0.3), ("Mg", "A", "R5", "R6", PLANT, 0.2),
    ("Ca", "A", "R5", "R6", SILENT, 0.8), ("Ca", "B", "R2", "R3", PLANT, 0.5),
    ("B", "A", "R5", "R5", WITHOUT, 0.002), ("Cu", "A", "R2", "R2", WITHOUT, NAN),
]  # fmt: skip


def test_near_ranges_differ_in_one_thing():
    got = found(NEAR, ("soybean", "R2", SILENT))
    assert set(got.found["nutrient"]) == {"N", "Cu", "K"}
    assert got.found.set_index("nutrient")["match"].to_dict() == {
        "N": "same part", "Cu": ASSUMED, "K": ASSUMED,
    }  # fmt: skip
    close = got.close.set_index("nutrient")
    # the stage is asked first, then the part; two things at once are not asked; the petiole is assumed
    assert close["differs_in"].to_dict() == {"S": "stage", "P": "part", "Ca": "stage", "B": "stage"}
    assert close["limit"].to_dict() == {"S": 0.2, "P": 0.3, "Ca": 0.8, "B": 20.0}
    assert set(close["source_key"]) == {"A"}
    assert close["near_stage"].to_dict() == {
        "S": "R5 to R6", "P": "R2 to R3", "Ca": "R5 to R6", "B": "R5",
    }  # fmt: skip
    assert close["near_part"].to_dict() == {"S": SILENT, "P": PLANT, "Ca": SILENT, "B": WITHOUT}
    assert close[CONDITION].drop_duplicates().to_numpy().tolist() == [["soybean", "R2", SILENT]]
    assert got.near.empty  # a range holds
    stated = found(NEAR, ("soybean", "R2", WITH)).close.set_index("nutrient")
    assert stated.loc["K", ["differs_in", "near_part"]].tolist() == ["petiole", WITHOUT]


def test_where_none_holds_every_range_of_the_crop_is_offered_nearest_first():
    rows = [row for row in NEAR if row[0] not in ("N", "Cu", "B")]
    got = found(rows, ("soybean", "R2", WITH))
    offered = [tuple(row) for row in got.near.itertuples(index=False)]
    assert [row[3:] for row in offered] == [
        ("R2 to R3", WITHOUT, "K", "A", "petiole"), ("R4", SILENT, "K", "B", "stage"),
        ("R5 to R6", SILENT, "S Ca", "A", "stage"), ("R2 to R3", PLANT, "P", "A", "part"),
        ("R2 to R3", PLANT, "Ca", "B", "part"), ("R5 to R6", PLANT, "Mg", "A", "stage and part"),
    ]  # fmt: skip
    assert {row[:3] for row in offered} == {("soybean", "R2", WITH)}
    assert got.why[0].endswith(
        f"near ones: R2 to R3, {WITHOUT}; R4, {SILENT}; R5 to R6, {SILENT}; R2 to R3, {PLANT}; and 1 more"
    )
    stated = found(NEAR, ("soybean", "R2", WITH))  # the petiole is stated: nothing of it is asked
    assert stated.found["nutrient"].tolist() == ["N"]
    assert stated.near.empty
    assert found(NEAR, ("corn", "R2", PLANT)).why == ["no published range for corn"]


def test_at_most_four_near_ones_are_named():
    offered = [("soybean", "R2", PLANT, f"R{k}", PLANT, "K", "A", "stage") for k in range(1, 7)]
    named = [f"R{k}, {PLANT}" for k in range(1, 7)]
    assert _named(offered[:4] + offered[:2]) == "; ".join(named[:4])
    assert _named(offered[:5]) == "; ".join(named[:4]) + "; and 1 more"
    assert _named(offered) == "; ".join(named[:4]) + "; and 2 more"
    assert _named([]) == ""


def test_one_condition_that_cannot_be_read_stops_no_other():
    rows = [("K", "A", "R1", "R5", PLANT, 1.0)]
    good, odd = ("soybean", "R2", PLANT), ("soybean", "R77", PLANT)
    blank, half, bread = ("soybean", "", ""), ("soybean", "R2", ""), ("bread", "R2", PLANT)
    got = found(rows, odd, blank, good, bread, half)
    assert got.unknown == [0, 3]
    assert got.found[["condition", "range"]].to_numpy().tolist() == [[2, 0]]
    assert got.why[1] == "the growth stage and plant part of the sample are not stated"
    assert got.why[4] == "the plant part of the sample is not stated"
    assert got.why[2] == ""
    assert "R77" in got.why[0]
    assert got.why[3].startswith("unknown crop 'bread'")
    for conditions, strict, words in [
        ((odd, good), True, "R77"), ((bread, good), True, "bread"), ((odd,), False, "R77"),
        ((bread,), False, "bread"), ((odd, bread), False, "R77"),
    ]:  # fmt: skip
        with pytest.raises(LookupFailed, match=words):
            found(rows, *conditions, strict=strict)
    assert found(rows, good, strict=True).why == [""]
    assert found(rows, blank, strict=True).unknown == []  # not stated is not unknown
    assert len(found(rows, blank).found) == len(found(rows, blank).close) == 0
    asked = pd.DataFrame([odd, bread], columns=CONDITION).assign(who=["North, row 2", "South, row 3"])
    with pytest.raises(LookupFailed, match="North, row 2: unknown growth stage"):
        match_ranges(asked, prepare_ranges(ranges(*rows)))


def result(nutrient, value, specimen=1, censored="", **values):
    return dict.fromkeys(UNJUDGED_COLUMNS[:3], "x") | {
        "specimen": specimen, "crop": "soybean", "growth_stage": "R2", "plant_part": SILENT, "unit": "%",
        "nutrient": nutrient, "value": value, "censored": censored, "source_key": "", "aside": "",
    } | values  # fmt: skip


def near(nutrient, source, limit, differs="petiole", stage="R2 to R3", part=WITHOUT):
    return {
        "crop": "soybean", "growth_stage": "R2", "plant_part": SILENT, "nutrient": nutrient,
        "source_key": source, "limit": limit, "differs_in": differs, "near_stage": stage, "near_part": part,
    }  # fmt: skip


def test_results_without_a_range_and_what_the_near_ones_would_say():
    scored = pd.DataFrame(
        [
            result("K", 1.6), result("K", 1.7, 2), result("K", 1.4, 3), result("K", 1.5, 4, "<"),
            result("K", 1.51, 5, "<"), result("K", 1.0, 6, ">"), result("Mo", 0.1),
            result("N:S", 20.0, unit="ratio"),
            result("P", 0.0), result("S", 0.1, source_key="A"), result("Mo", 0.1, 2, growth_stage="R9"),
            result("K", 1.2, 7, growth_stage="R9"),
        ]
    )  # fmt: skip
    close = pd.DataFrame(
        [
            near("K", "A", 1.5), near("K", "B", 1.7, stage="R2", part=WITH), near("K", "C", 1.5),
            near("S", "A", 0.2),
        ]
    )  # fmt: skip
    got = unjudged_of(scored, close)
    assert list(got.columns) == UNJUDGED_COLUMNS
    keys = [(1, "K"), (2, "K"), (3, "K"), (4, "K"), (5, "K"), (6, "K"), (1, "Mo"), (2, "Mo"), (7, "K")]
    assert list(zip(got["specimen"], got["nutrient"], strict=True)) == keys
    # below 1.7 alone; at 1.7 not below; below both; known below 1.5, so below all; below 1.7 alone; not told
    assert got["near_short"].tolist() == ["B", "", "A; B; C", "A; B; C", "B", "", "", "", ""]
    assert got["near_sources"].tolist() == ["A; B; C"] * 6 + [""] * 3
    assert got["differs_in"].tolist() == ["petiole"] * 6 + [""] * 3
    assert got["near_stage"].tolist() == ["R2 to R3; R2"] * 6 + [""] * 3
    assert got["near_part"].tolist() == [f"{WITHOUT}; {WITH}"] * 6 + [""] * 3
    np.testing.assert_allclose(got["near_lowest"], [1.5] * 6 + [NAN] * 3)
    np.testing.assert_allclose(got["near_highest"], [1.7] * 6 + [NAN] * 3)
    assert got["value"].tolist() == [1.6, 1.7, 1.4, 1.5, 1.51, 1.0, 0.1, 0.1, 1.2]
    judged = scored.assign(source_key="A")
    assert unjudged_of(judged, close).empty
    assert list(unjudged_of(judged, close).columns) == UNJUDGED_COLUMNS
