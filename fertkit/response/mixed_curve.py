"""Nonlinear mixed models of many sites: y = columns(x; shape) b + e, with b and the shape random by site.

The columns enter linearly, so that for a given shape of a site its linear effects, random or not, are
integrated exactly; what is left is one integral a site over its shape, by Gauss-Hermite quadrature about the
shape's own mean given the data, with as many nodes as asked (adaptive; Pinheiro & Bates 1995, J. Comput.
Graph. Stat. 4:12-35, from memory). All sites and nodes are worked at once; the gradient is that of the
likelihood (Fisher's identity), not of differences.

The effects of a site are ``shape = mean + tau z`` and ``linear = mean + lambda z + sigma L w`` with z, w
standard normal: any covariance can be met, and none that is impossible.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np

from fertkit.errors import NotEstimable
from fertkit.results import ByContent

NODES = 7  # of a smooth curve
NODES_AT_A_JOIN = 21  # of one with a kink: its likelihood has kinks too
_ROUGH = 5  # of the first steps
_GRID = np.linspace(-5.0, 5.0, 61)  # where the shape of each site is looked for first
_ROUNDS = 12
_STEP = 1e-5  # of the derivative of the columns in a shape
_NONE = 1e-3  # a standard deviation below this share of the error's (of a shape, below this) is none


@dataclass(frozen=True, eq=False)
class SiteData(ByContent):
    """What the sites say: whitened means of rates, so that their errors are independent and of one variance.

    Attributes
    ----------
    rates : (S, m) array
        Padded with weightless rates.
    root : (S, m) or (S, m, m) array
        Square root of the weights of the rate means, diagonal or full.
    y : (S, m) array
        Whitened means.
    pure_ss, n : (S,) arrays
        Squares that no curve explains, and observations less the block effects swept out.
    """

    rates: np.ndarray
    root: np.ndarray
    y: np.ndarray
    pure_ss: np.ndarray
    n: np.ndarray

    @classmethod
    def of_sums(cls, sums) -> "SiteData":
        """From one replicate of `fertkit.response.sums.Sums` a site."""
        weight = sums.spread + sums.share[:, :, None] * sums.share[:, None, :] / sums.level_var[:, None, None]
        means = sums.means[:, 0] + sums.level
        diagonal = np.einsum("smm->sm", weight)
        if np.abs(weight - diagonal[:, None] * np.eye(weight.shape[1])).max() < 1e-9 * diagonal.max():
            root = np.sqrt(diagonal)
            y = root * means
        else:
            values, vectors = np.linalg.eigh(weight)
            root = np.sqrt(np.maximum(values, 0))[..., None] * np.swapaxes(vectors, 1, 2)
            y = np.einsum("sij,sj->si", root, means)
        return cls(sums.rates, root, y, sums.pure_ss[:, 0], sums.n - np.maximum(sums.n_blocks - 1, 0))

    @cached_property
    def by_rate(self):
        """Rates and whitened means with the rates first, (m, S, 1)."""
        return self.rates.T[..., None], self.y.T[..., None]

    def whiten(self, column) -> np.ndarray:
        """Return a column at the rates, (m, S, K), in the scale of `y`."""
        if self.root.ndim == 2:
            return self.root.T[..., None] * column
        return np.einsum(
            "sij,jsk->isk", self.root, np.broadcast_to(column, (*self.y.T.shape, column.shape[-1]))
        )


@dataclass(frozen=True, eq=False)
class Effects(ByContent):
    """What a mixed model is of.

    Attributes
    ----------
    columns : callable (x, shapes) -> list of arrays
        One or more columns of the linear effects at rates x, for a list of shapes; all broadcast.
    designs : tuple of (S, k) arrays
        Site-level designs of the linear effects, then of the shapes: ones, and covariates beside them.
    n_shapes : int
    linear : tuple of int
        Which linear effects vary between sites, two at most.
    shape : int or None
        Which shape does.
    correlated : bool
        Whether the effects of a site are.
    """

    columns: Callable
    designs: tuple[np.ndarray, ...]
    n_shapes: int = 1
    linear: tuple[int, ...] = (0, 1)
    shape: int | None = 0
    correlated: bool = True

    @property
    def n_linear(self) -> int:
        return len(self.designs) - self.n_shapes

    @cached_property
    def slices(self) -> dict:
        """Places of the parameters in theta: means, factor (L), joint (lambda), tau, log_sigma."""
        r, shape = len(self.linear), self.shape is not None
        full = r * (r + 1) // 2 if self.correlated else r
        sizes = {"means": sum(d.shape[1] for d in self.designs), "factor": full,
                 "joint": r * shape * self.correlated, "tau": int(shape), "log_sigma": 1}  # fmt: skip
        ends = np.cumsum([0, *sizes.values()])
        return {name: slice(a, b) for name, a, b in zip(sizes, ends[:-1], ends[1:], strict=True)}

    @property
    def n_params(self) -> int:
        return self.slices["log_sigma"].stop

    @cached_property
    def places(self) -> list[tuple[int, int]]:
        """Row and column of L of each number of `factor`."""
        r = range(len(self.linear))
        return [(i, j) for i in r for j in r if j == i or (self.correlated and j < i)]

    def split(self, theta):
        """Means (S, p + q), L (p, r), lambda (p,), tau and sigma."""
        means, at = [], 0
        for design in self.designs:
            means.append(design @ theta[at : at + design.shape[1]])
            at += design.shape[1]
        factor, joint = np.zeros((self.n_linear, len(self.linear))), np.zeros(self.n_linear)
        for (i, j), value in zip(self.places, theta[self.slices["factor"]], strict=True):
            factor[self.linear[i], j] = value
        if (found := theta[self.slices["joint"]]).size:
            joint[list(self.linear)] = found
        tau = theta[self.slices["tau"]]
        return np.column_stack(means), factor, joint, tau[0] if tau.size else 0.0, np.exp(theta[-1])


@cache
def _hermite(k):
    return np.polynomial.hermite_e.hermegauss(k)


@dataclass(frozen=True, eq=False)
class Nodes(ByContent):
    """Where the shapes of the sites are tried: standard normal scores and the logarithm of their weights."""

    z: np.ndarray
    log_weight: np.ndarray

    @classmethod
    def about(cls, centre, spread, k) -> "Nodes":
        """Gauss-Hermite nodes about the centres (S,) with spreads (S,)."""
        x, w = _hermite(k)
        z = centre[:, None] + spread[:, None] * x
        log = np.log(w / w.sum()) + 0.5 * x * x + np.log(spread)[:, None] - 0.5 * z * z
        return cls(z, log)


@dataclass(frozen=True, eq=False)
class AtNodes(ByContent):
    """The model at its nodes.

    Attributes
    ----------
    log_likelihood : (S,) array
    share : (S, K) array
        Of each node, given the data of the site.
    linear, shapes : (S, K, p), (S, K, q) arrays
        Effects of the site at the node: linear ones as predicted there, and shapes.
    scores : (S, k) array or None
        Slopes of the log-likelihood of each site in theta.
    """

    log_likelihood: np.ndarray
    share: np.ndarray
    linear: np.ndarray
    shapes: np.ndarray
    scores: np.ndarray | None

    @property
    def gradient(self) -> np.ndarray:
        """Slope of the whole log-likelihood."""
        return self.scores.sum(axis=0)


def evaluate(data: SiteData, effects: Effects, theta, nodes: Nodes, slopes: bool = True) -> AtNodes:
    """Log-likelihood of each site at the nodes, with its gradient in theta."""
    means, factor, joint, tau, sigma = effects.split(theta)
    p, z, x = effects.n_linear, nodes.z, data.by_rate[0]
    linear = [means[:, j, None] + joint[j] * z for j in range(p)]
    shapes = [means[:, p + i, None] + tau * z * (i == effects.shape) for i in range(effects.n_shapes)]
    columns = [data.whiten(column) for column in effects.columns(x, shapes)]
    rest = data.by_rate[1] - _sum(columns, linear)
    gram = [[_dot(a, b) for b in columns[: j + 1]] for j, a in enumerate(columns)]
    gram = [[gram[max(i, j)][min(i, j)] for j in range(p)] for i in range(p)]
    # Given its shape a site's linear effects are `linear + factor h`; back is A^-1 L' of A = 1 + L' gram L.
    back, log_det = _solve(gram, factor)
    along = [_dot(column, rest) for column in columns]
    h = [_sum(row, along) for row in back]
    away = [_sum(row, h) for row in factor]
    left = rest - _sum(columns, away) if h else rest
    quad = _dot(left, left) + _sum(h, h) + data.pure_ss[:, None]
    n = data.n[:, None]
    log_density = -0.5 * (n * np.log(2 * np.pi) + 2 * n * theta[-1] + quad / sigma**2 + log_det)
    total = log_density + nodes.log_weight
    top = total.max(axis=1, keepdims=True)
    share = np.exp(total - top)
    size = share.sum(axis=1, keepdims=True)
    share /= size
    own = [m + d for m, d in zip(linear, away, strict=True)]
    at = AtNodes((top + np.log(size))[:, 0], share, np.stack(np.broadcast_arrays(*own), -1),
                 np.stack(np.broadcast_arrays(*shapes, z)[:-1] or [z], -1), None)  # fmt: skip
    if not slopes:
        return at
    pull = [
        (along[j] - _sum(gram[j], away)) / sigma**2 for j in range(p)
    ]  # by the mean of each linear effect
    bend = [_by_shape(data, effects, i, shapes, columns, own, left / sigma**2, factor, back)
            for i in range(effects.n_shapes)]  # fmt: skip
    mean = lambda v: (share * v).sum(axis=1)  # noqa: E731
    parts = [design * mean(v)[:, None] for design, v in zip(effects.designs, (*pull, *bend), strict=True)]
    own = []
    for i, a in effects.places:
        j = effects.linear[i]
        own.append(pull[j] * h[a] - _sum(gram[j], back[a]))
    if effects.shape is not None:
        own += [pull[j] * z for j in effects.linear] if effects.correlated else []
        own.append(bend[effects.shape] * z)
    own.append(quad / sigma**2 - n)
    return replace(at, scores=np.column_stack([*parts, *map(mean, own)]))


def _by_shape(data, effects, i, shapes, columns, own, pull, factor, back):
    """Slope of the log density in one of the shapes."""
    ends = [effects.columns(data.by_rate[0], [s + step * (k == i) for k, s in enumerate(shapes)])
            for step in (_STEP, -_STEP)]  # fmt: skip
    value = 0.0
    for j, (high, low) in enumerate(zip(*ends, strict=True)):
        change = (high - low) / (2 * _STEP)
        if not change.any():
            continue
        change = data.whiten(change)
        value = value + own[j] * _dot(change, pull)
        inner = [_sum(factor[j], [row[k] for row in back]) for k in range(len(columns))]  # of L A^-1 L'
        value = value - sum(
            m * _dot(c, change) for m, c in zip(inner, columns, strict=True) if len(factor[j])
        )
    return value


def _dot(a, b):
    """Products over the rates, (S, K)."""
    return np.einsum("msk,msk->sk", a, b)


def _sum(values, weights):
    return sum(v * w for v, w in zip(values, weights, strict=True))


def _solve(gram, factor):
    """A^-1 L' and log |A| of A = 1 + L' G L, L (p, r) with r up to two, at each site and node."""
    r = range(factor.shape[1])
    gl = [[_sum(row, factor[:, a]) for a in r] for row in gram]
    a = [[_sum(factor[:, i], [row[j] for row in gl]) + (i == j) for j in r] for i in r]
    if not a:
        return [], 0.0
    if len(a) == 1:
        return [[f / a[0][0] for f in factor[:, 0]]], np.log(a[0][0])
    det = a[0][0] * a[1][1] - a[0][1] ** 2
    inverse = [[a[1][1] / det, -a[0][1] / det], [-a[0][1] / det, a[0][0] / det]]
    return [[_sum(row, f) for f in factor] for row in inverse], np.log(det)


def centred(data, effects, theta, k: int, near: Nodes | None = None) -> Nodes:
    """Nodes about the mean of each site's shape given its data, with its standard deviation."""
    sites = len(data.n)
    if effects.shape is None:
        return Nodes(np.zeros((sites, 1)), np.zeros((sites, 1)))
    wide = np.broadcast_to(_GRID, (sites, len(_GRID)))
    nodes, floor = near or Nodes(wide, -0.5 * wide**2), (_GRID[1] - _GRID[0]) / 2
    for _ in range(2 if near else 4):
        share = evaluate(data, effects, theta, nodes, slopes=False).share
        centre = (share * nodes.z).sum(axis=1)
        spread = np.sqrt((share * (nodes.z - centre[:, None]) ** 2).sum(axis=1))
        floor = floor / 4 if nodes.z.shape[1] == k else floor
        nodes = Nodes.about(centre, np.maximum(spread, floor), k)
    return nodes


