"""Whether treatments lie in one order in every block, so that a trend in the field passes for response."""

from math import factorial

import numpy as np

#: A repeated order less likely than this by lot counts as laid on purpose.
ALPHA = 0.05
ORDER = "order of the treatments drawn by lot"
SYSTEMATIC = (
    "the treatments lie in the same order in every block: a trend across the field looks like a response, "
    "and no test or interval allows for it"
)
UNKNOWN = "not judged: the order of the strips in the field is not known"
TOO_SHORT = "not judged: in so small a trial an order drawn by lot is often repeated"


def systematic(treatment, block, order) -> bool | None:
    """Tell whether every block repeats one order of the treatments, forwards or also backwards.

    Parameters
    ----------
    treatment, block : (n,) int arrays
    order : (n,) array or None
        Place of each strip within its block or along the field.

    Returns
    -------
    bool or None
        None where the order is not known, or so short that lots repeat it often.

    Examples
    --------
    >>> from fertkit.trials.orders import systematic
    >>> blocks = [0] * 4 + [1] * 4
    >>> systematic([0, 1, 2, 3] * 2, blocks, range(8)), systematic([0, 1, 2, 3, 2, 0, 3, 1], blocks, range(8))
    (True, False)
    """
    if order is None:
        return None
    treatment, block, order = map(np.asarray, (treatment, block, order))
    rows = [np.flatnonzero(block == one) for one in np.unique(block)]
    runs = [treatment[at[np.argsort(order[at], kind="stable")]] for at in rows]
    shared = set.intersection(*(set(run) for run in runs))
    if len(runs) < 2 or any(len(set(run)) < len(run) for run in runs):
        return None
    runs = [[one for one in run if one in shared] for run in runs]
    by_lot = 1 / factorial(len(shared))
    forwards = all(run == runs[0] for run in runs)
    either = all(run in (runs[0], runs[0][::-1]) for run in runs)
    if by_lot ** (len(runs) - 1) > ALPHA:
        return None
    return forwards or (either and (2 * by_lot) ** (len(runs) - 1) <= ALPHA)
