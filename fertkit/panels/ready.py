"""Load what the panels need while a browser still loads its own part of a page.

A kernel started by `fertkit.panels.serve` calls `load_early` at its start. The server of the pages tells each
kernel its name before anything else: that is when the modules are loaded, well before the first cell.
"""

from importlib import import_module

#: What every panel needs to draw its first figure; heavier modules of single panels are left to them.
NEEDED = (
    "fertkit.panels.leaf", "fertkit.panels.needs", "fertkit.panels.optimum", "fertkit.panels.plan",
    "fertkit.panels.strips", "fertkit.plots.response", "matplotlib.backends.backend_svg", "scipy.special",
)  # fmt: skip


def load_early(shell) -> None:
    """Load the modules when the shell runs its first cell.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
    """

    def load(*_):
        shell.events.unregister("pre_run_cell", load)
        for name in NEEDED:
            import_module(name)

    shell.events.register("pre_run_cell", load)
