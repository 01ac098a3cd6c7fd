"""Far strips and an error that differs by rate, against R (tests/reference/r/robust.R) and by definition."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from fertkit.errors import NotEstimable
from fertkit.response import analyse_response
from fertkit.response.data import read_trial_data
from fertkit.response.robust import (
    FAR,
    UNEVEN,
    design_of,
    heavy_tails,
    pulled_in,
    spread_of,
    weights_of,
)
from fertkit.trials.linear import span

DATA = Path(__file__).parents[1] / "reference" / "response"
TABLE = Path(__file__).parents[1] / "reference" / "coverage" / "robust.csv"
PRICES = {"nutrient_price": 0.5, "grain_price": 4.0, "replicates": 0}


@pytest.fixture(scope="module")
def rice():
    """Six seed rates in four blocks (Gomez & Gomez 1984)."""
    held = pd.read_csv(DATA / "gomez_rice_seedrate_rcbd.csv")
    held = held.rename(columns={"rep": "block", "seed_kg_ha": "rate_kg_ha"})
    return read_trial_data(held, rate="rate_kg_ha", response="yield_kg_ha", blocks="block")


def corn(seed=1, sd=3.0):
    """Five rates in four blocks, joined at 110 lb/ac (simulated)."""
    rate, block = np.tile([0.0, 50, 100, 150, 200], 4), np.repeat(np.arange(4), 5)
    noise = np.random.default_rng(seed).normal(0, sd, 20)
    yields = 120 + 0.4 * np.minimum(rate, 110) + 3.0 * block + noise
    return pd.DataFrame({"block": block, "rate_lb_ac": rate, "yield_bu_ac": yields})


R = {
    0.0: [360.4245322, -110.3961444, 180.25, -276.25, -421.6818587, -420.75],
    2500.0: [412.89411888, 113.89505993, 425.80169663, -30.69830337, -170.44830337, -175.19830337],
}


@pytest.mark.parametrize("lost", R)
def test_robust_means_are_those_of_r(rice, lost):
    """R's rlm with the same bound and proposal 2: the scale, and each rate's mean less the lowest's."""
    y = rice.yields - lost * (np.arange(24) == 6)
    values, beyond, scale = (v[0] for v in pulled_in(design_of(rice), y[None]))
    means = pd.Series(values).groupby(rice.rate).mean()
    assert [scale, *(means - means.iloc[0]).iloc[1:]] == pytest.approx(R[lost], rel=1e-7)
    assert beyond[6] == (lost > 0)


def test_residuals_of_the_pseudo_values_are_bounded_and_give_hubers_variance(rice):
    """Their mean square is s^2 sum(psi^2) / df / m^2 times his correction 1 + p (1 - m) / (n m)."""
    y = rice.yields - 2500.0 * (np.arange(24) == 6)
    left = design_of(rice)
    n, p = left.shape
    values, beyond, scale = (v[0] for v in pulled_in(left, y[None]))
    fitted = left @ (left.T @ values)
    psi = np.clip((y - fitted) / scale, -1.345, 1.345)
    m = 1 - beyond.mean()
    wanted = scale**2 * (psi**2).sum() / (n - p) / m**2 * (1 + p / n * (1 - m) / m) ** 2
    assert ((values - fitted) ** 2).sum() / (n - p) == pytest.approx(wanted, rel=1e-9)


def test_tilt_of_the_error_and_its_test_are_those_of_r(rice):
    """R's gls with varExp by REML, and its likelihood ratio test."""
    tilt, p = spread_of(design_of(rice), rice.rate, rice.yields[None])
    assert tilt[0] == pytest.approx(0.217552, abs=2e-6)
    assert p[0] == pytest.approx(0.738727934, rel=1e-6)


def test_weights_fall_as_the_variance_rises():
    rate = np.array([0.0, 50, 100])
    w = weights_of(rate, np.log(3.0))
    assert w[0] / w[2] == pytest.approx(9)
    assert np.log(w).mean() == pytest.approx(0)


def test_gearys_ratio_is_small_with_far_strips_and_its_p_no_smaller_than_due():
    """Six rates in four blocks: with normal errors the check speaks up in 5 of 100 at most."""
    rng, block, rate = np.random.default_rng(2), np.repeat(np.arange(4), 6), np.tile(np.arange(6), 4)
    design = span(np.column_stack([block[:, None] == np.arange(4), rate[:, None] == np.arange(6)]))
    normal, far = rng.normal(0, 1, (2, 2000, 24))
    far[:, 5] += 6
    assert (heavy_tails(design, normal) < 0.05).mean() < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert (heavy_tails(design, far) < 0.05).mean() > 0.25
    rest = normal[0] - design @ (design.T @ normal[0])
    ratio = np.abs(rest).mean() / np.sqrt((rest**2).mean())  # of a balanced design; D'Agostino's z
    z = np.sqrt(24) * (ratio - 0.7978846) / 0.2123
    assert heavy_tails(design, normal[:1])[0] == pytest.approx(stats.norm.cdf(z), abs=1e-6)


