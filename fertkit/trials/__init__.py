"""Strip trials: lay out, find the number of blocks, harvest points → strip means, analyse, pool.

Method
------
* Plan: `blocks_for` and `smallest_difference` use the exact noncentral t of the comparison (two-sided);
  `plan_strips` draws the order from a seed and respects header, applicator and buffers.
* Harvest: `clean_points` drops impossible records, pass ends, jumps of speed, field and local outliers
  (local Moran's I), overlaps and short pieces, and counts each; `find_delay` finds the grain's delay;
  `strip_means` weights by area at trade moisture. Points of a strip are no replicates.
* Analyse (`analyse_strips`): analysis of variance with blocks, or REML with random blocks, falling back
  to fixed ones where the block variance is near zero; trend and correlated neighbours on request;
  contrasts against the check strip, letters by one named rule; pairs, split and strip plots, augmented
  layouts and neighbouring checks by its `design`.
* Pool: `pool_trials` and `pool_estimates` weight site-years by random effects (REML or Paule-Mandel) with
  the modified Hartung-Knapp interval and a prediction interval for a new site; one mixed
  model of all strips is `fertkit.response.fit_network`.

Examples
--------
Four treatments with a CV of 5 %: five blocks find a difference of 10 % in 83 of 100 trials.

>>> from fertkit.trials import blocks_for
>>> plan = blocks_for(10, 5, treatments=4)
>>> plan.blocks
5
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "analyse": ["analyse_strips"],
        "layout": ["plan_strips"],
        "points": ["clean_points", "find_delay"],
        "pool": ["pool_estimates", "pool_trials"],
        "power": ["blocks_for"],
        "strip_means": ["strip_means"],
    },
)
