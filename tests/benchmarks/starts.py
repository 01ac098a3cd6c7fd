"""What the commands take from a cold start: ``python tests/benchmarks/starts.py [REPEATS]``.

Processor seconds (user and system) of a new process for each command, best of some, as a ratio to a process
that imports numpy and pandas; all are taken in turn, on the same machine. A first run leaves the byte code.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "datasets_demo"
LEAF, STRIPS = str(DEMO / "leaf_tests.csv"), str(DEMO / "soybean_k_strips.csv")
PRICES = ["--nutrient-price", "0.45", "--grain-price", "11"]
FIELD = ["field", "--crop", "soybean", "--goal", "60", "--leaf", LEAF, "--strips", STRIPS, *PRICES]
#: What is asked -> its command, and the ratio that is wanted.
ASKED = {
    "needs": (["needs", "soybean", "60"], 1.3),
    "leaf": (["leaf", LEAF, "--fact", "roots=restricted"], 1.8),
    "strips": (["strips", STRIPS, "--crop", "soybean", *PRICES], 2.2),
    "field with page": ([*FIELD, "--page", "field.html"], 4.5),
}


def seconds(arguments, folder) -> float:
    """Processor seconds of a new Python process."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPATH"] = str(ROOT)
    before = getrusage(RUSAGE_CHILDREN)
    run = [sys.executable, *arguments]
    subprocess.run(run, cwd=folder, env=environment, stdout=subprocess.DEVNULL, check=True)
    after = getrusage(RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(repeats: int = 7) -> None:
    runs = {name: ["-m", "fertkit.cli", *command] for name, (command, _) in ASKED.items()}
    runs = {"numpy and pandas": ["-c", "import numpy, pandas"]} | runs
    best = dict.fromkeys(runs, float("inf"))
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(repeats + 1):
            for name, arguments in runs.items():
                taken = seconds(arguments, folder)
                best[name] = min(best[name], taken) if turn else best[name]
    anchor = best.pop("numpy and pandas")
    print(f"numpy and pandas: {anchor:.2f} s")
    for name, taken in best.items():
        print(f"| {name} | {taken:.2f} s | {taken / anchor:.2f} | {ASKED[name][1]} |")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
