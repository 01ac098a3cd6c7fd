"""Strips compared: blocks, pairs, split plots, strip means and the cleaning of harvest points."""

import numpy as np

from fertkit.results import counted, failed, plain, plain_p
from fertkit.rounding import below
from fertkit.say.line import Line, lead, notes, row, told
from fertkit.trials.arrange import show, spoken
from fertkit.trials.diagnose import FAR, stands_out


def analysis_lines(analysis) -> list[Line]:
    """Say whether the treatments differ, strips in doubt first."""
    n = f"{len(analysis.strips)} strips, {len(analysis.means)} treatments of {spoken(analysis.treatment)}"
    said = [told(f"{n}; {analysis.method}."), told(_span(analysis))]
    if np.isfinite(analysis.lsd):
        said.append(told(
            f"Treatments {_verdict(analysis.p_value, analysis.level)} (p {plain_p(analysis.p_value)}, "
            f"{plain(analysis.error_df)} error degrees of freedom); a single difference below "
            f"{plain(analysis.lsd)} is within the noise; CV {analysis.cv_pct:.1f} %."
        ))  # fmt: skip
    return _told_first(analysis.checks, analysis.notes, said)


def _told_first(checks, beside, said) -> list[Line]:
    """Doubtful strips, what was found, and as notes each other thing to know."""
    first = filter(None, [stands_out(checks)])
    return [*map(lead, first), *said, *notes([*beside, *failed(checks[checks["check"].ne(FAR)])])]


def _verdict(p, level):
    return "differ" if below(p, 1 - level) else "cannot be told apart"


def _span(analysis):
    worst, best = analysis.ends
    if best["treatment"] == worst["treatment"]:
        return f"Every treatment yields the same, {plain(best['mean'])} in {spoken(analysis.response)}."
    low, high = (f"{plain(end['mean'])} at {show(end['treatment'])}" for end in (worst, best))
    return f"Means of {spoken(analysis.response)} run from {low} to {high}."


def paired_lines(pairs) -> list[Line]:
    """Say whether two treatments side by side differ."""
    said = [told(
        f"{show(pairs.second)} against {show(pairs.first)} in {len(pairs.pairs)} pairs: difference "
        f"{plain(pairs.difference)} ({100 * pairs.level:g} % interval {plain(pairs.low)} to "
        f"{plain(pairs.high)}) in {spoken(pairs.response)}."
    )]  # fmt: skip
    if pairs.sd:
        test = f"t = {plain(pairs.t)}, {pairs.df} degrees of freedom, p {plain_p(pairs.p)}"
        said.append(told(f"The two {_verdict(pairs.p, pairs.level)} ({test})."))
    return _told_first(pairs.checks, pairs.notes, said)


def split_plot_lines(trial) -> list[Line]:
    """Say which factor of a split plot makes a difference."""
    tests = trial.anova.dropna(subset=["p"])
    tests = tests[tests["term"] != trial.block]
    said = [told(f"Split plot of {trial.whole} (whole strips) and {trial.part} (parts) over {trial.block}s.")]
    for r in tests.itertuples():
        makes = "makes" if below(r.p, 1 - trial.level) else "cannot be shown to make"
        said.append(told(f"{makes} a difference (F = {plain(r.f)}, p {plain_p(r.p)})", r.term))
    return _told_first(trial.checks, (), said)


def strip_means_lines(means) -> list[Line]:
    """Say what harvest points were averaged to."""
    strips = means.strips
    held = f"{counted(len(strips), 'strip')}, {counted(strips['points'].sum(), 'point')}"
    moisture = strips["stated_moisture_pct"].iloc[0]
    return [
        lead(f"{means.name}: {held}, {strips['area_ha'].sum():.2f} ha; yields at {moisture:g} % moisture."),
        told("Points of one strip are no replicates: compare the strips."),
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
