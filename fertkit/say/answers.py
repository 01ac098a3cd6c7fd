"""The answer for a field, a trial, several trials or a batch, and the sentences of their pages."""

import numpy as np
import pandas as pd

from fertkit.response.optimum import Status, status_in_words
from fertkit.response.prices import money_text
from fertkit.results import capital, counted, failed, plain, records, show
from fertkit.say.advice import listed
from fertkit.say.budget import removed_with
from fertkit.say.leaf_results import clear_findings, finding, how_sure, low_relative, small, unjudged_in_short
from fertkit.say.leaf_verdict import toxic_text, verdict
from fertkit.say.line import Kind, Line, keys, lead, missing, notes, short, told
from fertkit.say.network import known_lines, no_rate
from fertkit.say.response import (
    best_rate,
    first,
    gain_line,
    gain_lines,
    net_line,
    optimum_text,
    remarks,
    rows_text,
    stands_out,
    stretch,
)
from fertkit.say.trials import against_lines, differ_text, pooled_lines
from fertkit.say.worth import over_lines
from fertkit.tissue.explanation import MANY, NEVER

# ---- a field


MAIN = ("N", "P2O5", "K2O")
ELEMENTS = {"P2O5": "P", "K2O": "K"}
_SHORT_NOTES = 220  # characters of notes that still share one line


def field_lines(answer) -> list[Line]:
    """Say what the field needs, what the leaf and the strips say, and what carries over."""
    named = capital(", ".join(filter(None, [answer.name, answer.crop]))) or "Field"
    said = [lead(f"{named}.")] if answer.budget is None else _needs(answer)
    said += [] if answer.explanation is None else _leaf(answer.explanation, answer.applied)
    for name, trial in answer.trials.items():
        said += _trial(name, trial, answer)
    beside = [note for note in answer.notes if note]
    return said + notes(["; ".join(beside)] if 0 < sum(map(len, beside)) < _SHORT_NOTES else beside)


def _needs(answer):
    budget, unit = answer.budget, answer.budget.unit
    sources = keys(*(main_rows(budget)[f"{name}_source"] for name in ("uptake", "removed")))
    taken, off = (amounts(budget, name) for name in ("uptake", "removed"))
    return [
        lead(f"{budget.crop.capitalize()}, yield goal {plain(budget.yield_goal)} {budget.yield_unit}."),
        told(f"total uptake {taken} {unit}; {off} {removed_with(budget)} ({sources}).", "Needs"),
        *map(told, budget.notes),
        *([] if answer.season is None else _when(answer)),
    ]


def main_rows(budget) -> pd.DataFrame:
    """Rows of nitrogen, phosphate and potash."""
    return budget.defaults.set_index("nutrient").reindex(MAIN).dropna(subset="uptake_source")


def amounts(budget, column: str) -> str:
    """Say the amounts of nitrogen, phosphate and potash: '246 N, 43 P2O5, 185 K2O'."""
    rows = budget.defaults.set_index("nutrient")[column].reindex(MAIN).dropna()
    return ", ".join(f"{short(value)} {nutrient}" for nutrient, value in rows.items())


SEASON_FIGURE = "Top: daily demand. Bottom: uptake to date."


def needs_text(budget) -> str:
    """Say what is taken up for the yield goal, and what is removed of it."""
    return (
        f"Total uptake for the yield goal: {amounts(budget, 'uptake')} {budget.unit}; "
        f"{amounts(budget, 'removed')} {removed_with(budget)}."
    )


def _when(answer):
    """How much of the nutrient of the trial (else K2O) is taken up by which stage, and the published peak."""
    season = answer.season
    nutrient = answer.applied if answer.applied in season.nutrients else "K2O"
    points = season.points[season.points["used"] & (season.points["nutrient"] == nutrient)]
    points = points[points["form"].eq("point")].sort_values("day")
    parts = [f"{p.low:.0%} by {p.stage} ({p.source_key})" for p in records(points)]
    peaks = season.peaks[(season.peaks["nutrient"] == nutrient) & season.peaks["source_key"].ne("")]
    if len(peaks):
        peak = peaks.iloc[0]
        scaled = not np.isnan(peak["published_scaled"])
        shown = peak["published_scaled"] if scaled else peak["published"]
        where = "" if scaled else ", at the yield of that study"
        parts.append(f"published peak {plain(shown)} {season.unit} a day ({peak['source_key']}{where})")
    return [told(f"{'; '.join(parts)}.", f"When {nutrient} is taken up")] if parts else []


