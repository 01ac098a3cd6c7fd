"""Each file of tests begins without what an earlier one had worked out and kept."""

import pytest

from fertkit.budget.curve import uptake_curve
from fertkit.budget.rates import published_rates


@pytest.fixture(scope="module", autouse=True)
def _nothing_kept():
    published_rates.cache_clear()
    uptake_curve.cache_clear()
