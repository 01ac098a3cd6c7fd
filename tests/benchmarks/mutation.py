"""How much the tests notice: ``python tests/benchmarks/mutation.py 200 7`` makes 200 random faults, seed 7.

Each fault is made in a copy of the tree, one at a time, in the code that computes: a comparison, a sign, a
number or a condition turned, or another variable returned. The tests that run the faulty line are run, the
quickest first, until one fails. A fault that none notices survives and is named, with what stood there before
and after. First every test is run once to learn which lines it runs; `--lines file` keeps that for a second
run of the same tree. A fault that changes no answer (an equivalent one) survives too: tell it apart by hand.
"""

import argparse
import ast
import json
import multiprocessing
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from itertools import count, pairwise
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read when numpy is loaded; threads do not survive a fork

import matplotlib.figure
import numpy as np
import pandas as pd
import pytest
import scipy.optimize
import scipy.stats

ROOT = Path(__file__).parents[2]
NUMERIC = (
    "trials/*.py", "response/*.py", "budget/*.py", "tissue/*.py", "units.py", "rounding.py",
    "intake/numbers.py", "intake/moisture.py", "intake/plausible.py",
)  # fmt: skip
TESTS = (
    "tests/trials", "tests/response", "tests/budget", "tests/tissue", "tests/intake", "tests/reference",
    "tests/test_units.py", "tests/test_rounding.py", "tests/test_file_to_optimum.py", "tests/docs",
)  # fmt: skip
LOADED = (matplotlib.figure, pd, scipy.optimize, scipy.stats)  # what each child finds loaded
OWN = []  # tree, lines and timeout of a process that tries faults
TIMES = count(1_000_000_000, 10)  # of the files written [s]
ENOUGH = 40  # times a function is watched in one test: its lines are known by then
LOOPS = 20_000  # lines one call is watched for: a loop has shown its lines by then
FIRST = 20  # quickest tests run first, with those of the module's own file; the rest only if none fails

OPERATORS = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"), ast.Pow: ("**", "*"),
    ast.FloorDiv: ("//", "*"), ast.Mod: ("%", "*"), ast.BitAnd: ("&", "|"), ast.BitOr: ("|", "&"),
    ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="), ast.NotEq: ("!=", "=="), ast.And: ("and", "or"), ast.Or: ("or", "and"),
    ast.Is: ("is", "is not"), ast.In: ("in", "not in"),
}  # fmt: skip
CALLS = {
    "above": "at_least", "at_least": "above", "below": "at_most", "at_most": "below", "same": "above",
    "first_largest": "first_smallest", "first_smallest": "first_largest", "max": "min", "min": "max",
    "maximum": "minimum", "minimum": "maximum", "any": "all", "all": "any", "argmax": "argmin",
    "argmin": "argmax", "sf": "cdf", "cdf": "sf", "isf": "ppf", "ppf": "isf",
}  # fmt: skip