@dataclass(frozen=True, eq=False)
class MixedFit(ByContent):
    """A fitted mixed model.

    Attributes
    ----------
    theta, covariance : (k,), (k, k) arrays
        All parameters; those at their bound of zero vary with none.
    at_bound : (k,) bool array
    log_likelihood : float
    at : AtNodes
    nodes : Nodes
    data : SiteData
    effects : Effects
    """

    theta: np.ndarray
    covariance: np.ndarray
    at_bound: np.ndarray
    log_likelihood: float
    at: AtNodes
    nodes: Nodes
    data: SiteData
    effects: Effects

    @property
    def n_params(self) -> int:
        return len(self.theta)

    @property
    def spread(self) -> np.ndarray:
        """Covariance (p + 1, p + 1) of the effects of a site: the linear ones and the shape that varies."""
        _, factor, joint, tau, sigma = self.effects.split(self.theta)
        wide = np.block(
            [[sigma * factor, joint[:, None]], [np.zeros((1, factor.shape[1])), np.array([[tau]])]]
        )
        return wide @ wide.T

    @property
    def sigma(self) -> float:
        return float(np.exp(self.theta[-1]))


def fit_mixed(data: SiteData, effects: Effects, shapes, kinked: bool = False) -> MixedFit:
    """Fit by maximum likelihood.

    Parameters
    ----------
    data : SiteData
    effects : Effects
    shapes : sequence of float
        Starting values of the shapes, in a scale where a step of 0.1 is small and one of 3 is large.
    kinked : bool
        Whether the columns have a kink in the rate: more nodes, and slopes over longer steps.

    Raises
    ------
    NotEstimable
        If no start leads to a likelihood.
    """
    nodes = NODES_AT_A_JOIN if kinked else NODES
    starts = sorted(_starts(data, effects, shapes), key=lambda t: -_value(data, effects, t, _ROUGH))
    best = _climb(data, effects, starts[0], _ROUGH, 25, 1e-1, 1)
    theta, height = _climb(data, effects, best[0], nodes, 300, 1e-3, _ROUNDS)
    zero = _at_zero(effects, theta, _scales(data, effects, theta))
    if zero.any():  # zero is a saddle by symmetry: step off it and see
        off = np.where(zero, 3 * _scales(data, effects, theta), theta)
        other = _climb(data, effects, off, nodes, 300, 1e-4, _ROUNDS)
        theta, height = max((theta, height), other, key=lambda found: found[1])
    if not np.isfinite(height):
        raise NotEstimable("no curve with site effects can be fitted to these sites")
    theta = _positive(effects, theta)
    at = centred(data, effects, theta, nodes)
    end = evaluate(data, effects, theta, at)
    covariance, bound = _covariance(data, effects, theta, at, 0.7 if kinked else 0.03)
    return MixedFit(theta, covariance, bound, float(end.log_likelihood.sum()), end, at, data, effects)


