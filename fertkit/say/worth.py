"""What rates are worth against none, the usual rate and others, and what one more year would be worth."""

import numpy as np

from fertkit.response.prices import money_text
from fertkit.results import plain
from fertkit.rounding import same
from fertkit.say.line import Line, told


def worth_lines(worth) -> list[Line]:
    """Say what the reported rate is worth against each other, which rates may lose money, and of a year."""
    return [*over_lines(worth), *risk_lines(worth)]


def over_lines(worth) -> list[Line]:
    """Say what the reported rate is worth against each other."""
    return [told(against_text(worth, over)) for over in worth.references if not same(over, worth.chosen)]


def risk_lines(worth) -> list[Line]:
    """Say which rates may lose money, and what one more year is worth."""
    said = [chances_text(worth, over) for over in worth.references]
    return [told(text) for text in [*said, *year_texts(worth)] if text]


def name_of(worth, over: float) -> str:
    """Name a rate that others are held against."""
    if same(over, worth.lowest):
        return "none" if over == 0 else f"the lowest rate tested, {plain(over)} {worth.rate_unit}"
    usual = ", the usual rate" if worth.against and same(over, worth.against[0]) else ""
    return f"{plain(over)} {worth.rate_unit}{usual}"


def against_text(worth, over: float) -> str:
    """Say gain, cost and net of the reported rate over another, with the chance that it loses."""
    row, area = worth.of(worth.chosen, over), worth.area
    cost = money_text(abs(row["cost"]), worth.money, area)
    spent = f"costs {cost} more" if row["cost"] > 0 else f"saves {cost}"
    ends, more = [row["gain_low"], row["gain_high"]], "more"
    if row["gain"] < 0:
        ends, more = [-end for end in reversed(ends)], "less"
    between = net_between = chance = ""
    if not np.isnan(row["gain_low"]):
        money = f"{money_text(row['net_low'])} to {money_text(row['net_high'])}"
        between = f" ({worth.level:.0%} interval {' to '.join(map(plain, ends))})"
        net_between = f" ({worth.level:.0%} interval {money})"
        chance = f"; {percent(row['chance_of_loss'])} chance of losing money"
    return (
        f"Against {name_of(worth, over)}: {plain(worth.chosen)} {worth.rate_unit} yields "
        f"{plain(abs(row['gain']))} {worth.yield_unit} {more}{between} and {spent}; net "
        f"{money_text(row['net'], worth.money, area)}{net_between}{chance}."
    )


def chances_text(worth, over: float) -> str:
    """Say for every rate the chance that it loses money against another; nothing without error df."""
    rows = worth.table[same(worth.table["over"], over)].dropna(subset="chance_of_loss")
    groups = dict.fromkeys(percent(share) for share in sorted(rows["chance_of_loss"]))
    chance = rows["chance_of_loss"].map(percent)
    said = "; ".join(f"{word} at {', '.join(map(plain, rows['rate'][chance == word]))}" for word in groups)
    return f"Chance of losing money against {name_of(worth, over)}: {said} {worth.rate_unit}." if said else ""


def percent(share: float) -> str:
    """Write a chance, never as none or certain."""
    return "below 1%" if share < 0.01 else "above 99%" if share > 0.99 else f"{share:.0%}"


def year_texts(worth) -> list[str]:
    """Say what one more year is worth, and what that takes for granted; nothing where it was not reckoned."""
    if (year := worth.year) is None:
        return []
    value, most = (money_text(v, worth.money, worth.area) for v in (year.worth, year.at_most))
    known = f"the trial covers {worth.years}" if worth.years else "the trial covers one season"
    return [
        f"One more year of trial is worth about {value} per season of use; knowing the true curve, {most}.",
        "This assumes the same curve next year and a known strip error. Year-to-year variation, not "
        f"included ({known}), may be a better reason to repeat.",
    ]
