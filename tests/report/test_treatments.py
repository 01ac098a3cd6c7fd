"""Treatments without rates: a file of products read, compared with the check, in money and with a margin.

"R": tests/reference/r/designs.R (emmeans with mvtnorm) on tests/cases/strips/products.csv (invented).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit import read_strips
from fertkit.cli import main
from fertkit.errors import InputError, NotEstimable
from fertkit.report.treatments import answer_treatments

CASES = Path(__file__).parent.parent / "cases" / "strips"
COSTS = {"starter 10-34-0 5 gal/ac": 14.5, "Foliar B 1 qt/ac": 6.5, "Biostimulant 12 oz/ac": 9}


@pytest.fixture(scope="module")
def products():
    return read_strips(CASES / "products.csv")


def test_products_against_the_check(products):
    found = answer_treatments(products, grain_price=4.5, costs=COSTS, no_worse_than=4, currency="$")
    means = found.analysis.means.set_index("treatment")
    assert found.analysis.check_strip == "Untreated"
    order = ["Biostimulant 12 oz/ac", "Foliar B 1 qt/ac", "Starter 10-34-0 5 gal/ac"]
    rows = means.loc[order]
    assert rows["difference"].tolist() == pytest.approx([0.0888889, 1.85, 7.45], abs=1e-6)  # R
    assert rows["p_adjusted"].tolist() == pytest.approx([0.99979, 0.3617, 0.00064], abs=1e-3)  # R
    # gain x price - cost, its interval that of the gain (arithmetic)
    worth = found.worth.table.set_index("treatment").loc[order]
    assert worth["net"].tolist() == pytest.approx([0.4 - 9, 8.325 - 6.5, 33.525 - 14.5])
    pairs = found.analysis.comparisons  # one comparison each: not adjusted as a family
    pairs = pairs[pairs["first"].eq("Untreated") | pairs["second"].eq("Untreated")]
    half = pairs.set_index(pairs["first"].where(pairs["first"] != "Untreated", pairs["second"]))
    half = (half["high"] - half["low"]).loc[order] / 2
    assert worth["net_low"].tolist() == pytest.approx((worth["net"] - 4.5 * half).tolist())
    assert worth["break_even"].tolist() == pytest.approx([2, 6.5 / 4.5, 14.5 / 4.5])
    said = found.summary()
    assert "Starter 10-34-0 5 gal/ac yielded more than Untreated" in said
    assert "After cost, Starter 10-34-0 5 gal/ac paid in this trial" in said
    assert "Biostimulant 12 oz/ac: as good as Untreated within 4 bu/ac: " in said
    assert "block 3 strip 12" in said
    page = found.page()
    for words in ("Did it pay?", "no more than 4 bu/ac worse", "local nutrient rules, the label", "Dunnett"):
        assert words in page
    assert {"Net return over the check", "Against Untreated with a margin"} <= set(found.tables)
    for result, low in (
        (found.worth, worth["net_low"].min()),
        (found.margin, found.margin.table["low"].min()),
    ):
        whiskers = [c.get_segments() for c in result.plot().collections]
        assert min(s[:, 0].min() for lines in whiskers for s in lines) == pytest.approx(low)
    about = found.table[found.table["item"].str.startswith("net return")]
    assert about["value"].tolist() == pytest.approx(found.worth.table["net"].tolist())


def test_without_costs_or_check_it_says_so(products):
    assert "returns are not known" in answer_treatments(products).summary()
    table = products.table.replace({"treatment": {"Untreated": "Usual practice"}})
    bare = answer_treatments(table, costs={"Foliar B 1 qt/ac": 5}, grain_price=4)
    assert bare.worth is None
    assert "no treatment is named check" in bare.summary()
    named = answer_treatments(table, check="usual practice", costs={"Foliar B 1 qt/ac": 5}, grain_price=4)
    assert "Biostimulant 12 oz/ac: no cost given" in named.summary()
    with pytest.raises(NotEstimable, match="margin needs a named check"):
        answer_treatments(table, no_worse_than=2)
    with pytest.raises(InputError, match="which is not in the trial"):
        answer_treatments(products, costs={"Lime": 5}, grain_price=4)


def run(capsys, *arguments):
    code = main([str(a) for a in arguments])
    return code, "".join(capsys.readouterr())


def test_the_lowest_number_stands_for_the_check_and_that_is_said():
    rows = [(block, name, 100 + 5 * name + block % 2) for block in range(1, 5) for name in (1, 2, 3)]
    numbered = pd.DataFrame(rows, columns=["block", "treatment", "yield_bu_ac"])
    said = "1, the lowest number, is taken as the check"
    assert said in answer_treatments(numbered).summary()
    assert said not in answer_treatments(numbered, check=1).summary()
    assert "the lowest number" not in answer_treatments(numbered.replace({"treatment": {1: 0}})).summary()


def test_the_command_writes_page_workbook_and_table(capsys, tmp_path):
    paths = [tmp_path / name for name in ("p.html", "p.xlsx", "p.csv")]
    options = [x for pair in zip(("--page", "--workbook", "--table"), paths, strict=True) for x in pair]
    code, said = run(
        capsys, "strips", CASES / "products.csv", "--grain-price", "4.5", "--cost", "Foliar B 1 qt/ac=0.5x13",
        "--no-worse-than", "2", "--letters", "lsd", *options,
    )  # fmt: skip
    assert code == 0
    assert "Letters: the least significant difference" in said
    assert "after 6.50 per acre" in said
    assert all(path.stat().st_size for path in paths)
    assert pd.read_csv(paths[2])["item"].str.startswith("mean at").sum() == 4
    code, said = run(capsys, "strips", CASES / "products.csv", "--rates", tmp_path / "r.csv")
    assert code != 0
    assert "needs a response curve" in said


def test_varieties_are_treatments_where_nothing_else_names_any(capsys):
    code, said = run(capsys, "strips", CASES / "diagonal_checks.csv", "--design", "near-checks")
    assert code == 0
    assert "'Variety' names treatments, not rates" in said
    assert "a strip shares" in said


@pytest.mark.parametrize(("name", "options", "words"), [
    ("strip_plot_wide.csv", ["--column", "factor=Tillage", "--design", "strip-plot"],
     "Strip plot of tillage and rate [lb/ac], each on strips of its own"),
    ("strip_plot_wide.csv", ["--column", "factor=Tillage"], "name the design, or add plot numbers"),
    ("checks_and_entries.csv", [], "two entries of different blocks"),
])  # fmt: skip
def test_designs_by_the_command(capsys, tmp_path, name, options, words):
    _, said = run(capsys, "strips", CASES / name, *options)
    assert words in said


def test_an_excel_sheet_of_products_reads_as_its_csv(products, tmp_path):
    pytest.importorskip("openpyxl")
    path = tmp_path / "products.xlsx"
    sheet = pd.read_csv(CASES / "products.csv")
    sheet["Yield (bu/ac)"] = pd.to_numeric(sheet["Yield (bu/ac)"], errors="coerce")
    sheet.to_excel(path, index=False)
    same = read_strips(path).table["yield_bu_ac"]
    np.testing.assert_array_equal(same, products.table["yield_bu_ac"])


def test_damaged_files_of_products_are_refused_in_words(tmp_path):
    text = (CASES / "products.csv").read_text()
    damaged = {
        "3,12,Biostimulant 12 oz/ac,lost": "3,12,,181.0",  # no product
        "4,14,Untreated,177.7": "4,14,Untreated,1777 bags",  # no yield
    }
    for good, bad in damaged.items():
        path = tmp_path / "bad.csv"
        path.write_text(text.replace(good, bad))
        with pytest.raises(InputError) as refused:
            read_strips(path)
        assert "row 13" in str(refused.value) or "row 15" in str(refused.value)


def _plots(blocks, **entries):
    """A table of blocks: name -> yield in each block, by hand."""
    rows = [(b, name, y + b) for name, y in entries.items() for b in range(1, blocks + 1)]
    return pd.DataFrame(rows, columns=["block", "treatment", "yield_bu_ac"])


def test_treatments_that_are_numbers_are_called_treatments():
    lift = np.tile([0.2, -0.1, 0.1, -0.2], 3)
    table = _plots(4, **{"1": 50.0, "2": 60.0, "3": 63.0}).assign(treatment=np.repeat([1, 2, 3], 4))
    table["yield_bu_ac"] += lift * np.repeat([1, -1, 1], 4)
    found = answer_treatments(table, grain_price=5.0, costs={"2": 10}, no_worse_than=2)
    said = found.summary()
    assert "Treatments 2 and 3 yielded more than treatment 1." in said
    assert "at treatment 1 to" in said
    assert "over treatment 1" in said
    page = found.page()
    assert "Try treatment 2 on more fields" in page
    assert "Treatment 3 yielded more than treatment 1: compare gain" in page
    assert "more than 1" not in said


def test_checks_of_an_augmented_layout_are_marked_and_one_is_asked_for():
    rng, rows = np.random.default_rng(5), []
    for block in range(1, 6):
        names = ["Elder", "Younger", *(f"E{block}{k}" for k in range(4))]
        rows += [(block, name, 50 + block + rng.normal(0, 1)) for name in names]
    table = pd.DataFrame(rows, columns=["block", "treatment", "yield_bu_ac"])
    said = answer_treatments(table).summary()
    assert "checks are Elder and Younger; name the one to compare with" in said
    assert said.count("(check)") == 2
    twice = table.replace({"treatment": {"Younger": "Elder"}})  # one check, two strips in every block
    found = answer_treatments(twice)
    assert found.analysis.check_strip == "Elder"
    assert "no treatment is named check" not in found.summary()
