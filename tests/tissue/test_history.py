"""Fields over dates, crops and years: files made by hand, each with the answer worked out beside it.

Limits used below, as the tables of ranges hold them: soybean upper trifoliates at R2, K short below 1.56 %
(STAMMER2018); corn whole plants to V6, N short below 3.5 %, and ear leaves at R1 below 2.75 % (KSU_CORN).
"""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake.alike import alike, one_spelling
from fertkit.intake.reports import read_reports
from fertkit.tissue import explain, field_history

SOY = "soybean,R2,upper trifoliate without petiole"
HEAD = "Field,Sampled,Crop,Stage,Part,K %\n"


def folder(tmp_path, **files):
    """Write reports, named without their ending; a double underscore is a blank."""
    for name, lines in files.items():
        (tmp_path / f"{name.replace('__', ' ')}.csv").write_text(lines, encoding="utf-8")
    return tmp_path


def history(tmp_path, same=None, **files):
    return field_history(folder(tmp_path, **files), same=same, source="STAMMER2018")


def of(result, nutrient="K", **where):
    table = result.repeats[result.repeats["nutrient"] == nutrient]
    for column, value in where.items():
        table = table[table[column] == value]
    return table.iloc[0]


def test_a_nutrient_short_in_two_of_three_years_is_counted_and_placed(tmp_path):
    rows = [f"North,{day},{SOY},{k}\n" for day, k in
            [("2023-07-20", 1.31), ("2024-07-18", 2.10), ("2025-07-22", 1.50)]]  # fmt: skip
    result = history(tmp_path, all=HEAD + "".join(rows))
    k = of(result)
    assert (k["judged"], k["short"], k["open"]) == (3, 2, 0)
    assert k["where"] == "soybean 2023 at R2; soybean 2025 at R2 (possibly short)"
    said = "North: K short in 1 and possibly short in 1 of 3 seasons judged."
    assert result.summary().splitlines()[0] == said
    assert result.path["turn"].tolist() == ["", "", ""]  # no turn is told from one season to the next
    found = result.findings.set_index("kind").loc["repeats"]
    assert (found["value"], found["limit"]) == (2, 3)


@pytest.mark.parametrize(
    ("k", "word"),
    # With a CV of 8 % the chance of lying below 1.56 % is, by the normal table, 0.69 at 1.50 % (z 0.5) and
    # 0.99 at 1.31 % (z 2.4); 'short' asks for four in five (table confidence, common practice).
    [(1.31, "short"), (1.50, "possibly short")],
)
def test_a_season_has_the_word_of_the_leaf_test(tmp_path, k, word):
    files = folder(tmp_path, a=f"{HEAD}North,2024-07-20,{SOY},{k}\n")
    result = field_history(files, source="STAMMER2018", cvs=8)
    assert result.path["state"].tolist() == [word]
    assert explain(result.scores).items["confidence"].tolist() == [word]
    assert result.summary().splitlines()[:2] == [
        f"North: K {word} in 1 of 1 season judged.", f"soybean 2024: R2: K {word}, {k:g} %"
    ]  # fmt: skip


OXIDES = "Field,Area,Sampled,Crop,Stage,Part,N %,K2O %\n"


def test_a_result_set_aside_is_no_season_without_a_shortage(tmp_path):
    # Tissue results are elemental: an oxide is set aside by the reader of leaf reports.
    head = "Field,Area,Sampled,Crop,Stage,Part,N %,K %\n"
    corn = "North,{},2024-07-18,corn,R1,ear leaf,3.1,{}\n"
    soy = f"North,poor,2023-07-20,{SOY},5.0,1.3\nNorth,good,2023-07-20,{SOY},5.0,2.2\n"
    files = folder(
        tmp_path, a=head + soy, b=OXIDES + corn.format("poor", 1.2) + corn.format("good", 2.6),
        c=head.replace("Area,", "") + "South,2024-07-18,corn,R1,ear leaf,3.1,2.2\n",
    )  # fmt: skip
    result = field_history(files)
    assert result.only("North").missing[["season", "nutrient", "column"]].to_numpy().tolist() == [
        ["2024", "K", "K2O %"]
    ]
    assert result.only("South").missing.empty
    said = result.summary()
    assert "North: K (poor area) short in 1 of 1 season judged; K not scored in corn 2024." in said
    assert "corn 2024: R1: nothing short among N (K not scored)" in said
    assert "K not scored in corn 2024, R1: an oxide (K2O) in a tissue table (column 'K2O %')." in said
    assert "Poor against good area: K lower in 1 of 1 comparison." in said  # K was compared in 2023 alone
    assert "South: nothing was short in 1 season judged.\ncorn 2024: R1: nothing short\n" in said


