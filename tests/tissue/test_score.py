"""Scoring against the rows of the publications themselves."""

import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_tissue
from fertkit.tissue import explain, score_tissue
from fertkit.tissue.classes import (
    CLASSES,
    Class,
    classify,
    classify_above,
    classify_below,
    combine_cvs,
    distance_from_range,
    position_in_range,
    probability_below,
    settle_cvs,
    shortage_limit,
)  # fmt: skip
from fertkit.units import convert_concentration

# Corn ear leaf at tasseling to silking: University of Delaware page after Southern Coop. Series Bulletin 394.
CORN_UDEL = {
    "N": (2.8, 4.0),
    "P": (0.25, 0.5),
    "K": (1.8, 3.0),
    "Ca": (0.25, 0.8),
    "Mg": (0.15, 0.6),
    "S": (0.15, 0.6),
    "Fe": (30, 250),
    "Mn": (15, 150),
    "Zn": (20, 70),
    "Cu": (5, 25),
    "B": (5, 25),
    "Mo": (0.1, 2.0),
}
# Corn ear leaf at green silk, Kansas State eUpdate (figures from memory).
CORN_KSU = {
    "N": (2.75, 3.5),
    "P": (0.25, 0.45),
    "K": (1.75, 2.25),
    "Ca": (0.25, 0.5),
    "Mg": (0.16, 0.6),
    "S": (0.15, 0.5),
    "Fe": (20, 200),
    "Mn": (20, 150),
    "Zn": (15, 70),
    "Cu": (5, 25),
    "B": (4, 25),
    "Mo": (0.1, 3.0),
}
# Corn ear leaf at initial silking, Extension Bulletin E-2567 (figures from memory).
CORN_TRI = {
    "N": (2.9, 3.5),
    "P": (0.3, 0.5),
    "K": (1.91, 2.5),
    "Ca": (0.21, 1.0),
    "Mg": (0.16, 0.6),
    "S": (0.16, 0.5),
    "Mn": (20, 150),
    "Fe": (21, 250),
    "B": (4, 25),
    "Cu": (6, 20),
    "Zn": (20, 70),
}
# Soybean R1-R4, upper trifoliate without petiole, Kansas State eUpdate (figures from memory).
SOY_KSU = {
    "N": (4.25, 5.5),
    "P": (0.25, 0.5),
    "K": (1.7, 2.5),
    "Ca": (0.35, 2.0),
    "Mg": (0.26, 1.0),
    "S": (0.15, 0.5),
    "Fe": (50, 350),
    "Mn": (20, 100),
    "Zn": (20, 50),
    "B": (20, 55),
}
# Soybean at first flower, top trifoliate with petiole, Ontario: critical level and maximum normal.
SOY_ONTARIO = {
    "N": (4.0, 6.0),
    "P": (0.35, 0.5),
    "K": (2.0, 3.0),
    "Mg": (0.1, 2.0),
    "B": (20, 55),
    "Cu": (4, 30),
    "Mn": (14, 100),
    "Mo": (0.5, 5.0),
    "Zn": (12, 80),
}
# Soybean R1-R2, third trifoliate without petiole, Souza et al. 2020: critical level range.
SOY_SOUZA = {
    "N": (4.02, 4.21),
    "P": (0.32, 0.34),
    "K": (1.76, 1.95),
    "S": (0.21, 0.24),
    "Mn": (33, 34),
    "Zn": (48, 63),
}

EAR = {"crop": "corn", "growth_stage": "R1", "plant_part": "ear leaf"}
TRIFOLIATE = {"crop": "soybean", "growth_stage": "R2", "plant_part": "trifoliate, no petiole"}
RANGES = [
    ("SCSB394_UDEL", CORN_UDEL, EAR), ("KSU_CORN", CORN_KSU, EAR), ("TRISTATE_E2567", CORN_TRI, EAR),
    ("KSU_SOY", SOY_KSU, TRIFOLIATE),
]  # fmt: skip


def classes(tidy, values, source, **where):
    table = score_tissue(tidy({"a": values}, **where), source=source).table
    return table.set_index("nutrient")["class"].to_dict()


@pytest.mark.parametrize(("source", "bulletin", "where"), RANGES, ids=[r[0] for r in RANGES])
def test_bulletin_ranges_decide_at_their_ends(tidy, source, bulletin, where):
    for factor, end, expected in (
        (0.999, 0, "low"),
        (1, 0, "sufficient"),
        (1, 1, "sufficient"),
        (1.001, 1, "high"),
    ):
        values = {n: ends[end] * factor for n, ends in bulletin.items()}
        assert classes(tidy, values, source, **where) == dict.fromkeys(bulletin, expected)


