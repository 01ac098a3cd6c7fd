"""Good against poor areas: means, log ratios, noise and patterns worked out by hand; samples made up."""

import dataclasses
import math
from io import StringIO

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.intake import read_tissue
from fertkit.intake.context import pair_name
from fertkit.reference.facts import load_facts, threshold
from fertkit.say.leaf_compare import _differ
from fertkit.tissue import compare_pairs, explain, score_tissue
from fertkit.tissue.balance import range_verdicts
from fertkit.tissue.pairs import _occasions, _pattern, _patterns, _with_verdicts, log_ratio_noise

SOYBEAN = {"crop": "soybean", "growth_stage": "R2", "plant_part": "upper trifoliate without petiole"}
LOWER, HIGHER, LIKE = "lower", "higher", "within noise"


@pytest.mark.parametrize(("n_good", "n_poor"), [(1, 1), (2, 3), (4, 1)])
def test_noise_of_means(n_good, n_poor):
    # the 97.5 % point of the normal distribution is 1.95996 in every table; variances of means add
    by_hand = 1.959964 * math.sqrt(0.07**2 / n_good + 0.07**2 / n_poor)
    assert log_ratio_noise(0.07, n_good, n_poor) == pytest.approx(by_hand, rel=1e-6)


def test_means_ratios_and_noise_of_every_nutrient(tidy):
    values = {
        "North good": {"N": 4.8, "K": 2.2, "Zn": 40.0},
        "North poor": {"N": 4.7, "K": 1.3, "Zn": 80.0},
        "South good": {"N": 4.0, "K": 2.0},
        "South poor": {"N": 4.0, "K": 1.9, "Mn": 30.0},
    }
    again = {"North good": {"K": 2.0}, "North poor": {"K": 1.5, "Zn": 60.0}}
    second = tidy(again, **SOYBEAN)
    samples = pd.concat([tidy(values, **SOYBEAN), second.assign(specimen=second["specimen"] + 4)])
    got = compare_pairs(samples, cvs={"N": 3.0, "K": 6.0, "Zn": 8.0, "sampling": 8.0}, plant_weights={
        "North good": 10.0, "North poor": 5.0, "South good": 8.0, "South poor": 12.0})  # fmt: skip
    table = got.table.set_index(["pair", "nutrient"])
    assert set(table.index) == {("North", n) for n in ("N", "K", "Zn")} | {("South", n) for n in ("N", "K")}
    expected = {  # good, poor, number of each, total CV: 3-4-5-like sums of squares
        ("North", "N"): (4.8, 4.7, 1, 1, 73**0.5), ("North", "K"): (2.1, 1.4, 2, 2, 10.0),
        ("North", "Zn"): (40.0, 70.0, 1, 2, 128**0.5), ("South", "N"): (4.0, 4.0, 1, 1, 73**0.5),
        ("South", "K"): (2.0, 1.9, 1, 1, 10.0),
    }  # fmt: skip
    for key, (good, poor, n_good, n_poor, cv) in expected.items():
        row = table.loc[key]
        assert (row["good"], row["poor"]) == (pytest.approx(good), pytest.approx(poor))
        assert row["log_ratio"] == pytest.approx(math.log(poor / good))
        noise = 1.959964 * cv / 100 * math.sqrt(1 / n_good + 1 / n_poor)
        assert row["noise"] == pytest.approx(noise, rel=1e-6)
        difference = math.log(poor / good)
        told = LOWER if difference < -noise else HIGHER if difference > noise else LIKE
        assert row["difference"] == told
        assert row["content_ratio"] == pytest.approx(poor / good * {"North": 0.5, "South": 1.5}[key[0]])
    assert table["difference"].to_dict() == {
        ("North", "N"): LIKE, ("North", "K"): LOWER, ("North", "Zn"): HIGHER, ("South", "N"): LIKE,
        ("South", "K"): LIKE,
    }  # fmt: skip
    assert got.table.index.tolist() == list(range(5))
    assert got.table["nutrient"].tolist() == ["N", "K", "Zn", "N", "K"]  # in the order of the file
    assert "index" not in got.table
    assert got.patterns.set_index("pair")["pattern"].to_dict() == {
        "North": "differences both ways", "South": "no difference beyond noise",
    }  # fmt: skip
    assert compare_pairs(samples).table["content_ratio"].isna().all()
    stated = got.checks.iloc[0]
    assert (stated["value"], stated["passed"]) == (0, True)
    partly = compare_pairs(samples, cvs={"N": 3.0}).checks.iloc[0]
    assert (partly["value"], partly["passed"]) == (2, False)  # K and Zn
    said = got.summary().splitlines()
    assert said[0] == "North, poor against good area: K (short) lower; Zn higher"
    assert said[1].startswith("  K: 1.4 against 2.1 %, 0.67 times the good area; strong: lower")
    assert said[2].startswith(
        "  Zn: 70 against 40 mg/kg, 1.75 times the good area; higher than the good area"
    )
    assert "South, poor against good area: no nutrient differs beyond noise" in said
    assert "caution" not in got.summary()
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.cvs = None