def _leaf(explanation, applied, most=3):
    """The findings that are not doubtful: the nutrient of the trial first, then worst first; what to do."""
    clear = clear_findings(explanation)
    tried = clear["nutrient"] == ELEMENTS.get(applied, applied)
    clear = pd.concat([clear[tried], clear[~tried]])
    said = [told(f"{text}.", "Leaf") for text in toxic_text(explanation)]
    said += [told(f"{small(_found(item))}.", "Leaf") for item in records(clear.head(most))]
    said += [told(f"and {len(clear) - most} more on the page.", "Leaf")] if len(clear) > most else []
    if clear.empty:
        return [told(verdict(explanation), "Leaf"), *_gaps(explanation)]
    first = next(records(clear))
    about = f"{first.nutrient} in {first.label}"
    causes, actions = explanation.causes, explanation.actions
    never = actions[(actions["specimen"] == first.specimen) & (actions["when"] == NEVER)]
    avoid = "".join(f" {capital(text)}." for text in never["text"].head(1))
    mine = causes[(causes["specimen"] == first.specimen) & (causes["rank"] == 1)]
    for cause in records(mine[mine["about"].isin([MANY, first.nutrient])].head(1)):
        said.append(told(f"{cause.cause}. Check: {cause.settle_by}.{avoid}", f"Likely cause, {about}"))
    if not first.folded:
        said.append(told(f"{first.this_season or 'nothing more'}.", f"This season, {about}"))
    if first.caution:
        said.append(Line(Kind.CAUTION, f"{capital(first.caution)}.", f"Caution, {about}"))
    return [*said, *_gaps(explanation)]


def _found(item):
    found = f"{how_sure(item)[:-1]}, {item.label}: {finding(item)} [{item.short_sources.replace(';', ',')}]"
    return ". ".join(filter(None, [found, low_relative(item.ratio)]))


def _gaps(explanation):
    """In short what is above a range, what no range judges and what is asked about; in full on the page."""
    above, scores = explanation.above, explanation.scores
    if len(above):
        yield told(f"{_where(above)}; see the page.", "Leaf, above the range")
    for r in records(scores.unread):
        yield missing("Leaf, not read", f"{r.nutrient}, column '{r.column}'.")
    for text in unjudged_in_short(scores):
        yield missing("Leaf, not judged", f"{text}.")
    away = scores.conditions[scores.conditions["why"] != ""]
    if len(away):
        yield missing("Leaf, not scored", f"{'; '.join(away['who'].head(3))}; see the page.")
    petiole = explanation.questions[explanation.questions["about"] == "petiole"]
    if len(petiole):
        text = f"Were petioles left on? The verdict for {_where(petiole)} depends on it."
        yield Line(Kind.QUESTION, text, "Leaf, question")
    asked = scores.unjudged[scores.unjudged["near_short"] != ""]
    asked = asked[asked["near_short"] == asked["near_sources"]]
    if len(asked):
        yield Line(
            Kind.QUESTION,
            f"is the stage right? By a nearby stage it is short: {_where(asked)}; see the page.",
            "Leaf, question",
        )


def _where(rows, most=3):
    """Nutrients by sample, 'Mn, Zn in North; Fe in South'; of many together, 'Mn, Zn, Fe in 8 samples'."""
    held = [(name, mine["nutrient"]) for name, mine in rows.groupby("label", sort=False)]
    if len(held) > most:
        return f"{', '.join(dict.fromkeys(rows['nutrient']))} in {len(held)} samples"
    return "; ".join(f"{', '.join(nutrients)} in {name}" for name, nutrients in held)


