"""Optimum rates of own trials reach the season plan: rate, interval and gain as the analysis has them."""

import pandas as pd
import pytest

from fertkit import analyse_response, read_strips
from fertkit.budget.plan import plan_season
from fertkit.response.own_rates import own_rates


@pytest.fixture(scope="module")
def analysis(demo):
    strips = read_strips(demo("corn_n_strips.csv"), crop="corn")
    return analyse_response(strips.table, nutrient_price=0.45, grain_price=4.5)


@pytest.fixture(scope="module")
def table(analysis):
    return own_rates({"North": analysis}, "N", "corn")


def test_the_row_is_that_of_the_analysis(analysis, table):
    row = table.iloc[0]
    assert (row["field"], row["nutrient"], row["crop"]) == ("North", "N", "corn")
    assert row["rate"] == analysis.optimum.rate
    ends = analysis.optimum.interval
    assert (row["low"], row["high"]) == pytest.approx((ends.low, ends.high), rel=1e-14)  # lb/ac to lb/ac
    rate, gain = (float(x) for x in table["curve"].iloc[0].split(";")[-1].split())
    assert rate == 250
    # the gain is the yield gained, at the price of grain
    assert gain == pytest.approx(4.5 * (analysis.predict(250.0) - analysis.predict(0.0)), rel=1e-5)


def test_the_plan_takes_it_from_a_file_as_text(table, analysis, tmp_path):
    table.to_csv(tmp_path / "rates.csv", index=False)
    text = pd.read_csv(tmp_path / "rates.csv", dtype=str, keep_default_na=False)
    field = {"field": ["North"], "crop": ["corn"], "area_ac": [80.0], "yield_goal_bu_ac": [180.0]}
    plan = plan_season(pd.DataFrame(field), policy={"N": "trial"}, trials=text)
    rate = plan.targets.table.set_index("nutrient").loc["N"]
    assert rate["why"] == "own trial"
    assert rate["rate_lb_ac"] == pytest.approx(analysis.optimum.rate)
    assert rate["high_lb_ac"] == pytest.approx(analysis.optimum.interval.high)
    gains = plan.targets.value
    assert gains["gain_per_ac"].is_monotonic_increasing
    assert gains["rate_lb_ac"].iloc[-1] == 250


def test_a_trial_that_only_says_at_least_gives_no_rate(analysis):
    rising = pd.DataFrame({"block": [1, 1, 1, 2, 2, 2], "rate_lb_ac": [0, 50, 100] * 2,
                           "yield_bu_ac": [60, 90, 121, 61, 91, 119]})  # fmt: skip
    top = analyse_response(rising, nutrient_price=0.45, grain_price=4.5)
    assert own_rates({"top": top}, "N", "corn").empty