@pytest.mark.parametrize(
    ("lower", "higher", "like", "heavier_good", "pattern"),
    [
        (7, 0, 3, False, "all lower in the poor area"),
        (7, 3, 0, True, "all lower in the poor area"),
        (6, 0, 4, False, "one or few nutrients lower"),
        (3, 0, 0, False, "one or few nutrients lower"),  # too few to speak of all
        (3, 0, 1, False, "all lower in the poor area"),
        (0, 7, 3, False, "all higher in the poor area"),
        (0, 7, 3, True, "dilution in the good area"),
        (0, 3, 0, False, "one or few nutrients higher"),
        (0, 3, 0, True, "dilution in the good area"),
        (0, 2, 8, False, "one or few nutrients higher"),
        (0, 2, 8, True, "dilution in the good area"),
        (1, 2, 7, True, "differences both ways"),
        (1, 7, 2, False, "all higher in the poor area"),
        (1, 0, 9, True, "one or few nutrients lower"),
        (0, 0, 9, True, "no difference beyond noise"),
        (0, 0, 2, False, "no difference beyond noise"),
    ],
)
def test_pattern_by_the_count_of_nutrients(lower, higher, like, heavier_good, pattern):
    # from 4 nutrients and 7 in 10 on (table thresholds; common practice, no source)
    difference = np.array([LOWER] * lower + [HIGHER] * higher + [LIKE] * like)
    assert _pattern(difference, heavier_good) == pattern


def test_the_lines_of_a_pattern_are_those_of_the_table():
    table = load_facts("thresholds", ("value",)).set_index("name")
    assert (
        table.loc["share that moves together", "value"],
        table.loc["nutrients that move together", "value"],
    ) == (0.7, 4)
    assert threshold("share that moves together") == 0.7
    assert (table["provenance"] == "common practice, no source").all()


def test_patterns_take_the_weights_of_their_pair():
    table = pd.DataFrame({"pair": ["b", "a"], "nutrient": "N", "difference": [HIGHER, HIGHER]})
    got = _patterns(table, {"b": 0.99, "a": 1.0})
    assert got[["pair", "pattern"]].to_numpy().tolist() == [
        ["b", "dilution in the good area"], ["a", "one or few nutrients higher"],
    ]  # fmt: skip
    assert _patterns(table.iloc[1:], {})["pattern"].tolist() == ["one or few nutrients higher"]


def test_evidence_from_the_verdicts_of_both_areas(tidy):
    # SMALL1973 asks before pod set for N 4.5, K 1.7 to 2.5 and P .26 to .5 %:
    # K far below in poor leaves, P in both, N in none
    good = {"N": 4.8, "P": 0.05, "K": 2.2, "Mn": 60.0, "Zn": 40.0}
    poor = {"N": 4.55, "P": 0.05, "K": 0.5, "Mn": 90.0, "Zn": 40.0}
    samples = tidy({"A good": good, "A poor": poor}, **SOYBEAN)
    frame = samples.assign(area=["good"] * 5 + ["poor"] * 5, pair="A")
    names = list(good)
    table = pd.DataFrame({"pair": "A", "nutrient": names, "difference": [LOWER, LIKE, LOWER, HIGHER, LIKE]})
    got = _with_verdicts(table, frame, range_verdicts(samples)).set_index("nutrient")
    assert got["evidence"].to_dict() == {
        "N": "weak: lower than the good area", "P": "both areas short",
        "K": "strong: lower than the good area and below the range", "Mn": "higher than the good area",
        "Zn": "none",
    }  # fmt: skip
    assert got.loc["K", ["verdict_good", "verdict_poor"]].tolist() == [
        "not below any published range", "below every published range",
    ]  # fmt: skip
    # of two specimens the worse verdict is told
    more = pd.concat([samples, samples.assign(specimen=samples["specimen"] + 2, value=good["K"] * 1.0)])
    more = more[(more["nutrient"] == "K")]
    both = more.assign(area=["good", "poor"] * 2, pair="A")
    worst = _with_verdicts(table[table["nutrient"] == "K"].copy(), both, range_verdicts(more))
    assert worst["verdict_poor"].tolist() == ["below every published range"]


