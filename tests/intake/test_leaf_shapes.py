# ruff: noqa: E501
"""Leaf reports in shapes that laboratories and growers write; files and values are invented.

Each file stands beside what a person reads in it.
"""

import io

import openpyxl
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_tissue

HEAD = "Sample,Crop,Stage,Part,"
CORN, SOYBEAN = ("corn", "R1", "ear leaf"), ("soybean", "R2", "trifoliate")
A, B = {"N": 2.45, "K": 1.42, "Zn": 18}, {"N": 3.1, "K": 2.1, "Zn": 26}
LINES = "A,corn,R1,ear leaf,2.45,1.42,18\nB,corn,R1,ear leaf,3.1,2.1,26\n"
BOTH = {"A": (CORN, A), "B": (CORN, B)}
OPEN = ("", "", "")

READ = {
    "a count below the means": (
        f"{HEAD}N %,K %,Zn ppm\n{LINES}Average,,,,2.78,1.76,22\nStd. Dev.,,,,0.46,0.48,5.7\nn,,,,2,2,2\n", BOTH),
    "charges, and a dash before a word of the method": (
        f"{HEAD}N-Total (%),K+ (%),Zn++ (mg kg-1)\n{LINES}", BOTH),
    "the symbol behind the name": (f"{HEAD}Nitrogen - N (%),Potassium - K (%),Zinc - Zn (ppm)\n{LINES}", BOTH),
    "marks of footnotes behind the headers": (
        f"{HEAD}N % ¹,K %*,Zn ppm†\n{LINES}¹ Dumas,,,,,,\n* ICP,,,,,,\n", BOTH),
    "abbreviated ratings in brackets": (
        f"{HEAD}N %,K %,Zn ppm\nA,corn,R1,ear leaf,2.45 (Low),1.42 (L),18 (Def.)\nB,corn,R1,ear leaf,3.1 (Suff.),2.1 (S),26\n",
        BOTH),
    "a field and the number of the sample among the lines above": (
        "Grower:,invented,Crop:,Corn\nField:,North 40,Growth Stage:,R1\nSample ID:,17,Plant Part:,ear leaf\n,,,\n"
        "Nutrient,Result,Unit,Interpretation\nNitrogen (N),2.45,%,Low\nPotassium (K),1.42,%,Low\nZinc (Zn),18,ppm,Low\n"
        "N:S Ratio,14.1,,\n", {"North 40 17": (CORN, A)}),
    "a field above a table of samples": (
        "Field: North 40,,,\nCrop: Corn,,,\nStage: R1,,,\nPart: ear leaf,,,\nSample,N %,K %,Zn ppm\n"
        "A,2.45,1.42,18\nB,3.1,2.1,26\n", {"North 40 A": (CORN, A), "North 40 B": (CORN, B)}),
    "a field above and no other name": (
        "Field: North 40,,\nCrop: Corn,,\nStage: R1,,\nPart: ear leaf,,\nNutrient,Result,Unit\nN,2.45,%\nK,1.42,%\nZn,18,ppm\n",
        {"North 40": (CORN, A)}),
    "zones of a field": (
        "Field,Zone,Crop,Stage,Part,N %,K %,Zn ppm\nEast,1,corn,R1,ear leaf,2.45,1.42,18\nEast,2,corn,R1,ear leaf,3.1,2.1,26\n",
        {"East 1": (CORN, A), "East 2": (CORN, B)}),
    "a sample named on the first line of its results alone": (
        "Sample,Crop,Stage,Part,Analyte,Result,Unit\nA,corn,R1,ear leaf,N,2.45,%\n,,,,K,1.42,%\n,,,,Zn,18,ppm\n"
        "B,soybean,R2,trifoliate,N,3.1,%\n,,,,K,2.1,%\n,,,,Zn,26,ppm\n", {"A": (CORN, A), "B": (SOYBEAN, B)}),
    "samples named like quality controls and totals": (
        f"{HEAD}N %,K %,Zn ppm\nTotal,corn,R1,ear leaf,2.45,1.42,18\nn,corn,R1,ear leaf,3.1,2.1,26\n",
        {"Total": (CORN, A), "n": (CORN, B)}),
    "German words, decimal commas": (
        "Probe;Kultur;Stadium;Pflanzenteil;Stickstoff (% TM);Kalium (% TM);Zink (mg/kg TM)\nA;Mais;R1;ear leaf;2,45;1,42;18\n"
        "B;Mais;R1;ear leaf;3,1;2,1;26\n", BOTH),
    "thousands parted by a comma among other numbers that tell": (
        "Sample;Crop;Stage;Part;N ppm;K ppm;Zn ppm\nA;corn;R1;ear leaf;24,500;14,200;18.0\nB;corn;R1;ear leaf;31,000;21,000;26.0\n",
        BOTH),
    "three decimals behind a comma": (
        "Sample;Crop;Stage;Part;N %;K %;Zn ppm\nA;corn;R1;ear leaf;2,450;1,420;18\nB;corn;R1;ear leaf;3,100;2,100;26\n", BOTH),
    "two tables side by side": (
        "Sample: A,,,Sample: B,,\nCrop: Corn,,,Crop: Soybean,,\nStage: R1,,,Stage: R2,,\nPart: ear leaf,,,Part: trifoliate,,\n"
        "Element,Result,Unit,Element,Result,Unit\nN,2.45,%,N,3.1,%\nK,1.42,%,K,2.1,%\nZn,18,ppm,Zn,26,ppm\n",
        {"A": (CORN, A), "B": (SOYBEAN, B)}),
    "macros and micros side by side": (
        "Sample,Crop,Stage,Part,N %,K %,,Sample,Zn ppm\nA,corn,R1,ear leaf,2.45,1.42,,A,18\nB,corn,R1,ear leaf,3.1,2.1,,B,26\n", BOTH),
    "a sample called B beside a turned report's mean": (
        "Nutrient,Unit,A,B,Average\nCrop,,corn,corn,\nStage,,R1,R1,\nPart,,ear leaf,ear leaf,\nN,%,2.45,3.1,2.78\nK,%,1.42,2.1,1.76\n"
        "Zn,ppm,18,26,22\n", BOTH),
}  # fmt: skip


