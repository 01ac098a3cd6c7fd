"""Strips: what was read, the comparison of treatments, plans, and trials pooled."""

from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.intake.grid import without_unit
from fertkit.intake.moisture import trade_source
from fertkit.response.curves import CURVES
from fertkit.response.plan import bare_plans
from fertkit.response.pooled import LEVEL
from fertkit.response.prices import column, money_text
from fertkit.results import alike, capital, counted, failed, heading, plain, plain_p, show
from fertkit.rounding import at_least, below, same
from fertkit.say.line import NO_TEST, Kind, Line, lead, marked, notes, row, told
from fertkit.say.response import CAUTIONED
from fertkit.trials.diagnose import FAR, stands_out
from fertkit.trials.layout import DESIGNS, SIDES
from fertkit.units import ACRE_HA

# ---- what was read


def strip_trial_lines(trial) -> list[Line]:
    """Say what was read from a file of strips."""
    trials = trial.strips["trial"].nunique()
    blocks = trial.strips.groupby("trial")["block"].nunique() if "block" in trial.strips else pd.Series([0])
    span = f"{blocks.min()} to " * bool(blocks.min() < blocks.max()) + counted(blocks.max(), "block")
    held = f"{counted(len(trial.strips), 'strip')}, {counted(trials, 'trial')}, {_treatments(trial)}, {span}"
    said = [lead(f"{trial.name}: {held}."), told(f"{capital(yields_text(trial))}.")]
    return [*said, *marked(Kind.NOTE, trial.notes), *map(told, failed(trial.checks))]


def yields_text(trial, *, cited: bool = True) -> str:
    """Say how the yields of a file are taken, with the source of the trade moisture if `cited`."""
    how = "as in the file"
    if trial.standard_moisture_pct is not None:
        as_told = trial.report.loc[trial.report["item"] == "yields", "taken_as"].iloc[0]
        how = f"{as_told}{trade_source(trial.crop)[1] if cited else ''}"
    return f"yields [{trial.yield_unit}] {how}"


def _treatments(trial):
    if trial.rate_columns:
        many = counted(trial.strips["treatment"].nunique(), "combination")
        return f"{many} of rates of {' and '.join(trial.rate_columns)}"
    if not trial.rate_column:
        return f"{counted(trial.strips['treatment'].nunique(), 'treatment')} without rates"
    rates = trial.strips[trial.rate_column].nunique()
    return f"{counted(rates, 'rate')} of {trial.nutrient or 'the product'} [{trial.rate_unit}]"


def yield_points_lines(log) -> list[Line]:
    """Say what was read from a log of harvest points."""
    area, yields = log.points["area_m2"], log.points[log.yield_column]
    good = yields.notna() & (area > 0)
    mean = float(np.average(yields[good], weights=area[good])) if good.any() else np.nan
    hectares = area.sum() / 1e4
    return [lead(
        f"{log.name}: {len(log.points)} points of {log.crop} over {hectares:.2f} ha "
        f"({hectares / ACRE_HA:.2f} ac); mean by area {mean:.1f} {log.yield_unit} at "
        f"{log.standard_moisture_pct:g} % moisture{trade_source(log.crop)[1]}."
    )]  # fmt: skip


# ---- strips compared


def strip_analysis_lines(analysis) -> list[Line]:
    """Say whether the treatments differ, strips in doubt first."""
    of = "" if analysis.treatment == "treatment" else f" of {heading(analysis.treatment)}"
    n = f"{len(analysis.strips)} strips, {len(analysis.means)} treatments{of}"
    said = [told(differ_text(analysis)), told(_span(analysis)), told(f"{n}; {analysis.method}.")]
    if np.isfinite(analysis.lsd):
        said.append(told(f"{letters_text(analysis)}."))
    if analysis.kinds is not None:
        said += [
            row("", f"{r.comparison}: least significant difference {plain(r.lsd)}")
            for r in analysis.kinds.itertuples()
        ]
    return _told_first(analysis.checks, analysis.notes, said)


def differ_text(analysis) -> str:
    """Say whether the treatments differ."""
    if not np.isfinite(analysis.lsd):
        return NO_TEST
    return (
        f"Treatments {_verdict(analysis.p_value, analysis.level)} (p {plain_p(analysis.p_value)}, "
        f"{plain(analysis.error_df)} error degrees of freedom); CV {analysis.cv_pct:.1f}%."
    )


