"""A kernel of ours loads what panels need with the first thing it runs, once, and all of it."""

import subprocess
import sys

from fertkit.panels import seat
from fertkit.panels.seat import EARLY, NEEDED_EARLY

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


def test_what_is_rehearsed_has_an_answer(undrawn, monkeypatch):
    monkeypatch.setattr("fertkit.panels.base.Panel.raise_errors", True)
    assert all(panel.result is not None for panel in seat.rehearse())
