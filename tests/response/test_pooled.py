"""One rate for many trials.

Best rate, mean net gain and flat range of a quadratic-plateau per trial, computed with R
(tests/reference/r/economics.R) from the data in tests/reference/response. Where the squares fall without end
as the join moves away, as in Broadbalk's 2002, the curve is its straight line. Tolerance: one step of the
grid; 0.0002, for Knoxville 1965 fits alike with any join up to its first rate.
"""

import numpy as np
import pytest

from fertkit.errors import NotEstimable, PriceError, UnitError
from fertkit.response import Prices, fit_response, pool_net_return
from fertkit.response.pooled import Site, sites_of

DATA = {
    "broadbalk_s1_nseries.csv": ("n_kg_ha", "grain_t_ha_85dm", ["year"], ("kg", "t"), ("kg/ha", "t/ha")),
    "engelstad_corn_n.csv": ("n_kg_ha", "yield_q_ha", ["loc", "year"], ("kg", "q"), ("kg/ha", "q/ha")),
    "hunter_corn_n.csv": ("n_lb_ac", "yield_bu_ac", ["loc", "year"], ("lb", "bu"), ("lb/ac", "bu/ac")),
}
TABLE = [
    ("broadbalk_s1_nseries.csv", 0.0025, 269, 4.41242, 0.02, (240, 288)),
    ("broadbalk_s1_nseries.csv", 0.005, 224, 3.80179, 0.02, (205, 248)),
    ("broadbalk_s1_nseries.csv", 0.0075, 200, 3.27280, 0.02, (181, 219)),
    ("broadbalk_s1_nseries.csv", 0.01, 177, 2.80148, 0.02, (160, 196)),
    ("engelstad_corn_n.csv", 0.05, 169, 21.16562, 0.2, (150, 191)),
    ("engelstad_corn_n.csv", 0.0956522, 130, 14.39138, 0.2, (112, 147)),
    ("engelstad_corn_n.csv", 0.15, 95, 8.36917, 0.2, (80, 109)),
    ("engelstad_corn_n.csv", 0.20, 66, 4.35998, 0.2, (51, 80)),
    ("hunter_corn_n.csv", 0.05, 105, 22.26907, 1, (78, 140)),
    ("hunter_corn_n.csv", 0.10, 87, 17.52662, 1, (64, 113)),
    ("hunter_corn_n.csv", 0.15, 73, 13.53397, 1, (51, 96)),
    ("hunter_corn_n.csv", 0.20, 61, 10.18962, 1, (39, 83)),
]


@pytest.fixture(scope="module")
def fits(outside):
    """A quadratic-plateau per trial of each data set."""
    return {
        name: {
            "-".join(map(str, trial)): fit_response(
                rows, "quadratic_plateau", rate=rate, response=yields, blocks=False
            )
            for trial, rows in outside(name).groupby(by)
        }
        for name, (rate, yields, by, _, _) in DATA.items()
    }


def pool(fits, name, ratio, within, **options):
    """Pool with grain at 1 per unit, so that money is yield."""
    (nutrient_per, grain_per), (rate_unit, yield_unit) = DATA[name][3:]
    prices = Prices(ratio, 1, nutrient_per, grain_per)
    return pool_net_return(
        sites_of(fits[name]), prices, within=within, rate_unit=rate_unit, yield_unit=yield_unit, **options
    )


@pytest.mark.parametrize(("name", "ratio", "rate", "net", "within", "ends"), TABLE)
def test_published_pool(fits, name, ratio, rate, net, within, ends):
    result = pool(fits, name, ratio, within)
    assert result.rate == pytest.approx(rate, abs=1)
    assert result.gain == pytest.approx(net, abs=2e-4)
    np.testing.assert_allclose([result.within_low, result.within_high], ends, atol=1)


def test_pooled_rate_is_not_the_mean_of_the_optima(fits):
    """Broadbalk at 0.005: 224.045 on a fine grid; the years' own optima: mean 215.68, median 208.43."""
    result = pool(fits, "broadbalk_s1_nseries.csv", 0.005, 0.02, step=0.005)
    assert result.rate == pytest.approx(224.045, abs=0.01)
    for ratio, rate in ((0.0075, 199.62), (0.01, 177.43)):
        fine = pool(fits, "broadbalk_s1_nseries.csv", ratio, 0.02, step=0.005)
        assert fine.rate == pytest.approx(rate, abs=0.01)
    own = result.sites["own_rate_kg_ha"]
    assert own.median() == pytest.approx(208.43, abs=0.01)
    assert own.mean() == pytest.approx(215.676, abs=0.005)
    assert result.rate > own.mean() + 5