def _climb(data, effects, theta, nodes, steps, within, rounds):
    """Search the likelihood uphill with nodes that stand still, set them anew, and so on: theta, height."""
    from scipy.optimize import minimize

    last, at = -np.inf, None
    for _ in range(rounds):
        at, scale = centred(data, effects, theta, nodes, at), _scales(data, effects, theta)

        def loss(u, at=at, scale=scale):
            found = evaluate(data, effects, u * scale, at)
            value = found.log_likelihood.sum()
            good = np.isfinite(value) and np.isfinite(found.gradient).all()
            return (-value, -found.gradient * scale) if good else (np.inf, np.zeros(len(u)))

        with np.errstate(all="ignore"):  # shapes far off may overflow; they lose
            found = minimize(
                loss, theta / scale, jac=True, method="BFGS", options={"gtol": within, "maxiter": steps}
            )
        theta, height = found.x * scale, -found.fun
        if height - last < 1e-4:
            break
        last = height
    return theta, height


def _value(data, effects, theta, nodes):
    value = evaluate(data, effects, theta, centred(data, effects, theta, nodes), slopes=False)
    value = value.log_likelihood.sum()
    return value if np.isfinite(value) else -np.inf


def _starts(data, effects, shapes):
    """Starting values: least squares site by site at the shapes given, a step up and a step down."""
    q = effects.n_shapes
    # A small and a wide spread of the shape: either may be a trap.
    moves = [(move, tau) for move in (0.0, -0.4, 0.4) for tau in (0.05, 0.25)]
    for move, tau in moves if effects.shape is not None else [(0.0, 0.0)]:
        at = np.array(shapes, float)
        if effects.shape is not None:
            at[effects.shape] += move
        columns = _columns(data, effects, [np.full((len(data.n), 1), s) for s in at])
        own = (np.linalg.pinv(columns, rcond=1e-6) @ data.y[..., None])[..., 0]
        rest = data.y - (columns @ own[..., None])[..., 0]
        free = max(data.n.sum() - own.size, 0.2 * data.n.sum())
        sigma = np.sqrt(((rest**2).sum() + data.pure_ss.sum()) / free)
        sigma = max(sigma, 1e-6 * np.abs(data.y).max())
        means = [np.linalg.lstsq(d, v, rcond=None)[0] for d, v in zip(effects.designs, own.T, strict=False)]
        for s, design in zip(at, effects.designs[-q:] if q else (), strict=True):
            means.append(np.linalg.lstsq(design, np.full(len(design), s), rcond=None)[0])
        middle = np.median(own, axis=0)
        spread = 1.4826 * np.median(np.abs(own - middle), axis=0) / sigma
        spread = np.maximum(spread, 0.1 / np.sqrt((columns**2).sum(axis=1).mean(axis=0)))
        factor = [0.7 * spread[effects.linear[i]] * (i == j) for i, j in effects.places]
        shape = [] if effects.shape is None else [tau]
        joint = [0.0] * (effects.slices["joint"].stop - effects.slices["joint"].start)
        yield np.concatenate([*means, factor, joint, shape, [np.log(sigma)]])


