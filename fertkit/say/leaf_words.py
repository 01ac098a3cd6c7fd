"""Words for one result of a leaf test: value, limits, chance, how sure, what stands above its range."""

import numpy as np

from fertkit.reference.facts import load_facts
from fertkit.results import capital, plain
from fertkit.tissue.classes import CLASSES, EXCESSIVE
from fertkit.tissue.doubts import MANY_TOGETHER, REMEMBERED


def percent(probability: float) -> str:
    """Write a probability: '97 %', never a bare 0 or 100."""
    whole = round(100 * probability)
    return "under 1 %" if whole < 1 else "over 99 %" if whole > 99 else f"{whole} %"


def limit_text(limit: float) -> str:
    """Write a limit as its source prints it, without an exponent."""
    return plain(limit, digits=4)


def limits_text(lowest: float, highest: float) -> str:
    """Write one limit, or the span of several."""
    return " to ".join(dict.fromkeys([limit_text(lowest), limit_text(highest)]))


def value_text(r) -> str:
    """Write a result as the laboratory gave it: '0.27', '< 20', 'ND'."""
    return " ".join(filter(None, [r.censored, plain(r.value)])) if r.value == r.value else "ND"


def finding(r) -> str:
    """Say one shortfall, without the name of its sample."""
    unit = "" if r.unit == "ratio" else f" {r.unit}"
    one = r.lowest_limit == r.highest_limit
    what = f"{r.nutrient} {value_text(r)}{unit}"
    within = f"within the critical range {r.within_ranges}" if r.within else ""
    if not r.short:
        below = "below its lower end" if r.within == 1 and one else _below(one)
        return f"{what}, {within}: short or enough is left open{_chance(r, below)}"
    asked = r.sources + r.untold
    count = "the only source" if asked == 1 else f"{r.short} of {asked} sources"
    untold = f"{r.untold} cannot tell ({r.untold_sources})" if r.untold else ""
    who = ", ".join(filter(None, [f"short by {count} ({r.short_sources})", untold, within]))
    limits = f"{'a lower limit' if one else 'lower limits'} of {limits_text(r.lowest_limit, r.highest_limit)}"
    return f"{what} against {limits}{unit}, {who}{_chance(r, _below(one))}"


def _below(one):
    return "below the limit" if one else "below the limits (mean over the sources)"


def _chance(r, below):
    return "" if np.isnan(r.probability_below) else f", {percent(r.probability_below)} likely {below}"


def low_relative(ratio) -> str:
    """Say what a ratio above its limits means, or nothing: a row of `tissue.ratios.wide_ratios` or None."""
    if ratio is None:
        return ""
    found = f"{ratio.ratio} is {plain(ratio.value)}, above {limits_text(ratio.lowest, ratio.highest)}"
    return f"{found} ({ratio.sources}): {ratio.nutrient} is low relative to {ratio.over}"


def how_sure(item) -> str:
    """'Likely short,' 'Possibly short,' or 'Short, but look first at ...:' for a finding to follow."""
    if item.confidence == "look first":
        return "Short, but look first at roots, water and sampling:"
    how = {"possible": "possibly", "doubtful": "doubtfully"}.get(item.confidence, item.confidence)
    return f"{capital(how)} short,"


def check_now(item) -> str:
    """Say what to look at before anything is bought, for a finding held back by doubts."""
    facts = load_facts("distortions").set_index("key")["look_for"]
    found = [key for key in item.doubts.split("; ") if key in (MANY_TOGETHER, REMEMBERED)]
    looks = [facts[key] for key in found] or [facts[MANY_TOGETHER]]
    return f"{'. '.join(looks)}. See that the sample was of the right part and clean, and take a second one"


def above_text(r) -> str:
    """Say one result above its range: a row of `Explanation.above`."""
    limits = limits_text(r.lowest_limit, r.highest_limit)
    upper = "an upper limit" if r.lowest_limit == r.highest_limit else "upper limits"
    count = "the only source" if r.sources == 1 else f"{r.over} of {r.sources} sources"
    value = f"{r.label}: {r.nutrient} {value_text(r)} {r.unit}"
    return f"{value} against {upper} of {limits} {r.unit}, above by {count} ({r.over_sources})"


def reasons_text(keys: str) -> str:
    """Say what could put a result above its range: keys of known distortions, apart by '; '."""
    facts = load_facts("distortions").set_index("key")
    said = (f"{capital(k)}: {facts['what'][k]}. {facts['look_for'][k]} ({facts['source_key'][k]})"
            for k in keys.split("; "))  # fmt: skip
    return ". ".join(said)


def is_excessive(name: str) -> bool:
    """Whether a class is the one above a toxic limit."""
    return name == CLASSES[EXCESSIVE]
