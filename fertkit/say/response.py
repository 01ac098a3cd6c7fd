"""Response curves and what a rate is worth."""

import numpy as np

from fertkit.response.average import SMALL
from fertkit.response.compare import lack_of_fit
from fertkit.response.curves import CURVES, MEAN, get_curve
from fertkit.response.data import one_order
from fertkit.response.fit import join_text
from fertkit.response.gain import fall
from fertkit.response.optimum import Status
from fertkit.response.prices import area_of, column, money_text, money_texts, weighted_coverage
from fertkit.response.robust import BOUND, times
from fertkit.results import alike, capital, counted, failed, plain, plain_p
from fertkit.rounding import above, at_least, below, same
from fertkit.say.line import ASK, NO_INTERVAL, Kind, Line, lead, notes, told
from fertkit.trials.diagnose import ORDER
from fertkit.trials.doubtful import say_doubtful
from fertkit.trials.limits import meaning
from fertkit.trials.strips import describe

# ---- curves


def analysis_lines(analysis) -> list[Line]:
    """Say the economic optimum of a trial and what it gains, strips in doubt first, rows and rates last."""
    agronomic, *averaged = details(analysis)
    said = [*best_rate(analysis), agronomic, *gain_lines(analysis), *averaged, rows_text(analysis)]
    return [*map(lead, first(analysis)), *map(told, said), *remarks(analysis)]


#: What an optimum says in its own words, so that no note repeats it.
_SAID = [status.meaning for status in (Status.NONE, Status.TOP, Status.STEP, Status.UNPAID)]


def remarks(analysis) -> list[Line]:
    """Say what the checks that do not hold mean, where the optimum has not said it."""
    return notes(text for text in analysis.notes if text not in _SAID)


def best_rate(analysis, strips=None) -> list[str]:
    """Say the economic optimum rate; before it that the strips support none, or that yield fell."""
    before = no_rate(analysis, strips) or fall_text(analysis)
    return [*before, f"Economic optimum rate: {optimum_text(analysis.optimum)}."]


def no_rate(analysis, strips=None) -> list[str]:
    """Say that strips whose treatments cannot be told apart support no rate; nothing where one is supported.

    The treatments are compared by `strips` (a StripAnalysis), else by the rates of the analysis.
    """
    p = strips.p_value if strips is not None else _p_of_rates(analysis)
    if analysis.optimum.status in (Status.NONE, Status.UNPAID) or not at_least(p, 1 - analysis.level):
        return []
    return [
        f"These strips do not support a rate yet: treatments do not differ significantly (p {plain_p(p)})."
    ]


def _p_of_rates(analysis) -> float:
    """Chance of the differences between rates; of the response where nearly every strip has its own rate."""
    if (mean := analysis.fits.get(MEAN.key)) is None:
        return float("nan")
    if analysis.comparison is not None and analysis.data.sums.pure_df[0] < len(analysis.data.rates) - 1:
        return _response_test(analysis)["value"]
    return lack_of_fit(mean)[1]


def _response_test(analysis):
    return analysis.checks.set_index("check").loc["response [p]"]


def fall_text(analysis) -> list[str]:
    """Say by how much yield fell with the rate; nothing where no fall is shown."""
    if (shown := fall(analysis)) is None:
        return []
    low, high = analysis.data.rates[[0, -1]]
    return [
        f"Yield fell as the rate rose: by {plain(shown[0])} {analysis.yield_unit} from {plain(low)} to "
        f"{plain(high)} {analysis.rate_unit} (straight line, p {plain_p(shown[1])})."
    ]


def details(analysis) -> list[str]:
    """Say the agronomic optimum rate and what is averaged."""
    agronomic = f"Agronomic optimum rate: {optimum_text(analysis.agronomic_optimum, of='')}."
    return [agronomic, *_averaged(analysis)]


