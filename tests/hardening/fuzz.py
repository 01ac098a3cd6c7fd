# ruff: noqa: E501
"""Damage good files and sensible command lines, and see that each reader answers or says what is wrong.

    python tests/hardening/fuzz.py 20000 --seed 1

Each case is one file (or line of words), damaged by a few mutations drawn from its own seed, so that a failure
is found again by its number: ``--case 1234``. Of files whose numbers are known (`known.py`) it is counted how many
were read right, refused, or read wrong. Cases run in a child process whose memory and time are limited by the
system; a child that is ended by the system counts as a failure. Prints cases and outcomes by reader, those of the
known files by damage, the slowest case and the peak of memory; the status is 1 if anything but a `FertkitError`
came out, a warning was issued, or a number was read wrong.
"""

import argparse
import contextlib
import io
import json
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import targets

CPU_SECONDS, WALL_SECONDS = 20, 300  # of one case; wall time only stops a child that waits for ever
MEMORY = 1_500_000_000  # bytes that a child may ask for beyond what the interpreter holds
KINDS = ("answered", "right", "refused", "wrong", "failed")
OF_A_CHILD = 500  # cases; a child keeps the addresses it once asked for, and would run out of them


def run_case(number: int, seed: int, only=None) -> dict:
    """Run one case: its reader, what came out and the seconds of processor time."""
    rng = random.Random(f"{seed}:{number}")
    name = rng.choices(
        *zip(*[(n, t.share) for n, t in targets.TARGETS.items() if n in (only or [n])], strict=True)
    )[0]
    given = targets.TARGETS[name].make(rng)
    begun = time.process_time()
    try:
        with (
            contextlib.redirect_stdout(io.StringIO()),
            contextlib.redirect_stderr(io.StringIO()),
            warnings.catch_warnings(record=True) as issued,
        ):
            warnings.simplefilter("always")
            outcome = targets.TARGETS[name].run(given)
        if issued:
            where = f"{Path(issued[0].filename).name}:{issued[0].lineno}"
            outcome = f"failed: a warning at {where}: {str(issued[0].message)[:120]!r}"
    except BaseException as error:
        frames = [f for f in traceback.extract_tb(error.__traceback__) if "fertkit" in f.filename]
        place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "?"
        outcome = f"failed: {type(error).__name__} at {place}: {str(error)[:120]!r}"
    return {
        "case": number, "reader": name, "outcome": outcome, "seconds": time.process_time() - begun,
        "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }  # fmt: skip


def _child(cases, seed, only, pipe):
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY,) * 2)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with tempfile.TemporaryDirectory() as folder, os.fdopen(pipe, "w") as out:
        os.chdir(folder)
        for number in cases:
            signal.setitimer(signal.ITIMER_PROF, CPU_SECONDS)  # not caught: the system ends the child
            signal.alarm(WALL_SECONDS)
            out.write(json.dumps(run_case(number, seed, only)) + "\n")
            out.flush()
            for left in Path(folder).iterdir():
                if left.is_file():
                    left.unlink()


def run_cases(cases: range, seed: int, only=None):
    """Give the outcome of each case; a new child goes on after one that has done its part or was ended."""
    while len(cases):
        part = cases[:OF_A_CHILD]
        read, write = os.pipe()
        if (pid := os.fork()) == 0:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            os.close(read)
            sys.stderr = open(os.devnull, "w")  # noqa: SIM115
            _child(part, seed, only, write)
            os._exit(0)
        os.close(write)
        done = 0
        with os.fdopen(read) as lines:
            for line in lines:
                done += 1
                yield json.loads(line)
        _, status = os.waitpid(pid, 0)
        if done < len(part):
            how = signal.Signals(os.WTERMSIG(status)).name if os.WIFSIGNALED(status) else f"status {status}"
            yield {
                "case": cases[done],
                "reader": "?",
                "outcome": f"failed: ended by {how}",
                "seconds": 0,
                "memory": 0,
            }
            done += 1
        cases = cases[done:]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", type=int, nargs="?", default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", type=int, help="run this one here and show what it raises")
    parser.add_argument("--only", nargs="*", choices=list(targets.TARGETS))
    arguments = parser.parse_args()
    if arguments.case is not None:
        print(run_case(arguments.case, arguments.seed, arguments.only))
        return 0
    found, damages, failures, slowest, memory, spent = Counter(), Counter(), {}, {"seconds": -1}, 0, 0
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ended early, it still tells what it found
    try:
        for result in run_cases(range(arguments.count), arguments.seed, arguments.only):
            kind, _, told = result["outcome"].partition(": ")
            found[result["reader"], kind] += 1
            if result["reader"].startswith("known"):
                damages[result["reader"], told.split(": ")[0], kind] += 1
            if kind in ("failed", "wrong"):
                alike = re.sub(r"'[^']*'|[\d.]+| of .*? is ", "…", result["outcome"])[:60]
                failures.setdefault((result["reader"], alike), []).append(result)
            slowest = max(slowest, result, key=lambda r: r["seconds"])
            memory, spent = max(memory, result["memory"]), spent + result["seconds"]
    except KeyboardInterrupt:
        print("interrupted; so far:")
    for reader in sorted({reader for reader, _ in found}):
        print(
            f"{reader:16}",
            *(f"{kind} {found[reader, kind]:6}" for kind in KINDS if found[reader, kind] or kind == "failed"),
        )
    if damages:
        print("\n| file | damage | right | refused | wrong |\n|---|---|---|---|---|")
    for reader, damage in sorted({key[:2] for key in damages}):
        counts = (damages[reader, damage, kind] for kind in ("right", "refused", "wrong"))
        print(f"| {reader.removeprefix('known ')} | {damage} | {' | '.join(map(str, counts))} |")
    print(f"{found.total()} cases in {spent:.0f} s of processor time; slowest {slowest['seconds']:.2f} s "
          f"(case {slowest['case']}, {slowest['reader']}); peak memory {memory:.0f} MB")  # fmt: skip
    for (reader, outcome), cases in failures.items():
        print(
            f"{reader}: {outcome}: {len(cases)} cases, e.g. --case {cases[0]['case']}: {cases[0]['outcome'][-140:]}"
        )
    return bool(failures)


if __name__ == "__main__":
    sys.exit(main())
