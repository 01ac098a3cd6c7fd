"""Many site-years in one model: level, slope and join (or rate of bending) of the curve vary by site.

``yield = level + slope rise(rate; shape) + error`` with all three drawn by site around means that may depend
on what is known of a site, a soil test or the previous crop (`mixed_curve`). Every curve with a shape is
tried, and the mean and the straight line beside them; the one of least AIC speaks. Sites with little to say
borrow from the others: their predictions are drawn towards the mean.

Examples
--------
Four sites that rise to joins at 90, 75, 100 and 85 lb/ac, half a bushel to either side (invented):

>>> import numpy as np
>>> import pandas as pd
>>> from fertkit.response import Prices, fit_network
>>> from fertkit.response.data import read_trial_data
>>> rates = np.array([0, 40, 80, 120, 160] * 2)
>>> curves = {"A": (48, 0.1, 90), "B": (52, 0.12, 75), "C": (45, 0.09, 100), "D": (50, 0.11, 85)}
>>> trials = {
...     site: read_trial_data(pd.DataFrame({
...         "rate_lb_ac": rates,
...         "yield_bu_ac": level + slope * np.minimum(rates, join) + np.tile([0.5, -0.5], 5),
...     }))
...     for site, (level, slope, join) in curves.items()
... }
>>> fit = fit_network(trials, curve="linear_plateau")
>>> bool(abs(fit.coefficients["estimate"].iloc[-1] - 87.5) < 2)  # the mean of the joins
True
>>> bool(80 < fit.best_rate(Prices(nutrient=0.5, grain=5.0)).rate < 95)
True
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_number, asks
from fertkit.errors import NotEstimable, UnitError
from fertkit.reference.load import method_sources
from fertkit.response.curves import CURVES, LINEAR, MEAN, get_curve
from fertkit.response.mixed_curve import Effects, SiteData
from fertkit.response.mixed_fit import MixedFit, fit_mixed
from fertkit.response.network_known import Known, known_of
from fertkit.response.network_rate import NetworkRate, network_rate
from fertkit.response.prices import Prices
from fertkit.response.search import fit_sums
from fertkit.response.sums import stack
from fertkit.results import Result, checks_frame, counted, plain
from fertkit.trials.limits import check_row
from fertkit.trials.linear import contrasts_within

LEVEL = 0.95
FEWEST = 3  # sites; with fewer there is no spread to speak of
FEWEST_CORRELATED = 10  # sites from which the effects of a site may go together
PER_COVARIATE = 5  # sites wanted more for each number or class that is known of them; common practice
#: Standard normal scores for a mean over kinks, of one kind of site and of each of several.
_SCORES, _SCORES_EACH = np.linspace(-4.0, 4.0, 81), np.linspace(-4.0, 4.0, 9)
_STANDING = 24  # sites that stand for all in a mean, spread evenly over where their rises end
_CHUNK = 50
_FAR = 6.0  # logarithm of a scale that no rates could tell from none
_UNSETTLED = 0.7  # standard error of that logarithm beyond which the end of the rise is not known


@dataclass(frozen=True)
class NetworkFit(Result):
    """One model of many site-years.

    Attributes
    ----------
    curve : str
        Key of the curve of least AIC, or of the one asked for.
    coefficients : DataFrame
        term, estimate, low, high, p, unit: means over sites and what is known of sites does to them.
    spread : DataFrame
        effect, sd, unit: how far sites differ; the last row is the error of a plot or strip.
    compared : DataFrame
        curve, parameters, log_likelihood, aic.
    sites : DataFrame
        trial, n, level, slope, end_of_rise, highest_rate, remark: predictions drawn towards the mean.
    known, model : Known, MixedFit
    start, span : float
        Lowest and range of the rates [rate unit].
    rate_unit, yield_unit : str
    level : float
    checks : DataFrame
    counts : str
        What the trials are: "site" or "site-year".
    """

    curve: str
    coefficients: pd.DataFrame
    spread: pd.DataFrame
    compared: pd.DataFrame
    sites: pd.DataFrame
    known: Known
    model: MixedFit
    start: float
    span: float
    rate_unit: str
    yield_unit: str
    level: float
    checks: pd.DataFrame
    counts: str = "site"

    @property
    def table(self) -> pd.DataFrame:
        return self.coefficients

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("nonlinear mixed")

    @property
    def rates(self) -> np.ndarray:
        """Grid of rates tested [rate unit]."""
        return self.start + self.span * np.linspace(0, 1, 201)

    def best_rate(self, prices: Prices, **options) -> NetworkRate:
        """Find the rate for the region, or for a new site; see `network_rate`."""
        return network_rate(self, prices, **options)

    def site_curves(self, rates) -> np.ndarray:
        """Yields (sites, rates) expected at each site, given its own strips and all others."""
        at, effects = self.model.at, self.model.effects
        x = (np.asarray(rates, float)[:, None, None] - self.start) / self.span
        columns = effects.columns(x, list(np.moveaxis(at.shapes, -1, 0))[: effects.n_shapes])
        yields = sum(c * at.linear[..., j] for j, c in enumerate(columns))
        return (yields * at.share).sum(axis=-1).T

    def mean_curve(self, rates, given: Mapping | None = None) -> np.ndarray:
        """Yields (rates,) averaged over sites like these, or over sites of which something is known."""
        return self._means(self.model.theta[None], self.standing(given), rates)[0]

    def standing(self, given: Mapping | None = None) -> np.ndarray:
        """Designs (n, 1 + terms) that stand for sites like these, or for those of which something is given.

        A curve at the mean of what is known of sites is not the mean of their curves.
        """
        rows = self.known.rows(given)
        rows = rows[:1] if (rows == rows[0]).all() else rows
        k = rows.shape[1]
        order = np.argsort(rows @ self.model.theta[: len(self.model.effects.designs) * k][-k:], kind="stable")
        n = min(len(rows), _STANDING)
        return rows[order[((np.arange(n) + 0.5) * len(rows) / n).astype(int)]]

    def _means(self, thetas, rows, rates, share=None):
        """Yields (N, rates) averaged over designs (n, k) and sites of each, for parameters (N, ...).

        Designs count alike, or by the shares (N, n) of each set of parameters.
        """
        share = np.full((len(thetas), len(rows)), 1 / len(rows)) if share is None else share
        if len(thetas) > _CHUNK:
            parts = [slice(i, i + _CHUNK) for i in range(0, len(thetas), _CHUNK)]
            return np.concatenate([self._means(thetas[part], rows, rates, share[part]) for part in parts])
        effects, p = self.model.effects, self.model.effects.n_linear
        means, _, joint, tau, _ = _split(effects, thetas, rows)
        z = np.zeros(1) if effects.shape is None else _SCORES if len(rows) == 1 else _SCORES_EACH
        weight = np.exp(-0.5 * z**2) / np.exp(-0.5 * z**2).sum()
        x = (np.asarray(rates, float)[:, None, None] - self.start) / self.span
        total = 0.0
        for row, part in zip(np.moveaxis(means, 1, 0), share.T, strict=True):
            shapes = [row[:, p + i, None] + tau[:, None] * z for i in range(effects.n_shapes)]
            columns = effects.columns(x, shapes)
            yields = sum(c * (row[:, j, None] + joint[:, j, None] * z) for j, c in enumerate(columns))
            yields = (np.broadcast_to(yields, (len(x), len(thetas), len(z))) @ weight).T
            total = total + part[:, None] * yields
        return total

    def shares(self, n: int, rows, rng) -> np.ndarray:
        """Shares (n, designs) of a region that is known by these sites alone: they might have been others.

        The Bayesian bootstrap (Rubin 1981, Ann. Stat. 9:130-134, from memory): shares of the sites are
        uniform over all that sum to one, and a design stands for as many as `standing` merged into it.
        """
        return rng.dirichlet(np.full(len(rows), len(self.sites) / len(rows)), n)

    def draws(self, n: int, rng) -> np.ndarray:
        """Parameters (n, k) as uncertain as so few sites leave them: multivariate t."""
        from scipy.special import digamma

        sites, k = len(self.sites), self.model.effects.designs[0].shape[1]
        df = max(sites - k, 1)
        values, vectors = np.linalg.eigh(self.model.covariance * sites / df)
        half = vectors * np.sqrt(np.maximum(values, 0))
        t = rng.normal(size=(n, len(values))) / np.sqrt(rng.chisquare(df, (n, 1)) / df)
        away, tau = t @ half.T, self.model.effects.slices["tau"]
        drawn = self.model.theta + away
        own = self.model.theta[tau]
        # A spread is above zero and skewed: it is drawn on the scale of its logarithm, about what leaves as
        # much likelihood above as below, for likelihood takes few sites for more alike than they are. A
        # spread that may be none has no logarithm to speak of: it is drawn as it stands, whatever its sign.
        more = 0.5 * (np.log(sites / 2) - digamma(df / 2))
        told = own > 2 * np.sqrt(np.diag(self.model.covariance)[tau])
        skewed = own * np.exp(more + away[:, tau] / np.where(told, own, np.inf))
        drawn[:, tau] = np.where(told, skewed, np.where(own > 0, np.abs(drawn[:, tau]), drawn[:, tau]))
        return drawn

    def own_params(self, thetas, rows, rng) -> np.ndarray:
        """Published parameters (N, p) of one more site, of a design of these, for each set of parameters."""
        effects, curve = self.model.effects, CURVES[self.curve]
        means, factor, joint, tau, sigma = _split(effects, thetas, rows)
        every = np.arange(len(thetas))
        means = means[every, rng.integers(len(rows), size=len(thetas)) if len(rows) > 1 else 0]
        z = rng.normal(size=len(thetas)) * (effects.shape is not None)
        w = rng.normal(size=(len(thetas), factor.shape[-1]))
        linear = means[:, : effects.n_linear] + joint * z[:, None]
        linear = linear + sigma[:, None] * np.einsum("npr,nr->np", factor, w)
        level, slope = linear[:, 0], linear[:, 1] / self.span if effects.n_linear > 1 else 0.0
        if curve.shape is None:
            return np.column_stack([level - slope * self.start, slope + 0 * level][: curve.n_params])
        bend = _bend(means[:, -1] + tau * z) / self.span
        return curve.shape.publish(level, slope, bend, self.start)


def _split(effects, thetas, rows):
    """Means (N, n, p + q) at designs (n, k), L, lambda, tau and sigma for parameters (N, ...)."""
    at = replace(effects, designs=(rows,) * len(effects.designs))
    return tuple(map(np.array, zip(*map(at.split, thetas), strict=True)))


@asks(trials=a_dict, level=a_number)
def fit_network(
    trials: Mapping, *, known: pd.DataFrame | None = None, curve: str | None = None, level=LEVEL,
    counts: str = "site",
) -> NetworkFit:  # fmt: skip
    """Fit one model to all sites: level, slope and join of the curve vary from site to site.

    Parameters
    ----------
    trials : mapping of str to TrialData or ResponseAnalysis
        Site-years by name.
    known : DataFrame, optional
        What is known of each site (index: its name), numbers or classes; level, slope and shape depend on it.
    curve : str, optional
        Key of a curve; by default the one of lowest AIC among those with a shape, the mean and the straight
        line.
    level : float
    counts : {"site", "site-year"}
        What the trials are, in sentences.

    Raises
    ------
    NotEstimable
        If there are too few sites, or rates shared within sites, for a curve.
    UnitError
        If the sites mix units.
    """
    data = {str(name): getattr(trial, "data", trial) for name, trial in trials.items()}
    units = {(d.rate_unit, d.yield_unit) for d in data.values()}
    if len(units) > 1:
        raise UnitError(f"the trials mix units: {sorted(units)}; restate them in one")
    known = known_of(known, list(data))
    _check_sites(data, known, counts)
    sums = stack([d.sums for d in data.values()])
    start, span = float(sums.rates.min()), float(np.ptp(sums.rates))
    sites = SiteData.of_sums(replace(sums, rates=(sums.rates - start) / span))
    keys = (
        [get_curve(curve).key]
        if curve
        else [MEAN.key, LINEAR.key, *(k for k, c in CURVES.items() if c.shape)]
    )
    fits = {}
    for key in keys:
        effects, shapes = _effects(key, known.design(known.frame)), _start(key, sums, start, span)
        kinked = CURVES[key].shape is not None and CURVES[key].shape.kinked
        fits[key] = fit_mixed(sites, effects, shapes, kinked)
    compared = pd.DataFrame(
        [(CURVES[k].label, f.n_params, f.log_likelihood, 2 * (f.n_params - f.log_likelihood))
         for k, f in fits.items()],
        index=list(fits), columns=["curve", "parameters", "log_likelihood", "aic"],
    )  # fmt: skip
    best = compared["aic"].idxmin()
    _need_shape(fits[best])
    fit = _result(
        best, fits[best], compared.reset_index(drop=True), data, known, start, span, *units.pop(), level
    )
    return replace(fit, counts=counts)


def _check_sites(data, known, counts):
    n, k = len(data), len(known.terms)
    least = FEWEST + PER_COVARIATE * k
    if n < least:
        what = f" with {counted(k, 'term')} of site data" if k else ""
        raise NotEstimable(
            f"{counted(n, counts)} cannot support one model{what}; {least} or more are needed",
            remedy="use fewer site variables (each class but one is a term)" if k else "",
        )
    codes = np.repeat(np.arange(n), [len(d.rate) for d in data.values()])
    left = contrasts_within(np.concatenate([d.rate for d in data.values()]), codes)
    if left < 2:
        raise NotEstimable("rates are confounded with sites: no site that shares rates tested three")


def _effects(key, design) -> Effects:
    """The random curve of a key: rates between 0 and 1, the shape the logarithm of the scale of the rise."""
    q = int(CURVES[key].shape is not None)
    p = 2 if q else CURVES[key].n_params
    columns = _Columns(key)
    return Effects(
        columns, (design,) * (p + q), q, tuple(range(p)), 0 if q else None, len(design) >= FEWEST_CORRELATED
    )


@dataclass(frozen=True)
class _Columns:
    """Columns of the level, and of the rise or the powers of the rate, of a curve."""

    key: str

    def __call__(self, x, scales):
        if scales:
            return [np.ones_like(x), CURVES[self.key].shape.rise(x, _bend(scales[0]))]
        return [x**i for i in range(CURVES[self.key].n_params)]


def _need_shape(fit):
    """Refuse a model whose rise may end anywhere: no rate could be read from it."""
    if not fit.effects.n_shapes:
        return
    at = fit.effects.n_linear * fit.effects.designs[0].shape[1]
    if abs(fit.theta[at]) > _FAR / 2 or not 0 < fit.covariance[at, at] < _UNSETTLED**2:
        raise NotEstimable(
            "the end of the rise is uncertain; test more rates below the plateau, or use the trials' own "
            "curves"
        )


def _bend(log_scale):
    """One over the scale of a rise, no farther out than any rate could tell."""
    return np.exp(-np.clip(log_scale, -_FAR, _FAR))


def _start(key, sums, start, span) -> list[float]:
    """Scale of the rise to start from: the median of the sites whose own fit settles it."""
    shape = CURVES[key].shape
    if shape is None:
        return []
    fits = fit_sums(key, sums)
    step, line, beyond = shape.limits(fits.bend, sums.rates)
    good = ~(step | line | beyond) & (fits.slope > 0)
    scale = 1 / (fits.bend[good] * span) if good.any() else np.array([0.5 / shape.end])
    return [float(np.log(np.median(scale)))]


def _result(key, model, compared, data, known, start, span, rate_unit, yield_unit, level) -> NetworkFit:
    curve, effects = CURVES[key], model.effects
    names, n = list(data), [len(d.rate) for d in data.values()]
    highest = np.array([d.rates[-1] for d in data.values()])
    own = (model.at.share[..., None] * model.at.linear).sum(axis=1)
    table = pd.DataFrame({"trial": names, "n": n, "level": own[:, 0]})
    table["slope"] = own[:, 1] / span if effects.n_linear > 1 else 0.0
    end = np.full(len(names), np.nan)
    if effects.n_shapes:
        end = start + span * curve.shape.end * np.exp((model.at.share * model.at.shapes[..., 0]).sum(axis=1))
    table["end_of_rise"], table["highest_rate"] = end, highest
    table["remark"] = np.where(end > highest, "still rising at its highest rate", "")
    return NetworkFit(
        key, _coefficients(curve, model, known, start, span, rate_unit, yield_unit, level),
        _spread(curve, model, span, rate_unit, yield_unit), compared, table, known, model, start, span,
        rate_unit,
        yield_unit, level, _checks(model, len(names)),
    )  # fmt: skip


def _coefficients(curve, model, known, start, span, rate_unit, yield_unit, level):
    """Means of the effects and what is known of the sites does to them, in the units of the file."""
    from scipy.special import stdtr, stdtrit

    effects, terms = model.effects, known.terms
    sites, k = effects.designs[0].shape
    df = max(sites - k, 1)
    se, q = np.sqrt(np.diag(model.covariance) * sites / df), stdtrit(df, 0.5 + level / 2)
    labels = [f"yield at {plain(start)} {rate_unit}", "slope at the start", "end of the rise"]
    units = [yield_unit, f"{yield_unit} per {rate_unit}", rate_unit]
    rows = []
    for j in range(len(effects.designs)):
        for i, term in enumerate(["", *terms]):
            value, error = model.theta[j * k + i], se[j * k + i]
            ends = np.array([value, value - q * error, value + q * error])
            unit, p = units[j], np.nan
            if j == 1:
                ends = ends / span
            elif j == 2:  # the shape is a logarithm: of the scale, or a change in percent
                ends = 100 * np.expm1(ends) if term else start + span * curve.shape.end * np.exp(ends)
                unit = "%" if term else unit
            if term:
                p = 2 * stdtr(df, -abs(value / error)) if error > 0 else np.nan
            rows.append((f"{labels[j]}, by {term}" if term else labels[j], *ends, p, unit))
    return pd.DataFrame(rows, columns=["term", "estimate", "low", "high", "p", "unit"])


def _spread(curve, model, span, rate_unit, yield_unit):
    sd = np.sqrt(np.diag(model.spread))
    rows = [("level between sites", sd[0], yield_unit)]
    if model.effects.n_linear > 1:
        rows.append(("slope between sites", sd[1] / span, f"{yield_unit} per {rate_unit}"))
    if model.effects.n_shapes:
        rows.append(("end of the rise between sites", 100 * np.expm1(sd[-1]), "%"))
    rows.append(("one plot or strip", model.sigma, yield_unit))
    return pd.DataFrame(rows, columns=["effect", "sd", "unit"])


def _checks(model, n):
    rows = [check_row("pool", "number of sites", n)]
    effects, sd = model.effects, np.sqrt(np.diag(model.spread))
    places = [
        *(("level", "slope")[j] for j in effects.linear),
        *(["end of the rise"] if effects.n_shapes else []),
    ]
    for name, size, small in zip(places, sd, [*[model.sigma * 1e-3] * effects.n_linear, 1e-2], strict=False):
        rows.append(
            check_row(
                "pool",
                "differs between sites",
                size,
                bool(size > small),
                label=f"{name} differs between sites",
                what=name,
            )
        )
    return checks_frame(rows)
