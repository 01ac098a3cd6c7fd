"""Pages and workbooks from the command line: one trial by name, or all of a file together."""

import pytest
from python_calamine import CalamineWorkbook

from fertkit.cli import main


def strips(demo, *words):
    """Ask about the demo file that holds two trials."""
    prices = ["--nutrient-price", "0.6", "--grain-price", "4.5"]
    return main(["strips", str(demo("workshop_strips.csv")), "--crop", "corn", *prices, *map(str, words)])


def test_one_of_two_trials_has_to_be_named(demo, tmp_path, capsys):
    assert strips(demo, "--page", tmp_path / "t.html") == 2
    assert "--trial NAME" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


@pytest.mark.usefixtures("undrawn")
def test_all_trials_together(demo, tmp_path, capsys):
    page, book = tmp_path / "n.html", tmp_path / "n.xlsx"
    assert strips(demo, "--together", "--page", page, "--workbook", book) == 0
    assert "These 2 trials" in capsys.readouterr().out
    assert "Bramble Rise S" in page.read_text(encoding="utf-8")
    assert CalamineWorkbook.from_path(str(book)).sheet_names[-1] == "Sources"


SAME = ["--same", "Heron Qtr=Heron Quarter"]


def history(demo, *words):
    """Ask about the demo folder of leaf reports."""
    return main(["history", str(demo("leaf_history")), *map(str, words)])


def test_history_of_two_fields_is_an_index_and_a_page_each(demo, tmp_path, capsys):
    page, book, table = (tmp_path / name for name in ("h.html", "h.xlsx", "h.csv"))
    assert history(demo, *SAME, "--page", page, "--workbook", book, "--table", table) == 0
    said = capsys.readouterr().out
    assert "Heron Quarter: K (poor area) short in 3 of 3 seasons judged" in said  # so simulate.py makes it
    assert "Mill Bend: nothing was short in 3 seasons judged." in said
    index = page.read_text(encoding="utf-8")
    assert 'href="h_1.html"' in index
    assert 'href="h_2.html"' in index
    assert "Heron Quarter over the seasons" in (tmp_path / "h_1.html").read_text(encoding="utf-8")
    assert "Laboratory A in 2024; Laboratory B in 2025, 2026: laboratories use different" in index
    values = CalamineWorkbook.from_path(str(book)).get_sheet_by_name("Values").to_python()
    assert len(values) == len(
        table.read_text(encoding="utf-8").splitlines()
    )  # every value, not only the short
    assert table.read_text(encoding="utf-8").startswith("field,crop,season,step,growth_stage")


def test_history_of_one_field_is_one_page(demo, tmp_path, capsys):
    page = tmp_path / "h.html"
    assert history(demo, *SAME, "--field", "Mill Bend", "--page", page) == 0
    assert "Heron" not in capsys.readouterr().out
    assert [path.name for path in tmp_path.iterdir()] == ["h.html"]
    assert page.read_text(encoding="utf-8").count("<img") == 1  # nothing short: one figure shows all


def test_history_asks_about_spellings_and_refuses_unknown_names(demo, capsys):
    assert history(demo) == 0
    assert "Are 'Heron Quarter' and 'Heron Qtr' one field?" in capsys.readouterr().out
    assert history(demo, "--field", "Otter") == 2
    assert "Mill Bend" in capsys.readouterr().err
    assert main(["history", "nowhere"]) == 2
    assert "nowhere" in capsys.readouterr().err
