"""The analysis errs as often as it says: the committed simulation, and that it belongs to this code."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

SCRIPT = Path(__file__).parents[1] / "benchmarks" / "trials_error_rates.py"


@pytest.fixture(scope="module")
def simulation():
    spec = importlib.util.spec_from_file_location("trials_error_rates", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def table():
    return pd.read_csv(SCRIPT.with_suffix(".csv")).set_index("case")


def test_false_alarms_are_5_in_100(table):
    null = table[~table.index.str.startswith("power")]
    assert (null["trials"] >= 4000).all()
    assert null["found_pct"].between(4, 6).all(), null["found_pct"]


def test_power_is_as_planned(table):
    power = table[table.index.str.startswith("power")]
    assert ((power["found_pct"] - power["planned_pct"]).abs() <= 3).all(), power


def test_every_case_is_in_the_table(simulation, table):
    assert [case.name for case in simulation.CASES] == table.index.tolist()


@pytest.mark.parametrize("number", [0, 3, 6, 7, 8, 9, 12])
def test_table_and_code_belong_together(simulation, table, number):
    case = simulation.CASES[number]
    found = [simulation.p_value(case, seed)[0] < simulation.ALPHA for seed in range(simulation.FIRST)]
    assert np.sum(found) == table.loc[case.name, "first"]
