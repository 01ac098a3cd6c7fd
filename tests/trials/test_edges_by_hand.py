"""Edges of trials by hand: one error degree of freedom, complete pairs, the most corners, bearings."""

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from fertkit.errors import NotEstimable
from fertkit.trials import analyse_strips, linear, plan_strips
from fertkit.trials.application import application_geojson
from fertkit.trials.doubtful import _maker, _Model, _most, _searched
from fertkit.trials.outline import MOST_CORNERS, OutlineError, closed
from fertkit.trials.pairs import analyse_pairs
from fertkit.trials.points import _check_agreement


def test_one_degree_of_freedom_is_enough_for_an_f():
    # Two blocks of two: F is the square of the paired t on one degree of freedom (scipy).
    trial = pd.DataFrame(
        {"block": [1, 1, 2, 2], "rate_lb_ac": [0, 60, 0, 60], "yield_bu_ac": [47.0, 55, 49, 54]}
    )
    table = analyse_strips(trial).anova.set_index("term")
    paired = scipy.stats.ttest_rel([55.0, 54], [47.0, 49])
    assert table.loc["error", "df"] == 1
    assert table.loc["treatment", "f"] == pytest.approx(paired.statistic**2)
    assert table.loc["treatment", "p"] == pytest.approx(paired.pvalue)


@pytest.mark.parametrize(("lost", "noted"), [(0, False), (1, True)])
def test_only_a_lost_partner_is_noted(lost, noted):
    trial = pd.DataFrame({
        "block": [1, 1, 2, 2, 3, 3, 4, 4], "rate_lb_ac": [0, 60] * 4,
        "yield_bu_ac": [47.0, 55, 49, 54, 50, 58, 48, 57],
    })  # fmt: skip
    found = analyse_pairs(trial.iloc[: len(trial) - lost], check=0)
    assert any("partner" in note for note in found.notes) == noted
    assert found.df == 4 - lost - 1


def test_an_outline_of_the_most_corners_is_the_largest_read():
    angle = np.linspace(0, 2 * np.pi, MOST_CORNERS + 1, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    assert len(closed(circle[:-1])) == MOST_CORNERS + 1
    with pytest.raises(OutlineError, match="corners"):
        closed(circle)


def test_a_bearing_has_one_decimal():
    # The long side rises by 100 m over 1000 m: it lies at 90 - 5.7106 degrees, driven with it to the left.
    meter = 180 / np.pi / 6_371_008.8
    corners = np.array([[0, 0], [1000, 100], [990, 200], [-10, 100]]) * meter
    plan = plan_strips([0, 60], seed=1, blocks=1, borders=0, header_width=6, applicator_width=6,
                       strip_length=500, width_unit="m")  # fmt: skip
    outline = {"type": "Polygon", "coordinates": [corners.tolist()]}
    got = application_geojson(plan, outline)["features"][0]["properties"]["driven_deg"]
    assert got in (84.3, 264.3)


@pytest.mark.parametrize(
    ("delays", "refused"), [([4.0], False), ([3.0, 4.0], True), ([3.0, 4.0, 5.0], False)]
)
def test_the_longest_of_two_delays_is_no_answer(delays, refused):
    # The least roughness at 4 s: the longest tried says nothing of longer ones, unless it alone was asked.
    roughness = np.where(np.array(delays) == 4, 0.1, 1.0)
    votes = np.full(9, delays.index(4.0))
    if refused:
        with pytest.raises(NotEstimable, match="longest tried, 4 s"):
            _check_agreement(np.array(delays), roughness, votes)
    elif len(delays) > 1:
        _check_agreement(np.array(delays), roughness, votes)


@pytest.mark.parametrize(("strips", "df", "most"), [
    (12, 9, 2), (12, 5, 2), (12, 4, 1), (20, 12, 3), (40, 30, 6), (18, 10, 3), (12, 1, 1),
])  # fmt: skip
def test_no_more_strips_are_doubted_than_leave_an_error(strips, df, most):
    # A sixth of the strips, two at least and six at most, and three df of the error stay (common practice).
    rng = np.random.default_rng(strips)
    design = np.column_stack([np.ones(strips), rng.normal(size=(strips, strips - df - 1))])
    y = 50 + rng.normal(size=strips)
    model = _Model(_maker(linear.span(design)), linear.fit(design, y).residuals[None])
    assert _most(strips, df) == most
    assert [sets.shape[2] for sets, _ in _searched(model, most)] == list(range(1, most + 1))
