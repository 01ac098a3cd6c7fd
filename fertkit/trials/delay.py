"""The time from header to flow sensor, from passes that were harvested in opposite directions."""

from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding, numbers
from fertkit.errors import NotEstimable
from fertkit.intake.yield_points import YieldPoints
from fertkit.trials.points import NO_RULES, USUAL, clean_points

#: Passes with neighbours in the other direction that it takes (common practice, no source).
FEWEST_PASSES = 6
#: Two thirds of the passes have to want a delay this near to the best of all [s], and the roughness to fall
#: to this share of its median over the delays tried (common practice, no source).
ALIKE_S, DEPTH = 2.0, 0.9
#: Passes run against each other where both lie this near to one line (cosine of 30 degrees).
STRAIGHT = 0.866
_SAY = "the delay cannot be found from this log"


@asks(points=holding("points", "crop", like="what read_yield_points gives"), candidates=numbers)
def find_delay(points: YieldPoints, candidates=range(0, 21)) -> pd.DataFrame:
    """Find the time from header to flow sensor at which passes harvested in opposite directions agree best.

    Only points away from the ends of a pass are compared, each with the nearest one of a pass harvested the
    other way.

    Parameters
    ----------
    points : YieldPoints
    candidates : sequence of int
        Delays to try [s].

    Returns
    -------
    DataFrame
        delay_s, roughness (root mean squared difference between nearest points of opposite passes [yield
        unit]) and passes_best (passes for which this delay is the best), best first.

    Raises
    ------
    NotEstimable
        If fewer than six passes have neighbours harvested the other way, no delay is clearly better than
        the others, or the best is the longest tried.

    Examples
    --------
    A yield that rises along the field, weighed three seconds late:

    >>> import numpy as np
    >>> import pandas as pd
    >>> from fertkit.intake import read_points
    >>> run, step = np.divmod(np.arange(6 * 60), 60)
    >>> place = np.where(run % 2, 59 - step, step)
    >>> late = np.where(run % 2, place + 3, place - 3)
    >>> log = pd.DataFrame({"lon": -93 + run * 1e-4, "lat": 42 + place * 2e-5, "flow": 15 + late * 0.1,
    ...                     "seconds": 1, "distance": 7.3, "width": 30.0, "moisture": 15.5, "pass": run})
    >>> units = {"flow": "lb/s", "distance": "ft", "width": "ft"}
    >>> points = read_points(log, crop="corn", units=units)
    >>> from fertkit.trials import find_delay
    >>> int(find_delay(points, candidates=range(8))["delay_s"].iloc[0])
    3
    """
    candidates = np.asarray(candidates)
    candidates = candidates.astype(int) if (candidates % 1 == 0).all() else candidates
    values, run = _values(points, candidates)
    one, other = _opposite(points.points, run)
    whole = np.isfinite(values[:, one] + values[:, other]).all(axis=0)
    one, other = one[whole], other[whole]
    count = np.bincount(run[one], minlength=run.max() + 1)
    enough = count >= USUAL.shortest
    if enough.sum() < FEWEST_PASSES:
        raise NotEstimable(
            f"{_SAY}: {enough.sum()} passes have neighbours harvested in the opposite direction, "
            f"{FEWEST_PASSES} are needed (common practice, no source); take it from the manual of "
            "the combine or from a pass over a known edge"
        )
    squares = (values[:, one] - values[:, other]) ** 2
    by_pass = np.array([np.bincount(run[one], weights=s, minlength=len(count)) for s in squares])[:, enough]
    roughness = np.sqrt(squares.mean(axis=1))
    votes = by_pass.argmin(axis=0)
    _check_agreement(np.asarray(candidates, dtype=float), roughness, votes)
    table = pd.DataFrame({"delay_s": candidates, "roughness": roughness,
                          "passes_best": np.bincount(votes, minlength=len(candidates))})  # fmt: skip
    return table.sort_values("roughness", ignore_index=True, kind="stable")


def _check_agreement(delays, roughness, votes):
    best = delays[roughness.argmin()]
    alike = int((np.abs(delays[votes] - best) <= ALIKE_S).sum())
    if 3 * alike < 2 * len(votes) or roughness.min() > DEPTH * np.median(roughness):
        raise NotEstimable(
            f"{_SAY}: {best:g} s fits best, but hardly better than others ({alike} of {len(votes)} passes "
            f"want a delay within {ALIKE_S:g} s of it); the yields may vary too little along the passes"
        )
    if best == delays.max() and len(delays) > 1:
        raise NotEstimable(f"{_SAY}: the longest tried, {best:g} s, fits best; try longer ones")


def _values(points, candidates) -> tuple[np.ndarray, np.ndarray]:
    """Yield of every point after each delay, missing where it is lost or near an end; number of the pass."""
    values = []
    for delay in candidates:
        rules = replace(NO_RULES, delay_s=float(delay), edge_m=USUAL.edge_m, global_sd=USUAL.global_sd)
        try:
            tried = clean_points(points, rules).points
        except NotEstimable as error:
            raise NotEstimable(f"{_SAY}: {error}") from None
        values.append(tried[points.yield_column].where(tried["removed_by"] == "").to_numpy(np.float32))
    return np.array(values), tried["pass"].to_numpy()


def _opposite(table, run) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of points near each other that were harvested in opposite directions (indices of both)."""
    from scipy.spatial import cKDTree

    place = table["x_m"].to_numpy() + 1j * table["y_m"].to_numpy()
    step = np.r_[place[1:] - place[:-1], 0]
    step[:-1][run[1:] != run[:-1]] = 0
    with np.errstate(invalid="ignore", divide="ignore"):
        heading = step / np.abs(step)
    known = np.isfinite(heading)
    if not known.any():
        return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
    # The line most of the field was driven along: both ways count alike in the square of the heading.
    line = np.sqrt(np.mean(heading[known] ** 2))
    along = np.where(known, (heading * np.conj(line)).real, 0) / np.abs(line)
    forth, back = np.flatnonzero(along > STRAIGHT), np.flatnonzero(along < -STRAIGHT)
    if not len(forth) or not len(back):
        return forth[:0], forth[:0]
    reach = USUAL.reach * float(np.nanmedian(table["width_m"]))
    pairs = []
    for one, other in ((forth, back), (back, forth)):
        tree = cKDTree(np.column_stack([place[other].real, place[other].imag]))
        found = tree.query(np.column_stack([place[one].real, place[one].imag]), distance_upper_bound=reach)[1]
        here = found < len(other)
        pairs.append((one[here], other[found[here]]))
    return tuple(np.concatenate(side) for side in zip(*pairs, strict=True))
