"""Weak scaling of a batch of trials: the same work per worker on 1 and 2 workers, against a local run.

Run ``python tests/benchmarks/batch.py [trials a worker]``. Weak scaling: efficiency is the rate per worker on
two over that on one. The ratio against the local run is taken in the same run, so that a busy machine counts
less; processor time a trial, which hardly knows of other work, is printed beside each.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.batch import local_cluster, run_batch
from fertkit.response import optima_of_trials

RATES, BLOCKS, PART = np.array([0.0, 40, 80, 120, 160, 200]), 4, 100


def draw_trials(count: int) -> pd.DataFrame:
    """Mitscherlich trials of six rates in four blocks."""
    rng = np.random.default_rng(5)
    x, block = np.tile(RATES, BLOCKS), np.repeat(np.arange(1, BLOCKS + 1), len(RATES))
    bend = rng.uniform(0.005, 0.04, (count, 1))
    y = 9 - 4 * np.exp(-bend * x) + rng.normal(0, 0.4, (count, len(x)))
    names = np.repeat([f"T{i}" for i in range(count)], len(x))
    table = {"trial": names, "block": np.tile(block, count), "rate_kg_ha": np.tile(x, count)}
    return pd.DataFrame(table | {"yield_t_ha": y.ravel()})


def peak_mb() -> float:
    """Peak memory of this process [MB]."""
    (line,) = [s for s in Path("/proc/self/status").read_text().splitlines() if s.startswith("VmHWM")]
    return int(line.split()[1]) / 1024


def warm_up() -> None:
    """Load what a worker loads once."""
    optima_of_trials(draw_trials(4), "trial", 0.008)


def timed(source, out, client=None):
    """Seconds, and processor seconds of this process, of one batch; its table."""
    wall, used = time.perf_counter(), time.process_time()
    result = run_batch(source, out, price_ratio=0.008, part_size=PART, progress=False, client=client)
    return time.perf_counter() - wall, time.process_time() - used, result.table


def main(each: int) -> None:
    with tempfile.TemporaryDirectory() as home:
        home = Path(home)
        trials, size = draw_trials(2 * each), len(RATES) * BLOCKS
        for count in (4, each, 2 * each):
            trials.head(count * size).to_parquet(home / f"{count}.parquet", index=False)
        timed(home / "4.parquet", home / "warm")
        wall, used, local = timed(home / f"{each}.parquet", home / "local")
        print(f"local: {each / wall:.1f} trials/s, {used / each * 1e3:.1f} ms of processor a trial, "
              f"peak {peak_mb():.0f} MB")  # fmt: skip
        base = None
        for workers in (1, 2):
            with local_cluster(workers, "1GB") as client:
                client.run(warm_up)
                count = workers * each
                before = sum(client.run(time.process_time).values())
                took, _, table = timed(home / f"{count}.parquet", home / f"on{workers}", client)
                spent = (sum(client.run(time.process_time).values()) - before) / count
                peaks = client.run(peak_mb).values()
            rate = count / took / workers
            base = base or rate
            same = table.head(each).drop(columns="file").equals(local.drop(columns="file"))
            print(
                f"{workers} worker(s), {count} trials: {rate:.1f} trials/s a worker, efficiency "
                f"{rate / base:.0%}, {rate * wall / each:.2f} of the local rate a worker, "
                f"{spent * 1e3:.1f} ms of processor a trial on the workers, peak "
                f"{max(peaks):.0f} MB a worker, same rows as the local run: {same}"
            )
        print(f"a million trials: {1e6 * used / each / 3600:.1f} hours of one core, by processor time")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
