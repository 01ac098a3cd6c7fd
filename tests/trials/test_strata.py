"""Strip plots, split plots with lost parts and factorials, and how a table tells one from the other.

"R": tests/reference/r/designs.R (aov with Error strata; lme4 with pbkrtest) on Yates' oats, taken as each.
"""

import numpy as np
import pandas as pd
import pytest

from fertkit import read_strips
from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.trials import analyse_strips
from fertkit.trials.strata import analyse_two_factors

OATS = {"treatment": ["gen", "n_cwt_ac"], "response": "yield_qlb_plot"}
LOST = [4, 17, 40]


@pytest.fixture(scope="module")
def oats(outside):
    return outside("yates_oats_splitplot_n.csv").drop(columns=["row", "col"])


def test_a_strip_plot_has_three_errors(oats):
    found = analyse_strips(oats, design="strip-plot", **OATS)
    table = found.anova.set_index("term")
    assert table.loc[["gen", "n_cwt_ac", "gen x n_cwt_ac"], "f"].tolist() == pytest.approx(
        [1.485340, 55.980520, 0.260291], abs=5e-6  # R
    )  # fmt: skip
    assert table.loc[["gen", "n_cwt_ac", "gen x n_cwt_ac"], "error_df"].tolist() == [10, 15, 30]  # R
    errors = table.loc[["first strip error", "second strip error", "cell error"], "ms"]
    assert errors.tolist() == pytest.approx([601.330556, 119.211111, 206.019444], abs=1e-5)  # R
    # Gomez & Gomez (1984, chapter 3, from memory): 6 blocks, 3 varieties, 4 rates
    ea, eb, ec = errors
    variances = [2 * ea / 24, 2 * eb / 18, 2 * (2 * ec + eb) / 18, 2 * (3 * ec + ea) / 24]
    assert found.errors["sed"].tolist() == pytest.approx(np.sqrt(variances).tolist())
    assert "Strip plot of gen and n cwt ac, each on strips of its own" in found.summary()


@pytest.mark.parametrize(("design", "f", "df"), [
    ("split plot", [1.38401, 33.57604, 0.35761], [9.97176720, 42.35380279, 42.29430367]),
    ("strip plot", [1.38321, 33.40442, 0.35613], [9.971745518, 14.579377129, 28.607897548]),
])  # fmt: skip
def test_lost_parts_are_weighed_by_reml(oats, design, f, df):
    # R: lmer and the F test of Kenward and Roger; its searches end a little short of the maximum
    found = analyse_strips(oats.drop(index=LOST), design=design, **OATS)
    table = found.anova.set_index("term").loc[["gen", "n_cwt_ac", "gen x n_cwt_ac"]]
    assert table["f"].tolist() == pytest.approx(f, rel=1e-4)
    assert table["error_df"].tolist() == pytest.approx(df, rel=1e-6)
    empty = oats.assign(yield_qlb_plot=oats["yield_qlb_plot"].where(~oats.index.isin(LOST)))
    same = analyse_strips(empty, design=design, **OATS)
    pd.testing.assert_frame_equal(same.anova, found.anova)
    assert "3 strips without a yield" in found.summary()
    assert {"PATTERSON1971", "KENWARD1997"} <= set(found.sources["source_key"])


def test_means_of_a_split_plot_with_lost_parts(oats):
    found = analyse_strips(oats.drop(index=LOST), design="split plot", **OATS)
    rate = found.margins[found.margins["factor"] == "n_cwt_ac"]
    assert rate["mean"].tolist() == pytest.approx([80.86233, 98.88889, 113.91945, 123.38889], abs=2e-4)  # R
    se = [7.507308, 7.476667, 7.448628]  # R: standard errors of the three differences of varieties
    assert found.errors["sed"].iloc[0] == pytest.approx(np.mean(se), abs=2e-4)


def test_the_model_of_a_complete_trial_is_its_strata(oats):
    # balanced: Kenward and Roger's test is the F test of the strata, where no variance is zero
    from fertkit.trials import strata

    cells, _ = strata._cells(oats, "split plot", "gen", "n_cwt_ac", "block", "yield_qlb_plot")
    model = strata._tests(cells, strata._mixed(cells)).set_index("term")
    exact = strata._strata(cells).set_index("term").loc[model.index]
    np.testing.assert_allclose(model[["f", "error_df"]], exact[["f", "error_df"]], rtol=1e-5)


def test_a_factorial_has_one_error(oats):
    found = analyse_strips(oats, design="factorial", **OATS).anova.set_index("term")
    f = [3.513427, 26.250969, 0.210940]  # R
    assert found.loc[["gen", "n_cwt_ac", "gen x n_cwt_ac"], "f"].tolist() == pytest.approx(f, abs=5e-6)


@pytest.mark.parametrize("design", ["split plot", "strip plot", "factorial"])
def test_too_few_strips_and_no_error_are_refused(design):
    table = laid("split plot", 2, 2, 2)
    options = {"treatment": ["tillage", "rate_lb_ac"], "design": design}
    exact = table.assign(yield_bu_ac=50 + table["block"] + table["rate_lb_ac"])
    for strips in (exact, exact.drop(index=[1]), table.assign(yield_bu_ac=0.0)):
        with pytest.raises(NotEstimable, match="no error to test against"):
            analyse_strips(strips, **options)
    table = laid("split plot", 3, 3, 3)
    for unit in (1e-6, 1e8):  # whatever the unit, with and without a lost strip
        for strips in (table, table.drop(index=[3])):
            one = analyse_strips(strips, **options).anova
            two = analyse_strips(strips.assign(yield_bu_ac=unit * strips["yield_bu_ac"]), **options).anova
            np.testing.assert_allclose(one["f"], two["f"], rtol=1e-4)


