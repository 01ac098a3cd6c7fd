"""What a trial says about its rates, boiled down to sums per rate.

With block effects swept out, every response curve depends on the yields only through the adjusted mean of
each rate and the within-rate sum of squares (`Sums`). The residual sum of squares of any curve with rise
``r`` over the rates is then ``pure_ss + (means - r)' spread (means - r)``: the curve's lack of fit on top
of the pure error. Trials and bootstrap replicates are leading axes, so one trial is many trials with one.
"""

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from fertkit.response.curves import finite
from fertkit.trials.linear import contrasts_within


@dataclass(frozen=True)
class Sums:
    """Per-rate sums of D designs with R replicates each, padded to m rates.

    Attributes
    ----------
    rates : array (D, m)
        Distinct rates, ascending; padding repeats the highest rate with no weight [rate unit].
    spread : array (D, m, m)
        ``X'WX - X'WZ(Z'WZ)^-1 Z'WX``: information on the rates after sweeping out blocks Z.
    means : array (D, R, m)
        Adjusted rate means, centred so that ``share @ means = 0`` [yield unit].
    level : array (D, R)
        Yield of the average block at the centre [yield unit].
    share : array (D, m)
        Weight of each rate in that centre.
    pure_ss : array (D, R)
        Sum of squares within rates and blocks, which no curve of the rate can explain.
    n, n_rates, n_blocks : array (D,) of int
        Rows, distinct rates, and block effects (1 without blocks, 0 through the origin).
    pure_df : array (D,) of int
        Degrees of freedom of `pure_ss`.
    level_var : array (D,)
        Variance of `level` per unit error variance; it is independent of `means`.
    """

    rates: np.ndarray
    spread: np.ndarray
    means: np.ndarray
    level: np.ndarray
    share: np.ndarray
    pure_ss: np.ndarray
    n: np.ndarray
    n_rates: np.ndarray
    n_blocks: np.ndarray
    pure_df: np.ndarray
    level_var: np.ndarray

    @property
    def lowest(self):
        """Lowest rate of each design (D,)."""
        return self.rates[:, 0]

    @property
    def highest(self):
        """Highest rate of each design (D,)."""
        return self.rates[:, -1]

    @cached_property
    def largest(self):
        """Size of the largest rate mean (D, R) [yield unit]."""
        return np.abs(self.means + self.level[..., None]).max(axis=-1)

    def total_ss(self):
        """Residual sum of squares of the mean (or of zero, through the origin), shape (D, R)."""
        return self.pure_ss + quadratic_form(self.means, self.spread)

    def df_error(self, n_params: int):
        """Error degrees of freedom of a curve with `n_params` published parameters, shape (D,).

        The level counts once per block, and not at all through the origin.
        """
        return self.n - (n_params - 1) - self.n_blocks

    def take(self, designs) -> "Sums":
        """The designs of a slice."""
        return replace(self, **{f: getattr(self, f)[designs] for f in self.__dataclass_fields__})

    def replicates(self, rows) -> "Sums":
        """The replicates of a slice or an index."""
        return replace(self, **{f: getattr(self, f)[:, rows] for f in ("means", "level", "pure_ss")})


@dataclass(frozen=True)
class Sweep:
    """The linear map from the yields of one design to its `Sums`, made once and used for every replicate.

    Attributes
    ----------
    code, block : array (n,) of int
        Index of each row's rate and block.
    weight : array (n,)
    rates, share : array (m,)
    spread, inverse : array (m, m)
        Information on the rates and its pseudo-inverse.
    n_rates, n_blocks, pure_df : int
    level_var : float
    """

    code: np.ndarray
    block: np.ndarray
    weight: np.ndarray
    rates: np.ndarray
    share: np.ndarray
    spread: np.ndarray
    inverse: np.ndarray
    n_rates: int
    n_blocks: int
    pure_df: int
    level_var: float

    def sums(self, y) -> Sums:
        """Boil down yields of shape (R, n), all finite and under this design."""
        y = np.atleast_2d(finite(y, "yields"))
        base = y[:, :1] if self.n_blocks else np.zeros((len(y), 1))
        y = y - base  # constant yields then give exact zeros
        adjusted, block_mean = self._adjust(y)
        centre = adjusted @ self.share
        rest = y - adjusted[:, self.code] - block_mean[:, self.block]
        level = centre + block_mean.mean(axis=1) + base[:, 0]
        counts = (y.shape[1], self.n_rates, self.n_blocks, self.pure_df, self.level_var)
        return Sums(
            self.rates[None], self.spread[None], (adjusted - centre[:, None])[None], level[None],
            self.share[None], (rest * rest @ self.weight)[None], *(np.array([c]) for c in counts),
        )  # fmt: skip

    @cached_property
    def contrasts(self) -> int:
        """Independent contrasts among the rates that the blocks leave."""
        left = len(self.code) - self.n_blocks - self.pure_df
        return min(left, contrasts_within(self.rates[self.code], self.block)) if self.n_blocks > 1 else left

    @cached_property
    def _to_means(self):
        """Map (n, m) from yields to adjusted rate means."""
        in_rate = _indicator(self.code, len(self.rates)) * self.weight[:, None]
        if self.n_blocks <= 1:
            total = in_rate.sum(axis=0)
            return in_rate / np.where(total > 0, total, 1.0)
        block = _indicator(self.block, self.n_blocks)
        return (in_rate - self._to_blocks @ (block.T @ in_rate)) @ self.inverse

    @cached_property
    def _to_blocks(self):
        """Map (n, blocks) from yields to block means."""
        in_block = _indicator(self.block, max(self.n_blocks, 1)) * self.weight[:, None]
        return in_block / in_block.sum(axis=0)

    def _adjust(self, y):
        """Adjusted rate means (R, m) and block means of what they leave (R, blocks)."""
        adjusted = y @ self._to_means
        if self.n_blocks <= 1:
            return adjusted, np.zeros((len(y), 1))
        return adjusted, (y - adjusted[:, self.code]) @ self._to_blocks


