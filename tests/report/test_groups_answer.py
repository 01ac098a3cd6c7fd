"""A strip file with a second factor, from the file to text, page, workbook, rates and paper."""

import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import FertkitError, InputError
from fertkit.intake import read_strips
from fertkit.report import answer_groups
from fertkit.report.paper import Paper, Recipe

PRICES = ["--nutrient-price", "0.6", "--grain-price", "0.11"]


@pytest.fixture(scope="module")
def oats(outside, tmp_path_factory):
    """Yates 1935 as a file of strips: hundredweights of N as lb/ac, quarter pounds of 1/80 acre as lb/ac."""
    table = outside("yates_oats_splitplot_n.csv")
    path = tmp_path_factory.mktemp("oats") / "oats.csv"
    pd.DataFrame({
        "Block": table["block"], "Variety": table["gen"],
        "N rate (lb/ac)": (table["n_cwt_ac"] * 112).round(1), "Yield (lb/ac)": table["yield_qlb_plot"] * 20,
    }).to_csv(path, index=False)  # fmt: skip
    return path


def ask(capsys, *words):
    code = main(["strips", *map(str, words), *PRICES])
    return code, capsys.readouterr()


def test_a_second_factor_without_by_is_told_and_not_pooled(oats, capsys):
    code, said = ask(capsys, oats, "--crop", "oats")
    assert code != 0
    assert "second factor: 3 levels (GoldenRain, Marvellous, Victory)" in said.err
    assert '--by "Variety"' in said.err


def test_by_answers_for_each_level(oats, capsys, tmp_path):
    """Optima, F of varieties (Yates 1935: 1.485 with 2 and 10) and rates for a plan, in every form."""
    page, book, table, rates = (tmp_path / name for name in ("p.html", "p.xlsx", "p.csv", "rates.csv"))
    written = ("--page", page, "--workbook", book, "--table", table, "--rates", rates)
    code, said = ask(capsys, oats, "--crop", "oats", "--by", "Variety", *written)
    assert code == 0, said.err
    assert "Economic optimum rate, variety Marvellous: " in said.out
    assert "F = 1.49 with 2 and 10 degrees of freedom, p = 0.27" in said.out
    assert "is not shown to pay" in said.out
    assert "How different are the optima?" in page.read_text(encoding="utf-8")
    assert "Optima by variety" in pd.read_excel(book, sheet_name=None, engine="openpyxl")
    items = pd.read_csv(table)["item"]
    assert {"common rate", "net gain of a rate for each variety over one"} <= set(items)
    # Golden Rain and Victory still gain at the highest rate: no rate for a plan.
    assert pd.read_csv(rates)["field"].tolist() == ["oats, Marvellous"]


def test_a_paper_tells_the_comparison_and_asks_again(oats, capsys):
    strips = read_strips(oats, crop="oats", columns={"factor": "Variety"})
    asked = {"by": "variety", "nutrient_price": 0.6, "grain_price": 0.11}
    answer = answer_groups(strips, **asked)
    methods = Paper(answer, strips).methods
    assert "in 3 levels of variety, 6 blocks each" in methods
    assert "Scheffé H. 1953" in methods
    question = f"{answer_groups.__module__}.answer_groups"
    script = Recipe((oats,), {"crop": "oats", "columns": {"factor": "Variety"}}, question, asked)
    exec(script.script(answer.table), {"__file__": str(oats.with_name("reproduce.py"))})
    assert "All match the report." in capsys.readouterr().out


def test_levels_are_not_pooled_together(oats, capsys):
    code, said = ask(capsys, oats, "--crop", "oats", "--by", "Variety", "--together")
    assert code != 0
    assert "the file has a second factor, 'variety'" in said.err
    code, said = ask(capsys, oats, "--crop", "oats", "--by", "Tillage")
    assert code != 0
    assert "Tillage" in said.err


def test_the_yields_of_each_level_are_read_rightly(oats, outside):
    """Every cell of the file reaches its group: means by variety and rate, taken of the source."""
    answer = answer_groups(
        read_strips(oats, crop="oats", columns={"factor": "Variety"}), "variety",
        nutrient_price=0.6, grain_price=0.11,
    )  # fmt: skip
    source = outside("yates_oats_splitplot_n.csv")
    for variety, rows in source.groupby("gen"):
        data = answer.groups.analyses[variety].data
        read = pd.Series(data.yields).groupby((data.rate / 112).round(1)).mean()
        means = rows.groupby("n_cwt_ac")["yield_qlb_plot"].mean() * 20
        assert read.tolist() == pytest.approx(means.tolist())


def test_merged_and_damaged_labels(oats):
    """Labels given once are filled down within the block; a label lost within is asked about."""
    table = pd.read_csv(oats).sort_values(["Block", "Variety", "N rate (lb/ac)"], ignore_index=True)
    once = table.assign(Variety=table["Variety"].where(table["N rate (lb/ac)"] == 0))
    read = read_strips(once, crop="oats", columns={"factor": "Variety"})
    assert read.table["variety"].tolist() == table["Variety"].tolist()
    table.loc[5, "Variety"] = None
    with pytest.raises(InputError, match="Variety"):
        read_strips(table, crop="oats", columns={"factor": "Variety"})


@pytest.mark.parametrize("header", ["Strip", "strip", "Yield zone"])
def test_a_factor_is_called_as_the_file_calls_it(oats, header):
    """A header that could pass for a column of the kit's own keeps its name."""
    table = pd.read_csv(oats)
    table = table[table["N rate (lb/ac)"].isin(table["N rate (lb/ac)"].unique()[:2])]
    strips = read_strips(table.rename(columns={"Variety": header}), crop="oats", columns={"factor": header})
    with pytest.raises(FertkitError, match=f"curves by '{header}' need three rates"):
        answer_groups(strips, strips.factor, nutrient_price=0.6, grain_price=0.11)


def test_several_trials_are_answered_one_at_a_time(oats):
    table = pd.read_csv(oats)
    both = pd.concat([table.assign(Trial="North"), table.assign(Trial="South", Variety="Victory")])
    both = both.drop_duplicates(["Trial", "Block", "Variety", "N rate (lb/ac)"])
    strips = read_strips(both, crop="oats", columns={"factor": "Variety"})
    asked = {"by": "variety", "nutrient_price": 0.6, "grain_price": 0.11}
    with pytest.raises(FertkitError, match="holds 2 trials"):
        answer_groups(strips, **asked)
    with pytest.raises(FertkitError, match="one level, Victory"):
        answer_groups(strips, name="South", **asked)
    assert next(iter(answer_groups(strips, name="North", **asked).trials)) == "North, GoldenRain"


def test_zones_in_blocks_of_their_own_are_told(oats):
    """Varieties as zones, each in two blocks of its own: one curve is drawn, and the reader says so."""
    table = pd.read_csv(oats)
    own = {"GoldenRain": ("B1", "B2"), "Marvellous": ("B3", "B4"), "Victory": ("B5", "B6")}
    zones = pd.concat([
        table[(table["Variety"] == variety) & table["Block"].isin(blocks)] for variety, blocks in own.items()
    ])  # fmt: skip
    told = [str(note) for note in read_strips(zones, crop="oats").notes]
    assert any("one curve is fitted to 3 levels" in note and "'Variety'" in note for note in told)
    answer = answer_groups(
        read_strips(zones, crop="oats", columns={"factor": "Variety"}), "variety",
        nutrient_price=0.6, grain_price=0.11,
    )  # fmt: skip
    assert "each group has its own blocks" in answer.summary()
