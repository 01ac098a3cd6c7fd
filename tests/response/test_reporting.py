"""What an analysis says: costs counted once, intervals that hold the answer, tables refused with a reason.

Expected values follow from arithmetic on the trial itself or from a search over the whole F region.
"""

import re
from dataclasses import dataclass
from io import StringIO

import numpy as np
import pandas as pd
import pytest
from scipy.stats import linregress, t

from fertkit.errors import InputError, NotEstimable, PriceError, UnitError
from fertkit.intake import read_strips
from fertkit.report import answer_trial
from fertkit.report.trial import analyse_each
from fertkit.response import Prices, analyse_response, compare_curves, fit_response, optima_of_trials
from fertkit.response.gain import fall
from fertkit.response.interval import (
    Interval,
    join_interval,
    make_interval,
    optimum_interval,
    plateau_interval,
)
from fertkit.results import plain
from fertkit.say.response import optimum_text

FREE = {"nutrient_price": 0.5, "grain_price": 4, "replicates": 0}


def table_of(
    curve=lambda x: 100 + 80 * (1 - np.exp(-0.02 * x)), sd=5.0, rates=(0, 50, 100, 150, 200), seed=1
):
    """Four blocks of 3 bu/ac steps, one strip a rate (simulated)."""
    rng = np.random.default_rng(seed)
    rows = [
        (block, rate, round(curve(rate) + 3 * block + rng.normal(0, sd), 2))
        for block in range(4)
        for rate in rates
    ]
    return pd.DataFrame(rows, columns=["block", "rate_lb_ac", "yield_bu_ac"])


@pytest.fixture(scope="module")
def two_rates():
    return table_of(lambda x: 150 + 0.2 * x, sd=1, rates=(0, 100))


def gain_minus_cost(analysis):
    return analysis.gain.set_index("quantity").loc["gain minus cost"]


def test_two_rates_count_the_pass(two_rates):
    means = two_rates.groupby("rate_lb_ac")["yield_bu_ac"].mean()
    dear = analyse_response(two_rates, prices=Prices(0.5, 4, pass_cost=1000), replicates=0)
    assert dear.optimum.rate == 0
    assert gain_minus_cost(dear)["value"] == pytest.approx(means[100] - means[0] - 12.5 - 250)
    assert "its cost in yield, application pass included" in set(dear.gain["quantity"])
    assert analyse_response(two_rates, **FREE).optimum.rate == 100


def test_gain_minus_cost_is_the_gain_in_net_return():
    for lowest in (0, 50):
        table = table_of(rates=(lowest, 75, 100, 150, 200))
        analysis = analyse_response(table, prices=Prices(0.5, 4, pass_cost=100, fixed_cost=7), replicates=0)
        money = analysis.net_return()
        assert analysis.optimum.rate > lowest
        assert 4 * gain_minus_cost(analysis)["value"] == pytest.approx(money.gain)


def test_two_rates_name_the_better_and_not_an_interval_of_rates(two_rates):
    analysis = analyse_response(two_rates, **FREE)
    text = analysis.summary()
    assert "the better of the two rates tested, 100 lb/ac." in text
    assert "interval 100" not in text
    gain = gain_minus_cost(analysis)
    assert f"in yield {gain['value']:.3g} bu/ac (95% interval" in text
    level = analyse_response(two_rates, nutrient_price=0.2 * 4, grain_price=4, replicates=0)
    assert gain_minus_cost(level)["low"] < 0 < gain_minus_cost(level)["high"]
    assert "the two do not differ significantly" in level.summary()


def test_the_interval_of_a_pass_not_paid_holds_the_answer():
    analysis = analyse_response(table_of(), prices=Prices(0.5, 4, pass_cost=1000), replicates=0)
    assert analysis.optimum.status == "pass not paid"
    assert analysis.optimum.rate == 0
    assert 0 in analysis.optimum.interval
    assert "interval 0 to" in optimum_text(analysis.optimum)


# Tables and arguments ---------------------------------------------------------------------------------


