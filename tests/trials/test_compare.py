"""Many comparisons at once against scipy and printed critical values."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import dunnett

from fertkit.trials import analyse_strips
from fertkit.trials.analyse import against_check

# Dunnett 1955, J. Am. Stat. Assoc. 50:1096-1121, table 2: two-sided 5 % points for comparisons with a check.
PRINTED = [(2, 10, 2.57), (3, 10, 2.76), (2, 20, 2.38), (4, 20, 2.65)]


@pytest.mark.parametrize(("comparisons", "df", "point"), PRINTED)
def test_printed_points_of_dunnett_leave_5_percent(comparisons, df, point):
    """Means whose largest |t| is the printed point (from memory), variance of a mean 1/2."""
    means = pd.Series([0.0, point] + [0.0] * (comparisons - 1), index=range(comparisons + 1))
    found = against_check(means, np.eye(comparisons + 1) / 2, df, 0)
    assert found["p_adjusted"].iloc[0] == pytest.approx(0.05, abs=0.002)
    assert found["p"].iloc[0] < 0.035  # a single comparison would call it sooner
    assert found["low"].iloc[0] == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize("others", [2, 3])
def test_comparisons_with_a_check_as_scipy_has_them(others):
    rng = np.random.default_rng(5)
    groups = [rng.normal(mean, 3, 6) for mean in (50, 54, 51, 56)[: others + 1]]
    table = pd.DataFrame({
        "treatment": np.repeat(np.arange(others + 1), 6), "yield_bu_ac": np.concatenate(groups),
    })  # fmt: skip
    found = analyse_strips(table, treatment="treatment", blocks=[], check=0).means
    outside = dunnett(*groups[1:], control=groups[0], rng=np.random.default_rng(1))
    assert found["p_adjusted"].dropna().to_numpy() == pytest.approx(outside.pvalue, abs=2e-3)
    span = outside.confidence_interval()
    for name, ends in (("difference_low", span.low), ("difference_high", span.high)):
        assert found[name].dropna().to_numpy() == pytest.approx(ends, abs=0.05)
    assert (found["p_adjusted"].dropna() > found["p"].dropna() + 1e-3).all()
