"""The coverage simulation, in small: the default interval holds its level where choosing a curve does not."""

import numpy as np
import pytest


@pytest.fixture(scope="module")
def coverage(benchmark):
    module = benchmark("coverage")
    module.REPLICATES = 20
    return module


def test_default_interval_holds_its_level(coverage):
    trials = 240
    rows = coverage.simulate(("quadratic_plateau", 0.3, 6, 4), trials, np.random.default_rng(2))
    share = {r["method"]: r["value"] for r in rows if r["quantity"] == "coverage"}
    margin = 3 * np.sqrt(0.95 * 0.05 / trials)
    assert abs(share["averaged (default)"] - 0.95) < margin
    assert abs(share["profile or exact, true curve"] - 0.95) < margin
    assert share["profile or exact, best AICc"] < 0.95 - margin


def test_true_optimum_is_inside_the_rates_of_every_scenario(coverage):
    for key, params in coverage.TRUTH.items():
        best = coverage.optimum_in_range(
            coverage.CURVES[key], np.array(params), coverage.RATIO, 0.0, coverage.TOP
        )
        assert 0.5 * coverage.TOP < best < 0.9 * coverage.TOP
    assert len(coverage.SCENARIOS) >= 12
