"""Each file of tests begins without what an earlier one had worked out and kept."""

import pytest

from fertkit.budget.hump import one_hump
from fertkit.budget.rates import published_rates


@pytest.fixture(scope="module", autouse=True)
def _nothing_kept():
    published_rates.cache_clear()
    one_hump.cache_clear()
