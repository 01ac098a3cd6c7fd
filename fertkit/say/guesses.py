"""Sentences on guesses: what is true, how far off the own guess was, and how the room did."""

from fertkit.results import capital, plain
from fertkit.rounding import same
from fertkit.say.line import Line, lead, told


def guesses_lines(guesses) -> list[Line]:
    """Say the answer, the own guess, the interval and what the room guessed."""
    g = guesses
    lines = [lead(f"{capital(g.named)}: {with_unit(g.answer, g.unit)}."), told(_own_text(g))]
    if g.low is not None:
        around = "holds" if g.holds(g.answer) else "misses"
        own = "inside" if g.holds(g.own) else "outside"
        low = plain(g.low) + " or less" * g.opens[0]
        high = with_unit(g.high, g.unit) + " or more" * g.opens[1]
        text = f"{low} to {high}. It {around} the answer; your guess lies {own}."
        lines.append(told(f"{capital(g.interval)}: {text}"))
    if len(g.values) > 1:
        lines.append(told(_room_text(g)))
    return lines


def with_unit(value: float, unit: str) -> str:
    """Write a number with its unit, where it has one."""
    return f"{plain(value)} {unit}".strip()


def _own_text(g) -> str:
    off = g.own - g.answer
    said = f"Your guess: {with_unit(g.own, g.unit)}"
    if same(off, 0, scale=g.answer):
        return f"{said}, exactly right."
    return f"{said}, {plain(abs(off))} too {'high' if off > 0 else 'low'}."


def _room_text(g) -> str:
    said = f"{len(g.values)} guesses in the room, from {plain(min(g.values))} to {plain(max(g.values))}; "
    said += f"half of them are {plain(g.middle)} or less."
    return said if g.low is None else f"{said} {g.inside} of {len(g.values)} lie inside the interval."
