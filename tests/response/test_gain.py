"""Gain and net gain over the lowest rate with their intervals, against statsmodels, scipy and arithmetic."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from fertkit.response import Prices, analyse_response, fit_response
from fertkit.response.region import gain_sets
from fertkit.say.response import optimum_text

RATES = np.tile([0.0, 50, 100, 150, 200], 4)
BLOCKS = np.repeat(np.arange(4.0), 5)
PRICES = Prices(0.5, 4.0, currency="$")


def trial_of(curve, sd=2.0, seed=1, step=3.0):
    """Four blocks of five rates, block levels `step` apart (simulated)."""
    noise = np.random.default_rng(seed).normal(0, sd, len(RATES))
    yields = curve(RATES) + step * BLOCKS + noise
    return pd.DataFrame({"block": BLOCKS.astype(int), "rate_lb_ac": RATES, "yield_bu_ac": yields})


def bent(x):
    return 120 + 0.5 * x - 0.0018 * x**2


COLUMNS = {
    "linear": lambda x: np.column_stack([x]),
    "quadratic": lambda x: np.column_stack([x, x**2]),
    "square_root": lambda x: np.column_stack([np.sqrt(x), x]),
}


@pytest.mark.parametrize("curve", COLUMNS)
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_gain_of_a_linear_model_has_the_t_interval_of_its_contrast(curve, level):
    """Against statsmodels: least squares with a level for each block, and the t test of the contrast."""
    sm = pytest.importorskip("statsmodels.api")
    trial = trial_of(bent)
    answer = analyse_response(trial, prices=PRICES, curve=curve, level=level, replicates=0)
    rate, columns = answer.optimum.rate, COLUMNS[curve]
    levels = (BLOCKS[:, None] == np.unique(BLOCKS)).astype(float)
    model = sm.OLS(trial["yield_bu_ac"].to_numpy(), np.hstack([levels, columns(RATES)])).fit()
    contrast = np.r_[np.zeros(4), columns(np.array([rate]))[0]]
    test = model.t_test(contrast)
    assert rate > 50
    row = answer.gain.iloc[0]
    assert row["value"] == pytest.approx(float(test.effect[0]), rel=1e-7)
    assert (row["low"], row["high"]) == pytest.approx(tuple(test.conf_int(alpha=1 - level)[0]), rel=1e-7)


def test_gain_of_two_rates_has_the_t_interval_of_the_paired_difference():
    """Two rates in blocks are pairs: scipy's t interval of the differences within blocks."""
    trial = trial_of(bent)
    trial = trial[trial["rate_lb_ac"].isin([0, 100])]
    wide = trial.pivot_table(values="yield_bu_ac", index="block", columns="rate_lb_ac")
    ends = stats.t.interval(0.95, 3, loc=(wide[100] - wide[0]).mean(), scale=stats.sem(wide[100] - wide[0]))
    answer = analyse_response(trial, prices=PRICES, replicates=0)
    assert tuple(answer.gain.iloc[0][["low", "high"]]) == pytest.approx(ends)
    net = [4.0 * (end - 100 * 0.5 / 4.0) for end in ends]
    assert answer.net_gain[1:] == pytest.approx(net)


SHAPED = {
    "linear_plateau": lambda x, join: np.minimum(x, join),
    "mitscherlich": lambda x, join: -np.expm1(-x / join),
    "spherical": lambda x, join: 1.5 * np.minimum(x / join, 1) - 0.5 * np.minimum(x / join, 1) ** 3,
}


@pytest.mark.parametrize("curve", SHAPED)
def test_ends_of_a_profile_are_where_the_constrained_fit_loses_its_margin(curve):
    """Hold the gain at an end and search the rest by scipy: the sum of squares is RSS (1 + F / df)."""
    trial = trial_of(lambda x: 120 + 0.4 * np.minimum(x, 110), sd=3.0, step=0.0)
    fit = fit_response(trial, curve, blocks=False)
    rate, y = 90.0, trial["yield_bu_ac"].to_numpy()

    def least(gain):
        """Least residual sum of squares of all curves that gain so much at the rate."""

        def rss(join):
            rise = SHAPED[curve](RATES, join) * gain / SHAPED[curve](rate, join)
            return ((y - rise - (y - rise).mean()) ** 2).sum()

        grid = np.linspace(30, 400, 1500)
        start = grid[np.argmin([rss(join) for join in grid])]
        return optimize.minimize_scalar(rss, bounds=(start - 1, start + 1), method="bounded").fun

    wanted = fit.rss * (1 + stats.f.ppf(0.95, 1, fit.df_error) / fit.df_error)
    for end in gain_sets(curve, fit.fits, fit.data.sums, rate, 0.95):
        assert least(float(end[0, 0])) == pytest.approx(wanted, rel=1e-4)


def test_a_profile_of_small_errors_is_the_delta_methods():
    """Against scipy's curve_fit: its covariance, the gradient of the gain and Student's t."""
    trial = trial_of(lambda x: 160 - 40 * np.exp(-0.02 * x), sd=0.05, step=0.0)
    fit = fit_response(trial, "mitscherlich", blocks=False)
    model = lambda x, a, b, k: a - b * np.exp(-k * x)  # noqa: E731
    at, cov = optimize.curve_fit(model, RATES, trial["yield_bu_ac"], p0=[160, 40, 0.02])
    rate, (_, b, k) = 120.0, at
    slope = np.array([0.0, 1 - np.exp(-k * rate), b * rate * np.exp(-k * rate)])
    half = stats.t.ppf(0.975, len(RATES) - 3) * np.sqrt(slope @ cov @ slope)
    low, high = (float(end[0, 0]) for end in gain_sets("mitscherlich", fit.fits, fit.data.sums, rate, 0.95))
    gain = b * (1 - np.exp(-k * rate))
    assert (low, high) == pytest.approx((gain - half, gain + half), abs=0.02 * half)


