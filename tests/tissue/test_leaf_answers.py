"""What is said first about a report: the verdict line of each file of the cases (tests/cases/README.md).

Values and right readings are invented there; limits are those of the published ranges the kit carries.
"""

import re
from pathlib import Path

import pytest

from fertkit.cli import main
from fertkit.intake import read_tissue
from fertkit.say.leaf_verdict import verdict
from fertkit.tissue import explain, score_tissue

CASES = Path(__file__).parent.parent / "cases" / "leaf"
ALL_CLEAR = re.compile(r"nothing (needs action|is short)|no action(?! yet| on these)", re.IGNORECASE)


def verdict_of(source, **given):
    samples = read_tissue(source, **({"name": "lab.csv"} if isinstance(source, bytes) else {}), **given)
    return verdict(explain(score_tissue(samples)))


# file -> (words of the verdict line, words that must not stand in it)
VERDICTS = {
    "wheat_sulfur.csv": (["Short, act now: S in s (low relative to N)"], []),
    "wheat_n_and_s.csv": (
        ["Short: N in a", "Short, act now: S in b and c (low relative to N)",
         "Low along with nitrogen, not the cause: S in a"], ["no action on these alone: S in a"]),
    "good_bad.csv": (["Short: Mn in Ridge 120, poor area"], ["Mn in Ridge 120, good area"]),
    "healthy_soybean.csv": (["Nothing needs action"], ["all-clear", "Sample again"]),
    "glued_units.csv": (["Short: Zn in 1"], []),
    "two_years.csv": (
        ["Short: N in North 80, 2024-07-18; Mn in North 80, 2025-07-01 and 2025-07-21"],
        ["South 40"]),
    "crop_words.csv": (["samples i and j (not scored)"], []),
    "soybean_words.csv": (["samples e, j and l (not scored)"], []),
    "alfalfa_words.csv": (["samples b and d (not scored)"], []),
    "wheat_words.csv": (["samples a and g (not scored)"], []),
    "extra_columns.csv": (
        ["Soil on the leaf: Fe 980, Al 1250 mg/kg in D1. Wash and sample again; do not use its Fe"],
        ["Nothing needs action", "toxic", "Above a range"]),
    "names_like_totals.csv": (["N in Check, Standard and Low", "K in Check and Standard", "K in Low"], []),
    "stage_above.csv": (["Short: Zn in 1"], ["all-clear"]),  # 18 below 20 mg/kg (CAMBERATO2012)
}  # fmt: skip


@pytest.mark.parametrize("name", VERDICTS)
def test_the_verdict_line_of_each_file(name):
    line = verdict_of(CASES / name)
    said, unsaid = VERDICTS[name]
    for words in said:
        assert words in line
    for words in unsaid:
        assert words not in line


HEAD = "Sample,Crop,Stage,Part,N %,P %,K %,"
FULL = "a,corn,R1,ear leaf,3.2,0.35,2.2,"


@pytest.mark.parametrize(
    ("text", "gap"),
    [
        (f"{HEAD}Zn xyz\n{FULL}9\n", "not read Zn (column 'Zn xyz')"),
        (f"{HEAD}Zn ppm\n{FULL}ND\n", "not judged Zn in a"),
        (f"{HEAD}Zn ppm\n{FULL}30\nb,corn,R1,ear leaf,3.2,0.35,2.2,\n", "no result for Zn in b"),
        (f"{HEAD}Zn ppm\n{FULL}30\nb,corn,R1,middle leaf,3.2,0.35,2.2,30\n", "sample b (not scored)"),
        (f"{HEAD}Zn ppm\n{FULL}30\nb,sweet corn,R1,ear leaf,3.2,0.35,2.2,30\n", "sample b (not scored)"),
    ],
)  # fmt: skip
def test_no_all_clear_while_something_went_unread_or_unjudged(text, gap):
    line = verdict_of(text.encode())
    assert not ALL_CLEAR.search(line)
    assert "This is not an all-clear" in line
    assert gap in line
    short = verdict_of(text.replace(FULL, FULL.replace("2.2", "0.7")).encode())
    assert short.startswith("Short: K in a")
    assert f"Not in this verdict: {gap}" in short