def test_what_differs_is_said_worst_first():
    rows = pd.DataFrame(
        {"nutrient": ["N", "K", "Zn", "Fe"], "difference": [LOWER, LOWER, HIGHER, HIGHER],
         "log_ratio": [-0.2, -0.6, 0.2, 0.9], "short": [False, True, False, False]}
    )  # fmt: skip
    assert _differ(rows) == "K (short), N lower; Fe, Zn higher"
    assert _differ(rows.iloc[2:]) == "Fe, Zn higher"
    assert _differ(rows.iloc[:0]) == "no nutrient differs beyond noise"


def occasions(rows):
    frame = pd.DataFrame(rows, columns=["pair", "area", "sampled", "growth_stage"])
    frame["sampled"] = pd.to_datetime(frame["sampled"])
    return _occasions(frame.assign(crop="corn", plant_part="leaf")).tolist()


def test_pairs_are_told_apart_by_date_or_stage_only_where_each_is_whole():
    a, b = "2025-06-01", "2025-07-01"
    whole = [("N", "good", a, "V6"), ("N", "poor", a, "V6"), ("N", "good", b, "V6"), ("N", "poor", b, "V6")]
    assert occasions(whole) == ["N, 2025-06-01"] * 2 + ["N, 2025-07-01"] * 2
    assert occasions(whole[:2]) == ["N", "N"]
    assert occasions(whole[:3]) == ["N"] * 3
    stages = [(*row[:2], None, stage) for row, stage in zip(whole, ("V6", "V6", "R1", "R1"), strict=True)]
    assert occasions(stages) == ["N, corn, V6, leaf"] * 2 + ["N, corn, R1, leaf"] * 2
    two = [("N", "good", a, "V6"), ("N", "poor", b, "V6"), *[("S", *row[1:]) for row in whole]]
    assert occasions(two) == ["N", "N"] + ["S, 2025-06-01"] * 2 + ["S, 2025-07-01"] * 2


def areas(tidy, names, **columns):
    return tidy({name: {"K": 2.0} for name in names}, **SOYBEAN).assign(**columns)


def test_ways_to_pair(tidy):
    def pairs(samples, **options):
        return compare_pairs(samples, **options).table["pair"].tolist()

    assert pairs(areas(tidy, ["Hill good", "Hill poor"])) == ["Hill"]
    one_each = areas(tidy, ["x", "y"], area=["poor", "good"])
    assert pairs(one_each) == ["y against x"]
    fields = areas(tidy, ["a", "b", "c", "d"], area=["good", "poor"] * 2, field=["F", "F", "G", "G"])
    assert pairs(fields) == ["F", "G"]
    assert pairs(areas(tidy, ["a", "b", "c"], area=["good", "poor", "good"], field=["F", "F", ""])) == ["F"]
    by = areas(tidy, ["a", "b", "c", "d"], area=["good", "poor"] * 2, place=["P", "P", None, "Q"])
    assert pairs(by, by="place") == ["P"]
    named = areas(tidy, ["Hill good", "Hill poor"], field=["F", "G"])
    assert pairs(named) == ["Hill"]  # names pair before fields do
    with pytest.raises(LookupFailed, match="unknown column of the samples"):
        pairs(by, by="nothing")


