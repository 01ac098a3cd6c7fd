# ruff: noqa: E501
"""Leaf reports with a separator or a line lost or added are refused, and the message names the line.

Each file is read rightly before it is damaged, so that it is the damage which is noticed. Values are invented.
"""

import pytest

from fertkit.errors import InputError
from fertkit.intake import read_tissue

UNITS_ROW = "Sample,Crop,Stage,Part,N,K,Zn\n,,,,%,%,ppm\nA,corn,R1,ear leaf,2.45,1.42,18\nC,corn,R1,ear leaf,3.1,2.2,30\n"
ONE_LINE = "Sample,Crop,Stage,Part,N %,K %,Zn ppm\nA,corn,R1,ear leaf,2.45,1.42,18\n"
TURNED = (
    "Sample,Unit,A,B,C\nCrop,,corn,soybean,corn\nStage,,R1,R2,R1\nPlant part,,ear leaf,trifoliate,ear leaf\n"
    "N,%,2.45,4.9,3.1\nK,%,1.42,1.2,2.2\nZn,ppm,18,33,30\n"
)
STACKED = (
    "Sample: A,,\nCrop: corn,,\nStage: R1,,\nPart: ear leaf,,\nNutrient,Units,Result\nN,%,2.45\nK,%,1.42\n,,\n"
    "Sample: B,,\nCrop: soybean,,\nStage: R2,,\nPart: trifoliate,,\nNutrient,Units,Result\nN,%,4.9\nK,%,1.2\n"
)
#: Name of the damage: (file, what is taken, what is put in its place, words of the message).
DAMAGES = {
    "a separator of the units row lost": (UNITS_ROW, ",,,,%,%", ",,,%,%", ["row 2", "6 cells under 7 column names"]),
    "a unit of the units row lost": (UNITS_ROW, ",,,,%,%,ppm", ",,,,%,ppm", ["row 2", "6 cells under 7 column names"]),
    "a separator of the units row added": (UNITS_ROW, ",,,,%", ",,,,,%", ["row 3", "7 cells under 8 column names"]),
    "a result of the only line lost": (ONE_LINE, "2.45,1.42,18", "2.45,18", ["row 2", "6 cells under 7"]),
    "a word of the only line lost": (ONE_LINE, "corn,R1,", "corn,", ["row 2", "6 cells under 7"]),
    "the separator before the crops of a turned report lost": (TURNED, "Crop,,", "Crop,", ["row 2", "4 cells under 5"]),
    "a separator between two crops lost": (TURNED, "corn,soy", "cornsoy", ["row 2", "4 cells under 5"]),
    "the separator before the crops added": (TURNED, "Crop,,", "Crop,,,", ["row 2", "6 cells under 5"]),
    "a separator between two crops added": (TURNED, "corn,soy", "corn,,soy", ["row 2", "6 cells under 5"]),
    "a separator before the stages lost": (TURNED, "Stage,,", "Stage,", ["row 3", "4 cells under 5"]),
    "the name of a stacked table lost": (
        STACKED, "Sample: B,,\n", "", ["row 11", "repeats K, N but names no sample"]),
    "the mark behind the label of a stacked table lost": (
        STACKED, "Sample: B,,\n", "SampleB\n", ["row 12", "repeats K, N but names no sample"]),
    "all lines over a stacked table lost": (
        STACKED, "Sample: B,,\nCrop: soybean,,\nStage: R2,,\nPart: trifoliate,,\n", "",
        ["row 8", "repeats K, N but names no sample"]),
    "the name of the first stacked table lost": (
        STACKED, "Sample: A,,\n", "", ["row 3", "no line above this table names its sample"]),
}  # fmt: skip


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_line_is_named(name):
    text, taken, put, words = DAMAGES[name]
    zinc = {"A": 18.0, "B": 33.0} if text is TURNED else {"A": 18.0} if "Zn" in text else {}
    whole = read_tissue(text.encode()).table.set_index(["sample_id", "nutrient"])["value"]
    assert whole.loc[[("A", "N"), ("A", "K")]].tolist() == [2.45, 1.42]
    assert {sample: whole[sample, "Zn"] for sample in zinc} == zinc
    with pytest.raises(InputError) as error:
        read_tissue(text.replace(taken, put, 1).encode(), name="lab.csv")
    for word in words:
        assert word in str(error.value)