def test_a_nutrient_without_a_range_is_named_beside_what_was_judged(tmp_path):
    # STAMMER2018 publishes K of soybean, no N.
    head = HEAD.replace("K %", "K %,N %")
    result = field_history(
        folder(tmp_path, a=f"{head}North,2024-07-20,{SOY},2.1,5.0\n"), source="STAMMER2018"
    )
    assert "R2: nothing short among K (N not scored)" in result.summary()
    assert "N not scored in soybean 2024, R2: no published range counts" in result.summary()


def test_two_crops_of_one_year_are_two_seasons(tmp_path):
    head = "Field,Sampled,Crop,Stage,Part,N %,K %\n"
    lines = f"North,2024-05-20,wheat,Feekes 5,whole plant,3.0,3.0\nNorth,2024-08-10,{SOY},5.0,1.3\n"
    result = field_history(folder(tmp_path, a=head + lines), source="STAMMER2018")
    seasons = result.path[["crop", "season"]].drop_duplicates().to_numpy().tolist()
    assert seasons == [["wheat", "2024"], ["soybean", "2024"]]
    assert of(result)["judged"] == 1  # STAMMER2018 knows soybean alone
    assert "wheat 2024, Feekes 5, whole plant: no published range." in result.summary()


def test_a_winter_crop_is_one_season_named_by_its_harvest(tmp_path):
    head = "Field,Sampled,Crop,Stage,Part,N %\n"
    lines = "N 80,2024-11-20,wheat,Feekes 3,whole plant,3\nN 80,2025-04-05,wheat,Feekes 5,whole plant,3\n"
    path = field_history(folder(tmp_path, a=head + lines)).path
    assert path["season"].tolist() == ["2025", "2025"]
    assert path["step"].tolist() == [1, 2]


def test_stages_of_a_season_are_judged_each_by_its_own_range(tmp_path):
    head = "Field,Sampled,Crop,Stage,Part,N %\n"
    lines = [("06-05", "V5,whole plant", 3.6), ("07-15", "R1,ear leaf", 3.0), ("07-25", "R1,ear leaf", 2.5),
             ("08-25", "R5,ear leaf", 2.0)]  # fmt: skip
    text = head + "".join(f"F1,2024-{day},corn,{where},{n}\n" for day, where, n in lines)
    result = field_history(folder(tmp_path, a=text), source="KSU_CORN")
    path = result.path
    assert path["step"].tolist() == [1, 2, 3, 4]
    assert path["low"].tolist()[:3] == [3.5, 2.75, 2.75]
    assert path["high"].tolist()[:3] == [5.0, 3.5, 3.5]
    assert path["state"].tolist() == ["enough", "enough", "short", "not judged"]
    assert path["turn"].tolist() == ["", "", "falls below", ""]
    assert "corn 2024, N: falls below its range at R1" in result.summary()


