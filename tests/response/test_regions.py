"""Profile regions against their definition: every curve on a fine mesh whose sum of squares is low enough.

Nothing of the kit but its answer is used: rises, optima and sums of squares are written out here, and the F
margin is scipy's.
"""

import numpy as np
import pytest
from scipy.stats import f

from fertkit.response import fit_response
from fertkit.response.region import Region, gain_sets, optimum_sets

MESH = 4000
CURVES = ["linear_plateau", "quadratic_plateau", "mitscherlich", "spherical"]
RATES = {"from zero": [0.0, 40, 80, 120, 160], "from 30": [30.0, 60, 100, 150], "uneven": [0.0, 20, 90, 200]}
TRUTHS = {
    "bent": lambda x: 5 + 0.03 * np.minimum(x, 100),
    "straight": lambda x: 5 + 0.012 * x,
    "step": lambda x: 5 + 2.0 * (x > x.min()),
    "flat": lambda x: 6 + 0.0 * x,
    "falling": lambda x: 7 - 0.008 * x,
}


def rise(curve, x, scale):
    """Rise over rates x (m,) of curves whose join, range or 1/k is `scale` (K,); slope 1 at its start."""
    x, scale = np.atleast_1d(x)[None, :], scale[:, None]
    if curve == "mitscherlich":
        return scale * -np.expm1(-x / scale)
    x = np.minimum(x, scale)
    return {
        "linear_plateau": x,
        "quadratic_plateau": x - x**2 / (2 * scale),
        "spherical": x - x**3 / (3 * scale**2),
    }[curve]


