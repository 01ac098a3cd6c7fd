"""The search for a mixed model of curves (`mixed_curve`) of greatest likelihood, and its covariance."""

from dataclasses import dataclass

import numpy as np

from fertkit.errors import NotEstimable
from fertkit.response.mixed_curve import AtNodes, Effects, Nodes, SiteData, centred, evaluate
from fertkit.results import ByContent

NODES = 7  # of a smooth curve
NODES_AT_A_JOIN = 21  # of one with a kink: its likelihood has kinks too
_ROUGH = 5  # of the first steps
_ROUNDS = 12
_NONE = 1e-3  # a standard deviation below this share of the error's (of a shape, below this) is none


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