def test_what_makes_no_pair(tidy):
    plain = areas(tidy, ["a", "b"])
    with pytest.raises(NotEstimable, match="samples are not marked as good or poor area"):
        compare_pairs(plain)
    lone = areas(tidy, ["a", "b", "c"], area=["good", "poor", "poor"])
    with pytest.raises(NotEstimable, match=r"\(good: a; poor: b, c\).*give both samples of a pair one name"):
        compare_pairs(lone)
    with pytest.raises(NotEstimable, match=r"\(good: a, b; poor: none\)"):
        compare_pairs(areas(tidy, ["a", "b"], area=["good", "good"]))
    with pytest.raises(NotEstimable) as caught:
        compare_pairs(lone.assign(place=["P", "Q", "R"]), by="place")
    assert "give by=" not in str(caught.value)
    many = areas(tidy, list("abcdefgh"), area=["good"] * 7 + ["poor"])
    with pytest.raises(NotEstimable, match=r"good: a, b, c, d, e, f; poor: h"):
        compare_pairs(many)
    for change in ({"censored": ["<", ""]}, {"value": [0.0, 2.0]}):
        with pytest.raises(NotEstimable, match="no pair"):
            compare_pairs(areas(tidy, ["Hill good", "Hill poor"], **change))
    with pytest.raises(InputError) as caught:
        compare_pairs(
            areas(tidy, ["Hill good", "Hill poor"], growth_stage=["R2", "R3"], crop=["corn", "soybean"])
        )
    assert len(caught.value.problems) == 2


@pytest.mark.parametrize(
    ("name", "pair", "mark"),
    [
        ("North good", "North", "good"), ("North (bad)", "North", "poor"),
        ("North-poor-2", "North-2", "poor"),
        ("Field 3 good area", "Field 3", "good"), ("Poor end Heron", "Heron", "poor"),
        ("good area of North", "North", "good"), ("Good Hope 1", "Good Hope 1", ""),
        ("Bad Axe", "Bad Axe", ""),
        ("North bad axe road", "North bad axe road", ""), ("goodwin 1", "goodwin 1", ""),
        ("Poor", "Poor", ""),
    ],
)  # fmt: skip
def test_a_mark_inside_a_name(name, pair, mark):
    assert pair_name(name) == (pair, mark)


FORTY = (
    "Lab No,Field,Treatment,Crop,Stage,Part,N %,K %,Ca %,Mg %\n"
    "101,Long Forty,{},corn,R1,ear leaf,2.75,1.31,0.62,0.41\n"
    "102,Long Forty,{},corn,R1,ear leaf,2.82,2.12,0.45,0.24\n"
)


def test_a_check_is_set_beside_its_treatment():
    # by hand: ln(1.31 / 2.12) = -0.481; the values of K, Ca and Mg differ by 30 to 70 %, those of N by 2.5 %
    samples = read_tissue(StringIO(FORTY.format("Check", "K2O 120")))
    answer = explain(score_tissue(samples, cvs=5.0))
    assert answer.pairs.treated
    table = answer.pairs.table.set_index("nutrient")
    assert table.loc["K", "log_ratio"] == pytest.approx(math.log(1.31 / 2.12))
    assert table["difference"].to_dict() == {"N": LIKE, "K": LOWER, "Ca": HIGHER, "Mg": HIGHER}
    first = answer.lines()[0].text
    assert first.startswith("Long Forty: K 1.31 % in the check, 2.12 in the treatment")
    assert "poor" not in first
    # what is said of areas, roots and water, is not said of strips side by side
    assert not any("good area" in text for texts in answer.causes["speaks_for"] for text in texts)
    assert not (samples.report["item"] == "column 'Treatment'").any()


@pytest.mark.parametrize("marks", [("K2O 60", "K2O 120"), ("Check", "Check"), ("Check", "")])
def test_treatments_without_a_check_make_no_pair(marks):
    assert explain(score_tissue(read_tissue(StringIO(FORTY.format(*marks))))).pairs is None


def test_several_treatments_beside_a_check_make_no_pair():
    third = "103,Long Forty,K2O 60,corn,R1,ear leaf,2.8,1.9,0.5,0.3\n"
    samples = read_tissue(StringIO(FORTY.format("Check", "K2O 120") + third))
    assert explain(score_tissue(samples)).pairs is None


@pytest.mark.parametrize(
    ("names", "treated"),
    [(("Good spot", "Bad spot"), False), (("Block 3 treated", "Block 3 untreated"), True)],
)
def test_a_pair_in_sample_names(names, treated):
    sheet = "Sample,Crop,Stage,Part,N %\n{},corn,R1,ear leaf,3.1\n{},corn,R1,ear leaf,2.2\n"
    pairs = explain(score_tissue(read_tissue(StringIO(sheet.format(*names))), cvs=5.0)).pairs
    assert pairs.treated is treated
    assert pairs.table[["good", "poor", "difference"]].to_numpy().tolist() == [[3.1, 2.2, LOWER]]
