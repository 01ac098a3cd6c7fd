"""What rates are worth against each other, against statsmodels, scipy, closed forms and arithmetic."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fertkit.errors import InputError, NotEstimable
from fertkit.response import Prices, analyse_response
from fertkit.response.worth import worth_of_sample

RATES, BLOCKS = np.tile([0.0, 50, 100, 150, 200], 4), np.repeat(np.arange(4.0), 5)
PRICES = Prices(0.5, 4.0, pass_cost=8.0, currency="$")


def trial_of(curve, sd=4.0, seed=1):
    noise = np.random.default_rng(seed).normal(0, sd, len(RATES))
    yields = curve(RATES) + 3 * BLOCKS + noise
    return pd.DataFrame({"block": BLOCKS.astype(int), "rate_lb_ac": RATES, "yield_bu_ac": yields})


def bent(x):
    return 120 + 0.5 * x - 0.0018 * x**2


@pytest.fixture(scope="module")
def averaged():
    return analyse_response(trial_of(bent), prices=PRICES, replicates=500)


@pytest.mark.parametrize(("rate", "over"), [(50.0, 0.0), (150.0, 100.0), (50.0, 100.0), (0.0, 200.0)])
def test_a_quadratic_has_the_t_interval_and_the_t_chance_of_its_contrast(rate, over):
    """Against statsmodels: the contrast of two rates; the chance of loss is Student's t below the cost."""
    sm = pytest.importorskip("statsmodels.api")
    trial = trial_of(bent)
    answer = analyse_response(trial, prices=PRICES, curve="quadratic", replicates=0)
    levels = (BLOCKS[:, None] == np.unique(BLOCKS)).astype(float)
    model = sm.OLS(trial["yield_bu_ac"].to_numpy(), np.column_stack([levels, RATES, RATES**2])).fit()
    test = model.t_test(np.r_[np.zeros(4), rate - over, rate**2 - over**2])
    low, high = test.conf_int()[0]
    row = answer.worth([50, 100, 200]).of(rate, over)
    assert row[["gain", "gain_low", "gain_high"]].to_list() == pytest.approx([test.effect[0], low, high])
    cost = 0.5 * (rate - over) + 8.0 * ((rate > 0) - (over > 0))
    assert row["cost"] == pytest.approx(cost)
    assert row[["net", "net_low", "net_high"]].to_list() == pytest.approx(
        [4 * v - cost for v in (test.effect[0], low, high)]
    )
    chance = stats.t.cdf((cost / 4 - test.effect[0]) / test.sd[0, 0], model.df_resid)
    assert row["chance_of_loss"] == pytest.approx(chance, abs=0.012)  # straight between tabulated tails


def test_two_rates_have_the_t_interval_and_chance_of_the_paired_difference():
    """Pairs within blocks: scipy's t of the differences."""
    trial = trial_of(bent)
    trial = trial[trial["rate_lb_ac"].isin([0, 100])]
    wide = trial.pivot_table(values="yield_bu_ac", index="block", columns="rate_lb_ac")
    each = wide[100] - wide[0]
    worth = analyse_response(trial, prices=PRICES, replicates=0).worth()
    row = worth.of(100.0, 0.0)
    ends = stats.t.interval(0.95, 3, loc=each.mean(), scale=stats.sem(each))
    assert (row["gain_low"], row["gain_high"]) == pytest.approx(ends)
    chance = stats.t.cdf((58 / 4 - each.mean()) / stats.sem(each), 3)
    assert row["chance_of_loss"] == pytest.approx(chance, abs=0.012)
    assert worth.year is None


def test_the_reported_rate_against_none_is_the_net_gain_of_the_answer(averaged):
    row = averaged.worth().of(averaged.optimum.rate, 0.0)
    assert row[["net", "net_low", "net_high"]].to_list() == pytest.approx(list(averaged.net_gain))