def test_an_all_clear_where_everything_was_read_and_judged():
    # Limits of ear leaves at silking: N 2.7 to 2.9 %, P 0.22 to 0.31 %, K 1.06 to 1.91 %, Zn 15 to 20 mg/kg.
    line = verdict_of(f"{HEAD}Zn ppm,Al ppm,NO3-N ppm\n{FULL}30,60,300\n".encode())
    assert line == "Nothing needs action: nothing is short by any source."


@pytest.mark.parametrize(
    ("text", "gap"),
    [
        ("NO3-N ppm,K %\na,cotton,first bloom,petiole,1500,3.9\n", "not judged NO3-N in a"),
        ("NO3 ppm,K %\na,potato,early bulking,4th petiole,9000,9.5\n", "not read NO3-N (column 'NO3 ppm')"),
        ("NO3-N ppm,K %\na,sugar beet,mid-season,leaf blade,300,2.0\n"
         "b,potato,early bulking,4th petiole,17500,9.5\n", "not judged NO3-N in a"),
        ("N %,NO3-N ppm,K %\na,corn,R1,ear leaf,3.2,300,2.2\nb,corn,R1,ear leaf,,300,2.2\n",
         "not judged NO3-N in b; no result for N in b"),
    ],
)  # fmt: skip
def test_a_form_of_a_nutrient_leaves_a_gap_where_its_total_was_not_judged(text, gap):
    line = verdict_of(f"Sample,Crop,Stage,Part,{text}".encode())
    assert not ALL_CLEAR.search(line)
    assert line.endswith(f"This is not an all-clear: {gap}.")


# Peanut at 30 days: toxic above Zn 200 and Mn 600 mg/kg, range up to 50 and 350 (CROPFILE_PEANUT).
TOXIC_ZN = "Above a limit its source calls toxic: Zn 320 mg/kg in a (limit 200)"


def test_a_value_above_a_toxic_limit_is_named_first_and_residue_is_asked_about():
    head = "Sample,Crop,Stage,Part,Zn ppm,Mn ppm,K %\n"
    both = verdict_of(f"{head}a,peanut,30 d,whole plant,320,700,2.6\n".encode())
    assert both.startswith(f"{TOXIC_ZN}; Mn 700 mg/kg in a (limit 600). ")
    assert "spray" in both
    assert "; check " in both
    assert "nothing is short" not in both.lower()
    assert "need not be uptake" not in both
    assert not re.search("needs action|no action", both)
    rows = "a,peanut,30 d,whole plant,320,400,0.8\nb,peanut,30 d,whole plant,201,150,2.6\n"
    mixed = verdict_of(f"{head}{rows}".encode())
    assert mixed.startswith(f"{TOXIC_ZN}. ".replace("320 mg/kg in a", "201 to 320 mg/kg in a and b"))
    assert "Short: K in a" in mixed
    assert "Above a range: Mn in a" in mixed
    assert "toxic" not in verdict_of(f"{head}a,peanut,30 d,whole plant,200,600,2.6\n".encode())


def test_the_verdict_says_from_which_line_the_crop_of_a_later_table_was_taken():
    table = "Sample,N %,P %,K %,Zn ppm\n{},3.2,0.35,2.2,30\n\n"
    text = "Crop: corn\nPart: ear leaf\nStage: R1\n" + table.format("A") + "{}Stage: R1\n" + table.format("C")
    taken = "Read from an earlier table for C: crop 'corn' (row 1), part 'ear leaf' (row 2)."
    assert verdict_of(text.format("").encode()).endswith(taken)
    assert "Taken from" not in verdict_of(text.format("Crop: corn\nPart: ear leaf\n").encode())


