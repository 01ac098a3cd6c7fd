"""Surfaces of two or three nutrients: the best combination, how sure it is, how the surface lies there."""

import numpy as np

from fertkit.response.curves import get_curve
from fertkit.response.interval import Interval
from fertkit.response.optimum import Status, status_in_words
from fertkit.response.prices import area_of, money_text
from fertkit.response.surface_parts import Shape
from fertkit.results import capital, counted, failed, plain, plain_p
from fertkit.rounding import at_least, at_most
from fertkit.say.advice import ELSEWHERE
from fertkit.say.line import NO_INTERVAL, Line, lead, notes, told
from fertkit.say.response import CAUTIONED, net_gain_text
from fertkit.trials.doubtful import say_doubtful

#: From this probability on, nothing is shown.
_CHANCE = 0.05
_STEP = 0.2  # share of the tested range by which a direction is told
_SHAPES = {Shape.MAXIMUM: "a hill", Shape.SADDLE: "a saddle", Shape.MINIMUM: "a hollow"}


def surface_lines(analysis) -> list[Line]:
    """Say the best combination, its gain, the joint region, the shape and what simpler surfaces say."""
    said = [
        trial_text(analysis),
        f"Agronomic optimum: {_most_text(analysis)}.",
        *gain_text(analysis), region_text(analysis), shape_text(analysis), *terms_text(analysis),
        kinds_text(analysis), nearly_text(analysis), path_text(analysis),
    ]  # fmt: skip
    said = said if analysis.responds else [said[0], *terms_text(analysis)]
    first = [*map(lead, first_text(analysis)), lead(best_text(analysis))]
    rest = [text for text in failed(analysis.checks) if text not in analysis.doubts]
    return [*first, *map(told, filter(None, said)), *notes(rest), CAUTIONED]


def first_text(analysis) -> list[str]:
    """Say what comes before the answer: strips in doubt, prices out of proportion."""
    data, doubtful = analysis.data, analysis.doubtful
    said = [f"{capital(doubt)}." for doubt in analysis.doubts]
    if not doubtful.rows:
        return said
    names = [
        f"{f'block {block + 1} ' if data.block.any() else ''}at {combination(analysis, rates)}"
        for block, rates in zip(data.block, data.rates, strict=True)
    ]
    them, rest = "them" if len(doubtful.rows) > 1 else "it", analysis.without_doubtful
    without = combination(analysis, rest.rates) if rest else "not estimable"
    return [
        f"Check this first: {say_doubtful(doubtful, names, data.yields)}. Without {them} the best "
        f"combination is {without}. Delete a yield only if field notes say why.",
        *said,
    ]


def best_text(analysis) -> str:
    """Say the best combination, each rate with its interval and what it bounds."""
    rates = " with ".join(_rate_text(analysis, row) for row in analysis.intervals.itertuples())
    best = f"Best combination, {status_in_words(analysis.optimum.status)}: {rates}."
    if analysis.responds:
        return best
    none = f"No response to {_joined(analysis.nutrients)}"
    return f"{none}: these strips do not support a rate yet. {best}"


def _joined(names) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def _rate_text(analysis, row) -> str:
    low, high = (
        ends[analysis.nutrients.index(row.nutrient)] for ends in (analysis.data.low, analysis.data.high)
    )
    rate = f"{row.nutrient} {plain(row.rate, span=high - low)} {row.unit}"
    if row.status == Status.TOP:
        rate = f"{row.nutrient} at least {plain(high)} {row.unit}, the highest tested"
    elif row.status == Status.NONE:
        rate = f"{row.nutrient} {plain(low)} {row.unit}, the lowest tested"
    if not analysis.data.curved.any():
        return rate
    if np.isnan(row.low):
        return f"{rate} {NO_INTERVAL}"
    return f"{rate} ({analysis.level:.0%} interval {span_text(row.low, row.high, low, high, analysis.level)})"


def span_text(low, high, lowest, highest, level) -> str:
    """Say an interval of a rate; open where it reaches the end of the tested rates."""
    opens = lowest > 0 and at_most(low, lowest, scale=highest), at_least(high, highest)
    return Interval(low, high, bool(opens[0]), bool(opens[1]), level, "exact", highest - lowest).text()


def combination(analysis, rates) -> str:
    """Write a combination of rates: N 142 and P2O5 156 lb/ac."""
    data = analysis.data
    return _joined([
        f"{name} {plain(rate, span=high)} {unit}"
        for name, rate, high, unit in zip(data.nutrients, rates, data.high, data.rate_units, strict=True)
    ])  # fmt: skip


def _most_text(analysis) -> str:
    """Write the combination of the greatest yield, and which of its rates only bound it."""
    data, most = analysis.data, analysis.agronomic_optimum
    return _joined([
        f"{name} {'at least ' * (status == Status.TOP)}{plain(rate, span=high)} {unit}"
        for name, status, rate, high, unit in zip(
            data.nutrients, most.statuses, most.rates, data.high, data.rate_units, strict=True
        )
    ])  # fmt: skip