@pytest.mark.parametrize(
    ("values", "states", "turns"),
    [
        # R1: short below 2.43 % (YIN2004) and 1.7 % (SMALL1973); R3: below 1.56 % (STAMMER2018 alone)
        ([2.2, 2.0], ["left open", "enough"], ["", ""]),
        ([2.2, 1.2], ["left open", "short"], ["", ""]),
        ([2.6, 1.2], ["enough", "short"], ["", "falls below"]),
        ([1.2, 2.0], ["short", "enough"], ["", "recovers"]),
        ([1.2, 1.2], ["short", "short"], ["", ""]),
    ],
)  # fmt: skip
def test_no_turn_is_told_from_a_step_its_sources_leave_open(tidy, values, states, turns):
    leaf = {"crop": "soybean", "plant_part": "upper trifoliate without petiole"}
    steps = [
        tidy({"F1": {"K": k}}, growth_stage=stage, **leaf).assign(specimen=i)
        for i, (k, stage) in enumerate(zip(values, ["R1", "R3"], strict=True), 1)
    ]
    path = field_history(pd.concat(steps)).path
    assert path["state"].tolist() == states
    assert path["turn"].tolist() == turns


def test_no_turn_is_told_between_two_plant_parts(tidy):
    early = tidy({"F1": {"N": 3.6, "K": 2.6}}, growth_stage="V5", plant_part="whole plant")
    late = tidy({"F1": {"N": 2.5, "K": 1.9}}).assign(specimen=2)
    result = field_history(pd.concat([early, late]), source="KSU_CORN")
    assert (result.path["turn"] == "").all()
    assert "V5: nothing short; R1: N short, 2.5 %" in result.summary()
    fine = field_history(pd.concat([early, late.assign(value=2.9)]), source="KSU_CORN")
    assert fine.summary().startswith("F1: nothing short, year not known.")


def test_a_stage_left_out_is_no_date_after_another():
    # Neither row has a date and one has no stage: nothing says which came first, so no turn is told.
    where = {"sample_id": "North", "crop": "soybean", "growth_stage": ["R2", ""], "plant_part": "trifoliate"}
    frame = pd.DataFrame(where | {"nutrient": "K", "value": [1.3, 2.1]})
    assert (field_history(frame).path["turn"] == "").all()


# ---- whose field, which year, which laboratory


def test_capitals_and_marks_make_one_field_and_a_slip_is_asked_about(tmp_path):
    rows = f"2023-07-20,{SOY},1.31\n", f"2024-07-18,{SOY},1.30\n", f"2025-07-18,{SOY},1.20\n"
    names = "Heron Quarter", "heron_quarter", "Heron Qtr"
    files = {k: f"{HEAD}{name},{row}" for k, name, row in zip("abc", names, rows, strict=True)}
    result = history(tmp_path, **files)
    assert result.fields == ["Heron Qtr", "Heron Quarter"]
    assert of(result, field="Heron Quarter")["judged"] == 2
    assert "'heron_quarter' read as field 'Heron Quarter'" in result.summary()
    assert "Are 'Heron Quarter' and 'Heron Qtr' one field? They are kept separate" in result.summary()
    told = history(tmp_path, same={"Heron Qtr": "Heron Quarter"})
    assert told.fields == ["Heron Quarter"]
    assert (of(told)["short"], of(told)["judged"]) == (3, 3)
    assert not told.reports.questions
    own = history(tmp_path, same={"Heron Qtr": "Heron Qtr"})
    assert len(own.fields) == 2
    assert not own.reports.questions
    with pytest.raises(LookupFailed, match="Otter"):
        history(tmp_path, same={"Otter": "Heron Quarter"})


@pytest.mark.parametrize(
    ("one", "other", "asked"),
    [
        ("Heron Qtr", "Heron Quarter", True), ("Heron Quater", "Heron Quarter", True),
        ("Northfield", "North field", False), ("Quarter Heron", "Heron Quarter", True),
        ("Home", "Home Farm", True), ("North 40", "South 40", False), ("Mill 1", "Mill 2", False),
        ("Mill Bend", "Otter Bottom", False), ("Field A", "Field B", False), ("Mill 1", "mill_1", False),
        ("N 40", "North 40", True), ("Longlane", "Long Lane", True),
    ],
)  # fmt: skip
def test_which_names_are_asked_about(one, other, asked):
    assert alike(one, other) is asked
    assert alike(other, one) is asked
    assert one_spelling("  North_40 ") == "north 40"


def test_two_names_of_one_report_and_day_are_two_fields(tmp_path):
    rows = f"Home,2024-07-18,{SOY},1.3\nHome Farm,2024-07-18,{SOY},2.1\n"
    result = history(tmp_path, a=HEAD + rows)
    assert len(result.fields) == 2
    assert not result.reports.questions