def test_several_trials_are_not_melted_into_one():
    table = pd.concat([table_of(seed=s).assign(trial=f"T{s}") for s in (1, 2)])
    ways = (
        lambda trial: analyse_response(trial, **FREE),
        lambda trial: compare_curves(trial, 0.125),
        lambda trial: fit_response(trial, "quadratic"),
    )
    for way in ways:
        with pytest.raises(NotEstimable, match=r"2 trials: T1, T2.*groupby.*optima_of_trials"):
            way(table)
    assert len(optima_of_trials(table, "trial", 0.125)) == 2
    sites = table.rename(columns={"trial": "site"})
    assert all("2 sites, one common response" in way(sites).summary() for way in ways)


def test_one_rate_a_block_is_confounded():
    rows = [(1, 0, 100), (1, 0, 104), (2, 50, 130), (2, 50, 131), (3, 100, 150), (3, 100, 153)]
    table = pd.DataFrame(rows, columns=["block", "rate_lb_ac", "yield_bu_ac"])
    for part in (table, table[table["block"] < 3]):
        with pytest.raises(NotEstimable, match="rates are confounded with blocks"):
            analyse_response(part, **FREE)


def test_strips_as_read_from_a_file_stand_for_their_table():
    @dataclass
    class Strips:
        table: pd.DataFrame
        rate_column: str = "rate_lb_ac"
        yield_column: str = "yield_bu_ac"

    table = table_of()
    strips = Strips(table.assign(yield_check_bu_ac=0.0).assign(trial="North"))
    assert analyse_response(strips, **FREE).optimum == analyse_response(table, **FREE).optimum
    assert compare_curves(strips, 0.125).averaged_optimum == compare_curves(table, 0.125).averaged_optimum
    assert fit_response(strips).rss == fit_response(table).rss
    with pytest.raises(InputError, match="the result of read_strips, or a table"):
        analyse_response([1, 2, 3], **FREE)


def test_columns_name_their_units():
    metric = table_of().rename(columns={"rate_lb_ac": "rate_kg_ha", "yield_bu_ac": "yield_mg_ha"})
    assert analyse_response(metric, **FREE).yield_unit == "Mg/ha"
    bare = table_of().rename(columns={"yield_bu_ac": "yield_total"})
    with pytest.raises(UnitError, match=r"'yield_total' has no known unit.*'yield_bu_ac'"):
        analyse_response(bare, **FREE)


def test_lost_strips_are_left_out_and_told():
    table = table_of()
    lost = table.assign(yield_bu_ac=table["yield_bu_ac"].mask(table.index.isin([3, 7])))
    analysis = analyse_response(lost, **FREE)
    assert analysis.optimum == analyse_response(table.drop(index=[3, 7]), **FREE).optimum
    assert "2 strips without a yield left out" in analysis.summary()
    mixed = lost.astype({"yield_bu_ac": object})
    mixed.loc[10, "yield_bu_ac"] = "flooded"
    with pytest.raises(InputError) as caught:
        analyse_response(mixed, **FREE)
    assert [p.row for p in caught.value.problems] == [12]  # what is lost stays no problem
    wrong = lost.assign(rate_lb_ac=lost["rate_lb_ac"].where(lost.index != 12, -1))
    with pytest.raises(InputError) as caught:
        analyse_response(wrong, **FREE)
    assert [p.row for p in caught.value.problems] == [14]


@pytest.mark.parametrize(
    ("ratio", "error"),
    [(np.nan, InputError), (-1.0, PriceError), (np.inf, InputError), ([0.1, 0.2], InputError)],
)
def test_price_ratios_that_are_none(ratio, error):
    with pytest.raises(error, match=r"price.ratio"):
        compare_curves(table_of(), ratio)
    with pytest.raises(PriceError, match="price ratio"):
        optima_of_trials(table_of().assign(trial="A"), "trial", ratio)


@pytest.mark.parametrize("level", [0, 1, 95, -0.1, np.nan, [0.9, 0.95], "high"])
def test_levels_that_are_none(level):
    fit = fit_response(table_of())
    for ask in (
        lambda: analyse_response(table_of(), **FREE, level=level),
        lambda: compare_curves(table_of(), 0.125, level=level),
        lambda: optima_of_trials(table_of().assign(trial="A"), "trial", 0.125, level=level),
        lambda: optimum_interval(fit, 0.125, level),
        lambda: join_interval(fit, level),
        lambda: plateau_interval(fit, level),
    ):
        with pytest.raises(InputError, match="column 'level'"):
            ask()