def trial_text(analysis) -> str:
    """Say what was tested and which surface answers."""
    data, fit = analysis.data, analysis.fit
    tested = _joined([
        f"{name} {plain(low)} to {plain(high)} {unit}"
        for name, low, high, unit in zip(data.nutrients, data.low, data.high, data.rate_units, strict=True)
    ])  # fmt: skip
    rows = analysis.models.set_index(["curve", "terms"])
    r2 = rows.loc[(analysis.curve, "with interaction"), "r2"]
    blocks = data.block.max() + 1
    many = f"{counted(len(data.yields), 'strip')}{f' in {blocks} blocks' if blocks > 1 else ''}, "
    many += counted(data.combination.max() + 1, "combination")
    curved = data.curved.any()
    kind = f"{get_curve(analysis.curve).label} surface" if curved else "straight lines"
    return (
        f"{many} of {tested}; {kind} with interaction, R² {r2:.2f}, {fit.df_error} error degrees of freedom."
    )


def gain_text(analysis) -> list[str]:
    """Say gain, cost and net gain of the best combination over the lowest rates."""
    gain, cost, _ = analysis.gain.itertuples()
    if analysis.optimum.status == Status.CORNER and Status.TOP not in analysis.optimum.statuses:
        return ["No tested combination returns more than the lowest rates."]
    prices = analysis.prices[analysis.nutrients[0]]
    money = net_gain_text(analysis.net_gain, prices, analysis.yield_unit, analysis.level)
    ends = f" ({analysis.level:.0%} interval {plain(gain.low)} to {plain(gain.high)})"
    more = f"{plain(gain.value)} {gain.unit} more than {combination(analysis, analysis.data.low)}"
    return [
        f"It yields {more}{'' if np.isnan(gain.low) else ends}.",
        f"It costs as much as {plain(cost.value)} {cost.unit}; net gain {money}.",
    ]


def region_text(analysis) -> str:
    """Say how far the joint region reaches."""
    if not analysis.estimated:
        return ""
    data = analysis.data
    parts = [
        f"{row.nutrient} {span_text(row.joint_low, row.joint_high, low, high, analysis.level)} {row.unit}"
        for row, low, high in zip(analysis.intervals.itertuples(), data.low, data.high, strict=True)
    ]
    return (
        f"Joint {analysis.level:.0%} region of the best combination: {_joined(parts)}; see the figure for "
        "combinations."
    )


def shape_text(analysis) -> str:
    """Say whether the surface is a hill, a saddle or perhaps a ridge there, and along which line."""
    shape = analysis.shape
    if shape == Shape.STRAIGHT:
        return "Two rates of each nutrient show no curve; the best tested combination is reported."
    if not analysis.estimated:
        return f"Shape: {_SHAPES[analysis.fitted_shape]} as fitted; no error to test it."
    if shape == Shape.MAXIMUM:
        return "Shape: a hill. Net return falls in every direction, beyond trial error."
    row = analysis.axes.iloc[0]
    line = _line(analysis, row[list(analysis.nutrients)].to_numpy(float))
    if shape in (Shape.SADDLE, Shape.MINIMUM):
        return (
            f"Shape: {_SHAPES[shape]}. Net return curves up along {line}, beyond trial error: the best lies "
            "at an end of the tested rates."
        )
    ends = f" ({analysis.level:.0%} interval {plain(row['low'])} to {plain(row['high'])} "
    error = "" if np.isnan(row["low"]) else f"{ends}{analysis.yield_unit} over the tested range)"
    return (
        f"Shape: {_SHAPES[analysis.fitted_shape]} as fitted, but perhaps a ridge: along {line} net return "
        f"may not fall{error}. Combinations along that line pay nearly the same; test more of them."
    )


def _line(analysis, way) -> str:
    """Words for a direction at the optimum, into the tested rates: N up by 50 lb/ac with P2O5 down by 20."""
    data, fit, best = analysis.data, analysis.fit, analysis.optimum.rates
    low, high, t = fit.t(data.low), fit.t(data.high), fit.t(best)
    main = np.argmax(np.abs(way))
    inwards = np.sign((low + high)[main] / 2 - t[main] or 1) * np.sign(way[main])
    moved = fit.rates(np.clip(t + _STEP * inwards * way * (high - low), 0, None)) - best
    parts = [
        f"{name} {'up' if move > 0 else 'down'} by {plain(abs(move), 2)} {unit}"
        for name, move, unit in zip(data.nutrients, moved, data.rate_units, strict=True)
        if abs(move) > 0
    ]
    return " with ".join(parts)


