"""Treatments without rates, or of two factors: what they gained, what to do, and whether they paid."""

import numpy as np

from fertkit.intake.grid import without_unit
from fertkit.response.prices import money_text
from fertkit.results import alike, capital, plain, plain_p, show
from fertkit.rounding import above, below
from fertkit.say.advice import OF_ONE_TRIAL
from fertkit.say.line import Line, lead, notes, row, told
from fertkit.say.trials import joined, named, unit_of

_CHOOSE = "Choose by price and convenience, or repeat: treatments do not differ significantly."
_COMPARE = "compare gain with cost, and repeat elsewhere."
#: Said under every answer about products.
LABELS = OF_ONE_TRIAL


def treatments_lines(answer) -> list[Line]:
    """Say what the trial shows, the treatments, what they paid and whether they are as good as the check."""
    said = [lead(text) for text in verdicts(answer)]
    said += answer.analysis.lines()
    if answer.one_factor:
        said += [row("", text) for text in mean_texts(answer)]
    for part in (answer.worth, answer.margin):
        said += [] if part is None else part.lines()
    return [*said, *notes([*answer.missing, *answer.notes])]


def mean_texts(answer) -> list[str]:
    """Say each mean with its letters and its difference from the check."""
    analysis, texts = answer.analysis, []
    written = alike(*analysis.means["mean"], digits=4)
    for r, mean in zip(analysis.means.itertuples(), written, strict=True):
        text = f"{show(r.treatment)}: {mean} {r.letters}".rstrip()
        if r.treatment in (analysis.check_strip, *getattr(analysis, "in_every_block", ())):
            text += " (check)"
        elif analysis.check_strip is not None and np.isfinite(r.difference_low):
            span = f"{plain(r.difference_low)} to {plain(r.difference_high)}"
            over = f"{plain(r.difference)} over {named([analysis.check_strip], analysis.treatment)}"
            text += f"; {over} ({span}, Dunnett p {plain_p(r.p_adjusted)})"
        texts.append(text)
    return texts


def verdicts(answer) -> list[str]:
    """The answer in a sentence or two: what differs from the check, and what paid."""
    analysis = answer.analysis
    if not answer.one_factor or analysis.check_strip is None or "p_adjusted" not in analysis.means:
        return []
    if _beside_check(analysis)["p_adjusted"].isna().all():  # the comparison says so
        return []
    column = analysis.treatment
    check = named([analysis.check_strip], column)
    better, worse = _unlike_check(analysis, 1), _unlike_check(analysis, -1)
    said = [f"{capital(named(names, column))} yielded {word} than {check}."
            for names, word in ((better, "more"), (worse, "less")) if names]  # fmt: skip
    said = said or [f"No treatment differs significantly from {check}."]
    if answer.worth is not None and (paid := [r for r in answer.worth.table.itertuples() if r.net_low > 0]):
        said.append(f"After cost, {named([r.treatment for r in paid], column)} paid in this trial.")
    return said


def _beside_check(analysis):
    return analysis.means[analysis.means["treatment"] != analysis.check_strip]


def _unlike_check(analysis, sign) -> list[str]:
    """Treatments that differ significantly from the check, upwards or downwards."""
    level = 1 - analysis.level
    return [
        r.treatment
        for r in _beside_check(analysis).itertuples()
        if below(r.p_adjusted, level) and sign * r.difference > 0
    ]


def _unpriced(answer) -> list[str]:
    """Treatments that yielded more than the check and whose cost is not known."""
    analysis = answer.analysis
    if not answer.one_factor or analysis.check_strip is None or "p_adjusted" not in analysis.means:
        return []
    priced = [] if answer.worth is None else answer.worth.table.dropna(subset=["net"])["treatment"]
    return [name for name in _unlike_check(analysis, 1) if name not in set(priced)]


def advice(answer) -> tuple[list[str], list[str]]:
    """What to do and what not after a trial of treatments."""
    do, leave = [], ["Do not apply one trial to other fields or seasons."]
    if names := _unpriced(answer):
        column = answer.analysis.treatment
        gained = f"{named(names, column)} yielded more than {named([answer.analysis.check_strip], column)}"
        do.append(f"{capital(gained)}: {_COMPARE}")
    if answer.worth is not None:
        for r in answer.worth.table.dropna(subset=["net"]).itertuples():
            name = named([r.treatment], answer.worth.treatment)
            if above(r.net_low, 0):
                do.append(f"Try {name} on more fields: it paid here.")
            elif below(r.net_high, 0):
                leave.append(f"Do not buy {name}: here it cost more than it returned.")
            else:
                do.append(f"Repeat {name} before wide use: it may or may not pay.")
    if not answer.one_factor:
        do += (
            _of_factors(answer.analysis)
            if hasattr(answer.analysis, "margins")
            else _of_pairs(answer.analysis)
        )
    elif answer.worth is None and not below(answer.analysis.p_value, 1 - answer.analysis.level):
        do.append(_CHOOSE)
    return do or ["Repeat before changing the whole farm."], leave


def _of_factors(trial) -> list[str]:
    """What two factors suggest: each by its own means, or the combinations where they do not add up."""
    alpha, p = 1 - trial.level, trial.anova.set_index("term")["p"]
    if below(trial.interaction_p, alpha):
        part, whole = (without_unit(trial.names[factor]) for factor in (trial.part, trial.whole))
        return [f"Choose {part} for each {whole} by the combination means: the factors interact."]
    said = []
    for name, rows in trial.margins.groupby("factor", sort=False):
        if below(p[name], alpha):
            best = rows.iloc[int(rows["mean"].argmax())]
            like = [show(r.level) for r in rows.itertuples() if set(r.letters) & set(best["letters"])]
            most = "yielded most" if len(like) == 1 else "yielded most, without significant difference"
            of = without_unit(trial.names[name])
            said.append(f"Of {of}, {joined(like)} {most}: repeat before changing the whole farm.")
    return said


def _of_pairs(pairs) -> list[str]:
    if not below(pairs.p, 1 - pairs.level):
        return [_CHOOSE]
    first, second = (pairs.first, pairs.second) if pairs.difference < 0 else (pairs.second, pairs.first)
    first, second = (named([label], pairs.treatment) for label in (first, second))
    more = f"{capital(first)} yielded more than {second}"
    return [f"{more}: {_COMPARE}"]


def return_over_check_lines(worth) -> list[Line]:
    """Say what each treatment earned over the check."""
    unit = unit_of(worth.response)
    area, check = unit.rpartition("/")[2] or "area", named([worth.check], worth.treatment)
    grain = unit.partition("/")[0] or "unit"
    said = [
        told(
            f"Net return over {check}, grain at {money_text(worth.grain_price, worth.currency)} per {grain}:"
        )
    ]
    for r in worth.table.itertuples():
        if not np.isfinite(r.net):
            said.append(row("", f"{show(r.treatment)}: no cost given, so no net return"))
            continue
        net, cost = (money_text(x, worth.currency, area) for x in (r.net, r.cost))
        low, high = money_text(r.net_low), money_text(r.net_high)
        odds = "less than 1%" if r.p_loses < 0.005 else f"{100 * r.p_loses:.0f}%"
        chance = f"; {odds} chance of a loss" if np.isfinite(r.p_loses) else ""
        span = f" ({100 * worth.level:g}% interval {low} to {high})" if np.isfinite(r.net_low) else ""
        even = f"breaks even at {plain(r.break_even)} {unit} more"
        said.append(row("", f"{show(r.treatment)}: {net}{span}, after {cost}; {even}{chance}"))
    return said
