"""Pairs, seasons and treatments."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.intake import read_tissue
from fertkit.tissue import compare_pairs, compare_treatments
from fertkit.tissue.pairs import log_ratio_noise

GOOD = {"N": 4.8, "P": 0.35, "K": 2.2, "Ca": 1.1, "Mg": 0.45, "S": 0.28, "Zn": 40.0, "Mn": 60.0}
PADDOCKS = [
    (1, "North", "good", 2.2),
    (2, "North", "poor", 1.3),
    (3, "South", "good", 2.1),
    (4, "South", "poor", 2.1),
]
SOYBEAN = {"crop": "soybean", "growth_stage": "R2", "plant_part": "upper trifoliate without petiole"}


def pair(tidy, factors, **options):
    poor = {n: v * factors.get(n, factors.get("all", 1.0)) for n, v in GOOD.items()}
    return compare_pairs(tidy({"North good": GOOD, "North poor": poor}, **SOYBEAN), **options)


def test_noise_of_a_log_ratio():
    # At CV 7 % with one composite each, a ratio of 0.82 to 1.21 is not distinguishable (own arithmetic of the
    # interpretation notes: 1.96 sqrt(2) 0.07 = 0.194).
    noise = log_ratio_noise(0.07)
    assert noise == pytest.approx(0.194, abs=5e-4)
    assert np.exp([-noise, noise]) == pytest.approx([0.82, 1.21], abs=5e-3)


def test_one_nutrient_lower_and_below_range_is_strong_evidence(tidy):
    result = pair(tidy, {"K": 0.6})
    k = result.table.set_index("nutrient").loc["K"]
    assert k["log_ratio"] == pytest.approx(np.log(0.6))
    assert k["evidence"].startswith("strong")
    assert result.patterns["pattern"].item() == "one or few nutrients lower"


def test_both_areas_short_is_told_apart_from_a_nutrient_lower_in_one(tidy):
    # 0.9 % K lies below 1.56 % (STAMMER2018) and every other limit of trifoliates at R2, in both areas alike.
    samples = tidy({"North good": GOOD | {"K": 0.9}, "North poor": GOOD | {"K": 0.9}}, **SOYBEAN)
    evidence = compare_pairs(samples).table.set_index("nutrient")["evidence"]
    assert evidence["K"] == "both areas short"
    assert evidence["N"] == "none"


def test_lower_but_in_range_is_weak_evidence(tidy):
    result = pair(tidy, {"Mn": 0.7}, cvs=5)
    assert result.table.set_index("nutrient").loc["Mn", "evidence"].startswith("weak")


@pytest.mark.parametrize(
    ("factors", "weights", "pattern"),
    [
        ({"all": 0.6}, None, "all lower in the poor area"),
        ({"all": 1.6}, None, "all higher in the poor area"),
        ({"all": 1.6}, {"North good": 10.0, "North poor": 5.0}, "dilution in the good area"),
        ({"all": 1.02}, None, "no difference beyond noise"),
        ({"K": 0.6, "Ca": 1.5}, None, "K lower with Ca higher"),
        ({"K": 0.6, "Mg": 1.5, "Ca": 1.5}, None, "K lower with Ca and Mg higher"),
        ({"K": 0.6, "Zn": 1.5}, None, "differences both ways"),
        ({"Mg": 1.35, "Zn": 1.37}, None, "one or few nutrients higher"),
    ],
)
def test_patterns(tidy, factors, weights, pattern):
    result = pair(tidy, factors, plant_weights=weights)
    assert result.patterns["pattern"].item() == pattern
    if weights:
        assert result.table["content_ratio"].to_numpy() == pytest.approx(0.8)
    if pattern == "one or few nutrients higher":
        assert "are all higher in the poor area" in result.summary()


def test_pairs_by_area_column_and_single_names(tidy):
    low = {n: v * 0.6 for n, v in GOOD.items()}
    both = [tidy({"7": GOOD}, **SOYBEAN, area="good"), tidy({"7": low}, **SOYBEAN, area="poor")]
    both[1]["specimen"] = 2
    assert compare_pairs(pd.concat(both)).patterns["pair"].item() == "7"
    both[0]["sample_id"], both[1]["sample_id"] = "hill", "slope"
    assert compare_pairs(pd.concat(both)).patterns["pair"].item() == "hill against slope"


def test_pairs_must_agree_in_part_and_exist(tidy):
    samples = tidy({"North good": GOOD, "North poor": GOOD}, **SOYBEAN)
    samples.loc[samples["sample_id"] == "North poor", "growth_stage"] = "R4"
    with pytest.raises(InputError, match="differ in growth stage"):
        compare_pairs(samples)
    with pytest.raises(NotEstimable, match="add a column Area, or name samples so"):
        compare_pairs(tidy({"A": GOOD, "B": GOOD}, **SOYBEAN))


def test_pairs_of_a_paddock_by_another_column(tidy):
    values = {"1": GOOD, "2": GOOD | {"K": 1.3}, "3": GOOD, "4": GOOD | {"N": 3.0}}
    samples = tidy(values, **SOYBEAN)
    samples["area"] = samples["sample_id"].map({"1": "good", "2": "poor", "3": "good", "4": "poor"})
    samples["paddock"] = samples["sample_id"].map({"1": "North", "2": "North", "3": "South", "4": "South"})
    with pytest.raises(NotEstimable, match=r"good: 1, 3; poor: 2, 4.*column Area.*name the column of places"):
        compare_pairs(samples)
    table = compare_pairs(samples, by="paddock").table
    lower = table[table["difference"] == "lower"]
    assert lower[["pair", "nutrient"]].to_numpy().tolist() == [["North", "K"], ["South", "N"]]
    with pytest.raises(LookupFailed, match="paddock"):
        compare_pairs(samples, by="field")


def test_pairs_of_a_file_by_its_own_column():
    lines = ["Sample,Paddock,Zone,Crop,Stage,Part,N (%),K (%)"]
    lines += [f"{i},{p},{z},soybean,R2,trifoliate,4.8,{k}" for i, p, z, k in PADDOCKS]
    samples = read_tissue("\n".join(lines).encode())
    table = compare_pairs(samples, by="Paddock").table.set_index(["pair", "nutrient"])
    assert table.loc[("North", "K"), "log_ratio"] == pytest.approx(np.log(1.3 / 2.2))
    assert table.loc[("South", "K"), "log_ratio"] == 0


def as_tissue(values, labels):
    """Put any trial response in as one nutrient."""
    where = {"crop": "corn", "growth_stage": "R1", "plant_part": "ear leaf", "censored": ""}
    return pd.DataFrame({"sample_id": labels, "nutrient": "Fe", "value": values}).assign(**where)


def test_analysis_of_variance_gomez_and_gomez(outside):
    # Gomez and Gomez 1984, rice seeding rates, 4 blocks x 6: SS block 1944361, treatment 1198331, error
    # 1658376 on 15 df, F 2.16778, p 0.1128, standard error of a difference 235.115, LSD 501.136.
    data = outside("gomez_rice_seedrate_rcbd.csv")
    labels = [f"p{i}" for i in range(len(data))]
    design = pd.DataFrame({"sample_id": labels, "treatment": data["seed_kg_ha"], "block": data["rep"]})
    result = compare_treatments(as_tissue(data["yield_kg_ha"].to_numpy(float), labels), design)
    test = result.table.iloc[0]
    assert test["f"] == pytest.approx(2.16778, abs=6e-6)
    assert test["p_value"] == pytest.approx(0.1128, abs=6e-5)
    assert test["sed"] == pytest.approx(235.115, abs=6e-4)
    assert test["lsd"] == pytest.approx(501.136, abs=6e-4)
    ss = result.anova.set_index("term")["ss"]
    assert ss.to_dict() == pytest.approx({"block": 1944361, "treatment": 1198331, "error": 1658376}, abs=0.6)
    assert result.anova.set_index("term")["df"].to_dict() == {"block": 3, "treatment": 5, "error": 15}


def test_uptake_is_concentration_times_biomass(tidy):
    samples = tidy(
        {
            "a": {"N": 3.0, "Zn": 20.0},
            "b": {"N": 2.5, "Zn": 30.0},
            "c": {"N": 3.1, "Zn": 22.0},
            "d": {"N": 2.4, "Zn": 28.0},
        }
    )
    design = pd.DataFrame(
        {
            "sample_id": list("abcd"),
            "treatment": ["with", "without"] * 2,
            "biomass_kg_ha": [2000, 4000, 2000, 4000],
        }
    )
    means = compare_treatments(samples, design).means.set_index(["measure", "nutrient", "treatment"])["mean"]
    assert means["uptake", "N", "with"] == pytest.approx(2000 * (0.030 + 0.031) / 2)
    assert means["uptake", "Zn", "without"] == pytest.approx(4000 * 29e-6 * 1000)


def test_a_line_of_treatments_lists_the_means_of_its_nutrient_alone(tidy):
    # Means by hand: N 3.05 and 2.45, Zn 21 and 29.
    values = {"a": {"N": 3.0, "Zn": 20.0}, "b": {"N": 2.5, "Zn": 30.0},
              "c": {"N": 3.1, "Zn": 22.0}, "d": {"N": 2.4, "Zn": 28.0}}  # fmt: skip
    design = pd.DataFrame({"sample_id": list("abcd"), "treatment": ["with", "without"] * 2})
    said = compare_treatments(tidy(values), design).summary()
    assert "N concentration: with 3.05, without 2.45 %; F" in said
    assert "Zn concentration: with 21, without 29 mg/kg; F" in said


def test_treatments_need_replicates_and_a_whole_design(tidy):
    samples = tidy({"a": {"N": 3.0}, "b": {"N": 2.5}})
    with pytest.raises(NotEstimable, match="degrees of freedom"):
        compare_treatments(samples, pd.DataFrame({"sample_id": ["a", "b"], "treatment": ["x", "y"]}))
    with pytest.raises(InputError, match="b is not in the design"):
        compare_treatments(samples, pd.DataFrame({"sample_id": ["a"], "treatment": ["x"]}))
    with pytest.raises(InputError, match="treatment"):
        compare_treatments(samples, pd.DataFrame({"sample_id": ["a"]}))


def test_pairs_of_two_dates_stay_two_pairs():
    # Arithmetic: ln(16/45) and ln(1.25/2.2) would both shrink if the dates were averaged.
    head = "Field,Area,Crop,Stage,Part,Sampled,K %,Mn ppm\n"
    place = "soybean,R{},upper trifoliate without petiole,{}"
    first, second = place.format(1, "2024-07-03"), place.format(3, "2024-07-28")
    rows = [f"N,Good,{first},2.2,45", f"N,Bad,{first},2.2,16"]
    rows += [f"N,Good,{second},2.2,45", f"N,Bad,{second},1.25,45"]
    pairs = compare_pairs(read_tissue((head + "\n".join(rows) + "\n").encode())).table
    lower = pairs[pairs["difference"] == "lower"].set_index("pair")
    assert lower["nutrient"].to_dict() == {"N, 2024-07-03": "Mn", "N, 2024-07-28": "K"}
    assert lower["log_ratio"].tolist() == pytest.approx([np.log(16 / 45), np.log(1.25 / 2.2)])


def test_samples_of_one_field_pair_by_the_field():
    head = "Field,Sample,Area,Crop,Stage,Part,K %\n"
    rows = ["Hill,1,good,corn,V6,whole plant,3.2", "Hill,2,poor,corn,V6,whole plant,1.1"]
    rows += ["Flat,3,good,corn,V6,whole plant,3.2", "Flat,4,poor,corn,V6,whole plant,3.1"]
    pairs = compare_pairs(read_tissue((head + "\n".join(rows) + "\n").encode())).table
    assert pairs.set_index("pair")["difference"].to_dict() == {"Hill": "lower", "Flat": "within noise"}