def distance(curve, slope, scale, ratio):
    """Rate, from the start, at which the slope of the curve has fallen to the price ratio."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = ratio / slope
        way = {
            "linear_plateau": lambda: scale,
            "quadratic_plateau": lambda: scale * (1 - share),
            "mitscherlich": lambda: -scale * np.log(share),
            "spherical": lambda: scale * np.sqrt(1 - share),
        }[curve]()
    return np.where(slope > ratio, way, 0.0)


class Mesh:
    """The region of one trial: scales (K,), least and greatest slope of each (K,), in it or not (K,)."""

    def __init__(self, curve, x, y, block, level):
        self.curve, self.start = curve, 0.0 if curve == "spherical" else x.min()
        self.top = x.max() - self.start
        low = x.min() - self.start + 1e-5 * self.top  # the lowest rate must lie on the rise
        # As many scales below the highest rate as above, where curves end up straight.
        beyond = [1 / np.linspace(1, 1e-3, MESH), np.geomspace(1e3, 1e6, 500)]
        self.scale = np.concatenate([np.linspace(low, self.top, MESH), *(self.top * v for v in beyond)])
        self.sweep = np.equal.outer(block, np.unique(block)).astype(float)
        self.sweep = np.eye(len(x)) - self.sweep @ np.linalg.pinv(self.sweep)
        self.up = rise(curve, x - self.start, self.scale) @ self.sweep
        rest = self.sweep @ y
        size = (self.up**2).sum(axis=1)
        best = self.up @ rest / size
        rss = (rest @ rest) - best**2 * size
        df = len(x) - 2 - len(np.unique(block))
        slack = rss.min() * (1 + f.ppf(level, 1, df) / df) - rss
        self.inside = slack >= 0
        half = np.sqrt(np.maximum(slack, 0) / size)
        self.slopes = np.stack([best - half, best + half])
        self.slack, self.size, self.best = slack, size, best

    def ends(self, values):
        values = values[..., self.inside]
        return values.min(), values.max()


def trial_of(rates, truth, seed, sd=0.5, blocks=3):
    rng = np.random.default_rng(seed)
    x = np.tile(RATES[rates], blocks)
    block = np.repeat(np.arange(blocks), len(RATES[rates]))
    return x, TRUTHS[truth](x) + 0.3 * block + rng.normal(0, sd, len(x)), block


@pytest.fixture(scope="module", params=[(r, t, s) for s, r in enumerate(RATES) for t in TRUTHS], ids=str)
def trial(request):
    return trial_of(*request.param)


def near(found, wanted, span):
    """Ends within a thousandth of the span, or open together."""
    for got, want in zip(found, wanted, strict=True):
        got = float(got[0, 0])
        if got > 100 * span:
            assert want > 100 * span
        else:
            assert got == pytest.approx(want, abs=2e-3 * span)


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("level", [0.5, 0.95])
def test_optima_of_the_region(trial, make_trial, curve, level):
    x, y, block = trial
    fit = fit_response(make_trial(x, y, block), curve)
    mesh = Mesh(curve, x, y, block, level)
    for ratio in (0.004, 0.012):
        found = optimum_sets(curve, fit.fits, fit.data.sums, ratio, level)
        wanted = mesh.ends(mesh.start + distance(curve, mesh.slopes, mesh.scale, ratio))
        near([np.maximum(end, x.min()) for end in found], np.maximum(wanted, x.min()), mesh.top)


@pytest.mark.parametrize("curve", CURVES)
def test_gains_of_the_region(trial, make_trial, curve):
    x, y, block = trial
    fit = fit_response(make_trial(x, y, block), curve)
    mesh = Mesh(curve, x, y, block, 0.9)
    for rate in np.linspace(x.min(), x.max(), 5)[1:]:
        found = gain_sets(curve, fit.fits, fit.data.sums, rate, 0.9)
        over = rise(curve, np.array([x.min(), rate]) - mesh.start, mesh.scale)
        near(found, mesh.ends(mesh.slopes * (over[:, 1] - over[:, 0])), np.ptp(y))


@pytest.mark.parametrize("curve", CURVES)
def test_plateaus_of_the_region(trial, make_trial, curve):
    """A contrast of block levels and slope: least squares on the whole design, curve by curve."""
    x, y, block = trial
    fit = fit_response(make_trial(x, y, block), curve)
    mesh = Mesh(curve, x, y, block, 0.9)
    level = np.equal.outer(block, np.unique(block)).astype(float)
    scale = mesh.scale[mesh.inside]
    # below the second limit all rates lie on the plateau, beyond the first it is open
    judged = (scale >= 1.01 * (x.min() - mesh.start)) & ((curve == "mitscherlich") | (scale <= mesh.top))
    if not judged.any():
        return
    scale, slack = scale[judged], np.maximum(mesh.slack[mesh.inside][judged], 0)
    column = rise(curve, x - mesh.start, scale)
    design = np.dstack([np.broadcast_to(level, (len(scale), *level.shape)), column])
    inverse = np.linalg.inv(design.transpose(0, 2, 1) @ design)
    height = rise(curve, np.array([1e12]), scale)
    contrast = np.hstack([np.full((len(scale), level.shape[1]), 1 / level.shape[1]), height])
    at = np.einsum("kp,kpq,knq,n->k", contrast, inverse, design, y, optimize=True)
    half = np.sqrt(slack * np.einsum("kp,kpq,kq->k", contrast, inverse, contrast))
    region = Region(curve, fit.fits, fit.data.sums, 0.9)
    low, high = (float(v[0, 0, 0]) for v in region.plateau())
    if float(region.low[0, 0, 0]) * mesh.top >= 1 or curve == "mitscherlich":
        assert low == pytest.approx((at - half).min(), abs=2e-3 * np.ptp(y))
        assert high == pytest.approx((at + half).max(), abs=2e-3 * np.ptp(y)) or high > 100 * y.max()


def test_ends_that_are_reached_stay_while_others_are_searched(make_trial):
    """Invented trial in which one level of many once left its bracket, where a root is none: a warning."""
    yields = [
        [5.4231, 6.9927, 7.4471, 7.8937, 8.801, 9.568, 4.7917, 7.3509, 7.9011, 8.1496, 8.9346, 8.8971],
        [5.4506, 7.0264, 7.6956, 8.1797, 8.5358, 8.9702, 5.5721, 5.9714, 8.1206, 8.4219, 9.0549, 9.3877],
    ]
    x, block = np.tile(np.arange(6) * 40.0, 4), np.repeat(range(4), 6)
    levels = [0.999, 0.996, 0.99, 0.98, 0.966, 0.95, 0.93, 0.9, 0.84, 0.75, 0.6, 0.4, 0.1]
    fit = fit_response(make_trial(x, np.ravel(yields), block), "spherical")
    together = Region("spherical", fit.fits, fit.data.sums, levels).ends
    alone = [Region("spherical", fit.fits, fit.data.sums, level).ends[0, 0, 0] for level in levels]
    assert together[0, 0] == pytest.approx(np.array(alone), rel=1e-9)