def make_sweep(x, block=None, weight=None, through_origin: bool = False) -> Sweep:
    """Prepare the sweep of one design.

    Parameters
    ----------
    x : array (n,)
        Rate of each row [rate unit].
    block : array (n,), optional
        Block or site label of each row.
    weight : array (n,), optional
        Weight of each row (replicates behind a mean).
    through_origin : bool
        Fit no intercept.
    """
    x = np.asarray(x, float)
    weight = np.ones(len(x)) if weight is None else np.asarray(weight, float)
    one = block is None or through_origin  # a curve through the origin has no level, of blocks neither
    block = np.zeros(len(x), int) if one else np.unique(np.asarray(block), return_inverse=True)[1]
    return _sweep_of(x.tobytes(), block.tobytes(), weight.tobytes(), through_origin)


@lru_cache(maxsize=256)
def _sweep_of(x, block, weight, through_origin) -> Sweep:
    """The sweep of arrays told as bytes: many trials share a design."""
    x, weight, block = np.frombuffer(x), np.frombuffer(weight), np.frombuffer(block, int)
    n = len(x)
    rates, code = np.unique(x, return_inverse=True)
    if (
        through_origin and rates[0] > 0
    ):  # the origin is a rate every curve must pass, with no weight of its own
        rates, code = np.insert(rates, 0, 0.0), code + 1
    m, n_blocks = len(rates), 0 if through_origin else int(block.max()) + 1
    per_rate = np.bincount(code, weight, m)
    if through_origin:
        spread, share, level_var = np.diag(per_rate), np.zeros(m), 0.0
    else:
        cells = np.zeros((n_blocks, m))
        np.add.at(cells, (block, code), weight)
        per_block = cells.sum(axis=1, keepdims=True)
        spread = np.diag(per_rate) - cells.T @ (cells / per_block)
        share, level_var = (cells / per_block).mean(axis=0), float((1 / per_block).sum() / n_blocks**2)
    inverse = np.linalg.pinv(spread, rcond=1e-11, hermitian=True)
    pure_df = n - n_blocks - int(np.linalg.matrix_rank(spread, tol=1e-11 * per_rate.max(), hermitian=True))
    tested = int((per_rate > 0).sum())
    return Sweep(
        code, block, weight, rates, share, spread, inverse, tested, n_blocks, pure_df, level_var
    )  # fmt: skip


def stack(parts: list[Sums]) -> Sums:
    """Put designs side by side, the shorter ones padded with weightless copies of their top rate."""
    m = max(p.rates.shape[1] for p in parts)
    joined = {
        f: np.concatenate([_pad(f, getattr(p, f), m) for p in parts]) for f in Sums.__dataclass_fields__
    }
    return Sums(**joined)


def quadratic_form(v, matrix):
    """``v' M v`` over the last axis, for v of shape (D, R, m) and M of shape (D, m, m)."""
    return np.einsum("drm,drm->dr", v @ matrix, v)


def _indicator(code, size):
    return (code[:, None] == np.arange(size)).astype(float)


def _pad(name, values, m):
    extra = m - values.shape[-1]
    if name not in ("rates", "spread", "means", "share") or not extra:
        return values
    if name == "rates":
        return np.pad(values, ((0, 0), (0, extra)), mode="edge")
    return np.pad(
        values, [(0, 0)] + [(0, extra if name == "spread" else 0)] * (values.ndim - 2) + [(0, extra)]
    )
