"""Leaf tests set side by side: good and poor areas, treatments, balance methods, dilution."""

import numpy as np

from fertkit.results import failed, plain
from fertkit.rounding import below
from fertkit.say.line import Kind, Line, lead, marked, row, told
from fertkit.tissue.compare import CONFIDENCE
from fertkit.tissue.dilution import notes_on_dilution


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


def balance_lines(balance, most: int = 8) -> list[Line]:
    """Say the order of need of each sample, with the verdict of the ranges beside it."""
    said = [lead(balance.method)]
    for (_, sample), rows in list(balance.indices.groupby(["specimen", "sample_id"], sort=False))[:most]:
        rows = rows.sort_values("order", kind="stable")
        pairs = zip(rows["nutrient"], rows["index"], strict=True)
        order = " > ".join(f"{nutrient} ({plain(index)})" for nutrient, index in pairs)
        judged = rows[rows["verdict"].isin(["short by every source", "sources disagree"])]
        none = "nothing judged" if (rows["verdict"] == "not judged").all() else "none short"
        beside = ", ".join(f"{r.nutrient} {r.verdict}" for r in judged.itertuples()) or none
        said.append(told(f"order of need {order}; ranges: {beside}", sample))
    said += [told(r.why, r.sample_id) for r in balance.refused.head(most).itertuples()]
    cautions = [f"{r.note} ({r.source_key})" for r in balance.notes.itertuples()]
    return said + marked(Kind.CAUTION, cautions + failed(balance.checks.head(1)))


def dilution_lines(index, most: int = 10) -> list[Line]:
    """Say the index by sample and curve, and how to read it."""
    said = []
    for r in index.indices.head(most).itertuples():
        found = r.note if np.isnan(r.nni) else f"NNI {r.nni:.2f}, critical N {r.critical_n_pct:.2f} %"
        said.append(told(f"{r.biomass_t_ha:g} t/ha, {r.n_pct:g} % N, {r.source_key}: {found}", r.sample))
    said += [told(r.note, r.source_key) for r in index.curves.itertuples() if r.note]
    cautions = [f"{r.note} ({r.source_key})" for r in notes_on_dilution().itertuples()]
    return said + marked(Kind.CAUTION, cautions + failed(index.checks))


def norm_lines(norms) -> list[Line]:
    """Say what norms rest on."""
    what = "ratio" if norms.method == "dris" else "component"
    said = [lead(
        f"{norms.method.upper()} norms from {norms.n_high} samples that yielded at least {norms.cutoff:g}, "
        f"against {norms.n_low} below: {', '.join(norms.norms[what])}"
    )]  # fmt: skip
    if norms.method != "dris":
        said.append(told(
            f"a squared distance r2 above {norms.critical_r2:.2f} counts as imbalanced: the share of "
            "low yields taken as a chi-square (KHIARI2001; the rule is from memory)"
        ))  # fmt: skip
    return said
