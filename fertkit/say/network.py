"""The answer for several trials in a few lines, and the sentences of its page."""

from fertkit.results import capital, failed, plain
from fertkit.say.advice import listed
from fertkit.say.line import Line, lead, notes, told
from fertkit.say.pooled import pooled_lines
from fertkit.trials.arrange import show


def network_lines(answer) -> list[Line]:
    """Say what several trials give together; doubts first."""
    pooled = answer.pooled
    doubt = next((trial.doubt for trial in answer.trials.values() if trial.doubt), "")
    said = [lead(f"{capital(doubt)}.")] if doubt else []
    said += pooled_lines(pooled, answer.doubts)
    lost = [f"{n} of {name}" for name, n in answer.lost.items()]
    rest = {
        "No economic response": answer.silent,
        "Still rising at the highest rate": answer.rising,
        "Two rates, so a difference only, in no pooled curve": answer.two_rates,
        "Strips without a yield left out": lost,
    }
    said += [told(contrast_text(answer))] if answer.contrast is not None else []
    said += [told(f"{listed(names)}.", what) for what, names in rest.items() if names]
    said += notes(answer.notes)
    said += [told(f"{name}: {why}.", "Could not be analysed") for name, why in answer.failed.items()]
    checks = failed(pooled.checks) + ([] if answer.contrast is None else failed(answer.contrast.checks))
    return said + notes(text for text in checks if text not in answer.doubts)


def contrast_text(answer) -> str:
    """Say what a tested rate gains over another, over all sites."""
    pooled, unit = answer.contrast, answer.pooled.rate_unit
    treatment, check = map(show, answer.contrast_of)
    near = f" (the tested rate nearest to {plain(answer.pooled.rate)})"
    near = near if answer.nearest and not answer.doubts else ""
    return (
        f"Gain of {treatment}{near} over {check} {unit}, {pooled.k} sites pooled: {plain(pooled.estimate)} "
        f"{pooled.unit} ({pooled.level:.0%} interval {plain(pooled.low)} to {plain(pooled.high)}); a new "
        f"site may gain {plain(pooled.prediction_low)} to {plain(pooled.prediction_high)}; "
        f"{plain(pooled.i2_pct)} % of the spread is between sites."
    )
