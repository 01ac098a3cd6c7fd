"""Analysis of a trial from table to sentence: what is reported, and that repricing refits nothing."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import PriceError, UnitError
from fertkit.response import Prices, analyse_response

RATES = np.tile([0.0, 40, 80, 120, 160, 200], 4)
BLOCKS = np.repeat(list("ABCD"), 6)


@pytest.fixture(scope="module")
def trial():
    """Four blocks, six rates, quadratic-plateau with join 130 and small noise (simulated)."""
    rng = np.random.default_rng(7)
    curve = 60 + 1.1 * np.minimum(RATES, 130) - 1.1 / 260 * np.minimum(RATES, 130) ** 2
    y = curve + np.repeat([0.0, 8, -5, 3], 6) + rng.normal(0, 2, 24)
    return pd.DataFrame({"rate_lb_ac": RATES, "yield_bu_ac": y, "block": BLOCKS})


@pytest.fixture(scope="module")
def analysis(trial):
    return analyse_response(trial, nutrient_price=0.6, grain_price=4.5, replicates=200)


def test_units_come_from_the_column_names(analysis):
    assert (analysis.rate_unit, analysis.yield_unit) == ("lb/ac", "bu/ac")
    assert analysis.price_ratio == pytest.approx(0.6 / 4.5)
    assert list(analysis.strips)[:3] == ["rate_lb_ac", "yield_bu_ac", "adjusted_yield_bu_ac"]


def test_optimum_is_found_inside_its_interval(analysis):
    true = 130 * (1 - analysis.price_ratio / 1.1)
    assert analysis.optimum.status == "interior"
    assert true in analysis.optimum.interval
    assert analysis.optimum.rate in analysis.optimum.interval
    assert analysis.agronomic_optimum.rate > analysis.optimum.rate


def test_block_effects_are_swept_out(analysis, trial):
    fit = analysis.fits["quadratic_plateau"]
    assert fit.df_error == 24 - 3 - 3
    effects = fit.block_effects.set_index("block")["effect"]
    means = trial.groupby("block")["yield_bu_ac"].mean()
    np.testing.assert_allclose(effects, means - means.mean(), atol=1e-9)  # complete blocks
    # dropping the blocks leaves the same curve (complete blocks) and a larger error
    plain = analyse_response(trial, nutrient_price=0.6, grain_price=4.5, blocks=False, replicates=0)
    np.testing.assert_allclose(plain.fits["quadratic"].coef, analysis.fits["quadratic"].coef, rtol=1e-9)
    assert plain.fits["quadratic_plateau"].sigma > 2 * fit.sigma


def test_incomplete_blocks_against_least_squares_with_dummies(trial):
    part = trial.drop(index=[2, 9, 17])
    fit = analyse_response(part, nutrient_price=0.6, grain_price=4.5, replicates=0).fits["quadratic"]
    x = part["rate_lb_ac"].to_numpy()
    blocks = pd.get_dummies(part["block"]).to_numpy(float)
    design = np.column_stack([blocks, x, x**2])
    solved, rss = np.linalg.lstsq(design, part["yield_bu_ac"], rcond=None)[:2]
    np.testing.assert_allclose(fit.coef, [solved[:4].mean(), *solved[4:]], rtol=1e-9)
    assert fit.rss == pytest.approx(float(rss[0]), rel=1e-9)
    cov = np.linalg.inv(design.T @ design) * fit.rss / fit.df_error
    assert fit.params["se"].iloc[2] == pytest.approx(np.sqrt(cov[5, 5]), rel=1e-8)
    level = np.r_[np.full(4, 0.25), 0, 0]
    assert fit.params["se"].iloc[0] == pytest.approx(np.sqrt(level @ cov @ level), rel=1e-8)


def test_repricing_refits_nothing(analysis):
    dear = analysis.at_prices(nutrient_price=1.2, grain_price=4.5)
    assert dear.fits is analysis.fits
    assert dear.draws is analysis.draws
    assert dear.optimum.rate < analysis.optimum.rate
    back = dear.at_prices(nutrient_price=0.6, grain_price=4.5)
    assert back.optimum == analysis.optimum


def test_prices_with_units_of_their_own(trial, analysis):
    per_ton = Prices(1200.0, 4.5, nutrient_per="ton")
    assert analysis.at_prices(prices=per_ton).price_ratio == pytest.approx(0.6 / 4.5)


def test_a_pass_that_is_not_paid_makes_zero_best(analysis):
    gain = analysis.gain.set_index("quantity")["value"]["gain minus cost"]
    dear_pass = Prices(0.6, 4.5, pass_cost=4.5 * gain * 1.01)
    cheap_pass = Prices(0.6, 4.5, pass_cost=4.5 * gain * 0.99)
    assert analysis.at_prices(prices=dear_pass).optimum.status == "pass not paid"
    assert analysis.at_prices(prices=cheap_pass).optimum == analysis.optimum


def test_one_curve_on_request(trial, analysis):
    asked = analyse_response(trial, nutrient_price=0.6, grain_price=4.5, curve="linear_plateau", replicates=0)
    assert asked.curve == "linear_plateau"
    assert asked.optimum.interval.method == "profile"
    assert asked.optimum.rate == pytest.approx(asked.fits["linear_plateau"].coef[2])


def test_draws_repeat_with_the_seed(trial, analysis):
    again = analyse_response(trial, nutrient_price=0.6, grain_price=4.5, replicates=200)
    other = analyse_response(trial, nutrient_price=0.6, grain_price=4.5, replicates=200, seed=1)
    key = next(iter(analysis.draws))
    np.testing.assert_array_equal(analysis.draws[key], again.draws[key])
    assert not np.array_equal(analysis.draws[key], other.draws[key])


def test_summary_reads_aloud(analysis):
    text = analysis.summary()
    assert "24 rows at 6 rates, 0 to 200 lb/ac" in text
    assert text.startswith(f"Economic optimum rate: {analysis.optimum.rate:.3g} lb/ac (95% interval")
    assert "nan" not in text
    html = analysis._repr_html_()
    assert "quadratic-plateau" in html


def test_checks_and_sources(analysis):
    assert list(analysis.checks) == ["check", "value", "limit", "passed", "meaning"]
    assert analysis.checks["meaning"].str.len().min() > 10
    assert analysis.sources["citation"].str.contains("Bachmaier").any()


def test_missing_prices_and_units(trial):
    with pytest.raises(PriceError, match="grain price"):
        analyse_response(trial, nutrient_price=0.6)
    unnamed = trial.rename(columns={"rate_lb_ac": "rate_x"})
    with pytest.raises(UnitError):
        analyse_response(unnamed, nutrient_price=0.6, grain_price=4.5)


def test_sites_get_their_own_level(trial):
    two = pd.concat(
        [trial.assign(site="north"), trial.assign(site="south", yield_bu_ac=trial["yield_bu_ac"] + 30)]
    )
    fits = analyse_response(two, nutrient_price=0.6, grain_price=4.5, replicates=0).fits
    assert len(fits["quadratic"].block_effects) == 8
    alone = analyse_response(trial, nutrient_price=0.6, grain_price=4.5, replicates=0).fits
    np.testing.assert_allclose(fits["quadratic"].coef[1:], alone["quadratic"].coef[1:], rtol=1e-9)


def test_gomez_rice_adjusted_for_blocks(outside):
    """Gomez & Gomez 1984: optimum seeding rate 29 kg/ha printed, 29.148 in R, blocks swept out."""
    data = outside("gomez_rice_seedrate_rcbd.csv").rename(
        columns={"seed_kg_ha": "rate_kg_ha", "yield_kg_ha": "yield_kg_ha", "rep": "block"}
    )
    from fertkit.response import fit_response

    fit = fit_response(data, "quadratic")
    assert fit.df_error == 24 - 3 - 3
    assert float(fit.curve.optimum(fit.coef, 0.0)) == pytest.approx(29.148, abs=1e-3)
