"""The exact fits against a mesh of shapes: no curve of thousands leaves less than the one found.

Rises, sweeping of blocks and sums of squares are written out here; nothing of the kit but its answer is used.
"""

from itertools import pairwise

import numpy as np
import pytest

from fertkit.response.curves import CURVES
from fertkit.response.search import _at, _on_grid, fit_sums
from fertkit.response.sums import make_sweep

#: Rates, blocks, weights: ordinary trials, uneven ones, rates as measured by a spreader, means, years.
DESIGNS = {
    "five rates, blocks": ([0.0, 40, 80, 120, 160] * 3, np.repeat([0, 1, 2], 5), None),
    "eight rates": ([0.0, 10, 20, 70, 110, 160, 190, 230], None, None),
    "from 30, uneven, means": ([30.0, 45, 100, 180], None, [2.0, 4, 1, 3]),
    "blocks of other rates": ([20.0, 60, 100, 20, 100, 160, 60, 100, 160], [0] * 3 + [1] * 3 + [2] * 3, None),
    "two rates close together": ([30.0, 38.3, 38.6, 93] * 2, None, None),
    "three close, one far": ([0.0, 115, 116, 119, 1200] * 2, None, [1.0, 2, 1, 1, 3] * 2),
}  # fmt: skip


def rise(curve, x, scale):
    """Rise over rates x (n,) of curves whose join, range or 1/k is `scale` (K,); slope 1 at its start."""
    x, scale = x[None, :], scale[:, None]
    if curve == "mitscherlich":
        return scale * -np.expm1(-x / scale)
    x = np.minimum(x, scale)
    return {
        "linear_plateau": x,
        "quadratic_plateau": x - x**2 / (2 * scale),
        "spherical": x - x**3 / (3 * scale**2),
    }[curve]


def value(curve, x, params):
    """Yield of a curve by its published formula."""
    a, b, c = params
    if curve == "linear_plateau":
        return a + b * np.minimum(x, c)
    if curve == "mitscherlich":
        return a - b * np.exp(-c * x)
    if curve == "spherical":
        u = np.minimum(x / c, 1)
        return a + b * (1.5 * u - 0.5 * u**3)
    join = -b / (2 * c) if c else np.inf
    x = np.minimum(x, join)
    return a + b * x + c * x**2


def swept(block, weight, through_origin):
    """Map (n, n) from yields to rows weighted by roots, block means taken out."""
    root = np.sqrt(weight)
    if through_origin:
        return np.diag(root)
    z = np.equal.outer(block, np.unique(block)) * root[:, None]
    return (np.eye(len(root)) - z @ np.linalg.pinv(z)) @ np.diag(root)


def scales(curve, x):
    """A mesh of joins, ranges or 1/k: fine between the tested rates and on to straight lines."""
    x = np.unique(np.append(x, 0.0))[1:] if x.min() == 0 else np.unique(x)[1:]  # below, all fit alike
    inside = [np.linspace(a, b, 800) for a, b in pairwise(x)]
    if curve == "mitscherlich":
        return np.geomspace(np.diff(x, prepend=0).min() / 38, 9e5 * x[-1], 6000)
    beyond = [] if curve == "linear_plateau" else [x[-1] / np.linspace(1, 2e-3, 2000)]
    return np.concatenate([x[:1], *inside, *beyond])


