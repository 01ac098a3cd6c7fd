"""Each file of tests begins without what an earlier one had worked out and kept."""

import pandas as pd
import pytest

from fertkit.budget.fields import read_fields
from fertkit.budget.own import checked_own
from fertkit.budget.rates import published_rates
from fertkit.budget.targets import nutrient_targets
from fertkit.budget.thresholds import OXIDE
from fertkit.budget.timing import uptake_curve


@pytest.fixture(scope="module", autouse=True)
def _nothing_kept():
    published_rates.cache_clear()
    uptake_curve.cache_clear()


@pytest.fixture(scope="session")
def one():
    """The one amount that a source gives of a nutrient."""

    def find(budget, nutrient, source, column="removed"):
        held = (budget.table["nutrient"] == nutrient) & (budget.table["source_key"] == source)
        [amount] = budget.table.loc[held, column]
        return amount

    return find


@pytest.fixture
def ask_systems():
    """What every system answers for one field: tests are (extractant, depth [in], test, unit)."""

    def ask(nutrient, tests, crop, goal, unit="bu_ac", *, cec=None, cases="", own=None, **where):
        field = {"field": ["A"], "crop": [crop], "area_ac": [80.0], f"yield_goal_{unit}": [goal]}
        rows = [("A", nutrient, value, name, per, depth) for name, depth, value, per in tests]
        rows += [("A", "CEC", cec, "", "meq/100 g", 8.0)] if cec else []
        levels = pd.DataFrame(rows, columns=["field", "analyte", "value", "extractant", "unit", "depth_in"])
        own = checked_own(own)
        fields = read_fields(pd.DataFrame(field), own=own)[0].assign(cases=cases)
        systems = nutrient_targets(fields, levels, own=own, **where).systems
        return systems[systems["nutrient"] == OXIDE.get(nutrient, nutrient)].set_index("system")

    return ask
