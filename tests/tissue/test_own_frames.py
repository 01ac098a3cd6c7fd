"""A user's own frames: numbers of the samples, pairs by a column, norms as they were given."""

from io import StringIO

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.intake import read_tissue
from fertkit.tissue import compare_pairs
from fertkit.tissue.balance import choose_norms
from fertkit.tissue.match import samples_frame


def own(*rows, **columns):
    """(sample_id, growth_stage, nutrient, value) of each result."""
    frame = pd.DataFrame(rows, columns=["sample_id", "growth_stage", "nutrient", "value"])
    return frame.assign(crop="corn", plant_part="ear leaf", **columns)


def test_samples_are_numbered_in_the_order_of_the_frame():
    frame = own(
        ("Z", "R1", "N", 3.0), ("A", "R1", "N", 3.1), ("Z", "R1", "K", 2.0), ("Z", "V6", "N", 4.0),
        ("A", "R1", "N", 3.2), ("A", "R1", "K", 2.1), ("Z", None, "N", 3.0), ("A", "R1", "N", 3.3),
    ).set_axis(range(10, 18))  # fmt: skip
    got = samples_frame(frame)
    # the second nitrogen of A is another analysis, and the third one more; potassium belongs to the first
    assert got["specimen"].tolist() == [1, 2, 1, 3, 4, 2, 5, 6]
    assert got.index.tolist() == list(range(8))
    assert got["row"].tolist() == list(range(2, 10))  # below a line of names
    assert set(got["unit"]) == {"%"}
    assert (got[["censored", "flag", "area", "field"]] == "").all(axis=None)
    assert got["sampled"].isna().all()
    days = frame.assign(sampled=pd.to_datetime(["2024-06-01"] * 4 + ["2024-06-02"] * 4))
    assert samples_frame(days)["specimen"].tolist() == [1, 2, 1, 3, 4, 4, 5, 6]
    areas = frame.assign(area=["good"] * 4 + ["poor"] * 4)
    assert samples_frame(areas)["specimen"].tolist() == [1, 2, 1, 3, 4, 4, 5, 6]
    units = samples_frame(own(("A", "R1", "N", 3.0), ("A", "R1", "Zn", 30.0)))["unit"]
    assert units.tolist() == ["%", "mg/kg"]


def test_numbers_of_the_user_are_kept_and_may_hold_a_nutrient_once():
    frame = own(*(("A", "R1", n, 1.0) for n in ("N", "K", "N")), specimen=[4, 4, 2])
    assert samples_frame(frame)["specimen"].tolist() == [4, 4, 2]
    kept = samples_frame(frame.assign(row=[7, 8, 9], censored=["", "<", ""], unit="g/kg"))
    assert kept[["row", "censored", "unit"]].to_numpy().tolist() == [
        [7, "", "g/kg"], [8, "<", "g/kg"], [9, "", "g/kg"],
    ]  # fmt: skip
    twice = own(*[("A", "R1", "N", 1.0)] * 30, specimen=[1] * 30)
    with pytest.raises(InputError) as refused:
        samples_frame(twice)
    assert [p.row for p in refused.value.problems] == list(range(3, 28))  # the first 25 that repeat line 2
    with pytest.raises(InputError) as refused:
        samples_frame(frame.drop(columns=["value", "crop"]))
    assert [p.column for p in refused.value.problems] == ["crop", "value"]
    for word in ("1.2", "low", True):
        with pytest.raises(InputError, match=f"row 3, column 'value', value '{word}': not a number"):
            samples_frame(own(("A", "R1", "N", 3.0), ("A", "R1", "K", word)))
    assert samples_frame(own(("A", "R1", "N", None), ("A", "R1", "K", 2)).astype({"value": object}))[
        "value"
    ].tolist() == pytest.approx([np.nan, 2.0], nan_ok=True)
    with pytest.raises(LookupFailed, match="Xx"):
        samples_frame(own(("A", "R1", "Xx", 1.0)))