def _columns(data, effects, shapes):
    """Whitened columns (S, m, p) of one shape (S, 1) a site."""
    columns = [data.whiten(c) for c in effects.columns(data.by_rate[0], shapes)]
    return np.moveaxis(np.stack(np.broadcast_arrays(*columns), -1)[:, :, 0], 0, 1)


def _scales(data, effects, theta):
    """Sizes of the parameters, about their standard errors, so that a step of the search suits them all."""
    means, _, _, _, sigma = effects.split(theta)
    p, scale = effects.n_linear, []
    columns = _columns(data, effects, [means[:, p + i, None] for i in range(effects.n_shapes)])
    sizes = np.sqrt((columns**2).sum(axis=1).mean(axis=0))
    for i, design in enumerate(effects.designs):
        unit = sigma / sizes[i] if i < p else 0.1
        scale += [unit / max(np.sqrt(np.mean(column**2)), 1e-12) for column in design.T]
    scale += [1 / sizes[effects.linear[i]] for i, _ in effects.places]
    if effects.slices["joint"].stop > effects.slices["joint"].start:
        scale += [sigma / sizes[j] for j in effects.linear]
    scale += [0.1] * (effects.shape is not None)
    return np.array([*scale, 0.1])


def _positive(effects, theta):
    """Turn the signs of the factors so that standard deviations are positive."""
    theta = theta.copy()
    factor, joint, tau = (effects.slices[name] for name in ("factor", "joint", "tau"))
    for j in range(len(effects.linear)):
        own = [k for k, place in enumerate(effects.places) if place[1] == j]
        if theta[factor][own[0]] < 0:
            theta[factor.start + np.array(own)] *= -1
    if effects.shape is not None and theta[tau][0] < 0:
        theta[tau] *= -1
        theta[joint] *= -1
    return theta