def letters_text(analysis) -> str:
    """Say which rule the letters follow, and how far apart two means must lie by it."""
    rule = {
        "tukey": "Tukey's honestly significant difference", "none": "the least significant difference",
        "protected": "the least significant difference, protected by the F test",
        "holm": "Holm's stepwise probabilities",
    }[analysis.adjust]  # fmt: skip
    near, far = analysis.apart
    if analysis.adjust == "holm":
        return f"Letters: {rule}; no single LSD"
    if np.isinf(near):
        return f"Letters: {rule}; F is not significant, so all means share one"
    span = plain(near) if same(near, far) else f"{plain(near)} to {plain(far)} (depending on the pair)"
    return f"Letters: {rule}; means less than {span} apart share one"


def named(labels, column: str = "treatment") -> str:
    """Name treatments in a sentence: numbers as rates, or with the word for what they are."""
    texts, unit = [show(label) for label in labels], unit_of(column)
    numbers = [text.replace(".", "", 1).isdigit() for text in texts]
    many = "treatments " if len(texts) > 1 else "treatment "
    if all(numbers):
        return f"{joined(texts)} {unit}" if unit else many + joined(texts)
    each = [f"treatment {text}" if n and not unit else text for text, n in zip(texts, numbers, strict=True)]
    return joined(each)


def unit_of(column: str) -> str:
    """Return the unit in the name of a column, '' if there is none."""
    return heading(column).partition("[")[2].rstrip("]")


def joined(texts) -> str:
    """Join texts in a sentence."""
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def equivalence_lines(test) -> list[Line]:
    """Say which treatments are no worse than the check by more than the margin, and which are left open."""
    unit, check = unit_of(test.response), named([test.check], test.treatment)
    margin = f"{plain(test.margin)} {unit}".strip()
    verdicts = {
        "as good": f"as good as {check} within {margin}",
        "no worse": f"no more than {margin} worse than {check}",
        "worse": f"more than {margin} worse than {check}",
        "open": f"neither shown within {margin} of {check} nor worse",
    }  # fmt: skip
    one_sided = f"{100 * (1 - test.level):g}%"
    said = [told(
        f"Each treatment is compared with {check} by one-sided t tests at {one_sided}; margin {margin}."
    )]  # fmt: skip
    for r in test.table.itertuples():
        span = f"{plain(r.low)} to {plain(r.high)} ({100 * (2 * test.level - 1):g}% interval)"
        p = f"p {plain_p(r.p_equivalent if r.verdict == 'as good' else r.p_worse)}"
        said.append(
            told(
                f"{verdicts[r.verdict]}: difference {plain(r.difference)} {unit}, {span}, {p}.",
                capital(named([r.treatment], test.treatment)),
            )
        )
    return said


def _told_first(checks, beside, said) -> list[Line]:
    """Doubtful strips, what was found, and as notes each other thing to know."""
    first = filter(None, [stands_out(checks)])
    return [*map(lead, first), *said, *notes([*beside, *failed(checks[checks["check"].ne(FAR)])])]


def _verdict(p, level):
    return "differ" if below(p, 1 - level) else "do not differ significantly"


def _span(analysis):
    worst, best = analysis.ends
    if best["treatment"] == worst["treatment"]:
        return f"All treatments yield {plain(best['mean'])} in {heading(analysis.response)}."
    low, high = (
        f"{plain(end['mean'])} at {named([end['treatment']], analysis.treatment)}" for end in (worst, best)
    )
    return f"Means of {heading(analysis.response)}: {low} to {high}."


def paired_lines(pairs) -> list[Line]:
    """Say whether two treatments side by side differ."""
    first, second = (named([label], pairs.treatment) for label in (pairs.first, pairs.second))
    ends = f"{plain(pairs.low)} to {plain(pairs.high)}"
    said = [told(
        f"{capital(second)} against {first} in {len(pairs.pairs)} pairs: difference "
        f"{plain(pairs.difference)} ({100 * pairs.level:g}% interval {ends}) in {heading(pairs.response)}."
    )]  # fmt: skip
    if pairs.sd:
        test = f"t = {plain(pairs.t)}, {pairs.df} degrees of freedom, p {plain_p(pairs.p)}"
        said.append(told(f"The two {_verdict(pairs.p, pairs.level)} ({test})."))
    return _told_first(pairs.checks, pairs.notes, said)


