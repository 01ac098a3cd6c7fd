"""The answer for a field from what there is of it: needs, season, leaf tests, strips, what carries over."""

from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import pandas as pd

from fertkit import asked
from fertkit.budget.ledger import SeasonBook
from fertkit.budget.needs import NutrientBudget
from fertkit.budget.season import SeasonDemand
from fertkit.budget.targets import Targets
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section
from fertkit.report.sheet import Sheet, Words
from fertkit.response.analyse import ResponseAnalysis
from fertkit.response.prices import money_unit
from fertkit.results import capital, records
from fertkit.say import answers as say
from fertkit.say.advice import LIMITS, ONE_TRIAL, field_advice, nutrient_cautions
from fertkit.say.leaf_results import finding, value_text
from fertkit.say.line import Kind, but_deferring
from fertkit.say.sheet import MOST_WORDS, TRIAL_FIGURE, figure_says, sheet_head, sheet_lines
from fertkit.say.sheet import words as count
from fertkit.tissue.explanation import Explanation
from fertkit.tissue.score import TissueScores
from fertkit.writing import named, plain_letters, write_whole


@dataclass(frozen=True)
class FieldAnswer(Answer):
    """What the kit says about one field, from what there is of it.

    Attributes
    ----------
    name, crop : str
        "" where no file names them.
    budget : NutrientBudget or None
        None without a yield goal.
    season : SeasonDemand or None
        None where no points of the season are published for the crop.
    scores : TissueScores or None
        Leaf tests of the field.
    explanation : Explanation or None
        Of the newest of them.
    soil : DataFrame or None
        Soil tests of the field (``SoilTests.levels``).
    targets : Targets or None
        Classes of the tests and rates for the goal, by the systems that carry the crop; without a goal the
        classes alone are shown.
    facts : dict
        What the soil test tells an explanation.
    trials : dict of str to ResponseAnalysis
        Strip trials by name.
    applied : str
        Nutrient of the strip trials as the file names it (K2O, N), or "" where it does not say.
    carried : dict of str to SeasonBook
        By trial: the economic optimum applied once, the yield the strips give at it removed, and what stays,
        in the unit of the budget. Empty where the file does not name N, P2O5 or K2O, or no removal is told.
    notes : tuple of str
        What the reader of the files should know: samples of other crops left out, columns not used, a yield
        far from the goal.
    words : Words
        What the writer of the sheet adds to it.
    """

    name: str = ""
    crop: str = ""
    budget: NutrientBudget | None = None
    season: SeasonDemand | None = None
    scores: TissueScores | None = None
    explanation: Explanation | None = None
    soil: pd.DataFrame | None = None
    targets: Targets | None = None
    facts: dict = field(default_factory=dict)
    trials: dict[str, ResponseAnalysis] = field(default_factory=dict)
    applied: str = ""
    carried: dict[str, SeasonBook] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    words: Words = field(default_factory=Words)

    @property
    def results(self) -> list:
        """What the answer is made of."""
        parts = self.explanation, *self.trials.values(), self.budget, self.season, self.scores, self.targets
        return [part for part in parts if part is not None]

    @property
    def table(self) -> pd.DataFrame:
        """Every number of the answer: about, item, value, low, high, unit, remark."""
        needs = (
            () if self.budget is None else self.budget.defaults.assign(field="needs", unit=self.budget.unit)
        )
        trials = (parts.response_rows(*trial) for trial in self.trials.items())
        books = (_carried_rows(*book) for book in self.carried.items())
        leaf = () if self.explanation is None else _leaf_rows(self.explanation)
        return parts.tidy(parts.needs_rows(needs) if len(needs) else (), leaf, *trials, *books)

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of the trials; `about` names the trial."""
        return parts.checks_of(self.trials)

    @property
    def _applied(self):
        """What is given to which crop for which harvest, of which the cautions speak."""
        return self.applied, self.crop, "" if self.budget is None else self.budget.part

    @property
    def sources(self) -> pd.DataFrame:
        """Citations of every number used."""
        return parts.citations(self.results, *self._applied)

    @property
    def title(self) -> str:
        return capital(", ".join(filter(None, [self.name, self.crop]))) or "Field"

    @property
    def sheet(self) -> Sheet:
        """The answer as a grower reads it."""
        head = sheet_head(self)
        room = MOST_WORDS - sum(map(count, (self.title, *chain(*head))))
        says = figure_says(self)
        lines = tuple(sheet_lines(self, room))
        return Sheet(head, lines, self.plot if says else None, says, self.words)

    @property
    def sections(self) -> list[Section]:
        (do, leave), (cautions, _) = field_advice(self), nutrient_cautions(*self._applied)
        advice = Section("Advice", do=do, leave=leave, cautions=(*LIMITS, *cautions))
        read = Section("What was read and left out", lines=[capital(text) for text in self.notes])
        leaf = (
            ()
            if self.scores is None
            else (_leaf_section(self.scores), _explanation_section(self.explanation))
        )
        return [
            advice,
            *([] if self.budget is None else [_needs_section(self.budget)]),
            *([] if self.season is None else [_season_section(self.season)]),
            *leaf,
            *([] if self.soil is None else [_soil_section(self)]),
            *(_trial_section(name, trial, self) for name, trial in self.trials.items()),
            *([read] if self.notes else []),
        ]

    @asked.asks(path=asked.a_path)
    def write_page(self, path) -> Path:
        """Write the page, whole or not at all; in a folder under the name of the field."""
        path = Path(path)
        if path.is_dir():
            path = path / page_name(self)
        return write_whole(self.page(), named(path, ".html"))


def page_name(answer) -> str:
    """Name of the file of a field's page."""
    return f"{plain_letters(answer.name) or 'field'}.html"