def test_a_rate_against_another_is_the_other_way_round_with_the_sign_turned(averaged):
    table = averaged.worth([50, 150]).table.set_index(["rate", "over"])
    there, back = table.loc[(50.0, 150.0)], table.loc[(150.0, 50.0)]
    turned = ["gain", "gain_high", "gain_low", "cost", "net", "net_high", "net_low"]
    straight = ["gain", "gain_low", "gain_high", "cost", "net", "net_low", "net_high"]
    assert there[straight].to_list() == pytest.approx([-v for v in back[turned]])
    assert there["chance_of_loss"] == pytest.approx(1 - back["chance_of_loss"])


def test_a_chance_below_the_tail_goes_with_an_interval_of_gains_alone(averaged):
    """Where all of the interval is gain, the chance of loss is at most twice the tail: there it is cut."""
    table = averaged.worth([100]).table
    sure = table[table["net_low"] > 0]
    assert len(sure) > 2
    assert (sure["chance_of_loss"] <= 0.05 + 1e-9).all()
    lost = table[table["net_high"] < 0]
    assert (lost["chance_of_loss"] >= 0.95 - 1e-9).all()


def test_other_prices_fit_nothing_again_and_give_what_those_prices_give(averaged, monkeypatch):
    import fertkit.response.analyse as module

    fresh = analyse_response(trial_of(bent), prices=Prices(0.8, 4.0), replicates=0).worth([100])
    monkeypatch.setattr(module, "fit_data", None)
    monkeypatch.setattr(module, "compare", None)
    moved = averaged.at_prices(prices=Prices(0.8, 4.0)).worth([100])
    pd.testing.assert_frame_equal(moved.table, fresh.table)


def test_no_response_shown_is_not_none():
    flat = trial_of(lambda x: 120 + 0.0 * x, sd=0.0)
    flat["yield_bu_ac"] += np.tile([1.0, -1, 1, -1, 0], 4) + np.repeat([1.0, -1, -1, 1], 5) * np.tile(
        [1.0, 1, -1, -1, 0], 4
    )
    answer = analyse_response(flat, prices=PRICES, replicates=0)
    assert answer.curve == "mean"
    row = answer.worth().of(100.0, 0.0)
    assert row["gain_low"] < 0 < row["gain_high"]
    assert row["chance_of_loss"] > 0.9


def test_without_an_error_nothing_is_claimed():
    trial = pd.DataFrame({"rate_lb_ac": [0, 50, 100], "yield_bu_ac": [100.0, 130.0, 140.0]})
    worth = analyse_response(trial, prices=PRICES).worth(50)
    assert worth.table[["gain_low", "net_high", "chance_of_loss"]].isna().to_numpy().all()
    assert "chance" not in worth.summary()
    assert "nan" not in worth.summary()


@pytest.mark.parametrize("wrong", [250.0, -5.0])
def test_a_rate_outside_the_tested_ones_is_refused(averaged, wrong):
    with pytest.raises(NotEstimable, match="outside the tested rates, 0 to 200"):
        averaged.worth([50, wrong])
    with pytest.raises(InputError):
        averaged.worth("usual")


def test_what_is_said_names_the_usual_rate_and_its_chance(averaged):
    text = averaged.worth([150, 50]).summary()
    assert "Against none: " in text
    assert "Against 150 lb/ac, the usual rate: " in text
    assert "Against 50 lb/ac: " in text
    assert "saves $" in text
    assert "Chance of losing money against 150 lb/ac, the usual rate: " in text
    assert "One more year of trial is worth about $" in text
    assert "Year-to-year variation, not included" in text


