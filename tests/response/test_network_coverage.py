"""The simulation of the pooled rate's interval: the committed table, and a small piece made anew."""

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd

TESTS = Path(__file__).parents[1]


def test_the_interval_of_the_pooled_rate_holds_its_level(monkeypatch):
    table = pd.read_csv(TESTS / "reference" / "coverage" / "network.csv").set_index(["truth", "sites"])
    for truth in ("linear_plateau", "mitscherlich"):
        assert table.loc[truth, "coverage"].loc[[12, 40]].between(0.93, 0.97).all()
    assert (table["pools"] >= 800).all()
    spec = importlib.util.spec_from_file_location(
        "network_coverage", TESTS / "benchmarks" / "network_coverage.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    true = table.loc[("mitscherlich", 12), "true_rate"]
    monkeypatch.setattr(module, "true_rate", lambda key: true)
    row = module.simulate(("mitscherlich", 12), 30, np.random.default_rng(1))
    assert row["coverage"] >= 0.8  # of 30 at 95 %, fewer than 24 in one of 20,000 runs
    assert row["median_width"] == np.clip(row["median_width"], 25, 55)
