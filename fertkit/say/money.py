"""What a rate is worth: net return, regret, price ratios, plateaus that vary."""

import numpy as np

from fertkit.response.curves import get_curve
from fertkit.response.price_table import column
from fertkit.response.prices import money_text
from fertkit.response.status import Status
from fertkit.results import plain
from fertkit.say.line import Kind, Line, lead, told

CAUTION = (
    "The rate that pays in a trial is not yet a recommendation: keep to local nutrient rules and the product "
    "label, and ask a licensed or certified adviser."
)
CAUTIONED = Line(Kind.CAUTION, CAUTION)


def net_return_lines(net) -> list[Line]:
    """Say which rate returns most, and what it returns."""
    money, rate = f"{net.prices.money}/{net.area}", net.rate_unit
    ends = f"{money_text(net.gain_low)} to {money_text(net.gain_high)}"
    ends = "" if np.isnan(net.gain_low) else f" ({net.level:.0%} interval {ends})"
    mass = {"nutrient": net.rate_unit.split("/")[0], "grain": net.yield_unit.split("/")[0]}
    said = [
        f"Tested rates {net.lowest_rate:g} to {net.highest_rate:g} {rate}; price ratio "
        f"{plain(net.price_ratio)} {net.yield_unit} per {rate}.",
        f"Net return {net.net:,.2f} {money}, {net.gain:,.2f} more than at {net.lowest_rate:g} {rate}{ends}.",
        net.stretch,
        f"Agronomic optimum rate: {plain(net.agronomic_rate)} {rate} ({net.agronomic_status}).",
        *(f"{r.question}: {plain(r.price)} {net.prices.money} per {mass[r.price_of]}."
          for r in net.break_even.itertuples()),
    ]  # fmt: skip
    first = lead(f"Economic optimum rate: {plain(net.rate)} {rate} ({net.status}: {net.meaning}).")
    return [first, *map(told, filter(None, said)), CAUTIONED]


def regret_lines(regret) -> list[Line]:
    """Say which rate is regretted least."""
    unit, p90 = f"{regret.money}/{regret.area}", regret.at(regret.rate)[f"regret_p90_per_{regret.area}"]
    uncounted = "; what a higher rate would have returned is not counted" if regret.open_above else ""
    first = (
        f"Least expected regret within the tested rates at {plain(regret.rate)} {regret.rate_unit}: on "
        f"average {_not_nothing(regret.expected_regret)} {unit} below the best tested rate of each case, "
        f"in nine cases of ten by no more than {_not_nothing(p90)}{uncounted}."
    )
    return [lead(first), told(_where(regret)), CAUTIONED]


def _where(regret):
    """Where the best rates of the cases lie; open where they reach the highest rate compared."""
    (low, high), unit = map(plain, regret.optima_range), regret.rate_unit
    between, beyond = f"between {low} and {high} {unit}", ""
    if regret.open_above:
        beyond = f"; in {regret.at_top:.0%} of them it is {high} {unit} or beyond"
        between = f"at > {high} {unit}" if low == high else f"between {low} and > {high} {unit}"
    return f"The best rate of nine cases in ten lies {between} ({regret.cases:,} cases{beyond})."


def _not_nothing(money):
    """Money of an expectation, which is never certain to be nothing."""
    return plain(max(money, 0.01))


def price_table_lines(table) -> list[Line]:
    """Say how the optimum moves with the price ratio."""
    said = [lead(
        f"Economic optimum rate [{table.rate_unit}] by price ratio [{table.yield_unit} per "
        f"{table.rate_unit}], tested rates {table.lowest_rate:g} to {table.highest_rate:g}:"
    )]  # fmt: skip
    for curve, rows in table.frame.groupby("curve", sort=False):
        ends = rows[[column("rate", table.rate_unit), "price_ratio"]].iloc[[0, -1]].to_numpy()
        first, last = (f"{plain(rate)} at {plain(ratio)}" for rate, ratio in ends)
        said.append(told(f"{first}, {last}.", get_curve(curve).label))
    edges = sorted(set(table.frame["status"]) - {Status.INTERIOR})
    return said + [told(f"{Status(word).meaning}.", word) for word in edges]


def plateau_risk_lines(risk) -> list[Line]:
    """Say which rate returns most where the plateau varies from year to year."""
    unit = f"{risk.money}/{risk.area}"
    best = (
        f"{plain(risk.rate)} {risk.rate_unit} ({risk.status}), expected net return {risk.expected_net:,.2f}"
    )
    join = f"{plain(risk.join_of_mean)} {risk.rate_unit}"
    less = f"{risk.expected_net - risk.net_at_join:,.2f} {unit}"
    return [
        lead(f"Best rate with a plateau that varies: {best} {unit}."),
        told(f"The join of the mean plateau, {join}, would return {less} less."),
        CAUTIONED,
    ]
