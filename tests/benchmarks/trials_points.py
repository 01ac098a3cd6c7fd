"""Cleaning of a yield-monitor log against the same steps in plain pandas, in one run.

Run ``python tests/benchmarks/trials_points.py [points ...] [--alone]``; ``--alone`` leaves out the reference.
Both remove the same points, which is checked; growth from size to size is set against that of n log n.
The reference is written as one would with pandas group by, numpy and scipy's tree at its defaults. Each run
has a process of its own, so that its peak memory is its own; processor time is what other work leaves alone.
"""

import argparse
import os
import resource
import subprocess
import sys
import time

import numpy as np
import pandas as pd

from fertkit.intake.points import YieldPoints
from fertkit.trials.points import USUAL, clean_points

SEED, PASS = 3, 1000


def log(n: int) -> YieldPoints:
    """A serpentine log of n points at 2 m in passes 9 m apart."""
    rng = np.random.default_rng(SEED)
    run, at = np.divmod(np.arange(n), PASS)
    along = np.where(run % 2 == 0, at, PASS - 1 - at) * 2.0
    table = pd.DataFrame(
        {
            "x_m": run * 9.0 + rng.normal(0, 0.2, n), "y_m": along + rng.normal(0, 0.1, n),
            "mass_kg": rng.normal(18, 2, n), "moisture_pct": rng.normal(18, 1, n), "seconds": 1.0,
            "distance_m": 2 + rng.normal(0, 0.1, n), "width_m": 9.0,
        },
        copy=False,  # so that making it takes no more memory than cleaning it
    )  # fmt: skip
    table["area_m2"] = table["distance_m"] * table["width_m"]
    table["yield_bu_ac"] = table["mass_kg"] * (100 - table["moisture_pct"]) / 84.5 / table["area_m2"] * 159.3
    table["pass"] = run
    return YieldPoints(table, "corn", 15.5, "bu/ac", "made log", pd.DataFrame())


def plain(points: YieldPoints) -> np.ndarray:
    """The same steps with pandas group by; True where a point stays."""
    from scipy.spatial import cKDTree
    from scipy.stats import norm

    d = points.points.copy()
    value = d["yield_bu_ac"]
    keep = value.notna() & (d["distance_m"] > 0) & d["moisture_pct"].between(0, 100, inclusive="neither")
    keep &= d["mass_kg"] >= 0
    keep &= ~((d["x_m"].diff() == 0) & (d["y_m"].diff() == 0) & (d["mass_kg"].diff() == 0))
    way = d.groupby("pass")["distance_m"].cumsum()
    total = d.groupby("pass")["distance_m"].transform("sum")
    keep &= (way - d["distance_m"] / 2 >= USUAL.edge_m) & (total - way + d["distance_m"] / 2 >= USUAL.edge_m)
    speed = d["distance_m"] / d["seconds"]
    change = speed.groupby(d["pass"]).pct_change().abs()
    keep &= ~(change > USUAL.speed_change_pct / 100)
    keep &= ~((value - value[keep].mean()).abs() > USUAL.global_sd * value[keep].std())
    part = d[keep]
    places = part[["x_m", "y_m"]].to_numpy()
    k = USUAL.neighbours
    distance, index = cKDTree(places).query(places, k=k + 1)
    distance, index = distance[:, 1:], index[:, 1:]
    near = distance < USUAL.reach * 9.0
    run = part["pass"].to_numpy()
    cut = (near & (distance < USUAL.overlap * 9.0) & (run[index] < run[:, None])).any(axis=1)
    use = ~cut
    v = part["yield_bu_ac"].to_numpy()
    n = use.sum()
    z = v - v[use].mean()
    second, fourth = (z[use] ** 2).mean(), (z[use] ** 4).mean()
    counts = near & use[index]
    weight = 1 / np.maximum(counts.sum(axis=1), 1)
    statistic = z * (z[index] * counts).sum(axis=1) * weight / second
    b2, expected = fourth / second**2, -1 / (n - 1)
    variance = weight * (n - b2) / (n - 1) + (1 - weight) * (2 * b2 - n) / ((n - 1) * (n - 2)) - expected**2
    p = 2 * norm.sf(np.abs(statistic - expected) / np.sqrt(variance))
    keep.loc[keep] = use & ~((statistic < 0) & (p < USUAL.local_significance))
    piece = ((~keep).cumsum() + 10 * d["pass"] * len(d))[keep]
    size = piece.groupby(piece).transform("size")
    keep.loc[keep] = size >= USUAL.shortest
    return keep.to_numpy()


def one(what: str, n: int) -> str:
    """Time one cleaning in this process: seconds, peak memory [MB], points kept."""
    points = log(n)
    clean_points(log(2000))  # loads the libraries
    start = time.perf_counter(), time.process_time()
    kept = (
        (clean_points(points).points["removed_by"] == "").to_numpy() if what == "fertkit" else plain(points)
    )
    wall, cpu = time.perf_counter() - start[0], time.process_time() - start[1]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return f"{wall:.3f} {cpu:.3f} {peak:.0f} {int(kept.sum())} {hash(kept.tobytes()) & 0xFFFFFFFF}"


def run(who: str, n: int) -> list[str]:
    """The same in a process of its own."""
    command = [sys.executable, __file__, str(n), "--one", who]
    environment = os.environ | {"PYTHONHASHSEED": "0"}
    seen = subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout.split()
    print(f"{n:<11,} {who:<8}", *(f"{v:>7}" for v in seen[:4]), flush=True)
    return seen


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("points", nargs="*", type=int, default=[100_000, 1_000_000])
    parser.add_argument("--one", choices=["fertkit", "plain"])
    parser.add_argument("--alone", action="store_true")
    asked = parser.parse_args()
    if asked.one:
        print(one(asked.one, asked.points[0]))
        return
    print("points      who      wall s   cpu s  peak MB   kept")
    before = None
    for n in sorted(asked.points):
        ours = run("fertkit", n)
        if before:
            grown = float(ours[1]) / before[1]
            allowed = n * np.log(n) / (before[0] * np.log(before[0]))
            print(f"{'':11} growth of processor time: {grown:.2f}, of n log n: {allowed:.2f}")
        before = n, float(ours[1])
        if asked.alone:
            continue
        theirs = run("plain", n)
        assert ours[3:] == theirs[3:], "the two do not keep the same points"
        wall, cpu = (float(theirs[i]) / float(ours[i]) for i in (0, 1))
        print(f"{'':11} plain / fertkit: {wall:.2f} in wall time, {cpu:.2f} in processor time")


if __name__ == "__main__":
    main()
