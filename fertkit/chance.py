"""Random numbers, from what the caller passes alone."""

import numpy as np

from fertkit.errors import NotEstimable


def make_rng(seed) -> np.random.Generator:
    """Make a source of random numbers from a seed; a `Generator` is taken as it is.

    Raises
    ------
    NotEstimable
        If the seed is neither.
    """
    try:
        return np.random.default_rng(seed)
    except (TypeError, ValueError):
        raise NotEstimable(f"a seed is a whole number, 0 or more; got {seed!r}") from None