# ---- which layout it is


def laid(kind, a=3, b=4, r=3, seed=1):
    """Plots of two factors in the order of their numbers, as a layout lays them."""
    rng, rows = np.random.default_rng(seed), []
    for block in range(1, r + 1):
        one, other = rng.permutation(a), rng.permutation(b)
        if kind == "factorial":
            cells = [(i, j) for i in range(a) for j in range(b)]
            order = [cells[k] for k in rng.permutation(a * b)]
        elif kind == "split plot":
            order = [(i, j) for i in one for j in rng.permutation(b)]
        else:
            order = [(i, j) for k, i in enumerate(one) for j in (other[::-1] if k % 2 else other)]
        rows += [(block, 100 * block + k + 1, f"T{i}", 40.0 * j) for k, (i, j) in enumerate(order)]
    table = pd.DataFrame(rows, columns=["block", "plot", "tillage", "rate_lb_ac"])
    return table.assign(yield_bu_ac=100 + rng.normal(0, 4, len(table)))


@pytest.mark.parametrize("kind", ["split plot", "strip plot", "factorial"])
@pytest.mark.parametrize("turned", [False, True])
def test_plot_numbers_tell_the_layout(kind, turned):
    factors = ["tillage", "rate_lb_ac"]
    found = analyse_strips(laid(kind), treatment=factors[::-1] if turned else factors)
    assert found.layout == kind
    assert f"taken as a {kind}" in " ".join(found.notes)
    if kind == "split plot":
        assert found.whole == "tillage"


def test_rows_and_columns_tell_a_strip_plot():
    table = laid("strip plot")
    place = table.groupby("block").cumcount()
    table = table.assign(row=place // 4, column=pd.factorize(table["rate_lb_ac"])[0] + 10 * table["block"])
    table = table.drop(columns="plot").sample(frac=1, random_state=1)
    assert analyse_strips(table, treatment=["tillage", "rate_lb_ac"]).layout == "strip plot"


def test_a_layout_that_nothing_tells_is_asked_for():
    table = laid("split plot").drop(columns="plot")
    with pytest.raises(NotEstimable, match="split-plot, strip-plot or factorial"):
        analyse_strips(table, treatment=["tillage", "rate_lb_ac"])
    with pytest.raises(NotEstimable, match="split-plot, strip-plot or factorial"):  # lots often give this
        analyse_strips(laid("split plot", 2, 2, 2), treatment=["tillage", "rate_lb_ac"])
    with pytest.raises(LookupFailed, match="unknown design"):
        analyse_strips(table, design="lattice")
    with pytest.raises(NotEstimable, match="has two factors"):
        analyse_strips(table, treatment="tillage", design="split plot")
    with pytest.raises(InputError, match="the label is missing"):
        analyse_two_factors(table.assign(tillage=table["tillage"].where(table.index > 0)), "split plot",
                            "tillage", "rate_lb_ac")  # fmt: skip


# ---- from a file


def test_a_file_with_merged_whole_plots_and_a_lost_part(tmp_path):
    lines = ["Rep,Main plot,Plot,N rate (lb/ac),Yield (bu/ac)"]
    rows = laid("split plot", 2, 3, 3)
    before = None
    for r in rows.itertuples():
        block, whole = ("" if before and before[0] == r.block else r.block), r.tillage
        whole = "" if before == (r.block, r.tillage) else whole
        crop = "" if r.plot == 205 else f"{r.yield_bu_ac:.1f}"
        lines.append(f"{block},{whole},{r.plot},{r.rate_lb_ac:g},{crop}")
        before = r.block, r.tillage
    path = tmp_path / "merged.csv"
    path.write_text("\n".join(lines))
    trial = read_strips(path)
    assert (trial.factor, trial.whole) == ("main_plot", True)
    found = analyse_strips(trial)
    assert (found.layout, found.whole, found.part) == ("split plot", "main_plot", "rate_lb_ac")
    rows = rows.assign(yield_bu_ac=rows["yield_bu_ac"].round(1).where(rows["plot"] != 205))
    same = analyse_strips(rows, treatment=["tillage", "rate_lb_ac"], design="split plot")
    np.testing.assert_allclose(found.anova[["f", "error_df", "p"]], same.anova[["f", "error_df", "p"]])


def test_a_second_factor_that_nothing_names_is_asked_for(tmp_path):
    table = laid("factorial").rename(columns={"rate_lb_ac": "N rate (lb/ac)", "yield_bu_ac": "Yield (bu/ac)"})
    path = tmp_path / "two.csv"
    table.to_csv(path, index=False)
    with pytest.raises(InputError, match="a second factor: 3 levels"):
        read_strips(path)
    found = analyse_strips(read_strips(path, columns={"factor": "tillage"}))
    assert (found.layout, found.whole) == ("factorial", "tillage")
