"""Analyses that share a name are told apart; what a name already tells is not said twice."""

import pandas as pd
import pytest

from fertkit.intake import read_tissue
from fertkit.intake.labels import analysis_labels

HEAD = "Field,Lab No.,Date,Area,Crop,Stage,Part,K %\n"


@pytest.mark.parametrize(
    ("lines", "labels"),
    [
        (["N 80,,2024-06-15,,corn,V6,whole plant,3", "N 80,,2024-07-18,,corn,R1,ear leaf,2"],
         ["N 80, 2024-06-15", "N 80, 2024-07-18"]),
        (["N 80,,,good,corn,R1,ear leaf,3", "N 80,,,poor,corn,R1,ear leaf,2"],
         ["N 80, good area", "N 80, poor area"]),
        (["N 80,7,,,corn,R1,ear leaf,3", "N 80,8,,,corn,R1,ear leaf,2"],
         ["N 80, lab no. 7", "N 80, lab no. 8"]),
        (["N 80,,,,corn,R1,ear leaf,3", "N 80,,,,corn,R1,ear leaf,2"], ["N 80, row 2", "N 80, row 3"]),
        (["N 80,,2024-06-15,,corn,R1,ear leaf,3", "S 40,,2024-06-15,,corn,R1,ear leaf,2"],
         ["N 80", "S 40"]),
        (["N 80,,2024-06-15,good,corn,R1,ear leaf,3", "N 80,,2024-06-15,poor,corn,R1,ear leaf,2",
          "N 80,,2024-07-18,poor,corn,R1,ear leaf,2"],
         ["N 80, good area, 2024-06-15", "N 80, poor area, 2024-06-15", "N 80, poor area, 2024-07-18"]),
    ],
)  # fmt: skip
def test_labels(lines, labels):
    table = read_tissue((HEAD + "\n".join(lines) + "\n").encode()).table
    assert analysis_labels(table).tolist() == labels


def test_a_frame_without_dates_and_areas_has_labels_too():
    frame = pd.DataFrame(
        {"specimen": [1, 1, 2], "sample_id": ["a", "a", "a"], "crop": ["corn"] * 2 + ["rye"]}
    )
    assert analysis_labels(frame).to_dict() == {1: "a, corn", 2: "a, rye"}


def test_a_column_of_years_tells_undated_seasons_apart():
    sheet = "Field,Year,Crop,Stage,Part,K %\nN 80,2024,corn,R1,ear leaf,3\nN 80,2025,corn,R1,ear leaf,2\n"
    assert read_tissue(sheet.encode()).table["sample_id"].tolist() == ["2024 N 80", "2025 N 80"]
    long = (
        "Field,Year,Crop,Stage,Part,Analyte,Result,Unit\nN 80,2024,corn,R1,ear leaf,K,3,%\n"
        "N 80,2025,corn,R1,ear leaf,N,2.9,%\nN 80,2025,corn,R1,ear leaf,K,2,%\n"
    )
    table = read_tissue(long.encode()).table
    assert table.groupby("sample_id")["nutrient"].agg(sorted).to_dict() == {
        "2024 N 80": ["K"],
        "2025 N 80": ["K", "N"],
    }
    one = read_tissue(sheet.replace("2025", "2024").encode()).table
    assert set(one["sample_id"]) == {"N 80"}