def yields_of(x, block, seed, trials=60):
    """Noise alone, and rises of every kind with noise on top (trials, n)."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1, (trials, len(x)))
    top = x.max()
    bent = np.minimum(x / top, rng.uniform(0.02, 1.5, (trials, 1))) * rng.normal(3, 4, (trials, 1))
    return 6 + 0.4 * block + np.where(np.arange(trials)[:, None] % 2, noise, bent + 0.3 * noise)


@pytest.fixture(params=DESIGNS)
def design(request):
    x, block, weight = DESIGNS[request.param]
    x = np.array(x)
    block = np.zeros(len(x), int) if block is None else np.array(block)
    weight = np.ones(len(x)) if weight is None else np.array(weight)
    return x, block, weight


@pytest.mark.parametrize("through_origin", [False, True])
@pytest.mark.parametrize("curve", ["linear_plateau", "quadratic_plateau", "mitscherlich", "spherical"])
def test_no_curve_of_a_mesh_leaves_less(design, curve, through_origin):
    x, block, weight = design
    y = yields_of(x, block, 5)
    fits = fit_sums(curve, make_sweep(x, block, weight, through_origin).sums(y))
    sweep = swept(block, weight, through_origin)
    start = x.min() if curve != "spherical" and not through_origin else 0.0
    rows = y @ sweep.T
    total = (rows**2).sum(axis=1)
    up = (
        rise(curve, x - start, scales(curve, np.append(x - start, 0.0) if through_origin else x - start))
        @ sweep.T
    )
    size = (up**2).sum(axis=1)
    least = total - ((rows @ up.T) ** 2 / size).max(axis=1)
    assert (fits.rss[0] <= least + 1e-9 * total).all()
    assert (fits.rss[0] >= least - 1e-3 * total).all()  # and the mesh comes near it
    for k, params in enumerate(fits.params[0]):
        if not np.isfinite(params).all():
            continue  # a step far from zero; refused by `fit_response`
        rest = sweep @ (y[k] - value(curve, x, params))
        assert rest @ rest == pytest.approx(fits.rss[0, k], rel=1e-6, abs=1e-8 * total[k])
        if not through_origin:  # the level is that of the average block
            level = [np.average((y[k] - value(curve, x, params))[block == b], weights=weight[block == b])
                     for b in np.unique(block)]  # fmt: skip
            assert np.mean(level) == pytest.approx(0, abs=1e-7 * np.abs(params[:2]).max())


@pytest.mark.parametrize(
    ("curve", "yields"),
    [
        ("linear", lambda x: 5.137 + 0.0213 * x),
        ("quadratic", lambda x: 5.137 + 0.0213 * x - 7e-5 * x**2),
        ("square_root", lambda x: 5.137 + 0.213 * np.sqrt(x) - 0.0071 * x),
        ("linear_plateau", lambda x: 5.137 + 0.0213 * np.minimum(x, 101.3)),
    ],
)
def test_yields_on_the_curve_leave_no_more_than_rounding(curve, yields):
    """A residual of 1e-12 of the yield a plot is nought; blocks of unlike levels take nothing from that."""
    x, block = np.tile([20.0, 37, 91, 133, 171], 2), np.repeat([0, 1], 5)
    fits = fit_sums(curve, make_sweep(x, block).sums(yields(x) + 1.7 * block))
    assert fits.rss[0, 0] < len(x) * (1e-12 * 10) ** 2
    a, *rest = fits.params[0, 0]
    terms = {"square_root": [np.sqrt(x), x], "linear_plateau": None}.get(curve, [x, x**2])
    if terms:  # of the average block, 0.85 above the first
        found = a + sum(p * v for p, v in zip(rest, terms, strict=False))
        np.testing.assert_allclose(found, yields(x) + 0.85, rtol=1e-9)


@pytest.mark.parametrize("curve", ["quadratic_plateau", "mitscherlich", "spherical"])
def test_straight_lines_and_steps_are_taken_for_what_they_are(curve):
    """Whatever gains on them is rounding: the least and the greatest bend of the family stand for them."""
    x = np.array([0.0, 37, 91, 133, 171])
    sums = make_sweep(x).sums(np.array([5.137 + 0.0213 * x, 5.137 + 2.9 * (x > 0), 5.137 - 1.3 * (x > 0)]))
    line, *steps = fit_sums(curve, sums).bend[0]
    assert line * x[-1] <= 1e-5 if curve != "quadratic_plateau" else line == 0
    for step in steps:
        assert step * 37 == pytest.approx(40 if curve == "mitscherlich" else 1, rel=1e-9)


@pytest.mark.parametrize("curve", ["quadratic_plateau", "mitscherlich", "spherical"])
def test_derivatives_of_the_gain(curve):
    """Turning is n' size - n size' / 2, and slope its derivative: central differences."""
    x, spread = (
        np.array([[0.0, 40, 80, 120, 160]]),
        np.diag([2.0, 1, 3, 2, 2]) - np.outer([2, 1, 3, 2, 2], [0.2, 0.1, 0.3, 0.2, 0.2]),
    )
    pull = np.random.default_rng(1).normal(0, 1, (1, 3, 5)) @ spread
    shape = CURVES[curve].shape
    bend = 1 / np.array([55.0, 97, 101, 130])
    coord = shape.coord(bend)
    problem, none = (shape, x, spread[None], pull), np.zeros(4, int)
    for replicate in range(3):

        def parts(c):
            g = shape.rise(x, shape.uncoord(c)[:, None])
            return g @ pull[0, replicate], np.einsum("km,mn,kn->k", g, spread, g)  # noqa: B023

        step = 1e-5 * np.abs(coord)
        n, size = parts(coord)
        n1, size1 = (
            (v - w) / (2 * step) for v, w in zip(parts(coord + step), parts(coord - step), strict=True)
        )
        gain, turning, slope = _at(problem, none, none + replicate, coord)
        np.testing.assert_allclose(gain, n**2 / size, rtol=1e-10)
        scale = np.abs(n1 * size).max()
        np.testing.assert_allclose(turning, n1 * size - n * size1 / 2, atol=1e-6 * scale)
        ahead, behind = (_at(problem, none, none + replicate, coord + s)[1] for s in (step, -step))
        np.testing.assert_allclose(
            slope, (ahead - behind) / (2 * step), rtol=1e-4, atol=1e-6 * np.abs(slope).max()
        )
    root, turning, slope, size = _on_grid(shape, coord[None], x, spread[None], pull)
    for replicate in range(3):
        found = _at(problem, none, none + replicate, coord)
        wanted = root[0, replicate] ** 2, turning[0, replicate], slope[0, replicate]
        for a, b in zip(found, wanted, strict=True):
            np.testing.assert_allclose(a, b, rtol=1e-9)
