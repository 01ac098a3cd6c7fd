"""The economic optimum of many trials at once: thousands in one call, each with its own rates and blocks.

Examples
--------
>>> from fertkit.response import optima_of_trials
>>> import pandas as pd
>>> trial = pd.DataFrame({
...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
... })
>>> both = pd.concat([trial.assign(trial="A"), trial.assign(trial="B")])
>>> optima = optima_of_trials(both, "trial", 0.45 / 11)
>>> optima["trial"].tolist(), optima["status"].tolist()
(['A', 'B'], ['interior', 'interior'])
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_share, a_table, amounts, asks, either, headers, maybe_headers, off
from fertkit.errors import FertkitError, InputError, NotEstimable, Problem, unknown
from fertkit.response.average import average_weights, averaged_keys, averaged_sets, mean_wins, settle, verdict
from fertkit.response.curves import CURVES, LINEAR
from fertkit.response.data import TrialData
from fertkit.response.fit import fit_data, need_contrasts
from fertkit.response.interval import difference
from fertkit.response.many import read_trials
from fertkit.response.optimum import Status
from fertkit.response.prices import one_ratio
from fertkit.response.region import optimum_sets
from fertkit.response.search import fit_sums
from fertkit.response.sums import Sums, stack
from fertkit.results import plain

BATCH = 2000  # trials fitted together


@asks(
    table=a_table, by=headers, price_ratio=amounts, level=a_share, rate=a_header, response=a_header,
    blocks=either(maybe_headers, off), weight=a_header,
)  # fmt: skip
def optima_of_trials(
    table, by, price_ratio, *, level=0.95, rate=None, response=None, blocks=None, weight=None
) -> pd.DataFrame:
    """Averaged economic optimum of every trial in a table, by the rule of `analyse_response`.

    Parameters
    ----------
    table : DataFrame
        Rows of all trials; each is read as `fertkit.response.data.read_trial_data` reads one.
    by : str or list of str
        Columns that tell trials apart.
    price_ratio : float
        Price of a unit of nutrient over the price of a unit of yield [yield unit per rate unit].
    level : float
        Confidence level of the intervals.
    rate, response, blocks, weight
        See `read_trial_data`.

    Returns
    -------
    DataFrame
        One row per trial, in order of appearance: the `by` columns, n, n_rates, lowest_rate, highest_rate,
        optimum, low, high (cut to the tested rates), high_open, status, the weight of each curve, and a
        message where there is more to say: a trial of two rates has a difference, no optimum.

    Raises
    ------
    InputError
        If a trial cannot be used, or has one rate or no error df; all such trials at once.
    PriceError, NotEstimable
        For a price ratio or a level that is none.
    """
    price_ratio = one_ratio(price_ratio)
    for name in by:
        if name not in table:
            raise unknown("column", name, table.columns)
    trial = table.groupby(by, sort=False).ngroup().to_numpy()
    table, trial = table[trial >= 0], trial[trial >= 0]  # rows without a name belong to none
    names = table[by].iloc[np.unique(trial, return_index=True)[1]]
    columns = {"rate": rate, "response": response, "blocks": blocks, "weight": weight}
    problems, found = [], read_for_survey(table.drop(columns=by), trial, **columns)
    for name, data in zip(names.itertuples(index=False, name=None), found, strict=True):
        told = "trial " + " ".join(map(str, name))
        if isinstance(data, InputError):
            problems += [replace(p, what=f"{told}: {p.what}", row=None) for p in data.problems]
        elif isinstance(data, FertkitError):
            problems.append(Problem(f"{told}: {data.plain}", "leave it out or analyse it alone"))
    if problems:
        raise InputError("trials", problems)
    return pd.concat([names.reset_index(drop=True), survey_trials(found, price_ratio, level)], axis=1)


def read_for_survey(table, trial, **columns) -> list[TrialData | FertkitError]:
    """Check the trials of a table for `survey`, as `read_trials` does; they need a curve and error df too."""
    return [_usable(data) for data in read_trials(table, trial, **columns)]


def _usable(data):
    if isinstance(data, FertkitError):
        return data
    terms, what = (2, "a curve") if has_curve(data) else (1, "a difference of two rates")
    try:
        need_contrasts(data, terms, what)
    except NotEstimable as error:
        return error
    few = len(data.rate) - terms <= data.sweep.n_blocks
    return NotEstimable(f"too few rows for {what}") if few else data


def survey_trials(trials: list[TrialData], price_ratio, level=0.95) -> pd.DataFrame:
    """A row for every checked trial, in order; those of two rates get their difference."""
    curved = [i for i, data in enumerate(trials) if has_curve(data)]
    others = [i for i, data in enumerate(trials) if not has_curve(data)]
    optima = survey_each([trials[i].sums for i in curved], price_ratio, level) if curved else pd.DataFrame()
    rows = pd.DataFrame([difference_row(trials[i], level) for i in others])
    found = pd.concat([f.set_axis(at) for f, at in ((optima, curved), (rows, others)) if len(f)]).sort_index()
    return found.assign(message=found["message"].fillna("") if others else "")


def survey_each(parts: list[Sums], price_ratio, level=0.95) -> pd.DataFrame:
    """Averaged economic optima of many designs, a row for each; neighbours move no more than rounding."""
    batches = [stack(parts[i : i + BATCH]) for i in range(0, len(parts), BATCH)]
    return pd.concat([survey(sums, price_ratio, level) for sums in batches], ignore_index=True)


def survey(sums: Sums, price_ratio, level=0.95, curve=None) -> pd.DataFrame:
    """Economic optima, a row for each design and replicate in turn; see `optima_of_trials`.

    Averaged over the curves, or of the one `curve` asked for, by the rule of `analyse_response`.
    """
    fits = {k: fit_sums(k, sums) for k in ([curve] if curve else CURVES)}
    if not curve:
        fits, ranked = _without_the_unfitted(fits)
    keys = [curve] if curve else averaged_keys(fits)
    if curve:
        weights = np.ones((*fits[curve].rss.shape, 1))
        low, high = optimum_sets(curve, fits[curve], sums, price_ratio, level)
    else:
        weights = average_weights(ranked, sums)
        low, high = averaged_sets(fits, sums, weights, price_ratio, level)
    rate, status = verdict({k: fits[k] for k in keys}, weights, sums, price_ratio)
    if not curve:
        none = mean_wins(ranked, sums)
        rate, status = np.where(none, sums.lowest[:, None], rate), np.where(none, Status.NONE, status)
    low, high = settle(low, high, status, sums)
    lowest, top = (np.broadcast_to(end[:, None], rate.shape) for end in (sums.lowest, sums.highest))
    frame = pd.DataFrame(
        {
            "n": np.repeat(sums.n, rate.shape[1]),
            "n_rates": np.repeat(sums.n_rates, rate.shape[1]),
            "lowest_rate": lowest.ravel(),
            "highest_rate": top.ravel(),
            "optimum": rate.ravel(),
            "low": np.clip(low, lowest, top).ravel(),
            "high": np.minimum(high, top).ravel(),
            "high_open": (high > top).ravel(),
            "status": status.ravel(),
        }
    )
    return frame.assign(**{f"weight_{k}": weights[..., i].ravel() for i, k in enumerate(keys)})


def _without_the_unfitted(fits):
    """Fits in which all parameters are numbers, and the same with no support where they were none.

    With rates far from zero for their range some are none, as in `fit_data`; the other curves go on.
    """
    lost = {k: ~np.isfinite(f.params).all(axis=-1) for k, f in fits.items()}
    some = {k: replace(f, params=np.where(lost[k][..., None], 0.0, f.params)) for k, f in fits.items()}
    ranked = {
        k: replace(f, rss=np.where(lost[k], np.inf, f.rss), bend=np.where(lost[k], np.nan, f.bend))
        for k, f in some.items()
    }
    return some, ranked


def difference_row(data: TrialData, level: float) -> dict:
    """Row of a survey for a trial of two rates: no optimum; the difference stands in words."""
    gain, *ends = difference(fit_data(data, LINEAR), level)
    low, high = data.rates
    return {
        "n": len(data.rate), "n_rates": 2, "lowest_rate": low, "highest_rate": high,
        "optimum": np.nan, "low": np.nan, "high": np.nan, "high_open": False, "status": Status.DIFFERENCE,
        "message": f"two rates give a difference, not a curve: {plain(high)} rather than "
        f"{plain(low)} {data.rate_unit} yields {plain(gain)} {data.yield_unit} more ({level:.0%} interval "
        f"{' to '.join(map(plain, ends))})",
    }  # fmt: skip


def has_curve(data: TrialData) -> bool:
    """Whether there are rates enough for a curve."""
    return len(data.rates) > 2