def test_critical_level_with_a_maximum(tidy):
    where = {
        "crop": "soybean",
        "growth_stage": "R1",
        "plant_part": "top fully developed trifoliate with petiole",
    }
    for factor, end, expected in ((0.999, 0, "deficient"), (1, 0, "sufficient"), (1.001, 1, "high")):
        values = {n: ends[end] * factor for n, ends in SOY_ONTARIO.items()}
        assert classes(tidy, values, "OMAFRA_SOY", **where) == dict.fromkeys(SOY_ONTARIO, expected)


def test_between_the_ends_of_a_critical_level_is_low(tidy):
    for values, expected in (
        ({n: a * 0.999 for n, (a, _) in SOY_SOUZA.items()}, "deficient"),
        ({n: a for n, (a, _) in SOY_SOUZA.items()}, "low"),
        ({n: b for n, (_, b) in SOY_SOUZA.items()}, "sufficient"),
    ):
        assert classes(tidy, values, "SOUZA2020", **TRIFOLIATE) == dict.fromkeys(SOY_SOUZA, expected)
    table = score_tissue(tidy({"a": {"N": 4.1}}, **TRIFOLIATE)).table.set_index("source_key")
    assert table.loc["SOUZA2020", "kind"] == "critical level"
    assert table.loc["KSU_SOY", "kind"] == "sufficiency range"


def test_inside_a_critical_range_the_source_leaves_it_open(tidy):
    # Stammer and Mallarino 2018: soybean trifoliate K at R2-R3, critical concentration range 1.56-1.99 %.
    for value, short, within, verdict in (
        (1.559, 1, 0, "below every published range"),
        (1.56, 0, 1, "within a critical range"),
        (1.71, 0, 1, "within a critical range"),
    ):
        scores = score_tissue(tidy({"a": {"K": value}}, **TRIFOLIATE), source="STAMMER2018")
        row = scores.shortfalls.iloc[0]
        assert (row["short"], row["within"], row["verdict"]) == (short, within, verdict)
    assert "within the critical range 1.56 to 1.99" in scores.summary()
    assert "0 with a nutrient below every published range" in scores.summary()
    assert "published limit" not in scores.summary()
    assert score_tissue(tidy({"a": {"K": 1.99}}, **TRIFOLIATE), source="STAMMER2018").shortfalls.empty


def test_what_is_left_open_ranks_below_what_is_short(tidy):
    # P 0.345: short of 0.35 (Stammer and Mallarino 2018), enough by KSU's 0.25. K 1.705: inside 1.56-1.99,
    # enough by KSU's 1.7, and the likelier of the two to lie below its limits.
    values = {"K": 1.705, "P": 0.345}
    scores = score_tissue(tidy({"a": values}, **TRIFOLIATE), source=["STAMMER2018", "KSU_SOY"], cvs=10)
    short = scores.shortfalls.set_index("nutrient")
    assert short["verdict"].to_dict() == {"P": "below some published ranges", "K": "within a critical range"}
    assert short.loc["K", "probability_below"] > short.loc["P", "probability_below"]
    assert short["rank"].to_dict() == {"P": 1, "K": 2}


def test_a_value_below_a_limit_inside_a_critical_range_is_left_open(tidy):
    for mark_at, within in ((1.8, True), (1.56, False)):
        samples = tidy({"a": {"K": mark_at}}, **TRIFOLIATE).assign(censored="<")
        row = score_tissue(samples, source="STAMMER2018").table.iloc[0]
        assert bool(row["within_critical"]) == within


@pytest.mark.parametrize(
    ("low", "critical", "critical_high", "limit"),
    [
        (4.2, 3.7, 4.2, 3.7),  # CIMMYT wheat N: the critical range reaches the foot of the range
        (2.0, 1.3, 1.5, 2.0),  # CIMMYT wheat Cu: it ends below the foot
        (np.nan, 1.56, 1.99, 1.56),  # Stammer and Mallarino 2018, soybean K
        (1.6, 1.5, np.nan, 1.6),  # CIMMYT wheat K
        (np.nan, 2.0, np.nan, 2.0),
    ],
)
def test_one_rule_gives_the_limit_of_every_source(low, critical, critical_high, limit):
    assert shortage_limit(*np.array([[low], [critical], [critical_high]])) == [limit]


