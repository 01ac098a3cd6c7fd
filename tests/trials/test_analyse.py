"""Analysis of strip trials against published tables and reference libraries.

Gomez & Gomez: K.A. Gomez, A.A. Gomez (1984) Statistical Procedures for Agricultural Research, p 26
(book values from memory, the data open). Hildebrand & Poey: On-farm Agronomic Trials (1985), pages as
scanned by the
University of Florida. "R": computed with R 4.2.2 (aov, nlme 3.1-162) from the same open data.
"""

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.intake.spellings import numbered_checks, untreated
from fertkit.intake.strips import read_strips
from fertkit.response.analyse import analyse_response
from fertkit.response.many import read_trials
from fertkit.trials import analyse_strips, linear
from fertkit.trials.diagnose import polynomial_squares
from fertkit.trials.differences import all_pairs, compact_letters, holm
from fertkit.trials.linear import anova_table
from fertkit.trials.pairs import analyse_pairs
from fertkit.trials.table import arrange


@pytest.fixture(scope="module")
def rice(outside):
    return outside("gomez_rice_seedrate_rcbd.csv").rename(
        columns={"seed_kg_ha": "rate_kg_ha", "rep": "block"}
    )


@pytest.fixture(scope="module")
def beets(outside):
    return outside("snedecor_beets_rcbd.csv").assign(fert=lambda d: d["fert"].fillna("none"))


def row(analysis, term):
    return analysis.anova.set_index("term").loc[term]


# ---- blocks


def test_rice_seeding_rates(rice):
    # Gomez & Gomez, 4 blocks x 6 rates.
    found = analyse_strips(rice)
    assert row(found, "block")["ss"] == pytest.approx(1944361, abs=0.5)
    assert row(found, "treatment")["ss"] == pytest.approx(1198331, abs=0.5)
    assert row(found, "treatment")["ms"] == pytest.approx(239666, abs=0.5)
    assert row(found, "error")["ss"] == pytest.approx(1658376, abs=0.5)
    assert found.variance == pytest.approx(110558.41, abs=0.01)
    assert found.error_df == 15
    assert row(found, "treatment")["f"] == pytest.approx(2.16778, abs=1e-5)
    assert found.p_value == pytest.approx(0.1128, abs=5e-5)
    assert found.cv_pct == pytest.approx(6.704, abs=5e-4)
    assert found.sed == pytest.approx(235.115, abs=5e-4)
    assert found.lsd == pytest.approx(501.136, abs=5e-4)
    assert analyse_strips(rice, level=0.99).lsd == pytest.approx(692.817, abs=5e-4)
    assert found.means["mean"].tolist() == pytest.approx([5124, 5070.25, 5304.25, 4847.75, 4708, 4703.25])
    assert found.means["mean"].mean() == pytest.approx(4959.58, abs=0.005)
    assert set(found.means["letters"]) == {"a"}


def test_sugar_beets(beets):
    # Snedecor 1946, Statistical Methods, Table 12.13.
    found = analyse_strips(beets, treatment="fert", response="yield", check="none")
    assert row(found, "block")["ss"] == pytest.approx(6.3133, abs=5e-5)
    assert row(found, "treatment")["ss"] == pytest.approx(112.8561, abs=5e-5)
    assert row(found, "treatment")["f"] == pytest.approx(24.2882, abs=5e-5)
    assert found.variance == pytest.approx(0.774423, abs=5e-7)
    assert found.lsd == pytest.approx(1.03763, abs=5e-6)
    means = found.means.set_index("treatment")["mean"]
    expected = {
        "none": 3.35333,
        "K": 3.56333,
        "KN": 3.53833,
        "P": 5.63,
        "PK": 6.48667,
        "PKN": 7.35333,
        "PN": 7.08,
    }
    assert means.to_dict() == pytest.approx(expected, abs=5e-6)
    letters = found.means.set_index("treatment")["letters"]
    assert letters["none"] == letters["K"] == letters["KN"]
    assert not set(letters["PN"]) & set(letters["none"])


