"""Short ways to write tissue samples for tests."""

import pandas as pd
import pytest


def _tidy(values, *, crop="corn", growth_stage="R1", plant_part="ear leaf", **columns):
    """One row per nutrient of each sample: {sample_id: {nutrient: value}}."""
    rows = [
        {"specimen": k + 1, "sample_id": sample, "nutrient": nutrient, "value": value}
        for k, (sample, held) in enumerate(values.items())
        for nutrient, value in held.items()
    ]
    return pd.DataFrame(rows).assign(
        crop=crop, growth_stage=growth_stage, plant_part=plant_part, censored="", **columns
    )


@pytest.fixture(scope="session")
def tidy():
    return _tidy
