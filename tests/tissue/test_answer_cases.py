"""What an agronomist expects of a report: the finding, the first cause, the option and the advice forbidden.

The files in ``tests/cases/leaf_answers`` are invented. Beside each stands the published guidance it is
written from, or that it is common practice without a source; limits are those of the ranges carried.
"""

import re
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from fertkit.intake import read_tissue
from fertkit.say.leaf import why_not
from fertkit.say.leaf_verdict import verdict
from fertkit.tissue import explain, score_tissue

CASES = Path(__file__).parent.parent / "cases" / "leaf_answers"


@dataclass(frozen=True)
class Case:
    """What is known of the field, and what must and must not be answered."""

    finding: str
    about: str = ""
    cause: str = ""
    option: str = ""  # to do now or next year
    never: str = ""  # stands among what not to do
    forbidden: str = ""  # may not stand among what to do now, unless folded away
    facts: dict = field(default_factory=dict)
    unsaid: str = ""


ANSWERS = {
    # Symptoms on upper leaves after R2 agree with K (Mallarino, Iowa State); granular potash to R5 (Arkansas
    # 2016), a foliar product on top added nothing (Ortel and others 2023).
    "soybean_late_k": Case(
        "Short, act now: K in hill", "K", "soil supplies too little K", "granular potash",
        "no foliar potassium",
        "foliar", {"symptoms": "upper leaves", "soil_K": "low"},
    ),
    # Mn shortage is likely above pH 7.0 (University of Wisconsin Soil Science); broadcast Mn is bound there
    # (common practice, no source).
    "soybean_mn_high_ph": Case(
        "Short: Mn in chalk", "Mn", "High soil pH", "foliar manganese", "No broadcast manganese",
        "broadcast|lime",
        {"ph": 7.4, "symptoms": "new leaves"},
    ),
    # Fewer than 7 pink nodules a plant, pH below 5.5: nodulation failed (Staton; No-Till Farmer, Michigan
    # State).
    "soybean_n_nodules": Case(
        "Short, act now: N in new ground", "N", "Nodules", "dig and wash roots", "well nodulated",
        "side-dress",
        {"nodules": "none", "ph": 5.2},
    ),
    # High pH, carbonate and nitrate together; a tolerant variety first (Kansas State eUpdate 2179).
    "soybean_fe_chlorosis": Case(
        "Short: Fe in west", "Fe", "Lime", "wheel tracks", "No more lime", r"^foliar iron|\blime\b",
        {"ph": 8.0, "symptoms": "new leaves", "where": "low spots"},
    ),
    "soybean_healthy": Case(
        "Nothing needs action: nothing is short", unsaid="Marginal|all-clear|sample again"
    ),
    # Everything lower in the poor area: roots or water (Kansas State, plant analysis of corn; Georgia
    # handbook).
    "soybean_all_lower": Case(
        "Check roots and water first in Ridge 1", "many", "Dry soil", "sample again a week after rain",
        "Buy no fertilizer", "potash|spray|nitrogen at R1", {"weather": "dry"},
    ),
    # K low with Mg and Ca high: cations take its place, on clay most (common practice, no source).
    "soybean_k_mg_ca_pair": Case(
        "Short, act now: K in Ridge 1", "Mg", "replaces potassium the plant lacks", "granular potash",
        "foliar potassium",
        "lime|magnesium", {"texture": "clay", "soil_K": "low"}, "toxic",
    ),
    # After tasseling only severely short corn gained, and not in every state (Fernandez, Minnesota).
    "corn_n_silking": Case(
        "Short: N in bottom", "N", "Too little nitrogen", "too late for a useful application",
        "no nitrogen now",
        "side-dress",
    ),
    # Striped pale corn on sand low in organic matter; sulfate at V5, no elemental S (Purdue; Minnesota).
    "corn_s_striping": Case(
        "Short: S in sand", "S", "soil supplies too little S", "sulfate around V5", "no elemental sulfur",
        "elemental",
        {"texture": "sand", "om": 1.2, "symptoms": "whole plant"},
    ),
    # Cool weather favours Zn shortage (Camberato and Maloney, Purdue); high P with low Zn (common practice).
    "corn_zn_cold_high_p": Case(
        "Short: Zn in north", "Zn", "phosphorus goes with low zinc", "foliar zinc early",
        "No more phosphorus",
        "phosphorus (beside|starter)", {"weather": "cold", "soil_P": "high"},
    ),
    # Mg on acid sand; dolomitic lime where lime is due (Ohio State Extension).
    "corn_mg_acid_sand": Case(
        "Short: Mg in knoll", "Mg", "Acid sandy soil", "dolomitic lime", "No lime without a soil test",
        "gypsum",
        {"ph": 5.1, "texture": "loamy sand"},
    ),
    # High K keeps Mg out (Ohio State Extension): hold potash back, no recipe for Mg first.
    "corn_mg_potash": Case(
        "Short: Mg in feedlot", "Mg", "High potassium blocks magnesium uptake", "hold potash back",
        "No potash", "spray|dolomit", {"soil_K": "high", "manure": "yes"},
    ),
    # Enough in the soil: roots and cold first; P hardly moves in soil (common practice; Purdue on cold soil).
    "corn_p_cold_compacted": Case(
        "Short: P in headland", "P", "Roots or water", "dig roots", "No P fertilizer",
        "band|broadcast|starter",
        {"weather": "cold", "roots": "sideways", "soil_P": "enough"},
    ),
    # Sulfate before Feekes 5, by jointing at the latest (Kansas State); N:S above 20 (Purdue).
    "wheat_s_and_n": Case(
        "Short, act now: S in s (low relative to N)", "S", "soil supplies too little S",
        "by jointing at the latest",
        "no elemental sulfur", "elemental",
    ),
    # N:S in balance: sulfur is low with nitrogen and not the cause (Purdue).
    "wheat_n_starved": Case(
        "Low along with nitrogen, not the cause: S in a", "S", "short of nitrogen", "top-dress", "",
        "sulfate",
    ),
    # Mn in wheat on calcareous soil: foliar manganese (common practice, no source; CIMMYT limits).
    "wheat_mn": Case(
        "Short: Mn in chalk", "Mn", "High soil pH", "foliar manganese", "No broadcast manganese", "broadcast",
        {"ph": 7.8},
    ),
    # Cu on organic soil: foliar at a low rate, no repeat without a test (common practice, no source).
    "wheat_cu_organic": Case(
        "Short: Cu in fen", "Cu", "Organic soil ties up Cu", "low foliar rate", "without a soil test",
        "repeat", {"texture": "peat"},
    ),
    "wheat_healthy": Case("Nothing needs action: nothing is short", unsaid="all-clear|sample again"),
    # Alberta prints low below 3, marginal to 5 mg/kg B: between them is marginal.
    "wheat_b_marginal": Case(
        "Marginal, no action on these alone: B in w", forbidden="boron", unsaid="Short:"
    ),
    # New leaves pale on eroded knolls: sulfate until early flowering (Canola Council 2012).
    "canola_s": Case(
        "Short, act now: S in knoll", "S", "soil supplies too little S", "until early flowering",
        "no elemental sulfur", "elemental", {"where": "hilltops", "symptoms": "new leaves"},
    ),
    # Critical 1.6 to 1.7 % nitrate-N 50 days after planting (Maine 1991); small doses while tubers grow
    # (Westermann and Kleinkopf 1985).
    "potato_nitrate": Case(
        "Short, act now: NO3-N in pivot", "NO3-N", "Too little nitrogen", "small doses with irrigation",
    ),
    # Nematodes bring K shortage with enough in the soil (Alabama and Louisiana Extension).
    "cotton_k": Case(
        "Short: K in east", "K", "Roots or water", "dig roots", "No K fertilizer", "top-dress|foliar",
        {"roots": "nematodes", "soil_K": "enough"},
    ),
    # Drought and sand bring B shortage (Fernandez, Illinois 2012); spray the stubble (Camberato, Purdue
    # 2009).
    "alfalfa_b": Case(
        "Short: B in cut 2", "B", "Dry, sandy or limed soil releases little boron", "stubble",
        "Never above the label",
        "broadcast", {"weather": "dry", "texture": "sand"},
    ),
    # K moves to the crop with hay; top-dress after a cutting (Georgia, alfalfa).
    "alfalfa_k": Case(
        "Short: K in third year", "K", "soil supplies too little K", "top-dress after a cutting", "",
        "foliar",
        {"residue": "hay", "soil_K": "low"},
    ),
    # Above 200 mg/kg Zn probably toxic at 30 days; zinc harms peanut on acid soil (leaf Ca:Zn of 50 or less).
    "peanut_zn_toxic": Case(
        "Above a limit its source calls toxic: Zn 320 mg/kg in a", "Zn", "Acid soil releases too much Zn",
        "lime to the soil test", "No more Zn", "foliar zinc|zinc at planting", {"ph": 5.2, "sprayed": "no"},
        "nothing is short|need not be uptake|needs action",
    ),
    # Dry soil keeps Ca from the pods; gypsum at bloom (Harris, Georgia; NC State, Peanut Notes 93).
    "peanut_ca_bloom": Case(
        "Short: Ca in b", "Ca", "soil around the pods", "gypsum over the row at bloom",
        "No potash at pegging",
        "potash", {"weather": "dry"},
    ),
    # Soil adds Fe and Al (Wyttenbach 1998; Cary 1994): wash, and take no Fe from the sample.
    "corn_soil_on_leaf": Case(
        "Fe 2400, Al 2200 mg/kg in dusty. Wash and sample again; do not use its Fe",
        "Fe", "Soil or dust", "clean leaves", "Do not use Fe or Al", "foliar", {},
        "toxic|need not be uptake",
    ),
    # No sampling after a recent foliar feed (Ontario): one element alone far above the others is residue.
    "corn_zn_spray": Case(
        "Above a range: Zn in sprayed", "Zn", "spray or fungicide left Zn", "", "", "zinc",
        {"sprayed": "Zn"}, "Short:",
    ),
}  # fmt: skip