def test_the_probability_is_taken_against_that_limit(tidy):
    where = {"crop": "wheat", "growth_stage": "Feekes 6", "plant_part": "whole plant"}
    row = score_tissue(tidy({"a": {"N": 3.8}}, **where), source="CIMMYT_WHEAT", cvs=5).table.iloc[0]
    assert row["limit"] == 3.7
    assert row["probability_below"] == pytest.approx(0.2994, abs=1e-3)  # Phi(-0.1 / 0.19)


def test_no_stage_or_part_is_no_all_clear(tidy):
    for missing, words in (
        ({"growth_stage": ""}, ["growth stage", "stage=", "--stage"]),
        ({"growth_stage": "", "plant_part": ""}, ["stage=", "part=", "--stage", "--part"]),
    ):
        values = {name: {"N": 3.0, "K": 2.0} for name in "abcd"}
        scores = score_tissue(tidy(values, **(EAR | missing)))
        for text in (scores.summary(), explain(scores).summary()):
            lines = text.splitlines()
            assert lines[0].startswith("nothing could be judged: 4 corn samples")
            assert sum("not stated" in line for line in lines) == 1
            assert "nothing is short" not in text
            assert "typical laboratory and sampling errors" not in text
            for word in words:
                assert word in lines[0]


def test_sources_stand_side_by_side_and_their_disagreement_is_said(tidy):
    # Ear-leaf K 1.8 %: inside 1.75-2.25 (KSU), on the edge of 1.8 (Delaware), below 1.91 (E-2567).
    keys = ["KSU_CORN", "SCSB394_UDEL", "STAMMER2018", "TRISTATE_E2567"]
    scores = score_tissue(tidy({"a": {"K": 1.8}}), source=keys)
    found = scores.table.set_index("source_key")["class"]
    assert found[["KSU_CORN", "SCSB394_UDEL", "TRISTATE_E2567"]].tolist() == [
        "sufficient",
        "sufficient",
        "low",
    ]
    row = scores.agreement.iloc[0]
    assert row["verdict"] == "below some published ranges"
    assert (row["strictest_class"], row["mildest_class"]) == ("low", "sufficient")
    assert (row["lowest_limit"], row["highest_limit"]) == (1.06, 1.91)  # Stammer 2018 prints 1.06-1.42
    assert scores.shortfalls["short_sources"].tolist() == ["TRISTATE_E2567"]


# Reported value, limit, CV -> probability of lying below: own arithmetic of Phi((L - x)/(x CV)).
PROBABILITIES = [
    (2.90, 2.90, 0.04, 0.5000),
    (3.00, 2.90, 0.04, 0.2023),
    (2.70, 2.90, 0.04, 0.9680),
    (0.27, 0.30, 0.07, 0.9438),
    (22, 20, 0.10, 0.1817),
]


@pytest.mark.parametrize(("value", "limit", "cv", "expected"), PROBABILITIES)
def test_probability_below(value, limit, cv, expected):
    assert probability_below(value, limit, cv) == pytest.approx(expected, abs=6e-5)


def test_cvs_combine_in_quadrature_and_can_be_given(tidy):
    assert combine_cvs(3.0, 4.0) == pytest.approx(5.0)
    scores = score_tissue(tidy({"a": {"N": 3.0}}), source="TRISTATE_E2567", cvs={"N": 4, "sampling": 0})
    assert scores.table["probability_below"].item() == pytest.approx(0.2023, abs=6e-5)
    assert scores.cvs.set_index("nutrient").loc["N", "origin"] == "given"
    default = score_tissue(tidy({"a": {"N": 3.0}}))
    assert not default.checks.iloc[0]["passed"]
    assert "typical laboratory and sampling errors" in default.summary()
    assert "cvs=" not in default.summary()
    with pytest.raises(InputError, match="above zero"):
        score_tissue(tidy({"a": {"N": 3.0}}), cvs={"N": -1})
    with pytest.raises(InputError, match=r"Kx.*not a nutrient"):
        score_tissue(tidy({"a": {"N": 3.0}}), cvs={"Kx": 3, "NO3-N": 4, "N:S": 5})


def test_position_and_distance_are_on_the_scale_of_the_range():
    # Delaware ear-leaf N 2.8-4.0: 3.4 is the middle, 2.2 half a width below, 4.6 half a width above.
    assert position_in_range(np.array([2.8, 3.4, 4.0]), 2.8, 4.0) == pytest.approx([0, 0.5, 1])
    far = distance_from_range(np.array([2.2, 3.4, 4.6]), 2.8, 4.0, 2.8)
    assert far == pytest.approx([-0.5, 0, 0.5])
    nan = np.nan
    assert distance_from_range(np.array([0.9]), nan, nan, 1.0) == pytest.approx(
        [-0.1]
    )  # critical level alone


