"""The notebooks: short, stripped, offline, and each runs from top to bottom with its callbacks."""

import ast
import json
import re
import subprocess
import sys
from pathlib import Path

import matplotlib.pyplot as plt
import pytest
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output

ROOT = Path(__file__).parent.parent.parent
LESSONS = sorted((ROOT / "notebooks").glob("*.ipynb"))
KEPT = sorted((Path(__file__).parent / "kept").glob("*.ipynb"))
ids = {"ids": lambda path: path.stem}

pytestmark = pytest.mark.notebooks
#: Of a cell that holds an answer: closed in JupyterLab, where one would read it before the guess.
HIDDEN = {"jupyter": {"source_hidden": True}}


def cells(path, kind):
    """Give the cells of one kind of a notebook."""
    return [c for c in json.loads(path.read_text(encoding="utf-8"))["cells"] if c["cell_type"] == kind]


def source(cell) -> str:
    return "".join(cell["source"])


#: Starts pytest without the grammars of web addresses, which the checker of notebook files loads for seconds.
PYTEST = "import sys; sys.modules['rfc3987_syntax'] = None; import pytest; sys.exit(pytest.main())"


def run_nbval(paths):
    """Execute notebooks of one folder with nbval, in a process of its own: its settings are its own."""
    options = ["--nbval-lax", "--nbval-current-env", "--nbval-cell-timeout=120", "-q", "-c", "/dev/null",
               "--rootdir", str(paths[0].parent), "-p", "no:cacheprovider", "-p", "no:xdist"]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", PYTEST, *options, *map(str, paths)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


def test_there_are_notebooks():
    assert len(LESSONS) == 12
    assert KEPT


@pytest.fixture
def shell(monkeypatch):
    """An interactive shell in the folder of the lessons that fails on whatever a cell or a control raises."""
    monkeypatch.chdir(ROOT / "notebooks")
    for panel in ("base.Panel", "guess.GuessPanel"):
        monkeypatch.setattr(f"fertkit.panels.{panel}.raise_errors", True)
    monkeypatch.setattr("fertkit.panels.base.Panel.rest", 0)
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])  # a shell puts its own there
    one = InteractiveShell.instance()
    shown = []
    monkeypatch.setattr(one, "showtraceback", lambda *_, **__: shown.append(sys.exc_info()[1]))
    one.reset()
    yield one, shown
    InteractiveShell.clear_instance()


@pytest.mark.parametrize("path", LESSONS, **ids)
def test_runs_on_the_demo_data_and_follows_its_controls(path, shell):
    """What tries the controls out stands beside the tests, and is run as a last cell.

    A kernel of its own is what the browser tests give each page; starting over is tried on each kind of panel
    by `tests/panels/test_all.py`.
    """
    one, shown = shell
    tried = (Path(__file__).parent / "tried" / f"{path.stem}.py").read_text(encoding="utf-8")
    assert "assert " in tried
    for code in [*map(source, cells(path, "code")), tried]:
        with capture_output():
            done = one.run_cell(code)
        assert done.success, f"{code}\n{done.error_in_exec or done.error_before_exec}"
        assert not shown, code
    plt.close("all")


def test_they_print_what_they_should():
    for path in KEPT:
        code = cells(path, "code")
        assert any("# NBVAL_CHECK_OUTPUT" in source(c) and c["outputs"] for c in code), path
        assert all(c["execution_count"] for c in code), f"nbval compares no cell without a count: {path}"
    run_nbval(KEPT)


@pytest.mark.parametrize("path", LESSONS, **ids)
def test_is_stripped(path):
    for cell in cells(path, "code"):
        assert not cell["outputs"]
        assert cell["execution_count"] is None


@pytest.mark.parametrize("path", LESSONS, **ids)
def test_cells_are_short_and_define_nothing(path):
    for cell in cells(path, "code"):
        code = source(cell)
        assert len(code.splitlines()) <= 10
        assert cell["metadata"] in ({}, HIDDEN)
        kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Try)
        assert not any(isinstance(node, kinds) for node in ast.walk(ast.parse(code)))


def test_the_educators_notes_are_words_alone_and_name_what_there_is():
    path = ROOT / "notebooks" / "educator" / "notes_for_the_educator.ipynb"
    assert not cells(path, "code")
    text = "".join(map(source, cells(path, "markdown")))
    for lesson in LESSONS:
        if "workshop" in lesson.stem:
            title = source(cells(lesson, "markdown")[0]).splitlines()[0]
            assert re.search(r"Workshop: (.*) \(45 minutes\)", title)[1].capitalize() in text


@pytest.mark.parametrize("path", LESSONS, **ids)
def test_one_line_names_the_data(path):
    code = "\n".join(source(c) for c in cells(path, "code"))
    names = re.findall(r"datasets_demo/[\w.]+", code)
    assert len(set(names)) == len(names), "a file is named twice; the reader would have to change two lines"


@pytest.mark.parametrize("path", LESSONS, **ids)
def test_asks_nothing_of_the_network(path):
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"https?://|%pip|!pip|urlopen|requests", text)
