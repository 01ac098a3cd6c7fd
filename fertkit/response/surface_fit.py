"""Yield over the rates of two or three nutrients: exact fits of a surface, and the best of the tested rates.

A surface is of second degree in each nutrient's ``t``: the rate itself in the quadratic surface, its square
root in the other. It has the products of the nutrients, two by two and all three. A nutrient tested at two
rates has a straight line, for two rates show no curvature. Block effects are fitted beside it; the level is
that of the average block, each counted alike.

References
----------
Heady, Pesek & Brown (1955) Iowa Agric. Exp. Stn Res. Bull. 424;
Welch, Adams & Carmon (1963) Agron. J. 55:63-67.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.intake.strip_nutrients import independent
from fertkit.response.curves import get_curve
from fertkit.response.curves.linear import QUADRATIC, SQUARE_ROOT
from fertkit.response.data import UNIT_ENDINGS, unit_of
from fertkit.response.surface_form import MOST, Form
from fertkit.results import ByContent, counted
from fertkit.rounding import same
from fertkit.trials.residuals import Residuals, leverages, residual_frame
from fertkit.trials.strips import nested
from fertkit.trials.table import measured, read_trial

#: Power of the rate in which a surface is of second degree, by the curve it has in each nutrient.
POWERS = {QUADRATIC.key: 1.0, SQUARE_ROOT.key: 0.5}


@dataclass(frozen=True)
class SurfaceData(ByContent):
    """One trial of several nutrients, checked.

    Attributes
    ----------
    nutrients : tuple of str
    rates : array (n, k)
        [rate_units]
    yields : array (n,)
        [yield_unit]
    block : array (n,) of int
        Block, counted within sites and years; zeros without blocks.
    rate_units : tuple of str
    yield_unit : str
    crop : str
    left_out : int
        Rows without a yield.
    """

    nutrients: tuple[str, ...]
    rates: np.ndarray
    yields: np.ndarray
    block: np.ndarray
    rate_units: tuple[str, ...]
    yield_unit: str
    crop: str = ""
    left_out: int = 0

    @cached_property
    def levels(self) -> list[np.ndarray]:
        """Tested rates of each nutrient, ascending."""
        return [np.unique(column) for column in self.rates.T]

    @property
    def curved(self) -> np.ndarray:
        """Whether each nutrient was tested at rates enough for a curve [(k,) bool]."""
        return np.array([len(levels) > 2 for levels in self.levels])

    @property
    def low(self) -> np.ndarray:
        return self.rates.min(axis=0)

    @property
    def high(self) -> np.ndarray:
        return self.rates.max(axis=0)

    @cached_property
    def combination(self) -> np.ndarray:
        """Combination of rates of each row [(n,) int]."""
        return np.unique(self.rates, axis=0, return_inverse=True)[1].ravel()

    def without(self, rows) -> "SurfaceData":
        """The same trial without some of its rows [indices]; a block may go with them."""
        kept = np.setdiff1d(np.arange(len(self.yields)), rows)
        block = np.unique(self.block[kept], return_inverse=True)[1]
        return replace(self, rates=self.rates[kept], yields=self.yields[kept], block=block)

    @cached_property
    def blocks(self) -> np.ndarray:
        """Contrasts of the blocks, which sum to zero over them [(n, blocks - 1)]."""
        m = self.block.max() + 1
        return np.vstack([np.eye(m - 1), -np.ones(m - 1)])[self.block]


def rate_columns(table) -> dict[str, str]:
    """Return the columns of a table that hold rates of a nutrient, such as ``rate_n_lb_ac``, by nutrient."""
    known = {}
    for column in map(str, table):
        words = column.split("_")
        if words[0] == "rate" and len(words) == 4 and "_".join(words[2:]) in UNIT_ENDINGS:
            known[
                words[1].capitalize() if len(words[1]) == 2 and words[1].isalpha() else words[1].upper()
            ] = column
    return known


def read_surface_data(trial, *, rates=None, response=None, blocks=None) -> SurfaceData:
    """Check a trial of several nutrients and take from it what the fits need; see `analyse_surface`."""
    table = trial if isinstance(trial, pd.DataFrame) else trial.table
    columns = dict(rates or getattr(trial, "rate_columns", None) or rate_columns(table))
    if not 2 <= len(columns) <= MOST:
        named = ", ".join(columns.values()) or "none"
        raise NotEstimable(
            "a surface needs the rates of two or three nutrients, in columns such as rate_n_lb_ac; there is: "
            f"{named}"
        )
    if lacking := [c for c in columns.values() if c not in table]:
        what = f"there is no column '{lacking[0]}'"
        raise InputError("trial", [Problem(what, f"columns are: {', '.join(map(str, table))}")])
    values = np.column_stack([measured(table, column) for column in columns.values()])
    _need_rates(table, list(columns.values()), values)
    label = "combination of rates"
    codes = np.unique(values.round(9), axis=0, return_inverse=True)[1].ravel()
    held = table.assign(**{label: codes})
    parts = held if table is trial else trial.with_strips(held)
    read = read_trial(parts, treatment=label, response=response, blocks=blocks)
    kept = read.strips.index
    rows = values[table.index.get_indexer(kept)]
    groups = list(dict.fromkeys([*read.sites, *read.groups]))
    block = nested(read.strips, groups) if groups else np.zeros(len(rows), int)
    units = tuple(unit_of(column, "") for column in columns.values())
    return SurfaceData(
        tuple(columns), rows, read.y, block, units, unit_of(read.response, ""), read.crop, len(read.lost)
    )


def _need_rates(table, columns, values):
    bad = ~(values >= 0)
    problems = [
        Problem("a rate is missing" if np.isnan(values[i, j]) else "a rate cannot be negative",
                "correct it, or leave the row out", int(i) + 2, columns[j], table[columns[j]].iloc[i])
        for i, j in np.argwhere(bad)
    ]  # fmt: skip
    if problems:
        raise InputError("trial", problems)


# ---- the fit


@dataclass(frozen=True)
class SurfaceFit(ByContent):
    """One surface fitted to one trial.

    Attributes
    ----------
    data : SurfaceData
    curve : str
        Key of the curve that it has in each nutrient.
    powers : array (k,)
        Powers of the rates whose ``t`` it is of second degree in.
    exponents : array (m, k)
        Of ``t`` in each term.
    coef : array (1 + m,)
        Level of the average block, then the terms [yield unit per rate unit to the power of the term].
    spread : array (1 + m, 1 + m)
        Covariance of `coef` per unit error variance.
    rss : float
    df_error : int
    aliased : tuple of str
        Terms that the blocks or rates leave no room for.
    """

    data: SurfaceData
    curve: str
    powers: np.ndarray
    exponents: np.ndarray
    coef: np.ndarray
    spread: np.ndarray
    rss: float
    df_error: int
    aliased: tuple[str, ...] = ()

    @property
    def variance(self) -> float:
        """Error variance; nan without error df."""
        return self.rss / self.df_error if self.df_error > 0 else np.nan

    @property
    def n_params(self) -> int:
        """Parameters of the mean, block effects counted."""
        return len(self.data.yields) - self.df_error

    @property
    def names(self) -> list[str]:
        """Terms as people write them: N, N², √N, N x P2O5."""
        return ["level", *term_names(self.data.nutrients, self.powers, self.exponents)]

    @property
    def design(self) -> np.ndarray:
        """Level, blocks and terms side by side [(n, p)]."""
        basis = self.basis(self.data.rates)
        return np.hstack([basis[:, :1], self.data.blocks, basis[:, 1:] / np.abs(basis[:, 1:]).max(axis=0)])

    @property
    def residuals(self) -> Residuals:
        """Residuals of the rows; block effects are in the fit."""
        data, design = self.data, self.design
        left, _ = np.linalg.qr(design)
        rest = data.yields - data.yields.mean()  # of large yields the last digits count
        rest = rest - left @ (left.T @ rest)
        columns = zip(data.nutrients, data.rate_units, data.rates.T, strict=True)
        rates = {f"{name} rate [{unit}]": rate for name, unit, rate in columns}
        leverage = leverages(design)
        frame = residual_frame(pd.DataFrame(rates), data.yields, rest, leverage, self.variance)
        of = f"{get_curve(self.curve).label} surface"
        return Residuals(frame, of, data.yield_unit, float(leverage.mean()))

    def coefficients(self, level: float = 0.95) -> pd.DataFrame:
        """Terms with estimate, standard error, p and interval."""
        from scipy.special import stdtr, stdtrit

        error = np.sqrt(np.diag(self.spread) * self.variance)
        df = self.df_error if self.df_error > 0 else np.nan
        with np.errstate(divide="ignore", invalid="ignore"):
            p = 2 * stdtr(df, -np.abs(self.coef / error))
        half = stdtrit(df, (1 + level) / 2) * error
        return pd.DataFrame({"term": self.names, "estimate": self.coef, "SE": error, "p": p,
                             "low": self.coef - half, "high": self.coef + half})  # fmt: skip

    def t(self, rates) -> np.ndarray:
        return np.asarray(rates, float) ** self.powers

    def rates(self, t) -> np.ndarray:
        return np.asarray(t, float) ** (1 / self.powers)

    def basis(self, rates) -> np.ndarray:
        """Row of the terms at rates (..., k), the level first [(..., 1 + m)]."""
        t = self.t(rates)[..., None, :]
        terms = np.prod(t**self.exponents, axis=-1)
        return np.concatenate([np.ones((*terms.shape[:-1], 1)), terms], axis=-1)

    def predict(self, rates) -> np.ndarray:
        """Yield of the average block at rates (..., k) [yield unit]."""
        return self.basis(rates) @ self.coef

    @cached_property
    def form(self) -> "Form":
        """The yield as a polynomial of t."""
        k = len(self.powers)
        b, c, e = np.zeros(k), np.zeros((k, k)), 0.0
        for exponent, value in zip(self.exponents, self.coef[1:], strict=True):
            at = np.flatnonzero(exponent)
            if exponent.sum() == 1:
                b[at] += value
            elif len(at) == 1:
                c[at, at] += value
            elif len(at) == 2:
                c[at[0], at[1]] = c[at[1], at[0]] = value / 2
            else:
                e = value
        return Form(self.coef[0], b, c, e)

    def net_form(self, ratios) -> "Form":
        """The yield less the yield that pays for the rates, as a polynomial of t.

        `ratios` are the price ratios [yield unit per rate unit].
        """
        ratios, whole = np.asarray(ratios, float), self.powers == 1
        form = self.form
        return replace(form, b=form.b - ratios * whole, c=form.c - np.diag(ratios * ~whole))


#: How a nutrient is written in a term, by twice the power of its rate.
_WRITTEN = {1: "√{}", 2: "{}", 4: "{}²"}


def term_names(nutrients, powers, exponents) -> list[str]:
    """Write the terms of a surface: N, N², √N, √(N x P2O5)."""
    names = []
    for twice in (2 * powers * exponents).astype(int):
        held = [(name, n) for name, n in zip(nutrients, twice, strict=True) if n]
        roots = len(held) > 1 and {n for _, n in held} == {1}
        both = " x ".join(name if roots else _WRITTEN[n].format(name) for name, n in held)
        names.append(f"√({both})" if roots else both)
    return names


def exponents_of(curved) -> np.ndarray:
    """Exponents of t in the terms: each nutrient, its square where it is curved, the products [(m, k)]."""
    k = len(curved)
    own = np.eye(k, dtype=int)
    squares = [2 * own[i] for i in range(k) if curved[i]]
    twos = [own[i] + own[j] for i, j in combinations(range(k), 2)]
    return np.array([*own, *squares, *twos, *[own.sum(axis=0)] * (k == MOST)])


def fit_surface(data: SurfaceData, curve: str, exponents=None) -> SurfaceFit:
    """Fit one surface by least squares beside the blocks.

    Parameters
    ----------
    data : SurfaceData
    curve : str
        Key of the curve in each nutrient.
    exponents : array (m, k), optional
        Terms; all of them by default.

    Raises
    ------
    NotEstimable
        If the rows are too few, or a term cannot be told from the others or the blocks; a product of three
        nutrients is left out instead.
    """
    powers = np.where(data.curved, POWERS[curve], 1.0)
    exponents = exponents_of(data.curved) if exponents is None else exponents
    ones = np.ones((len(data.yields), 1))
    unit = data.high**powers
    terms = np.prod((data.rates**powers / unit)[:, None, :] ** exponents, axis=-1)
    kept = independent(np.hstack([ones, data.blocks]), terms)
    lost = [i for i in range(len(exponents)) if i not in kept]
    names = term_names(data.nutrients, powers, exponents)
    if any(exponents[i].sum() < MOST for i in lost):
        raise NotEstimable(
            f"too few rate combinations for the term{'s' * (len(lost) > 1)} "
            f"{', '.join(names[i] for i in lost)}"
        )
    design = np.hstack([ones, data.blocks, terms[:, kept]])
    df = len(design) - design.shape[1]
    if df < 0:
        raise NotEstimable(f"{counted(len(design), 'strip')} are too few for {design.shape[1]} parameters")
    coef, spread, rss = _least_squares(design, data.yields)
    at = np.r_[0, 1 + data.blocks.shape[1] : design.shape[1]]
    scale = np.r_[1.0, np.prod(unit ** exponents[kept], axis=-1)]
    return SurfaceFit(
        data, curve, powers, exponents[kept], coef[at] / scale,
        spread[np.ix_(at, at)] / np.outer(scale, scale), rss, df, tuple(names[i] for i in lost),
    )  # fmt: skip


def _least_squares(design, y):
    """Coefficients, their covariance per unit error variance, residual sum of squares."""
    q, r = np.linalg.qr(design)
    base = y.mean()
    coef = np.linalg.solve(r, q.T @ (y - base))
    rest = y - base - design @ coef
    step = np.linalg.solve(r, q.T @ rest)  # once more, for the last digits
    coef, rest = coef + step, rest - design @ step
    coef[0] += base  # the level's column is of ones
    inverse = np.linalg.inv(r)
    rss = float(rest @ rest)
    return coef, inverse @ inverse.T, 0.0 if same(np.sqrt(rss), 0, scale=np.abs(y).max()) else rss


# ---- the best rates within those tested
