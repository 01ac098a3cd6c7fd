"""Columns named by their role and decimal commas in batches, told as for one file."""

import pandas as pd
import pytest

from fertkit.batch import run_batch
from fertkit.cli import main
from fertkit.errors import FertkitError

NUMBERS = ["n", "n_rates", "lowest_rate", "highest_rate", "optimum", "low", "high"]
OWN = {"yield": "Masse [t/ha]", "block": "Kl"}
HEAD = "Trial;Kl;N (kg/ha);Masse [t/ha]\n"


def batch(source, out, kind="trials", **options):
    options = ({"price_ratio": 0.008} if kind == "trials" else {}) | {"progress": False} | options
    return run_batch(source, out, kind, **options).table


def written(table, file, **changes):
    """Write a table as CSV with decimal commas."""
    table.rename(columns=changes).to_csv(file, index=False, decimal=",")
    return file


@pytest.fixture(scope="module")
def table(many_trials):
    return many_trials(3)


@pytest.fixture(scope="module")
def plain(table, tmp_path_factory):
    """The results under the names a data set has by itself."""
    home = tmp_path_factory.mktemp("plain")
    table.to_csv(home / "t.csv", index=False)
    return batch(home / "t.csv", home / "out")


def same(found, plain):
    """To twelve digits: sums over the trials of a part round by how many these are."""
    pd.testing.assert_frame_equal(found[["trial", *NUMBERS]], plain[["trial", *NUMBERS]], rtol=1e-12, atol=0)


@pytest.fixture
def fields(table, tmp_path):
    """A folder with a file of strips under headers of its own; one line of T001 holds no number."""
    home = tmp_path / "fields"
    home.mkdir()
    lines = [
        f"{r.trial};{r.block};{r.rate_kg_ha};{r.yield_t_ha}".replace(".", ",") for r in table.itertuples()
    ]
    at = next(i for i, line in enumerate(lines) if line.startswith("T001"))
    lines[at] = lines[at].rpartition(";")[0] + ";much"
    (home / "a.csv").write_text(HEAD + "\n".join(lines))
    return home


def test_headers_of_strip_files(fields, plain, tmp_path):
    found = batch(fields, tmp_path / "out", columns=OWN)
    assert list(found["status"] == "not usable") == [True, False, False]
    assert "'much'" in found["message"].iloc[0]
    good = found[found["status"] != "not usable"].reset_index(drop=True)
    same(good, plain[plain["trial"] != "T001"].reset_index(drop=True))
    assert set(good["yield_unit"]) == {"t/ha"}


def test_on_the_command_line(fields, plain, tmp_path, capsys):
    words = ["batch", "trials", str(fields), "--out", str(tmp_path / "out"), "--quiet"]
    words += ["--nutrient-price", "0,8", "--grain-price", "100"]
    assert main([*words, "--crop", "wheat", "--column", "yield=Masse [t/ha]", "--column", "block=Kl"]) == 0
    assert "3 trials: 2 usable" in capsys.readouterr().out
    good = pd.read_csv(tmp_path / "out" / "results.csv").query("status != 'not usable'")
    assert list(good["optimum"]) == list(plain.loc[plain["trial"] != "T001", "optimum"])
    assert main([*words, "--crop", "wheat"]) == 2
    assert "columns differs" in capsys.readouterr().err


def test_without_a_name_the_row_says_how_to_give_it(fields, tmp_path):
    found = batch(fields, tmp_path / "out")
    assert found["status"].tolist() == ["not usable"]
    assert '--column yield="your header"' in found["message"].iloc[0]


def test_columns_of_a_data_set(table, plain, tmp_path):
    names = {"trial": "Versuch", "rate_kg_ha": "given", "yield_t_ha": "got"}
    table.rename(columns=names).to_parquet(tmp_path / "t.parquet", index=False)
    columns = {"trial": "Versuch", "rate": "given", "yield": "got", "block": "block"}
    found = batch(tmp_path / "t.parquet", tmp_path / "out", columns=columns)
    same(found.rename(columns={"Versuch": "trial"}), plain)


def test_decimal_commas_of_a_data_set(table, plain, tmp_path):
    """5,2 is read in the one way it can be; 5,200 is taken for neither 5.2 nor 5200 until that is said."""
    coarse = table.assign(yield_t_ha=table["yield_t_ha"].map("{:.2f}".format).str.replace(".", ","))
    file = written(coarse, tmp_path / "t.csv")
    told = batch(file, tmp_path / "a", decimal=",")
    assert (told["status"] != "not usable").all()
    same(batch(file, tmp_path / "b"), told)
    fine = table.assign(yield_t_ha=table["yield_t_ha"].map("{:.3f}".format).str.replace(".", ","))
    file = written(fine, tmp_path / "u.csv")
    refused = batch(file, tmp_path / "c")
    assert (refused["status"] == "not usable").all()
    assert "use --decimal , (in Python decimal=',')" in refused["message"].iloc[0]
    found = batch(file, tmp_path / "d", decimal=",")
    assert found["optimum"].to_numpy() == pytest.approx(plain["optimum"].to_numpy(), rel=0.02)


def test_decimal_mark_of_samples(tmp_path, capsys):
    head = "Sample,Crop,Stage,Part,K (%),Zn (ppm)\n"
    home = tmp_path / "lab"
    home.mkdir()
    (home / "leaf.csv").write_text(head + 'A,corn,R1,ear leaf,"1,320",28\n')
    words = ["batch", "samples", str(home), "--quiet", "--out"]
    assert main([*words, str(tmp_path / "out"), "--decimal", ","]) == 0
    found = pd.read_csv(tmp_path / "out" / "results.csv")
    assert set(found.loc[found["nutrient"] == "K", "value"]) == {1.32}


def test_decimal_mark_of_a_data_set_of_samples(many_samples, tmp_path):
    table = many_samples(3)
    found = batch(written(table, tmp_path / "s.csv"), tmp_path / "out", "samples", decimal=",")
    values = found.drop_duplicates(["sample_id", "nutrient"])["value"]
    assert values.tolist() == table["value"].tolist()


@pytest.mark.parametrize(
    ("kind", "options", "told"),
    [
        (
            "trials",
            {"columns": {"yeild": "Masse"}},
            "unknown role of a column 'yeild', much like yield; choose one of:.*yield",
        ),
        (
            "trials",
            {"columns": {"moisture": "wet"}},
            "named for trial, rate, yield, block, not for 'moisture'",
        ),
        ("trials", {"columns": {"rate": ["a", "b"]}}, "two columns given for the rate"),
        ("trials", {"columns": {"rate": "a"}, "rate": "b"}, "two columns given for the rate"),
        ("trials", {"columns": {"rate": "nowhere"}}, "columns are missing among: trial, block"),
        ("trials", {"decimal": ";"}, "unknown decimal mark"),
        ("samples", {"columns": {"yield": "Masse"}}, "not in samples"),
    ],
)
def test_what_cannot_be_named(table, tmp_path, kind, options, told):
    table.to_parquet(tmp_path / "t.parquet", index=False)
    with pytest.raises(FertkitError, match=told):
        batch(tmp_path / "t.parquet", tmp_path / "out", kind, **options)
    assert not (tmp_path / "out").exists()


def test_files_of_strips_tell_their_decimal_mark(fields, tmp_path):
    with pytest.raises(FertkitError, match="show their decimal mark"):
        batch(fields, tmp_path / "out", decimal=",")
