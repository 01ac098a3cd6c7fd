"""Where harvest points lie: inside which polygon, in which strip, and how strips fall into blocks."""

from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable

#: Passes side by side belong together where they lie this near, one behind the other where this near to one
#: line [header widths], and side by side where they share this much of the shorter one (common practice, no
#: source).
BESIDE, IN_LINE, SHARED = 1.5, 0.75, 0.25
#: More pieces of passes than this are a log cut up by noise, not a trial (common practice, no source).
MOST_PIECES = 6000
#: Levels of rates: bandwidth as a share of their span, least height of a peak, and how far from its level a
#: rate may lie, as a share of the way to the next (common practice, no source).
BANDWIDTH, PEAK, OFF = 0.03, 0.05, 0.35
#: So many different rates at most are taken as they stand, but for those of a smaller share of the points
#: (common practice, no source).
FEW_RATES, RARE = 12, 0.002
#: A level is named by the roundest number this near to it (common practice, no source).
NEAR = 0.02


def inside(x, y, rings) -> np.ndarray:
    """Even-odd rule: from inside closed rings, a ray to the east crosses them an odd number of times."""
    odd = np.zeros(len(x), dtype=bool)
    for ring in rings:
        for (x1, y1), (x2, y2) in pairwise(ring):
            if y1 != y2:
                odd ^= ((y1 > y) != (y2 > y)) & (x < (x2 - x1) * (y - y1) / (y2 - y1) + x1)
    return odd


def locate(x, y, shapes) -> np.ndarray:
    """Find the shape each point lies in.

    Parameters
    ----------
    x, y : (n,) arrays
    shapes : list
        Of each shape its parts, lists of closed rings ((k, 2) arrays in the unit of x and y).

    Returns
    -------
    (n,) int array
        Number of the shape; -1 where there is none, -2 where there are several.
    """
    code = np.full(len(x), -1)
    order = np.argsort(x)
    east = x[order]
    for number, parts in enumerate(shapes):
        for rings in parts:
            low, high = rings[0].min(axis=0), rings[0].max(axis=0)
            near = order[np.searchsorted(east, low[0]) : np.searchsorted(east, high[0], side="right")]
            near = near[(y[near] >= low[1]) & (y[near] <= high[1])]
            here = near[inside(x[near], y[near], rings)]
            code[here] = np.where((code[here] == -1) | (code[here] == number), number, -2)
    return code


def nearest_record(x, y, places, reach) -> np.ndarray:
    """Find the record nearest to each point within a reach [m]; -1 where there is none."""
    from scipy.spatial import cKDTree

    known = np.flatnonzero(np.isfinite(places).all(axis=1))
    tree = cKDTree(places[known])
    _, near = tree.query(np.column_stack([x, y]), distance_upper_bound=reach, workers=-1)
    return np.append(known, -1)[near]


def feature_at(x, y, field, reach) -> np.ndarray:
    """Find the feature of a map at each place: the polygon it lies in, or the nearest record within reach."""
    return locate(x, y, field.parts) if field.at is None else nearest_record(x, y, field.at, reach)


def usual_reach(at) -> float:
    """Half the way from records in rows to the next row, and a tenth more [m]."""
    place = at[np.isfinite(at).all(axis=1)] @ [1, 1j]
    way = np.diff(place)
    way = way[np.abs(way) > 0]
    step = float(np.median(np.abs(way))) if len(way) else 0.0
    gaps = np.diff(np.sort((place * np.conj(main_line(way / np.abs(way)))).imag))
    gaps = gaps[gaps > max(step / 2, 1.0)]
    return 0.55 * float(np.median(gaps)) if len(gaps) else max(2 * step, 10.0)


def headings(x, y, run) -> np.ndarray:
    """Heading of each record from those about it of the same pass, as a complex number of length one."""
    n, step = len(x), 3
    first = np.flatnonzero(np.r_[True, run[1:] != run[:-1]])
    start = np.repeat(first, np.diff(np.r_[first, n]))
    stop = np.repeat(np.r_[first[1:], n] - 1, np.diff(np.r_[first, n]))
    at = np.arange(n)
    ahead, behind = np.minimum(at + step, stop), np.maximum(at - step, start)
    way = (x[ahead] - x[behind]) + 1j * (y[ahead] - y[behind])
    with np.errstate(invalid="ignore", divide="ignore"):
        return way / np.abs(way)