def layout_text(trial) -> str:
    """Name a layout of two factors and what lies on what."""
    lie = {
        "split plot": "{} (whole strips) and {} (parts)",
        "strip plot": "{} and {}, each on strips of its own",
        "factorial": "{} and {}, all combinations randomised",
    }[trial.layout].format(trial.names[trial.whole], trial.names[trial.part])  # fmt: skip
    return f"{trial.layout} of {lie} over {trial.block}s"


def two_factor_lines(trial) -> list[Line]:
    """Say which of two factors makes a difference, and whether they add up."""
    names = [without_unit(trial.names[factor]) for factor in (trial.whole, trial.part)]
    mixed = below(trial.interaction_p, 1 - trial.level)
    said = [lead(
        f"The factors interact: compare {names[1]} means at each {names[0]}, not the overall means." if mixed
        else "No significant interaction: each factor is judged by its own means."
    )]  # fmt: skip
    tests = trial.anova.dropna(subset=["p"])
    for r in tests[tests["term"] != trial.block].itertuples():
        makes = "significant" if below(r.p, 1 - trial.level) else "not significant"
        against = f"{plain(r.df)} and {plain(r.error_df)} degrees of freedom against the {r.stratum}"
        test = f"{makes} (F = {plain(r.f)}, p {plain_p(r.p)}); {against}."
        said.append(replace(lead(test), label=trial.names[r.term]))
    said.append(told(f"{capital(layout_text(trial))}; {trial.method}."))
    for name, rows in trial.margins.groupby("factor", sort=False):
        levels = zip(rows["level"], alike(*rows["mean"], digits=4), rows["letters"], strict=True)
        means = ", ".join(f"{show(level)} {mean} {letters}" for level, mean, letters in levels)
        said.append(row(trial.names[name], f"{means} (Tukey letters)"))
    for r in trial.errors.itertuples():
        said.append(row("", f"{r.comparison}: least significant difference {plain(r.lsd)}"))
    return _told_first(trial.checks, trial.notes, said)


def strip_means_lines(means) -> list[Line]:
    """Say what harvest points were averaged to."""
    strips = means.strips
    held = f"{counted(len(strips), 'strip')}, {counted(strips['points'].sum(), 'point')}"
    moisture = strips["stated_moisture_pct"].iloc[0]
    return [
        lead(f"{means.name}: {held}, {strips['area_ha'].sum():.2f} ha; yields at {moisture:g} % moisture."),
        told("Points of one strip are not replicates; compare strips."),
        *notes(failed(means.checks)),
    ]


def cleaned_lines(cleaned) -> list[Line]:
    """Say how many harvest points each step of cleaning took out."""
    first, last = cleaned.steps.iloc[0], cleaned.steps.iloc[-1]
    before, after = (f"{step['weighted_mean']:.1f}" for step in (first, last))
    return [
        lead(f"{cleaned.name}: {last['kept']} of {first['kept']} points kept; mean by area {before} before, "
             f"{after} {cleaned.yield_unit} after."),
        *(row("", f"{s.step}: {s.removed} ({s.rule})") for s in cleaned.steps.iloc[1:].itertuples()),
        *notes(failed(cleaned.checks)),
    ]  # fmt: skip


# ---- trials planned


_WHERE = {
    "blocks": "within blocks", "pairs": "within pairs", "random": "over the whole field",
    "latin": "within rows and columns",
}  # fmt: skip


def layout_lines(plan) -> list[Line]:
    """Say how the strips lie."""
    w, kinds = plan.width_unit, len(set(plan.treatments))
    of = f"{kinds} treatments"
    if kinds < len(plan.treatments):
        of += f" on {len(plan.treatments)} strips"
    border = " A dot stands for a border." if (plan.strips["kind"] == "border").any() else ""
    return [
        lead(f"{DESIGNS[plan.design]}: {of} x {plan.blocks}, seed {plan.seed}."),
        told(f"Strips {plan.strip_width:g} {w} wide ({counted(plan.passes, 'applicator pass')}), the middle "
             f"{plan.harvest_width:g} {w} harvested; the trial takes {plan.width:g} x {plan.length:g} {w}."),
        told(f"{capital(SIDES)}.{border}"),
        *(Line(Kind.SKETCH, row) for row in sketch(plan)),
        *notes([*plan.notes, *failed(plan.checks)]),
    ]  # fmt: skip