class Finder(ast.NodeVisitor):
    """Every fault that can be made in one file: (line, first byte, last byte, text to write)."""

    def __init__(self, source: str):
        self.data = source.encode()
        self.starts = np.cumsum([0] + [len(line) for line in self.data.splitlines(keepends=True)])
        self.found, self.names = [], []
        self.visit(ast.parse(source))

    def place(self, line, column):
        return int(self.starts[line - 1] + column)

    def span(self, node):
        return self.place(node.lineno, node.col_offset), self.place(node.end_lineno, node.end_col_offset)

    def add(self, node, first, last, text):
        self.found.append((node.lineno, first, last, text))

    def between(self, node, left, right, kind):
        if kind not in OPERATORS:
            return
        old, new = OPERATORS[kind]
        gap = slice(self.span(left)[1], self.span(right)[0])
        hit = re.search(rf"(?<![\w*/<>=!]){re.escape(old)}(?![\w*/<>=])".encode(), self.data[gap])
        if hit:
            self.add(node, gap.start + hit.start(), gap.start + hit.end(), new)

    def visit_BinOp(self, node):
        texts = (ast.JoinedStr, ast.List, ast.Tuple)
        text = [
            isinstance(n, texts) or isinstance(getattr(n, "value", 0), str) for n in (node.left, node.right)
        ]
        if not any(text):
            self.between(node, node.left, node.right, type(node.op))
        self.generic_visit(node)

    def visit_Compare(self, node):
        for (left, right), op in zip(pairwise([node.left, *node.comparators]), node.ops, strict=True):
            self.between(node, left, right, type(op))
        self.generic_visit(node)

    def visit_BoolOp(self, node):
        for left, right in pairwise(node.values):
            self.between(node, left, right, type(node.op))
        self.generic_visit(node)

    def visit_UnaryOp(self, node):
        if not isinstance(node.op, ast.UAdd):
            first = self.span(node)[0]
            self.add(node, first, first + (3 if isinstance(node.op, ast.Not) else 1), "")
        self.generic_visit(node)

    def visit_Constant(self, node):
        if isinstance(node.value, bool):
            self.add(node, *self.span(node), str(not node.value))
        elif isinstance(node.value, int):
            self.add(node, *self.span(node), str(node.value + 1))
        elif isinstance(node.value, float):
            self.add(node, *self.span(node), repr(node.value * 1.5 if node.value else 1.0))

    def visit_Call(self, node):
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in CALLS:
            last = self.span(node.func)[1]
            self.add(node.func, last - len(name), last, CALLS[name])
        if name not in ("Problem", "refuse", "NotEstimable", "namedtuple"):
            self.generic_visit(node)

    def visit_FunctionDef(self, node):
        arguments = [a.arg for a in node.args.args + node.args.kwonlyargs if a.arg not in ("self", "cls")]
        stored = [n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)]
        self.names.append(sorted({*arguments, *stored}))
        for part in [*node.args.defaults, *filter(None, node.args.kw_defaults), *node.body]:
            self.visit(part)
        self.names.pop()

    def visit_Return(self, node):
        if isinstance(node.value, ast.Name) and self.names:
            for other in self.names[-1]:
                if other != node.value.id:
                    self.add(node, *self.span(node.value), other)
        self.generic_visit(node)

    def visit_AnnAssign(self, node):
        if node.value:
            self.visit(node.value)

    def visit_keyword(self, node):
        if node.arg != "strict":  # lengths that differ are an error, and errors are not computed
            self.generic_visit(node)

    def ignore(self, node):
        """Texts, errors and names are not computed."""

    visit_JoinedStr = visit_Raise = visit_Import = visit_ImportFrom = ignore


def candidates(root: Path) -> list[tuple]:
    """Every fault of the tree: (file, line, first byte, last byte, text)."""
    house = root / "fertkit"
    files = sorted({path for pattern in NUMERIC for path in house.glob(pattern)})
    return [
        (path.relative_to(root).as_posix(), *fault)
        for path in files
        for fault in Finder(path.read_text(encoding="utf-8")).found
    ]


class Recorder:
    """Plugin that writes down which lines of the numeric code each test runs, and how long it takes."""

    def __init__(self, root: Path):
        self.files = {str(root / fault[0]): fault[0] for fault in candidates(root)}
        self.now, self.calls, self.tests, self.failed = set(), Counter(), {}, set()

    def watch(self, frame, event, _):
        code = frame.f_code
        if code.co_filename not in self.files or self.calls[code] > ENOUGH:
            return None
        self.calls[code] += 1
        file, now, left = self.files[code.co_filename], self.now, LOOPS

        def line(frame, event, _):
            nonlocal left
            if event == "line":
                now.add((file, frame.f_lineno))
                left -= 1
                frame.f_trace_lines = left > 0
            return line

        return line

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        self.now, self.calls, start = set(), Counter(), time.perf_counter()
        sys.settrace(self.watch)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            if self.now:
                lines = sorted(f"{file}:{line}" for file, line in self.now)
                self.tests[item.nodeid] = [time.perf_counter() - start, lines]

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.add(report.nodeid)