def main_line(heading) -> complex:
    """The line most of the passes follow; both ways along it count alike."""
    known = heading[np.isfinite(heading)]
    line = np.sqrt(np.mean(known**2)) if len(known) else 0j
    return line / abs(line) if abs(line) > 0 else 1 + 0j


def near_change(label, run, along, reach) -> np.ndarray:
    """Return which records of a pass lie within a reach of where its label changes [unit of `along`]."""
    change = np.flatnonzero((label[1:] != label[:-1]) & (run[1:] == run[:-1])) + 1
    if not len(change):
        return np.zeros(len(label), dtype=bool)
    at = (along[change] + along[change - 1]) / 2
    out = np.zeros(len(label), dtype=bool)
    after = np.searchsorted(change, np.arange(len(label)), side="right")
    for which in (after - 1, after):
        there = (which >= 0) & (which < len(change))
        k = np.clip(which, 0, len(change) - 1)
        out |= there & (run[change[k]] == run) & (np.abs(along - at[k]) < reach)
    return out


# ---- levels of rates


def find_levels(rates) -> np.ndarray:
    """Find the levels that rates were meant to have, ascending, from the rate at each harvest point."""
    values, counts = np.unique(np.round(rates, 6), return_counts=True)
    return _peaks(rates) if len(values) > FEW_RATES else values[counts >= RARE * counts.sum()]


def level_of(rates, levels) -> np.ndarray:
    """Number of the level that each rate is near; -1 where it lies between two, or beyond them."""
    rates = np.asarray(rates, dtype=float)
    code = np.searchsorted((levels[1:] + levels[:-1]) / 2, rates)
    gaps = np.diff(levels)
    gaps = gaps if len(gaps) else np.array([np.inf])
    off = rates - levels[code]
    below, over = np.r_[gaps[0], gaps], np.r_[gaps, gaps[-1]]
    room = np.where(off < 0, below[np.minimum(code, len(below) - 1)], over[np.minimum(code, len(over) - 1)])
    return np.where(np.isfinite(rates) & (np.abs(off) <= OFF * room), code, -1)


def _peaks(rates) -> np.ndarray:
    """Rates that many records lie near: peaks of their smoothed density."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import find_peaks

    low, high = np.quantile(rates, [0.005, 0.995])
    span = high - low
    if span <= 0:
        return np.array([low])
    edges = np.linspace(low - 0.2 * span, high + 0.2 * span, 561)
    density = gaussian_filter1d(np.histogram(rates, edges)[0].astype(float), BANDWIDTH * 400)
    at, _ = find_peaks(density, prominence=PEAK * density.max())
    middles = (edges[1:] + edges[:-1])[at] / 2
    of = np.abs(rates[:, None] - middles).argmin(axis=1)
    usual = [np.median(rates[of == k]) for k in range(len(middles)) if (of == k).any()]
    return np.array(sorted({_round(rate) for rate in usual}))


def _round(rate) -> float:
    """The roundest number within a fiftieth of a rate: 199.2 was meant as 200, 134 as 134."""
    near = (float(f"{rate:.{digits}g}") for digits in (1, 2, 3))
    return next((number for number in near if abs(number - rate) <= NEAR * abs(rate)), float(rate))


# ---- strips and blocks


def strips_by_place(along, across, run, label, width, beside=BESIDE) -> np.ndarray:
    """Number the strips that passes of one label make up.

    A piece is what a pass has of one label. Pieces of the same label are one strip where they lie side by
    side, or one behind the other with nothing of another label between: a strip that is cut by a waterway or
    by lost points stays one.

    Parameters
    ----------
    along, across : (n,) arrays
        Positions in the direction of the passes and across it [m], in the order of harvest.
    run, label : (n,) int arrays
        Pass and label.
    width : float
        Header width [m].
    beside : float
        Pieces side by side belong together to this distance [header widths].

    Returns
    -------
    (n,) int array
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    cut = np.r_[True, (run[1:] != run[:-1]) | (label[1:] != label[:-1])]
    piece = np.cumsum(cut) - 1
    of = pd.DataFrame({"along": along, "across": across, "label": label}).groupby(piece)
    # Half way between its sides: a polygon of several passes has its middle where it was, whatever was lost.
    across = ((of["across"].min() + of["across"].max()) / 2).to_numpy()
    label = of["label"].first().to_numpy()
    low, high = of["along"].min().to_numpy(), of["along"].max().to_numpy()
    if len(across) > MOST_PIECES:
        raise NotEstimable(
            f"the map cuts the passes into {len(across)} pieces: no strips can be recognised; name them in a "
            "column 'strip' of the map, or smooth the rates"
        )
    links = [_linked(k, across, low, high, label, width, beside) for k in range(len(across))]
    from_ = np.repeat(np.arange(len(links)), list(map(len, links)))
    to = np.concatenate(links)
    graph = coo_array((np.ones(len(to)), (from_, to)), shape=(len(links), len(links)))
    return connected_components(graph, directed=False)[1][piece]


