"""How time and memory grow with trials, samples, harvest points and fields.

Run ``python tests/benchmarks/growth.py [trials samples points fields] [--seconds 60]``. Each size is done in
a process of its own, after a small one that loads everything; a size that would take longer than the seconds
told, by the one before it, is left out. Printed are processor seconds and peak memory, then the slope of the
logarithm of the time over that of the number: 1 where time grows as the number does. The first size of each
kind is left out of the slope, since what is done once for any number of things outweighs them there.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

SIZES = {
    "trials": (10, 100, 1_000, 10_000, 100_000),
    "samples": (1_000, 10_000, 100_000, 1_000_000),
    "points": (10_000, 100_000, 1_000_000, 10_000_000),
    "fields": (10, 100, 1_000, 10_000),
}
SMALL = {"trials": 4, "samples": 20, "points": 2_000, "fields": 2}
FARM = 200  # fields of a farm, which are planned together


def in_a_batch(table, kind, **options):
    """A batch of a table in this process, ready to be run."""
    from fertkit.batch import run_batch

    home = tempfile.TemporaryDirectory()
    source = Path(home.name) / "source.parquet"
    table.to_parquet(source, index=False)

    def work():
        with home:
            run_batch(source, Path(home.name) / "out", kind, workers=1, progress=False, **options)

    return work


def made(kind: str, n: int):
    """What is timed: a function without arguments, its input made before."""
    if kind == "trials":
        from batch import draw_trials

        return in_a_batch(draw_trials(n), kind, price_ratio=0.008)
    if kind == "samples":
        from tissue import made_samples

        table = made_samples(n).drop(columns=["specimen", "censored"])
        return in_a_batch(table, kind, source_keys=["KSU_CORN", "TRISTATE_E2567"])
    if kind == "points":
        from trials_points import clean_points, log

        points = log(n)
        return lambda: clean_points(points)
    from plan import PASSES, PRODUCTS, plan_passes, targets

    farms = [targets(min(n, FARM), seed) for seed in range(max(1, n // FARM))]
    return lambda: [plan_passes(farm, PRODUCTS, PASSES) for farm in farms]


def peak_mb() -> float:
    """Peak memory of this process since it was last reset [MB]."""
    (line,) = [s for s in Path("/proc/self/status").read_text().splitlines() if s.startswith("VmHWM")]
    return int(line.split()[1]) / 1024


def one(kind: str, n: int) -> None:
    """Print processor seconds and peak memory [MB] of one size."""
    made(kind, SMALL[kind])()
    work = made(kind, n)
    Path("/proc/self/clear_refs").write_text("5")  # the peak of the work, not of drawing its input
    start = time.process_time()
    work()
    used = time.process_time() - start
    print(used, peak_mb())


def grown(kind: str, most: float) -> None:
    """Print the sizes of a kind and the slope of the logarithms."""
    seen = []
    for n in SIZES[kind]:
        if seen and seen[-1][1] * n / seen[-1][0] > most:
            print(f"{kind:8} {n:>11,}   left out: would take about {seen[-1][1] * n / seen[-1][0]:,.0f} s")
            break
        command = [sys.executable, __file__, kind, "--one", str(n)]
        told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()[-2:]
        seen.append((n, *map(float, told)))
        _, used, peak = seen[-1]
        print(f"{kind:8} {n:>11,} {used:9.2f} s {used / n * 1e3:10.4f} ms each {peak:7.0f} MB", flush=True)
    if len(seen) > 2:
        number, used, _ = np.log(np.array(seen[1:])).T
        print(f"{kind:8} slope of the logarithms: {np.polyfit(number, used, 1)[0]:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kinds", nargs="*", default=list(SIZES))
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--one", type=int)
    asked = parser.parse_args()
    if asked.one:
        return one(asked.kinds[0], asked.one)
    for kind in asked.kinds:
        grown(kind, asked.seconds)


if __name__ == "__main__":
    main()
