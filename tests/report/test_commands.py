"""Pages and workbooks from the command line: one trial by name, or all of a file together."""

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


def test_all_trials_together(demo, tmp_path, capsys):
    page, book = tmp_path / "n.html", tmp_path / "n.xlsx"
    assert strips(demo, "--together", "--page", page, "--workbook", book) == 0
    assert "from these 2 trials" in capsys.readouterr().out
    assert "Bramble Rise S" in page.read_text(encoding="utf-8")
    assert CalamineWorkbook.from_path(str(book)).sheet_names[-1] == "Sources"
