"""How a batch of trials scales: the same work in this process, in two processes, on one and two Dask workers.

Run ``python tests/benchmarks/batch.py [trials]``. All are done in one run, so that a busy machine counts
less; starting processes is timed as part of the work, as a user waits for it, while a cluster stands before
a batch is sent to it. Beside the clock stands the processor time of this process, over that of all that
worked: what the work of many costs more than that of one, which hardly knows of other work on the machine.
"""

import resource
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


def spent(client=None) -> float:
    """Processor seconds of this process, of those it started that have ended, and of workers."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    workers = client.run(time.process_time).values() if client else ()
    return time.process_time() + ended.ru_utime + ended.ru_stime + sum(workers)


def timed(source, out, client=None, **where):
    """Seconds, and processor seconds of all that worked, of one batch; its table."""
    wall, used = time.perf_counter(), spent(client)
    result = run_batch(source, out, price_ratio=0.008, part_size=PART, progress=False, client=client, **where)
    return time.perf_counter() - wall, spent(client) - used, result.table


def cost_table(source, out, count: int) -> None:
    """Print what a million trials cost, from the processor time of the parts of a batch in this process."""
    stages = dict.fromkeys(STAGES, 0.0)

    def watched(name):
        function = getattr(run, name)

        def timed(*args):
            start = time.process_time()
            try:
                return function(*args)
            finally:
                stages[name] += time.process_time() - start

        return timed

    with ExitStack() as stack:
        for name in STAGES:
            stack.enter_context(mock.patch.object(run, name, watched(name)))
        timed(source, out, workers=1)
    written = sum(file.stat().st_size for file in out.rglob("*") if file.is_file())
    print("A million trials, processor minutes from the parts measured:")
    for name, what in STAGES.items():
        print(f"  {what:45} {stages[name] / count * 1e6 / 60:6.1f}")
    print(f"  {'written, MB':45} {written / count:6.0f}")


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as home:
        home = Path(home)
        for trials in (8 * PART, count):
            draw_trials(trials).to_parquet(home / f"{trials}.parquet", index=False)
        source, few = home / f"{count}.parquet", home / f"{8 * PART}.parquet"
        timed(few, home / "warm", workers=1)
        wall, used, alone = timed(source, home / "alone", workers=1)
        print(
            f"this process: {count / wall:.0f} trials/s, {used / count * 1e3:.2f} ms of processor a trial, "
            f"peak {peak_mb():.0f} MB; a million trials: {1e6 * used / count / 3600:.1f} hours of one core"
        )

        cost_table(source, home / "costs", count)

        def against(what, **where):
            took, cost, table = timed(source, home / what.replace(" ", "-"), **where)
            print(f"{what}: {count / took:.0f} trials/s, {wall / took:.2f} times this process by the clock, "
                  f"{used / cost:.2f} of its processor time, same rows: {table.equals(alone)}")  # fmt: skip
            return took

        against("two processes", workers=2)
        took = []
        for workers, what in enumerate(("one Dask worker", "two Dask workers"), 1):
            with (
                LocalCluster(
                    n_workers=workers, threads_per_worker=1, host="127.0.0.1", silence_logs=50
                ) as cluster,
                Client(cluster) as client,
            ):
                timed(few, home / f"warm-{workers}", client)  # each worker has loaded the kit
                took.append(against(what, client=client))
        print(f"two Dask workers over one: {took[0] / took[1]:.2f} times by the clock")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