def test_norms_are_kept_as_given():
    norms = pd.DataFrame(
        {"crop": ["wheat", "corn", "corn"], "plant_part": ["flag leaf", "ear leaf", "ear leaf"],
         "nutrient": ["N", "N", "K"], "source_key": "MINE"}
    )  # fmt: skip
    context = pd.DataFrame({"crop": ["corn", "maize"], "plant_part": ["ear leaf", "ear leaf"]})
    [(got, at)], why = choose_norms(norms, context, None, "DOP")
    pd.testing.assert_frame_equal(got, norms.iloc[1:].set_axis([0, 1]))
    assert (at, why) == ([0, 1], {})
    with pytest.raises(LookupFailed, match="MINE, YOURS"):
        choose_norms(pd.concat([norms, norms.assign(source_key="YOURS")]), context, None, "DOP")
    wheat = pd.DataFrame({"crop": ["wheat"], "plant_part": ["flag leaf"]}, index=[2])
    mixed = pd.concat([context, wheat])
    corn = norms.iloc[1:]
    [(got, at)], why = choose_norms(corn, mixed, None, "DOP")  # the crop is scored, the other left out
    assert (len(got), at, why) == (2, [0, 1], {2: "no DOP norms for wheat flag leaf"})
    with pytest.raises(NotEstimable, match="no DOP norms for wheat flag leaf"):
        choose_norms(corn, wheat, None, "DOP")
    [(got, at)], why = choose_norms(norms.assign(crop="any"), mixed, "MINE", "DOP")
    assert (len(got), at, why) == (3, [0, 1, 2], {})


SHEET = (
    "Sample,{field}Area,Block,Crop,Stage,Part,N %,K %\n"
    "1,{n}good,a,soybean,R2,trifoliate,5.0,2.0\n2,{n}poor,a,soybean,R2,trifoliate,5.0,1.0\n"
    "3,{s}good,b,soybean,R2,trifoliate,5.0,2.0\n4,{s}poor,b,soybean,R2,trifoliate,4.0,1.6\n"
)
FIELD = {"field": "Field,", "n": "North,", "s": "South,"}
BARE = {"field": "", "n": "", "s": ""}


@pytest.mark.parametrize("words", [FIELD, BARE])
def test_pairs_by_a_column_of_the_file(words):
    samples = read_tissue(StringIO(SHEET.format(**words)))
    got = compare_pairs(samples, by="Block").table.set_index(["pair", "nutrient"])["log_ratio"]
    expected = {("a", "N"): 0.0, ("a", "K"): np.log(0.5), ("b", "N"): np.log(0.8), ("b", "K"): np.log(0.8)}
    assert got.to_dict() == pytest.approx(expected)
    for unknown in ("Nowhere", "Blocks"):
        with pytest.raises(LookupFailed, match="Block"):
            compare_pairs(samples, by=unknown)


def test_pairs_by_the_field_by_any_name_of_it():
    samples = read_tissue(StringIO(SHEET.format(**FIELD)))
    for name in ("Field", "field", "Schlag"):
        got = compare_pairs(samples, by=name).table
        assert list(dict.fromkeys(got["pair"])) == ["North", "South"]
    without = read_tissue(StringIO(SHEET.format(**BARE)))
    with pytest.raises(LookupFailed, match="Field"):
        compare_pairs(without, by="Field")


def test_pairs_of_a_frame_by_a_column_of_its_own():
    frame = own(
        ("1", "R1", "K", 2.0), ("2", "R1", "K", 1.0), ("3", "R1", "K", 2.0), ("4", "R1", "K", 3.0),
        ("5", "R1", "K", 9.0), area=["good", "poor"] * 2 + ["poor"], place=["a", "a", "b", "b", None],
    )  # fmt: skip
    got = compare_pairs(frame, by="place").table.set_index("pair")["poor"]
    assert got.to_dict() == {"a": 1.0, "b": 3.0}
    with pytest.raises(LookupFailed, match="place"):
        compare_pairs(frame, by="somewhere")


def test_a_column_that_was_named_is_not_replaced_by_the_field():
    frame = own(
        ("1", "R1", "K", 2.0), ("2", "R1", "K", 1.0), area=["good", "poor"], place=["a", "b"], field="North",
    )  # fmt: skip
    assert compare_pairs(frame).table["pair"].tolist() == ["North"]
    with pytest.raises(NotEstimable, match="good: a; poor: b"):
        compare_pairs(frame, by="place")


def test_names_go_before_the_field():
    names = ["East good", "East poor", "West good", "West poor"]
    frame = own(
        *((name, "R1", "K", value) for name, value in zip(names, (2, 1, 2, 3), strict=True)), field="X"
    )
    got = compare_pairs(frame).table.set_index("pair")["poor"]
    assert got.to_dict() == {"East": 1.0, "West": 3.0}
