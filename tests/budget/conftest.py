"""Each file of tests begins without what an earlier one had worked out and kept."""

import pytest

from fertkit.budget.rates import published_rates
from fertkit.budget.timing import uptake_curve


@pytest.fixture(scope="module", autouse=True)
def _nothing_kept():
    published_rates.cache_clear()
    uptake_curve.cache_clear()
