"""A notebook run before anybody opens it: the fork that is asked for its cells gives what came out of them.

The process that seats are forked from runs the cells of each notebook while nobody waits. A fork opens the
controls that a cell made to its page and shows its last value, as if it had run the cell itself. It runs for
itself what printed or failed, what follows such a cell, and everything once a file that was read has changed.
"""

import ast
import gc
import json
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from math import inf
from pathlib import Path
from types import SimpleNamespace

from comm import get_comm_manager
from ipywidgets.widgets.widget import Widget
from ipywidgets.widgets.widget import _instances as open_widgets


def watch_files() -> set:
    """Give the set that every file opened from now on comes into, as long as the process goes on."""
    opened = set()

    def heard(event, arguments):
        if event == "open" and isinstance(arguments[0], str):
            opened.add(os.path.abspath(arguments[0]))

    sys.addaudithook(heard)
    return opened


class Rehearsal:
    """A notebook that is run cell by cell.

    Parameters
    ----------
    path : Path
    opened : set
        What `watch_files` gave.

    Attributes
    ----------
    cells : list
        Of each cell that was run its source, the widgets it made and its last value.
    """

    def __init__(self, path: Path, opened: set):
        self.path, self.cells, self._opened = path, [], opened
        self._names = {"__name__": "__main__"}
        self._files = {str(path): _mark(path)}
        self._played, self._left, self._shut = 0, [], set()

    def run(self):
        """Run the cells, one a step, up to one that only a page can run."""
        for source in _sources(self.path):
            if not self._run(source):
                break
            yield
        gc.collect()
        gc.freeze()  # else the collector would write to every page of memory that forks share

    def _run(self, source: str) -> bool:
        before, printed = set(open_widgets), StringIO()
        self._opened.clear()
        try:
            os.chdir(self.path.parent)
            with redirect_stdout(printed), redirect_stderr(printed):
                value = _value(source, self._names)
        except (Exception, SystemExit):
            return False
        if printed.getvalue():
            return False
        self._files |= {file: _mark(file) for file in self._opened}
        made = [widget for name, widget in open_widgets.items() if name not in before]
        self.cells.append(SimpleNamespace(source=source.strip(), made=made, value=value))
        return True

    def fresh(self) -> bool:
        """Whether no file that was read has changed since."""
        return all(_mark(file) == mark for file, mark in self._files.items())

    def forget(self) -> None:
        """Let go of the widgets."""
        for cell in self.cells:
            for widget in cell.made:
                widget.close()

    def next_is(self, source: str) -> bool:
        """Whether a cell is the next to be played; once another has come between, none is."""
        if self._played < len(self.cells) and self.cells[self._played].source == source.strip():
            return bool(self._played) or self.fresh()
        if self._played:
            self._played = inf
        return False

    def play(self, shell):
        """Open the controls of the next cell to the page and give its last value."""
        if not self._played:
            shell.user_ns.update(self._names)
            self._shut = {widget for each in self.cells for widget in each.made}
        cell = self.cells[self._played]
        self._played += 1
        for widget in cell.made:
            self._open(widget)
        return cell.value

    def _open(self, widget) -> None:
        """Open a control to the page, after those it shows, which a later cell may have made."""
        if widget not in self._shut:
            return
        self._shut.remove(widget)
        for value in widget.trait_values(sync=True).values():
            for shown in value if isinstance(value, list | tuple) else [value]:
                if isinstance(shown, Widget):
                    self._open(shown)
        self._left.append(widget.comm)  # that of the process it was made in; let go, it would close
        widget.comm = widget._model_id = None
        widget.open()


def play_in(shell, rehearsals) -> None:
    """Let a shell play the cells of the rehearsed notebook it is asked for, in place of running them.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
    rehearsals : iterable of Rehearsal
    """
    rehearsals = list(rehearsals)
    shell.user_ns["__play__"] = lambda: rehearsals[0].play(shell)

    def instead(lines):
        asked = next((one for one in rehearsals if one.next_is("".join(lines))), None)
        if asked is None:
            return lines
        rehearsals[:] = [asked]
        return ["__play__()\n"]

    shell.input_transformers_post.append(instead)


def forget_pages() -> None:
    """Forget the controls of every notebook: a page asks for all there are, and is to get its own."""
    open_widgets.clear()
    get_comm_manager().comms.clear()


def _sources(path: Path) -> list[str]:
    """Give the source of each cell of code; none where the file is gone, half saved or no notebook."""
    try:
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    except (OSError, ValueError, KeyError):
        return []
    return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


def _value(source: str, names: dict):
    """Run code; give the value of its last line, None where that has none."""
    body = ast.parse(source).body
    last = ast.Expression(body.pop().value) if body and isinstance(body[-1], ast.Expr) else None
    exec(compile(ast.Module(body, []), "<cell>", "exec"), names)
    return eval(compile(last, "<cell>", "eval"), names) if last else None


def _mark(file) -> tuple | None:
    """What tells a file from the same one changed."""
    try:
        about = os.stat(file)
    except OSError:
        return None
    return about.st_mtime_ns, about.st_size