def sketch(plan) -> list[str]:
    """Draw the strips in text, left to right as they lie looking the way they are driven, blocks apart."""
    strips = plan.strips
    cell = max(len(show(t)) for t in plan.treatments) + 1
    rows = []
    for start in sorted(strips["start"].unique(), reverse=True):
        # Borders run the whole length, past every tier.
        tier = strips[(strips["start"] == start) | (strips["kind"] == "border")].sort_values("left")
        row, last = "", None
        for strip in tier.itertuples():
            group = strip.kind if strip.kind == "border" else strip.block
            row += " |" if last is not None and group != last else ""
            row += ("·" if strip.kind == "border" else show(strip.treatment)).rjust(cell)
            last = group
        rows.append("  " + row)
    return rows


def power_lines(plan) -> list[Line]:
    """Say how often a true difference would be found."""
    sizes = plan.sizes.set_index("blocks").loc[plan.blocks]
    smallest, found = sizes["smallest_difference_pct"], 100 * sizes["power"]
    said = (
        f"{plan.blocks} blocks of {plan.treatments} treatments: with a CV of "
        f"{plan.cv_pct:g}% ({_cv_of(plan)}) a true difference of {plain(plan.difference_pct)}% of the mean "
        f"is detected in {found:.0f} of 100 trials (two-sided, {100 * plan.alpha:g}%)."
    )
    if not same(plan.difference_pct, smallest):
        said += f" The smallest difference detected in {100 * plan.power:.0f} of 100 is {plain(smallest)}%."
    return [lead(said)]


def _cv_of(plan):
    """Whose CV it is, so that what blocks or pairs take out is not counted twice."""
    if plan.pair_correlation:
        return f"of single strips over the whole field, correlated {plan.pair_correlation:g} within pairs"
    return f"of single strips {_WHERE[plan.design]}"


def expected_lines(expected) -> list[Line]:
    """Say how well each plan would know the optimum."""
    seed = "" if expected.seed is None else f", seed {expected.seed}"
    how = "with the curve known" if expected.known_curve else "by averaging over the curves"
    return [
        lead(
            f"{expected.n} simulated trials of each plan{seed}: {CURVES[expected.curve].label} curve, strips "
            f"with an error of {plain(expected.sd)} {expected.yield_unit} (standard deviation), price ratio "
            f"{plain(expected.price_ratio)} {expected.yield_unit} per {expected.rate_unit}; each is "
            f"analysed {how}."
        ),
        *(told(_of_plan(expected, plan)) for plan in bare_plans(expected).itertuples()),
        told("All this depends on the assumed curve and error."),
    ]


def _of_plan(expected, plan):
    unit, way, true = expected.rate_unit, "above" if plan.bias > 0 else "below", plain(plan.true_optimum)
    parts = [
        f"{capital(plan.plan)} ({plan.strips} strips): the {expected.level:.0%} interval of the economic "
        f"optimum is about {plain(plan.median_width)} {unit} wide (8 of 10 trials: "
        f"{plain(plan.width_p10)} to {plain(plan.width_p90)} {unit})",
        f"it holds the true optimum, {true} {unit}, in {plain(plan.coverage_pct)} of 100 trials",
        f"its upper end is open in {plain(plan.open_pct)} of 100",
        f"no response is found in {plain(plan.no_response_pct)} of 100",
        f"the reported rate averages {plain(abs(plan.bias))} {unit} {way} the true optimum (root mean square "
        f"error {plain(plan.rmse)} {unit})",
    ]
    return "; ".join(parts) + "."


# ---- trials pooled


def estimate_lines(pool) -> list[Line]:
    """Say the estimate over all site-years."""
    unit, of = f" {pool.unit}" if pool.unit else "", f"{pool.quantity}: " if pool.quantity else ""
    span = f"{100 * pool.level:g}% interval {plain(pool.low)} to {plain(pool.high)} ({pool.method})"
    new = f"{plain(pool.prediction_low)} and {plain(pool.prediction_high)}{unit}"
    weighted = f"{of}{pool.k} of {len(pool.sites)} {pool.counts}s weighted"
    said = [
        lead(f"{weighted}: {plain(pool.estimate)}{unit}, {span}."),
        told(
            f"A new {pool.counts} is expected between {new}; {pool.i2_pct:.0f}% of the variation is between "
            f"{pool.counts}s."
        ),
        told(site_intervals(pool)),
    ]
    for r in pool.coefficients.iloc[1:].itertuples():
        ends = f"{plain(r.low)} to {plain(r.high)}"
        said.append(told(f"{plain(r.estimate)} ({ends}), p {plain_p(r.p)}.", r.term))
    return said + notes(failed(pool.checks))