def rows_text(analysis) -> str:
    """Say how many rows and rates an analysis rests on, and the price ratio."""
    rates, unit = analysis.data.rates, analysis.rate_unit
    span = f"{plain(rates[0])} to {plain(rates[-1])} {unit}"
    return (
        f"{len(analysis.data.rate)} rows at {len(rates)} rates, {span}; {analysis.data.shared}price ratio "
        f"{plain(analysis.price_ratio)} {analysis.yield_unit} per {unit}."
    )


def first(analysis) -> list[str]:
    """Say what comes before the optimum: strips in doubt, rates in one order, prices out of proportion."""
    doubt = f"{capital(analysis.doubt)}." if analysis.doubt else ""
    said = (stands_out(analysis), *treated_text(analysis), order_text(analysis.data), doubt)
    return [text for text in said if text]


def treated_text(analysis) -> list[str]:
    """Say what was done about far strips or an uneven error, and the optimum as read; nothing where not."""
    if (done := analysis.treated) is None:
        return []
    unit, given, said = analysis.rate_unit, done.given, []
    if done.pulled is not None:
        said.append(
            f"Outlying strips are downweighted (Huber's bound, {BOUND} error SD): {_pulled(done, given)}."
        )
    if done.ratio is not None:
        less, more = map(plain, given.rates[[0, -1] if done.ratio >= 1 else [-1, 0]])
        said.append(
            f"Strips are weighted by error at their rate: its SD at {more} {unit} is {times(done.ratio)} "
            f"that at {less}."
        )
    if analysis.data is given:
        return said
    plainly = optimum_text(analysis.as_read) if analysis.as_read else "it cannot be estimated"
    said.append(f"Unadjusted, the economic optimum rate is {plainly}.")
    likely = analysis.weights.index[above(analysis.weights, SMALL)] if done.ratio is not None else []
    for curve in likely:
        if ends := weighted_coverage(curve):
            said.append(
                f"If the response is a {CURVES[curve].label}, intervals may be slightly narrow: simulated "
                f"95% intervals held optimum and gain in {' to '.join(map(plain, ends))}%."
            )
    return said


def _pulled(done, given):
    """How many yields were pulled in, and the farthest of them."""
    rows = done.pulled
    if rows.empty:
        return "none exceeds it, so nothing changed"
    r = rows.iloc[0]
    moved = f"from {plain(r['yield'])} to {plain(r['used'])} {given.yield_unit}"
    many = f"{len(rows)} of {len(given.rate)} yields adjusted, the largest" if len(rows) > 1 else "one yield"
    return f"{many} at {plain(r['rate'])} {given.rate_unit} {moved}"


def order_text(data) -> str:
    """Say that every block repeats one order of the rates; nothing where not, or where it is not known."""
    return f"{capital(meaning('strips', ORDER, passed=False))}." if one_order(data) else ""


def stands_out(analysis) -> str:
    """Name the doubtful strips, with the optimum with and without them; nothing where there are none."""
    if not analysis.doubtful.rows:
        return ""
    rest, it = analysis.without_doubtful, "them" if len(analysis.doubtful.rows) > 1 else "it"
    without, with_it = (optimum_text(o) if o else "it cannot be estimated" for o in (rest, analysis.as_read))
    return (
        f"Check this first: {doubtful_text(analysis.doubtful, analysis.given)}. With {it} the economic "
        f"optimum rate is {with_it}; without {it}, {without}. Delete a yield only if field notes say why."
    )


def doubtful_text(doubtful, data) -> str:
    """Name the doubtful rows of a trial by block, strip and rate; nothing where there are none."""
    if not doubtful.rows:
        return ""
    known = data.origin is not None and len(data.origin.columns)
    own = {i: describe(data.origin.iloc[i]) if known else f"row {i + 1}" for i in doubtful.rows}
    names = [f"{own.get(i, '')} at {rate:g} {data.rate_unit}" for i, rate in enumerate(data.rate)]
    return say_doubtful(doubtful, names, data.yields)