def _at_zero(effects, theta, scale):
    """Which standard deviations are zero but for rounding."""
    zero = np.zeros(len(theta), bool)
    diagonal = [effects.slices["factor"].start + k for k, (i, j) in enumerate(effects.places) if i == j]
    own = np.r_[diagonal, np.arange(len(theta))[effects.slices["tau"]]].astype(int)
    zero[own] = np.abs(theta[own]) < _NONE * scale[own] * 30
    return zero


def _covariance(data, effects, theta, nodes, step):
    """Inverse of the observed information; parameters at zero are taken as known."""
    scale = _scales(data, effects, theta)
    bound = _at_zero(effects, theta, scale)
    free = np.flatnonzero(~bound)
    step = step * scale

    def slope(k, sign):
        moved = theta.copy()
        moved[k] += sign * step[k]
        return evaluate(data, effects, moved, nodes).gradient[free]

    information = -np.array([(slope(k, 1) - slope(k, -1)) / (2 * step[k]) for k in free])
    information = 0.5 * (information + information.T) * np.outer(scale[free], scale[free])
    values, vectors = np.linalg.eigh(information)
    # A kink may leave no bend to measure: there the scores of the sites tell how much they know.
    scores = evaluate(data, effects, theta, nodes).scores[:, free] * scale[free] @ vectors
    values = np.where(values > 1e-3 * values[-1], values, (scores**2).sum(axis=0))
    values = np.maximum(values, 1e-8 * values.max())
    covariance = np.zeros((len(theta),) * 2)
    inner = (vectors / values) @ vectors.T
    covariance[np.ix_(free, free)] = inner * np.outer(scale[free], scale[free])
    return covariance, bound