def test_fertiliser_sources_from_printed_means():
    # Lecture on experimental error (slideserve.com/Leo), 6 sources x 4 soils, error MS 2.97 (15 df);
    # printed SED 1.22, interval of 36.25 from 34.41 to 38.09; LSD 2.597 follows from them.
    means = pd.Series([36.25, 32.38, 29.42, 31.02, 30.70, 25.35], index=list("ABCDEF"))
    pairs = all_pairs(means, np.eye(6) * 2.97 / 4, 15, adjust="none")
    assert pairs["se"].iloc[0] == pytest.approx(1.22, abs=0.005)
    assert (pairs["high"] - pairs["difference"]).iloc[0] == pytest.approx(2.597, abs=1e-3)


def test_lost_strip_is_exact(outside):
    # Hildebrand & Poey pp 36-37: corrected treatment SS 196.00, error 10.67 on 3 df; F exact 27.5625.
    found = analyse_strips(outside("hildebrand_missing_plot.csv"), treatment="trt", response="y")
    assert row(found, "treatment")["ss"] == pytest.approx(196.00, abs=1e-6)
    assert row(found, "error")["ss"] == pytest.approx(10.6667, abs=5e-5)
    assert found.error_df == 3
    assert row(found, "treatment")["f"] == pytest.approx(27.5625, abs=1e-6)
    assert found.p_value == pytest.approx(0.011726, abs=5e-7)
    assert "without a yield" in found.summary()


def test_lost_strip_estimate_in_place_changes_no_mean(outside):
    # The printed estimate of the lost strip, 32, put in its place gives the adjusted means.
    table = outside("hildebrand_missing_plot.csv")
    filled = table.assign(y=table["y"].fillna(32)).groupby("trt")["y"].mean()
    found = analyse_strips(table, treatment="trt", response="y").means.set_index("treatment")["mean"]
    assert found.to_dict() == pytest.approx(filled.to_dict())
    # Taken for a measured strip it would give 228.67, 32.67 too much, and F 42.87 on one df too many.
    naive = analyse_strips(table.assign(y=table["y"].fillna(32)), treatment="trt", response="y")
    assert row(naive, "treatment")["ss"] == pytest.approx(228.67, abs=0.005)
    assert (naive.error_df, row(naive, "treatment")["f"]) == (4, pytest.approx(42.87, abs=0.01))


def test_tukey_difference():
    # Hildebrand & Poey p 70: MSE 0.2624, r 4, 15 varieties; exact q(.05; 15, 42) 5.09057, D 1.30382 (R).
    means = pd.Series([0.0, 1.3037, 1.3040], index=["a", "b", "c"]).reindex(
        list("abc") + list("defghijklmno")
    )
    pairs = all_pairs(means.fillna(0.65), np.eye(15) * 0.2624 / 4, 42)
    p = pairs.set_index(["first", "second"])["p_adjusted"]
    assert p["a", "b"] > 0.05 > p["a", "c"]


def test_peas_factorial(outside):
    # Classical N-P-K factorial on peas (R): NPK is confounded with blocks and takes no degree of freedom.
    peas = outside("rothamsted_pea_npk.csv")
    y = peas["yield"].to_numpy(float)
    n, p, k = (peas[[c]].to_numpy(float) for c in "NPK")
    terms = [("block", linear.dummies(peas["block"] - 1)), ("N", n), ("P", p), ("K", k), ("NP", n * p),
             ("NK", n * k), ("PK", p * k), ("NPK", n * p * k)]  # fmt: skip
    squares = {name: (df, ss) for name, df, ss in linear.sequential_squares(y, terms)}
    assert squares["block"] == (5, pytest.approx(343.295, abs=5e-4))
    assert squares["N"] == (1, pytest.approx(189.2817, abs=5e-5))
    assert squares["P"] == (1, pytest.approx(8.4017, abs=5e-5))
    assert squares["K"] == (1, pytest.approx(95.2017, abs=5e-5))
    assert squares["NPK"][0] == 0
    assert squares["error"] == (12, pytest.approx(185.2867, abs=5e-5))
    tested = anova_table(linear.sequential_squares(y, terms)).set_index("term")
    assert tested.loc["error", "ms"] == pytest.approx(15.4406, abs=5e-5)
    assert tested.loc[["N", "K"], "f"].tolist() == pytest.approx([12.2587, 6.1657], abs=5e-5)
    assert tested.loc[["N", "K"], "p"].tolist() == pytest.approx([0.00437, 0.02880], abs=5e-6)