def test_dead_and_rising_sites_are_kept_and_shown(fits):
    result = pool(fits, "hunter_corn_n.csv", 0.1, 1)
    dead = result.sites.set_index("trial").loc["VdeW-1951"]
    assert (dead["own_rate_lb_ac"], dead["status"]) == (0, "no economic response")
    alive = {trial: fit for trial, fit in fits["hunter_corn_n.csv"].items() if "VdeW" not in trial}
    alive = pool({"hunter_corn_n.csv": alive}, "hunter_corn_n.csv", 0.1, 1)
    assert alive.gain > result.gain + 1  # leaving it out would flatter the pool
    wet = pool(fits, "broadbalk_s1_nseries.csv", 0.005, 0.02)
    rising = wet.sites.set_index("trial").loc["2002"]
    assert rising["own_rate_kg_ha"] == 288
    assert rising["status"] in ("at least the highest rate", "no finite maximum")
    assert len(wet.sites) == 15
    assert "all are kept" in wet.summary()


def test_exact_ties_go_to_the_lowest_rate():
    flat = [
        Site("a", "linear_plateau", (3, 0.01, 100), 0, 200),
        Site("b", "linear_plateau", (5, 0.01, 100), 0, 200),
    ]
    result = pool_net_return(flat, Prices(0.01, 1), within=0.1)
    assert (result.rate, result.gain) == (0, 0)
    assert (result.within_low, result.within_high) == (0, 110)


def test_mixed_curves_and_unequal_ranges():
    sites = [
        Site("plateau", "linear_plateau", (3, 0.03, 100), 0, 150),
        Site("bent", "quadratic", (3, 0.05, -1.25e-4), 0, 250),
        Site("none", "mean", (4,), 0, 100),
    ]
    result = pool_net_return(sites, Prices(0.01, 1), within=0.05)
    # Beyond 100 only the quadratic gains, and less than the nutrient costs: (0.05 - 0.025) / 3 < 0.01.
    assert result.rate == 100
    assert result.sites["own_rate_lb_ac"].tolist() == pytest.approx([100, 160, 0])
    loss = result.sites["loss_at_pooled_rate_per_ac"].tolist()
    assert loss == pytest.approx([0, 1.25e-4 * 60**2, 1.0])
    assert result.frame["trials_tested"].iloc[[100, 120, 200]].tolist() == [3, 2, 1]
    higher = pool_net_return(sites[1:], Prices(0.001, 1), within=0.05)
    assert np.isnan(higher.sites["loss_at_pooled_rate_per_ac"].iloc[1])
    assert not higher.checks["passed"].iloc[0]


def test_resampling_gives_an_interval_that_holds_the_rate(fits):
    result = pool(fits, "broadbalk_s1_nseries.csv", 0.005, 0.02, rng=np.random.default_rng(1), replicates=500)
    assert result.interval_low < result.rate < result.interval_high
    assert "in similar trials" in result.summary().lower()


@pytest.mark.parametrize(
    ("sites", "options", "error"),
    [
        ([], {}, NotEstimable),
        ([Site("a", "mean", (np.nan,), 0, 100)], {}, NotEstimable),
        ([Site("a", "mean", (3,), 0, 100)], {"step": 0}, NotEstimable),
        ([Site("a", "mean", (3,), 0, 100)], {"prices": Prices([1, 2], [3, 4])}, PriceError),
        ([Site("a", "mean", (3,), 0, 100)], {"within": -1}, PriceError),
    ],
)
def test_unusable_pools_are_refused(sites, options, error):
    with pytest.raises(error):
        pool_net_return(sites, **{"prices": Prices(1, 4), "within": 1} | options)


def test_pool_of_mixed_units_is_refused(fits):
    mixed = {name: next(iter(kept.values())) for name, kept in fits.items()}
    with pytest.raises(UnitError, match="mix units"):
        sites_of(mixed)
