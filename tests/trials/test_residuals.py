"""Residuals, leverages and normal scores against R (tests/reference/r/paper.R)."""

import numpy as np
import pytest

from fertkit.response import fit_response
from fertkit.trials import analyse_strips
from fertkit.trials.residuals import leverages

SHOWN = ["leverage", "standardised", "normal_score"]


@pytest.fixture(scope="module")
def rice(outside):
    table = outside("gomez_rice_seedrate_rcbd.csv")
    return table.rename(columns={"seed_kg_ha": "rate_kg_ha", "rep": "block"})


def test_a_quadratic_with_blocks_by_r(rice):
    table = fit_response(rice, "quadratic").residuals.table
    held = [
        [0.3303571429, 0.2017857143, 0.2178571429],
        [-0.845570047486, 0.053381313580, 0.005204747099],
        [-0.74159404386, 0.37409541020, 0.15731068461],
    ]
    for column, values in zip(SHOWN, held, strict=True):
        assert table.loc[:2, column].tolist() == pytest.approx(values, abs=1e-9)
    assert table["residual"].to_numpy() == pytest.approx((table["observed"] - table["fitted"]).to_numpy())


def test_treatment_means_by_r(rice):
    residuals = analyse_strips(rice).residuals
    assert residuals.table.loc[:2, "standardised"].tolist() == pytest.approx(
        [-0.7998344419, 0.2910218065, -0.8806738326], abs=1e-9
    )
    assert residuals.table["leverage"].tolist() == pytest.approx([0.375] * 24)
    assert (residuals.unit, residuals.sources["source_key"].tolist()) == ("kg/ha", ["HOAGLIN1978"])


def test_a_curve_with_a_shape_by_r(outside):
    corn = outside("engelstad_corn_n.csv").query("loc == 'Jackson' and year == 1962")
    corn = corn.rename(columns={"n_kg_ha": "rate_kg_ha"})[["rate_kg_ha", "yield_q_ha"]]
    fit = fit_response(corn, "mitscherlich")
    assert fit.params["se"].tolist() == pytest.approx([2.29256, 2.83706, 0.00252989], rel=1e-5)
    table = fit.residuals.table
    assert table["leverage"].tolist()[:3] == pytest.approx([0.970744, 0.544679, 0.382505], abs=1e-5)
    assert table["standardised"].tolist()[:3] == pytest.approx([1.49361, -1.64461, 1.61244], abs=1e-4)
    assert table["normal_score"].tolist()[:2] == pytest.approx([0.643345405, -1.281551566], abs=1e-8)


def test_leverages_add_up_to_the_rank_and_a_strip_alone_has_one():
    design = np.array([[1, 0, 0], [1, 0, 0], [1, 1, 1], [1, 2, 2.0]])
    assert leverages(design).sum() == pytest.approx(2)
    alone = np.array([[1, 0.0], [1, 0], [1, 1]])
    assert leverages(alone).tolist() == pytest.approx([0.5, 0.5, 1.0])


def test_a_fit_without_error_has_no_standardised_residuals():
    import pandas as pd

    exact = pd.DataFrame({"rate_lb_ac": [0, 50, 100], "yield_bu_ac": [40.0, 50, 55]})
    table = fit_response(exact, "quadratic").residuals.table
    assert table[["standardised", "normal_score"]].isna().all(axis=None)
