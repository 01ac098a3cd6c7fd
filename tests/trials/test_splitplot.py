"""Split plots against Yates' oats."""

import numpy as np
import pytest

from fertkit.errors import LookupFailed, NotEstimable
from fertkit.trials import analyse_split_plot


@pytest.fixture(scope="module")
def oats(outside):
    return outside("yates_oats_splitplot_n.csv")


def test_oats(oats):
    # Yates 1935, JRSS Suppl. 2:181-247 (R): strata and F ratios.
    found = analyse_split_plot(oats, "gen", "n_cwt_ac", response="yield_qlb_plot")
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
    assert "gen: cannot be shown to make a difference (F = 1.49, p = 0.27)" in found.summary()
    assert "n_cwt_ac: makes a difference (F = 37.7, p < 0.001)" in found.summary()


def test_variances_follow_from_the_mean_squares(oats):
    # Balanced: strip variance = (whole-strip MS - part MS) / parts per strip, and so on.
    found = analyse_split_plot(oats, "gen", "n_cwt_ac", response="yield_qlb_plot")
    ms = found.anova.set_index("term")["ms"]
    strip = (ms["whole-strip error"] - ms["part error"]) / 4
    expected = [(ms["block"] - ms["whole-strip error"]) / 12, strip,
                ms["part error"]]  # fmt: skip
    assert found.variances["variance"].tolist() == pytest.approx(expected, rel=1e-4)
    assert found.errors["sed"].iloc[0] == pytest.approx(np.sqrt(2 * ms["whole-strip error"] / 24))
    assert found.errors["sed"].iloc[2] == pytest.approx(np.sqrt(2 * ms["part error"] / 6))


def test_incomplete_split_plot_is_refused(oats):
    with pytest.raises(NotEstimable, match="each combination once"):
        analyse_split_plot(oats.drop(index=4), "gen", "n_cwt_ac", response="yield_qlb_plot")
    with pytest.raises(LookupFailed, match="unknown column"):
        analyse_split_plot(oats, "variety", "n_cwt_ac", response="yield_qlb_plot")
