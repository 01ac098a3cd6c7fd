"""Rates worked out anew, whatever was asked before, against figures printed by their sources.

Bender et al. 2013 and 2015 print uptake and removal of corn (12.0 Mg/ha dry) and soybean (3.5 Mg/ha dry); the
University of Idaho those of sugar beet (67.5 Mg/ha fresh). Moisture of trade: corn 15.5 %, soybean 13 %.
"""

import numpy as np
import pytest

from fertkit.budget.rates import amounts, published_rates
from fertkit.budget.timing import uptake_curve

KG_HA = 0.40468564224 / 0.45359237  # in lb/ac (NIST SP 811)
P2O5, K2O = 141.943 / 61.948, 94.195 / 78.197  # over P and K; atomic masses of IUPAC
#: crop, source, nutrient, uptake [kg/ha], harvest index, yield as sold [kg/ha], oxide over element
PRINTED = [
    ("corn", "BENDER2013", "N", 286.0, 0.58, 12_000 / 0.845, 1),
    ("corn", "BENDER2013", "P2O5", 114.0, 0.79, 12_000 / 0.845, 1),
    ("corn", "BENDER2013", "S", 26.0, 0.57, 12_000 / 0.845, 1),
    ("corn", "BENDER2013", "Zn", 0.50, 0.62, 12_000 / 0.845, 1),
    ("soybean", "BENDER2015", "N", 275.0, 0.73, 3500 / 0.87, 1),
    ("soybean", "BENDER2015", "P2O5", 48.0, 0.81, 3500 / 0.87, 1),
    ("soybean", "BENDER2015", "S", 19.0, 0.61, 3500 / 0.87, 1),
    ("sugar beet", "BEET_ID13", "P2O5", 69.0, 0.80, 67_500, P2O5),
    ("sugar beet", "BEET_ID13", "K2O", 529.0, 0.48, 67_500, K2O),
]


@pytest.fixture(autouse=True)
def _anew():
    published_rates.cache_clear()
    uptake_curve.cache_clear()


@pytest.mark.parametrize(("crop", "source", "nutrient", "uptake", "index", "sold", "oxide"), PRINTED)
def test_uptake_and_removal_at_the_printed_yield(crop, source, nutrient, uptake, index, sold, oxide):
    rate = next(r for r in published_rates(crop) if (r.source_key, r.nutrient) == (source, nutrient))
    pounds = sold * KG_HA
    got = {name: values[0, 0] for name, values in amounts([rate], [pounds], [0.0], [0.0]).items()}
    assert got["uptake"] == pytest.approx(uptake * KG_HA * oxide, rel=1e-4)
    # removal is printed to fewer digits than uptake times its index
    assert got["removed"] == pytest.approx(uptake * index * KG_HA * oxide, rel=2e-2)
    assert got["stays"] == pytest.approx(got["uptake"] - got["removed"])
    half = amounts([rate], [pounds / 2], [0.0], [0.0])["uptake"][0, 0]
    assert half == pytest.approx(got["uptake"] / 2)


def test_a_rate_that_rises_evenly_to_one_peak_is_found_from_its_shares():
    # a triangle from 0 to its peak at 0.5 and back: shares 2 t^2 before the peak, 1 - 2 (1 - t)^2 after it
    def share(t):
        return 2 * t**2 if t < 0.5 else 1 - 2 * (1 - t) ** 2

    points = tuple((100 * t, share(t)) for t in (0.2, 0.4, 0.6, 0.8))
    points = tuple((0.0, at, share, share) for at, share in points)
    hump = uptake_curve(points, 100.0, 0.02)
    at = np.linspace(0, 100, 41)
    np.testing.assert_allclose(hump(at), [share(t / 100) for t in at], atol=0.01)
    assert hump.misfit == pytest.approx(
        max(abs(hump(np.array([p]))[0] - s) for _, p, s, _ in points), abs=1e-12
    )
    assert hump.nodes[0] == 0
    assert hump.nodes[-1] == 100
    assert ((hump.rate[1:] + hump.rate[:-1]) / 2 * np.diff(hump.nodes)).sum() == pytest.approx(1.0)
    top = int(hump.rate.argmax())
    assert 45 <= hump.nodes[top] <= 55
    assert (np.diff(hump.rate[: top + 1]) >= -1e-12).all()
    assert (np.diff(hump.rate[top:]) <= 1e-12).all()
    assert hump.rate[0] == hump.rate[-1] == 0
    assert not hump.rate.flags.writeable
    assert not hump.nodes.flags.writeable
    low = uptake_curve((*points[:2], (0.0, 60.0, 0.0, 0.6)), 100.0, 0.02)  # never more than 0.6 by 60
    assert low(np.array([60.0]))[0] <= 0.6 + 1e-3
    assert low(np.array([40.0]))[0] == pytest.approx(share(0.4), abs=0.01)
    assert uptake_curve(points[:2], 100.0, 0.02)(np.array([60.0]))[0] > 0.6


@pytest.mark.parametrize(("highest", "window"), [(np.inf, ()), (0.02, (40.0, 70.0)), (0.011, ())])
def test_the_curve_is_that_of_the_non_negative_least_squares_of_scipy(highest, window, monkeypatch):
    shares = ((0.0, 30.0, 0.1, 0.1), (30.0, 60.0, 0.3, 0.5), (0.0, 80.0, 0.85, 0.9), (0.0, 90.0, 0.8, 0.8))
    curve = uptake_curve(shares, 100.0, 0.02, highest, window)
    uptake_curve.cache_clear()
    monkeypatch.setattr("fertkit.budget.timing.MOST_TURNS", 0)  # then scipy solves them one by one
    by_scipy = uptake_curve(shares, 100.0, 0.02, highest, window)
    np.testing.assert_allclose(curve.rate, by_scipy.rate, rtol=0, atol=1e-10)
    assert curve.kind == by_scipy.kind