CENSORED = [
    ("<", 2.5, "low"),  # below 2.5, so below 2.8
    ("<", 3.0, "cannot be classed"),
    (">", 4.2, "high"),
    (">", 3.0, "cannot be classed"),
    ("not detected", np.nan, "cannot be classed"),
]


@pytest.mark.parametrize(("mark", "limit", "expected"), CENSORED)
def test_censored_values_are_classed_only_where_the_limit_allows(tidy, mark, limit, expected):
    samples = tidy({"a": {"N": limit}}).assign(censored=mark)
    row = score_tissue(samples, source="SCSB394_UDEL").table.iloc[0]
    assert row["class"] == expected
    assert np.isnan(row["probability_below"])
    assert (row["reason"] != "") == (expected == "cannot be classed")


def test_zero_cannot_be_classed(tidy):
    row = score_tissue(tidy({"a": {"N": 0.0}}), source="KSU_CORN").table.iloc[0]
    assert (row["class"], row["reason"]) == ("cannot be classed", "reported as zero")


LIMIT = st.floats(0.1, 10)


@settings(max_examples=60, deadline=None)
@given(value=LIMIT, low=LIMIT, width=LIMIT, below=st.floats(0.05, 1), scale=st.floats(0.01, 100))
def test_classes_follow_order_and_scale(value, low, width, below, scale):
    limits = [np.array([x]) for x in (low, low + width, low * below, np.nan, low + 3 * width)]
    found = CLASSES[classify(np.array([value]), *limits)]
    assert CLASSES[classify(np.array([value * scale]), *(x * scale for x in limits))] == found
    order = [*Class].index
    assert order(CLASSES[classify(np.array([value * 1.5]), *limits)][0]) >= order(found[0])
    # A value known to lie below (above) a limit never gets a milder (stricter) class than the limit.
    under = CLASSES[classify_below(np.array([value]), limits[0], limits[2], limits[3])]
    assert under[0] == "cannot be classed" or order(under[0]) <= order(found[0])
    over = CLASSES[classify_above(np.array([value]), *limits)]
    assert over[0] == "cannot be classed" or order(over[0]) >= order(found[0])


def test_a_stage_without_range_is_offered_its_neighbours_never_used(tidy):
    scores = score_tissue(tidy({"a": {"N": 3.0}}, growth_stage="V10"))
    assert scores.table["class"].tolist() == ["no published range"]
    assert "V10" in scores.table["reason"].item()
    near = scores.near
    assert set(near["differs_in"]) == {"stage", "part", "stage and part"}
    assert near.iloc[0]["differs_in"] == "stage"
    assert "VT to R1" in set(near["offered_stage"])
    first = scores.summary().splitlines()[0]
    assert first.startswith("nothing could be judged: 1 corn sample (a, row 2): no published range")
    assert "nothing is short" not in scores.summary()


def test_petioles_stay_apart(tidy):
    kinds = {
        "trifoliate without petiole": {"KSU_SOY", "SOUZA2020", "KSU_P_2023", "SMALL1973", "STAMMER2018"},
        "trifoliate with petiole": {"KSU_P_2023", "SMALL1973", "STAMMER2018"},
        "upper trifoliate": {"KSU_SOY", "SOUZA2020", "KSU_P_2023", "SMALL1973", "STAMMER2018"},
    }
    for part, sources in kinds.items():
        where = {"crop": "soybean", "growth_stage": "R2", "plant_part": part}
        assert set(score_tissue(tidy({"a": {"P": 0.3}}, **where)).table["source_key"]) == sources
    # where the sample leaves it open a table that asks for leaves without petiole holds, and gives way
    open_petiole = score_tissue(tidy({"a": {"P": 0.3, "S": 0.1}}, **where)).table
    aside = open_petiole[open_petiole["source_key"] == "KSU_SOY"].set_index("nutrient")
    assert set(aside["match"]) == {"petiole as the source instructs"}
    assert (aside.loc["P", "aside"] != "", aside.loc["S", "aside"]) == (True, "")  # of S it alone judges
    table = score_tissue(tidy({"a": {"P": 0.3}}, **TRIFOLIATE)).table.set_index("source_key")
    assert table.loc["STAMMER2018", "match"] == "source does not state the petiole"
    assert table.loc["KSU_SOY", "match"] == "same part"