def test_latin_square_matches_statsmodels():
    # A 4 x 4 square of random yields; reference: type III ANOVA of statsmodels.
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    square = pd.DataFrame(
        [(r, c, "ABCD"[(r + c) % 4]) for r in range(4) for c in range(4)], columns=["row", "col", "trt"]
    )
    square["y"] = np.random.default_rng(3).normal(100, 8, 16).round(2)
    found = analyse_strips(square, treatment="trt", response="y", blocks=["row", "col"])
    reference = anova_lm(smf.ols("y ~ C(row) + C(col) + C(trt)", square).fit(), typ=3)
    assert found.error_df == 6
    for term, name in (("row", "C(row)"), ("col", "C(col)"), ("treatment", "C(trt)")):
        assert row(found, term)["ss"] == pytest.approx(reference.loc[name, "sum_sq"])
    assert found.p_value == pytest.approx(reference.loc["C(trt)", "PR(>F)"])


#: Snedecor & Cochran, Statistical Methods (6th ed. 1967): five spacings of millet, yields of plots [g], from
#: memory; that the sums of squares come out as printed there speaks for every number.
MILLET = """B257 E230 A279 C287 D202
D245 A283 E245 B280 C260
E182 B252 C280 D246 A250
A203 C204 D227 E193 B259
C231 D271 B266 A334 E338"""


def millet(headers=("Row", "Column", "Treatment", "Yield (bu/ac)")):
    cells = [
        (i, j, cell[0], float(cell[1:]))
        for i, row_of in enumerate(MILLET.splitlines(), 1) for j, cell in enumerate(row_of.split(), 1)
    ]  # fmt: skip
    return pd.DataFrame(cells, columns=list(headers))


@pytest.mark.parametrize("headers", [("Row", "Column"), ("Rep", "Col"), ("Range", "Column")])
def test_a_latin_square_in_a_file_is_analysed_by_rows_and_columns(headers):
    """Printed: rows 13,601, columns 6,146, spacings 4,157, error 12,667, on 4, 4, 4 and 12 df."""
    table = millet((*headers, "Treatment", "Yield (bu/ac)"))
    read = read_strips(table)
    assert not any("not used" in note and headers[1] in note for note in read.notes)
    found = analyse_strips(read)
    assert found.design == "latin square"
    assert found.anova["ss"].round().tolist() == [13601, 6146, 4157, 12667]
    assert found.anova["df"].tolist() == [4, 4, 4, 12]
    assert analyse_strips(read_strips(table), design="blocks").error_df == 16


def test_the_column_of_a_latin_square_of_rates_is_no_second_factor():
    table = millet(("Row", "Column", "Treatment", "Yield (bu/ac)"))
    rates = table.assign(Treatment=table["Treatment"].map(dict(zip("ABCDE", range(0, 250, 50), strict=True))))
    notes = " ".join(read_strips(rates.rename(columns={"Treatment": "N (lb/ac)"})).notes)
    assert "Latin square" in notes
    assert "one curve is fitted" not in notes


def test_what_is_no_latin_square_is_not_taken_for_one():
    table = millet(("block", "column", "treatment", "yield_bu_ac"))
    other = table.assign(column=table["column"].sample(frac=1, random_state=1).to_numpy())
    assert analyse_strips(other).design == ""
    with pytest.raises(NotEstimable, match="no Latin square"):
        analyse_strips(other, design="latin square")
    lost = table.assign(yield_bu_ac=table["yield_bu_ac"].where(table.index > 0))
    assert analyse_strips(lost).error_df == 11