def _trial(name, trial, answer):
    of, best = f" of {answer.applied}" if answer.applied else "", optimum_text(trial.optimum)
    if said := stands_out(trial):
        yield told(small(said), name)
    yield told(f"economic optimum{of}{'' if best[0].isdigit() else ':'} {best}.", name)
    yield from (told(small(text), name) for text in (gain_line(trial), net_line(trial)) if text)
    yield from (told(f"note: {text}.", name) for text in failed(trial.checks))
    if name in answer.carried:
        yield told(f"{carried_text(answer.carried[name])}.", f"Carries over, {name}")


def carried_text(book, source: bool = True) -> str:
    """Say what stays of the optimum rate once the yield of the strips has left; and by which source."""
    applied, removed = round(book.applied), round(book.removed)
    text = f"{applied} {book.unit} {book.nutrient} applied, {removed} removed at that yield"
    if book.nutrient == "N":
        return f"{text}; no nitrogen is carried over"
    by = f" ({book.source_key})" if source else ""
    return f"{text}, balance {applied - removed:+d} for the next crop{by}"


# ---- a trial


def trial_lines(answer, brief: bool = False) -> list[Line]:
    """Say the optimum of one trial, its gain, and whether treatments differ; what is doubtful first.

    `brief` leaves out what the sections of a page say.
    """
    response = answer.response
    what = capital(", ".join(word for word in (answer.crop, answer.nutrient) if word))
    said = [*best_rate(response, answer.strips), " ".join(gain_lines(response)), stretch(answer.net)]
    said = [told(text) for text in said if text]
    if answer.worth.against:
        said += over_lines(answer.worth) if brief else answer.worth.lines()
    if answer.strips is not None and not brief:
        said.append(told(differ_text(answer.strips)))
    said.append(told(rows_text(response), what))
    of_the_file = [] if brief else notes(answer.notes)
    return [*map(lead, first(response)), *said, *of_the_file, *remarks(response)]


def one_rate(answer) -> list[str]:
    """Say how the rate of least regret and the reported optimum go together."""
    regret, net = answer.regret, answer.net
    if net.status != Status.INTERIOR:
        return []
    at = regret.at(net.rate).iloc[1]
    times = len(next(iter(answer.response.draws.values())))
    more, none = (
        money_text(x, regret.money, regret.area) for x in (max(at - regret.expected_regret, 0.0), 0.0)
    )
    return [
        f"Regret covers every curve the strips allow (resampled {times:,} times). At the economic optimum it "
        f"is {'the same as' if more == none else f'{more} higher than'} at "
        f"{plain(regret.rate)} {net.rate_unit}."
    ]


def expected_regret(answer) -> str:
    """Say what expected regret is, and at which prices."""
    prices = (
        "prices are fixed" if answer.swing_pct is None
        else f"both prices vary by {plain(answer.swing_pct)}% (CV)"
    )  # fmt: skip
    return f"Expected regret is the average loss against the best tested rate; {prices}."


# ---- several trials


def network_lines(answer, brief: bool = False) -> list[Line]:
    """Say what several trials give together, doubts first; `brief` leaves out what the sections say."""
    pooled = answer.pooled
    doubt = next((trial.doubt for trial in answer.trials.values() if trial.doubt), "")
    said = [lead(f"{capital(doubt)}.")] if doubt else []
    said += [*pooled_lines(pooled, answer.doubts), *against_lines(pooled)]
    lost = [f"{n} of {name}" for name, n in answer.lost.items()]
    rest = {"Two rates only, not in the pooled curve": answer.two_rates, "Strips without a yield": lost}
    if not brief:
        sites = {
            "No economic response": answer.silent, "Still rising at the highest rate": answer.rising,
        }  # fmt: skip
        rest = sites | rest
        said += [told(contrast_text(answer))] if answer.contrast is not None else []
    if answer.model_rate is not None and not answer.doubts:
        said += [told(line.text, "One model of all sites") for line in answer.model_rate.lines()[:1]]
    if answer.model is not None and not brief:
        said += known_lines(answer.model)
    if answer.new_site is not None and answer.site_doubts:
        said.append(told(no_rate(answer.site_doubts)))
    elif answer.new_site is not None:
        said += [told(line.text, line.label) for line in answer.new_site.lines()[: 1 if brief else None]]
    said += [told(f"{listed(names)}.", what) for what, names in rest.items() if names]
    said += notes(answer.notes)
    said += [
        Line(Kind.MISSING, f"{name}: {why}.", "Could not be analysed", in_code=why.in_code)
        for name, why in answer.failed.items()
    ]
    checks = failed(pooled.checks) + ([] if answer.contrast is None else failed(answer.contrast.checks))
    return said + notes(text for text in checks if text not in answer.doubts)