def _linked(k, across, low, high, label, width, beside) -> np.ndarray:
    """Later pieces that belong to the strip of piece k."""
    apart = np.abs(across - across[k])
    shared = np.minimum(high, high[k]) - np.maximum(low, low[k])
    shorter = np.maximum(np.minimum(high - low, high[k] - low[k]), 1e-9)
    same = (label == label[k]) & (np.arange(len(label)) > k)
    near = same & (apart <= beside * width) & (shared >= SHARED * shorter)
    in_line = apart <= IN_LINE * width
    behind = np.flatnonzero(same & in_line & (shared < SHARED * shorter))
    others = np.flatnonzero(in_line & (label != label[k]))
    clear = []
    for j in behind:
        start, stop = min(high[k], high[j]), max(low[k], low[j])
        clear.append(not ((high[others] > start) & (low[others] < stop)).any())
    return np.r_[np.flatnonzero(near), behind[np.array(clear, dtype=bool)]]


def split_wide(strip, across, width) -> tuple[np.ndarray, int]:
    """Split strips twice as wide as most: two of one rate side by side, where blocks meet.

    Parameters
    ----------
    strip : (n,) int array
    across : (n,) array
        Positions across the passes [m].
    width : float
        Header width [m].

    Returns
    -------
    strip : (n,) int array
    wider : int
        Strips wider still, which stay one: ground beside a trial, as it may be.
    """
    of = pd.Series(across).groupby(strip)
    low, high = (of.quantile(share).to_numpy() for share in (0.02, 0.98))
    apart = np.diff(np.sort((low + high) / 2))
    apart = apart[apart > width / 2]
    pitch = max(float(np.median(apart)), width) if len(apart) else np.inf
    times = np.maximum(np.rint((high - low + width) / pitch), 1)
    if 3 * np.sum(times == 1) < 2 * len(times):
        return strip, 0
    upper = (times[strip] == 2) & (across > ((low + high) / 2)[strip])
    return pd.factorize(2 * strip + upper)[0], int(np.sum(times > 2))


def blocks_by_place(along, across, length, level, width) -> np.ndarray | None:
    """Form blocks of strips from where they lie; None where no block would hold every level.

    The strips are walked from one side to the other, and a new block begins where a level comes again: row by
    row of strips, or lane by lane, whichever gives more blocks with every level.

    Parameters
    ----------
    along, across, length : (s,) arrays
        Middle and length of each strip [m].
    level : (s,) int array
    width : float
        Header width [m].
    """
    row = _tiers(along, np.maximum(np.median(length) / 2, width))
    lane = _tiers(across, width / 2)
    best, most = None, 0
    for order in (np.lexsort([across, row]), np.lexsort([along, lane])):
        block, complete = _walked(level[order], len(np.unique(level)))
        if complete > most:
            best, most = np.empty(len(level), dtype=int), complete
            best[order] = block
    return best


def _tiers(places, apart) -> np.ndarray:
    """Number places that lie within a distance of the next one."""
    order = np.argsort(places)
    tier = np.empty(len(places), dtype=int)
    tier[order] = np.cumsum(np.r_[0, np.diff(places[order]) > apart])
    return tier


def _walked(levels, n) -> tuple[list[int], int]:
    """Blocks of strips in the order walked, numbered from 1, and how many of them hold all n levels."""
    block, held, sizes = [], set(), []
    for level in levels:
        if level in held:
            sizes.append(len(held))
            held = set()
        held.add(level)
        block.append(len(sizes) + 1)
    sizes.append(len(held))
    return block, sum(size == n for size in sizes)