@cache
def answered(name):
    return explain(score_tissue(read_tissue(CASES / f"{name}.csv")), facts=ANSWERS[name].facts)


def test_every_file_has_its_answer():
    assert {path.stem for path in CASES.glob("*.csv")} == {*ANSWERS, "corn_wrong_part"}
    assert len(ANSWERS) >= 22


@pytest.mark.parametrize("name", ANSWERS)
def test_the_answer_an_agronomist_expects(name):
    case, got = ANSWERS[name], answered(name)
    line = verdict(got)
    assert case.finding in line
    assert not case.unsaid or not re.search(case.unsaid, line, re.IGNORECASE)
    if case.about:
        first = got.causes[got.causes["about"] == case.about].iloc[0]
        assert first["rank"] == 1
        assert case.cause in first["cause"]
        assert first["settle_by"]
    do = got.actions[~got.actions["folded"].astype(bool) & (got.actions["when"] != "do not")]
    assert not case.option or do["text"].str.contains(case.option, regex=False).any()
    never = got.actions.loc[got.actions["when"] == "do not", "text"]
    assert not case.never or never.str.contains(case.never, regex=False).any()
    now = do.loc[(do["when"] == "now") & (do["kind"] == "remedy"), "text"]
    for text in now if case.forbidden else ():  # what follows a colon is the reason
        assert not re.search(case.forbidden, text.partition(":")[0], re.IGNORECASE)


