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

from fertkit.results import ByContent

_GRID = np.linspace(-5.0, 5.0, 61)  # where the shape of each site is looked for first
_STEP = 1e-5  # of the derivative of the columns in a shape


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
