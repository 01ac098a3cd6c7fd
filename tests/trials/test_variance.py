"""Restricted maximum likelihood against lme4 and nlme (R 4.2.2) and statsmodels."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import NotEstimable
from fertkit.trials.variance import components, fit_reml, shared


def test_dyestuff(outside):
    # Davies & Goldsmith 1972; documentation of lme4: mean 1527.5 (19.3834), batch 1764.05, residual 2451.25,
    # criterion 319.7.
    data = outside("davies_dyestuff.csv")
    y, batch = data["yield"].to_numpy(float), pd.factorize(data["batch"])[0]
    found = fit_reml(np.ones((30, 1)), y, components([shared(batch), np.eye(30)]), [1000.0, 1000.0])
    assert found.coefficients[0] == pytest.approx(1527.5)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(19.3834, abs=5e-5)
    assert found.parameters == pytest.approx([1764.05, 2451.25], abs=0.01)
    assert found.criterion == pytest.approx(319.7, abs=0.05)
    # Balanced one-way layout: the mean is tested on batches - 1 degrees of freedom.
    assert found.degrees_of_freedom(np.ones(1)) == pytest.approx(5, rel=1e-6)


def test_oats(outside):
    # Yates 1935 oats, linear in N, block and plot random (nlme): 81.87222 (6.94528), 73.66667 (6.78148), SD
    # 14.50598, 11.00467, 12.86696, logLik -296.520877.
    data = outside("yates_oats_splitplot_n.csv")
    y = data["yield_qlb_plot"].to_numpy(float)
    block, plot = pd.factorize(data["block"])[0], pd.factorize(data["block"] + data["gen"])[0]
    design = np.column_stack([np.ones(72), data["n_cwt_ac"]])
    found = fit_reml(design, y, components([shared(block), shared(plot), np.eye(72)]), [100.0] * 3)
    assert found.coefficients == pytest.approx([81.87222, 73.66667], abs=5e-6)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([6.94528, 6.78148], abs=5e-5)
    assert np.sqrt(found.parameters) == pytest.approx([14.50598, 11.00467, 12.86696], abs=5e-4)
    assert -found.criterion / 2 == pytest.approx(-296.520877, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 500), scale=st.floats(0.01, 100))
def test_unit_of_yield_does_not_matter(seed, scale):
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(5), 4)
    y = rng.normal(0, 3, 5)[block] + rng.normal(0, 1, 20)
    build = components([shared(block), np.eye(20)])
    one = fit_reml(np.ones((20, 1)), y, build, [1.0, 1.0])
    other = fit_reml(np.ones((20, 1)), y * scale, build, [scale**2, scale**2])
    assert other.parameters == pytest.approx(one.parameters * scale**2, rel=1e-4, abs=1e-6 * scale**2)


def test_nothing_left_for_the_error():
    with pytest.raises(NotEstimable):
        fit_reml(np.eye(3), np.arange(3.0), components([np.eye(3)]), [1.0])