def test_laboratory_numbers_are_no_fields_across_reports(tmp_path):
    head = "Sample,Sampled,Crop,Stage,Part,K %\n"
    files = {name: f"{head}1,{year}-07-20,{SOY},1.3\nA,{year}-07-20,{SOY},2.1\nN80,{year}-07-20,{SOY},2.1\n"
             for name, year in (("a", 2023), ("b", 2024))}  # fmt: skip
    result = history(tmp_path, **files)
    assert result.fields == ["1 (a.csv)", "1 (b.csv)", "A (a.csv)", "A (b.csv)", "N80"]
    assert "Which fields are samples 1 of a.csv, A of a.csv, 1 of b.csv, A of b.csv?" in result.summary()


def test_a_report_without_year_or_crop_still_says_what_is_short(tmp_path):
    result = history(tmp_path, a=f"Field,Crop,Stage,Part,K %\nNorth,{SOY},1.3\n")
    assert result.summary().splitlines()[0] == "North: K short, year not known."
    bare = field_history(folder(tmp_path, a="Field,Sampled,K %,N %,P %\nNorth,2024-07-20,1.3,5.0,0.4\n"))
    assert bare.path["crop"].unique().tolist() == ["crop not stated"]
    assert bare.summary().splitlines()[0] == "North: no season could be judged."


def test_the_year_comes_from_the_surest_place_and_none_is_guessed(tmp_path):
    head, row = "Field,Crop,Stage,Part,K %\n", f"North,{SOY},1.3\n"
    files = {"leaves__2023": head + row, "b": f"Season: 2024\n{head}{row}", "c": head + row,
             "d": f"Field,Year,Crop,Stage,Part,K %\nNorth,2025,{SOY},1.3\n",
             "e": f"Field,Date reported,Crop,Stage,Part,K %\nNorth,2022-08-01,{SOY},1.3\n"}  # fmt: skip
    result = history(tmp_path, **files)
    about = result.reports.about.set_index("report")
    assert about["year"].astype(object).where(about["year"].notna(), None).to_dict() == {
        "leaves 2023.csv": 2023, "b.csv": 2024, "c.csv": None, "d.csv": 2025, "e.csv": 2022,
    }  # fmt: skip
    assert (of(result)["short"], of(result)["judged"]) == (4, 4)
    assert result.path["season"].iloc[-1] == "no year, c.csv"
    assert "When was this sampled: North of c.csv?" in result.summary()
    assert "soybean, no year, c.csv: R2" in result.summary()


def test_a_date_against_the_column_of_years_is_asked_about(tmp_path):
    head = "Field,Year,Sampled,Crop,Stage,Part,K %\n"
    result = history(tmp_path, a=f"{head}North,2024,2023-07-20,{SOY},1.3\n")
    assert "Which year is right for North of a.csv?" in result.summary()
    winter = field_history(folder(tmp_path, a=f"{head}North,2025,2024-11-20,wheat,Feekes 3,whole plant,3\n"))
    assert winter.path["season"].tolist() == ["2025"]
    assert not winter.reports.questions


def test_a_season_whose_date_is_of_another_year_stays_that_of_the_column(tmp_path):
    head = "Field,Year,Sampled,Crop,Stage,Part,K %\n"
    lines = f"North,2024,2025-07-20,{SOY},1.3\nNorth,2025,2025-07-20,{SOY},2.2\n"
    result = history(tmp_path, a=head + lines)
    assert result.path["season"].tolist() == ["2024", "2025"]
    assert (of(result)["short"], of(result)["judged"]) == (1, 2)


def test_the_year_of_a_sample_is_no_part_of_the_name_of_its_field(tmp_path):
    head = "Sample,Sampled,Crop,Stage,Part,K %\n"
    names = ["Low Meadow 2023", "LOW-MEADOW_2024", "2025 Low Meadow", "Low Meadow (2026)"]
    lines = [f"{name},{2023 + i}-07-20,{SOY},1.3\n" for i, name in enumerate(names)]
    assert of(history(tmp_path, a=head + "".join(lines)))["judged"] == 4
    other = history(tmp_path, a=head + f"Low Meadow 1998,2023-07-20,{SOY},1.3\n")
    assert other.fields == ["Low Meadow 1998"]


