"""Averaging and the reporting rule, worked one trial at a time by their definitions."""

import numpy as np
import pytest
from scipy import stats

from fertkit.response import average
from fertkit.response.average import (
    AVERAGED,
    TAILS,
    average_weights,
    averaged_sets,
    floored_rss,
    ladders_of,
    mean_wins,
    mixture_ends,
    response_p,
    same_as,
    settle,
    verdict,
)
from fertkit.response.curves import CURVES
from fertkit.response.optimum import Status
from fertkit.response.search import Fits, fit_sums
from fertkit.response.sums import make_sweep

SHAPED = [key for key in CURVES if CURVES[key].shape]
RATES, BLOCKS = np.tile([0.0, 40, 80, 120, 160], 3), np.repeat([0, 1, 2], 5)
SWEEP = make_sweep(RATES, BLOCKS)
AREAS = np.concatenate([TAILS, 1 - TAILS[::-1]])


def trials(n, seed=1):
    rng = np.random.default_rng(seed)
    rise = rng.normal(0.012, 0.015, (n, 1)) * np.minimum(RATES, rng.uniform(30, 200, (n, 1)))
    return SWEEP.sums(6 + 0.3 * BLOCKS + rise + rng.normal(0, 0.4, (n, len(RATES))))


@pytest.fixture(scope="module")
def sums():
    return trials(60)


@pytest.fixture(scope="module")
def fits(sums):
    return {key: fit_sums(key, sums) for key in CURVES}


def distribution(quantiles, values):
    """Shares of a confidence distribution up to values, straight between the tabulated quantiles."""
    known = np.isfinite(quantiles)
    whole = 1.0 if known.all() else AREAS[known][-1]
    return np.interp(values, quantiles[known], AREAS[known], left=0.0, right=whole)


def first_reaching(ladders, weights, area, mesh):
    reached = sum(w * distribution(q, mesh) for w, q in zip(weights, ladders, strict=True))
    found = np.flatnonzero(reached >= area - 1e-12)
    return mesh[found[0]] if len(found) else np.inf


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_ends_of_a_mixture(level):
    """Three distributions of unlike place and width, some beyond the rates or without an end.

    The ends are those of the mixture at twice the tail, moved out to the curves' own ends: at twice the tail
    from a weight of 0.04, at the tail itself from one half.
    """
    rng, cases, mesh = np.random.default_rng(6), 12, np.linspace(0, 160, 8001)
    z = np.array([-3.29, -2.88, -2.58, -2.33, -2.12, -1.96, -1.81, -1.64, -1.41, -1.15, -0.84, -0.52, -0.13])
    place, width = rng.uniform(-20, 190, (3, cases)), rng.uniform(2, 40, (3, cases))
    z = np.append(z, stats.norm.ppf((1 - level) / 2))
    lows, highs = (place[..., None] + sign * width[..., None] * z for sign in (1, -1))
    highs[0, ::3, :4], highs[1, ::4, :7] = np.inf, np.inf
    weights = rng.dirichlet([1, 1, 1], cases)
    one = SWEEP.sums(np.zeros((cases, len(RATES))))
    found = mixture_ends([(lows[k][None], highs[k][None]) for k in range(3)], weights[None], one, level)
    flat = weights ** ((15 - 2 - 3) / 15)  # error df over rows
    flat = flat / flat.sum(axis=1, keepdims=True)
    for i in range(cases):
        ladders = [np.concatenate([lows[k, i, :-1], highs[k, i, -2::-1]]) for k in range(3)]
        mixed = [first_reaching(ladders, flat[i], area, mesh) for area in (1 - level, level)]
        rung = {0.95: list(TAILS).index(0.05), 0.8: list(TAILS).index(0.2)}[level]
        heard = [(k, rung) for k in range(3) if flat[i, k] >= 0.04]
        heard += [(k, -1) for k in range(3) if flat[i, k] >= 0.5]
        low = min([mixed[0], *(max(lows[k, i, at], 0) for k, at in heard)])
        high = max([mixed[1], *(highs[k, i, at] for k, at in heard)])
        for end, wanted in zip(found, (low, high), strict=True):
            assert end[0, i] == pytest.approx(wanted if wanted <= 160 else np.inf, abs=0.021)


