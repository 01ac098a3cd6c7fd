"""Leaf tests set side by side: good and poor areas, treatments."""

import numpy as np

from fertkit.results import failed, plain
from fertkit.rounding import below
from fertkit.say.line import Kind, Line, marked, row, told
from fertkit.tissue.treatments import CONFIDENCE


def pair_lines(comparison) -> list[Line]:
    """Say the pattern of each pair and the nutrients that differ."""
    said = []
    for r in comparison.patterns.itertuples():
        mine = comparison.pairs[comparison.pairs["pair"] == r.pair]
        mine = mine[mine["difference"] != "within noise"]
        said.append(told(f"{r.pair}, poor against good area: {_differ(mine)}"))
        for n in mine.sort_values("log_ratio").itertuples():
            times = f"{np.exp(n.log_ratio):.2f} times the good area"
            said.append(
                row(
                    "",
                    f"{n.nutrient}: {plain(n.poor)} against {plain(n.good)} {n.unit}, {times}: {n.evidence}",
                )
            )
        said.append(row("", f"{r.pattern}: {r.meaning}; {r.what_to_do} ({r.source_key})"))
    return said + marked(Kind.CAUTION, failed(comparison.checks))


def _differ(rows):
    """'Mn lower; Fe higher', what lies below its range marked."""
    said = []
    for way in ("lower", "higher"):
        mine = rows[rows["difference"] == way].sort_values("log_ratio", ascending=way == "lower")
        names = [n.nutrient + " (short)" * n.short for n in mine.itertuples()]
        said += [f"{', '.join(names)} {way}"] if names else []
    return "; ".join(said) or "no nutrient differs beyond noise"


def treatment_lines(comparison) -> list[Line]:
    """Say which nutrients differ among treatments, then the rest."""
    clear = comparison.tests[below(comparison.tests["p_value"], 1 - CONFIDENCE)]
    said = []
    for r in clear.sort_values("p_value").itertuples():
        means = comparison.means
        means = means[(means["measure"] == r.measure) & (means["nutrient"] == r.nutrient)]
        listed = ", ".join(f"{m.treatment} {plain(m.mean)}" for m in means.itertuples())
        test = f"F {r.f:.2f}, p {r.p_value:.3g}, LSD {r.lsd:.2g}"
        said.append(told(f"{listed} {r.unit}; {test}", f"{r.nutrient} {r.measure}"))
    rest = comparison.tests[~comparison.tests.index.isin(clear.index)]
    names = ", ".join(f"{r.nutrient} {r.measure}" for r in rest.itertuples())
    return said + ([told(names, "no difference shown")] if names else [])
