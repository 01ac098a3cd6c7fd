"""Speed of scoring many tissue results, against a row-by-row pandas apply in the same run.

    python tests/benchmarks/tissue.py [samples] [rows for apply]

The apply is timed on a subset and scaled up in proportion; the line that reports it says so. Both class the
same rows, and the classes are compared before any time is printed.
"""

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


def score_by_apply(samples: pd.DataFrame, ranges: pd.DataFrame) -> pd.Series:
    """What one would write first: look up and class each row of samples x sources."""

    def one(row):
        hit = ranges[(ranges["nutrient"] == row["nutrient"]) & (ranges["source_key"] == row["source_key"])]
        if hit.empty:
            return "no published range"
        low, high = hit["low"].iloc[0], hit["high"].iloc[0]
        return "low" if row["value"] < low else "high" if row["value"] > high else "sufficient"

    return samples.merge(pd.DataFrame({"source_key": SOURCES}), how="cross").apply(one, axis=1)


def main(n: int = 100_000, subset: int = 500):
    ranges = load_ranges(crop="corn")
    ranges = ranges[ranges["source_key"].isin(SOURCES) & (ranges["plant_part"] == "ear leaf")]
    samples = made_samples(n)
    score_tissue(samples.head(1200), ranges)  # load the tables once
    start = time.perf_counter()
    scores = score_tissue(samples, ranges)
    ours = time.perf_counter() - start

    few = samples.head(subset * len(MIDDLES))
    start = time.perf_counter()
    slow = score_by_apply(few, ranges)
    theirs = time.perf_counter() - start
    mine = scores.table[scores.table["specimen"] <= subset]["class"]
    counts = {k: v for k, v in slow.value_counts().items() if k != "no published range"}
    same = {k: int((mine == k).sum()) for k in counts}
    assert same == counts, (same, counts)

    scaled = theirs * n / subset
    print(f"{n} samples x {len(MIDDLES)} nutrients x {len(SOURCES)} sources: {len(scores.table)} rows")
    print(f"score_tissue: {ours:.2f} s")
    print(f"pandas apply: {theirs:.2f} s on {subset} samples, scaled to {n}: {scaled:.0f} s")
    print(f"ratio: {scaled / ours:.0f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
