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
    assert "Results by source" in capsys.readouterr().out
    assert (out / "index.html").exists()


def test_nothing_there(capsys, tmp_path):
    assert main(["batch", "trials", str(tmp_path / "no"), "--out", str(tmp_path / "out"), *PRICES]) == 2
    assert "there is no such file or folder" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_stopped_run_says_how_to_go_on(capsys, demo, tmp_path, monkeypatch):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("fertkit.batch.run.run_batch", stop)
    words = ["batch", "samples", str(demo("leaf_tests.csv")), "--out", str(tmp_path / "out"), "--quiet"]
    assert main(words) == 130
    assert capsys.readouterr().err == "fertkit: stopped; run the same command to resume\n"


def test_two_rates_and_doubtful_prices(capsys, tmp_path):
    """By hand: 6.5 less 5.0 t/ha; 1 a kg over 0.19 a t is 5,263 times."""
    home = tmp_path / "in"
    home.mkdir()
    rows = [f"A,{b},{r},{y + e}" for b, e in ((1, 0.1), (2, -0.1), (3, 0)) for r, y in ((0, 5.0), (120, 6.5))]
    (home / "a.csv").write_text("\n".join(["trial,block,N (kg/ha),yield (t/ha)", *rows]))
    words = ["batch", "trials", str(home), "--crop", "wheat", "--out", str(tmp_path / "out"), "--quiet"]
    assert main([*words, "--nutrient-price", "1", "--grain-price", "0.19"]) == 0
    printed = capsys.readouterr().out
    assert "1 trial: 1 usable" in printed
    assert "Two rates, difference only" in printed
    assert "price ratio by weight of 5,260" in printed
    row = pd.read_csv(tmp_path / "out" / "results.csv").iloc[0]
    assert (row["status"], row["n_rates"]) == ("difference only", 2)
    assert "yields 1.5 t/ha more" in row["message"]
    assert pd.isna(row["optimum"])
