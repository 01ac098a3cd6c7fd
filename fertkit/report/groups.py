"""The answer for a trial with a second factor or zones: curves by group, and the worth of a rate for each."""

from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_share, a_text, amounts, asks, by_name, zero_or_more
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section
from fertkit.report.trial import in_currency, notes_of, trial_rows
from fertkit.response.grouping import strips_through
from fertkit.response.groups import GroupedResponse, compare_groups
from fertkit.response.optimum import status_in_words
from fertkit.response.prices import area_of, money_axis, money_unit
from fertkit.results import heading, records
from fertkit.say import groups as say
from fertkit.say.advice import OF_ONE_TRIAL, nutrient_cautions
from fertkit.say.line import notes


@dataclass(frozen=True)
class GroupsAnswer(Answer):
    """What the kit says about one trial with groups.

    Attributes
    ----------
    name, nutrient, crop : str
        Nutrient and crop "" where the file does not say.
    groups : GroupedResponse
    sources : DataFrame
    notes : tuple of str
        What the reader of the file should know.
    against : tuple of float
        Rates that each optimum is held against, the usual one first.
    recipe : Recipe or None
        What asks for it again.
    """

    name: str
    nutrient: str
    crop: str
    groups: GroupedResponse
    sources: pd.DataFrame
    notes: tuple[str, ...] = ()
    against: tuple[float, ...] = ()
    recipe: object = None

    @property
    def trials(self) -> dict:
        """The analysis of each group, by the names of trial and group."""
        return {f"{self.name}, {group}": one for group, one in self.groups.analyses.items()}

    @cached_property
    def worths(self) -> dict:
        """Rates against others by group, where any were asked for."""
        each = self.groups.analyses.items() if self.against else ()
        return {name: one.worth(self.against) for name, one in each}

    @property
    def table(self) -> pd.DataFrame:
        """Optima and their gains by group, what differs, what one rate costs: the tidy table of an answer."""
        unit, currency = self.groups.rate_unit, self.groups.prices.currency
        area = money_unit(currency, area_of(self.groups.yield_unit))
        by_group = (row for name, one in self.trials.items() for row in parts.response_rows(name, one))
        apart = (
            (
                self.name,
                f"optimum of {r.second} minus optimum of {r.first}",
                r.difference,
                r.low,
                r.high,
                unit,
                "",
            )
            for r in records(self.groups.differences)
        )
        net = self.groups.net_of_groups
        money = [(self.name, f"net gain of a rate for each {self.groups.factor} over one", *net, area, "")]
        common = parts.plain_rows(self.name, [("common rate", self.groups.common_rate, unit, "")])
        worths = (row for name, one in self.worths.items()
                  for row in parts.worth_rows(f"{self.name}, {name}", one))  # fmt: skip
        return parts.tidy(by_group, apart, common, money, worths)

    @property
    def checks(self) -> pd.DataFrame:
        return parts.checks_of({"groups": self.groups, **self.groups.analyses})

    def plot(self, ax=None, **options):
        """Draw the curves by group."""
        return self.groups.plot(ax, **options)

    @property
    def title(self) -> str:
        return f"{self.name}: response by {self.groups.factor}"

    @property
    def lead(self) -> list:
        return say.brief_lines(self)

    @property
    def sections(self) -> list[Section]:
        do, leave = say.advice(self.groups)
        cautions = (OF_ONE_TRIAL, *nutrient_cautions(self.nutrient)[0])
        return [
            Section("Advice", do=do, leave=leave, cautions=cautions),
            *map(lambda make: make(self.groups), (_optima_section, _differences_section, _curves_section)),
            *(parts.worth_section(one, f", {name}") for name, one in self.worths.items()),
            _trust_section(self),
        ]