def terms_text(analysis) -> list[str]:
    """Say whether the nutrients act on each other and whether each matters, by F tests."""
    names, said = analysis.nutrients, []
    rows = analysis.models[analysis.models["curve"] == analysis.curve].set_index("terms")
    none, error = rows.loc["no interaction"], analysis.fit.df_error
    if not analysis.responds:
        nothing = analysis.models.iloc[0]  # is told once, whatever the kind of surface
        first = analysis.models[analysis.models["terms"] == "with interaction"].iloc[0]
        change = plain(first["aicc"] - nothing["aicc"])
        return [f"The mean alone has an AICc {change} lower than the best surface."]
    if np.isfinite(none["p"]):
        verb = "interact" if none["p"] < _CHANCE else "do not interact significantly"
        test = f"F({none['f_df']:.0f}, {error}) = {plain(none['f'])}, p {plain_p(none['p'])}"
        said.append(f"{capital(_joined(names))} {verb} ({test}; {_support(rows, none)}).")
        said.append(f"Without interaction the best is {_best_of(analysis, none)}.")
    for name, other in zip(names, reversed(names), strict=True):
        row = rows.loc[f"{other} alone" if len(names) == 2 else f"without {name}"]
        if np.isfinite(row["p"]):
            verb = "has an effect" if row["p"] < _CHANCE else "has no significant effect"
            said.append(f"{name} {verb} (p {plain_p(row['p'])}; {_support(rows, row)}).")
    if analysis.shape == Shape.STRAIGHT:
        return said
    each = zip(names, analysis.data.rate_units, strict=True)
    alone = ", ".join(
        f"{name} {plain(rows.loc[f'{name} alone', f'best_{name}'])} {unit}" for name, unit in each
    )
    said.append(f"Single-nutrient curves, ignoring the rest, give {alone}.")
    return said


def _support(rows, row) -> str:
    change = row["aicc"] - rows.loc["with interaction", "aicc"]
    return f"AICc {plain(abs(change))} {'higher' if change > 0 else 'lower'} without"


def _best_of(analysis, row) -> str:
    """The best combination by a row of the models."""
    return combination(analysis, row[[f"best_{name}" for name in analysis.nutrients]].to_numpy(float))


def kinds_text(analysis) -> str:
    """Say what the other kind of surface would answer."""
    whole = analysis.models[analysis.models["terms"] == "with interaction"].set_index("curve")
    said = []
    for curve, row in whole.drop(analysis.curve).iterrows():
        if not np.isfinite([row["aicc"], own := whole.loc[analysis.curve, "aicc"]]).all():
            continue
        change = row["aicc"] - own
        fits = f"fits {'worse' if change > 0 else 'better'} (AICc {plain(abs(change))} apart)"
        said.append(f"The {get_curve(curve).label} surface {fits} and gives {_best_of(analysis, row)}.")
    return " ".join(said)


def nearly_text(analysis) -> str:
    """Say how far each rate may go at a small loss."""
    if analysis.within <= 0 or not analysis.data.curved.any():
        return ""
    loss = money_text(analysis.within, analysis.currency, area_of(analysis.yield_unit))
    parts = [
        f"{row.nutrient} from {plain(row.low, span=high)} to {plain(row.high)} {unit}"
        for row, unit, high in zip(
            analysis.nearly.itertuples(), analysis.data.rate_units, analysis.data.high, strict=True
        )
    ]
    return (
        f"Within {loss} of the best ({analysis.within_by}): {_joined(parts)}, each with the others at their "
        "best."
    )


def path_text(analysis) -> str:
    """Say the cheapest combinations for two yields on the way to the best."""
    rows = analysis.path
    if rows.empty:
        return ""
    steps = [
        f"{plain(row['yield'])} {analysis.yield_unit} with "
        f"{combination(analysis, row[list(analysis.nutrients)].to_numpy(float))}"
        for _, row in rows.iloc[[3, 6]].iterrows()
    ]
    return f"Cheapest way to a yield: {'; '.join(steps)}."


def surface_answer_lines(answer) -> list[Line]:
    """Say the answer for one trial of several nutrients."""
    *said, caution = answer.analysis.lines()
    return [*said, *notes(answer.notes), caution]


def short_lines(answer) -> list[Line]:
    """Say it in short, for the top of a page that tells the rest below."""
    analysis = answer.analysis
    first = [*first_text(analysis), best_text(analysis)]
    said = [*gain_text(analysis), shape_text(analysis)]
    beside = [text for text in failed(analysis.checks) if text not in analysis.doubts]
    return [*map(lead, first), *map(told, said), *notes(beside)]


def surface_advice(analysis) -> tuple[list[str], list[str]]:
    """What to do and what not after one trial of several nutrients."""
    best, status = combination(analysis, analysis.optimum.rates), analysis.optimum.statuses
    do = [f"Start the next trial from {best}, with strips around it."]
    leave = [ELSEWHERE]
    if not analysis.responds:
        return ["Repeat the trial with more blocks before choosing rates."], [
            "Do not choose rates from these strips."
        ]
    high = [name for name, one in zip(analysis.nutrients, status, strict=True) if one == Status.TOP]
    if high:
        do.append(f"Test higher rates of {_joined(high)}: the best is at or above the highest tested.")
        leave.append(f"Do not go above the tested rates of {_joined(high)}.")
    if analysis.shape == Shape.RIDGE:
        do.append("Along the ridge choose the combination with least cost and risk.")
    leave.append("Do not change one nutrient by its own curve: the best rate of each depends on the other.")
    return do, leave
