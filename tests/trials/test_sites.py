"""Several sites or seasons in one table: their blocks and their levels stay apart."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.trials import analyse_strips, pool_trials
from fertkit.trials.pairs import analyse_pairs


@pytest.fixture
def two_sites():
    """North is 60 bu better and tests low rates, South high ones; both rise by 0.1 bu/lb."""
    rows = [("NR1", "N", b, r, 160 + 0.1 * r + b) for b in (1, 2) for r in (0, 50)]
    rows += [("NR1", "S", b, r, 100 + 0.1 * r + b) for b in (1, 2) for r in (50, 100)]
    table = pd.DataFrame(rows, columns=["trial", "site", "block", "rate_lb_ac", "yield_bu_ac"])
    return table.assign(yield_bu_ac=table["yield_bu_ac"] + np.random.default_rng(0).normal(0, 0.5, 8))


@pytest.mark.parametrize("hidden", [[], ["trial"]])
@pytest.mark.parametrize("column", ["site", "location", "field", "year"])
@pytest.mark.parametrize("model", ["fixed", "random"])
def test_a_rising_response_at_two_sites_rises(two_sites, hidden, column, model):
    table = two_sites.drop(columns=hidden).rename(columns={"site": column})
    found = analyse_strips(table, model=model)
    # True slope 0.1 bu/lb, error 0.5 bu a strip: a step of 50 lb is worth 5 bu.
    assert np.diff(found.means["mean"]) == pytest.approx([5, 5], abs=2)
    assert f"several values of {column}" in found.summary()


def test_strips_and_curve_sweep_the_same_levels(two_sites):
    # statsmodels with a level of its own for every block of every site.
    import statsmodels.formula.api as smf

    table = two_sites.assign(group=two_sites["site"] + two_sites["block"].astype(str))
    reference = smf.ols("yield_bu_ac ~ C(rate_lb_ac) + C(group)", table).fit()
    means = analyse_strips(two_sites).means["mean"]
    steps = [reference.params[f"C(rate_lb_ac)[T.{r}]"] for r in (50, 100)]
    assert (means - means.iloc[0]).tolist()[1:] == pytest.approx(steps)
    line = smf.ols("yield_bu_ac ~ rate_lb_ac + C(group)", table).fit()
    assert line.params["rate_lb_ac"] == pytest.approx(0.1, abs=0.03)


def test_pool_takes_each_site_and_year_as_a_trial(two_sites):
    years = [two_sites.assign(year=year, yield_bu_ac=two_sites["yield_bu_ac"] + shift)
             for year, shift in ((2001, 0), (2002, 30))]  # fmt: skip
    found = pool_trials(pd.concat(years), 50, 0)
    assert found.table["site"].tolist() == ["N 2001", "S 2001", "N 2002", "S 2002"]
    assert found.k == 2
    north = two_sites[two_sites["site"] == "N"].groupby("rate_lb_ac")["yield_bu_ac"].mean()
    assert found.table["estimate"].iloc[0] == pytest.approx(north[50] - north[0])


def test_a_site_column_that_repeats_the_trial_changes_nothing():
    rows = [
        (t, f"farm {t}", b, r, 100 + r + b * t + r * t / 50)
        for t in (1, 2, 3)
        for b in (1, 2)
        for r in (0, 50)
    ]
    table = pd.DataFrame(rows, columns=["trial", "site", "block", "rate_lb_ac", "yield_bu_ac"])
    table["yield_bu_ac"] += np.random.default_rng(1).normal(0, 1, len(table))
    one, other = pool_trials(table, 50, 0), pool_trials(table.drop(columns="site"), 50, 0)
    assert one.table["site"].tolist() == ["1", "2", "3"]
    assert one.estimate == other.estimate


def test_pairs_of_two_sites_are_not_averaged():
    rows = [
        (s, b, r, 100 + b + r / 10 + (s == "S") * r / 25) for s in "NS" for b in (1, 2, 3) for r in (0, 50)
    ]
    table = pd.DataFrame(rows, columns=["site", "block", "rate_lb_ac", "yield_bu_ac"])
    found = analyse_pairs(table)
    # Differences 5 at North, 7 at South, three pairs each.
    assert len(found.pairs) == 6
    assert (found.difference, found.df) == (pytest.approx(6), 5)


@pytest.mark.parametrize(
    ("options", "error"), [({"blocks": []}, InputError), ({"trend": True}, NotEstimable)]
)
def test_what_several_sites_forbid(two_sites, options, error):
    table = two_sites.assign(position=range(8))
    with pytest.raises(error, match=r"one at a time, or (pool them|use pool_trials)"):
        analyse_strips(table, **options)


def test_an_untested_rate_is_answered_with_the_tested_ones(two_sites):
    with pytest.raises(LookupFailed, match=r"no strip has 125 .*tested are: 0, 50, 100"):
        pool_trials(two_sites, 125.0, 0.0)
    with pytest.raises(LookupFailed, match="unknown column"):
        pool_trials(two_sites, 50, 0, covariates=["soil"])


@pytest.mark.parametrize("level", [95, 0, 1, np.nan])
def test_level_is_a_share(two_sites, level):
    with pytest.raises(InputError, match=r"column 'level'.*(not between 0 and 1|not a number)"):
        analyse_strips(two_sites, level=level)
