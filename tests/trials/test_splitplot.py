"""Split plots against Yates' oats."""

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from fertkit.errors import InputError, NotEstimable
from fertkit.trials.strata import analyse_two_factors


@pytest.fixture(scope="module")
def oats(outside):
    return outside("yates_oats_splitplot_n.csv")


def test_oats(oats):
    # Yates 1935, JRSS Suppl. 2:181-247 (R): strata and F ratios.
    found = analyse_two_factors(oats, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot")
    table = found.anova.set_index("term")
    for term, df, ss in (
        ("block", 5, 15875.3), ("gen", 2, 1786.36), ("whole-strip error", 10, 6013.31),
        ("n_cwt_ac", 3, 20020.5), ("gen x n_cwt_ac", 6, 321.75), ("part error", 45, 7968.75),
    ):  # fmt: skip
        assert table.loc[term, "df"] == df
        assert table.loc[term, "ss"] == pytest.approx(ss, abs=0.05)
    assert table.loc["gen", "f"] == pytest.approx(1.4853, abs=5e-5)
    assert table.loc["gen", "p"] == pytest.approx(0.2724, abs=5e-5)
    assert table.loc["n_cwt_ac", "f"] == pytest.approx(37.6857, abs=1e-4)
    assert table.loc["gen x n_cwt_ac", "f"] == pytest.approx(0.3028, abs=5e-5)
    assert "gen: not significant (F = 1.49, p = 0.27)" in found.summary()
    assert "n cwt ac: significant (F = 37.7, p < 0.001)" in found.summary()


def test_variances_follow_from_the_mean_squares(oats):
    # Balanced: strip variance = (whole-strip MS - part MS) / parts per strip, and so on.
    found = analyse_two_factors(oats, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot")
    ms = found.anova.set_index("term")["ms"]
    strip = (ms["whole-strip error"] - ms["part error"]) / 4
    expected = [(ms["block"] - ms["whole-strip error"]) / 12, strip,
                ms["part error"]]  # fmt: skip
    assert found.variances["variance"].tolist() == pytest.approx(expected, rel=1e-4)
    assert found.errors["sed"].iloc[0] == pytest.approx(np.sqrt(2 * ms["whole-strip error"] / 24))
    assert found.errors["sed"].iloc[2] == pytest.approx(np.sqrt(2 * ms["part error"] / 6))


def test_a_category_that_no_strip_has_changes_nothing(oats):
    kinds = pd.CategoricalDtype([*oats["gen"].unique(), "not sown"])
    plain, named = (
        analyse_two_factors(
            table, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot"
        ).means.reset_index(drop=True)
        for table in (oats, oats.assign(gen=oats["gen"].astype(kinds)))
    )
    assert len(named) == 12  # three varieties at four rates
    assert named["mean"].tolist() == pytest.approx(plain["mean"].tolist())


def test_a_combination_that_was_harvested_nowhere_is_refused(oats):
    none = oats[(oats["gen"] != "Victory") | (oats["n_cwt_ac"] > 0)]
    with pytest.raises(NotEstimable, match="each combination once"):
        analyse_two_factors(none, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot")
    with pytest.raises(InputError, match="there is no column"):
        analyse_two_factors(oats, "split plot", "variety", "n_cwt_ac", response="yield_qlb_plot")


def test_least_significant_differences_of_the_oats_by_hand(oats):
    # Mean squares 601.331 (10 df) and 177.083 (45 df), t of the usual table 2.2281 and 2.0141; 6 blocks, 3
    # varieties, 4 rates. Standard errors 7.079, 4.436, 7.683, 9.715 as in Venables & Ripley, Modern Applied
    # Statistics with S (from memory); the t of the mixed comparison is weighed as Cochran & Cox do.
    found = analyse_two_factors(oats, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot").errors
    sed = [7.0789, 4.4358, 7.6830, 9.7150]
    assert found["sed"].tolist() == pytest.approx(sed, abs=1e-4)
    mixed = (3 * 177.083 * 2.0141 + 601.331 * 2.2281) / (3 * 177.083 + 601.331)
    t = [2.2281, 2.0141, 2.0141, mixed]
    assert found["lsd"].tolist() == pytest.approx([s * q for s, q in zip(sed, t, strict=True)], abs=2e-3)


def test_a_lower_confidence_needs_a_smaller_difference(oats):
    # t of the usual table at 10 %: 1.8125 (10 df), 1.6794 (45 df)
    found = analyse_two_factors(
        oats, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot", level=0.9
    ).errors["lsd"]
    assert found.iloc[:2].tolist() == pytest.approx([1.8125 * 7.0789, 1.6794 * 4.4358], abs=1e-3)


def test_a_wrong_part_is_named_first(oats):
    bad = oats.copy()
    bad.loc[7, "yield_qlb_plot"] = 250.0
    said = analyse_two_factors(bad, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot").summary()
    assert said.startswith("Check this first: block B2 at GoldenRain, 0.2 (250 where ")
    sound = analyse_two_factors(oats, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot")
    assert "Check this first" not in sound.summary()


def test_one_order_of_whole_strips_or_of_parts_is_told(oats):
    laid = oats.sort_values(["block", "gen", "n_cwt_ac"]).assign(position=range(72))
    said = analyse_two_factors(laid, "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot")
    held = said.checks.set_index("check")["passed"]
    assert not held["gen: order of the treatments drawn by lot"]
    assert not held["n cwt ac: order of the treatments drawn by lot"]
    assert said.summary().count("the same order in every block") == 1
    drawn = oats.sample(frac=1, random_state=3).sort_values(["block", "gen"], kind="stable")
    drawn = analyse_two_factors(
        drawn.assign(position=range(72)), "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot"
    ).checks.set_index("check")["passed"]
    assert drawn["n cwt ac: order of the treatments drawn by lot"]


# ---- split plots


def split_plot(seed=2, r=4, a=3, b=2):
    rng = np.random.default_rng(seed)
    rows = pd.DataFrame([(i, j, k) for i in range(r) for j in range(a) for k in range(b)],
                        columns=["block", "till", "rate"])  # fmt: skip
    plot = rng.normal(0, 2, r * a)[rows["block"] * a + rows["till"]]
    rows["yield_t_ha"] = 50 + 4 * rows["rate"] + rows["till"] + plot + rng.normal(0, 3, r)[rows["block"]]
    rows["yield_t_ha"] += rng.normal(size=len(rows))
    return rows


def test_a_split_plot_by_its_means():
    """Sums of squares from the tables of means (Gomez & Gomez 1984, chapter 3, from memory)."""
    r, a, b = 4, 3, 2
    table = split_plot()
    found = analyse_two_factors(table, "split plot", "till", "rate", level=0.9)
    y = table["yield_t_ha"].to_numpy().reshape(r, a, b)
    m = y.mean()

    def ss(means, times):
        return times * ((means - m) ** 2).sum()

    block, till, rate = ss(y.mean((1, 2)), a * b), ss(y.mean((0, 2)), r * b), ss(y.mean((0, 1)), r * a)
    upper = ss(y.mean(2), b) - block - till
    both = ss(y.mean(0), r) - till - rate
    lower = ((y - m) ** 2).sum() - block - till - upper - rate - both
    want = [block, till, upper, rate, both, lower]
    df = [r - 1, a - 1, (r - 1) * (a - 1), b - 1, (a - 1) * (b - 1), a * (r - 1) * (b - 1)]
    assert found.anova["df"].tolist() == df
    np.testing.assert_allclose(found.anova["ss"], want)
    ea, eb = upper / df[2], lower / df[5]
    f = [block / df[0] / ea, till / df[1] / ea, np.nan, rate / df[3] / eb, both / df[4] / eb, np.nan]
    np.testing.assert_allclose(found.anova["f"], f)
    p = [
        scipy.stats.f.sf(one, d, df[2 if i < 3 else 5]) for i, (one, d) in enumerate(zip(f, df, strict=True))
    ]
    np.testing.assert_allclose(found.anova["p"], p)
    assert found.means["mean"].tolist() == pytest.approx(y.mean(0).ravel().tolist())
    assert found.means["n"].tolist() == [r] * a * b
    ta, tb = scipy.stats.t.isf(0.05, df[2]), scipy.stats.t.isf(0.05, df[5])
    mixed = (b - 1) * eb + ea
    sed = np.sqrt([2 * ea / (r * b), 2 * eb / (r * a), 2 * eb / r, 2 * mixed / (r * b)])
    np.testing.assert_allclose(found.errors["sed"], sed)
    steps = sed * [ta, tb, tb, ((b - 1) * eb * tb + ea * ta) / mixed]
    np.testing.assert_allclose(found.errors["lsd"], steps)
    # Balanced: the variances follow from the mean squares.
    spread = [(block / df[0] - ea) / (a * b), (ea - eb) / b, eb]
    np.testing.assert_allclose(found.variances["variance"], spread, rtol=1e-3)
    assert found.variances["term"].tolist() == ["block", "till strip", "part"]
    checks = found.checks.set_index("check")
    assert checks.loc["degrees of freedom, whole-strip error", ["value", "passed"]].tolist() == [6, True]
    said = found.summary()
    for i, name in ((1, "till"), (3, "rate"), (4, "till x rate")):
        verb = "significant" if p[i] < 0.1 else "not significant"
        assert f"{name}: {verb} (F" in said
    assert "block:" not in said


@pytest.mark.parametrize(("r", "a", "b", "upper", "lower"), [
    (2, 6, 2, True, True), (2, 5, 2, False, True), (2, 2, 2, False, False), (3, 2, 2, False, False),
])  # fmt: skip
def test_five_degrees_of_freedom_are_enough(r, a, b, upper, lower):
    checks = (
        analyse_two_factors(split_plot(r=r, a=a, b=b), "split plot", "till", "rate").checks["passed"].tolist()
    )
    assert checks[:2] == [upper, lower]


@pytest.mark.parametrize("change", [
    lambda t: pd.concat([t, t.iloc[:1]]), lambda t: t[t["block"] == 0],
    lambda t: t[(t["till"] > 0) | (t["rate"] > 0)],
])  # fmt: skip
def test_split_plots_that_are_not_whole(change):
    with pytest.raises(NotEstimable, match="each combination once"):
        analyse_two_factors(change(split_plot()), "split plot", "till", "rate")
    assert len(analyse_two_factors(split_plot(r=2), "split plot", "till", "rate").anova) == 6
    with pytest.raises(InputError, match="there is no column"):
        analyse_two_factors(split_plot(), "split plot", "till", "dose")
