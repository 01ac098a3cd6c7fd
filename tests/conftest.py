"""Fixtures shared by every test: outside and demo data, workbooks in every format, the system's Chromium."""

import asyncio
import gc
import io
import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the workers share the cores; read when numpy is loaded
# The tests start many processes: where no byte code is kept, each would compile every library anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import hypothesis
import matplotlib as mpl
import pandas as pd
import pytest

ROOT = Path(__file__).parent.parent
mpl.use("Agg")
gc.set_threshold(10_000, 20, 50)  # waste is looked for less often: it took a tenth of the time of the tests
# Texts of tables are held as by the command and without pyarrow; "auto" holds them as beside pyarrow.
pd.set_option("mode.string_storage", os.environ.get("FERTKIT_TEST_STRINGS", "python"))
sys.dont_write_bytecode = False
# The same examples in every run, however slow the machine: looking for new ones is the work of
# tests/hardening/fuzz.py.
hypothesis.settings.register_profile("same examples", derandomize=True, database=None, deadline=None)
hypothesis.settings.load_profile("same examples")
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
#: What waits longest begins first, lest one worker be left with it when the others have ended.
FIRST = (
    "browser", "batch/test_processes.py", "notebooks", "hardening", "trials/test_error_rates.py", "report",
    "panels", "test_answers.py",
)  # fmt: skip


def pytest_collection_modifyitems(items):
    """Put the files that take longest first."""
    rank = {name: i for i, name in enumerate(FIRST)}

    @cache
    def place(path):
        path = path.relative_to(ROOT / "tests")
        return min(rank.get(name.as_posix(), len(rank)) for name in (path, *path.parents))

    items.sort(key=lambda item: place(item.path))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Hand out whole files in the order above, so that fixtures are made once; browsers to one worker."""
    from xdist.scheduler import LoadFileScheduling

    class Files(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return "browser" if "/browser/" in nodeid else super()._split_scope(nodeid)

    config.option.loadscopereorder = False
    return Files(config, log)


@pytest.fixture(scope="session")
def benchmark():
    """Load a script of ``tests/benchmarks`` by its name, to run a small piece of it."""

    def load(name):
        script = ROOT / "tests" / "benchmarks" / f"{name}.py"
        spec, before = spec_from_file_location(f"benchmark_{name}", script), list(sys.path)
        module = sys.modules[spec.name] = module_from_spec(spec)
        spec.loader.exec_module(module)
        sys.path[:] = before
        return module

    return load


@pytest.fixture
def finish():
    """Run a coroutine to its end, in a thread of its own: browser tests leave a loop in this one."""
    with ThreadPoolExecutor(1) as thread:
        yield lambda coroutine: thread.submit(asyncio.run, coroutine).result()


@pytest.fixture(scope="session")
def outside():
    """Read one of the open data sets by file name (sources: tests/reference/response/)."""
    return lambda name: pd.read_csv(ROOT / "tests" / "reference" / "response" / name)


@pytest.fixture(scope="session")
def write_none():
    """What writes the figures of a page, and what writes none in its place."""
    return "fertkit.report.page.svg_picture", lambda ax: "data:image/svg+xml;base64,"


@pytest.fixture
def undrawn(monkeypatch, write_none):
    """Make the figures of a page, but write none out, where a test looks at its words alone."""
    monkeypatch.setattr(*write_none)


@pytest.fixture(scope="session")
def chromium():
    """Start the system's Chromium once a session, or skip loudly where there is none."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine (apt install chromium)")
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=30_000)
    in_container = ["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=in_container)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def demo():
    """Give the path of a demo file by name."""
    return lambda name: ROOT / "datasets_demo" / name


def _workbook(rows, kind):
    stream = io.BytesIO()
    if kind == "xlsx":
        import openpyxl

        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.save(stream)
    elif kind == "xls":
        import xlwt

        book = xlwt.Workbook()
        sheet = book.add_sheet("results")
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                sheet.write(i, j, cell)
        book.save(stream)
    else:
        from odf.opendocument import OpenDocumentSpreadsheet
        from odf.table import Table, TableCell, TableRow
        from odf.text import P

        book, table = OpenDocumentSpreadsheet(), Table(name="results")
        for row in rows:
            line = TableRow()
            for cell in row:
                if isinstance(cell, (int, float)):
                    line.addElement(TableCell(valuetype="float", value=cell))
                else:
                    box = TableCell(valuetype="string")
                    box.addElement(P(text=cell))
                    line.addElement(box)
            table.addElement(line)
        book.spreadsheet.addElement(table)
        book.write(stream)
    return stream.getvalue()


@pytest.fixture(scope="session")
def workbook():
    """Write rows of cells as xlsx, xls or ods bytes."""
    return _workbook
