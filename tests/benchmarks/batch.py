"""How a batch of trials scales: the same work in this process, in two processes, and on two Dask workers.

Run ``python tests/benchmarks/batch.py [trials]``. All are done in one run, so that a busy machine counts
less; starting processes is timed as part of the work, as a user waits for it. Processor time a trial, which
hardly knows of other work, is printed for this process.
"""

import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
from distributed import Client, LocalCluster

from fertkit.batch import run, run_batch

RATES, BLOCKS, PART = np.array([0.0, 40, 80, 120, 160, 200]), 4, 500
#: Parts of a batch, by the function that does each.
STAGES = {
    "_plan": "reading and cutting, in one process", "work_part": "reading, fits, intervals, in all processes",
    "gather": "joining and the page, in one process",
}  # fmt: skip


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


def timed(source, out, **where):
    """Seconds, and processor seconds of this process, of one batch; its table."""
    wall, used = time.perf_counter(), time.process_time()
    result = run_batch(source, out, price_ratio=0.008, part_size=PART, progress=False, **where)
    return time.perf_counter() - wall, time.process_time() - used, result.table


def cost_table(source, out, count: int) -> None:
    """Print what a million trials cost, from the processor time of the parts of a batch in this process."""
    spent = dict.fromkeys(STAGES, 0.0)

    def watched(name):
        function = getattr(run, name)

        def timed(*args):
            start = time.process_time()
            try:
                return function(*args)
            finally:
                spent[name] += time.process_time() - start

        return timed

    with ExitStack() as stack:
        for name in STAGES:
            stack.enter_context(mock.patch.object(run, name, watched(name)))
        timed(source, out, workers=1)
    written = sum(file.stat().st_size for file in out.rglob("*") if file.is_file())
    print("A million trials, processor minutes from the parts measured:")
    for name, what in STAGES.items():
        print(f"  {what:45} {spent[name] / count * 1e6 / 60:6.1f}")
    print(f"  {'written, MB':45} {written / count:6.0f}")


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as home:
        home = Path(home)
        for trials in (4, count):
            draw_trials(trials).to_parquet(home / f"{trials}.parquet", index=False)
        source = home / f"{count}.parquet"
        timed(home / "4.parquet", home / "warm", workers=1)
        wall, used, alone = timed(source, home / "alone", workers=1)
        print(
            f"this process: {count / wall:.0f} trials/s, {used / count * 1e3:.1f} ms of processor a trial, "
            f"peak {peak_mb():.0f} MB; a million trials: {1e6 * used / count / 3600:.1f} hours of one core"
        )

        cost_table(source, home / "costs", count)

        def against(what, **where):
            took, _, table = timed(source, home / what.replace(" ", "-"), **where)
            print(f"{what}: {count / took:.0f} trials/s, {wall / took:.2f} times one, same rows: "
                  f"{table.equals(alone)}")  # fmt: skip

        against("two processes", workers=2)
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", silence_logs=50) as cluster,
            Client(cluster) as client,
        ):
            against("two Dask workers", client=client)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
