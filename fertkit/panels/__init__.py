"""Panels for notebooks: controls on one side, the answer with its figure on the other.

The panels load on first use and need ipywidgets; `fertkit.panels.serve` does not.
"""

import lazy_loader

from fertkit.errors import FertkitError, installing

_load, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "guess": ["GuessPanel"],
        "any_trial": ["AnyTrialPanel"],
        "history": ["BalancePanel", "HistoryPanel"],
        "leaf": ["LeafPanel"],
        "needs": ["NeedsPanel"],
        "plan": ["PlanPanel"],
        "season": ["SeasonPanel"],
        "show": ["present"],
        "trials": ["OptimumPanel", "StripsPanel"],
    },
)


def __getattr__(name: str):
    try:
        return _load(name)
    except ModuleNotFoundError as error:
        if error.name not in ("ipywidgets", "traitlets"):
            raise
        raise FertkitError("panels need ipywidgets", remedy=installing("notebook")) from None