def test_units_that_differ_between_years_meet_in_one(tmp_path):
    # 13.1 g/kg is 1.31 %
    other = f"Field,Sampled,Crop,Stage,Part,K (g/kg)\nNorth,2024-07-20,{SOY},13.1\n"
    result = history(tmp_path, a=f"{HEAD}North,2023-07-20,{SOY},1.31\n", b=other)
    assert result.path["value"].tolist() == pytest.approx([1.31, 1.31])
    assert result.path["unit"].tolist() == ["%", "%"]


def test_a_leap_between_seasons_asks_about_units(tmp_path):
    # 6.4 / 1.2 = 5.3 times, more than the 5 of the table; 2.0 / 1.2 is not.
    rows = [f"{HEAD}North,{year}-07-20,{SOY},{k}\n" for year, k in [(2023, 1.2), (2024, 6.4), (2025, 2.0)]]
    result = history(tmp_path, **dict(zip("abc", rows, strict=True)))
    told = "North: K is 5 times as high in 2024 as in 2023: check both units"
    assert told in result.summary()
    (tmp_path / "b.csv").unlink()
    assert "times as high" not in history(tmp_path).summary()


def test_two_laboratories_are_told_with_their_years(tmp_path):
    column = f"Lab,Field,Sampled,Crop,Stage,Part,K %\nLaboratory B,North,2024-07-20,{SOY},1.3\n"
    stated = f"Laboratory: Laboratory A\n{HEAD}North,2023-07-20,{SOY},1.31\n"
    result = history(tmp_path, a=stated, b=column)
    assert (
        "Laboratory A in 2023; Laboratory B in 2024: laboratories use different methods" in result.summary()
    )
    (tmp_path / "b.csv").write_text(column.replace("Laboratory B", "Laboratory A"), encoding="utf-8")
    assert "different methods" not in history(tmp_path).summary()


def test_what_cannot_be_read_is_named_and_the_rest_is_followed(tmp_path):
    files = folder(tmp_path, a=f"{HEAD}North,2023-07-20,{SOY},1.31\n", b="Field,rate\nNorth,3\n")
    (files / "scan.pdf").write_bytes(b"%PDF")
    said = history(tmp_path).summary()
    assert "Not read, b.csv: " in said
    assert "Not read, no table: scan.pdf." in said
    (files / "a.csv").unlink()
    with pytest.raises(InputError, match=r"b\.csv"):
        history(tmp_path)


def test_where_no_report_can_be_read_every_problem_is_told(tmp_path):
    bad = f"{HEAD}North,2023-07-20,{SOY},lots\nSouth,2023-07-20,{SOY},-2\n"
    with pytest.raises(InputError) as alone:
        read_reports([("bad.csv", bad.encode())])
    assert alone.value.file == "bad.csv"
    assert [(one.row, one.column, one.value) for one in alone.value.problems] == [
        (2, "K %", "lots"), (3, "K %", "-2")
    ]  # fmt: skip
    with pytest.raises(InputError) as both:
        history(tmp_path, a=bad, b="")
    assert [(one.file, one.row) for one in both.value.problems] == [
        ("a.csv", 2), ("a.csv", 3), ("b.csv", None)
    ]  # fmt: skip


def test_what_is_no_report_is_refused():
    with pytest.raises(InputError, match="not a report"):
        read_reports([3])
    with pytest.raises(InputError, match="not a file"):
        field_history([3])
    with pytest.raises(InputError, match="nowhere"):
        field_history("nowhere.csv")


def test_a_report_that_is_there_twice_counts_once(tmp_path):
    row = f"North,2023-07-20,{SOY},1.31\n"
    result = history(tmp_path, a=HEAD + row, b=f"Lines above\n{HEAD}{row}")
    assert result.path["samples"].tolist() == [1]
    assert "Not used, b.csv: it repeats a.csv." in result.summary()


