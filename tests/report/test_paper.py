"""What a paper needs of an answer: what was done in words, numbers, figures to size, a script that runs."""

import base64
import re
import runpy
from itertools import pairwise
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from scipy.stats import t

from fertkit.cli import main
from fertkit.intake import read_strips
from fertkit.plots.style import finish, journal_figure
from fertkit.reference import list_sources
from fertkit.report import answer_network, answer_trial
from fertkit.report.paper import Paper, Recipe

PRICES = {"nutrient_price": 0.45, "grain_price": 11.0}


@pytest.fixture(scope="module")
def strips(demo):
    return read_strips(demo("soybean_k_strips.csv"), crop="soybean")


@pytest.fixture(scope="module")
def paper(strips, demo):
    files, asks = (demo("soybean_k_strips.csv"),), "fertkit.report.trial.answer_trial"
    recipe = Recipe(files, {"crop": "soybean"}, asks, PRICES)
    answer = answer_trial(strips, **PRICES)
    return Paper(type(answer)(**{**vars(answer), "recipe": recipe}), strips)


def test_the_methods_say_what_was_done_and_cite_it_in_order(paper):
    text, references = paper.methods.split("\n\nTo be added by the authors")
    assert text.startswith(
        "Soybean yield was measured in 24 strips at 6 rates of K2O (0, 40, 80, 120, 160, 200 lb/ac) in 4 "
        "blocks. "
    )
    assert "analysis of variance, blocks as fixed effects; 95% intervals are by Student's t (15 error" in text
    assert "Tukey" in text
    assert not {"Holm", "REML"} & set(text.split())
    cited = [int(n) for group in re.findall(r"\[([\d, ]+)\]", text) for n in group.split(", ")]
    numbered = re.findall(r"^(\d+)\. (.*)$", references, re.M)
    assert list(dict.fromkeys(cited)) == [int(n) for n, _ in numbered] == list(range(1, len(numbered) + 1))
    known = dict(list_sources()[["source_key", "citation"]].to_numpy())
    for key, (_, line) in zip(paper.keys, numbered, strict=True):
        assert line.startswith(known[key].rstrip("."))


def test_no_response_and_two_rates_are_told_as_they_are():
    flat = pd.DataFrame({"block": np.repeat([1, 2, 3], 3), "rate_lb_ac": [0, 50, 100] * 3})
    flat["yield_bu_ac"] = 50 + np.array([0.3, -0.2, -0.1, -0.1, 0.3, -0.2, -0.2, -0.1, 0.3])
    methods = Paper(answer_trial(flat, **PRICES)).methods
    assert "No response is reported" in methods
    assert "average of six curves" not in methods
    two = answer_trial(flat[flat["rate_lb_ac"] < 100], **PRICES)
    assert "Two rates give no curve" in Paper(two).methods
    assert "AICc" not in Paper(two).tables["Fit of the curves"]


def test_what_is_asked_for_about_strips_is_told(strips):
    methods = Paper(answer_trial(strips, **PRICES, robust=True, uneven=True), strips).methods
    assert "adjusted by Huber's estimate" in methods
    assert "inverse of an error variance" in methods
    assert "Huber PJ." in methods


def test_precision_of_means_by_arithmetic(paper):
    """SED = sqrt(2 MS / r) with 4 blocks; LSD = t(0.975, 15) SED."""
    table = paper.tables["Precision of the means"].set_index("quantity")["value"]
    sed = np.sqrt(2 * table["error mean square"] / 4)
    assert table["SED, standard error of a difference"] == pytest.approx(sed)
    assert table["LSD, least significant difference at 95%"] == pytest.approx(sed * t.isf(0.025, 15))


def test_the_workbook_holds_numbers_as_numbers_under_units(paper, tmp_path):
    book = openpyxl.load_workbook(paper.write_workbook(tmp_path / "tables.xlsx"))
    assert {"Curve parameters", "Fit of the curves", "Treatment means"} <= set(book.sheetnames)
    for sheet in book:
        texts = [c.value for row in sheet.iter_rows(2) for c in row if isinstance(c.value, str)]
        assert not [text for text in texts if re.fullmatch(r"[-+]?\d+([.,]\d+)?(e-?\d+)?", text)], sheet.title
    head = [c.value for c in book["Fit of the curves"][1]]
    assert {"RSS [(bu/ac)²]", "residual SD [bu/ac]", "economic optimum [lb/ac]", "R²", "AICc"} <= set(head)
    rows = [[cell.value for cell in row] for row in book["Curve parameters"].iter_rows(2)]
    held = {row[3]: row[4] for row in rows if row[1] == "quadratic"}
    rate, yields = paper.answer.response.data.rate, paper.answer.response.data.yields
    c, b, _ = np.polyfit(rate, yields, 2)  # every block holds every rate: blocks move the level alone
    assert (held["b"], held["c"]) == (pytest.approx(b), pytest.approx(c))


