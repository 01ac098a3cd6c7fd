"""What to do and what not, from the status of an answer; and the cautions that go with a nutrient."""

from fertkit.budget.yields import base_of
from fertkit.reference.load import load_cautions
from fertkit.response.optimum import Status
from fertkit.response.prices import money_text
from fertkit.results import capital, plain, records
from fertkit.rounding import below
from fertkit.say.leaf_results import clear_findings, small
from fertkit.say.line import ASK, DEFER, Deferring
from fertkit.say.response import no_rate, optimum_text, stands_out, stretch

LIMITS = (DEFER,)
ONE_TRIAL = "This is one field in one season; another may differ."
OF_ONE_TRIAL = Deferring(f"{ONE_TRIAL} {ASK}")
_KEEP_CHECKS = "Keep check strips: fields differ from the average."
ELSEWHERE = "Do not use these rates on another soil, crop or season without check strips."


def field_advice(answer) -> tuple[list[str], list[str]]:
    """What the leaf leaves to do this season and next year and what the strips say, each once."""
    do, leave, explained = [], [], answer.explanation
    if explained is not None:
        do, leave = _on_the_leaf(explained), _not_on_the_leaf(explained)
    for name, trial in answer.trials.items():
        more, less = trial_advice(trial)
        do += [f"{name}: {line}" for line in more]
        leave += [line for line in less if line not in leave]
    return do, leave


def _on_the_leaf(explanation, most=4):
    """What the findings leave to do, said of a nutrient once for all samples that share it."""
    shared: dict[tuple[str, str], list[str]] = {}
    checks = explanation.actions[explanation.actions["kind"] == "check"]
    for item in records(clear_findings(explanation)):
        mine = checks[(checks["specimen"] == item.specimen) & checks["nutrient"].isin(["", item.nutrient])]
        said = [f"First {text}" for text in mine["text"].head(1)]
        said += [f"This season, {item.this_season}"] if item.this_season and not item.folded else []
        said += [f"Next year, {item.next_year}"] if item.next_year else []
        if said:
            shared.setdefault((item.nutrient, small(". ".join(said))), []).append(item.label)
    return [f"{listed(names, most)}, {nutrient}: {text}." for (nutrient, text), names in shared.items()]


def _not_on_the_leaf(explanation):
    """What the findings advise against."""
    marginal = explanation.items[explanation.items["confidence"] == "marginal"]
    names = dict.fromkeys(f"{r.nutrient} in {r.label}" for r in records(marginal))
    leave = [f"Do not act on marginal results alone: {listed(list(names))}."] if names else []
    never = explanation.actions.loc[explanation.actions["when"] == "do not", "text"]
    return leave + [f"{capital(text)}." for text in dict.fromkeys(never)]


def trial_advice(response, net=None, strips=None) -> tuple[list[str], list[str]]:
    """What to do and what not after one trial.

    Parameters
    ----------
    response : ResponseAnalysis
    net : NetReturn, optional
        With the rates nearly as good as the best.
    strips : StripAnalysis, optional
        Where its treatments cannot be told apart, no rate is advised.

    Returns
    -------
    (list of str, list of str)
    """
    best, rates = response.optimum, response.data.rates
    unit = best.unit
    words = {
        "rate": f"{plain(best.rate, span=best.interval.span)} {unit}",
        "lowest": f"{plain(rates[0])} {unit}",
        "highest": f"{plain(rates[-1])} {unit}",
        "first": f"{plain(rates[1])} {unit}",
        "best": optimum_text(best),
    }
    bare = no_rate(response, strips)
    unsure = best.status == Status.INTERIOR and below(response.gain_rows[2].low, 0)
    do, leave = _ALIKE if bare else _MAY_LOSE if unsure else _BY_STATUS.get(best.status, _OTHERWISE)
    do, leave = ([line.format(**words) for line in lines] for lines in ([*bare, *do], leave))
    if best.status == Status.INTERIOR and not (bare or unsure) and net is not None and stretch(net):
        do.insert(1, _near(net))
    first = list(filter(None, [stands_out(response)]))
    return [*first, *do], [*leave, ELSEWHERE]


def _near(net):
    low, high = min(net.within_low, net.rate), max(net.within_high, net.rate)
    most = max(net.within, net.lost)
    return (
        f"From {plain(low)} to {plain(high)} {net.rate_unit} you lose at most "
        f"{money_text(most, net.prices.currency, net.area)}: let soil test, supply and local rules decide."
    )


