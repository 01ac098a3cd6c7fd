"""Figures of the budget: what is drawn is what the result says, and nothing is computed on the way."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.patches import Rectangle

from fertkit.budget import farm_budget, nutrient_budget, season_demand, soil_rate, supply_gap
from fertkit.plots.budget import budget_bars
from fertkit.plots.style import new_axes, on_a_page

FARM = pd.DataFrame({"crop": ["soybean", "corn"], "area_ac": [80, 100], "yield_goal_bu_ac": [60, 200]})


def results():
    soybean, corn = season_demand("soybean", 80), season_demand("corn", 300)
    return {
        "NutrientBudget": nutrient_budget("soybean", 80),
        "FarmBudget": farm_budget(FARM),
        "SeasonDemand": corn,
        "SupplyGap": supply_gap(soybean, {"K2O": 100}),
        "SoilRate": soil_rate("tri_state_2020", "P", 12, "corn", 180, extractant="Mehlich-3", depth_in=8),
    }


@pytest.fixture(scope="module")
def drawn():
    return {name: (result, result.plot()) for name, result in results().items()}


KINDS = ["NutrientBudget", "FarmBudget", "SeasonDemand", "SupplyGap", "SoilRate"]


@pytest.mark.parametrize("kind", KINDS)
def test_main_figure_has_title_and_units(drawn, kind):
    result, ax = drawn[kind]
    assert type(result).__name__ == kind
    assert ax.get_title(loc="left")
    axes = ax.figure.axes
    labels = " ".join(a.get_xlabel() + a.get_ylabel() for a in axes)
    assert any(unit in labels for unit in ("lb/ac", "[lb]", "ppm"))


@pytest.mark.parametrize("kind", KINDS)
def test_draws_on_the_axes_it_is_given(drawn, kind):
    ax = new_axes()
    assert drawn[kind][0].plot(ax=ax) is ax


def test_bars_split_uptake_into_removed_and_left(drawn):
    budget, ax = drawn["NutrientBudget"]
    widths = [p.get_width() for p in ax.patches if isinstance(p, Rectangle) and p.get_width() > 0]
    default = budget.defaults.set_index("nutrient")
    for nutrient in ("N", "P2O5", "S"):
        for part in ("removed", "stays"):
            assert np.isclose(widths, default.loc[nutrient, part]).any()
    for part in ("removed", "uptake"):  # of two studies
        assert np.isclose(widths, default.loc["K2O", part]).any()
    assert np.isclose(widths, default.loc["Ca", "uptake"]).any()


def test_trade_figures_are_named_in_the_legend(drawn):
    words = [t.get_text() for t in drawn["NutrientBudget"][1].get_legend().get_texts()]
    assert any("common practice, no source" in w for w in words)
    corn = budget_bars(nutrient_budget("corn", 200))
    assert not any("common practice" in t.get_text() for t in corn.get_legend().get_texts())


def test_memory_and_sources_are_written_beside_the_bar():
    words = " ".join(t.get_text() for t in budget_bars(nutrient_budget("wheat", 90)).texts)
    assert "Nutrient uptake and removal (2001)" in words
    words = " ".join(t.get_text() for t in budget_bars(nutrient_budget("spring wheat", 60)).texts)
    assert "from memory" in words


def test_season_points_lie_on_the_curve(drawn):
    demand, ax = drawn["SeasonDemand"]
    total = demand.totals.set_index("nutrient")["uptake"]["N"]
    taken = ax.figure.axes[1]
    dots = [line.get_xydata() for line in taken.lines if line.get_marker() == "o" and len(line.get_xdata())]
    assert any(np.isclose(xy[:, 1], 0.65 * total).any() for xy in dots)  # VT/R1, BENDER_AGPRO


def test_the_demand_a_day_is_on_top_with_its_peak_in_words_and_the_stages():
    ax = season_demand("soybean", 60).plot()
    words = [t.get_text() for t in ax.texts]
    assert "K₂O 4.2 a day" in words
    assert {"V7", "R2", "R5"} <= set(words)


@pytest.mark.parametrize(("crop", "goal"), [("soybean", 60), ("corn", 200), ("canola", 45), ("barley", 90)])
def test_every_published_peak_of_a_drawn_nutrient_is_drawn(crop, goal):
    demand = season_demand(crop, goal)
    ax = demand.plot()
    words = [text.get_text() for text in ax.figure.axes[1].get_legend().get_texts()]
    drawn = [
        name for name, label in (("N", "N"), ("P2O5", "P₂O₅"), ("K2O", "K₂O"), ("S", "S")) if label in words
    ]
    peaks = demand.peaks[demand.peaks["nutrient"].isin(drawn)].dropna(subset="published")
    marks = [line for line in ax.lines if line.get_marker() in ("_", "<")]
    assert len(marks) == len(peaks) > 0
    heights = sorted(float(line.get_ydata()[-1]) for line in marks)
    assert heights == pytest.approx(sorted(peaks["published_scaled"].fillna(peaks["published_high"])))


def test_canola_has_its_sulfur_and_the_words_of_its_study_on_top():
    # Malhi et al. 2007: uptake fastest from branching to early bud, on days 21 to 42
    ax = season_demand("canola", 45).plot()
    assert "S" in [text.get_text() for text in ax.figure.axes[1].get_legend().get_texts()]
    places = {text.get_text(): text.xy[0] for text in ax.texts}
    assert places["branching to early bud"] == (21 + 42) / 2
    assert "S" not in [
        t.get_text() for t in season_demand("corn", 200).plot().figure.axes[1].get_legend().get_texts()
    ]


def test_a_share_of_another_study_leaves_the_used_one_in_sight(drawn):
    taken = drawn["SeasonDemand"][1].figure.axes[1]
    sizes = {line.get_mfc(): line.get_ms() for line in taken.lines if line.get_marker() == "o"}
    assert sizes.pop("none") > max(sizes.values())


def test_shortage_is_marked_on_its_first_day(drawn):
    gap, ax = drawn["SupplyGap"]
    (row,) = gap.distinct.itertuples()
    words = f"short from day {row.first_day:.0f} ({row.first_day_from:.0f} to {row.first_day_to:.0f})"
    told = [t.get_text() for t in ax.figure.axes[1].get_legend().get_texts()]
    assert told.count(words) == 1
    assert "delay" not in " ".join(told)


@pytest.mark.parametrize("crop", ["soybean", "corn"])
def test_words_beside_bars_stand_apart_on_a_telephone(crop):
    with on_a_page(3.2):
        ax = nutrient_budget(crop, 60).plot()
    ax.figure.canvas.draw()
    boxes = [text.get_window_extent() for text in ax.texts if text.get_text()]
    assert len(boxes) >= 12
    assert not any(one.overlaps(other) for i, one in enumerate(boxes) for other in boxes[:i])
