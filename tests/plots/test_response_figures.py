"""Figures of response and money show the numbers of their result; checked by what is drawn, not by pixels."""

import numpy as np
import pandas as pd
import pytest

from fertkit.plots import MAIN_FIGURES
from fertkit.plots.response import move_prices
from fertkit.plots.style import new_axes
from fertkit.response import (
    Prices,
    analyse_response,
    expected_regret,
    pool_net_return,
    price_table,
)
from fertkit.response.money import net_return
from fertkit.response.pooled import Site
from fertkit.say.response import optimum_text

BENT = (100, 1.0, -0.0025)
TESTED = {"lowest_rate": 0, "highest_rate": 240}
SITES = [
    Site("a", "quadratic_plateau", BENT, 0, 200),
    Site("dead", "mean", (90,), 0, 200),
    Site("rising", "linear", (80, 0.5), 0, 150),
]


@pytest.fixture(scope="module")
def analysis():
    """A clear quadratic-plateau with noise, four blocks."""
    rng = np.random.default_rng(8)
    rate = np.tile([0.0, 50, 100, 150, 200, 250], 4)
    yields = 110 + 98 * (1 - np.maximum(1 - rate / 190, 0) ** 2) + rng.normal(0, 4, 24)
    trial = pd.DataFrame({"rate_lb_ac": rate, "yield_bu_ac": yields, "block": np.repeat([1, 2, 3, 4], 6)})
    return analyse_response(trial, prices=Prices(0.5, 4.5, currency="USD"), replicates=50)


def texts(ax):
    found = [ax.get_title(loc="left"), ax.get_xlabel(), ax.get_ylabel(), *(t.get_text() for t in ax.texts)]
    return " | ".join(
        found + ([t.get_text() for t in ax.get_legend().get_texts()] if ax.get_legend() else [])
    )


def xs_of(ax, marker):
    return [float(line.get_xdata()[0]) for line in ax.lines if line.get_marker() == marker]


def results(analysis):
    prices, rng = Prices(0.5, 4.5, currency="USD"), np.random.default_rng(1)
    return [
        analysis,
        analysis.comparison,
        analysis.fits["quadratic_plateau"],
        net_return("quadratic", BENT, prices, within=5, **TESTED),
        price_table({"quadratic": BENT, "mean": (3,)}, np.linspace(0, 1, 11), price_ratio=0.1, **TESTED),
        expected_regret({"quadratic": np.array(BENT) * rng.normal(1, 0.05, (50, 3))}, prices, **TESTED),
        pool_net_return(SITES, prices, within=2, rng=rng),
        analysis.worth(),
    ]


def test_every_result_draws_on_its_own_and_on_given_axes(analysis):
    seen = set()
    for result in results(analysis):
        seen.add(type(result).__name__)
        given = new_axes(height=3)
        assert result.plot(ax=given) is given
        ax = result.plot()
        assert ax.figure._repr_png_()
        assert "[" in ax.get_ylabel()  # a unit
    mine = {name for name, (module, _) in MAIN_FIGURES.items() if module == "response"} - {"BatchResult"}
    assert seen == mine


def test_analysis_shows_optimum_interval_strips_and_money(analysis):
    ax = analysis.plot(within=5)
    money = ax.figure.axes[1]
    optimum = analysis.optimum
    assert optimum_text(optimum) in texts(ax).replace("\n", " ")
    assert pytest.approx(optimum.rate) in xs_of(ax, "D")
    assert xs_of(ax, "|") == pytest.approx([optimum.interval.low, optimum.interval.high])
    strips = sum(len(line.get_xdata()) for line in ax.lines if len(line.get_xdata()) == 6)
    assert strips == 24
    assert ax.get_shared_x_axes().joined(ax, money)
    assert "USD/ac" in money.get_ylabel()
    assert pytest.approx(optimum.rate) in xs_of(money, "D")


def test_comparison_has_a_row_for_every_curve(analysis):
    ax = analysis.comparison.plot()
    rows = [t.get_text() for t in ax.figure.axes[1].get_yticklabels()]
    assert rows == [*analysis.comparison.table["label"], "average"]
    assert len(ax.figure.axes[1].get_legend().get_texts()) == len(rows) - 1


def test_price_ratio_figure_names_edges_and_today():
    ax = price_table({"quadratic": BENT}, [0, 0.5, 1.2], price_ratio=0.11, **TESTED).plot()
    for words in ("at least this", "no economic response", "today, 0.11", "quadratic"):
        assert words in texts(ax)


def test_pooled_figure_keeps_dead_and_rising_trials():
    result = pool_net_return(SITES, Prices(0.5, 4.5), within=2)
    ax = result.plot()
    assert "no economic response (1)" in texts(ax)
    assert xs_of(ax, "<") == [0]
    assert xs_of(ax, ">") == [150]
    assert result.rate in xs_of(ax, "D")


def test_net_return_without_a_stretch_and_with_an_unpaid_pass():
    plain = net_return("quadratic", BENT, Prices(0.5, 4.5), **TESTED).plot()
    assert "within" not in texts(plain)
    unpaid = net_return("quadratic", BENT, Prices(0.5, 4.5, pass_cost=1e4), within=5, **TESTED).plot()
    assert xs_of(unpaid, "<") == [0]
    assert "nothing applied" in texts(unpaid)


def test_an_unidentified_join_is_drawn_as_a_stretch():
    trial = pd.DataFrame({"rate_lb_ac": [0, 50, 100, 150], "yield_bu_ac": [50.0, 90, 90, 90]})
    analysis = analyse_response(trial, nutrient_price=0.5, grain_price=4.5, replicates=0)
    ax = analysis.fits["linear_plateau"].plot()
    assert "join at any rate up to 50" in texts(ax)
    assert xs_of(ax, "|") == [0, 50]


def test_a_title_of_the_callers_leaves_the_rate_to_the_key(analysis):
    ax = analysis.plot(title="North field")
    assert ax.get_title(loc="left") == "North field"
    assert f"interval, {analysis.optimum.rate:.0f} lb/ac" in texts(ax.figure.axes[1])


def test_moved_prices_leave_the_marks_of_a_figure_made_for_them(analysis):
    dear = analysis.at_prices(prices=Prices(2.0, 4.5, currency="USD"))
    moved, fresh = analysis.plot(), dear.plot()
    move_prices(dear, *moved.figure.axes)
    for one, other in zip(moved.figure.axes, fresh.figure.axes, strict=True):
        assert texts(one) == texts(other)
        drawn = [sorted(str(line.get_xydata().tolist()) for line in ax.lines) for ax in (one, other)]
        assert drawn[0] == drawn[1]
        assert one.get_ylim() == pytest.approx(other.get_ylim())


def test_an_optimum_that_is_only_a_bound_is_said_as_one_in_the_legend():
    rates = np.tile([0.0, 40, 80, 120], 3)
    noise = np.random.default_rng(3).normal(0, 0.5, 12)
    trial = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": 60 + 0.5 * rates + noise})
    rising = analyse_response(trial, nutrient_price=0.5, grain_price=4.5, replicates=0)
    assert "at least the highest rate tested" in optimum_text(rising.agronomic_optimum)
    legend = texts(rising.plot().figure.axes[1])
    assert "agronomic optimum, at least 120 lb/ac" in legend
    assert "interval, at least 120 lb/ac" in legend