def test_averaged_sets_mix_the_ladders_of_the_curves(sums, fits, monkeypatch):
    weights = average_weights(fits, sums)
    found = averaged_sets(fits, sums, weights, 0.006)
    ladders = ladders_of({key: fits[key] for key in CURVES if key in AVERAGED}, sums, 0.95)
    ends = [ladder.ends(0.006) for ladder in ladders.values()]
    np.testing.assert_allclose(found, mixture_ends(ends, weights, sums, 0.95), atol=0.05)
    for chunk in (len(TAILS), 100, 60 * len(TAILS)):
        monkeypatch.setattr(average, "CHUNK", chunk)
        np.testing.assert_allclose(averaged_sets(fits, sums, weights, 0.006), found, atol=1e-6)


def test_weights_are_shares_of_likelihood_among_curves_that_stand_for_themselves(sums, fits):
    weights, same = (
        average_weights(fits, sums)[0],
        same_as({k: fits[k] for k in CURVES if k in AVERAGED}, sums),
    )
    for i in range(60):
        likely = np.array([0.0 if same[k][0, i] else fits[k].rss[0, i] ** (-15 / 2) for k in same])
        np.testing.assert_allclose(weights[i], likely / likely.sum(), rtol=1e-9)


def test_curves_in_disguise():
    """A straight rise, a step, and a parabola still rising at the top: who stands for whom."""
    noise = np.tile([0.02, -0.02, 0.0, 0.01, -0.01], 3) * np.repeat([1, -1, 0], 5)  # no part of the means
    yields = [5 + 0.02 * RATES, 5 + 2.0 * (RATES > 0), 5 + 0.03 * RATES - 7e-5 * RATES**2]
    one = SWEEP.sums(np.array(yields) + noise)
    fits = {key: fit_sums(key, one) for key in CURVES}
    shaped = {key: fits[key] for key in SHAPED}
    all_of, alone = same_as(fits, one), same_as(shaped, one)
    for key in CURVES:
        line, step, bent = all_of[key][0]
        assert line == ("linear" if key in SHAPED else "")
        assert step == ("linear_plateau" if key in SHAPED[1:] else "")
        assert bent == ("quadratic" if key == "quadratic_plateau" else "")
    for key in SHAPED:  # without straight line and parabola the first of them stands for the rest
        first = "" if key == "linear_plateau" else "linear_plateau"
        assert alone[key][0].tolist() == [first, first, ""]


def test_residuals_that_are_rounding_are_floored():
    one = SWEEP.sums(np.array([RATES * 0.0 + 250, RATES * 0.0 - 40]))
    found = floored_rss(np.array([[0.0, 7.0]]), one)
    np.testing.assert_allclose(found, [[15 * (250e-12) ** 2, 7.0]])


def test_the_mean_wins_where_no_curve_has_a_lower_criterion(sums, fits):
    """AICc of 15 rows in 3 blocks: K is the curve's parameters, two more levels and the error variance."""
    k = {key: CURVES[key].n_params + 3 for key in CURVES}
    score = {
        key: 15 * np.log(fits[key].rss[0] / 15) + 2 * k[key] + 2 * k[key] * (k[key] + 1) / (15 - k[key] - 1)
        for key in CURVES
    }
    wins = score["mean"] <= np.min(list(score.values()), axis=0)
    assert mean_wins(fits, sums)[0].tolist() == wins.tolist()
    assert 5 < wins.sum() < 55


def null_fits(rows, pairs=2):
    x = np.tile([0.0, 40, 80, 120, 160], pairs)[:rows]
    y = np.random.default_rng(0).normal(0, 0.4, (300, rows)) + 0.004 * x
    one = make_sweep(x).sums(y)
    return x, y, one, {key: fit_sums(key, one) for key in CURVES}


def scores(fits, rows, corrected):
    for key in CURVES:
        k = CURVES[key].n_params + 1
        more = 2 * k * (k + 1) / (rows - k - 1) if corrected else 0.0
        yield rows * np.log(fits[key].rss[0] / rows) + 2 * k + more


