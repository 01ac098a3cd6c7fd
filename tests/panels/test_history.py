"""The panels of several reports and of nutrient balance show what the library answers."""

import pytest

from fertkit.intake import read_tissue
from fertkit.panels.history import BalancePanel, HistoryPanel
from fertkit.tissue import field_history

pytestmark = pytest.mark.usefixtures("undrawn")
REPORT = "Field,Sampled,Crop,Stage,Part,K %\nNorth,{day},soybean,R2,trifoliate,{k}\n"


@pytest.fixture(scope="module")
def history(demo):
    return HistoryPanel(demo("leaf_history"))


def test_spellings_are_asked_about_and_joined_where_told(history):
    assert any("Are 'Heron Quarter' and 'Heron Qtr' one field?" in text for text in history.cautions())
    assert not any("--same" in text for text in history.cautions())  # a panel has a line for it
    history.controls["same"].value = "Heron Qtr=Heron Quarter"
    assert history.error is None
    assert history.message().startswith("Heron Quarter: K (poor area) short in 3 of 3 seasons judged")
    history.controls["same"].value = "Heron Qtr"
    assert "must be written like" in str(history.error)
    history.start_over()
    assert history.error is None


def test_one_field_and_its_earlier_seasons(history, demo):
    history.set(same="Heron Qtr=Heron Quarter", field="Heron Quarter")
    assert history.result.fields == ["Heron Quarter"]
    assert [text for text, _ in history.controls["seasons"].options] == [
        "soybean 2026",
        "soybean 2024; corn 2025",
    ]
    history.set(seasons=0)
    assert history.settings.seasons == 0
    whole = field_history(demo("leaf_history"), same={"Heron Qtr": "Heron Quarter"}).only("Heron Quarter")
    assert history.result.path.equals(whole.path)
    assert "Heron Quarter over the seasons" in history.page()
    history.start_over()


def test_reports_opened_one_by_one_are_added_to_each_other(handed_over):
    panel = HistoryPanel()
    files = [handed_over(f"{day[:4]}.csv", REPORT.format(day=day, k=k).encode())[0]
             for day, k in (("2023-07-20", 1.31), ("2024-07-20", 2.1))]  # fmt: skip
    panel.upload.value = tuple(files)
    assert panel.message().startswith("North: K short in 1 of 2 seasons judged")
    panel.upload.value = handed_over("2025.csv", REPORT.format(day="2025-07-20", k=1.2).encode())
    assert panel.message().startswith("North: K short in 2 of 3 seasons judged")
    panel.upload.value = handed_over("bad.csv", b"what,is\nthis,1\n")
    assert "bad.csv cannot be used: 1 problem to fix" in panel._banner.value
    panel.upload.value = handed_over("2026.csv", REPORT.format(day="2026-07-20", k=1.2).encode())
    assert panel.message().startswith("North: K short in 3 of 4 seasons judged")  # the bad one is not kept
    panel.start_over()
    assert panel.data is None


def test_each_method_of_balance_or_why_not(demo):
    panel = BalancePanel(demo("leaf_yields.csv"))
    assert panel.result.balance.table["ratio"].nunique() == 6
    panel.set(method="dris")
    assert "no source read here publishes means and spreads" in str(panel.error)
    panel.controls["yield_column"].value = "Yield (bu/ac)"
    yields = read_tissue(demo("leaf_yields.csv")).others["Yield (bu/ac)"].astype(float)
    assert panel.settings.cutoff == round(yields.median(), 1)
    assert panel.error is None
    assert any("A relative method" in text for text in panel.cautions())
    panel.controls["yield_column"].value = "Yield (bu/ac)"
    panel.set(method="cnd", sample="Place 02")
    assert panel.error is None
    panel.set(method="dop", optimum="N=2.9; K=2.1")
    assert panel.result.table["nutrient"].unique().tolist() == ["N", "K"]
    panel.set(optimum="N")
    assert "must be written like" in str(panel.error)


def test_shoots_stand_against_their_curve(demo):
    panel = BalancePanel(demo("leaf_biomass.csv"), method="dilution")
    assert "below critical nitrogen by every curve" in panel.message()
    assert any("never use a leaf value" in text for text in panel.cautions())
