"""Remedies by crop and stage: the right advice stands, the wrong one does not (source beside each)."""

import re

import pandas as pd
import pytest

from fertkit.reference.facts import load_facts
from fertkit.tissue import explain, score_tissue

PARTS = {
    "corn": "ear leaf", "soybean": "trifoliate without petiole", "wheat": "whole plant",
    "peanut": "youngest mature leaves", "dry bean": "trifoliate with petiole", "field pea": "whole plant",
    "cotton": "uppermost mature leaf blade", "potato": "fourth petiole", "canola": "whole plant",
    "alfalfa": "top 6 inches", "bromegrass": "whole plant", "sudangrass": "whole plant",
    "lentil": "whole plant", "sugar beet": "petiole of recently mature leaf",
}  # fmt: skip
# crop, stage, nutrient -> (words that must stand, words that must not)
ADVICE = [
    # low N in a legume: nodules, inoculant, pH and molybdenum first (from memory); pea has no stages here
    ("peanut", "bloom", "N", (["nodules", "inoculant", "molybdenum", "pH"], ["side-dress", "top-dress"])),
    ("dry bean", "before bloom", "N", (["nodules", "inoculant", "molybdenum", "pH"], ["side-dress"])),
    # Michigan State 2012: under 7 nodules a plant, up to 10 bu/ac at R1 to R2; Iowa State: +4 to -6.5 bu/ac
    ("soybean", "R1", "N", (["7 nodules", "10 bu/ac", "-6.5"], ["side-dress"])),
    ("soybean", "R5", "N", (["seldom works"], ["side-dress", "7 nodules"])),
    # Missouri: 34 bu/ac up to tassel; Minnesota: none past V12 but on irrigated sand
    ("corn", "V12", "N", (["34 bu/ac", "Minnesota", "burns"], ["too late"])),
    ("corn", "R2", "N", (["too late", "after tasseling"], ["34 bu/ac", "side-dress"])),
    ("corn", "R2", "Zn", (["too late"], ["foliar"])),
    # cotton at cut-out, headed wheat, potato late: from memory
    ("cotton", "cut-out", "N", (["nothing more"], ["side-dress", "fertigate"])),
    ("cotton", "first bloom", "N", (["side-dress"], ["nothing more"])),
    ("wheat", "Feekes 10.5", "N", (["too late for yield"], ["top-dress"])),
    ("wheat", "Feekes 5", "N", (["top-dress"], ["too late"])),
    # Westermann 1985, Maine 1991: nitrogen while tubers grow, by petiole nitrate
    ("potato", "early bulking", "N", (["small doses", "petiole nitrate"], ["side-dress"])),
    ("potato", "maturity", "N", (["nothing more"], ["small doses", "side-dress"])),
    # Canola Council 2010: before the 4- to 6-leaf stage
    ("canola", "flowering", "N", (["nothing"], ["top-dress before"])),
    # Arkansas 2016 and 2021 to 2023: granular potash at 15 and 30 days after R1; foliar none (Ortel 2023)
    ("soybean", "R2", "K", (["granular", "5% at R2 and 10% at R5", "foliar", "nothing"], ["too late"])),
    ("soybean", "R6", "K", (["too late"], ["granular"])),
    # Arkansas 2023: half and half as good as all before planting; Iowa 2000: foliar changed 6 of 27 sites
    ("soybean", "V5", "K", (["half before planting", "6 of 27"], ["too late", "foliar"])),
    ("soybean", "V5", "P", (["hardly moves", "one site in seven"], ["top-dress"])),
    # Alabama and Louisiana: roots bring it; Florida: bolls draw most of it
    ("cotton", "first bloom", "K", (["roots first", "nematodes", "bolls"], [])),
    # Wisconsin: above pH 7.0 and 6 % organic matter
    ("soybean", "V5", "Mn", (["pH 7.0", "6 %"], [])),
    # Arizona: pink nodules work
    ("alfalfa", "bud", "N", (["pink", "green ones do not"], ["side-dress"])),
    # Purdue 2017 to 2022: 26 of 55 trials, 11 bu/ac; Minnesota: not over the top
    ("corn", "V5", "S", (["26 of 55", "never thiosulfate over the top"], ["Feekes"])),
    # Canola Council 2012: until early flowering
    ("canola", "flowering", "S", (["early flowering", "before rain"], ["too late"])),
    # Kansas State: before Feekes 5 to jointing
    ("wheat", "Feekes 5", "S", (["by jointing at the latest", "before Feekes 5"], ["too late"])),
    ("wheat", "Feekes 8", "S", (["too late"], ["top-dress"])),
    # Georgia: gypsum at bloom
    ("peanut", "bloom", "Ca", (["gypsum", "bloom"], ["rarely any"])),
    ("corn", "V6", "Ca", (["rarely any"], ["gypsum over the row"])),
    # zinc on peanut: trouble at a leaf Ca:Zn of 50 or less
    ("peanut", "bloom", "Zn", (["pH", "Ca:Zn of 50"], ["foliar zinc early"])),
    ("peanut", "bloom", "Mn", (["not mixed"], [])),
    # potash in the pod zone keeps calcium from the pods (from memory)
    ("peanut", "bloom", "K", (["pegging", "calcium", "pods"], ["top-dress", "fertigate"])),
    # boron: alfalfa stubble (Purdue 2009), next crop (Illinois 2012)
    ("alfalfa", "bud", "B", (["stubble", "label", "corn or soybean"], [])),
    ("soybean", "R1", "Fe", (["wheel tracks"], ["foliar iron"])),
    # forage: nitrate limits of 700 (Oklahoma) and 1000 mg/kg NO3-N (Clemson); tetany above 2.2
    ("sudangrass", "12 in", "N", (["700 to 1000 mg/kg"], [])),
    ("bromegrass", "vegetative", "K", (["tetany", "2.2"], [])),
    ("bromegrass", "vegetative", "Mg", (["tetany", "2.2"], [])),
]  # fmt: skip


