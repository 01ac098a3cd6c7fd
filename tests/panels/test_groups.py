"""The optimum panel takes a column of groups: a curve and an optimum of each, prices move them all."""

import pandas as pd
import pytest

from fertkit.intake import read_strips
from fertkit.panels.trials import OptimumPanel
from fertkit.response import compare_groups

PRICES = {"nutrient_price": 0.6, "grain_price": 0.11}


@pytest.fixture(scope="module")
def oats(outside, tmp_path_factory):
    """Yates 1935 as a file of strips [lb/ac]."""
    table = outside("yates_oats_splitplot_n.csv")
    path = tmp_path_factory.mktemp("oats") / "oats.csv"
    pd.DataFrame({
        "Block": table["block"], "Variety": table["gen"],
        "N rate (lb/ac)": (table["n_cwt_ac"] * 112).round(1), "Yield (lb/ac)": table["yield_qlb_plot"] * 20,
    }).to_csv(path, index=False)  # fmt: skip
    return path


@pytest.fixture
def panel(oats):
    return OptimumPanel(oats, crop="oats", by="Variety", curve="quadratic", **PRICES)


def test_shows_the_optima_of_the_library(panel, oats):
    strips = read_strips(oats, crop="oats", columns={"factor": "Variety"})
    expected = compare_groups(strips, "variety", curve="quadratic", **PRICES)
    assert panel.error is None
    assert panel.result.groups["rate"].tolist() == pytest.approx(expected.groups["rate"].tolist())
    assert "Economic optimum rate, variety Victory" in panel.message()


def test_a_price_moves_every_optimum_without_a_new_fit(panel):
    before = panel.result
    panel.controls["nutrient_price"].value = 1.2
    assert panel.error is None
    assert panel.result.models is before.models
    assert (panel.result.groups["rate"] < before.groups["rate"]).all()


@pytest.mark.usefixtures("undrawn")
def test_the_code_gives_the_same(panel, oats, capsys):
    code = panel.code().replace(repr(panel.file), repr(str(oats)))
    held = {}
    exec(compile(code, "code", "exec"), held)
    assert held["result"].groups["rate"].tolist() == pytest.approx(panel.result.groups["rate"].tolist())
    assert "for each variety" in capsys.readouterr().out


@pytest.mark.usefixtures("undrawn")
def test_blocks_under_another_header_are_no_groups_to_compare(demo):
    panel = OptimumPanel(demo("corn_n_strips.csv"), crop="corn", nutrient_price=0.45, grain_price=4.5)
    rows = [f"{block};{rate};{150 + rate // 4 + block},5" for block in (1, 2, 3) for rate in (0, 60, 120)]
    panel.take_file("mine.csv", "\n".join(["Bank;N lb/ac;Yield bu/ac", *rows]).encode())
    assert "rename it 'Block'" in str(panel.error)
    assert "Compare by column" not in str(panel.error)


def test_an_uploaded_file_waits_until_its_groups_are_named(demo, oats):
    panel = OptimumPanel(demo("soybean_k_strips.csv"), crop="soybean", nutrient_price=0.45, grain_price=11.0)
    panel.take_file("oats.csv", oats.read_bytes())
    assert "'Variety'" in str(panel.error)
    assert "Compare by column" in str(panel.error)
    panel.set(by="Variety")
    panel.set(**PRICES)
    assert panel.error is None
    assert list(panel.result.analyses) == ["GoldenRain", "Marvellous", "Victory"]