@asks(
    trial=parts.STRIPS, by=a_header, nutrient_price=amounts, grain_price=amounts, currency=a_text,
    level=a_share, name=a_text, against=amounts, before=parts.BEFORE,
    shares=by_name(zero_or_more, "not areas by group", "Give a dict of areas"),
)  # fmt: skip
def answer_groups(
    trial, by, *, nutrient_price, grain_price, currency="", name=None, level=0.95, shares=None, against=None,
    before=None,
) -> GroupsAnswer:  # fmt: skip
    """Answer for one trial with a second factor or zones.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of one trial; ask for one of several by `name`.
    by : str
        Column of the groups.
    nutrient_price, grain_price, currency, name, against, before
        See `fertkit.report.answer_trial`.
    level, shares
        See `fertkit.response.compare_groups`.

    Raises
    ------
    FertkitError
        If there are several trials and none is named, or the groups cannot be compared.

    Examples
    --------
    Two hybrids, half a bushel to either side of a curve (invented):

    >>> from fertkit.report import answer_groups
    >>> import pandas as pd
    >>> trial = pd.DataFrame([
    ...     (hybrid, x, 48 + 0.2 * x - c * x**2 + d)
    ...     for hybrid, c in (("A", 0.001), ("B", 0.0005))
    ...     for d in (-0.5, 0.5) for x in (0, 50, 100, 150, 200)
    ... ], columns=["hybrid", "rate_lb_ac", "yield_bu_ac"])
    >>> answer = answer_groups(trial, "hybrid", nutrient_price=0.4, grain_price=10, name="North")
    >>> answer.title
    'North: response by hybrid'
    """
    given, table, called, facts = trial_rows(trial, name)
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price}
    if before is None:
        strips = strips_through(table, by, trial.rate_column) if given is not table else None
        if strips is not None:
            given = trial.with_strips(table.assign(through=strips))
        cluster = None if strips is None else "through"
        groups = compare_groups(given, by, **prices, level=level, shares=shares, cluster=cluster)
    else:
        groups = before.groups.at_prices(**prices)
    groups = in_currency(groups, currency)
    return GroupsAnswer(
        name=called, **facts, groups=groups,
        sources=parts.citations([trial, groups], facts["nutrient"]), notes=notes_of(given),
        against=() if against is None else tuple(map(float, np.atleast_1d(against))),
    )  # fmt: skip


# ---- sections


def _optima_section(groups):
    lost = money_axis("lost at the common rate", groups.prices.currency, area_of(groups.yield_unit))
    table = groups.groups.assign(status=groups.groups["status"].map(status_in_words))
    columns = {
        "group": groups.factor, "strips": "strips", "share": "share of the area",
        "rate": f"economic optimum [{groups.rate_unit}]", "text": f"{groups.level:.0%} interval",
        "status": "status",
        "cost": lost, "cost_low": "at least", "cost_high": "at most",
    }  # fmt: skip
    return Section(
        f"Which rate paid best by {groups.factor}?", figure=groups.plot, figure_says=say.common_rate(groups),
        tables=(
            parts.pick(f"Optima by {groups.factor}", table, columns),
            *(parts.curves_table(one, f", {name}") for name, one in groups.analyses.items()),
        ),
    )  # fmt: skip


def _differences_section(groups):
    columns = {"first": "from", "second": "to", "difference": f"difference [{groups.rate_unit}]",
               "text": f"{groups.level:.0%} interval [{groups.rate_unit}]"}  # fmt: skip
    lines = say.differences(groups)
    return Section(
        "How different are the optima?", lines=lines, figure=partial(_draw_differences, groups),
        figure_says=" ".join(lines),
        tables=(parts.pick("Differences between optima", groups.differences, columns),),
    )  # fmt: skip


def _draw_differences(groups, ax=None, **options):
    from fertkit.plots.groups import optimum_differences  # matplotlib, when a page is made

    return optimum_differences(groups, ax, **options)


def _curves_section(groups):
    models = {"label": "curve", "structure": "structure", "k": "parameters", "rss": "residual sum of squares",
              "aicc": "AICc", "delta": "above the lowest", "f": "F", "df1": "df", "df2": "error df",
              "p": "p"}  # fmt: skip
    yields = {"first": "from", "second": "to", "difference": f"difference in yield [{groups.yield_unit}]",
              "low": "at least", "high": "at most", "df": "df", "p": "p"}  # fmt: skip
    shown = {"group": groups.factor, "curve": "curve", "param": "parameter", "estimate": "estimate",
             "se": "standard error", "unit": "unit"}  # fmt: skip
    return Section(
        "Do the curves differ?", lines=(*say.curves(groups), *say.levels(groups)),
        tables=(
            parts.pick("Common, parallel or separate curves", groups.models, models),
            *([] if groups.shapes_differ else [parts.pick("Yields at the same rate", groups.levels, yields)]),
            parts.pick(f"Parameters by {groups.factor}", groups.parameters, shown),
        ),
    )  # fmt: skip


def _trust_section(answer):
    each = {name: one.strips for name, one in answer.groups.analyses.items()}
    frame = pd.concat(each, names=[answer.groups.by, None]).reset_index(0)
    named = {column: heading(column) for column in frame}
    tables = (parts.checks_table(answer.checks), parts.pick("The strips", frame, named))
    lines = (*say.ground_lines(answer.groups), *notes(answer.notes))
    links = parts.script_link(answer)
    return Section(parts.RELIABLE, lines=lines, tables=tables, links=links)