def record(out: Path, part: int, parts: int) -> None:
    """Run one part of the tests of the tree in the current folder and write what those that pass run."""
    recorder = Recorder(Path.cwd())
    places = [Path(place) for place in TESTS]
    files = sorted(str(f) for p in places for f in (p.rglob("test_*.py") if p.is_dir() else [p]))
    pytest.main(["-q", "-p", "no:cacheprovider", *files[part::parts]], plugins=[recorder])
    passed = {test: seen for test, seen in recorder.tests.items() if test not in recorder.failed}
    out.write_text(json.dumps(passed), encoding="utf-8")


def statement_of(source: str, line: int) -> range:
    """Lines of the innermost statement that holds a line: a tracer names only some of them."""
    best = range(line, line + 1)
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.stmt) and node.lineno <= line <= node.end_lineno:
            inner = isinstance(node, ast.FunctionDef | ast.ClassDef | ast.If | ast.For | ast.While | ast.With)
            best = best if inner else range(node.lineno, node.end_lineno + 1)
    return best


def tests_of(file: str, line: int, source: str, recorded: dict) -> list[tuple[float, str]]:
    """Seconds and name of the tests that run a line, the quickest first; all tests of its file where it runs
    on import alone."""
    wanted = {f"{file}:{n}" for n in statement_of(source, line)}
    hits = [(seconds, test) for test, (seconds, lines) in recorded.items() if wanted & set(lines)]
    if not hits:
        hits = [
            (s, t) for t, (s, lines) in recorded.items() if any(at.startswith(f"{file}:") for at in lines)
        ]
    return sorted(hits)


def in_turn(file: str, hits: list[tuple[float, str]]) -> list[list[str]]:
    """Two lots of tests: the quickest with those of the module's own file, then the others."""
    own = f"/test_{Path(file).stem}"
    near = {test for k, (_, test) in enumerate(hits) if k < FIRST or own in test}
    lots = [[t for _, t in hits if t in near], [t for _, t in hits if t not in near]]
    return [lot for lot in lots if lot]


def try_fault(tree: Path, fault, recorded, timeout) -> tuple[str, str]:
    """Make one fault, run its tests and take it back: (what became of it, first test that failed)."""
    file, line, first, last, text = fault
    path, told = tree / file, tree / "told.txt"
    good = path.read_bytes()
    hits = tests_of(file, line, good.decode(), recorded)
    if not hits:
        return "not run", ""
    timeout += 3 * sum(seconds for seconds, _ in hits)
    try:
        write(path, good[:first] + text.encode() + good[last:])
        for lot in in_turn(file, hits):
            code = run(tree, lot, told, timeout)
            if code != 0:
                break
    finally:
        write(path, good)
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", told.read_text(encoding="utf-8"), re.MULTILINE)
    if code not in (None, 0, 1, 2):  # 2: the fault ends the import of a test
        raise RuntimeError(
            f"the tests did not run (code {code}):\n{told.read_text(encoding='utf-8')[-2000:]}"
        )
    if code is None:
        return "too long", f"longer than {timeout:.0f} s"
    return ("survived" if code == 0 else "killed"), failed[1] if failed else ""


def write(path: Path, data: bytes) -> None:
    """Write a file with a time of its own, so that no compiled copy of another fault is taken for it."""
    path.write_bytes(data)
    now = next(TIMES)
    os.utime(path, (now, now))


