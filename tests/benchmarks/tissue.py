"""Speed and memory of scoring many tissue results, against a plain merge and select in the same run.

    python tests/benchmarks/tissue.py [samples [rounds]]

Both class the same rows, which is checked; the plain one gives no reason, chance, place in the range or
vote. Memory is that of the first scoring, before the plain way has run.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.reference import load_ranges
from fertkit.tissue import score_tissue

SOURCES = ["KSU_CORN", "TRISTATE_E2567", "SCSB394_UDEL"]
MIDDLES = dict(N=3.0, P=0.3, K=1.9, Ca=0.5, Mg=0.25, S=0.2, Fe=90, Mn=45, Zn=24, Cu=8, B=9, Mo=0.6)


def made_samples(n: int, seed: int = 20240716) -> pd.DataFrame:
    """Corn ear leaves at R1 with lognormal results; invented numbers."""
    rng = np.random.default_rng(seed)
    values = np.array(list(MIDDLES.values())) * rng.lognormal(0, 0.3, (n, len(MIDDLES)))
    ids = [f"S{i:06d}" for i in range(n)]
    return pd.DataFrame(
        {
            "specimen": np.repeat(np.arange(1, n + 1), len(MIDDLES)),
            "sample_id": np.repeat(ids, len(MIDDLES)),
            "crop": "corn",
            "growth_stage": "R1",
            "plant_part": "ear leaf",
            "nutrient": list(MIDDLES) * n,
            "value": values.ravel(),
            "censored": "",
        }
    )


def score_by_merge(samples: pd.DataFrame, ranges: pd.DataFrame) -> pd.DataFrame:
    """What one would write in plain pandas: all rows of samples x sources at once, and their class alone."""
    limits = ["low", "high", "critical", "toxic_above"]
    rows = samples.merge(ranges[["nutrient", "source_key", *limits]], on="nutrient", how="left")
    value = rows["value"]
    cases = [
        value > rows["toxic_above"], value > rows["high"], value < rows["critical"], value < rows["low"],
        rows["low"].notna() | rows["critical"].notna(),
    ]  # fmt: skip
    classes = ["excessive", "high", "deficient", "low", "sufficient"]
    return rows.assign(**{"class": np.select(cases, classes, "no published range")})


def memory(kind: str) -> float:
    """Memory of this process [MB], as Linux counts it: VmRSS now, VmHWM at its highest."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(kind)) / 1024


def best_of(rounds: int, *calls) -> list[float]:
    """Least processor seconds of each call, taken in turns, so that other work slows all alike."""
    used = np.full((rounds, len(calls)), np.inf)
    for one in used:
        for i, call in enumerate(calls):
            start = time.process_time()
            call()
            one[i] = time.process_time() - start
    return used.min(axis=0).tolist()


def counts(classes) -> dict:
    """How many rows are of each class."""
    return classes.value_counts().to_dict()


def main(n: int = 100_000, rounds: int = 5):
    ranges = load_ranges(crop="corn")
    ranges = ranges[ranges["source_key"].isin(SOURCES) & (ranges["plant_part"] == "ear leaf")]
    score_tissue(made_samples(100), ranges)  # load the tables once
    samples = made_samples(n)
    before = memory("VmRSS")
    scores = score_tissue(samples, ranges)
    rows, over, seen = len(scores.table), memory("VmHWM") - before, counts(scores.table["class"])
    del scores
    assert seen == counts(score_by_merge(samples, ranges)["class"])
    plain, ours = best_of(
        rounds, lambda: score_by_merge(samples, ranges), lambda: score_tissue(samples, ranges)
    )
    print(f"{n} samples x {len(MIDDLES)} nutrients x {len(SOURCES)} sources: {rows} rows")
    print(f"merge and select: {plain:.2f} s; score_tissue: {ours:.2f} s, {over:.0f} MB over its input")
    print(f"ratio: {ours / plain:.2f}, best of {rounds} each")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
