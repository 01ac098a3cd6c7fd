"""Augmented layouts, and means adjusted by the checks beside each strip.

"R": tests/reference/r/designs.R (lm, emmeans) on the invented files of tests/cases/strips.
"""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit import read_strips
from fertkit.errors import NotEstimable
from fertkit.trials import analyse_strips

CASES = Path(__file__).parent.parent / "cases" / "strips"


@pytest.fixture(scope="module")
def layout():
    return read_strips(CASES / "checks_and_entries.csv")


@pytest.fixture(scope="module")
def line():
    return read_strips(CASES / "checks_beside.csv")


@pytest.fixture(scope="module")
def grid():
    return read_strips(CASES / "diagonal_checks.csv")


def test_entries_that_stand_once_are_adjusted_by_the_checks_of_their_block(layout):
    found = analyse_strips(layout)
    assert found.design == "augmented"
    table = found.anova.set_index("term")
    parts = ["checks against entries", "among checks", "among entries"]
    assert table.loc[parts, "ss"].tolist() == pytest.approx([0.520083333, 68.0116667, 234.99825])  # R
    assert table.loc[parts, "f"].tolist() == pytest.approx([0.190564885, 12.460152672, 4.531906790])  # R
    assert table.loc[parts, "ss"].sum() == pytest.approx(table.loc["treatment", "ss"])
    assert found.kinds["sed"].tolist() == pytest.approx([1.16815381, 2.02330176, 2.33630763, 2.69773568])  # R
    assert found.kinds["pairs"].sum() == 23 * 22 / 2
    means = found.means.set_index("treatment")["mean"]
    assert means[["E11", "E25", "Check A"]].tolist() == pytest.approx([65.7333333, 55.8333333, 59.2])  # R
    assert "two entries of different blocks: least significant difference 6.6" in found.summary()


def test_an_augmented_layout_needs_checks_in_every_block(layout):
    with pytest.raises(NotEstimable, match="not augmented"):
        analyse_strips(layout.table[~layout.table["treatment"].str.startswith("Check")].iloc[:5],
                       blocks=[], design="augmented")  # fmt: skip
    plain = analyse_strips(layout, design="blocks")
    assert plain.kinds is None
    assert plain.means["mean"].tolist() == analyse_strips(layout).means["mean"].tolist()


def test_checks_beside_the_strips_of_a_line(line):
    found = analyse_strips(line, design="near checks")
    table = found.anova.set_index("term")
    rows = ["neighbouring checks", "treatment"]
    assert table.loc[rows, "f"].tolist() == pytest.approx([5.68685128, 2.06778865])  # R
    means = found.means.sort_values("treatment")["mean"].tolist()
    by_r = [49.9902150, 46.6544501, 46.4005364, 46.2415247, 45.9672188, 47.1133208, 46.7414934]
    assert means == pytest.approx(by_r)  # R
    assert "a strip shares 0.462 of their deviation (p = 0.027)" in found.summary()
    assert "RICHEY1924" in set(found.sources["source_key"])


def test_diagonal_checks_on_a_grid(grid):
    found = analyse_strips(grid, design="near checks")
    assert (found.variance, found.error_df) == pytest.approx((1.22759804, 14))  # R
    means = found.means.set_index("treatment")["mean"]
    assert means[["Check", "N01"]].tolist() == pytest.approx([54.2938762, 57.2527652])  # R
    turned = grid.with_strips(grid.table.sample(frac=1, random_state=2))
    again = analyse_strips(turned, design="near checks").means.set_index("treatment")["mean"]
    assert again[means.index].tolist() == pytest.approx(means.tolist())


@pytest.fixture(scope="module")
def beside():
    """Strips beside checks, and what is made of them."""
    table = read_strips(CASES / "checks_beside.csv").table
    return table, analyse_strips(table, design="near checks", check="Check")


@settings(max_examples=10)
@given(st.floats(-50, 50), st.floats(0.1, 10))
def test_the_level_and_the_unit_of_yield_change_nothing(beside, shift, scale):
    table, one = beside
    other = table.assign(yield_bu_ac=scale * table["yield_bu_ac"] + shift)
    two = analyse_strips(other, design="near checks", check="Check")
    np.testing.assert_allclose(one.anova["f"], two.anova["f"], rtol=1e-6)
    differences = one.means.set_index("treatment")["difference"]
    again = two.means.set_index("treatment")["difference"][differences.index]
    np.testing.assert_allclose(scale * differences.dropna(), again.dropna(), atol=1e-6 * scale)


def test_what_neighbouring_checks_cannot_tell_is_refused(line):
    table = line.table
    with pytest.raises(NotEstimable, match="need strip positions"):
        analyse_strips(table.drop(columns=["position", "strip"]), design="near checks")
    with pytest.raises(NotEstimable, match="no treatment is named as the check"):
        analyse_strips(table.replace({"treatment": {"Check": "Z"}}), design="near checks")
    few = table[(table["treatment"] != "Check") | (table["block"] == 1) & (table["position"] < 7)]
    with pytest.raises(NotEstimable, match="of checks: adjustment"):
        analyse_strips(few, design="near checks")


def test_many_treatments_run_down_the_side(layout):
    found = analyse_strips(layout)
    ax = found.plot()
    assert [tick.get_text() for tick in ax.get_yticklabels()] == found.means["treatment"].tolist()