def optimum_text(optimum, of: str = "economic ") -> str:
    """Say a rate with its interval and what is left open, as a person would; `of` what response."""
    rate, span = f"{plain(optimum.rate, span=optimum.interval.span)} {optimum.unit}", optimum.interval
    said = {
        Status.NONE: f"no {of}response; the lowest rate tested, {rate}",
        Status.TOP: f"at least the highest rate tested, {rate}",
        Status.STEP: f"at most {rate}, the first rate above the lowest",
        Status.UNPAID: f"{rate}: {Status.UNPAID.meaning}",
        Status.DIFFERENCE: f"the better of the two rates tested, {rate}",
    }.get(optimum.status, rate)
    if optimum.status == Status.DIFFERENCE and not np.isnan(span.low):
        # The interval that counts is that of gain minus cost; rates have none with two of them.
        return f"{said}; the two do not differ significantly" if below(span.low, span.high) else said
    if np.isnan(span.low + span.high):
        return f"{said} {NO_INTERVAL}"
    interval = filter(None, [f"{span.level:.0%} interval {span.text()}", untested(optimum)])
    return f"{said} ({'; '.join(interval)})"


def untested(optimum) -> str:
    """Say what is left open between the lowest and the first rate; nothing if the interval is clear of it."""
    span, gap = optimum.interval, optimum.gap
    if not gap or not (below(span.low, gap[1]) and above(span.high, gap[0])):
        return ""
    low, high = map(plain, gap)
    nothing = f"no rate tested between {low} and {high}"
    return f"any join up to {high} fits; {nothing}" if optimum.any_join else nothing


def gain_lines(analysis) -> list[str]:
    """Say gain, cost and net gain, each with its interval; nothing where the lowest rate is the answer."""
    if not (gain := gain_line(analysis)):
        return []
    cost = analysis.gain_rows[1]
    passed = " (application pass included)" if "pass" in cost.quantity else ""
    return [gain, f"It costs as much as {plain(cost.value)} {cost.unit}{passed}.", net_line(analysis)]


def _gains(analysis):
    """Whether a rate above the lowest is the answer."""
    return analysis.comparison is None or not same(analysis.optimum.rate, analysis.data.rates[0])


def gain_line(analysis) -> str:
    """Say what the optimum yields more than the lowest rate; nothing where that is the answer."""
    if not _gains(analysis):
        return ""
    gain = analysis.gain_rows[0]
    value, ends = _between(analysis, gain)
    return f"{capital(gain.quantity)}: {value} {gain.unit}{ends}."


def net_line(analysis) -> str:
    """Say what of the gain is left after its cost; nothing where the lowest rate is the answer."""
    if not _gains(analysis):
        return ""
    net = analysis.gain_rows[2]
    money = net_gain_text(analysis.net_gain, analysis.prices, analysis.yield_unit, analysis.level)
    value, ends = _between(analysis, net)
    return f"Net gain: {money}; in yield {value} {net.unit}{ends}."


def net_gain_text(gain, prices, yield_unit: str, level: float) -> str:
    """Write the net gain as a person would say it, e.g. ``$72.0/ac (95% interval 58.5 to 85.2)``."""
    beside = () if np.isnan(gain.low) else (gain.low, gain.high)
    said = money_text(gain.value, prices.currency, area_of(yield_unit), beside)
    if not beside:
        return said
    _, low, high = money_texts(gain.value, *beside)
    return f"{said} ({level:.0%} interval {low} to {high})"


def _between(analysis, row) -> tuple[str, str]:
    """The value of a row, and its interval in brackets with as many decimals."""
    if np.isnan(row.low):
        return plain(row.value), ""
    value, low, high = alike(row.value, row.low, row.high)
    return value, f" ({analysis.level:.0%} interval {low} to {high})"


