"""What the leaf says: scores, balances, comparisons and explanations of plant tissue tests.

Method
------
* Score (`score_tissue`): each value against each source's sufficiency range or critical level for the
  crop, part and stage; class, position within the range and the probability that the true value lies
  below the limit, P = Phi((L - x) / (x CV)), with laboratory and sampling spread in quadrature. Sources
  that disagree are shown side by side. A stage or part that does not match is never used silently.
* Balance: `dris` (indices from nutrient ratios; Beaufils 1973, Jones 1981); `dop` (100 C /
  C_ref - 100); `cnd` (centred log ratios, the squared distance r2); `nitrogen_nutrition_index` (N over a
  W^-b).
* Compare: `compare_pairs` (good against poor area: log ratio against its noise, growth dilution),
  `compare_treatments` (analysis of variance of concentration and of uptake), `field_history` (a field over
  its dates, crops and years: each value against the range of its stage, and what repeats).
* Explain (`explain`): what is short and how sure, what may make the number lie, what else would show it,
  what can be done this season and what only next year. It names no rate.

Examples
--------
A value of 2.70 % against a limit of 2.90 % with a spread of 4 % lies below it with probability 0.968:

>>> from statistics import NormalDist
>>> round(NormalDist().cdf((2.90 - 2.70) / (2.70 * 0.04)), 3)
0.968
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "balance": ["dop"],
        "dilution": ["nitrogen_nutrition_index"],
        "explanation": ["explain"],
        "history": ["field_history"],
        "indices": ["cnd", "dris"],
        "norms": ["build_norms"],
        "pairs": ["compare_pairs"],
        "score": ["score_tissue"],
        "treatments": ["compare_treatments"],
    },
)