def test_part_decides_manganese_in_soybean(tidy):
    # Ohki et al. 1979: critical Mn at R2 is 18 mg/kg in the top blade and 10 in the fifth.
    for part, critical in (("leaf blade 1 (top) from top", 18), ("leaf blade 5 from top", 10)):
        where = {"crop": "soybean", "growth_stage": "R2", "plant_part": part}
        assert score_tissue(tidy({"a": {"Mn": 14.0}}, **where)).table["critical"].tolist() == [critical]


@pytest.mark.parametrize("stage", ["GS 31", "Zadoks 31", "BBCH 31", "Feekes 6", "jointing"])
def test_wheat_scales_meet(tidy, stage):
    where = {"crop": "winter wheat", "growth_stage": stage, "plant_part": "whole plant"}
    found = set(score_tissue(tidy({"a": {"N": 4.0, "S": 0.2}}, **where)).table["source_key"])
    assert found == {"CIMMYT_WHEAT", "KSU_WHEAT", "PURDUE_S"}


def test_nitrogen_to_sulfur_ratio_is_scored_beside_the_nutrients(tidy):
    # Purdue summary: S below 0.12 % with N:S above 20 in wheat.
    where = {"crop": "wheat", "growth_stage": "GS 32", "plant_part": "whole plant"}
    table = score_tissue(tidy({"a": {"N": 3.3, "S": 0.11}}, **where), source="PURDUE_S").table.set_index(
        "nutrient"
    )
    assert table.loc["N:S", "value"] == pytest.approx(30)
    assert table["class"].to_dict() == {"N": "no published range", "S": "deficient", "N:S": "high"}


MIXED = b"""Sample,Crop,Stage,Part,N (%),K (%)
a,maize,R1,Ear leaf,3.0,1.9
b,soybeans,R2,Trifoliate without petiole,4.5,2.0
b,soybeans,R2,Trifoliate without petiole,4.6,2.1
c,barley,GS 31,whole plant,4.0,3.0
d,corn,,ear leaf,3.0,1.9
"""


def test_mixed_crops_are_scored_crop_by_crop_and_duplicates_kept():
    samples = read_tissue(io.BytesIO(MIXED))
    assert any("'b' appears 2 times" in str(p) for p in samples.notes)
    scores = score_tissue(samples)
    crops = scores.scored.groupby("source_key")["crop"].unique().map(list).to_dict()
    assert crops["KSU_CORN"] == ["corn"]
    assert crops["KSU_SOY"] == ["soybean"]
    assert scores.table.loc[scores.table["sample_id"] == "b", "specimen"].nunique() == 2
    reasons = scores.table.drop_duplicates("sample_id").set_index("sample_id")["reason"]
    assert reasons["c"] == "no published value for this nutrient at this stage and part"
    assert reasons["d"] == "the growth stage of the sample is not stated"


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ({"crop": "mango"}, ["mango", "corn", "soybean"]),
        ({"growth_stage": "R9"}, ["R9", "R1", "VT"]),
        ({"plant_part": "roots"}, ["roots", "ear leaf", "whole plant"]),
        ({"crop": "wheat", "growth_stage": "6", "plant_part": "whole plant"}, ["Feekes 6 or GS 6"]),
    ],
)
def test_unknown_names_list_the_valid_ones(tidy, where, words):
    with pytest.raises(LookupFailed) as error:
        score_tissue(tidy({"a": {"N": 3.0}}, **where))
    for word in words:
        assert word in str(error.value)


def test_unknown_source_lists_the_sources(tidy):
    with pytest.raises(LookupFailed, match="KSU_CORN"):
        score_tissue(tidy({"a": {"N": 3.0}}), source="NOBODY")


def test_a_frame_without_the_needed_columns_says_so():
    with pytest.raises(InputError, match="plant_part"):
        score_tissue(
            pd.DataFrame(
                {
                    "sample_id": ["a"],
                    "crop": ["corn"],
                    "growth_stage": ["R1"],
                    "nutrient": ["N"],
                    "value": [3.0],
                }
            )
        )


def test_every_figure_is_traceable(tidy):
    scores = score_tissue(tidy({"a": {"N": 3.0, "K": 1.5}}))
    assert set(scores.table["source_key"]) <= set(scores.sources["source_key"])
    assert (scores.table["provenance"] != "").all()
    assert scores.sources["citation"].str.len().min() > 10
    assert "from memory" in scores.summary()