def test_good_against_poor_leads_and_says_what_takes_the_place_of_what():
    first, second, *_ = answered("soybean_k_mg_ca_pair").summary().splitlines()
    assert first == "Ridge: K 1.31 % in the poor area, 2.16 in the good; Ca, Mg higher where K is low"
    assert "true potassium shortage" in second
    first, second, third, *_ = answered("soybean_all_lower").summary().splitlines()
    assert first.startswith("Ridge: Mg 0.25 % in the poor area, 0.45 in the good; K 1.3 ")
    assert "suspect roots or water, not one nutrient" in second
    assert third.startswith("Verdict: Check roots and water first")


def test_a_part_without_a_range_is_asked_about_and_not_judged():
    # No table of corn at silking is for whole plants; ear leaves at R1 (University of Georgia, Kansas State).
    got = explain(score_tissue(read_tissue(CASES / "corn_wrong_part.csv")))
    text = got.summary()
    assert text.startswith("nothing could be judged: 1 corn sample (old, row 2)")
    assert got.actions.empty
    assert got.items.empty


@pytest.mark.parametrize("column", ["Part", "Stage"])
def test_one_option_is_not_offered_for_several_crops(column):
    """A part or stage given for all would score, or drop, the other crop by it."""
    rows = {"Crop": ["corn", "soybean"], "Stage": ["R1", "R2"], "Part": ["ear leaf", "trifoliate"]}
    rows[column] = ["", ""]
    both = pd.DataFrame(rows | {"Sample": ["a", "b"], "N (%)": [2.9, 4.9]})
    of_both, of_one = (
        why_not(explain(score_tissue(read_tissue(table))).unscored.rename(columns={"reason": "why"}))
        for table in (both, both.head(1))
    )
    assert len(of_both) == 2
    assert all(f"for each crop its own {column.lower()}" in note for note in of_both)
    assert [note.in_code for note in of_both] == ["", ""]
    assert f"--{column.lower()} ..." in of_one[0].in_code


def test_many_samples_that_are_not_scored_are_counted_once():
    rows = [("a", "corn", "ear leaf"), *((name, "corn", "husk") for name in "bcdefg")]
    samples = pd.DataFrame(rows, columns=["Sample", "Crop", "Part"]).assign(Stage="R1", **{"N (%)": 2.1})
    said = verdict(explain(score_tissue(read_tissue(samples))))
    assert "Not in this verdict: 6 samples (not scored)" in said


def test_no_marginal_or_possible_finding_stands_above_a_surer_one():
    for name in ANSWERS:
        table = answered(name).items
        place = table["confidence"].map({"short": 0, "possibly short": 1, "marginal": 2})
        assert place.is_monotonic_increasing
