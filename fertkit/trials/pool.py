"""Pool one number a site-year (an effect, an optimum, a plateau) over many, with its standard errors.

Two-stage random-effects pooling: between-site variance by restricted maximum likelihood or Paule & Mandel,
intervals after Hartung & Knapp with the factor held at one or more, prediction interval for a new site. Every
site stays in the table; one that cannot be weighted is shown without weight and said so.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_label, a_share, a_table, a_word, asks, headers, holding, labels, many_amounts
from fertkit.errors import LookupFailed, NotEstimable, unknown
from fertkit.laws import normal_below, t_below, t_reach
from fertkit.reference.load import method_sources
from fertkit.results import Result, capital, checks_frame, counted, heading, plain, show
from fertkit.rounding import above
from fertkit.trials import linear
from fertkit.trials.analyse import analyse_strips
from fertkit.trials.limits import check_row
from fertkit.trials.mixed import METHODS, OneEffect, q_profile
from fertkit.trials.strips import factor, site_names
from fertkit.trials.table import column_of, default_treatment

#: Share of the weight below which a site is said to carry none [%] (common practice, no source).
NO_WEIGHT_PCT = 0.01
NO_ERROR = "no standard error"
UNWEIGHTED = f"{NO_ERROR}: shown, not weighted"


@dataclass(frozen=True)
class PooledEstimate(Result):
    """A number pooled over k site-years.

    Attributes
    ----------
    sites : DataFrame
        site, estimate, se, df (error degrees of freedom behind it, missing where not known), low, high (by
        Student's t where `df` is known, else by the normal distribution), weight_pct, note.
    coefficients : DataFrame
        term, estimate, se, low, high, p; one row ``mean``, or intercept and covariates.
    estimate, se, low, high : float
        Pooled value, at the mean of the covariates where there are any.
    prediction_low, prediction_high : float
        Where the true value of a new site-year is expected.
    tau2, tau2_low, tau2_high : float
        Variance between sites, with its Q-profile interval.
    i2_pct : float
        Share of the spread that is between sites [%].
    q, q_df, q_p : float
        Cochran's statistic of homogeneity.
    explained_pct : float
        Share of the variance between sites explained by the covariates [%]; NaN without.
    k : int
        Sites weighted.
    method : str
    unit : str
    quantity : str
        What was pooled, in words; may be empty.
    level : float
    checks : DataFrame
    methods : tuple of str
        Methods by their names in ``reference/methods.csv``.
    counts : str
        What is counted: "site", or "site-year" where a site may stand for several years.
    """

    sites: pd.DataFrame
    coefficients: pd.DataFrame
    estimate: float
    se: float
    low: float
    high: float
    prediction_low: float
    prediction_high: float
    tau2: float
    tau2_low: float
    tau2_high: float
    i2_pct: float
    q: float
    q_df: int
    q_p: float
    explained_pct: float
    k: int
    method: str
    unit: str
    quantity: str
    level: float
    checks: pd.DataFrame
    methods: tuple[str, ...] = ()
    counts: str = "site-year"

    @property
    def table(self) -> pd.DataFrame:
        return self.sites

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources(*self.methods)


@asks(
    estimates=many_amounts, se=many_amounts, df=many_amounts, sites=labels, covariates=a_table, notes=labels,
    level=a_share,
)  # fmt: skip
def pool_estimates(
    estimates, se, *, df=None, sites=None, covariates=None, notes=None, method: str = "REML",
    modified: bool = True, unit: str = "", quantity: str = "", level: float = 0.95,
) -> PooledEstimate:  # fmt: skip
    """Pool estimates of many site-years under random effects.

    Parameters
    ----------
    estimates, se : (n,) sequences
        One value and its standard error a site-year [`unit`]; a missing or zero standard error keeps the site
        in the table without weight.
    df : (n,) sequence, optional
        Error degrees of freedom behind each standard error, for the intervals of single sites.
    sites, notes : (n,) sequences, optional
        Names, and remarks to carry along ("still rising", "no response").
    covariates : DataFrame of n rows, optional
        What might explain the differences: numbers (soil test) or classes (previous crop).
    method : {"REML", "PM", "DL", "common"}
        Variance between sites: restricted maximum likelihood; Paule & Mandel (1982); DerSimonian & Laird
        (1986); none at all (one common value).
    modified : bool
        Hold the Hartung-Knapp factor at one or more (Roever, Knapp & Friede 2015, BMC Med. Res. Meth. 15:99).
    unit : str
    quantity : str
        What is pooled, in words, for texts and figures.
    level : float

    Raises
    ------
    LookupFailed
        If the method is not known.
    NotEstimable
        If a standard error is negative, fewer sites than coefficients plus one can be weighted, or the
        sequences are not of one length.
    """
    if method not in METHODS:
        raise unknown("method", method, METHODS)
    _check_lengths(estimates=estimates, se=se, df=df, sites=sites, notes=notes, covariates=covariates)
    y, s = np.asarray(estimates, dtype=float), np.asarray(se, dtype=float)
    freedom = np.full(len(y), np.nan) if df is None else np.asarray(df, dtype=float)
    names = [str(i + 1) for i in range(len(y))] if sites is None else list(sites)
    if (s < 0).any():
        which = ", ".join(f"{names[i]}: {s[i]:g}" for i in np.flatnonzero(s < 0)[:12])
        raise NotEstimable(f"a standard error cannot be negative ({which}); give it positive, or missing")
    terms, design = _design(covariates, len(y))
    weighable = np.isfinite(y) & np.isfinite(s) & (s > 0) & np.isfinite(design).all(axis=1)
    yw, vw, xw = y[weighable], s[weighable] ** 2, design[weighable]
    if len(yw) <= xw.shape[1]:
        raise NotEstimable(
            f"{counted(len(yw), 'site-year')} with a standard error for "
            f"{counted(xw.shape[1], 'coefficient')}: too few to pool; analyse sites one by one"
        )
    model = OneEffect.of_estimates(yw, vw, xw)
    fit = model.at(METHODS[method](model))
    table = _site_table(names, y, s, freedom, weighable, 1 / (vw + fit.ratio), notes, level)
    alone = np.nan
    if covariates is not None:
        alone = METHODS[method](OneEffect.of_estimates(yw, vw, np.ones((len(yw), 1))))
    return _conclude(table, model, fit, terms, alone, method, modified, unit, quantity, level)


@asks(
    trial=holding("table", of="read_strips"), treatment=a_label,
    check=a_label, level=a_share, method=a_word, covariates=headers,
)  # fmt: skip
def pool_trials(
    trial, treatment, check, *, level=0.95, method="REML", covariates=None, **options
) -> PooledEstimate:
    """Pool the difference of one treatment from the check over all trials of a table.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of several trials; each combination of ``trial``, site and year is a site of its own.
    treatment, check : object
        The two treatments; trials without both are kept in the table and said to lack them.
    covariates : list of str, optional
        Columns of the table, one value a trial.
    **options
        Passed to `analyse_strips` (``model``, ``blocks``, ``trend``, ...).

    Raises
    ------
    LookupFailed
        If a treatment is in none of the trials, or a covariate is no column.

    Examples
    --------
    >>> from fertkit.trials import pool_trials
    >>> import pandas as pd
    >>> trial = pd.DataFrame({"block": [1, 1, 2, 2, 3, 3], "rate_lb_ac": [0, 60] * 3})
    >>> sites = {"A": [48.1, 55.0, 47.2, 56.3, 50.0, 56.1], "B": [51.0, 56.0, 49.2, 55.3, 50.1, 57.1],
    ...          "C": [48.0, 57.0, 45.3, 57.2, 51.0, 58.0]}
    >>> strips = pd.concat([trial.assign(trial=name, yield_bu_ac=y) for name, y in sites.items()])
    >>> pooled = pool_trials(strips, 60, 0)
    >>> pooled.table["site"].tolist()
    ['A', 'B', 'C']
    """
    table = trial if isinstance(trial, pd.DataFrame) else trial.table
    name, _, unit = heading(column_of(table, options.get("response"), "yield")).partition(" [")
    _check_treatments(table, options.get("treatment"), treatment, check)
    for column in covariates or ():
        if column not in table:
            raise unknown("column", column, table.columns)
    groups = table.groupby(site_names(table), sort=False)
    rows = [(name, *_difference(strips, treatment, check, options)) for name, strips in groups]
    frame = pd.DataFrame(rows, columns=["site", "estimate", "se", "df", "note"])
    known = groups[covariates].first() if covariates else None
    return pool_estimates(
        frame["estimate"], frame["se"], df=frame["df"], sites=frame["site"], notes=frame["note"],
        covariates=known, method=method, level=level, unit=unit.rstrip("]"),
        quantity=f"{capital(name)} at {show(treatment)} minus {name} at {show(check)}",
    )  # fmt: skip


def _check_treatments(table, column, *wanted):
    column = column_of(table, column or default_treatment(table), "rate")
    tested = factor(table[column].dropna())[1]
    for treatment in wanted:
        if treatment not in tested:
            raise LookupFailed(
                f"no strip has {show(treatment)} in column '{column}'; tested are: "
                f"{', '.join(map(show, tested))}"
            )


def _check_lengths(**given):
    sizes = {name: len(values) for name, values in given.items() if values is not None}
    if len(set(sizes.values())) > 1:
        lengths = ", ".join(f"{n} {name}" for name, n in sizes.items())
        raise NotEstimable(f"each site needs one of each, but there are {lengths}")


def _difference(strips, treatment, check, options):
    try:
        pairs = analyse_strips(strips, adjust="none", **options).comparisons
    except NotEstimable as error:
        return np.nan, np.nan, np.nan, str(error)
    for row in pairs.itertuples():
        if {row.first, row.second} == {treatment, check}:
            sign = 1 if row.second == treatment else -1
            note = "" if np.isfinite(row.se) else "no replicates: no standard error"
            return sign * row.difference, row.se, row.df, note
    return np.nan, np.nan, np.nan, f"no strips at both {show(treatment)} and {show(check)}"


# ---- putting it together


def _design(covariates, n) -> tuple[list[str], np.ndarray]:
    """Intercept and centred covariates, so that the intercept is the value at their mean."""
    terms, columns = ["mean"], [np.ones(n)]
    for name in covariates.columns if covariates is not None else ():
        column = covariates[name]
        if pd.api.types.is_numeric_dtype(column):
            columns.append(column.to_numpy(float))
            terms.append(str(name))
            continue
        codes, labels = factor(column)
        for label, values in zip(labels[1:], linear.dummies(codes).T, strict=True):
            columns.append(np.where(codes < 0, np.nan, values))
            terms.append(f"{name}: {label} against {labels[0]}")
    design = np.column_stack(columns)
    design[:, 1:] -= np.nanmean(design[:, 1:], axis=0)
    return terms, design


def _site_table(names, y, s, df, weighable, weights, notes, level) -> pd.DataFrame:
    from scipy.special import ndtri

    share = np.zeros(len(y))
    share[weighable] = 100 * weights / weights.sum()
    remarks = [str(n) if n else "" for n in (notes if notes is not None else [""] * len(y))]
    remarks = [n or (UNWEIGHTED if not w else "") for n, w in zip(remarks, weighable, strict=True)]
    tail, known = (1 - level) / 2, df > 0
    half = np.where(known, t_reach(df, level), -ndtri(tail)) * s
    return pd.DataFrame(
        {
            "site": names,
            "estimate": y,
            "se": s,
            "df": np.where(known, df, np.nan),
            "low": y - half,
            "high": y + half,
            "weight_pct": share,
            "note": remarks,
        }
    )


def _by_note(rows) -> list[str]:
    """Sites that are not weighted, those of one reason together with it."""
    reasons = rows["note"].where(rows["note"] != UNWEIGHTED, NO_ERROR)
    return [f"{', '.join(map(str, of))} ({why})" for why, of in rows["site"].groupby(reasons, sort=False)]


def _conclude(table, model, fit, terms, alone, method, modified, unit, quantity, level):
    from scipy.special import chdtrc, ndtri

    knapp, tau2, k = method != "common", fit.ratio, len(model.y)
    raw = fit.q / fit.df if knapp else 1.0
    scale = max(1.0, raw) if modified else raw
    se = np.sqrt(np.diag(fit.covariance) * scale)
    reach = t_reach(fit.df, level) if knapp else -ndtri((1 - level) / 2)
    b = fit.coefficients
    ratio = np.abs(b / se)
    coefficients = pd.DataFrame(
        {"term": terms, "estimate": b, "se": se, "low": b - reach * se, "high": b + reach * se,
         "p": 2 * (t_below(fit.df, -ratio) if knapp else normal_below(-ratio))}
    )  # fmt: skip
    ahead = reach * np.sqrt(tau2 + se[0] ** 2)
    plain = model.at(0.0)
    typical = plain.df / plain.trace
    low, high = q_profile(model, level) if knapp else (0.0, 0.0)
    return PooledEstimate(
        sites=table, coefficients=coefficients, estimate=float(b[0]), se=float(se[0]),
        low=float(b[0] - reach * se[0]), high=float(b[0] + reach * se[0]),
        prediction_low=float(b[0] - ahead), prediction_high=float(b[0] + ahead),
        tau2=tau2, tau2_low=low, tau2_high=high, i2_pct=float(100 * tau2 / (tau2 + typical)),
        q=plain.q, q_df=plain.df, q_p=float(chdtrc(plain.df, plain.q)),
        explained_pct=float(max(0.0, 100 * (1 - tau2 / alone))) if alone > 0 else np.nan,
        k=k, method=_method(method, modified), unit=unit, quantity=quantity,
        level=level, checks=checks_frame(_checks(table, k, tau2, raw, scale, knapp)),
        methods=(method, "hartung-knapp", "prediction", "between sites") if knapp else (),
    )  # fmt: skip


def _method(method, modified) -> str:
    if method == "common":
        return "one common value, inverse-variance weights"
    return f"random effects, {method}, Hartung-Knapp{' modified' if modified else ''}"


def _factor_note(raw, scale, tau2) -> str:
    """Say how sites differ from what was expected of them, and whether the factor was held at one for it."""
    also = " and the variance between them say" if tau2 > 0 else " say"
    if abs(raw - 1) <= 1e-6:  # a root found to a few digits is one as it is
        return f"sites differ as much as their standard errors{also}"
    way = f"sites differ {'more' if raw > 1 else 'less'} than their standard errors{also}"
    return way if scale <= raw else f"set to one ({plain(raw)} without it): {way}"


def _checks(table, k, tau2, raw, scale, knapp):
    weight = table["weight_pct"]
    faint = table.loc[(weight > 0) & (weight < NO_WEIGHT_PCT), "site"]
    rows = [
        check_row("pool", "sites without a standard error", int((weight == 0).sum()),
                  sites="; ".join(_by_note(table[weight == 0]))),
        check_row("pool", "sites of no weight", len(faint), sites=", ".join(map(str, faint))),
    ]  # fmt: skip
    heavy = float(weight.max())
    one_of_two = None if above(heavy, 50) and k == 2 else not above(heavy, 50)
    rows.append(check_row("pool", "number of sites", k))
    rows.append(check_row("pool", "largest weight [%]", heavy, one_of_two))
    if knapp:
        why = _factor_note(raw, scale, tau2)
        rows.append(check_row("pool", "Hartung-Knapp factor", float(scale), why=why))
    return rows
