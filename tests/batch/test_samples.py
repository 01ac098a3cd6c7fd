"""Batches of leaf samples: scores as given at once, a bad sample a row of its own."""

from pathlib import Path

import pandas as pd
import pytest

from fertkit.batch import run_batch
from fertkit.tissue import score_tissue


def batch(source, out, **options):
    return run_batch(source, out, kind="samples", **({"progress": False} | options))


COMPARED = ["sample_id", "nutrient", "value", "class", "low", "high", "probability_below", "source_key"]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_as_scored_at_once(many_samples, tmp_path, kind):
    table = many_samples(30)
    file = tmp_path / f"s.{kind}"
    table.to_csv(file, index=False) if kind == "csv" else table.to_parquet(file, index=False)
    result = batch(file, tmp_path / "out", part_size=7)
    scores = score_tissue(table)
    direct = scores.scored
    pd.testing.assert_frame_equal(
        result.table[COMPARED], direct[COMPARED], check_dtype=False, check_exact=True
    )
    assert len(list(result.parts.iterdir())) == 5
    whole = pd.read_parquet(result.file) if result.file.suffix == ".parquet" else pd.read_csv(result.file)
    assert len(whole) == len(pd.read_csv(result.file.with_suffix(".csv"))) == len(direct)
    counted = result.tally.groupby("class")["rows"].sum()
    assert counted.to_dict() == direct["class"].value_counts().to_dict()
    assert "30 samples: 30 usable" in result.summary()
    assert set(result.sources["source_key"]) == set(scores.sources["source_key"])
    assert "typical laboratory and sampling errors" in result.summary()


def test_bad_samples_are_rows(many_samples, tmp_path):
    table = many_samples(9).astype({"value": object})
    table.loc[5, "value"] = "lots"
    table.loc[table["sample_id"] == "S003", "crop"] = "corm"
    table.loc[table["sample_id"] == "S005", "growth_stage"] = "R99"
    table.loc[table["sample_id"] == "S007", "nutrient"] = "Xx"
    table.to_csv(tmp_path / "s.csv", index=False)
    result = batch(tmp_path / "s.csv", tmp_path / "out")
    rows = result.table
    refused = rows[rows["status"] == "not usable"].set_index("sample_id")["message"]
    assert set(refused.index) == {"S001", "S003", "S005", "S007"}
    for part in ("s.csv: row 7", "column 'value'", "value 'lots'"):
        assert part in refused["S001"]
    assert "corm" in refused["S003"]
    assert "R99" in refused["S005"]
    assert "Xx" in refused["S007"]
    assert rows.loc[rows["status"] == "scored", "sample_id"].nunique() == 5
    assert rows.loc[rows["status"] == "not usable", ["analysis", "within_critical"]].isna().all(axis=None)
    assert "9 samples: 5 usable" in result.summary()


def test_a_folder_of_laboratory_files(demo, tmp_path):
    home = tmp_path / "lab"
    home.mkdir()
    for name in ("leaf_tests.csv", "workshop_leaf_tests.csv"):
        (home / name).write_bytes(demo(name).read_bytes())
    (home / "torn.csv").write_text("Sample,K (%)\nA,lots\n")
    rows = batch(home, tmp_path / "out").table
    assert list(rows.loc[rows["status"] == "not usable", "file"]) == ["torn.csv"]
    assert "lots" in rows.loc[rows["file"] == "torn.csv", "message"].item()
    assert set(rows["file"]) == {"leaf_tests.csv", "workshop_leaf_tests.csv", "torn.csv"}


def test_figure_shares_sum_to_a_hundred(many_samples, tmp_path):
    many_samples(10).to_csv(tmp_path / "s.csv", index=False)
    ax = batch(tmp_path / "s.csv", tmp_path / "out").plot()
    total = sum(patch.get_width() for bars in ax.containers for patch in bars.patches)
    assert total == pytest.approx(100 * len(ax.get_yticks()))


def test_analyses_of_one_field_are_counted_one_by_one(tmp_path):
    # Counted in the file: North 80 has four lines of two crops and years, South 40 one.
    case = Path(__file__).parent.parent / "cases" / "leaf" / "two_years.csv"
    result = batch(case, tmp_path / "out")
    assert result.summary().startswith("5 samples: 5 usable.")
    assert result.table.drop_duplicates(["sample_id", "analysis"])["crop"].value_counts().to_dict() == {
        "soybean": 3,
        "corn": 2,
    }


def test_what_was_not_read_stands_beside_the_scores(tmp_path):
    home = tmp_path / "lab"
    home.mkdir()
    head = "Sample,Crop,Stage,Part,K %"
    (home / "all.csv").write_text(f"{head}\nA,corn,R1,ear leaf,1.9\n")
    (home / "some.csv").write_text(
        f"{head},Zn extract 7\nB,corn,R1,ear leaf,1.9,21\nC,corn,R1,ear leaf,2.1,9\n"
    )
    (home / "rated.csv").write_text(f"{head},Zn ppm\nD,corn,R1,ear leaf,1.9,21\nE,corn,R1,ear leaf,2.1,Low\n")
    result = batch(home, tmp_path / "out")
    rows = result.table[result.table["nutrient"] == "K"].drop_duplicates("sample_id").set_index("sample_id")
    assert rows["unread"].map(bool).to_dict() == {"A": False, "B": True, "C": True, "D": False, "E": True}
    assert rows.loc["B", "unread"].startswith("Zn (column 'Zn extract 7')")
    assert "rated 'Low' without a number" in rows.loc["E", "unread"]
    assert "Note: 3 samples hold nutrients that were not read" in result.summary()
    assert "Zn extract 7" in result.index.read_text(encoding="utf-8")