# ---- in the answer


def test_a_far_strip_is_said_and_moves_the_robust_answer_less():
    clean, spoiled = corn(), corn()
    spoiled.loc[7, "yield_bu_ac"] -= 40
    truth, plain, robust = (
        analyse_response(trial, curve="linear_plateau", robust=asked, **PRICES)
        for trial, asked in ((clean, False), (spoiled, False), (spoiled, True))
    )
    at = 100.0  # where the strip lies
    moved = abs(plain.predict(at) - truth.predict(at)), abs(robust.predict(at) - truth.predict(at))
    assert moved[1] < 0.6 * moved[0]
    assert robust.strips.iloc[7, 1] == spoiled["yield_bu_ac"][7]  # the strips are shown as read
    assert robust.as_read.rate == plain.optimum.rate
    text = robust.summary()
    assert text.index("Outlying strips are downweighted") < text.index("Economic optimum rate")
    assert "at 100 lb/ac from" in text
    assert "Unadjusted, the economic optimum rate is" in text
    assert "--robust" in plain.summary()
    assert "--robust" not in text
    assert plain.checks.set_index("check").loc[FAR, "passed"] in (False, np.False_)


def test_nothing_is_pulled_in_where_no_strip_lies_beyond_the_bound():
    trial = corn(sd=0.0)
    trial["yield_bu_ac"] += np.tile([1.0, -1.0], 10)
    robust, plain = (analyse_response(trial, robust=asked, **PRICES) for asked in (True, False))
    assert robust.optimum == plain.optimum
    assert "nothing changed" in robust.summary()


def test_an_error_that_grows_is_noticed_and_weighted():
    trial = corn(sd=0.0)
    noise = np.random.default_rng(3).normal(0, 1, 20) * 0.5 * 8 ** (trial["rate_lb_ac"] / 200)
    trial["yield_bu_ac"] += noise
    plain, weighted = (analyse_response(trial, uneven=asked, **PRICES) for asked in (False, True))
    assert plain.checks.set_index("check").loc[UNEVEN, "passed"] in (False, np.False_)
    assert "--uneven" in plain.summary()
    assert weighted.treated.ratio > 4
    assert "Strips are weighted by error at their rate: its SD at 200 lb/ac is" in weighted.summary()
    ratio = weighted.data.weight[0] / weighted.data.weight[4]
    assert ratio == pytest.approx(weighted.treated.ratio**2)


@pytest.mark.parametrize(("size", "refused"), [(2, False), (1000, True)])
def test_an_error_steeper_than_is_looked_for_is_not_estimated(size, refused):
    """Simulated: errors of 0.1 grow to `size` times that, where no more than exp(3) = 20 is looked for."""
    trial = corn(sd=0.0)
    trial["yield_bu_ac"] += np.random.default_rng(3).normal(0, 0.1, 20) * size ** (trial["rate_lb_ac"] / 200)
    plain = analyse_response(trial, **PRICES)
    meaning = plain.checks.set_index("check").loc[UNEVEN, "meaning"]
    assert ("cannot tell how much more" in meaning) == refused
    if refused:
        assert "--uneven" not in plain.summary()
        with pytest.raises(NotEstimable, match="use the plain fit"):
            analyse_response(trial, uneven=True, **PRICES)
    else:
        assert "Strips are weighted" in analyse_response(trial, uneven=True, **PRICES).summary()


def test_weighted_linear_plateaus_say_their_simulated_coverage():
    """Where that curve has a say, with the ends of the committed table."""
    table = pd.read_csv(TABLE).query("curve == 'linear_plateau' and fit == 'weighted by rate'")
    shares = 100 * table[["optimum", "gain"]].to_numpy()
    words = f"optimum and gain in {shares.min():.3g} to {shares.max():.3g}%."
    asked = {"curve": "linear_plateau"}, {"curve": "quadratic"}, {}
    joined, bent, averaged = (analyse_response(corn(), uneven=True, **PRICES, **more) for more in asked)
    assert averaged.weights["linear_plateau"] > 0.01
    assert words in joined.summary()
    assert words in averaged.summary()
    assert "in simulations" not in bent.summary()
    assert "in simulations" not in analyse_response(corn(), **asked[0], **PRICES).summary()


