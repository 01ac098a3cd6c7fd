"""Nutrient balances in words: order of need, ratios, dilution, norms, and what each cannot say."""

import numpy as np

from fertkit.results import capital, counted, failed, plain
from fertkit.rounding import below
from fertkit.say.line import Kind, Line, lead, marked, missing, told
from fertkit.tissue.agree import Verdict
from fertkit.tissue.balance import balance_notes
from fertkit.tissue.indices import FILLING
from fertkit.tissue.norms import OWN
from fertkit.tissue.ratios import NO_LIMIT, WIDE

#: Samples named in a line that leaves them out; parts of norms that are listed.
NAMED, LISTED = 6, 10


def balance_lines(balance, most: int = 8) -> list[Line]:
    """Say the order of need of each sample, with the verdict of the ranges beside it."""
    said, samples = [], list(balance.indices.groupby(["specimen", "sample_id"], sort=False))
    for (_, sample), rows in samples[:most]:
        rows = rows.sort_values("order", kind="stable")
        pairs = zip(rows["nutrient"], _indices(rows["index"]), strict=True)
        order = " > ".join(f"{nutrient} ({index})" for nutrient, index in pairs)
        judged = rows[rows["verdict"].isin([Verdict.SHORT, Verdict.DISAGREE])]
        none = "nothing judged" if (rows["verdict"] == "not judged").all() else "none short"
        beside = ", ".join(f"{r.nutrient} {r.verdict}" for r in judged.itertuples()) or none
        said.append(told(f"order of need {order}; ranges: {beside}", sample))
    if len(samples) > 1:
        nutrients = balance.indices[balance.indices["nutrient"] != FILLING]
        first = nutrients.sort_values(["specimen", "order"], kind="stable").drop_duplicates("specimen")
        first = first["nutrient"]
        counts = ", ".join(f"{nutrient} in {n}" for nutrient, n in first.value_counts(sort=True).items())
        said[:0] = [lead(f"Most limiting: {counts} of {len(samples)} samples"), told(balance.method)]
    else:
        said.insert(0, lead(balance.method))
    said += _more(len(samples) - most)
    said += left_out(balance.refused.rename(columns={"sample_id": "sample"}))
    return said + cautions(balance.notes, failed(balance.checks.head(1)))


def _indices(values) -> list[str]:
    """Write the indices of a sample with the decimals of the largest in three digits."""
    largest = np.abs(values).max()
    decimals = max(0, 2 - int(np.floor(np.log10(largest)))) if largest > 0 else 0
    return [f"{value:.{decimals}f}" if value else "0" for value in values]


def _more(n: int) -> list[Line]:
    return [told(f"{counted(n, 'more sample')} in the table")] if n > 0 else []


def left_out(refused) -> list[Line]:
    """Say which samples have no index, one line a reason."""
    said = []
    for why, rows in refused.groupby("why", sort=False):
        names = list(dict.fromkeys(rows["sample"]))
        more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
        said.append(missing(f"Left out, {', '.join(names[:NAMED])}{more}", why))
    return said


def cautions(notes, checks=()) -> list[Line]:
    """Say what a method cannot say."""
    return marked(
        Kind.CAUTION, [*(f"{r.note} ({r.source_key})" for r in notes.itertuples()), *map(capital, checks)]
    )


def ratio_lines(table) -> list[Line]:
    """Say the ratios above their limits first, then others that stand out, sample by sample."""
    rows, shown = table.ratios, table.standing_out
    wide = rows[rows["verdict"] == WIDE]
    count = int((rows["verdict"] != NO_LIMIT).sum())
    found = f"{len(wide)} of {counted(count, 'ratio')} with a published limit is above it"
    left = counted(len(rows) - count, "ratio" if not count else "other")
    none = f"{left} without a published limit for crop, stage and part"
    said = [lead(f"{found}; {none}" if count else none)]
    for r in wide.itertuples():
        limit = f"{plain(r.value)}, limit {plain(r.highest_limit)}: {r.when_wide} ({r.source_keys})"
        said.append(told(f"{r.ratio} {limit}", r.sample_id))
    others, more = shown.drop(wide.index), len(rows) - len(shown)
    far = "Furthest from the median of the crop" if more else ""
    for sample, mine in others.groupby("sample_id", sort=False):
        listed = ", ".join(
            f"{r.ratio} {plain(r.value)}" + (f" ({r.verdict})" if r.verdict != NO_LIMIT else "")
            for r in mine.itertuples()
        )
        said.append(told(f"{sample}, {listed}", far) if far else told(listed, sample))
        far = ""
    said += [told(f"{counted(more, 'more ratio')} in the table")] if more else []
    return said + cautions(table.notes, failed(table.checks))


def dilution_lines(index, most: int = 10) -> list[Line]:
    """Say the index by sample and curve, and how to read it."""
    judged = index.indices.dropna(subset="nni").groupby("sample", sort=False)["nni"]
    best = judged.max()
    low = list(best.index[below(best, 1)])
    named = f": {', '.join(map(str, low[:NAMED]))}" * (0 < len(low) <= NAMED and len(best) > 1)
    found = f"{len(low)} of {counted(len(best), 'sample')} below critical nitrogen by every curve"
    said = [lead(found + named)]
    samples = list(index.indices.groupby(["sample", "n_pct", "biomass_t_ha"], sort=False, dropna=False))
    for (sample, n_pct, biomass), rows in samples[:most]:
        curves = "; ".join(f"{found} ({', '.join(keys)})" for found, keys in _by_curve(rows))
        said.append(told(f"{n_pct:g} % N at {biomass:g} t/ha: {curves}", sample))
    said += _more(len(samples) - most)
    said += left_out(index.refused)
    said += [told(r.note, r.source_key) for r in index.curves.itertuples() if r.note]
    return said + cautions(balance_notes("nni"), failed(index.checks))


def _by_curve(rows):
    """What the curves say of a sample, with the keys of those that say the same."""
    said: dict[str, list[str]] = {}
    for r in rows.itertuples():
        found = f"index {r.nni:.2f}, critical N {r.critical_n_pct:.2f} %" + f", {r.note}" * bool(r.note)
        said.setdefault(r.note if np.isnan(r.nni) else found, []).append(r.source_key)
    return said.items()


def norm_lines(norms) -> list[Line]:
    """Say what norms rest on."""
    what = "ratio" if norms.method == "dris" else "component"
    parts = list(norms.norms[what])
    held = ", ".join(parts) if len(parts) <= LISTED else f"{len(parts)} {what}s"
    said = [lead(
        f"{norms.method.upper()} norms from {norms.n_high} samples yielding {norms.cutoff:g} or more, "
        f"against {norms.n_low} below: {held}"
    )]  # fmt: skip
    if norms.method != "dris":
        said.append(told(
            f"A squared distance r2 above {norms.critical_r2:.2f} counts as imbalanced: chi-square at the "
            "share of low yields (KHIARI2001, from memory)"
        ))  # fmt: skip
    return said


def balance_answer_lines(answer) -> list[Line]:
    """Say what norms were built, where they were, then the balance of each sample."""
    if answer.norms is None:
        used = getattr(answer.balance, "norms", {}).get("source_key", [])
        return answer.balance.lines() + (cautions(balance_notes("norms")) if OWN in set(used) else [])
    few, (first, *rest) = failed(answer.norms.checks), answer.balance.lines()
    norms = [told(line.text) for line in answer.norms.lines()]
    return [first, *norms, *rest, *cautions(balance_notes("norms"), few)]