def test_lack_of_fit_of_a_quadratic(outside):
    # Bachmaier 2009 wheat, R: lack of fit F(8, 33) 0.8337 p 0.580 (low zone), 0.6526 p 0.728 (high zone).
    wheat = outside("bachmaier_wheat_n.csv")
    for zone, f, p in (("low", 0.8337, 0.580), ("high", 0.6526, 0.728)):
        arranged = arrange(wheat[wheat["zone"] == zone], treatment="n_kg_ha")
        beyond, error = polynomial_squares(arranged)[-2:]
        assert (beyond[1], error[1]) == (8, 33)
        assert beyond[2] / 8 / (error[2] / 33) == pytest.approx(f, abs=5e-5)
        checks = analyse_strips(wheat[wheat["zone"] == zone], treatment="n_kg_ha").checks.set_index("check")
        assert checks.loc["lack of fit of a quadratic in the rate", "value"] == pytest.approx(p, abs=5e-4)


# ---- mixed models, trend and neighbours


def test_random_blocks_match_statsmodels_with_a_lost_strip(rice):
    import statsmodels.formula.api as smf

    lost = rice.drop(index=[3, 10])
    found = analyse_strips(lost, model="random")
    reference = smf.mixedlm("yield_kg_ha ~ C(rate_kg_ha)", lost, groups="block").fit(reml=True)
    variances = found.anova.set_index("term")["variance"]
    assert variances["strip"] == pytest.approx(reference.scale, rel=1e-4)
    assert variances["block"] == pytest.approx(reference.cov_re.iloc[0, 0], rel=1e-3)
    means = found.means["mean"] - found.means["mean"].iloc[0]
    assert means.iloc[1:].tolist() == pytest.approx(reference.fe_params.iloc[1:].tolist(), rel=1e-4)


def test_random_blocks_of_a_complete_design_test_like_fixed_ones(rice):
    fixed, mixed = analyse_strips(rice), analyse_strips(rice, model="random")
    assert mixed.p_value == pytest.approx(fixed.p_value, rel=1e-4)
    assert mixed.error_df == pytest.approx(15, rel=1e-4)
    assert mixed.sed == pytest.approx(fixed.sed, rel=1e-5)
    assert (mixed.means["se"] > fixed.means["se"]).all()


def test_no_block_variance_falls_back_and_says_so(outside):
    # Hernandez & Mulla site 1: blocks vary less than strips do.
    site = outside("hernandez_corn_n.csv").query("site == 'S1'")
    found = analyse_strips(site, treatment="n_kg_ha", blocks="rep", model="random")
    assert "fixed blocks instead" in found.summary()
    assert found.p_value == analyse_strips(site, treatment="n_kg_ha", blocks="rep").p_value


