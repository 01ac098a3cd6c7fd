"""Fixtures shared by every test: where the outside data, the demo data and the notebooks lie."""

from pathlib import Path

import matplotlib as mpl
import pandas as pd
import pytest

ROOT = Path(__file__).parent.parent
mpl.use("Agg")


@pytest.fixture(scope="session")
def outside():
    """Read one of the open data sets by file name (sources: tests/reference/response/)."""
    return lambda name: pd.read_csv(ROOT / "tests" / "reference" / "response" / name)


@pytest.fixture(scope="session")
def demo():
    """Give the path of a demo file by name."""
    return lambda name: ROOT / "datasets_demo" / name