def test_two_reports_of_one_name_stay_two(tmp_path):
    paths = []
    for year, k in (("2023", 1.31), ("2024", 1.4)):
        (tmp_path / year).mkdir()
        paths.append(
            folder(tmp_path / year, leaf=f"Field,Crop,Stage,Part,K %\nNorth,{SOY},{k}\n") / "leaf.csv"
        )
    result = field_history(paths)
    assert result.path["season"].tolist() == ["no year, leaf.csv", "no year, leaf.csv (2)"]


def test_sheets_of_a_workbook_are_reports(tmp_path):
    pytest.importorskip("openpyxl")
    with pd.ExcelWriter(tmp_path / "book.xlsx") as book:
        for year, k in ((2023, 1.31), (2024, 2.1)):
            row = {"Field": "North", "Crop": "soybean", "Stage": "R2", "Part": "trifoliate", "K %": k}
            pd.DataFrame([row]).to_excel(book, sheet_name=f"July {year}", index=False)
    reports = read_reports(tmp_path / "book.xlsx")
    assert reports.about["year"].tolist() == [2023, 2024]
    assert reports.samples.table["specimen"].tolist() == [1, 2]


# ---- areas and treatments


def test_good_against_poor_over_the_years(tmp_path):
    head = "Field,Area,Sampled,Crop,Stage,Part,K %\n"
    rows = [("2023-07-20", 1.3, 2.2), ("2024-07-20", 2.1, 2.2)]
    lines = [
        f"North,{a},{day},{SOY},{k}\n"
        for day, *pair in rows
        for a, k in zip(("poor", "good"), pair, strict=True)
    ]
    result = history(tmp_path, a=head + "".join(lines))
    pairs = result.pairs.set_index("season")
    assert pairs["log_ratio"].tolist() == pytest.approx([np.log(1.3 / 2.2), np.log(2.1 / 2.2)])
    assert pairs["difference"].tolist() == ["lower", "within noise"]
    assert of(result, spot="poor")["short"] == 1
    assert of(result, spot="good")["short"] == 0
    assert "K lower in 1 of 2 comparisons.\n  K, lower: 1.3 against 2.2 % in 2023 at R2" in result.summary()


def test_two_comparisons_of_one_stage_are_two_and_carry_their_dates(tmp_path):
    head = "Field,Area,Sampled,Crop,Stage,Part,K %\n"
    rows = [("2024-07-14", 1.3, 2.2), ("2024-07-28", 1.2, 2.1)]
    lines = [
        f"N,{a},{day},{SOY},{k}\n" for day, *pair in rows for a, k in zip(("poor", "good"), pair, strict=True)
    ]
    text = history(tmp_path, a=head + "".join(lines)).summary()
    assert "Poor against good area: K lower in 2 of 2 comparisons." in text
    assert "K, lower: 1.3 against 2.2 % in 2024 at R2 (2024-07-14); 1.2 against 2.1 %" in text


def test_treatments_in_blocks_are_tested_and_single_samples_stand_side_by_side(tmp_path):
    # Randomised blocks by hand: differences 0.6, 0.7, 0.5; mean 0.6, sd 0.1; t = 0.6 / (0.1 / sqrt 3),
    # F = t^2 on 1 and 2 df; two-sided p of t with 2 df: 1 - t / sqrt(2 + t^2).
    head = "Field,Treatment,Block,Sampled,Crop,Stage,Part,K %\n"
    values = {"none": [1.3, 1.4, 1.2], "K": [1.9, 2.1, 1.7]}
    lines = [f"North,{t},{b},2024-07-20,{SOY},{k}\n" for t, ks in values.items() for b, k in enumerate(ks, 1)]
    result = history(tmp_path, a=head + "".join(lines))
    row = result.treatments.iloc[0]
    t = 0.6 / (0.1 / 3**0.5)
    assert row["p_value"] == pytest.approx(1 - t / (2 + t**2) ** 0.5, rel=1e-9)
    assert row["means"] == pytest.approx({"K": 1.9, "none": 1.3})
    assert row["blocked"]
    assert of(result, spot="none")["where"] == "soybean 2024 at R2 (3 of 3 samples)"
    single = history(tmp_path, a=head + lines[0] + lines[3])
    assert single.treatments["p_value"].isna().all()
    assert "one sample per treatment: no test" in single.summary()


