"""Speed and memory of scoring many tissue results, against a plain merge and select in the same run.

    python tests/benchmarks/tissue.py [samples]

Both class the same rows, and the classes are compared before any time is printed; the plain one gives no
reason, chance, place in the range or vote.
"""

import resource
import sys
import time

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


def timed(function, *args):
    """Processor seconds and peak memory so far [MB] of a call, and what it gives."""
    start = time.process_time()
    found = function(*args)
    used = time.process_time() - start
    return used, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, found


def main(n: int = 100_000):
    ranges = load_ranges(crop="corn")
    ranges = ranges[ranges["source_key"].isin(SOURCES) & (ranges["plant_part"] == "ear leaf")]
    samples = made_samples(n)
    score_tissue(samples.head(1200), ranges)  # load the tables once
    plain, first, rows = timed(score_by_merge, samples, ranges)
    counts = rows["class"].value_counts().to_dict()
    del rows
    ours, peak, scores = timed(score_tissue, samples, ranges)
    same = scores.table["class"].value_counts().to_dict()
    assert same == counts, (same, counts)
    print(f"{n} samples x {len(MIDDLES)} nutrients x {len(SOURCES)} sources: {len(scores.table)} rows")
    print(f"merge and select: {plain:.2f} s, {first:.0f} MB; score_tissue: {ours:.2f} s, {peak:.0f} MB")
    print(f"ratio: {ours / plain:.1f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
