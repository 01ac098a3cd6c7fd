"""Which treatments or rates can be compared within blocks at all: the parts a design falls into.

Blocks that share a treatment are linked; treatments of two parts that no block links differ by what the parts
differ by, and no arithmetic tells the one from the other (Searle 1971, Linear Models, from memory).
"""

import numpy as np

#: Applied rates nearer than this share of the highest are one rate (common practice, no source).
ONE_RATE = 0.05


def parts(treatment, block) -> np.ndarray:
    """Number the connected part of a design that each row belongs to.

    Parameters
    ----------
    treatment, block : (n,) int arrays

    Returns
    -------
    (n,) int array

    Examples
    --------
    Blocks 0 and 1 hold treatments 0 and 1, block 2 only treatment 2:

    >>> from fertkit.trials.connected import parts
    >>> parts([0, 1, 0, 1, 2], [0, 0, 1, 1, 2]).tolist()
    [0, 0, 0, 0, 1]
    """
    treatment, part = np.asarray(treatment), np.asarray(block).copy()
    while True:
        lowest = np.full(treatment.max() + 1, part.max())
        np.minimum.at(lowest, treatment, part)
        reached = np.full(part.max() + 1, part.max())
        np.minimum.at(reached, part, lowest[treatment])
        if (reached[part] == part).all():
            return np.unique(part, return_inverse=True)[1]
        part = reached[part]


def rate_groups(rates) -> np.ndarray:
    """Code rates 0, 1, ... in ascending order, those that differ by little as one."""
    rates = np.asarray(rates, dtype=float)
    order = np.argsort(rates, kind="stable")
    steps = np.diff(rates[order]) > ONE_RATE * np.abs(rates).max()
    codes = np.empty(len(rates), dtype=int)
    codes[order] = np.concatenate([[0], np.cumsum(steps)])
    return codes


def contrasts_within(rates, block) -> int:
    """Most independent contrasts among rates that one connected part of a design offers.

    A curve needs one for each parameter beside its level; parts that share no block have levels of their own.

    Examples
    --------
    Half of the blocks hold 0 and 120, the others 40 and 80: no part can tell a bend.

    >>> from fertkit.trials.connected import contrasts_within
    >>> contrasts_within([0, 120, 40, 80], [0, 0, 1, 1]), contrasts_within([0, 60, 60, 120], [0, 0, 1, 1])
    (1, 2)
    """
    codes = rate_groups(rates)
    part = parts(codes, block)
    held = np.unique(np.column_stack([part, codes]), axis=0)[:, 0]
    return int(np.bincount(held).max()) - 1
