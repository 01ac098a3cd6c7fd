"""From points to strips: what was left out, how strips, blocks and zones were made, what the trial says."""

from dataclasses import replace

from fertkit.results import counted, plain
from fertkit.say.groups import grouped_lines, verdict
from fertkit.say.line import Kind, Line, lead, notes, row, told

NO_REPLICATES = "Points are not replicates; strips are compared."


def joined_lines(joined) -> list[Line]:
    """Say how many points became how many strips, and what each step left out."""
    first, last = joined.audit.iloc[0], joined.audit.iloc[-1]
    size = joined.strips["points"]
    low, high = size.min(), size.max()
    between = f"{low if low == high else f'{low} to {high}'} points each"
    return [
        lead(
            f"{joined.name} on {joined.map_name}: {last['kept']} of {first['kept']} points kept, in "
            f"{counted(len(joined.strips), 'strip')} of {counted(len(joined.levels), 'level')} "
            f"({', '.join(joined.levels)}), {between}."
        ),
        told(NO_REPLICATES),
        Line(Kind.HEAD, "Left out"),
        *steps_text(joined),
        told(moisture_text(joined)),
        *notes(joined.remarks),
    ]


def steps_text(joined) -> list[Line]:
    """Say what each step left out, where it did."""
    steps = joined.audit.iloc[1:]
    return [
        row(step.step, f"{step.removed} ({plain(step.removed_pct, 2)}%): {step.rule}; mean then "
            f"{step.weighted_mean:.1f} {joined.yield_unit}.")
        for step in steps[steps["removed"] > 0].itertuples()
    ]  # fmt: skip


def moisture_text(joined) -> str:
    """Say at which moistures strips were harvested and to which their yields were brought."""
    wet, standard = joined.strips["harvest_moisture_pct"], joined.strips["stated_moisture_pct"].iloc[0]
    between = " to ".join(dict.fromkeys(plain(x) for x in (wet.min(), wet.max())))
    return f"Harvest moisture {between} %; yields are at {standard:g} %."


def points_answer_lead(answer) -> list[Line]:
    """Say the answer of the trial, and a sentence each of the zones and the points."""
    said = [*answer.trial.lead]
    if answer.groups is not None:
        said.append(told(verdict(answer.groups)))
    return [*said, replace(joined_lines(answer.joined)[0], kind=Kind.TEXT)]


def points_answer_lines(answer) -> list[Line]:
    """Say the answer of the trial, then of the zones, then how points became strips."""
    said = answer.trial.lines()
    if answer.groups is not None:
        first, *rest = grouped_lines(answer.groups)
        said += [Line(Kind.HEAD, "By zone"), replace(first, kind=Kind.TEXT), *rest]
    elif answer.no_groups:
        said.append(Line(Kind.MISSING, f"{answer.no_groups}.", "By zone, not compared"))
    first, *rest = joined_lines(answer.joined)
    return [*said, replace(first, kind=Kind.TEXT), *rest]