def test_a_step_below_the_first_rate_may_have_made_all_of_the_gain_by_then():
    """Level above the first rate of 50: a join at 1 fits as one at 50 does, so at 30 all may be gained."""
    trial = trial_of(lambda x: 120 + 20.0 * (x > 0), sd=1.0, step=0.0)
    fit = fit_response(trial, "linear_plateau", blocks=False)
    _, high = (float(end[0, 0]) for end in gain_sets("linear_plateau", fit.fits, fit.data.sums, 30.0, 0.95))
    y = trial["yield_bu_ac"].to_numpy()
    step = stats.linregress((RATES > 0).astype(float), y)
    rest = ((y - step.intercept - step.slope * (RATES > 0)) ** 2).sum()
    room = fit.rss * (1 + stats.f.ppf(0.95, 1, fit.df_error) / fit.df_error) - rest
    half = np.sqrt(room / (((RATES > 0) - (RATES > 0).mean()) ** 2).sum())
    assert high == pytest.approx(step.slope + half, rel=1e-6)


def test_the_average_lies_within_the_intervals_of_its_curves():
    answer = analyse_response(trial_of(bent), prices=PRICES, replicates=0)
    row, rate = answer.gain.iloc[0], answer.optimum.rate
    keys = answer.weights.index[answer.weights > 0.01]
    sums = answer.data.sums
    ends = [gain_sets(k, answer.fits[k].fits, sums, rate, 0.95) for k in keys]
    assert min(e[0][0, 0] for e in ends) - 0.1 < row["low"] < row["value"] < row["high"]
    assert row["high"] < max(e[1][0, 0] for e in ends) + 0.1


def test_money_is_yield_at_the_price_of_the_crop_less_the_cost():
    answer = analyse_response(trial_of(bent), prices=Prices(0.5, 4.0, pass_cost=8.0), replicates=0)
    gain, rate = answer.gain.iloc[0], answer.optimum.rate
    by_hand = [4.0 * gain[name] - 0.5 * rate - 8.0 for name in ("value", "low", "high")]
    assert list(answer.net_gain) == pytest.approx(by_hand)
    net = answer.net_return()
    assert [net.gain, net.gain_low, net.gain_high] == pytest.approx(by_hand)
    assert net.level == 0.95


def test_the_summary_gives_every_gain_its_interval():
    text = analyse_response(trial_of(bent), prices=PRICES, replicates=0).summary()
    lines = [line for line in text.splitlines() if "ain" in line and "bu/ac" in line]
    assert "yield gain" in lines[0].lower()
    assert all("(95% interval" in line for line in lines if "ain" in line.split(":")[0])
    assert "\nNet gain: $" in text
    assert "/ac (95% interval" in text.split("\nNet gain: $")[1]


def test_no_interval_is_claimed_without_error_df():
    trial = pd.DataFrame({"rate_lb_ac": [0, 50, 100], "yield_bu_ac": [100.0, 130.0, 140.0]})
    answer = analyse_response(trial, prices=PRICES, replicates=0)
    assert answer.gain[["low", "high"]].isna().to_numpy().all()
    assert np.isnan(answer.net_gain.low)
    assert "gain" in answer.summary()
    assert "nan" not in answer.summary()


# Between the lowest and the first rate ----------------------------------------------------------------


def test_an_interval_that_reaches_an_untested_join_says_so():
    """All of the response is made by the first rate, so every join up to 50 leaves the same residuals."""
    answer = analyse_response(
        trial_of(lambda x: 120 + 20.0 * (x > 0), sd=1.0), prices=PRICES, curve="linear_plateau", replicates=0
    )
    assert answer.optimum.interval.low == 0
    assert "any join up to 50 fits; no rate tested between 0 and 50" in optimum_text(answer.optimum)
    assert "any join up to 50 fits" in answer.summary()


def test_an_interval_above_the_first_rate_says_nothing_of_joins():
    answer = analyse_response(
        trial_of(lambda x: 120 + 0.5 * np.minimum(x, 130), sd=0.5), prices=PRICES, replicates=0
    )
    assert answer.optimum.interval.low > 50
    assert "join" not in optimum_text(answer.optimum)
    assert "was tested" not in optimum_text(answer.optimum)


def test_a_curve_without_a_join_tells_the_gap_alone():
    answer = analyse_response(
        trial_of(lambda x: 120 + 0.15 * x, sd=6.0), prices=PRICES, curve="quadratic", replicates=0
    )
    assert answer.optimum.interval.low < 50 < answer.optimum.interval.high
    assert "; no rate tested between 0 and 50)" in optimum_text(answer.optimum)
    assert "any join" not in optimum_text(answer.optimum)


# Coverage ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def simulation(benchmark):
    return benchmark("gain_coverage")


@pytest.mark.parametrize("scenario", [("quadratic_plateau", 0.3, 6, 4), ("spherical", 0.6, 6, 4)])
def test_intervals_of_the_gain_hold_their_level(simulation, scenario):
    """Within the limits of the binomial distribution at 95 %, three standard deviations to either side."""
    trials = 240
    rows = simulation.simulate(scenario, trials, np.random.default_rng(4))
    low, high = stats.binom.interval(0.9973, trials, 0.95)
    assert len(rows) == 4
    for row in rows:
        assert low <= row["coverage"] * trials <= high, row