@pytest.mark.usefixtures("undrawn")
def test_the_command_holds_rates_against_each_other_on_page_workbook_and_table(tmp_path, capsys):
    from fertkit.cli import main

    strips = tmp_path / "strips.csv"
    trial_of(bent).to_csv(strips, index=False)
    asked = ["strips", strips, "--nutrient-price", 0.5, "--grain-price", 4, "--against", 150, "--against", 50]
    written = ["--page", tmp_path / "p.html", "--table", tmp_path / "t.csv"]
    assert main([str(word) for word in asked + written]) == 0
    assert "Against 150 lb/ac, the usual rate: " in capsys.readouterr().out
    assert "What is each rate worth" in (tmp_path / "p.html").read_text()
    rows = pd.read_csv(tmp_path / "t.csv").dropna(subset="over")
    assert set(rows["over"]) == {0.0, 50.0, 150.0}
    assert main([str(word) for word in [*asked, "--robust", "--design", "blocks"]]) == 2
    assert "a rate to compare with does not apply to treatments" in capsys.readouterr().err
    assert main([str(word) for word in [*asked[:6], "--against", 900]]) == 2
    assert "outside the tested rates" in capsys.readouterr().err


# ---- one more year


def known_normal(mean, sd, variance, strips):
    """Worth of a trial of a rate against none where the net of the rate is normal before it.

    Raiffa & Schlaifer's unit normal loss: s (phi(u) - u Phi(-u)), s the spread of the expectation after it.
    """
    told = sd * np.sqrt(sd**2 / (sd**2 + 2 * variance / strips))
    u = abs(mean) / told
    return told * (stats.norm.pdf(u) - u * stats.norm.sf(u))


@pytest.mark.parametrize(
    ("mean", "sd", "variance", "strips"), [(0.5, 1, 2.0, 4), (-1.0, 1.5, 4.0, 4), (0.0, 1, 1, 8)]
)
def test_worth_of_a_trial_of_two_rates_is_that_of_the_textbook(mean, sd, variance, strips):
    rng = np.random.default_rng(3)
    gain = rng.normal(mean, sd, 4000)
    gain = (gain - gain.mean()) / gain.std() * sd + mean
    at_rates, net = np.column_stack([0 * gain, gain]), np.column_stack([0 * gain, gain])
    spread = strips / 2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    worth, at_most, error = worth_of_sample(at_rates, net, spread, variance, rng)
    u = abs(mean) / sd
    assert worth == pytest.approx(known_normal(mean, sd, variance, strips), abs=4 * error)
    assert at_most == pytest.approx(sd * (stats.norm.pdf(u) - u * stats.norm.sf(u)), abs=0.02)


@settings(max_examples=10)
@given(st.floats(0.05, 20), st.integers(0, 10**6))
def test_a_trial_is_worth_something_and_no_more_than_knowing(variance, seed):
    rng = np.random.default_rng(seed)
    slope, bend = rng.normal(0.5, 0.2, 300), rng.normal(0.002, 0.0005, 300)
    rates = np.array([0.0, 50, 100, 150, 200])
    value = lambda x: slope[:, None] * x - bend[:, None] * x**2  # noqa: E731
    grid = np.linspace(0, 200, 41)
    spread = 4 * (np.eye(5) - 0.2)
    worth, at_most, _ = worth_of_sample(value(rates), 4 * value(grid) - 0.5 * grid, spread, variance, rng)
    assert -1e-9 <= worth <= at_most * 1.15 + 1e-9


def test_more_strips_are_worth_more(averaged):
    rng = np.random.default_rng(8)
    gain = rng.normal(0.3, 1, 2000)
    pair = np.column_stack([0 * gain, gain])
    each = [
        worth_of_sample(pair, pair, n / 2 * np.array([[1.0, -1.0], [-1.0, 1.0]]), 3.0, rng)[0]
        for n in (2, 8, 64)
    ]
    assert each[0] < each[1] < each[2]


def test_a_year_is_worth_less_than_the_least_regret_of_not_knowing(averaged):
    """What is lost on average at the best rate is what knowing the curve would be worth."""
    year = averaged.worth().year
    least = averaged.regret().expected_regret
    assert 0 < year.worth < year.at_most
    assert year.at_most == pytest.approx(least, rel=0.25)
    assert year.error < 0.2 * year.worth