@pytest.mark.parametrize(
    ("n", "s", "short"),
    [
        (1.5, 0.11, []),  # N:S 13.6 is below 20
        (4.4, 0.11, ["PURDUE_S"]),  # N:S 40 and S below 0.12 %
        (4.2, 0.14, []),  # N:S 30, but S above 0.12 %
        (2.2, 0.11, ["PURDUE_S"]),  # N:S 20.0: the rule says 20 or more
    ],
)
def test_a_rule_of_two_asks_for_both(tidy, n, s, short):
    """Purdue's rule for wheat: sulfur is short with S below 0.12 % and N:S of 20 or more (PURDUE_S)."""
    wheat = {"crop": "wheat", "growth_stage": "Feekes 5", "plant_part": "whole plant"}
    table = score_tissue(tidy({"a": {"N": n, "S": s}}, **wheat), source="PURDUE_S").table
    sulfur = table[(table["nutrient"] == "S") & table["class"].isin(["low", "deficient"])]
    assert sulfur["source_key"].tolist() == short


def test_a_rule_of_two_cannot_tell_without_the_other(tidy):
    wheat = {"crop": "wheat", "growth_stage": "Feekes 5", "plant_part": "whole plant"}
    row = score_tissue(tidy({"a": {"S": 0.11}}, **wheat), source="PURDUE_S").table.iloc[0]
    assert row["class"] == "cannot be classed"
    assert "N:S of 20 or more" in row["reason"]


def test_sulfur_of_wheat_is_acted_on_before_jointing(tidy):
    # Kansas State extension: sulfate top-dressed ideally before Feekes 5 (KSU_S_WHEAT).
    values = {"a": {"N": 4.4, "S": 0.11}}
    wheat = {"crop": "wheat", "growth_stage": "Feekes 5", "plant_part": "whole plant"}
    early = explain(score_tissue(tidy(values, **wheat))).table.set_index("nutrient").loc["S"]
    assert "by jointing at the latest" in early["this_season"]
    late = explain(score_tissue(tidy(values, **wheat | {"growth_stage": "Feekes 7"}))).table
    assert "too late" in late.set_index("nutrient").loc["S", "this_season"]


def test_a_wide_ratio_alone_is_told_and_calls_nothing_short(tidy):
    wheat = {"crop": "wheat", "growth_stage": "Feekes 5", "plant_part": "whole plant"}
    text = explain(score_tissue(tidy({"a": {"N": 5.0, "S": 0.2}}, **wheat))).summary()
    assert "Ratio: a: N:S is 25, above 20: S is low relative to N, but not below any published range" in text


def test_the_pair_of_good_and_poor_areas_leads_the_answer(capsys):
    main(["leaf", str(CASES / "good_bad.csv")])
    first, second, *rest = capsys.readouterr().out.splitlines()
    assert first == "Ridge 120: Mn 16 mg/kg in the poor area, 45 in the good"
    assert "Soil test both areas" in second
    assert any(line.startswith("Verdict: Short: Mn") for line in rest)


def test_the_command_line_begins_with_the_verdict(capsys):
    main(["leaf", str(CASES / "healthy_soybean.csv")])
    assert capsys.readouterr().out.startswith("Verdict: Nothing needs action")


def test_what_is_given_on_the_command_line_replaces_a_word_not_known(tmp_path, capsys):
    file = tmp_path / "lab.csv"
    file.write_text("Sample,Crop,Stage,Part,K %\na,Maiz duro,pre-pollen,middle leaf,0.7\n")
    main(["leaf", str(file), "--crop", "corn", "--stage", "R1", "--part", "ear leaf"])
    text = capsys.readouterr().out
    assert text.startswith("Verdict: Short: K in a")
    for word in ("'Maiz duro'", "'pre-pollen'", "'middle leaf'"):
        assert word in text


def test_nutrients_short_in_one_place_are_named_together_and_the_field_once():
    # ear leaf at R1: values far below the published limits (SCSB394: N 2.8 %, Zn 20 mg/kg)
    line = verdict_of(
        b"Sample,Field,Crop,Stage,Part,N %,Zn ppm\n"
        b"1,Hill Sixty,corn,R1,ear leaf,2.1,9\n2,Hill Sixty,corn,R1,ear leaf,2.0,8\n"
    )
    assert "N, Zn in Hill Sixty 1 and 2" in line or "Zn, N in Hill Sixty 1 and 2" in line
    assert line.count("Hill Sixty") == 1