def test_arguments_that_contradict():
    with pytest.raises(InputError, match="column 'replicates'"):
        analyse_response(table_of(), nutrient_price=0.5, grain_price=4, replicates=-1)
    with pytest.raises(PriceError, match="not a table"):
        analyse_response(table_of(), prices=Prices([0.5, 0.6], 4), replicates=0)
    with pytest.raises(PriceError, match="not both"):
        analyse_response(table_of(), prices=Prices(0.5, 4), nutrient_price=0.6)
    with pytest.raises(PriceError, match="not both"):
        analyse_response(table_of(), **FREE).at_prices(prices=Prices(0.5, 4), grain_price=3)


# Intervals without a response --------------------------------------------------------------------------


def brute_force_optimum(table, rise, ratio, level=0.95):
    """Greatest optimum over bends and slopes in the F region, by least squares with block columns."""
    blocks = pd.get_dummies(table["block"]).to_numpy(float)
    x, y = table["rate_lb_ac"].to_numpy(float), table["yield_bu_ac"].to_numpy()
    joins = np.r_[np.linspace(0.1, 200, 2000), 1e4]
    slopes, rss = np.empty((2, len(joins)))
    sizes = np.empty(len(joins))
    for i, join in enumerate(joins):
        design = np.column_stack([blocks, rise(x, join)])
        coef = np.linalg.lstsq(design, y, rcond=None)[0]
        slopes[i], rss[i] = coef[-1], ((y - design @ coef) ** 2).sum()
        sizes[i] = 1 / np.linalg.inv(design.T @ design)[-1, -1]
    df = len(y) - blocks.shape[1] - 2
    room = rss.min() * t.ppf(0.5 + level / 2, df) ** 2 / df
    slack = room - (rss - rss.min())
    steepest = slopes + np.sqrt(np.maximum(slack, 0) / sizes)
    grid = np.linspace(0, 200, 4001)
    net = steepest[:, None] * rise(grid, joins[:, None]) - ratio * grid
    return grid[np.argmax(net, axis=1)][slack >= 0].max()


@pytest.mark.parametrize(
    ("curve", "rise"),
    [
        ("linear_plateau", np.minimum),
        ("quadratic_plateau", lambda x, j: np.minimum(x, j) * (1 - np.minimum(x, j) / (2 * j))),
        ("spherical", lambda x, j: np.minimum(x, j) * (1 - (np.minimum(x, j) / j) ** 2 / 3)),
    ],
)
def test_joins_below_the_first_rate_count_without_a_response(curve, rise):
    table = table_of(lambda x: 150 + 0 * x, sd=3, seed=0)
    interval = compare_curves(table, 0.125).interval(curve)
    assert interval.low == 0
    assert interval.high == pytest.approx(brute_force_optimum(table, rise, 0.125), abs=0.15)


# Numbers and sentences ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (0.00123, "0.00123"), (0.125, "0.125"), (73.25, "73.2"), (150.0, "150"), (999.7, "1000"),
     (2450, "2450"), (123456.7, "123457"), (-0.5, "-0.5"), (1.234e7, "12340000")],
)  # fmt: skip
def test_numbers_have_no_exponent(value, text):
    assert plain(value) == text


def test_less_than_a_thousandth_of_the_tested_range_is_nothing_in_words():
    assert make_interval(0, 1.55e-6, 0.95, "profile").within(0, 200).text() == "0"
    assert make_interval(0.01, 47, 0.95, "profile").within(0, 200).text() == "0 to 47.0"
    assert plain(0.1, span=200) == "0"


def test_rates_in_small_units_keep_their_digits():
    table = table_of().rename(columns={"rate_lb_ac": "rate_t_ha", "yield_bu_ac": "yield_t_ha"})
    table["rate_t_ha"] /= 1000
    comparison = compare_curves(table, 125.0)
    for row in comparison.table.itertuples():
        if 0 < row.optimum < 0.2:
            assert float(row.optimum_text.split(" (")[0]) == pytest.approx(row.optimum, rel=0.005)
    assert f"{plain(comparison.averaged_optimum)} t/ha" in comparison.summary()


