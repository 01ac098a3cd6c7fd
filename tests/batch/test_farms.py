"""A batch of farms: each workbook is planned as by itself; one that cannot be is a row that says why."""

import json

import pandas as pd
import pytest

from fertkit.batch import run_batch
from fertkit.errors import NotEstimable
from fertkit.intake.farm import read_farm
from fertkit.report.plan import answer_plan


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two farms of one field each, one of them without a soil test, and a table that is no farm."""
    home = tmp_path_factory.mktemp("farms")
    field = {"field": ["North"], "crop": ["corn"], "area_ac": [80.0], "yield_goal_bu_ac": [180.0]}
    soil = {"Field": ["North"], "Depth (in)": ["0-8"], "P Mehlich-3 (ppm)": [12.0],
            "K Mehlich-3 (ppm)": [180.0], "CEC (meq/100 g)": [14.0]}  # fmt: skip
    with pd.ExcelWriter(home / "tested.xlsx") as book:
        pd.DataFrame(field).to_excel(book, sheet_name="fields", index=False)
        pd.DataFrame(soil).to_excel(book, sheet_name="soil", index=False)
    pd.DataFrame(field).to_csv(home / "untested.csv", index=False)
    pd.DataFrame({"x": [1], "y": [2]}).to_csv(home / "other.csv", index=False)
    return home


def test_every_farm_is_planned_as_by_itself(folder, tmp_path):
    result = run_batch(folder, tmp_path / "out", "farms", region="Ohio", policy={"N": "150"}, progress=False)
    rows = result.table.set_index(["file", "nutrient"])
    # Tri-State 2020, Mehlich-3 P of 12, critical level 20: (20 - 12) x 20 / 4 + 0.35 x 180 = 103 lb
    assert rows.loc[("tested.xlsx", "P2O5"), "rate_lb_ac"] == pytest.approx(103.0)
    assert rows.loc[("untested.csv", "P2O5"), "why"] == "no test"
    refused = result.table[result.table["status"] == "not usable"]
    assert refused["file"].tolist() == ["other.csv"]
    assert "crop" in refused["message"].iloc[0]
    farm = read_farm(folder / "tested.xlsx")
    alone = answer_plan(farm.table, farm.soil, region="Ohio", policy={"N": "150"}).rates
    planned = result.table[(result.table["file"] == "tested.xlsx") & (result.table["status"] == "planned")]
    assert planned["rate_lb_ac"].tolist() == alone["rate_lb_ac"].tolist()
    assert json.loads((tmp_path / "out" / "run.json").read_text())["region"] == "Ohio"
    assert "3 farms: 2 usable" in result.summary()


def test_what_is_asked_of_farms_is_asked_of_nothing_else(folder, tmp_path):
    with pytest.raises(NotEstimable, match="region: for farms"):
        run_batch(folder, tmp_path / "out", "samples", region="Ohio", progress=False)


def test_a_page_of_farms_without_any_system_is_written(folder, tmp_path):
    (tmp_path / "in").mkdir()
    for name in ("untested.csv", "other.csv"):
        (tmp_path / "in" / name).write_bytes((folder / name).read_bytes())
    result = run_batch(tmp_path / "in", tmp_path / "out", "farms", progress=False)
    assert result.index.exists()
    assert "nan" not in result.summary()