def test_own_frames_are_checked(tidy):
    oxide = tidy({"a": {"K": 1.9}}).assign(nutrient="K2O")
    with pytest.raises(LookupFailed, match="K2O"):
        score_tissue(oxide)
    with pytest.raises(InputError, match="N twice in specimen 1"):
        score_tissue(pd.concat([tidy({"a": {"N": 3.0}}), tidy({"a": {"N": 3.1}})]))
    replicates = pd.concat([tidy({"a": {"N": 3.0}}), tidy({"a": {"N": 3.1}})]).drop(columns="specimen")
    assert score_tissue(replicates, source="KSU_CORN").table["specimen"].tolist() == [1, 2]


@pytest.mark.parametrize("end", [1.1, 1.4, 1.7, 2.1, 2.3, 2.9])
def test_a_result_at_the_end_of_a_range_belongs_to_it_in_every_unit(end):
    # 17 g/kg is 1.7 %; in binary 17 x 0.1 is 1.7000000000000002, which is no result above the range.
    amounts = ((end * 10, "g/kg"), (end * 1e4, "mg/kg"))
    restated = np.array([convert_concentration(*amount, "%") for amount in amounts])
    nan = [np.nan] * 2
    assert CLASSES[classify(restated, [0.5] * 2, [end] * 2, nan, nan, nan)].tolist() == [Class.SUFFICIENT] * 2
    assert CLASSES[classify(restated, [end] * 2, [5.0] * 2, nan, nan, nan)].tolist() == [Class.SUFFICIENT] * 2
    assert CLASSES[classify(restated, nan, nan, nan, nan, [end] * 2)].tolist() == [Class.NOT_CLASSED] * 2


@pytest.mark.parametrize(
    ("given", "total"),
    [
        (5.0, 5.0),
        ({"K": 3, "sampling": 4}, 5.0),
        ({"K": 3, "sampling": 0}, 3.0),
        ({"K": 5, "sampling": 12}, 13.0),
    ],
)
def test_sampling_error_adds_in_quadrature(given, total):
    # 3-4-5 and 5-12-13 triangles; one number for all is the total, with no sampling on top.
    assert settle_cvs(given).set_index("nutrient").loc["K", "cv_pct"] == pytest.approx(total)


def test_sampling_error_stays_where_only_the_laboratory_is_given():
    # The table's own sampling error and a laboratory error of 0.001 %: what is left is the sampling alone.
    table = settle_cvs().set_index("nutrient")["cv_pct"]
    sampling = settle_cvs({"K": 0.001}).set_index("nutrient").loc["K", "cv_pct"]
    with_n = settle_cvs({"K": 3}).set_index("nutrient")
    assert sampling > 1
    assert with_n.loc["K", "cv_pct"] == pytest.approx((9 + sampling**2) ** 0.5)
    assert with_n.loc["N", "cv_pct"] == table["N"]
    with pytest.raises(InputError, match="above zero"):
        settle_cvs({"sampling": -1})


def test_distance_above_an_upper_limit_alone_is_relative_to_it():
    # 6 against an upper limit of 5 is one fifth above it; 4 is inside.
    nan = np.full(2, np.nan)
    found = distance_from_range(np.array([6.0, 4.0]), nan, np.array([5.0, 5.0]), nan)
    assert found.tolist() == pytest.approx([0.2, 0.0])
    # beside a foot of 2 without a low end: 1 is half below it, 6 one fifth above the high end
    found = distance_from_range(np.array([1.0, 6.0]), nan, np.array([5.0, 5.0]), np.array([2.0, 2.0]))
    assert found.tolist() == pytest.approx([-0.5, 0.2])


@pytest.mark.parametrize("nutrient", ["N", "P", "K", "Ca", "Mg", "S", "B", "Cu", "Fe", "Mn", "Zn"])
def test_each_figure_from_memory_is_told_where_it_is_the_only_one_used(tidy, nutrient):
    # All rows of KSU_WHEAT, flag leaf from boot on, are marked from_memory in the table of ranges.
    where = {"crop": "wheat", "growth_stage": "Feekes 10", "plant_part": "flag leaf"}
    checks = score_tissue(tidy({"a": {nutrient: 1.0}}, **where)).checks
    row = checks.set_index("check").loc["ranges from memory"]
    assert (row["value"], row["passed"]) == (1, False)
    assert "figures of KSU_WHEAT are from memory" in row["meaning"]