def test_curves_that_cannot_be_ranked_are_weighed_by_fit_alone_and_said_so():
    rows = [(1, 0, 100), (1, 50, 124), (2, 50, 126), (2, 100, 151), (3, 100, 150), (3, 150, 153)]
    rows += [(4, 0, 101), (4, 150, 155)]
    table = pd.DataFrame(rows, columns=["block", "rate_lb_ac", "yield_bu_ac"])
    text = analyse_response(table, **FREE).summary()
    assert "weighted by fit alone:" in text
    assert "too few rows to rank curves by AICc; they are weighted by fit alone" in text
    assert "support" not in text
    assert "side by side" not in text
    assert compare_curves(table, 0.125).summary().startswith("Too few rows for AICc")


def test_no_gain_is_told_when_nothing_is_applied():
    text = analyse_response(table_of(lambda x: 150 + 0 * x, sd=3), **FREE).summary()
    assert "no economic response" in text
    assert "Yield gain" not in text
    large = table_of(lambda x: 2000 + 10 * np.minimum(x, 120), sd=20)
    assert "e+0" not in analyse_response(large, **FREE).summary()


def test_rates_nearly_as_good_are_measured_from_the_best_of_the_curve_drawn():
    for seed in range(3):
        analysis = analyse_response(table_of(sd=8, seed=seed), **FREE)
        money = analysis.net_return(2.0)
        rates = np.linspace(0, 200, 20001)
        net = 4 * analysis.predict(rates) - 0.5 * rates
        good = rates[net >= net.max() - 2.0]
        assert money.peak_net == pytest.approx(net.max(), abs=1e-4)
        assert money.peak_net >= money.net
        assert [money.within_low, money.within_high] == pytest.approx([good[0], good[-1]], abs=0.011)
        assert f"of the best on the averaged curve, {plain(money.peak_net)} per acre at" in money.summary()


def test_a_figure_calls_best_only_the_best():
    analysis = analyse_response(table_of(sd=8, seed=0), **FREE)
    money = analysis.net_return()
    assert money.peak_net > money.net
    labels = money.plot().get_legend_handles_labels()[1]
    assert not any("best rate" in label for label in labels)
    assert any("economic optimum" in label for label in labels)


def test_figures_say_what_two_rates_can_and_keep_the_legend_off_level_strips(two_rates):
    ax = analyse_response(two_rates, **FREE).plot()
    labels = ax.get_legend_handles_labels()[1]
    assert "better of the two rates" in labels
    assert "the better of the two rates tested, 100 lb/ac" in " ".join(ax.get_title(loc="left").split())
    assert not any("interval" in label for label in labels)
    analysis = analyse_response(table_of(lambda x: 150 + 0 * x, sd=3), **FREE)
    ax = analysis.plot()
    ax.figure.canvas.draw()
    (legend,) = (legend for part in ax.figure.axes if (legend := part.get_legend()))
    box = legend.get_window_extent()
    points = ax.transData.transform(analysis.strips[["rate_lb_ac", "adjusted_yield_bu_ac"]])
    assert not any(box.contains(*point) for point in points)


@pytest.mark.parametrize(("slope", "fell"), [(-0.05, True), (0.0, False), (0.05, False)])
def test_a_fall_of_yield_with_the_rate_is_said_first_where_a_straight_line_shows_it(slope, fell):
    """Slope and p by scipy's linregress, on strips without blocks."""
    rates = np.tile([0.0, 50, 100, 150, 200], 4)
    yields = 60 + slope * rates + np.random.default_rng(4).normal(0, 1.5, rates.size)
    line = linregress(rates, yields)
    assert (line.pvalue < 0.05 and line.slope < 0) == fell
    table = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields})
    analysis = analyse_response(table, **FREE)
    said = analysis.summary()
    if fell:
        assert fall(analysis) == pytest.approx((-200 * line.slope, line.pvalue), rel=1e-6)
        assert said.startswith(
            f"Yield fell as the rate rose: by {plain(-200 * line.slope)} bu/ac from 0 to 200"
        )
    else:
        assert fall(analysis) is None
        assert "Yield fell" not in said
    assert (
        analyse_response(table, curve="quadratic_plateau", **FREE).summary().startswith("Yield fell") == fell
    )


