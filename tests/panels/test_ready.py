"""A kernel of ours has what panels need before its first answer; a fork has the answers, while they hold."""

import json
import os
import subprocess
import sys
from types import SimpleNamespace

import pytest
from IPython.core.interactiveshell import InteractiveShell

from fertkit.panels.rehearsal import Rehearsal, play_in, watch_files
from fertkit.panels.seat import EARLY, NEEDED_EARLY

OPENED = watch_files()
SHELL = """
import sys
from IPython.core.interactiveshell import InteractiveShell
shell = InteractiveShell.instance()
exec({line!r}.replace("get_ipython()", "shell"))
assert not set({needed!r}) & set(sys.modules), "too early"
shell.run_cell("1")
missing = set({needed!r}) - set(sys.modules)
assert not missing, missing
before = set(sys.modules)
from fertkit.panels import OptimumPanel
from fertkit.response import Prices
OptimumPanel({file!r}, crop="corn", prices=Prices(0.45, 4.5, "lb", "bu"))
late = {{name for name in set(sys.modules) - before if name.startswith(("fertkit", "matplotlib", "scipy"))}}
assert not late, late
"""


def test_the_first_cell_loads_what_the_first_answer_needs(demo):
    code = SHELL.format(line=EARLY, needed=NEEDED_EARLY, file=str(demo("corn_n_strips.csv")))
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


FIRST = """from pathlib import Path
import ipywidgets
read = Path("numbers.txt").read_text()
box = ipywidgets.FloatText(value=float(read))
box"""
SECOND = "box.value + 1"
PRINTS = "print(box.value)"


@pytest.fixture(autouse=True)
def _no_waste(monkeypatch):
    """A rehearsal clears away what its process holds; here that is all the tests have loaded, and stays."""
    kept = SimpleNamespace(collect=lambda: None, freeze=lambda: None)
    monkeypatch.setattr("fertkit.panels.rehearsal.gc", kept)


@pytest.fixture
def rehearsed(tmp_path):
    """A notebook of four cells after its rehearsal, of which the third prints."""
    (tmp_path / "numbers.txt").write_text("3")
    cells = [{"cell_type": "code", "source": one} for one in (FIRST, SECOND, PRINTS, SECOND)]
    (tmp_path / "lesson.ipynb").write_text(json.dumps({"cells": cells}))
    before = os.getcwd()
    one = Rehearsal(tmp_path / "lesson.ipynb", OPENED)
    list(one.run())
    os.chdir(before)
    return one


@pytest.fixture
def asked(rehearsed):
    """What a shell makes of cells, and the shell."""
    shell = InteractiveShell()
    play_in(shell, [rehearsed])
    return shell, lambda source: shell.run_cell(source).result


def test_a_cell_is_played_and_not_run_again(rehearsed, asked):
    shell, run = asked
    box = run(FIRST)
    assert box is rehearsed.cells[0].value
    assert rehearsed.cells[0].made[-1] is box
    box.value = 5  # the page moved it; run again, the cell would give 6
    assert run(SECOND) == 4
    assert shell.user_ns["box"] is box


def test_what_printed_and_what_follows_is_run(rehearsed, asked, capsys):
    _, run = asked
    assert [cell.source for cell in rehearsed.cells] == [FIRST, SECOND]
    run(FIRST).value = 7
    run(SECOND)
    run(PRINTS)
    assert capsys.readouterr().out.endswith("7.0\n")
    assert run(SECOND) == 8


def test_after_another_cell_nothing_is_played(asked):
    _, run = asked
    run(FIRST)
    run("box.value = 10")
    assert run(SECOND) == 11


@pytest.mark.parametrize("name", ["numbers.txt", "lesson.ipynb"])
def test_a_file_changed_since_is_read_again(rehearsed, asked, tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    assert rehearsed.fresh()
    (tmp_path / name).write_text("12")
    assert not rehearsed.fresh()
    assert asked[1](FIRST) is not rehearsed.cells[0].value


@pytest.mark.parametrize("content", ["{}", '{"cells": [', None, "raise SystemExit"])
def test_what_cannot_be_rehearsed_ends_no_rehearsal_but_its_own(tmp_path, monkeypatch, content):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "lesson.ipynb"
    if content and content.startswith("raise"):
        content = json.dumps({"cells": [{"cell_type": "code", "source": content}]})
    if content:
        path.write_text(content)
    one = Rehearsal(path, OPENED)
    assert list(one.run()) == one.cells == []