def field(seed, slope=0.0, rho=0.0, n=24, rates=4):
    rng = np.random.default_rng(seed)
    noise = np.zeros(n)
    for i in range(n):
        noise[i] = rho * noise[i - 1] * (i > 0) + rng.normal(0, 3)
    rate = np.concatenate([rng.permutation(rates) for _ in range(n // rates)])
    return pd.DataFrame(
        {"block": np.arange(n) // rates, "strip": np.arange(n) + 1, "rate_lb_ac": 50.0 * rate,
         "yield_bu_ac": 150 + 4.0 * rate + slope * np.arange(n) + noise}
    )  # fmt: skip


def test_trend_across_blocks_is_found_and_removed():
    strips = field(5, slope=2.0)
    plain, detrended = analyse_strips(strips, blocks=[]), analyse_strips(strips, blocks=[], trend=True)
    assert not plain.checks.set_index("check").loc["neighbouring strips alike", "passed"]
    assert detrended.checks.set_index("check").loc["neighbouring strips alike", "passed"]
    assert detrended.variance < 0.3 * plain.variance


def test_neighbour_model_matches_generalised_least_squares():
    # Reference: statsmodels GLS at the correlation the model reports.
    import statsmodels.api as sm

    strips = field(11, rho=0.7, n=48)
    found = analyse_strips(strips, blocks=[], model="neighbours")
    spread = found.anova.set_index("term")["variance"]
    apart = np.abs(np.subtract.outer(np.arange(48), np.arange(48)))
    design = np.column_stack([np.ones(48), linear.dummies(strips["rate_lb_ac"].to_numpy() / 50)])
    reference = sm.GLS(strips["yield_bu_ac"], design, sigma=spread["neighbour correlation"] ** apart).fit()
    assert (found.means["mean"] - found.means["mean"].iloc[0]).iloc[1:].tolist() == pytest.approx(
        reference.params.iloc[1:].tolist(), rel=1e-6
    )
    assert spread["strip"] == pytest.approx(reference.scale, rel=1e-4)


def test_neighbour_statistic_agrees_with_durbin_watson():
    # For one run, d = 2 (1 - r) - (end terms) / RSS: Durbin & Watson's d from statsmodels.
    from statsmodels.stats.stattools import durbin_watson

    strips = field(2, rho=0.5)
    residual = analyse_strips(strips, blocks=[]).strips["residual"].to_numpy()
    design = np.column_stack([np.ones(24), linear.dummies(strips["rate_lb_ac"].to_numpy() / 50)])
    ratio, _, _ = linear.neighbour_statistic(residual, design, np.zeros(24), np.arange(24))
    ends = (residual[0] ** 2 + residual[-1] ** 2) / (residual @ residual)
    assert durbin_watson(residual) == pytest.approx(2 * (1 - ratio) - ends)


# ---- comparisons


def test_against_check_matches_dunnett_of_scipy():
    from scipy.stats import dunnett

    rng = np.random.default_rng(8)
    groups = [rng.normal(m, 1, 6) for m in (0, 0.4, 1.2, 2.0)]
    table = pd.DataFrame({"trt": np.repeat(list("abcd"), 6), "y": np.concatenate(groups)})
    found = analyse_strips(table, treatment="trt", response="y", check="a").means.set_index("treatment")
    reference = dunnett(*groups[1:], control=groups[0]).pvalue
    assert found.loc[list("bcd"), "p_adjusted"].tolist() == pytest.approx(reference, abs=2e-3)


def test_all_pairs_match_tukey_of_scipy():
    from scipy.stats import tukey_hsd

    rng = np.random.default_rng(9)
    groups = [rng.normal(m, 1, n) for m, n in ((0, 4), (0.5, 6), (1.5, 5))]
    table = pd.DataFrame({"trt": np.repeat(list("abc"), [4, 6, 5]), "y": np.concatenate(groups)})
    found = analyse_strips(table, treatment="trt", response="y").comparisons
    reference = tukey_hsd(*groups).pvalue
    assert found["p_adjusted"].tolist() == pytest.approx(
        [reference[0, 1], reference[0, 2], reference[1, 2]], rel=1e-6
    )


def test_holm_matches_statsmodels():
    from statsmodels.stats.multitest import multipletests

    p = np.array([0.03, 0.001, 0.2, 0.012, 0.9])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 7), st.integers(0, 10_000))
def test_letters_say_exactly_which_pairs_differ(k, seed):
    rng = np.random.default_rng(seed)
    means = pd.Series(rng.normal(0, 1, k), index=[f"t{i}" for i in range(k)])
    pairs = pd.DataFrame([(a, b) for i, a in enumerate(means.index) for b in means.index[i + 1 :]],
                         columns=["first", "second"])  # fmt: skip
    pairs["p_adjusted"] = rng.choice([0.01, 0.5], len(pairs))
    letters = compact_letters(means, pairs)
    for pair in pairs.itertuples():
        share = bool(set(letters[pair.first]) & set(letters[pair.second]))
        assert share == (pair.p_adjusted >= 0.05)
    assert "a" in letters[means.idxmax()]


# ---- invariants


@settings(max_examples=20, deadline=None)
@given(scale=st.floats(0.05, 50), shift=st.floats(-100, 100), seed=st.integers(0, 1000))
def test_units_and_order_do_not_matter(scale, shift, seed):
    strips = field(4)
    moved = strips.assign(net_per_ac=strips["yield_bu_ac"] * scale + shift)  # unlike a yield, below zero too
    moved = moved.sample(frac=1, random_state=seed)
    one = analyse_strips(strips, adjust="none")
    other = analyse_strips(moved, response="net_per_ac", adjust="none")
    assert other.p_value == pytest.approx(one.p_value, rel=1e-6)
    assert other.lsd == pytest.approx(one.lsd * scale, rel=1e-6)


def test_rates_written_two_ways_are_one_level(rice):
    # 131.5 and 131.50 are one level; also after a detour through binary fractions.
    text = rice["rate_kg_ha"].astype(float)
    text.iloc[::2] += 1e-9
    assert len(analyse_strips(rice.assign(rate_kg_ha=text)).means) == 6


# ---- smaller honest answers


def test_no_degrees_of_freedom_gives_differences_alone(outside):
    # Hunter & Yungen 1955: one mean per rate at each site.
    site = outside("hunter_corn_n.csv").query("loc == 'Moeller' and year == 1950")
    found = analyse_strips(site, treatment="n_lb_ac", response="yield_bu_ac")
    assert found.means["mean"].tolist() == pytest.approx(site["yield_bu_ac"].tolist())
    assert found.means["se"].isna().all()
    assert found.comparisons["p"].isna().all()
    assert "have no intervals" in found.summary()


def test_constant_yields_do_not_crash(rice):
    found = analyse_strips(rice.assign(yield_kg_ha=10.0))
    assert found.comparisons["difference"].tolist() == pytest.approx([0] * 15, abs=1e-9)
    assert found.comparisons["p"].isna().all()
    assert "no error to test against" in found.summary()


def test_a_yield_below_zero_is_refused_as_in_a_file(rice):
    lost = rice.assign(yield_kg_ha=rice["yield_kg_ha"].where(rice.index != 3, -5.0))
    for asked in (analyse_strips, analyse_response):
        with pytest.raises(InputError, match="row 5, column 'yield_kg_ha', value '-5': a yield below zero"):
            asked(lost)
    good, bad = read_trials(pd.concat([rice, lost]), np.repeat([0, 1], len(rice)))
    assert isinstance(bad, InputError)
    assert not isinstance(good, InputError)


def test_strips_without_blocks_say_so(rice):
    assert "no blocks" in analyse_strips(rice.drop(columns="block")).summary()


def test_an_influential_strip_is_named(rice):
    bad = rice.assign(strip=range(1, 25))
    bad.loc[7, "yield_kg_ha"] = 900
    assert "strip 8 at 50 kg/ha (900 where" in analyse_strips(bad).summary().splitlines()[0]


@pytest.mark.parametrize(
    ("change", "options", "error", "said"),
    [
        ({}, {"treatment": "nope"}, InputError, "there is no column 'nope'"),
        ({}, {"check": 33}, LookupFailed, "unknown check treatment"),
        ({}, {"model": "magic"}, LookupFailed, "unknown model"),
        ({}, {"adjust": "magic"}, LookupFailed, "unknown adjustment"),
        ({}, {"trend": True}, NotEstimable, "strip positions"),
        ({}, {"model": "neighbours"}, NotEstimable, "strip positions"),
        ({"rate_kg_ha": 50.0}, {}, NotEstimable, "a comparison needs two"),
        ({"trial": ["x", "y"] * 12}, {}, NotEstimable, "2 trials"),
        ({"block": [f"b{r}" for r in range(6)] * 4}, {}, NotEstimable, "never meet"),
    ],
)
def test_impossible_requests_say_what_to_do(rice, change, options, error, said):
    with pytest.raises(error, match=said):
        analyse_strips(rice.assign(**change), **options)


def test_texts_of_large_and_of_equal_yields_are_plain():
    table = pd.DataFrame({"block": [1, 1, 2, 2, 3, 3], "rate_g_ha": [0, 5e4] * 3})
    big = table.assign(yield_kg_ha=[12345678.0, 13345678, 12445678, 13545678, 12145678, 13145678])
    said = analyse_strips(big).summary() + analyse_pairs(big).summary()
    assert "12312345" in said
    assert not re.search(r"\de[+-]\d", said)
    # The means of level yields differ in their last digit, by processor.
    level = table.assign(yield_kg_ha=9000.0)
    assert "All treatments yield 9000 in yield" in analyse_strips(level).summary()


@pytest.mark.parametrize("scale", [0.0001, 1, 100])
def test_non_additivity_as_tukey_works_it(rice, scale):
    # Tukey 1949: SS = (sum of y (treatment effect)(block effect))2 / (sums of their squares multiplied).
    from scipy.stats import f

    table = rice.assign(yield_kg_ha=rice["yield_kg_ha"] * scale)
    grid = table.pivot_table(index="block", columns="rate_kg_ha", values="yield_kg_ha").to_numpy()
    block, rate = (grid.mean(axis=axis, keepdims=True) - grid.mean() for axis in (1, 0))
    one = (grid * block * rate).sum() ** 2 / ((block**2).sum() * (rate**2).sum())
    error = ((grid - grid.mean() - block - rate) ** 2).sum()
    p = f.sf(one / ((error - one) / 14), 1, 14)
    row = analyse_strips(table).checks.set_index("check").loc["blocks and treatments add up (Tukey)"]
    assert row["value"] == pytest.approx(p, rel=1e-6)
    assert row["passed"] == (p >= 0.05)


def test_names_stand_with_the_highest_mean_first_and_rates_ascend():
    names = {"Untreated": 100.0, "B": 130.0, "A": 120.0}
    rows = [(b, t, y + b + d) for b, d in ((1, 0.2), (2, -0.3), (3, 0.1)) for t, y in names.items()]
    trial = pd.DataFrame(rows, columns=["block", "treatment", "yield_bu_ac"])
    analysis = analyse_strips(trial, check="Untreated")
    assert analysis.table["treatment"].tolist() == ["B", "A", "Untreated"]
    assert analysis.table["mean"].round(6).tolist() == [132.0, 122.0, 102.0]  # 2 above, the mean of b + d
    assert analysis.table["difference"].round(6).tolist()[:2] == [30.0, 20.0]
    assert [t.get_text() for t in analysis.plot().get_xticklabels()] == ["B", "A", "Untreated"]
    rates = trial.assign(treatment=trial["treatment"].map({"Untreated": 0, "B": 100, "A": 20}))
    rates = rates.rename(columns={"treatment": "rate_lb_ac"})
    assert analyse_strips(rates).table["treatment"].tolist() == [0, 20, 100]
    assert untreated(["A", "Untreated", "B"]) == "Untreated"
    assert untreated(["with", "without"]) == "without"
    assert untreated(["A", "chk"]) == "chk"
    assert untreated(["Checkmate", "Control X"]) is None


@pytest.mark.parametrize(
    ("labels", "checks"),
    [
        (["CheckA", "E1", "CheckB"], ["CheckA", "CheckB"]),
        (["Check 1", "E1", "CK-2"], ["Check 1", "CK-2"]),
        (["A", "Check 1"], ["Check 1"]),
        (["Checkmate", "Control X"], []),  # a letter alone may be of a product
        (["Check", "B"], []),
        ([0.0, 1.0], []),
    ],
)
def test_checks_told_apart_by_number_or_letter(labels, checks):
    assert numbered_checks(labels) == checks


# ---- the answer in words


def test_summary_of_means_from_lowest_to_highest():
    rng = np.random.default_rng(0)
    table = pd.DataFrame({"block": np.repeat([1, 2, 3, 4], 3), "rate_lb_ac": [0, 60, 120] * 4})
    table["yield_bu_ac"] = 50 + np.array([0, 9, 5] * 4) + rng.normal(0, 0.5, 12)
    found = analyse_strips(table)
    mean = table.groupby("rate_lb_ac")["yield_bu_ac"].mean()
    low, high = found.ends
    assert (low["treatment"], high["treatment"]) == (0, 60)
    assert low["mean"] == pytest.approx(mean[0])
    assert "at 0 lb/ac to" in found.summary()
    assert "Treatments differ" in found.summary()
    alike = analyse_strips(table.assign(yield_bu_ac=50.0 + rng.permutation(12)))
    assert ("Treatments differ" in alike.summary()) == (alike.p_value < 0.05)
    flat = analyse_strips(table.assign(yield_bu_ac=5.0))
    assert "All treatments yield 5 in" in flat.summary()
