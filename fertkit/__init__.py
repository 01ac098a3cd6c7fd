"""fertkit: crop nutrition field by field, from nutrient budget to economic optimum rate.

The public names below load on first use, so that ``import fertkit`` stays light.
"""

import lazy_loader

__version__ = "0.2.0"

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "budget": ["nutrient_budget", "plan_season"],
        "intake": ["read_strips", "read_tissue"],
        "reference": ["cite", "list_sources", "load_ranges", "load_table"],
        "report": ["answer_field", "answer_points"],
        "response": ["analyse_response", "compare_curves", "fit_response"],
        "tissue": ["explain", "score_tissue"],
        "trials": ["analyse_strips", "plan_strips"],
    },
)
__all__ += ["__version__"]