def test_a_rise_before_a_fall_is_no_fall():
    """The straight line falls, and a rate above the lowest yields most (by hand)."""
    rates = np.tile([0.0, 40, 80, 120, 160, 200], 3)
    yields = 60 + 0.2 * rates - 0.002 * rates**2 + np.tile([0.3, -0.3], 9)
    assert linregress(rates, yields).slope < 0
    analysis = analyse_response(pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": yields}), **FREE)
    assert fall(analysis) is None


def test_joins_that_fit_alike_are_said_in_words():
    assert Interval(0.0, 50.0, True, False, 0.0, "identified").within(0, 200).text() == "anywhere up to 50"


def test_no_text_of_a_large_yield_or_a_small_unit_has_an_exponent():
    table = table_of()
    table = table.assign(yield_kg_ha=table.pop("yield_bu_ac") * 700, rate_g_ha=table.pop("rate_lb_ac") * 1120)
    analysis = analyse_response(table, prices=Prices(0.00112, 0.0002, "g", "kg"), replicates=0)
    results = [analysis, analysis.comparison, analysis.net_return(), *analysis.fits.values()]
    said = "\n".join(result.summary() for result in results)
    assert not re.search(r"\de[+-]\d", said)
    c = analysis.fits["quadratic"].coef[2]
    assert 0 < -c < 1e-5
    assert float(re.search(r"c = (-0\.\d+)", analysis.fits["quadratic"].summary()).group(1)) == pytest.approx(
        c, rel=1e-4
    )


def test_rates_of_the_summary_follow_the_one_rounding_rule():
    rates = [0, 66.723, 133.446, 200.169]
    table = pd.DataFrame({"rate_lb_ac": rates * 2, "yield_bu_ac": [100, 130, 141, 142, 102, 128, 143, 144]})
    said = analyse_response(table, nutrient_price=0.5, grain_price=4.5, replicates=50).summary()
    assert "0 to 200 lb/ac" in said
    assert "200.169" not in said


def test_grain_priced_per_tonne_for_a_yield_in_bushels_is_doubted_before_the_verdict():
    # by hand: 4.5 a t is 0.0045 a kg, and 0.5 a kg of nutrient buys 111 kg of grain; at 4.5 a bu it buys 2.8
    yields = [6.6, 8.0, 8.7, 8.8, 6.7, 8.0, 8.8, 8.9]
    table = pd.DataFrame({"rate_kg_ha": [0, 50, 100, 150] * 2, "yield_t_ha": yields})
    first = analyse_response(table, nutrient_price=0.5, grain_price=4.5, replicates=50).summary()
    assert first.startswith("Check the units of the prices")
    assert "a price ratio by weight of 111" in first.splitlines()[0]
    fair = analyse_response(table, nutrient_price=0.5, grain_price=177, replicates=50)
    assert fair.doubt == ""
    boron = table.assign(rate_kg_ha=table["rate_kg_ha"] / 100)  # 1.5 kg/ha of something dear
    assert analyse_response(boron, nutrient_price=0.5, grain_price=4.5, replicates=50).doubt == ""


def test_nutrient_and_crop_of_a_file_reach_the_analysis():
    sheet = "Rep,K2O rate (lb/ac),Crop,Yield (bu/ac)\n" + "".join(
        f"{block},{rate},soybean,{50 + rate / 10 + block + 0.3 * (rate == 40)}\n"
        for block in (1, 2, 3) for rate in (0, 40, 80)
    )  # fmt: skip
    strips = read_strips(StringIO(sheet))
    # 0.40 a lb over 380 a tonne, typed as a price per bushel: 0.06 where a grain crop has 0.5 to 40
    for answer in (
        analyse_response(strips, nutrient_price=0.4, grain_price=380, replicates=0),
        *analyse_each(strips, nutrient_price=0.4, grain_price=380)[0].values(),
        answer_trial(strips, nutrient_price=0.4, grain_price=380).response,
    ):
        assert (answer.data.nutrient, answer.data.crop) == ("K2O", "soybean")
        assert "check the units of the prices" in answer.doubt
        assert answer.data.without([0]).nutrient == "K2O"
