"""Figures of strip trials: what is drawn where, not how it looks."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fertkit.intake.points import read_points
from fertkit.intake.strips import read_strips
from fertkit.plots.palette import SMALL
from fertkit.plots.style import new_axes, on_a_page
from fertkit.plots.trials import _clear
from fertkit.trials import (
    analyse_strips,
    blocks_for,
    clean_points,
    plan_strips,
    pool_estimates,
)
from fertkit.trials.pairs import analyse_pairs
from fertkit.trials.points import CleaningRules
from fertkit.trials.strata import analyse_two_factors


def texts(ax):
    return [t.get_text() for t in ax.texts if t.get_text()]


@pytest.fixture(scope="module")
def corn(demo):
    return read_strips(demo("corn_n_strips.csv"), crop="corn")


def test_strip_means_show_every_strip_interval_and_letter(corn):
    found = analyse_strips(corn)
    ax = found.plot()
    drawn = np.concatenate([line.get_ydata() for line in ax.lines if line.get_linestyle() == "None"])
    assert set(corn.table["yield_bu_ac"]) <= set(drawn)
    assert set(found.means["letters"]) <= set(texts(ax))
    bars = ax.collections[0].get_segments()
    assert [bar[1, 1] - bar[0, 1] for bar in bars] == pytest.approx(
        (found.means["high"] - found.means["low"]).tolist()
    )
    assert ax.get_xlabel() == "rate [lb/ac]"
    assert ax.get_ylabel() == "yield [bu/ac]"


def test_names_without_intervals_are_drawn_too():
    table = pd.DataFrame({"treatment": ["check", "band"], "yield_t_ha": [8.0, 9.0]})
    ax = analyse_strips(table).plot()
    assert [t.get_text() for t in ax.get_xticklabels()] == ["band", "check"]


def test_harvested_strips_have_a_marker_a_block(corn):
    ax = corn.plot()
    assert len({line.get_marker() for line in ax.lines}) == corn.table["block"].nunique()


def test_pairs_and_split_plots(outside):
    maize = outside("darwin_maize_pairs.csv").assign(pair=lambda d: d["pot"] + d["pair"])
    ax = analyse_pairs(maize, treatment="type", response="height", blocks="pair").plot()
    assert len(ax.lines) == 16
    oats = analyse_two_factors(
        outside("yates_oats_splitplot_n.csv"), "split plot", "gen", "n_cwt_ac", response="yield_qlb_plot"
    )
    lines = [line for line in oats.plot().lines if len(line.get_xdata()) == 4]
    assert len({line.get_marker() for line in lines}) == 3


def test_power_marks_the_blocks_chosen():
    assert "17 blocks" in texts(blocks_for(5, 5, 6).plot())


def test_forest_keeps_every_site_in_sight():
    found = pool_estimates(
        [5, 6, 7, 5.5, -900], [1, 1, 1.5, np.nan, 700], sites=["a", "b", "c", "lone", "rising"],
        notes=["", "", "", "", "still rising"], unit="bu/ac",
    )  # fmt: skip
    ax = found.plot()
    names = [t.get_text() for t in ax.get_yticklabels()]
    assert names == ["a", "b", "c", "lone", "rising", "pooled", "a new site-year"]
    assert any("still rising: -900" in t for t in texts(ax))
    assert any("not weighted" in t for t in texts(ax))
    low, high = ax.get_xlim()
    assert -20 < low < found.prediction_low
    assert found.prediction_high < high < 40
    assert ax.get_xlabel() == "bu/ac"


def test_field_sketch_draws_every_strip_once():
    plan = plan_strips([0, 50, 100], seed=9, header_width=30, applicator_width=60, strip_length=900)
    ax = plan.plot()
    wide = [p for p in ax.patches if p.get_width() == pytest.approx(60)]
    assert [p.get_x() for p in wide] == plan.table["left"].tolist()
    assert [t for t in texts(ax) if t in ("0", "50", "100")] == [
        f"{t:g}" for t in plan.table.query("kind == 'strip'")["treatment"]
    ]
    assert "block 4" in texts(ax)
    assert "seed 9" in ax.get_title(loc="left")


def test_on_a_telephone_strips_lie_below_each_other():
    plan = plan_strips([0, 50, 100], seed=9, header_width=30, applicator_width=60, strip_length=900)
    with on_a_page(3.2):
        ax = plan.plot()
    assert ax.figure.get_figwidth() == 3.2
    wide = [p for p in ax.patches if p.get_height() == pytest.approx(60)]
    assert [p.get_y() for p in wide] == plan.table["left"].tolist()
    top, bottom = ax.transData.transform([(0, plan.table["left"].min()), (0, plan.table["right"].max())])
    assert top[1] > bottom[1]
    assert len(plan.table) * SMALL < 72 * ax.figure.get_figheight(), "a number for each strip has room"


def test_maps_show_kept_and_removed_points(outside):
    log = read_points(
        outside("gartner_corn_yieldmonitor.csv"), crop="corn", units={"flow": "lb/s", "distance": "in"},
        width=(360, "in"),
    )  # fmt: skip
    assert len(log.plot().collections[0].get_offsets()) == 4949
    cleaned = clean_points(log, replace(CleaningRules(), yield_low=50))
    ax = cleaned.plot()
    drawn = {line.get_label(): len(line.get_xdata()) for line in ax.lines}
    assert sum(drawn.values()) == 4949
    assert drawn[f"kept ({cleaned.steps['kept'].iloc[-1]:,})"] == len(cleaned.kept)


def test_figures_draw_on_axes_they_are_given(corn):
    from fertkit.plots.style import new_axes

    axes = new_axes(1, 2)
    assert corn.plot(ax=axes[0]) is axes[0]
    assert analyse_strips(corn).plot(ax=axes[1]) is axes[1]


def test_names_on_a_map_keep_clear_of_each_other():
    """Strips of one place: each name has its own box of 15 pt by five letters' width and a little."""
    field = pd.DataFrame({"x_m": [0.0, 400.0], "y_m": [0.0, 300.0]})
    with on_a_page(6.7):
        at = np.array(_clear(new_axes(height=4.8), field, np.full((20, 2), 150.0), ["20"] * 20))
    aside = np.abs(at[:, None] - at[None])[~np.eye(20, dtype=bool)]
    metre = min(72 * 0.8 * 6.7 / 400, 72 * 0.8 * 4.8 / 300)  # pt
    assert ((aside * metre > [15, 14.9]).any(axis=1)).all()
