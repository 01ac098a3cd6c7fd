"""Leaf tests set side by side: good and poor areas, treatments."""

import numpy as np

from fertkit.results import alike, capital, failed, plain, records
from fertkit.rounding import below
from fertkit.say.line import Kind, Line, lead, marked, row, told
from fertkit.tissue.treatments import CONFIDENCE

_SHOWN = 3  # nutrients of a pair told with their values


def pair_lines(comparison) -> list[Line]:
    """Say the pattern of each pair and the nutrients that differ."""
    said = []
    for r in records(comparison.patterns):
        mine = comparison.pairs[comparison.pairs["pair"] == r.pair]
        mine = mine[mine["difference"] != "within noise"]
        said.append(told(f"{r.pair}, poor against good area: {_differ(mine)}"))
        for n in records(mine.sort_values("log_ratio")):
            times = f"{np.exp(n.log_ratio):.2f} times the good area"
            both = " against ".join(alike(n.poor, n.good))
            said.append(row("", f"{n.nutrient}: {both} {n.unit}, {times}; {n.evidence}"))
        said.append(row("", f"{r.pattern}: {r.meaning}; {r.what_to_do} ({r.source_key})"))
    return said + marked(Kind.CAUTION, failed(comparison.checks))


def leading_pairs(explanation) -> list[Line]:
    """Say good against poor in one sentence a pair, with the pattern and what it asks for first."""
    if explanation.pairs is None:
        return []
    chosen, said = set(explanation.verdicts["specimen"]), []
    for r in records(explanation.pairs.patterns):
        mine = explanation.pairs.pairs[explanation.pairs.pairs["pair"] == r.pair]
        if chosen & {n for column in ("good_specimens", "poor_specimens") for n in mine[column].iloc[0]}:
            said.append(lead(": ".join(filter(None, [r.pair, apart(mine, explanation.pairs.treated)]))))
            text = f"{capital(r.meaning)}. {capital(r.what_to_do)}"
            said.append(Line(Kind.DETAIL, text, sources=(r.source_key,)))
    return said


def apart(rows, treated: bool = False) -> str:
    """Say the values of a pair that differ: 'K 1.31 % in the poor area, 2.16 in the good; Mg higher ...'."""
    one, other = ("check", "treatment") if treated else ("poor area", "good")
    rows = rows.assign(even=~rows["short"].astype(bool)).sort_values(
        ["even", "log_ratio"]
    )  # short ones first
    lower, higher = (rows[rows["difference"] == way] for way in ("lower", "higher"))
    first, more = (lower, higher) if len(lower) else (higher, lower)
    if first.empty:
        names = "check and treatment" if treated else "good and poor area"
        return f"{names} do not differ beyond sampling and laboratory noise"
    said = []
    for n in records(first.head(_SHOWN)):
        poor, good = alike(n.poor, n.good)
        said.append(f"{n.nutrient} {poor} {n.unit} in the {one}, {good} in the {other}")
    if len(first) > _SHOWN:
        rest = ", ".join(first["nutrient"].iloc[_SHOWN:])
        said.append(f"{rest} {'lower' if len(lower) else 'higher'} too")
    if len(more):
        where = " and ".join(lower["nutrient"][:_SHOWN])
        verb = "is" if len(lower) == 1 else "are"
        said.append(f"{', '.join(more['nutrient'])} higher where {where} {verb} low")
    return "; ".join(said)


def _differ(rows):
    """'Mn lower; Fe higher', what lies below its range marked."""
    said = []
    for way in ("lower", "higher"):
        mine = rows[rows["difference"] == way].sort_values("log_ratio", ascending=way == "lower")
        names = [n.nutrient + " (short)" * n.short for n in records(mine)]
        said += [f"{', '.join(names)} {way}"] if names else []
    return "; ".join(said) or "no nutrient differs beyond noise"


def treatment_lines(comparison) -> list[Line]:
    """Say which nutrients differ among treatments, then the rest."""
    clear = comparison.tests[below(comparison.tests["p_value"], 1 - CONFIDENCE)]
    said = []
    for r in records(clear.sort_values("p_value")):
        means = comparison.means
        means = means[(means["measure"] == r.measure) & (means["nutrient"] == r.nutrient)]
        listed = ", ".join(f"{m.treatment} {plain(m.mean)}" for m in records(means))
        test = f"F {r.f:.2f}, p {r.p_value:.3g}, LSD {r.lsd:.2g}"
        said.append(told(f"{listed} {r.unit}; {test}", f"{r.nutrient} {r.measure}"))
    rest = comparison.tests[~comparison.tests.index.isin(clear.index)]
    names = ", ".join(f"{r.nutrient} {r.measure}" for r in records(rest))
    return said + ([told(names, "no difference shown")] if names else [])