def read_by_sample(samples):
    columns = ["crop", "growth_stage", "plant_part"]
    return {
        name: (tuple(rows.iloc[0][columns]), dict(zip(rows["nutrient"], rows["value"], strict=True)))
        for name, rows in samples.table.groupby("sample_id")
    }


@pytest.mark.parametrize("name", READ)
def test_ordinary_shapes_are_read(name):
    text, right = READ[name]
    samples = read_tissue(text.encode())
    got = read_by_sample(samples)
    assert {s: condition for s, (condition, _) in got.items()} == {s: c for s, (c, _) in right.items()}
    for sample, (_, values) in right.items():
        assert got[sample][1] == pytest.approx(values)
    assert samples.unread.empty


REFUSED = {
    "low and high beside a sample called B": (
        "Nutrient,Units,A,B,Low,High\nN,%,2.45,3.1,2.7,4\nK,%,1.42,2.1,1.7,3\nZn,ppm,18,26,20,70\n",
        ["'Low' may be a sample or the end of a laboratory range"]),
    "thousands or decimals, and one of them no leaf": (
        "Sample;Crop;Stage;Part;N ppm;K ppm\nA;corn;R1;ear leaf;24,500;14,200\n",
        ["value '24,500'", "the mark may be a decimal mark or a thousands mark", "--decimal"]),
    "the same with points": (
        "Sample;Crop;Stage;Part;N mg/kg;K mg/kg\nA;corn;R1;ear leaf;24.500;14.200\n",
        ["value '24.500'", "the mark may be a decimal mark or a thousands mark"]),
    "a result without a name that its sample has already": (
        "Sample,Analyte,Result,Unit\nA,N,2.45,%\nA,K,1.42,%\n,N,3.1,%\nC,N,3.2,%\n",
        ["row 4", "this line names no sample"]),
    "a nutrient twice below one name": (
        "Sample,Analyte,Result,Unit\nA,N,2.45,%\n,K,1.42,%\n,N,3.1,%\n,K,2.1,%\n",
        ["row 3", "row 5", "this line names no sample"]),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_a_person_cannot_read_either_is_refused(name):
    text, words = REFUSED[name]
    with pytest.raises(InputError) as error:
        read_tissue(text.encode(), name="lab.csv")
    for word in words:
        assert word in str(error.value)


def test_the_decimal_mark_given_settles_thousands():
    text = "Sample;Crop;Stage;Part;N ppm;K ppm\nA;corn;R1;ear leaf;24,500;14,200\n"
    got = read_by_sample(read_tissue(text.encode(), decimal="."))
    assert got["A"][1] == pytest.approx({"N": 2.45, "K": 1.42})


def test_a_ratio_of_the_report_is_no_nutrient_that_went_unread():
    text = "Nutrient,Result,Unit\nN,2.45,%\nS,0.17,%\nN:S Ratio,14.4,\nN/S,14.4,\n"
    assert read_tissue(text.encode()).unread.empty


def test_hidden_rows_are_read_and_said():
    book = openpyxl.Workbook()
    for row in ["Sample,Crop,N %,K %", "A,corn,2.45,1.42", "old,corn,2.0,1.0", "B,corn,3.1,2.1"]:
        book.active.append([float(c) if c[0].isdigit() else c for c in row.split(",")])
    book.active.row_dimensions[3].hidden = True
    stream = io.BytesIO()
    book.save(stream)
    samples = read_tissue(stream.getvalue())
    assert samples.table["sample_id"].unique().tolist() == ["A", "old", "B"]
    assert "hidden in the workbook but read: row 3" in str(samples.notes[0])
