"""Power of two factors, width over sites and years: R (tests/reference/r/paper.R), arithmetic, simulation."""

import numpy as np
import pytest

from fertkit.errors import LookupFailed, NotEstimable
from fertkit.trials.power import power_of_contrast, smallest_contrast
from fertkit.trials.power_plans import plan_factors, plan_network, pooled_half_width


def test_two_factors_on_any_strip_by_r():
    plan = plan_factors((2, 4), 10, 5)
    assert plan.blocks == 9
    powers = plan.sizes.set_index("blocks")["power"]
    assert powers[[8, 9]].tolist() == pytest.approx([0.7917872, 0.8384768], abs=1e-6)
    assert plan.table["error_df"].unique().tolist() == [56]
    assert plan.table["se_pct"].to_numpy() ** 2 == pytest.approx([50 / 36, 50 / 18, 50 / 9, 100 / 9])


def test_whole_strips_by_r_and_zones_without_a_test_of_themselves():
    plan = plan_factors((2, 5), 8, 5, arrangement="whole strips", whole_cv_pct=4, blocks=6)
    assert plan.table["power"].iloc[0] == pytest.approx(0.6787784, abs=1e-6)
    assert plan.table["error_df"].tolist() == [5, 40, 40, 40]
    zones = plan_factors((3, 5), 8, 5, arrangement="zones", blocks=4)
    assert len(zones.table) == 3
    assert zones.table["error_df"].tolist() == [36] * 3


def test_the_smallest_difference_is_found_as_often_as_asked():
    for df, se in ((5, 1.7), (40, 0.3)):
        assert power_of_contrast(smallest_contrast(se, df), se, df) == pytest.approx(0.8)
    assert power_of_contrast(10, 5 * np.sqrt(2 / 5), 12) == pytest.approx(0.8268, abs=5e-5)  # R, strips.R


def test_simulated_factors_are_found_as_planned():
    """1,500 trials of 2 x 3 in 4 blocks, t test of a difference of differences by its own error."""
    rng, r, extra = np.random.default_rng(11), 4, 8.0
    y = rng.normal(0, 5, (1500, r, 2, 3)) + rng.normal(0, 10, (1500, r, 1, 1))
    y[:, :, 1, 2] += extra
    means = y.mean(axis=1)
    rest = (
        y - y.mean(axis=(2, 3), keepdims=True) - means[:, None] + means.mean(axis=(1, 2))[:, None, None, None]
    )
    variance = (rest**2).sum(axis=(1, 2, 3)) / 15
    ratio = (means[:, 1, 2] - means[:, 1, 0] - means[:, 0, 2] + means[:, 0, 0]) / np.sqrt(4 * variance / r)
    from scipy.stats import t

    share = (np.abs(ratio) > t.isf(0.025, 15)).mean()
    planned = plan_factors((2, 3), extra, 5, blocks=r).table["power"].iloc[-1]
    assert share == pytest.approx(planned, abs=3 * np.sqrt(planned * (1 - planned) / 1500))


def test_sites_of_one_year_by_r():
    _, se, df = pooled_half_width(12, 1, 1.5, 2)
    assert power_of_contrast(1.5, se, df) == pytest.approx(0.4747156, abs=1e-6)
    assert [pooled_half_width(s, 1, 1.5, 2)[0] for s in (26, 27)] == pytest.approx(
        [1.0097717, 0.9889671], abs=1e-6
    )
    plan = plan_network(2, 3, 2, years=[1], blocks=[4], treatments=6)
    assert plan.table[["sites", "trials", "strips"]].iloc[0].tolist() == [27, 27, 648]


def test_sites_and_years_cover_and_are_as_wide_as_planned():
    """2,000 networks of 8 sites in 4 years with sites, years and their mixture at random, by mean squares."""
    from scipy.stats import t

    rng, s, y = np.random.default_rng(3), 8, 4
    site, year, rest = 2.0, 1.5, 1.0
    data = (
        rng.normal(0, site, (2000, s, 1))
        + rng.normal(0, year, (2000, 1, y))
        + rng.normal(0, rest, (2000, s, y))
    )
    mean, by_site, by_year = data.mean(axis=(1, 2)), data.mean(axis=2), data.mean(axis=1)
    ms_site = y * by_site.var(axis=1, ddof=1)
    ms_year = s * by_year.var(axis=1, ddof=1)
    left = data - by_site[:, :, None] - by_year[:, None] + mean[:, None, None]
    ms_rest = (left**2).sum(axis=(1, 2)) / ((s - 1) * (y - 1))
    total = ms_site + ms_year - ms_rest
    df = total**2 / (ms_site**2 / (s - 1) + ms_year**2 / (y - 1) + ms_rest**2 / ((s - 1) * (y - 1)))
    half = t.isf(0.025, df) * np.sqrt(np.maximum(total, 0) / (s * y))
    assert (np.abs(mean) < half).mean() == pytest.approx(0.95, abs=0.015)
    planned = pooled_half_width(s, y, 0.0, site, year, rest)
    assert np.sqrt((mean**2).mean()) == pytest.approx(planned[1], rel=0.05)
    assert np.median(half) == pytest.approx(planned[0], rel=0.08)


def test_more_sites_or_blocks_never_need_more_and_a_few_years_may_not_do():
    table = plan_network(2, 3, 2, year_sd=1.2).table
    for _, part in table.groupby("years"):
        assert part["sites"].dropna().is_monotonic_decreasing
    assert table.loc[table["years"] == 2, "sites"].isna().all()


@pytest.mark.parametrize(
    ("levels", "options", "kind"),
    [
        ((1, 4), {}, NotEstimable),
        ((2, 4), {"blocks": 1}, NotEstimable),
        ((2, 4), {"arrangement": "rows"}, LookupFailed),
    ],
)
def test_what_is_no_plan_is_refused(levels, options, kind):
    with pytest.raises(kind):
        plan_factors(levels, 10, 5, **options)
