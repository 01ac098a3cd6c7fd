"""The manual of the public functions, made from their docstrings."""

import webbrowser
from importlib.util import find_spec
from pathlib import Path
from tempfile import mkdtemp

from fertkit.errors import FertkitError, installing

#: Parts of the package in the order of the work; what each makes public is told.
PARTS = ("intake", "reference", "budget", "tissue", "trials", "response", "report", "panels", "batch")


def write_manual(folder) -> Path:
    """Write the manual as pages into a folder.

    Parameters
    ----------
    folder : path

    Returns
    -------
    Path
        Its first page.

    Raises
    ------
    FertkitError
        If pdoc is not installed.
    """
    if find_spec("pdoc") is None:
        raise FertkitError("this needs pdoc", remedy=installing("manual"))
    import pdoc

    pdoc.render.configure(docformat="numpy", show_source=False)
    pdoc.pdoc("fertkit", *(f"fertkit.{part}" for part in PARTS), output_directory=Path(folder))
    return Path(folder) / "fertkit.html"


def open_manual(browser: bool = True) -> Path:
    """Write the manual into a folder of its own, say where, and open it in the browser."""
    first = write_manual(mkdtemp(prefix="fertkit-manual-"))
    print(f"Manual: {first}")
    if browser:
        webbrowser.open(first.as_uri())
    return first
