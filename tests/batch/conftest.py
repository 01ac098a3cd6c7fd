"""Data sets of many trials and samples: open data of one long trial, and drawn ones."""

import numpy as np
import pandas as pd
import pytest

RATES = np.array([0.0, 40, 80, 120, 160, 200])


@pytest.fixture(scope="session")
def broadbalk(outside):
    """Fifteen years of an open long-term trial, each year taken as a trial (tests/reference/response)."""
    data = outside("broadbalk_s1_nseries.csv")
    names = {"n_kg_ha": "rate_kg_ha", "grain_t_ha_85dm": "yield_t_ha", "year": "trial"}
    data = data.rename(columns=names).drop(columns="plot")
    return data.assign(trial=data["trial"].astype(str))


@pytest.fixture(scope="session")
def many_trials():
    """Draw trials of their own rates in three blocks; the names say the number."""

    def draw(count, seed=1):
        rng, parts = np.random.default_rng(seed), []
        for i in range(count):
            rates = RATES[: rng.integers(4, 7)]
            x, block = np.tile(rates, 3), np.repeat([1, 2, 3], len(rates))
            y = 9 - 4 * np.exp(-rng.uniform(0.005, 0.04) * x) + rng.normal(0, 0.4, len(x))
            parts.append(
                pd.DataFrame({"trial": f"T{i:03d}", "block": block, "rate_kg_ha": x, "yield_t_ha": y})
            )
        return pd.concat(parts, ignore_index=True)

    return draw


@pytest.fixture(scope="session")
def many_samples():
    """Draw tidy tissue results of corn ear leaves."""

    def draw(count, seed=1):
        rng = np.random.default_rng(seed)
        one = {"crop": "corn", "growth_stage": "R1", "plant_part": "ear leaf"}
        rows = [
            {
                "sample_id": f"S{i:03d}",
                **one,
                "nutrient": nutrient,
                "value": round(rng.normal(mean, mean / 5), 3),
            }
            for i in range(count)
            for nutrient, mean in (("N", 3.0), ("P", 0.3), ("K", 2.0), ("Zn", 28.0))
        ]
        return pd.DataFrame(rows)

    return draw