def run(tree: Path, tests, told: Path, timeout) -> int | None:
    """Run tests in a child that finds the heavy libraries loaded; its exit code, None beyond the timeout."""
    child = os.fork()
    if child == 0:
        code = 3
        try:
            os.chdir(tree)
            os.setsid()
            sys.path.insert(0, str(tree))
            out = os.open(told, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(out, 1)
            os.dup2(out, 2)
            code = int(pytest.main(["-x", "-q", "--no-header", "-p", "no:cacheprovider", *tests]))
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    end = time.monotonic() + timeout
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def shown(tree: Path, fault) -> str:
    """A fault in one line: file:line, before → after."""
    file, line, first, last, text = fault
    data = (tree / file).read_bytes()
    start, end = data.rfind(b"\n", 0, first) + 1, data.find(b"\n", last)
    before, after = data[start:end], data[start:first] + text.encode() + data[last:end]
    return f"{file}:{line}  {' '.join(before.decode().split())}  →  {' '.join(after.decode().split())}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("faults", type=int, nargs="?", default=200)
    parser.add_argument("seed", type=int, nargs="?", default=7)
    parser.add_argument(
        "--timeout", type=float, default=120.0, help="seconds a fault may take beyond its tests' own"
    )
    parser.add_argument(
        "--lines", type=Path, help="keep what each test runs in this file, and use it if there"
    )
    parser.add_argument("--only", type=int, nargs="+", help="try these faults of the draw alone, by number")
    parser.add_argument("--within", default="", help="make faults in files with this in their path alone")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--record", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.record:
        out, part, parts = asked.record
        record(Path(out), int(part), int(parts))
        return
    with tempfile.TemporaryDirectory() as folder:
        trees = [Path(folder) / f"tree{k}" for k in range(asked.processes)]
        for tree in trees:
            leave = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache")
            shutil.copytree(ROOT, tree, ignore=leave)
        report(trees, lines_of(trees, asked.lines), asked)


def lines_of(trees: list[Path], kept: Path | None) -> dict:
    """What each test runs, as kept in a file or, where there is none, recorded by one process a tree."""
    if kept and kept.exists():
        return json.loads(kept.read_text(encoding="utf-8"))
    running = []
    for k, tree in enumerate(trees):
        script = tree / Path(__file__).relative_to(ROOT)
        command = [sys.executable, str(script), "--record", "lines.json", str(k), str(len(trees))]
        running.append(subprocess.Popen(command, cwd=tree, env=os.environ | {"PYTHONPATH": str(tree)}))
    if any(process.wait() for process in running):
        raise RuntimeError("the tests could not be recorded")
    recorded = {}
    for tree in trees:
        recorded |= json.loads((tree / "lines.json").read_text(encoding="utf-8"))
    if kept:
        kept.write_text(json.dumps(recorded), encoding="utf-8")
    return recorded


def report(trees: list[Path], recorded: dict, asked) -> None:
    """Try the faults drawn, one process a tree, and print what became of each, then those that survived."""
    every = [fault for fault in candidates(trees[0]) if asked.within in fault[0]]
    drawn = np.random.default_rng(asked.seed).choice(len(every), asked.faults, replace=False)
    numbers = asked.only or range(1, len(drawn) + 1)
    drawn = drawn[[number - 1 for number in numbers]]
    texts = [shown(trees[0], every[k]) for k in drawn]  # before any fault stands in a tree
    counts, left = Counter(), []
    print(f"{len(every):,} faults can be made; {len(drawn)} are tried", flush=True)
    fork = multiprocessing.get_context("fork")
    free = fork.Queue()
    for tree in trees:
        free.put(tree)
    with fork.Pool(len(trees), take_tree, (free, recorded, asked.timeout)) as pool:
        tried = pool.imap(try_in_tree, [every[k] for k in drawn])
        for number, told, (became, test) in zip(numbers, texts, tried, strict=True):
            counts[became] += 1
            text = f"{became:8}  {told}"
            left += [] if became == "killed" else [text]
            print(f"{number:4}  {text}  {test}", flush=True)
    share = 100 * len(left) / len(drawn)
    print(f"\n{len(left)} of {len(drawn)} were not noticed ({share:.1f} %): {dict(counts)}")
    print("\n".join(left))


def take_tree(free, *given) -> None:
    """Start a process with a tree of its own."""
    OWN.extend([free.get(), *given])


def try_in_tree(fault) -> tuple[str, str]:
    tree, recorded, timeout = OWN
    return try_fault(tree, fault, recorded, timeout)


if __name__ == "__main__":
    main()