_BY_STATUS = {
    Status.INTERIOR: (
        ["Start from the economic optimum, {best}, on this field and similar ones.",
         "Next season keep two check strips: zero and a higher rate."],
        ["Do not aim for maximum yield: the last bushels or tonnes cost more than they return."],
    ),
    Status.NONE: (
        ["Apply only what soil test and local guide call for: the strips support no more than {lowest}.",
         "Keep check strips another season."],
        ["Do not conclude that it is never needed: one season can hide a small response."],
    ),
    Status.UNPAID: (
        ["Skip the pass at these prices, or use another pass."],
        ["Do not conclude that it is never needed: the gain only fell short of its cost."],
    ),
    Status.TOP: (
        ["Test rates above {highest}: the best rate is there or higher."],
        ["Do not spread more than {highest}, the highest tested."],
    ),
    Status.STEP: (
        ["Test rates between {lowest} and {first}: the first step gave all the response."],
        ["Do not pay for more than {first}: there was no gain above it."],
    ),
    Status.DIFFERENCE: (
        ["Use {rate}, the better of the two rates.",
         "Test four or more rates next time."],
        ["Do not assume a best rate between or beyond them."],
    ),
}  # fmt: skip
_ALIKE = (
    ["Repeat the trial with more blocks and a check strip in each."],
    ["Do not use {rate} as the best rate: it may be chance."],
)
_MAY_LOSE = (
    ["Keep to soil test and local guide: {rate} paid best here, but it may lose money.",
     "Repeat the trial with more blocks, a zero and a higher rate."],
    ["Do not take {rate} as settled: its net gain is not clear of zero."],
)  # fmt: skip
_OTHERWISE = (["Repeat the strips before you act: {best}."], [])


def network_advice(pooled, silent, rising, doubts=()) -> tuple[list[str], list[str]]:
    """What to do and what not after several trials.

    Parameters
    ----------
    pooled : PooledReturn
    silent, rising : list of str
        Trials without an economic response, and those still rising at their highest rate.
    doubts : list of str
        Why no common rate is recommended.
    """
    do, leave = _NO_COMMON if doubts else _NONE_PAYS if pooled.gain <= 0 else (_common(pooled), [])
    do = [*do]
    if silent:
        do.append(f"Find out why no rate paid at {listed(silent)}: soil test, manure, previous crop, rain.")
    if rising:
        do.append(f"Test higher rates at {listed(rising)}: net return still rose there.")
    return do, [
        *leave,
        "Do not drop trials without a response from the average.",
        "Do not use the common rate where a field's own strips disagree.",
    ][: len(leave) + 1 + (not doubts)]


def _common(pooled):
    unit, within = pooled.rate_unit, money_text(pooled.within, pooled.money, pooled.area)
    near = (
        f"; any rate from {plain(pooled.within_low)} to {plain(pooled.within_high)} {unit} loses on average "
        f"at most {within}"
    ) * (pooled.within > 0)
    return [f"Start from {plain(pooled.rate)} {unit} on similar fields{near}.", _KEEP_CHECKS]


_NO_COMMON = (
    ["Use no common rate from these trials.",
     "Use each field's strips, soil test and local rules.",
     "Repeat the same rates on more fields, with a check strip per block."],
    ["Do not average the optima: trials are too few or too different."],
)  # fmt: skip
_NONE_PAYS = (
    ["Apply only what soil test and local guide call for: on average no rate paid.",
     _KEEP_CHECKS],
    [],
)  # fmt: skip


def listed(names, most: int = 12) -> str:
    """Names in a sentence, a long list cut short."""
    texts = [str(name) for name in names[:most]]
    texts += [f"{len(names) - most} more"] if len(names) > most else []
    return " and ".join(filter(None, [", ".join(texts[:-1]), *texts[-1:]]))


def nutrient_cautions(nutrient: str, crop: str = "", part: str = "") -> tuple[tuple[str, ...], list[str]]:
    """Cautions about giving a crop a nutrient, each with source and mark, and the keys of these sources."""
    table = load_cautions(base_of(crop) if crop else "")
    table = table[[not {part, ""}.isdisjoint(parts.split(";")) for parts in table["part"]]]
    rows = table[table["nutrient"].str.split(";").map(lambda held: bool(nutrient) and nutrient in held)]
    said = tuple(f"{r.text} ({_mark(r)})" for r in records(rows))
    return said, [key for keys in rows["source_key"] for key in keys.split(";")]


def _mark(row):
    keys = row.source_key.replace(";", ", ")
    return keys if row.provenance == "found" else f"{keys}, {row.provenance.replace('_', ' ')}"