def test_aicc_judges_where_its_correction_leaves_room():
    """K = 4 without blocks: with 10 rows n - K - 1 = 5 exceeds K."""
    _, _, one, fits = null_fits(10)
    score = list(scores(fits, 10, corrected=True))
    wins = score[0] <= np.min(score, axis=0)
    assert mean_wins(fits, one)[0].tolist() == wins.tolist()
    assert 20 < wins.sum() < 280


def test_an_f_test_of_the_parabola_judges_where_the_correction_would_outweigh_any_response():
    """With 9 rows n - K - 1 = 4 is no more than K: numpy's parabola and scipy's F, at 5 %."""
    x, y, one, fits = null_fits(9)
    bent = np.polynomial.polynomial.polyfit(x, y.T, 2)
    rest = ((y - np.polynomial.polynomial.polyval(x, bent)) ** 2).sum(axis=1)
    flat = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    p = stats.f.sf((flat - rest) / 2 / (rest / 6), 2, 6)
    assert mean_wins(fits, one)[0].tolist() == (p >= 0.05).tolist()
    assert response_p(fits, one)[0] == pytest.approx(p, rel=1e-9)


def test_plain_aic_judges_where_no_strips_of_a_rate_measure_the_error():
    """Five rates, one strip each: n - K - 1 = 0."""
    _, _, one, fits = null_fits(5, pairs=1)
    score = list(scores({key: fits[key] for key in CURVES}, 5, corrected=False))
    wins = score[0] <= np.min(score, axis=0)
    assert mean_wins(fits, one)[0].tolist() == wins.tolist()


def test_three_rates_without_a_response_are_told_from_chance_in_one_trial_of_twenty():
    """Three rates in four blocks, no response: the F test of the rates has 6 error df and its exact size."""
    block, trials = np.repeat(np.arange(4), 3), 4000
    y = np.random.default_rng(12).normal(0, 1, (trials, 12))
    one = make_sweep(np.tile([0.0, 60, 120], 4), block).sums(y)
    yes = ~mean_wins({key: fit_sums(key, one) for key in CURVES}, one)[0]
    assert abs(yes.mean() - 0.05) < 3 * np.sqrt(0.05 * 0.95 / trials)


def joined_at(joins, slope=0.03):
    """Linear-plateaus joined at some rates, one a replicate."""
    joins = np.array([joins], float)
    level, rise = np.full(joins.shape, 5.0), np.full(joins.shape, slope)
    return Fits(np.stack([level, rise, joins], axis=-1), np.ones(joins.shape), level, rise, 1 / joins)


def test_what_most_of_the_weight_says_is_the_status():
    one = SWEEP.sums(np.zeros((5, len(RATES))))
    joins = joined_at([90, 300, 25, 300, 90])
    bent = Fits(np.tile([5.0, 0.03, -0.0001], (1, 5, 1)), np.ones((1, 5)), *[np.full((1, 5), np.nan)] * 3)
    weights = np.array([[[0.5, 0.5], [0.6, 0.4], [0.6, 0.4], [0.5, 0.5], [0.3, 0.7]]])
    rate, status = verdict({"linear_plateau": joins, "quadratic": bent}, weights, one, 0.01)
    # Optimum of the parabola: (0.03 - 0.01) / 0.0002 = 100; joins are cut to 160.
    assert status[0].tolist() == [Status.INTERIOR, Status.TOP, Status.STEP, Status.INTERIOR, Status.INTERIOR]
    np.testing.assert_allclose(rate[0], [95, 160, 40, 130, 97])
    none = verdict({"linear_plateau": joins, "quadratic": bent}, weights, one, 0.03)
    assert none[1][0].tolist() == [Status.NONE] * 5
    assert (none[0] == 0).all()


def test_interval_is_fitted_to_the_status():
    one = SWEEP.sums(np.zeros((4, len(RATES))))
    low, high = np.full((1, 4), 20.0), np.full((1, 4), 30.0)
    low, high = settle(low, high, np.array([[Status.INTERIOR, Status.NONE, Status.STEP, Status.TOP]]), one)
    assert low[0].tolist() == [20, 0, 0, 20]
    assert high[0].tolist() == [30, 30, 40, np.inf]
