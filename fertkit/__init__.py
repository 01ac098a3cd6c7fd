"""fertkit: crop nutrition field by field, from nutrient budget to economic optimum rate.

The public names below load on first use, so that ``import fertkit`` stays light.
"""

from importlib import import_module

__version__ = "0.1.0"

_HOMES = {
    "budget": ("nutrient_budget",),
    "intake": ("read_strips", "read_tissue"),
    "reference": ("cite", "list_sources", "load_ranges", "load_table"),
    "report": ("answer_field",),
    "response": ("analyse_response", "compare_curves", "fit_response"),
    "tissue": ("explain", "score_tissue"),
    "trials": ("analyse_strips", "plan_strips"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = sorted([*_HOME_OF, "__version__"])


def __getattr__(name: str):
    if name not in _HOME_OF:
        raise AttributeError(f"module 'fertkit' has no attribute '{name}'")
    return getattr(import_module(f"fertkit.{_HOME_OF[name]}"), name)


def __dir__():
    return __all__