def test_treatments_of_two_areas_are_compared_within_each(tmp_path):
    # Within the six pairs potash adds 0.5 or 0.6; that the areas differ by 1 is no error of the comparison:
    # LSD = t (5 df) sd / sqrt 6, sd of the six differences.
    head = "Field,Area,Treatment,Block,Sampled,Crop,Stage,Part,K %\n"
    lines = [
        f"North,{area},{t},{b},2024-07-20,{SOY},{base + (t == 'K') * (0.5 if b % 2 else 0.6) + 0.1 * b:.1f}\n"
        for area, base, blocks in (("poor", 1.0, (1, 2, 3)), ("good", 2.0, (1, 2, 4)))
        for b in blocks for t in ("none", "K")
    ]  # fmt: skip
    result = history(tmp_path, a=head + "".join(lines))
    row = result.treatments.iloc[0]
    added = [0.5, 0.6, 0.5, 0.5, 0.6, 0.6]
    assert row["lsd"] == pytest.approx(
        2.570582 * np.std(added, ddof=1) / 6**0.5, rel=1e-5
    )  # t of 5 df, 97.5 %: printed tables
    assert row["p_value"] < 0.001
    assert row["means"]["K"] - row["means"]["none"] == pytest.approx(np.mean(added))
    assert set(result.path["spot"]) == {f"{t}, {area}" for t in ("none", "K") for area in ("good", "poor")}


def test_treatments_that_are_alike_do_not_differ(tmp_path):
    # Both treatments hold the same values block by block: nothing is explained, and p is 1.
    head = "Field,Treatment,Block,Sampled,Crop,Stage,Part,K %\n"
    lines = [
        f"North,{t},{b},2024-07-20,{SOY},{0.31 + 0.005 * b:.3f}\n" for b in (1, 2, 3) for t in ("none", "K")
    ]
    assert history(tmp_path, a=head + "".join(lines)).treatments["p_value"].item() == 1


def test_samples_short_in_part_are_counted(tmp_path):
    head = "Field,Sample,Sampled,Crop,Stage,Part,K %\n"
    lines = [f"North,{n},2024-07-20,{SOY},{k}\n" for n, k in zip("abc", [1.3, 2.1, 2.2], strict=True)]
    result = history(tmp_path, a=head + "".join(lines))
    assert result.path["state"].tolist() == ["short in some samples"]
    assert result.path["value"].tolist() == pytest.approx([(1.3 + 2.1 + 2.2) / 3])
    assert of(result)["where"] == "soybean 2024 at R2 (1 of 3 samples)"


def test_a_mean_says_when_some_results_are_limits(tmp_path):
    head = "Field,Sample,Sampled,Crop,Stage,Part,K %\n"
    lines = [f"North,{n},2024-07-20,{SOY},{k}\n" for n, k in zip("abc", ["1.2", "1.4", "<1.1"], strict=True)]
    path = history(tmp_path, a=head + "".join(lines)).path
    assert (path["censored"].item(), path["value"].item()) == ("≤", pytest.approx((1.2 + 1.4 + 1.1) / 3))


def test_nutrients_that_no_sample_was_tested_for_are_named_once(tmp_path):
    result = history(tmp_path, all=HEAD + f"North,2023-07-20,{SOY},1.31\nNorth,2024-07-20,{SOY},1.4\n")
    said = [line for line in result.summary().splitlines() if line.startswith("Never measured: ")]
    assert len(said) == 1
    named = said[0].removeprefix("Never measured: ").rstrip(".").split(", ")
    assert {"N", "P", "Mn", "Zn"} <= set(named)  # every range of soybean leaves lists them
    assert "K" not in named
    assert len(named) == len(set(named))