def _averaged(analysis):
    """What is averaged by which weights, and why a better supported curve is not."""
    if analysis.curve != "averaged":
        return
    comparison = analysis.comparison
    held = {k: w for k, w in comparison.averaged_weights.items() if w >= 0.005}
    named = ", ".join(f"{CURVES[k].label} {w:.2f}" for k, w in held.items())
    total = int((comparison.averaged_weights > 0).sum())
    rest = f"; {counted(total - len(held), 'other')} below 1%" if total > len(held) else ""
    by = "how well each curve fits" if comparison.ranked else "fit alone"
    yield f"Average of {counted(total, 'curve')}, weighted by {by}: {named}{rest}."
    best = comparison.best
    weight = f"{comparison.ranking.weight[best]:.2f}"
    if comparison.ranked and best == MEAN.key:
        tested = _response_test(analysis)
        few = f"AICc, strict with few rows, favors no response ({weight}); an F test finds one, p"
        least = f"A level line, no response, is better supported ({weight}) than any curve"
        yield f"{few} {plain_p(tested['value'])}." if tested["passed"] else f"{least}."
    elif comparison.ranked and best not in comparison.averaged_weights.index:
        yield (
            f"Not averaged: {CURVES[best].label}, the best-supported curve ({weight}); its optimum is an "
            "end of the tested rates."
        )


def comparison_lines(comparison) -> list[Line]:
    """Say how well each curve fits and the optimum averaged over them."""
    unit, span = comparison.data.rate_unit, np.ptp(comparison.data.rates)
    ranked = comparison.table[(comparison.table["weight"] >= 0.005) & comparison.ranked]
    said = [
        told(f"support among all curves {r.weight:.2f}, optimum {r.optimum_text} {unit}", r.label)
        for r in ranked.itertuples()
    ] or [told("Too few rows for AICc; curves are weighted by fit alone.")]
    if comparison.data.places:
        said.append(told(f"{comparison.data.places}, one common response."))
    return [*said, told(
        f"Average of {counted(len(comparison.averaged_weights), 'curve')}: "
        f"{plain(comparison.averaged_optimum, span=span)} {unit}, {comparison.level:.0%} interval "
        f"{comparison.averaged_interval.text()} {unit}; the curves alone differ by an SD of "
        f"{plain(comparison.between_curve_sd, span=span)}."
    )]  # fmt: skip


def fit_lines(fit) -> list[Line]:
    """Say the curve fitted and its parameters."""
    span = f"{fit.lowest_rate:g} to {fit.highest_rate:g} {fit.rate_unit}"
    parameters = "; ".join(f"{r.param} = {_exactly(r.estimate)}" for r in fit.params.itertuples())
    said = [f"{parameters}; residual SD {plain(fit.sigma)} {fit.yield_unit} with {fit.df_error} df."]
    said += [f"Join point: {join_text(fit)} {fit.rate_unit}."] if fit.join_set is not None else []
    first = f"{fit.curve.label} ({fit.curve.formula}) fitted to {fit.n} rows at {fit.n_rates} rates"
    return [lead(f"{first}, {fit.data.shared}{span}."), *map(told, said + failed(fit.checks))]


def _exactly(value):
    """A parameter to five digits, however small its unit makes it."""
    if not 0 < abs(value) < 1e-5:
        return plain(value, 5)
    return np.format_float_positional(value, 5, unique=False, fractional=False, trim="-")


# ---- money


CAUTION = f"A trial's best rate is not a recommendation. {ASK}"
CAUTIONED = Line(Kind.CAUTION, CAUTION)


def net_return_lines(net) -> list[Line]:
    """Say which rate returns most, and what it returns."""
    rate, returned = net.rate_unit, money_text(net.net, net.prices.currency, net.area)
    gained, low, high = money_texts(net.gain, net.gain_low, net.gain_high)
    ends = f"{low} to {high}"
    ends = "" if np.isnan(net.gain_low) else f" ({net.level:.0%} interval {ends})"
    said = [
        f"Tested rates {net.lowest_rate:g} to {net.highest_rate:g} {rate}; price ratio "
        f"{plain(net.price_ratio)} {net.yield_unit} per {rate}.",
        f"Net return {returned}, {gained} more than at {net.lowest_rate:g} {rate}{ends}.",
        stretch(net),
        f"Agronomic optimum rate: {plain(net.agronomic_rate)} {rate} ({net.agronomic_status}).",
        *break_even(net),
    ]  # fmt: skip
    first = lead(f"Economic optimum rate: {plain(net.rate)} {rate} ({net.status}: {net.meaning}).")
    return [first, *map(told, filter(None, said)), CAUTIONED]