POOLED_BY = (
    "Trials with three or more rates are averaged by their best-supported curves, whose optima can differ "
    "from the table's."
)


def kinds_of_site(answer) -> list[str]:
    """Say which sites did not respond, and which still rose at their highest rate."""
    rising = "still rising at the highest rate tested"
    kinds = {"without an economic response": answer.silent, rising: answer.rising}
    return [f"Trials {what}: {listed(names) or 'none'}." for what, names in kinds.items()]


def far_strips(trials) -> list[str]:
    """Say which strips lie far from the rest of their trial."""
    found = ((name, stands_out(trial)) for name, trial in trials.items())
    return [f"trial {name}: {small(text).rstrip('.')}" for name, text in found if text]


def contrast_text(answer) -> str:
    """Say what a tested rate gains over another, over all sites."""
    pooled, unit = answer.contrast, answer.pooled.rate_unit
    treatment, check = map(show, answer.contrast_of)
    near = f" (tested rate nearest {plain(answer.pooled.rate)})"
    near = near if answer.nearest and not answer.doubts else ""
    every = len(pooled.sites)
    of = (
        counted(pooled.k, pooled.counts)
        if pooled.k == every
        else f"{pooled.k} of {counted(every, pooled.counts)}"
    )
    return (
        f"Pooled gain of {treatment}{near} over {check} {unit}, {of}: "
        f"{plain(pooled.estimate)} {pooled.unit} ({pooled.level:.0%} interval {plain(pooled.low)} to "
        f"{plain(pooled.high)}). A new {pooled.counts} may gain {plain(pooled.prediction_low)} to "
        f"{plain(pooled.prediction_high)}; {plain(pooled.i2_pct)}% of the variation is between "
        f"{pooled.counts}s."
    )


# ---- a batch


#: Statuses of an optimum as a sentence begins.
_STATUS = {
    Status.INTERIOR: f"Optimum {status_in_words(Status.INTERIOR)}",
    Status.TOP: "At least the highest rate tested",
    Status.STEP: "At most the first rate above the lowest",
    Status.NONE: "No economic response",
    Status.DIFFERENCE: "Two rates, difference only (column 'message')",
}


def batch_lines(batch) -> list[Line]:
    """Say how many of what, what could not be used, and where the rows are."""
    good, bad = batch.counts.drop(Status.REFUSED, errors="ignore"), batch.counts.get(Status.REFUSED, 0)
    n = good.sum() + bad
    said = [lead(f"{n:,} {batch.kind if n != 1 else batch.kind[:-1]}: {good.sum():,} usable.")]
    if batch.kind == "trials":
        said += [told(f"{n:,}.", _STATUS.get(status, status)) for status, n in good.items()]
    elif batch.kind == "farms" and len(batch.usable):
        costs = batch.usable.drop_duplicates("file")["cost_of_farm"].dropna()
        fields = len(batch.usable.drop_duplicates(["file", "field", "zone"]))
        of = f" of {counted(len(costs), 'farm')}" if len(costs) < good.sum() else ""
        cost = f"products and passes{of} cost {costs.sum():,.0f}"
        cost = cost if len(costs) else "no products planned, so no cost"
        said.append(told(f"{fields:,} fields; {cost}."))
    elif batch.kind == "samples" and good.sum():
        usable = batch.tally[batch.tally["status"] != Status.REFUSED]
        classes = (
            usable.groupby("class", sort=False)["rows"].sum().sort_values(ascending=False, kind="stable")
        )
        said.append(told(f"Results by source: {', '.join(f'{n:,} {name}' for name, n in classes.items())}."))
    if bad:
        said.append(told(f"Not usable: {bad:,}; see the column 'message'."))
    doubts = failed(batch.checks[batch.checks["check"] != Status.REFUSED])
    return [*said, *notes([*doubts, *batch.notes]), told(str(batch.file), "Table")]