# ---- rows of the tidy table


def _leaf_rows(explanation):
    """What is short in the leaf: the value as measured, how sure it is and what was found."""
    for row in records(explanation.items):
        item = f"{row.label}, {row.nutrient}", row.value, row.unit, f"{row.confidence}: {finding(row)}"
        yield from parts.plain_rows("leaf", [item])


def _carried_rows(name, book):
    """What is applied, removed and left after the season; cost per acre or hectare."""
    amounts = {"applied": book.applied, "removed": book.removed, "balance": book.balance}
    rows = [(f"{book.nutrient} {what}", amount, book.unit, "") for what, amount in amounts.items()]
    money = money_unit("", book.unit.partition("/")[2])
    return parts.plain_rows(name, (*rows, (f"{book.nutrient} cost", book.cost, money, "")))


# ---- sections


def _needs_section(budget):
    unit = budget.unit
    names = {
        "nutrient": "nutrient", "uptake": f"taken up [{unit}]", "counted": "which is",
        "removed": f"removed [{unit}]", "share": "share removed [%]", "stays": f"stays [{unit}]",
        "uptake_source": "source of uptake", "removed_source": "source of removal",
        "provenance": "provenance",
    }  # fmt: skip
    rows = budget.defaults.assign(share=100 * budget.defaults["share_removed"])
    return Section(
        "Nutrient needs and removal", lines=(*_of_kind(budget.lines(), Kind.PRACTICE), *budget.notes),
        figure=budget.plot, figure_says=say.needs_text(budget),
        tables=(parts.pick("Needs and removal", rows, names),),
    )  # fmt: skip


def _season_section(season):
    lines = season.lines()
    by_nutrient = (f"{line.label} {line.text}." for line in lines if line.label in say.MAIN)
    return Section(
        "When it needs it", lines=(*by_nutrient, *_of_kind(lines, Kind.SOURCE)), figure=season.plot,
        figure_says=" ".join([say.SEASON_FIGURE, *(line.plain for line in _of_kind(lines, Kind.NOTE))]),
    )  # fmt: skip


def _of_kind(lines, *kinds):
    return [line for line in lines if line.kind in kinds]


def _leaf_section(scores):
    """Scores; a value known only to lie below or above a limit keeps its sign in the table."""
    names = {
        "label": "sample", "nutrient": "nutrient", "value": "value", "unit": "unit", "class": "class",
        "low": "range from", "high": "range to", "critical": "critical", "critical_high": "critical to",
        "probability_below": "chance below the limit, p", "source_key": "source", "provenance": "provenance",
        "confidence": "confidence",
    }  # fmt: skip
    rows = scores.table[scores.table["class"].isin(["deficient", "low", "high", "excessive"])]
    values = [r.value if r.censored == "" else value_text(r) for r in records(rows)]
    rows = rows.assign(value=pd.Series(values, index=rows.index, dtype=object))
    lines = scores.lines()
    return Section(
        "Is it running short now?",
        lines=[f"{capital(line.plain)}." for line in _of_kind(lines, Kind.MISSING, Kind.QUESTION)],
        figure=scores.plot,
        figure_says=" ".join(f"{line.plain}." for line in _of_kind(lines, Kind.LEAD)),
        tables=(parts.pick("Results outside a published range", rows, names),) if len(rows) else (),
        cautions=[f"{capital(line.text)}." for line in _of_kind(lines, Kind.CAUTION)],
    )  # fmt: skip


def _explanation_section(explanation):
    with_scores = (Kind.MISSING, Kind.QUESTION)
    lines = [line for line in but_deferring(explanation.lines()) if line.kind not in with_scores]
    return Section("Likely causes and options", lines=lines)


def _soil_section(answer):
    """Tests as read, and what each system that carries the crop makes of them."""
    names = {
        "zone": "zone", "analyte": "test", "value": "value", "unit": "unit", "extractant": "extractant",
        "depth_in": "depth [in]", "sampled": "sampled", "n": "points", "sd": "standard deviation",
    }  # fmt: skip
    tables, lines = [parts.pick("Soil tests", answer.soil, names)], ()
    if answer.targets is not None:
        goal = answer.budget is not None
        lines = answer.targets.lines() if goal else ()
        names = {
            "nutrient": "nutrient", "title": "system", "status": "status", "soil_class": "class",
            "critical": "critical level", "limit": "maintenance limit", "test_unit": "unit",
        } | ({"rate_lb_ac": "rate [lb/ac]"} if goal else {}) | {
            "why_not": "why not", "source_key": "source", "provenance": "provenance",
        }  # fmt: skip
        tables.append(parts.pick("Systems of soil tests", answer.targets.systems, names))
    return Section("What the soil test says", lines=lines, tables=tuple(tables))


def _trial_section(name, trial, answer):
    carried = (f"Carries over: {say.carried_text(answer.carried[name])}.",) if name in answer.carried else ()
    return Section(
        f"Would more have paid? {name}", lines=(*trial.lines(), *carried), figure=trial.plot,
        figure_says=TRIAL_FIGURE,
        tables=(parts.curves_table(trial, f": {name}"),), cautions=(ONE_TRIAL,),
    )  # fmt: skip