@pytest.fixture(scope="module")
def item(tidy):
    """What is said of a nutrient at 1 where 2 is enough, by crop and stage: a sample each of one report."""
    asked = [case[:3] for case in (*ADVICE, *NEXT, *SYMPTOMS)]
    asked += [(crop, stage, "NO3-N") for crop, stage, _ in NITRATE]
    asked += [(crop, stage, "K") for crop, stage, _ in SALT]
    asked = list(dict.fromkeys(asked))
    ranges, samples = [], []
    for k, (crop, stage, nutrient) in enumerate(asked):
        unit = "mg/kg" if nutrient in ("Zn", "Mn", "B", "Fe", "NO3-N") else "%"
        ranges.append((crop, stage, stage, PARTS[crop], nutrient, unit, 2.0))
        one = tidy({f"{k}": {nutrient: 1.0}}, crop=crop, growth_stage=stage, plant_part=PARTS[crop])
        samples.append(one.assign(specimen=k))
    columns = ["crop", "stage_from", "stage_to", "plant_part", "nutrient", "unit", "low"]
    found = explain(score_tissue(pd.concat(samples), pd.DataFrame(ranges, columns=columns))).table
    found = found.set_index("sample_id")
    return lambda *case: found.loc[f"{asked.index(case)}"]


@pytest.mark.parametrize(("crop", "stage", "nutrient", "words"), ADVICE)
def test_the_right_advice_stands_and_the_wrong_one_does_not(item, crop, stage, nutrient, words):
    found = item(crop, stage, nutrient)
    text = f"{found['this_season']}; {found['caution']}"
    for word in words[0]:
        assert word in text
    for word in words[1]:
        assert word not in found["this_season"]