@pytest.mark.parametrize(("width", "shown"), [(85, 6), (170, 1)])
def test_figures_have_the_width_of_a_journal_and_letters_of_seven_points(paper, width, shown):
    for section in [section for section in paper.sections if section.figure is not None][:shown]:
        written = journal_figure(section.figure, width)
        svg = written["svg"].decode()
        assert float(re.search(r'width="([\d.]+)pt"', svg)[1]) == pytest.approx(width / 25.4 * 72, abs=0.01)
        box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ", written["pdf"])[1]
        assert float(box) == pytest.approx(width / 25.4 * 72, abs=0.1)
        assert (
            min(map(float, re.findall(r"font-size: ([\d.]+)px", svg) or re.findall(r"([\d.]+)px", svg))) >= 7
        )
        assert "Economic optimum: " not in svg
        assert "font-weight: bold" not in svg


def test_the_command_writes_the_folder_and_its_script_runs(demo, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("fertkit.plots.style.JOURNAL_WIDTHS", ())
    folder = tmp_path / "for a paper"
    words = ["strips", str(demo("soybean_k_strips.csv")), "--crop", "soybean", "--nutrient-price", "0.45"]
    words += ["--grain-price", "11", "--paper", str(folder), "--page", str(tmp_path / "page.html")]
    assert main([*words, "--column", "other=Width (ft)"]) == 0
    names = {path.name for path in folder.iterdir()}
    assert {"methods.txt", "references.bib", "tables.xlsx", "paper.html", "soybean_k_strips.csv"} <= names
    assert (folder / "references.bib").read_text(encoding="utf-8").count("@") == len(
        re.findall(r"^\d+\. ", (folder / "methods.txt").read_text(encoding="utf-8"), re.M)
    )
    capsys.readouterr()
    runpy.run_path(str(folder / "reproduce.py"))
    assert capsys.readouterr().out.endswith("All match the report.\n")
    link = re.search(r'href="data:text/x-python;base64,([^"]+)" download="reproduce.py"',
                     (tmp_path / "page.html").read_text(encoding="utf-8"))  # fmt: skip
    assert base64.b64decode(link[1]).decode() == (folder / "reproduce.py").read_text(encoding="utf-8")


def test_long_names_and_labels_stay_on_a_narrow_figure():
    def drawn(ax, title):
        ax.set_xticks(range(4), ["Sulfur band", "Biological seed coat", "Check", "Starter"])
        finish(ax, title, "Yield at 160 minus yield at none at all [bu/ac] of these treatments", "yield")
        drawn.ax = ax

    journal_figure(drawn, 85)
    page = drawn.ax.figure
    page.draw_without_rendering()
    boxes = [text.get_window_extent() for text in drawn.ax.get_xticklabels()]
    assert all(one.x1 <= other.x0 for one, other in pairwise(boxes))
    label = drawn.ax.xaxis.label.get_window_extent()
    assert label.x0 >= 0
    assert label.x1 <= page.bbox.width


def test_a_script_keeps_a_zero_and_no_name_ends_its_comment(paper):
    table = pd.DataFrame({"about": ["North\nimport os"], "item": ["rate"], "value": [1.5]})
    code = Recipe((Path("a.csv"),), {"sheet": None}, "a.b", {"within": 0.0, "seed": 0}).script(table)
    assert "within=0.0, seed=0" in code
    assert "sheet" not in code
    assert "\nimport os" not in code
    compile(code, "reproduce.py", "exec")


def test_trials_together_are_a_paper_too(strips):
    table = strips.table
    rng = np.random.default_rng(5)
    column = strips.yield_column
    many = [
        table.assign(trial=name, **{column: table[column] + rng.normal(0, 1, len(table))}) for name in "ABC"
    ]
    answer = answer_network(strips.with_strips(pd.concat(many, ignore_index=True)), **PRICES)
    methods = Paper(answer, strips).methods
    assert "in 72 strips at 6 rates of K2O (0, 40, 80, 120, 160, 200 lb/ac) in 3 trials" in methods
    assert "Hartung J, Knapp G. 2001" in methods
    assert "Laird NM, Ware JH. 1982" in methods


def _grown(rng, *factors):
    """Strips of every combination in three blocks (invented)."""
    from itertools import product

    rows = []
    for block, *held in product((1, 2, 3), *factors):
        rates = [value for value in held if isinstance(value, int)]
        yields = 100 + sum(0.3 * rate - 0.0008 * rate**2 for rate in rates) + 3 * block
        rows.append((block, *held, round(yields + rng.normal(0, 2), 1)))
    return rows


@pytest.mark.parametrize(
    ("columns", "factors", "words", "says"),
    [
        (["Hybrid", "N rate (lb/ac)"], ["AB", (0, 60, 120, 180)],
         ["--by", "Hybrid", "--nutrient-price", "0.5"],
         ["in 2 levels of hybrid, 3 blocks each", "parallel and separate curves by hybrid"]),
        (["Treatment"], [("check", "Product one", "Product two")], ["--no-worse-than", "2"],
         ["9 strips of 3 treatments in 3 blocks", "two one-sided t tests", "Schuirmann DJ. 1987"]),
        (["Treatment"], [("check", "Product one")], ["--design", "pairs"],
         ["pair differences", "measured in 6 strips"]),
        (["Main plot", "N rate (lb/ac)"], ["AB", (0, 60, 120)], ["--design", "split-plot"],
         ["analysis of variance by strata", "18 strips", "split plot of main plot (whole strips)"]),
        (["N (lb/ac)", "P2O5 (lb/ac)"], [(0, 60, 120, 180), (0, 60, 120)],
         ["--nutrient-price", "N=0.5,P2O5=0.6"],
         ["4 rates of N (0, 60, 120, 180 lb/ac) and 3 rates of P2O5 (0, 60, 120 lb/ac)", "joint region"]),
    ],
)  # fmt: skip
def test_other_kinds_of_trials_are_papers_too(columns, factors, words, says, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("fertkit.plots.style.JOURNAL_WIDTHS", ())
    strips = pd.DataFrame(
        _grown(np.random.default_rng(1), *factors), columns=["Block", *columns, "Yield (bu/ac)"]
    )
    strips.to_csv(tmp_path / "strips.csv", index=False)
    asked = [
        "strips",
        str(tmp_path / "strips.csv"),
        *words,
        "--grain-price",
        "4.5",
        "--paper",
        str(tmp_path / "p"),
    ]
    assert main(asked) == 0
    methods = (tmp_path / "p" / "methods.txt").read_text(encoding="utf-8")
    assert all(text in methods for text in says)
    capsys.readouterr()
    runpy.run_path(str(tmp_path / "p" / "reproduce.py"))
    assert capsys.readouterr().out.endswith("All match the report.\n")
    if "--design" in words:  # another yield is no longer what was reported
        held = strips.assign(**{"Yield (bu/ac)": strips["Yield (bu/ac)"].where(strips.index > 0, 77)})
        held.to_csv(tmp_path / "p" / "strips.csv", index=False)
        with pytest.raises(AssertionError, match="reported was"):
            runpy.run_path(str(tmp_path / "p" / "reproduce.py"))


def test_points_are_a_paper_with_both_files_beside_the_script(tmp_path, monkeypatch, capsys):
    """Eight strips of one pass each (invented)."""
    monkeypatch.setattr("fertkit.plots.style.JOURNAL_WIDTHS", ())
    strip, at = np.divmod(np.arange(8 * 60), 60)
    rate = np.array([0, 60, 120, 180, 120, 0, 180, 60])[strip]
    grain = 120 + 0.5 * rate - 0.0014 * rate**2 + strip % 3 + 0.1 * (at % 5)
    place = {"Longitude": -93 + strip * 1.1e-4, "Latitude": 44 + at * 1.8e-5}
    held = {"Yield (bu/ac)": grain, "Moisture (%)": 15.5, "Distance (m)": 2.0, "Width (m)": 9.0}
    pd.DataFrame({**place, **held}).to_csv(tmp_path / "log.csv", index=False)
    pd.DataFrame({**place, "N rate (lb/ac)": rate}).to_csv(tmp_path / "map.csv", index=False)
    words = ["strips", str(tmp_path / "map.csv"), "--log", str(tmp_path / "log.csv"), "--crop", "corn"]
    words += ["--nutrient-price", "0.5", "--grain-price", "4.5", "--paper", str(tmp_path / "p")]
    assert main(words) == 0
    assert {"log.csv", "map.csv", "reproduce.py"} <= {path.name for path in (tmp_path / "p").iterdir()}
    assert "Anselin L. 1995" in (tmp_path / "p" / "methods.txt").read_text(encoding="utf-8")
    capsys.readouterr()
    runpy.run_path(str(tmp_path / "p" / "reproduce.py"))
    assert capsys.readouterr().out.endswith("All match the report.\n")