def test_without_replication_both_are_refused():
    trial = corn().head(5).drop(columns="block")
    for asked in ("robust", "uneven"):
        with pytest.raises(NotEstimable, match="too few strips per rate"):
            analyse_response(trial, **{asked: True}, **PRICES)


@example(scale=0.1, shift=279.25, seed=286)  # a small error on large yields
@given(scale=st.floats(0.1, 50), shift=st.floats(-500, 500), seed=st.integers(0, 2**31))
def test_robust_fits_follow_the_unit_of_the_yield(scale, shift, seed):
    trial = corn(seed)
    data = read_trial_data(trial)
    design, y = design_of(data), data.yields[None]
    values, beyond, size = pulled_in(design, y)
    again, still, other = pulled_in(design, y * scale + shift)
    np.testing.assert_allclose(again, values * scale + shift, atol=1e-7 * scale)
    assert (beyond == still).all()
    assert other == pytest.approx(size * scale)
    tilt = spread_of(design, data.rate, y)[0]
    assert spread_of(design, data.rate, y * scale + shift)[0] == pytest.approx(tilt, abs=1e-4)


# ---- coverage


def run_of(script, monkeypatch, benchmark):
    """The simulation script of that name in ``tests/benchmarks``."""
    home = Path(__file__).parents[1] / "benchmarks"
    monkeypatch.syspath_prepend(home)
    return benchmark(script)


def agrees(share, committed, trials, committed_trials):
    """Whether two simulated shares differ by less than four standard errors of their difference."""
    p = np.clip((share * trials + committed * committed_trials) / (trials + committed_trials), 0.01, 0.99)
    return abs(share - committed) <= 4 * np.sqrt(p * (1 - p) * (1 / trials + 1 / committed_trials))


@pytest.mark.parametrize("cell", [("linear_plateau", "error shrinks threefold"),
                                  ("quadratic_plateau", "one strip far off")])  # fmt: skip
def test_cells_of_the_coverage_again(cell, monkeypatch, benchmark):
    """Sixty trials with another seed: optimum and gain held, checks that speak up, widths as committed."""
    script = run_of("robust_coverage", monkeypatch, benchmark)
    design = next(one for one in script.DESIGNS if one[0] == cell[0])
    table = pd.read_csv(TABLE).query("curve == @cell[0] and errors == @cell[1]")
    for row in script.simulate(design, cell[1], 60, np.random.default_rng(5)):
        committed = table.set_index("fit").loc[row["fit"]]
        for name in ("optimum", "gain", "told_from_chance", "tails_suggested", "weights_suggested"):
            assert agrees(row[name], committed[name], 60, 600), (row["fit"], name)
        for name in ("optimum_width", "gain_width"):
            assert row[name] == pytest.approx(committed[name], rel=0.2), (row["fit"], name)


@pytest.mark.parametrize("design", [(3, 4), (5, 3), (9, 6)])
def test_designs_without_a_response_again(design, monkeypatch, benchmark):
    """Four hundred trials with another seed: every share as committed."""
    row = run_of("null_response", monkeypatch, benchmark).simulate(design, 400, np.random.default_rng(6))
    committed = pd.read_csv(TABLE.with_name("null.csv")).set_index(["rates", "blocks"]).loc[design]
    for name in committed.index.drop("trials"):
        assert agrees(row[name], committed[name], 400, 4000), name


def test_committed_table_of_coverage():
    """Of 600 trials each, a Monte Carlo error of 0.9 points: what is claimed of the fits, and no more."""
    table = pd.read_csv(TABLE)
    assert (np.sqrt(0.95 * 0.05 / table["trials"]) < 0.01).all()
    pulled = table[table["fit"] == "far strips pulled in"]
    assert pulled[["optimum", "gain"]].min().min() > 0.915
    far = table[table["errors"] == "one strip far off"].pivot_table("gain_width", "curve", "fit")
    assert (far["far strips pulled in"] < 0.9 * far["as read"]).all()
    gain = table[table["errors"] == "error shrinks threefold"].pivot_table("gain", "curve", "fit")
    assert (gain["as read"] < 0.88).all()
    assert (gain["weighted by rate"] > gain["as read"] + 0.03).all()


def test_committed_table_of_trials_without_a_response():
    """Of 4,000 trials each, a Monte Carlo error of 0.34 points: response told from chance in 4 to 6 %."""
    table = pd.read_csv(TABLE.with_name("null.csv"))
    assert table["response_told"].between(0.039, 0.06).all()
    three = table[table["rates"] == 3]
    assert (three["rate_reported_0.002"] <= 0.05).all()
