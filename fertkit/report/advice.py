"""What to do and what not, from the status of an answer; and the cautions that go with a nutrient."""

from fertkit.reference import load_table
from fertkit.results import plain

LIMITS = (
    "Rates and products differ by soil, state and season: follow the local nutrient-management rules and the "
    "product label, and ask a licensed or certified adviser before you buy or spread.",
)
ONE_TRIAL = "One trial is one field in one season: another may answer otherwise."
ELSEWHERE = "Do not carry this rate to another soil, crop or season without check strips of its own."


def trial_advice(response, net=None) -> tuple[list[str], list[str]]:
    """What to do and what not after one trial.

    Parameters
    ----------
    response : ResponseAnalysis
    net : NetReturn, optional
        With the rates nearly as good as the best.

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
        "best": best.text,
    }
    do, leave = _BY_STATUS.get(best.status, _OTHERWISE)
    do, leave = ([line.format(**words) for line in lines] for lines in (do, leave))
    if best.status == "interior" and net is not None and net.within is not None:
        do.insert(1, _near(net))
    return do, [*leave, ELSEWHERE]


def _near(net):
    return (
        f"From {plain(net.within_low)} to {plain(net.within_high)} {net.rate_unit} the net return is within "
        f"{plain(net.within)} {net.prices.money}/{net.area} of the best: choose in that stretch by soil "
        "test, supply and local rules."
    )


_BY_STATUS = {
    "interior": (
        ["Start from the economic optimum, {best}, for this field and others like it.",
         "Keep check strips, one without and one with more, and see whether next season says the same."],
        ["Do not aim for the greatest yield: the last bushels or tonnes cost more than they bring."],
    ),
    "no economic response": (
        ["Let soil test and local guide say whether a maintenance rate is due: these strips speak for "
         "nothing above {lowest}.", "Keep check strips for another season."],
        ["Do not take this as proof that the field never needs it: it is one season, and a small response "
         "hides in the noise."],
    ),
    "pass not paid": (
        ["Leave the pass out at these prices, or let the nutrient travel with a pass that is made anyway."],
        ["Do not take this as proof that the field never needs it: the gain was too small for its cost."],
    ),
    "at least the highest rate": (
        ["Lay out the next strips with rates above {highest}: the best rate lies there or beyond."],
        ["Do not spread more than {highest} on the strength of these strips: nothing above it was tested."],
    ),
    "at most the first rate": (
        ["Test rates between {lowest} and {first}: all of the response came with the first step."],
        ["Do not pay for more than {first}: the strips show no gain above it."],
    ),
    "difference only": (
        ["Take {rate} as the better of the two rates, no more.",
         "Test four rates or more next time: only then can a best rate be named."],
        ["Do not read a best rate between or beyond the two rates tested."],
    ),
}  # fmt: skip
_OTHERWISE = (["Repeat the strips before you act: {best}."], [])


def network_advice(pooled, silent, rising) -> tuple[list[str], list[str]]:
    """What to do and what not after several trials.

    Parameters
    ----------
    pooled : PooledReturn
    silent, rising : list of str
        Trials without an economic response, and those still rising at their highest rate.
    """
    unit, money = pooled.rate_unit, f"{pooled.money}/{pooled.area}"
    do = [
        f"Start from {plain(pooled.rate)} {unit} on fields of the same kind; anything from "
        f"{plain(pooled.within_low)} to {plain(pooled.within_high)} {unit} is on average within "
        f"{plain(pooled.within)} {money} of it.",
        "Keep check strips: a single field may lie far from the average.",
    ]
    if silent:
        do.append(f"Find out what sets {listed(silent)} apart: soil test, manure, previous crop, rain.")
    if rising:
        do.append(f"Test higher rates at {listed(rising)}: net return still rose at the highest one.")
    leave = [
        "Do not drop the trials without a response to raise the average: they are part of it.",
        "Do not use the common rate where a field's own strips say otherwise.",
    ]
    return do, leave


def listed(names, most: int = 12) -> str:
    """Names in a sentence, a long list cut short."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(map(str, names[:most])) + more


def nutrient_cautions(nutrient: str) -> tuple[tuple[str, ...], list[str]]:
    """Published cautions about a nutrient, each with its source and mark, and the keys of these sources."""
    table = load_table("cautions")
    rows = table[table["nutrient"].str.split(";").map(lambda held: bool(nutrient) and nutrient in held)]
    said = tuple(f"{r.text} ({_mark(r)})" for r in rows.itertuples())
    return said, [key for keys in rows["source_key"] for key in keys.split(";")]


def _mark(row):
    keys = row.source_key.replace(";", ", ")
    return keys if row.provenance == "found" else f"{keys}, {row.provenance.replace('_', ' ')}"
