"""The batch from the command line: the table, the page, and refusals of one line."""

import pandas as pd

from fertkit.cli import main

PRICES = ["--nutrient-price", "0.45", "--grain-price", "11", "--quiet"]


def test_trials(capsys, demo, tmp_path):
    home, out = tmp_path / "in", tmp_path / "out"
    home.mkdir()
    (home / "corn.csv").write_bytes(demo("corn_n_strips.csv").read_bytes())
    words = ["batch", "trials", str(home), "--crop", "corn", "--out", str(out)]
    assert main([*words, *PRICES]) == 0
    printed = capsys.readouterr()
    assert "usable" in printed.out
    assert printed.err == ""
    rows = pd.read_parquet(out / "results.parquet")
    assert set(rows["rate_unit"]) == {"lb/ac"}
    assert main([*words, *PRICES, "--level", "0.8"]) == 2
    assert "level differs: 0.95 before, 0.8 now" in capsys.readouterr().err


def test_samples(capsys, demo, tmp_path):
    out = tmp_path / "out"
    assert main(["batch", "samples", str(demo("leaf_tests.csv")), "--out", str(out), "--quiet"]) == 0
    assert "Results, every source counted" in capsys.readouterr().out
    assert (out / "index.html").exists()


def test_nothing_there(capsys, tmp_path):
    assert main(["batch", "trials", str(tmp_path / "no"), "--out", str(tmp_path / "out"), *PRICES]) == 2
    assert "there is no such file or folder" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
