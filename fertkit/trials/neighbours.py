"""Neighbours of harvest points: overlaps between passes and the local Moran statistic."""

import numpy as np

#: Points queried at a time: bounds the memory of a long log.
CHUNK = 200_000


def nearest(x, y, k: int, reach: float = np.inf) -> np.ndarray:
    """Find the k nearest other points of every point.

    Parameters
    ----------
    x, y : (n,) arrays
        Positions [m].
    k : int
    reach : float
        Points further away are no neighbours [m].

    Returns
    -------
    (n, k) int32 array
        Indices, nearest first; -1 where there are fewer points.
    """
    from scipy.spatial import cKDTree

    places = np.column_stack([x, y])
    tree = cKDTree(places)
    index = np.empty((len(places), k), dtype=np.int32)
    for start in range(0, len(places), CHUNK):
        part = slice(start, start + CHUNK)
        _, found = tree.query(places[part], k=k + 1, distance_upper_bound=reach, workers=-1)
        index[part] = _without_self(found, np.arange(len(places))[part], len(places))
    return index


def _without_self(found, own, n) -> np.ndarray:
    """Take each point out of its own neighbours; it comes first unless another lies on the very same spot."""
    if (found[:, 0] == own).all():
        others = found[:, 1:]
    else:
        itself = found == own[:, None]
        itself[~itself.any(axis=1), -1] = True
        others = found[~itself].reshape(len(found), found.shape[1] - 1)
    return np.where(others < n, others, -1)


def find_overlaps(x, y, run, index, reach) -> np.ndarray:
    """Tell which points lie on ground that an earlier pass has harvested.

    Parameters
    ----------
    x, y : (n,) arrays
        Positions [m].
    run : (n,) int array
        Number of the pass, in order of harvest.
    index : (n, k) int array
        Neighbours, see `nearest`.
    reach : (n,) array
        Distance below which a point of an earlier pass counts [m].

    Returns
    -------
    (n,) bool array
    """
    found = np.zeros(len(x), dtype=bool)
    for j in range(index.shape[1]):
        other = index[:, j]
        near = (x[other] - x) ** 2 + (y[other] - y) ** 2 < reach**2
        found |= near & (run[other] < run) & (other >= 0)
    return found


def local_moran(values, index, use) -> tuple[np.ndarray, np.ndarray]:
    """Local Moran statistic of every point against the mean of its neighbours.

    Parameters
    ----------
    values : (n,) array
    index : (n, k) int array
        Neighbours, see `nearest`.
    use : (n,) bool array
        Points that take part; the others neither count nor are judged.

    Returns
    -------
    statistic, p : (n,) arrays
        ``z_i * mean(z of neighbours)`` and its two-sided normal probability; 0 and 1 for points left out.

    Notes
    -----
    Mean and variance under randomisation: Anselin (1995, Geogr. Anal. 27:93-115, from memory), for
    row-standardised weights of the neighbours in use.
    """
    from scipy.special import ndtr

    n = int(use.sum())
    if n < 4:
        return np.zeros(len(values)), np.ones(len(values))
    z = np.where(use, values, 0.0)
    mean = z.sum() / n
    z = np.where(use, values - mean, 0.0)
    second = (z @ z) / n
    if second == 0:
        return np.zeros(len(values)), np.ones(len(values))
    kurtosis = (z**4).sum() / n / second**2
    total, count = np.zeros(len(values)), np.zeros(len(values))
    for j in range(index.shape[1]):
        other = index[:, j]
        counts = use[other] & (other >= 0)
        total += np.where(counts, z[other], 0.0)
        count += counts
    some = use & (count > 0)
    weight = 1 / np.where(some, count, 1)
    statistic = np.where(some, z * total * weight / second, 0.0)
    expected = -1 / (n - 1)
    variance = (
        weight * (n - kurtosis) / (n - 1)
        + (1 - weight) * (2 * kurtosis - n) / ((n - 1) * (n - 2))
        - expected**2
    )
    p = 2 * ndtr(-np.abs(statistic - expected) / np.sqrt(variance))
    return statistic, np.where(some, p, 1.0)