def site_intervals(pool) -> str:
    """Say how the intervals of the single sites were made."""
    known = pool.sites.loc[pool.sites["weight_pct"] > 0, "df"].notna()
    how = "Student's t with the site's error degrees of freedom"
    if not known.any():
        how = "the normal distribution, for want of error degrees of freedom; they may be too narrow"
    elif not known.all():
        how = "Student's t where error degrees of freedom are given, else the normal distribution"
    return f"Intervals of single sites ({100 * pool.level:g}%) by {how}."


def return_lines(pooled) -> list[Line]:
    """Say the rate that pays over all trials."""
    own = pooled.sites[column("own_rate", pooled.rate_unit)]
    shown = ", ".join(f"{count} {word}" for word, count in pooled.sites["status"].value_counts().items())
    span = f"{plain(own.min())} to {plain(own.max())} {pooled.rate_unit}"
    said = f"The trials' own optima: {span}, mean {plain(own.mean())} ({shown}); all are kept."
    return [*pooled_lines(pooled, pooled.doubts), told(said), CAUTIONED]


def pooled_lines(pooled, doubts: list[str]) -> list[Line]:
    """Say what a pool gives; with doubts the verdict, and the rate as a description."""
    unit, count = pooled.rate_unit, len(pooled.sites)
    gain, within = (money_text(x, pooled.money, pooled.area) for x in (pooled.gain, pooled.within))
    if doubts:
        of = f"Their mean net return peaks at {plain(pooled.rate)} {unit}"
        return [
            lead(f"These {count} trials support no common rate."),
            *(told(f"{capital(doubt)}.") for doubt in doubts),
            told(f"{of}; do not use it on other fields."),
        ]
    ends = f"{LEVEL:.0%} interval {money_text(pooled.gain_low)} to {money_text(pooled.gain_high)}"
    more = f"{gain} above the lowest rate ({ends})"
    more = more if pooled.gain > 0 else "the lowest rate; on average no other pays"
    first = f"Over {count} trials mean net return is highest at {plain(pooled.rate)} {unit}, {more}."
    said = [lead(first)]
    if pooled.within > 0:
        cut = " (the highest tested)" if at_least(pooled.within_high, pooled.highest_rate) else ""
        by = f" ({pooled.within_by})" if pooled.within_by else ""
        said.append(told(
            f"From {plain(pooled.within_low)} to {plain(pooled.within_high)} {unit}{cut} it loses at most "
            f"{within}{by}."
        ))  # fmt: skip
    return said + _resampled(pooled)


def against_lines(pooled) -> list[Line]:
    """Say what the best rate of a pool returns over others that were asked for."""
    return [told(_over(pooled, row)) for row in pooled.against.itertuples()]


def _over(pooled, row) -> str:
    sites, net = len(pooled.sites), money_text(abs(row.net), pooled.money, pooled.area)
    ends = f"{LEVEL:.0%} interval {money_text(row.net_low)} to {money_text(row.net_high)}"
    more = f"returns {net} {'more' if row.net >= 0 else 'less'} on the mean of {sites} sites"
    lost = f"it returns less at {row.sites_losing} of them" if row.sites_losing else "it returns less at none"
    return f"Against {plain(row.over)} {pooled.rate_unit}: {plain(row.rate)} {more} ({ends}); {lost}."


def _resampled(pooled):
    if not np.isfinite(pooled.interval_low):
        return []
    opened = ", open above" if pooled.interval_open else ""
    high = f"{'> ' * pooled.interval_open}{plain(pooled.interval_high)} {pooled.rate_unit}"
    between = f"lie between {plain(pooled.interval_low)} and {high}"
    between = between if below(pooled.interval_low, pooled.interval_high) else f"be {high} again"
    return [told(
        f"In similar trials the best rate would {between} (95% of resampled sets of trials{opened})."
    )]  # fmt: skip
