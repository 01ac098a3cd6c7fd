"""Results and rules of trials cannot be changed once they are made (PEP 557: frozen data classes)."""

import importlib
import pkgutil
from dataclasses import is_dataclass

import numpy as np
import pandas as pd

import fertkit.trials
from fertkit.intake import read_points
from fertkit.trials import (
    analyse_strips,
    blocks_for,
    clean_points,
    plan_strips,
    pool_trials,
    strip_means,
)
from fertkit.trials.pairs import analyse_pairs
from fertkit.trials.strata import analyse_two_factors

CHANGED_BY_ITS_STEPS = {"Log"}


def answers():
    """One answer of every kind."""
    rng = np.random.default_rng(1)
    rows = [(s, b, r) for s in "ABC" for b in range(4) for r in (0.0, 40, 80)]
    table = pd.DataFrame(rows, columns=["trial", "block", "rate_lb_ac"])
    table["yield_bu_ac"] = 50 + table["block"] + table["rate_lb_ac"] / 10 + rng.normal(0, 1, len(table))
    one = table[table["trial"] == "A"]
    split = table.rename(columns={"trial": "whole", "rate_lb_ac": "part"})
    step = np.arange(60)
    log = pd.DataFrame({"lon": -93.0, "lat": 42 + step * 2e-5, "flow": 18 + step % 3 * 0.1, "seconds": 1,
                        "distance": 7.3, "width": 30.0, "moisture": 15.5})  # fmt: skip
    units = {"flow": "lb/s", "distance": "ft", "width": "ft"}
    cleaned = clean_points(read_points(log, crop="corn", units=units))
    ring = [[-93.1, 41.9], [-92.9, 41.9], [-92.9, 42.1], [-93.1, 42.1]]
    own = {"strip": 1, "treatment": 1}
    strips = {"features": [{"geometry": {"type": "Polygon", "coordinates": [ring]}, "properties": own}]}
    machines = {"header_width": 30, "applicator_width": 60, "strip_length": 900}
    return [
        analyse_strips(one, model="random"),
        analyse_pairs(one[one["rate_lb_ac"] > 0]),
        analyse_two_factors(split, "split plot", "whole", "part"),
        pool_trials(table, 80, 0),
        blocks_for(10, 5),
        plan_strips([0, 50], seed=1, **machines),
        cleaned,
        strip_means(cleaned, strips),
    ]  # fmt: skip


def test_no_answer_can_be_changed():
    for answer in answers():
        assert type(answer).__dataclass_params__.frozen
        assert len(answer.table)
    made = {
        own
        for found in pkgutil.iter_modules(fertkit.trials.__path__, "fertkit.trials.")
        for own in vars(importlib.import_module(found.name)).values()
        if isinstance(own, type) and is_dataclass(own) and own.__module__ == found.name
    }
    assert {own.__name__ for own in made if not own.__dataclass_params__.frozen} == CHANGED_BY_ITS_STEPS
    assert len(made) > 15
