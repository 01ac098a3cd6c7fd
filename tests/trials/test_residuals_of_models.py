"""Residuals of surfaces and of mixed models against statsmodels' own."""

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import block_diag

from fertkit.intake import read_strips
from fertkit.report.paper import Paper
from fertkit.response.surface import analyse_surface
from fertkit.trials import analyse_strips


@pytest.fixture(scope="module")
def np_strips(demo):
    return read_strips(demo("np_strips.csv"), crop="corn")


def test_surface_residuals_are_those_of_statsmodels(np_strips):
    from statsmodels.api import OLS
    from statsmodels.stats.outliers_influence import OLSInfluence

    found = analyse_surface(np_strips, nutrient_price={"N": 0.6, "P2O5": 0.6}, grain_price=4.5)
    for fit in found.fits.values():
        fitted = OLS(fit.data.yields, fit.design).fit()
        influence, table = OLSInfluence(fitted), fit.residuals.table
        np.testing.assert_allclose(table["residual"], fitted.resid, atol=1e-9)
        np.testing.assert_allclose(table["leverage"], influence.hat_matrix_diag, rtol=1e-8)
        np.testing.assert_allclose(table["standardised"], influence.resid_studentized_internal, rtol=1e-7)
        assert fit.residuals.usual_leverage == pytest.approx(fit.n_params / len(table))


@pytest.fixture(scope="module")
def split():
    """A split plot (invented): blocks, whole strips and parts each with an error of its own."""
    rng = np.random.default_rng(5)
    table = pd.MultiIndex.from_product(
        [range(1, 7), ["no-till", "chisel", "strip-till"], [0, 60, 120]],
        names=["block", "tillage", "rate_lb_ac"],
    ).to_frame(index=False)
    block, whole = rng.normal(0, 8, 6).repeat(9), rng.normal(0, 6, 18).repeat(3)
    return table.assign(yield_bu_ac=100 + table["rate_lb_ac"] / 4 + block + whole + rng.normal(0, 3, 54))


def test_conditional_residuals_are_those_of_statsmodels(split):
    """MixedLM takes out the random effects too; what it estimates by search agrees to 1e-3."""
    from statsmodels.formula.api import mixedlm

    found = analyse_strips(split, treatment=["tillage", "rate_lb_ac"], design="split plot").residuals
    terms, strips = "yield_bu_ac ~ C(tillage) * C(rate_lb_ac)", {"w": "0 + C(tillage)"}
    model = mixedlm(terms, split, groups="block", re_formula="1", vc_formula=strips).fit(reml=True)
    np.testing.assert_allclose(found.table["residual"], model.resid, atol=2e-3)
    np.testing.assert_allclose(found.table["fitted"], model.fittedvalues, atol=2e-3)


def test_leverage_of_a_mixed_model_is_what_a_yield_moves_its_own_fitted_value(split):
    """By arithmetic: cell means take 1/6 of a yield; the rest is shrunk by Henderson's equations."""
    result = analyse_strips(split, treatment=["tillage", "rate_lb_ac"], design="split plot")
    s2b, s2w, s2 = result.variances["variance"]
    cells = np.tile(np.eye(9), (6, 1))
    random = np.column_stack([np.kron(np.eye(6), np.ones((9, 1))), np.kron(np.eye(18), np.ones((3, 1)))])
    both = np.column_stack([cells, random])
    penalty = block_diag(np.zeros((9, 9)), np.eye(6) * s2 / s2b, np.eye(18) * s2 / s2w)
    hat = both @ np.linalg.solve(both.T @ both + penalty, both.T)
    table = result.residuals.table
    np.testing.assert_allclose(table["leverage"], np.diag(hat), rtol=1e-8)
    np.testing.assert_allclose(table["fitted"], hat @ split["yield_bu_ac"], rtol=1e-9)


@pytest.mark.parametrize("design", ["split plot", "strip plot", "factorial"])
def test_every_layout_has_them_in_its_paper(split, design):
    from fertkit.report.treatments import answer_treatments

    strips = read_strips(split, columns={"whole": "tillage"})
    answer = answer_treatments(strips, design=design)
    section = next(s for s in Paper(answer, strips).sections if s.title == f"Residuals: {design}")
    assert section.figure is not None
    assert section.figure_says.startswith(f"Residuals of the {design}")
    (table,) = section.tables
    assert list(table.frame)[:3] == ["tillage", "rate [lb/ac]", "block"]
    assert len(table.frame) == 54


def test_a_surface_has_them_in_its_paper(np_strips):
    from fertkit.report.surface import answer_surface

    paper = Paper(
        answer_surface(np_strips, nutrient_price={"N": 0.6, "P2O5": 0.6}, grain_price=4.5), np_strips
    )
    titles = [section.title for section in paper.sections]
    assert sum(title.startswith("Residuals: ") and title.endswith(", surface") for title in titles) == 1
