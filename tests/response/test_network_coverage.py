"""The simulation of the pooled rate's interval: the committed table, and a small piece made anew."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def simulation(benchmark):
    return benchmark("network_coverage")


def test_the_interval_of_the_pooled_rate_holds_its_level(simulation, monkeypatch):
    table = pd.read_csv(TESTS / "reference" / "coverage" / "network.csv").set_index(["truth", "sites"])
    for truth in ("linear_plateau", "mitscherlich"):
        assert table.loc[truth, "coverage"].loc[[12, 40]].between(0.93, 0.97).all()
    assert (table["pools"] >= 800).all()
    true = table.loc[("mitscherlich", 12), "true_rate"]
    monkeypatch.setattr(simulation, "true_rate", lambda key: true)
    row = simulation.simulate(("mitscherlich", 12), 30, np.random.default_rng(1))
    assert row["coverage"] >= 0.8  # of 30 at 95 %, fewer than 24 in one of 20,000 runs
    assert row["median_width"] == np.clip(row["median_width"], 25, 55)


def test_the_interval_with_site_data_holds_its_level_at_the_fewest_sites(simulation):
    """The committed table within three binomial errors of 95 %, and a soil test that is of the sites."""
    table = pd.read_csv(TESTS / "reference" / "coverage" / "network_known.csv")
    assert [(row.truth, row.sites) for row in table.itertuples()] == simulation.KNOWN
    assert (table["models"] >= 400).all()
    assert (table["coverage"] >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / table["models"])).all()
    assert (table["refused"] < 0.01).all()
    tests = np.random.default_rng(2).normal(size=20_000)
    level, _, join = simulation.draw_sites("linear_plateau", 20_000, np.random.default_rng(3), tests).T
    assert np.corrcoef(tests, np.log(join))[0, 1] == pytest.approx(0.8, abs=0.02)
    assert np.corrcoef(tests, level)[0, 1] == pytest.approx(0.6, abs=0.02)
    assert np.log(join).std() == pytest.approx(0.25, rel=0.03)


def test_the_interval_of_one_model_holds_its_level(simulation, monkeypatch):
    """The committed table within three binomial errors of 95 %, and two networks made anew."""
    table = pd.read_csv(TESTS / "reference" / "coverage" / "network_model.csv")
    assert {(row.truth, row.sites) for row in table.itertuples()} == set(simulation.SCENARIOS)
    assert (table["models"] >= 80).all()
    assert (table["coverage"] >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / table["models"])).all()
    committed = table.set_index(["truth", "sites"]).loc[("mitscherlich", 40)]
    monkeypatch.setattr(simulation, "true_rate", lambda key: committed["true_rate"])
    row = simulation.simulate_model(("mitscherlich", 40), 2, np.random.default_rng(1))
    assert row["refused"] == 0
    assert abs(row["bias"]) < 4 * committed["rmse"]
    assert row["median_width"] == pytest.approx(committed["median_width"], rel=0.5)
