"""Sentences on guesses: what is true, how far off the own guess was, and how the room did."""

from math import isfinite

from fertkit.results import capital, plain
from fertkit.rounding import same
from fertkit.say.line import Line, lead, told


def guesses_lines(guesses) -> list[Line]:
    """Say the answer, the own guess, the interval and what the room guessed."""
    g = guesses
    lines = [lead(f"{capital(g.named)}: {with_unit(g.answer, g.unit)}."), told(_own_text(g))]
    if g.between is not None:
        around = "holds" if g.answer in g.between else "misses"
        own = "inside" if g.own in g.between else "outside"
        text = f"{g.between.text()} {g.unit}. It {around} the answer; your guess lies {own}."
        lines.append(told(f"{capital(g.interval)}: {text}"))
    if len(g.values) > 1:
        lines.append(told(_room_text(g)))
    return lines


def with_unit(value: float, unit: str) -> str:
    """Write a number with its unit."""
    return f"{plain(value)} {unit}"


def _own_text(g) -> str:
    said = f"Your guess: {with_unit(g.own, g.unit)}{_off_text(g)}."
    return f"{said} The room counts your first one, {plain(g.first)}." if g.again else said


def _off_text(g) -> str:
    # between the numbers as shown: who subtracts them gets the same
    own, answer = (float(plain(value)) if isfinite(value) else value for value in (g.own, g.answer))
    if not isfinite(answer):
        return ""
    if same(own, answer):
        return ", exactly right"
    return f", {plain(abs(own - answer))} too {'high' if own > answer else 'low'}"


def _room_text(g) -> str:
    least, most = plain(min(g.values)), plain(max(g.values))
    said = f"{len(g.values)} guesses in the room, "
    said += (
        f"all {least}." if least == most else f"from {least} to {most}; their median is {plain(g.middle)}."
    )
    return said if g.between is None else f"{said} {g.inside} of {len(g.values)} lie inside the interval."