def break_even(net) -> list[str]:
    """Say at which prices the answer would change."""
    mass = {"nutrient": net.rate_unit.split("/")[0], "grain": net.yield_unit.split("/")[0]}
    two = net.curve == "difference"
    return [
        f"{r.question.replace('optimum rate', 'better of the two rates') if two else r.question}: "
        f"{money_text(r.price, net.prices.currency)} per {mass[r.price_of]}."
        for r in net.break_even.itertuples()
    ]


def stretch(net) -> str:
    """Say which rates are nearly as good as which best, and where the reported rate stands; "" if none."""
    if net.within is None:
        return ""
    within, peak, lost = (
        money_text(amount, net.prices.currency, net.area) for amount in (net.within, net.peak_net, net.lost)
    )
    curve, unit = "averaged" if net.curve == "averaged" else CURVES[net.curve].label, net.rate_unit
    top = " (the highest tested)" if at_least(net.within_high, net.highest_rate) else ""
    by = f" ({net.within_by})" if net.within_by else ""
    said = (
        f"From {plain(net.within_low)} to {plain(net.within_high)} {unit}{top} net return is within "
        f"{within}{by} of the best on the {curve} curve, {peak} at {plain(net.peak)} {unit}."
    )
    if same(net.rate, net.peak):
        return said
    where = "inside" if net.in_stretch else "OUTSIDE"
    which = "the mean of the curves' optima, " if net.status == Status.INTERIOR else ""
    less = f"{lost} less" if lost != money_text(0.0, net.prices.currency, net.area) else "as much"
    return (
        f"{said} The economic optimum, {plain(net.rate)} {unit}, {which}lies {where} that range and "
        f"returns {less}."
    )


def regret_lines(regret) -> list[Line]:
    """Say which rate is regretted least."""
    lost, p90 = regret.expected_regret, regret.at(regret.rate)[f"regret_p90_per_{regret.area}"]
    uncounted = "; returns of higher rates are not counted" if regret.open_above else ""
    first = (
        f"Least expected regret at {plain(regret.rate)} {regret.rate_unit}: on average "
        f"{money_text(max(lost, 0.01), regret.money, regret.area)} below the best tested rate, nine times "
        f"in ten at most {money_text(max(p90, 0.01), regret.money, regret.area)}{uncounted}."
    )
    return [lead(first), told(_where(regret)), CAUTIONED]


def _where(regret):
    """Where the best rates of the cases lie; open where they reach the highest rate compared."""
    (low, high), unit = map(plain, regret.optima_range), regret.rate_unit
    between, beyond = f"between {low} and {high} {unit}", ""
    if regret.open_above:
        beyond = f"; in {regret.at_top:.0%} of them it is {high} {unit} or beyond"
        between = f"at > {high} {unit}" if low == high else f"between {low} and > {high} {unit}"
    return f"The best rate lies {between} nine times in ten ({regret.cases:,} cases{beyond})."


def price_table_lines(table) -> list[Line]:
    """Say how the optimum moves with the price ratio."""
    said = [lead(
        f"Economic optimum rate [{table.rate_unit}] by price ratio [{table.yield_unit} per "
        f"{table.rate_unit}], tested rates {table.lowest_rate:g} to {table.highest_rate:g}:"
    )]  # fmt: skip
    for curve, rows in table.table.groupby("curve", sort=False):
        ends = rows[[column("rate", table.rate_unit), "price_ratio"]].iloc[[0, -1]].to_numpy()
        first, last = (f"{plain(rate)} at {plain(ratio)}" for rate, ratio in ends)
        said.append(told(f"{first}, {last}.", get_curve(curve).label))
    edges = sorted(set(table.table["status"]) - {Status.INTERIOR})
    return said + [told(f"{Status(word).meaning}.", word) for word in edges]
