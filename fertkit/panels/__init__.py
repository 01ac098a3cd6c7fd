"""Panels for notebooks: controls on one side, the answer with its figure on the other.

The panels load on first use and need ipywidgets; `fertkit.panels.serve` does not.
"""

from importlib import import_module

from fertkit.errors import FertkitError

_HOME_OF = {
    "LeafPanel": "leaf",
    "NeedsPanel": "needs",
    "OptimumPanel": "optimum",
    "PlanPanel": "plan",
    "StripsPanel": "strips",
    "in_words": "words",
}

__all__ = sorted(_HOME_OF)


def __getattr__(name: str):
    if name not in _HOME_OF:
        raise AttributeError(f"module 'fertkit.panels' has no attribute '{name}'")
    try:
        home = import_module(f"fertkit.panels.{_HOME_OF[name]}")
    except ModuleNotFoundError as error:
        if error.name not in ("ipywidgets", "traitlets"):
            raise
        raise FertkitError(
            "panels need ipywidgets; install it with: pip install 'fertkit[notebook]'"
        ) from None
    return getattr(home, name)
