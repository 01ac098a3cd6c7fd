"""Many trials of one table read at once, as arrays; one that is out of the ordinary is read by itself."""

from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.errors import FertkitError
from fertkit.intake.strip_checks import MANY_PLACED
from fertkit.intake.strip_headers import SITE_COLUMNS
from fertkit.response.data import TrialData, one_level, read_trial_data, unit_of
from fertkit.sizes import LARGEST_NUMBER
from fertkit.trials.table import SINGLE_COLUMNS, column_of, is_yield


def read_trials(
    table, trial, *, rate=None, response=None, blocks=None, weight=None
) -> list[TrialData | FertkitError]:
    """Read every trial of a table as `read_trial_data` reads one: its data, or the error that one raises.

    Parameters
    ----------
    table : DataFrame
    trial : (n,) int array
        Number of the trial 0, 1, ... that each row belongs to.
    rate, response, blocks, weight
        See `read_trial_data`.
    """
    columns = {"rate": rate, "response": response, "blocks": blocks, "weight": weight}
    order = np.argsort(trial, kind="stable")
    if (np.diff(order) < 0).any():
        table, trial = table.iloc[order], trial[order]
    starts = np.flatnonzero(np.diff(trial, prepend=-1))
    plain, found = _plain(table, trial, starts, **columns), []
    for i, (start, end) in enumerate(pairwise([*starts, len(trial)])):
        try:
            found.append(plain.get(i) or read_trial_data(table.iloc[start:end], **columns))
        except FertkitError as error:
            found.append(error)
    return found


def _plain(table, trial, starts, rate, response, blocks, weight) -> dict[int, TrialData]:
    """The trials by number that are of one site and crop and of strips, with a number in every cell."""
    block = "block" if blocks is None else blocks or "block"
    try:
        rate, response = column_of(table, rate, "rate"), column_of(table, response, "yield")
        cells = [table[column_of(table, name, name)] for name in (rate, response, weight) if name]
    except FertkitError:
        return {}
    if not isinstance(block, str) or not (block in table or block == "block"):
        return {}
    x, y, *w = (pd.to_numeric(c, errors="coerce").to_numpy(float, na_value=np.nan) for c in cells)
    w = w[0] if w else np.ones(len(x))
    good = (x >= 0) & (x <= LARGEST_NUMBER) & (np.abs(y) <= LARGEST_NUMBER) & (w > 0) & (w <= LARGEST_NUMBER)
    good &= (y >= 0) | (not is_yield(response))
    odd = np.logical_or.reduceat(~good | _repeated(table, trial), starts)
    for name in {*SITE_COLUMNS, *SINGLE_COLUMNS} & set(table):
        odd |= _varies(table[name], starts)
    blocked = np.zeros(len(starts), bool)
    if blocks is not False and block in table:
        blocked = _varies(table[block], starts) | (blocks is not None)
        odd |= blocked & np.logical_or.reduceat(table[block].isna().to_numpy(bool), starts)
    labels = table[block].astype(str).to_numpy(dtype=str) if blocked.any() else np.full(len(x), "")
    odd |= _crowded(trial, np.where(blocked[trial], labels, ""), x, np.where(blocked, 2, MANY_PLACED))
    largest = np.maximum.reduceat(np.where(good, x, 0.0), starts)
    x = one_level(np.where(good, x, 0.0), largest[trial])
    odd |= np.maximum.reduceat(x, starts) == np.minimum.reduceat(x, starts)
    known = {"rate_unit": unit_of(rate, "rate unit"), "yield_unit": unit_of(response, "yield unit")}
    known, found = known | {"columns": (rate, response)}, {}
    facts = {name: table[name].to_numpy(object) for name in ("nutrient", "crop") if name in table}
    for i, (start, end) in enumerate(pairwise([*starts, len(x)])):
        if not odd[i]:
            rows = slice(start, end)
            told = {name: str(values[start] or "") for name, values in facts.items()}
            in_blocks = labels[rows] if blocked[i] else None
            found[i] = TrialData(
                x[rows], y[rows], w[rows], in_blocks, **known, **told, strips=table.iloc[rows]
            )
    return found


def _varies(cells, starts):
    """Trials in which a column holds several values; a missing cell is one of them."""
    codes = pd.factorize(cells, use_na_sentinel=False)[0]
    return np.maximum.reduceat(codes, starts) > np.minimum.reduceat(codes, starts)


def _repeated(table, trial):
    """Rows of a strip or plot that a row before them holds already."""
    again = np.zeros(len(trial), bool)
    for name in {"strip", "plot"} & set(table):
        keys = table[[c for c in ("block", "column", name) if c in table]].set_axis(trial)
        again |= keys.reset_index().duplicated().to_numpy() & table[name].notna().to_numpy(bool)
    return again


def _crowded(trial, labels, x, limit):
    """Trials in which half the rates or more come so often in a block that rows may be parts of strips."""
    (in_block, blocks), (at_rate, rates) = pd.factorize(labels), pd.factorize(x, use_na_sentinel=False)
    cells = len(blocks) * len(rates)
    keys, often = np.unique(trial * cells + in_block * len(rates) + at_rate, return_counts=True)
    own = keys // cells
    ranked = often[np.lexsort((often, own))]
    middle = (np.searchsorted(own, own, "left") + np.searchsorted(own, own, "right")) // 2
    return (ranked[middle] >= limit[own])[np.unique(own, return_index=True)[1]]