NEXT = [
    # next year of a legume is no nitrogen plan; salts, zinc and potash by crop (from memory)
    ("soybean", "R2", "N", ["inoculate", "Lime"], ["trial", "budget"]),
    # Michigan 2013: where nodules fail
    ("soybean", "R2", "N", ["first-year fields", "5.5", "8.0", "flooding"], []),
    ("peanut", "bloom", "N", ["inoculate"], ["trial"]), ("dry bean", "before bloom", "N", ["inoculate"], []),
    ("corn", "R1", "N", ["trial"], ["inoculate"]), ("lentil", "flowering", "N", ["legume"], []),
    ("peanut", "bloom", "Zn", ["soil test and pH"], ["broadcast"]), ("corn", "V6", "Zn", ["broadcast"], []),
    ("peanut", "bloom", "K", ["before planting"], []),
]  # fmt: skip


@pytest.mark.parametrize(("crop", "stage", "nutrient", "said", "unsaid"), NEXT)
def test_next_year_fits_the_crop(item, crop, stage, nutrient, said, unsaid):
    text = item(crop, stage, nutrient)["next_year"]
    assert all(word in text for word in said)
    assert not any(word in text for word in unsaid)


def test_nitrogen_of_an_unknown_crop_asks_whether_it_is_a_legume(item):
    assert item("lentil", "flowering", "N")["this_season"].startswith("if it is a legume")


NITRATE = [
    ("potato", "early bulking", "small doses"), ("potato", "maturity", "nothing more"),
    ("sugar beet", "mid-season", "low in nitrate"),
]  # fmt: skip


@pytest.mark.parametrize(("crop", "stage", "said"), NITRATE)
def test_nitrate_has_the_advice_of_nitrogen_in_its_crop(item, crop, stage, said):
    assert said in item(crop, stage, "NO3-N")["this_season"]


SALT = [("soybean", "R2", True), ("corn", "V6", False)]


@pytest.mark.parametrize(("crop", "stage", "warned"), SALT)
def test_salt_with_the_seed_is_told_where_the_seed_minds_it(item, crop, stage, warned):
    assert ("no salt with the seed" in item(crop, stage, "K")["caution"]) == warned


SYMPTOMS = [
    # University of Georgia key; Purdue: sulfur in corn is striped and whole-plant
    ("corn", "V6", "S", ["stripes", "top to bottom"], ["youngest leaves;"]),
    ("corn", "V6", "N", ["in a V"], []), ("wheat", "Feekes 5", "N", ["older leaves"], ["in a V", "corn"]),
    # Canola Council 2012: cupped
    ("canola", "rosette", "S", ["cupped"], ["stripes"]),
    # Mallarino (Iowa State): lower leaves from V3, upper leaves from pod set on
    ("soybean", "V5", "K", ["older lower leaves"], ["upper leaves"]),
    ("soybean", "R4", "K", ["upper leaves"], []),
    ("alfalfa", "bud", "B", ["top leaves"], []), ("peanut", "bloom", "Ca", ["empty pods"], []),
]  # fmt: skip


@pytest.mark.parametrize(("crop", "stage", "nutrient", "said", "unsaid"), SYMPTOMS)
def test_a_symptom_line_speaks_of_its_own_crop(item, crop, stage, nutrient, said, unsaid):
    text = item(crop, stage, nutrient)["also_look"]
    assert all(word in text for word in said)
    assert not any(word in text for word in unsaid)


def test_no_text_of_one_crop_names_another():
    crops = {"corn", "soybean", "wheat", "canola", "peanut", "cotton", "potato", "alfalfa"}
    for name, column in (("mobility", "symptom"), ("options", "option")):
        for r in load_facts(name).itertuples():
            named = crops & set(re.findall(r"\w+", getattr(r, column).lower()))
            assert named <= {r.crop}, (name, r.nutrient, r.crop)


def test_doses_of_trace_elements_are_left_to_the_label():
    options = load_facts("options")
    spray = options[
        options["option"].str.contains("foliar|spray", case=False)
        & options["nutrient"].isin(["Mn", "Cu", "B", "Zn"])
    ]
    assert len(spray) >= 5
    assert spray["option"].str.contains("label").all()
