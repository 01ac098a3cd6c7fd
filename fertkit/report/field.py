"""The answer for one field: needs, season, leaf tests, strip trials, optimum rate, what carries over."""

from dataclasses import dataclass, replace

import pandas as pd

from fertkit import asked
from fertkit.budget.ledger import NUTRIENTS as CARRIED
from fertkit.budget.ledger import Ledger, season_book
from fertkit.budget.needs import NutrientBudget, nutrient_budget
from fertkit.budget.season import SeasonDemand, season_demand
from fertkit.budget.yields import amount_unit
from fertkit.errors import NotEstimable
from fertkit.intake.conditions import KEPT
from fertkit.intake.leaf import read_tissue
from fertkit.intake.strips import StripTrial, read_strips
from fertkit.reference.crops import bushel_lb, is_known
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section
from fertkit.report.trial import analyse_each
from fertkit.response.analyse import ResponseAnalysis
from fertkit.results import capital
from fertkit.say import answers as say
from fertkit.say.advice import LIMITS, ONE_TRIAL, field_advice, nutrient_cautions
from fertkit.say.leaf_results import finding, value_text
from fertkit.say.line import Kind
from fertkit.say.response import optimum_text
from fertkit.tissue.explanation import Explanation, explain
from fertkit.tissue.own_names import crop_or_own
from fertkit.tissue.score import TissueScores, as_scored, score_tissue
from fertkit.units import convert_area_rate, mass_kg


@dataclass(frozen=True)
class FieldAnswer(Answer):
    """What the kit says about one field.

    Attributes
    ----------
    budget : NutrientBudget
    season : SeasonDemand or None
        None where no points of the season are published for the crop.
    scores : TissueScores
        Leaf tests of this crop.
    explanation : Explanation
    trials : dict of str to ResponseAnalysis
        Strip trials by name.
    applied : str
        Nutrient of the strip trials as the file names it (K2O, N), or "" where it does not say.
    carried : dict of str to Ledger
        By trial: the economic optimum applied once, the yield the strips give at it removed, and what stays,
        in the unit of the budget. Empty where the file does not name N, P2O5 or K2O, or no removal is told.
    notes : tuple of str
        What the reader of the files should know: samples of other crops left out, columns not used, a yield
        far from the goal.
    """

    budget: NutrientBudget
    season: SeasonDemand | None
    scores: TissueScores
    explanation: Explanation
    trials: dict[str, ResponseAnalysis]
    applied: str
    carried: dict[str, Ledger]
    notes: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """Every number of the answer: about, item, value, low, high, unit, remark."""
        needs = self.budget.defaults.assign(field="needs", unit=self.budget.unit)
        trials = (parts.response_rows(*trial) for trial in self.trials.items())
        books = (_carried_rows(*book) for book in self.carried.items())
        return parts.tidy(parts.needs_rows(needs), _leaf_rows(self.explanation), *trials, *books)

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of the trials; `about` names the trial."""
        return parts.checks_of(self.trials)

    def plot(self, ax=None, **options):
        """Draw the response of the first trial."""
        return next(iter(self.trials.values())).plot(ax, **options)

    @property
    def _applied(self):
        """What is given to which crop for which harvest, of which the cautions speak."""
        return self.applied, self.budget.crop, self.budget.part

    @property
    def sources(self) -> pd.DataFrame:
        """Citations of every number used."""
        results = [self.budget, self.season, self.scores, self.explanation, *self.trials.values()]
        return parts.citations(results, *self._applied)

    @property
    def title(self) -> str:
        return f"{self.budget.crop.capitalize()}: what it needs, what the leaf says, what the strips say"

    @property
    def sections(self) -> list[Section]:
        (do, leave), (cautions, _) = field_advice(self), nutrient_cautions(*self._applied)
        return [
            Section("What to do, and what not", do=do, leave=leave, cautions=cautions),
            _needs_section(self.budget),
            *([] if self.season is None else [_season_section(self.season)]),
            _leaf_section(self.scores),
            _explanation_section(self.explanation),
            *(_trial_section(name, trial, self) for name, trial in self.trials.items()),
        ]


@asked.asks(
    **parts.PRICED, crop=asked.a_word, goal=asked.a_number, goal_unit=asked.a_word, leaf=asked.a_file,
    strips=asked.either(asked.a_file, parts.STRIPS), ranges=asked.a_table_or_path, stage=asked.a_text,
    part=asked.a_text, unit=asked.a_word, columns=asked.headers_by_role, real_yields=asked.a_flag,
    studies=asked.a_dict, leaf_studies=asked.a_dict,
)  # fmt: skip
def answer_field(
    crop, goal, goal_unit=None, *, leaf, strips, nutrient_price, grain_price, ranges=None, stage=None,
    part=None, unit=None, columns=None, real_yields=False, currency="", seed=0, studies=None,
    leaf_studies=None,
) -> FieldAnswer:  # fmt: skip
    """Answer for one field: needs, season, leaf tests, strip trials, optimum rate, what carries over.

    Parameters
    ----------
    crop : str
    goal : float
        Yield goal [`goal_unit`].
    goal_unit : str, optional
        As for `fertkit.budget.nutrient_budget`.
    leaf : path or buffer
        Laboratory file; its samples of `crop` are scored. `crop` fills a blank and replaces a word that is
        not known, where the line names no other known crop.
    strips : path, buffer or StripTrial
        Strip file of one or more trials of one nutrient, or its strips as `fertkit.read_strips` gives them.
    nutrient_price, grain_price : float
        Price per mass unit of the rate column and of the yield column.
    unit : {'lb/ac', 'kg/ha'}, optional
        Unit of the nutrient amounts; the one that goes with `goal_unit` if None.
    ranges : path or DataFrame, optional
        Sufficiency ranges of the user's own instead of the bundled ones.
    stage, part : str, optional
        Growth stage and plant part of the leaf where the file states none; a part with or without petiole
        completes one that leaves it open.
    columns : dict, optional
        Role -> header of the strip file, as `fertkit.read_strips` takes it.
    real_yields : bool
        Zeros and very low yields of a strip file were measured, as `fertkit.read_strips` takes it.
    currency : str
        Name of the money, for labels.
    seed : int
        Seed of the resampling.
    studies, leaf_studies : dict, optional
        Whose tables decide on needs and season, and on leaf tests: source, without, region and own, as
        `fertkit.reference.profiles.read_profile` gives them.

    Returns
    -------
    FieldAnswer

    Raises
    ------
    FertkitError
        If a file or a price cannot be used, or the laboratory file holds no sample of the crop.

    Examples
    --------
    >>> from fertkit.report import answer_field
    >>> from io import StringIO
    >>> leaf = "Sample,Crop,Stage,Part,K %\\nNorth,soybean,R2,trifoliate,1.31\\n"
    >>> yields = [47.5, 51.5, 55.5, 56.5, 48.5, 52.5, 56.5, 57.5]
    >>> rows = zip([1] * 4 + [2] * 4, [0, 40, 80, 120] * 2, yields)
    >>> strips = "block,K2O lb/ac,yield bu/ac\\n" + "".join(f"{b},{x},{y}\\n" for b, x, y in rows)
    >>> answer = answer_field("soybean", 60, leaf=StringIO(leaf), strips=StringIO(strips),
    ...                       nutrient_price=0.45, grain_price=11.0)
    >>> answer.applied, answer.budget.crop
    ('K2O', 'soybean')
    """
    budget = nutrient_budget(crop, goal, goal_unit, unit=unit or amount_unit(goal_unit), **studies or {})
    samples = read_tissue(leaf, crop=crop, stage=stage, part=part)
    scores = score_crop(samples, budget.crop, ranges, **leaf_studies or {})
    if not isinstance(strips, StripTrial):
        known = budget.crop if is_known(budget.crop) else None
        strips = read_strips(strips, crop=known, columns=columns, real_yields=real_yields)
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price, "currency": currency}
    trials, refused = analyse_each(strips, **prices, seed=seed)
    if refused:
        raise NotEstimable("\n".join(f"trial {name}: {why}" for name, why in refused.items()))
    carried, shown = {}, budget.defaults
    if (
        strips.nutrient in CARRIED
        and shown.loc[shown["nutrient"] == strips.nutrient, "removed"].notna().any()
    ):
        carried = {
            name: _carried(budget, strips.nutrient, analysis, nutrient_price, studies or {})
            for name, analysis in trials.items()
        }
    notes = [*_left_out(samples, scores), *_fields(scores), *_of_leaf(samples, scores), *_of_strips(strips)]
    notes += _far_from_goal(budget, trials)
    season = _season(crop, goal, goal_unit, budget.unit, studies or {})
    return FieldAnswer(
        budget, season, scores, explain(scores), trials, strips.nutrient, carried, tuple(notes)
    )


def score_crop(samples, crop: str, ranges=None, **studies) -> TissueScores:
    """Score the samples of one crop in a laboratory file; `studies` as for `score_tissue`.

    Raises
    ------
    NotEstimable
        If the file holds none; names the crops it holds.
    """
    table = samples.table
    mine = table["crop"].map(crop_or_own) == crop_or_own(crop)
    if not mine.any():
        held = ", ".join(sorted(set(table["crop"]) - {""})) or "none named; add a column Crop"
        raise NotEstimable(f"the laboratory file holds no sample of {crop}; crops in it: {held}")
    return score_tissue(replace(samples, tidy=table[mine].reset_index(drop=True)), ranges, **studies)


def _season(crop, goal, goal_unit, unit, studies):
    try:
        return season_demand(crop, goal, goal_unit, unit=unit, **studies)
    except NotEstimable:
        return None


def _left_out(samples, scores):
    """Samples of other crops in the same file."""
    crops = samples.table.drop_duplicates("specimen")["crop"]
    others = crops[~crops.isin(scores.table["crop"].unique())].replace("", "unnamed crop").value_counts()
    if len(others):
        yield "left out of the laboratory file: " + ", ".join(f"{n} of {c}" for c, n in others.items())


def _of_strips(trial):
    """What the strip file holds and no answer rests on."""
    return [f"strip file, {note}" for note in trial.notes]


def _of_leaf(samples, scores, most=8):
    """What of the laboratory file was left unread, filled in or doubted."""
    report = samples.report
    filled = report[report["what"].eq("filled") & report["item"].eq("crop")]
    unused = report[report["what"] == "not used"].itertuples()
    told = [f"leaf file, not used: {r.item}: {r.detail}" for r in unused]
    told += [f"leaf file: crop {detail}" for detail in filled["detail"]]
    others = set(samples.table["row"]) - set(scores.table["row"])  # of another crop, told as left out
    notes = as_scored(samples, scores).notes
    told += [f"leaf file: {n}" for n in notes if not (n.remedy == KEPT and n.row in others)]
    more = [f"leaf file: and {len(told) - most} more, see fertkit leaf"] if len(told) > most else []
    return told[:most] + more


def _fields(scores):
    """Word that the samples are of more than one field."""
    fields = [name for name in scores.table["field"].unique() if name]
    if len(fields) > 1:
        named = ", ".join(fields[:6]) + (f" and {len(fields) - 6} more" if len(fields) > 6 else "")
        yield f"the leaf samples come from {len(fields)} fields: {named}; this answer speaks of one"


def _far_from_goal(budget, trials):
    """A trial that yields less than half or more than twice the goal may be of another crop or field."""
    for name, trial in trials.items():
        reached, goal = _yield_lb_ac(budget, trial), budget.pounds
        if not 0.5 < reached / goal < 2:
            yield (
                f"{name} yields {reached / goal:.1f} times the yield goal at its optimum: are crop, field "
                "and units the same?"
            )


def _yield_lb_ac(budget, analysis):
    """Yield the strips give at the economic optimum [lb/ac]."""
    weight = bushel_lb(budget.crop) if analysis.yield_unit == "bu/ac" else None
    reached = float(analysis.predict(analysis.optimum.rate))
    return convert_area_rate(reached, analysis.yield_unit, "lb/ac", lb_per_bushel=weight)


def _carried(budget, nutrient, analysis, price, studies):
    """The book of one season in the unit of the answer; the price is money per mass, whatever the area."""
    mass, priced = (unit.partition("/")[0] for unit in (budget.unit, analysis.rate_unit))
    applied = convert_area_rate(analysis.optimum.rate, analysis.rate_unit, budget.unit)
    price = price * mass_kg(mass) / mass_kg(priced)
    return season_book(budget, nutrient, applied, _yield_lb_ac(budget, analysis), price, **studies)


# ---- rows of the tidy table


def _leaf_rows(explanation):
    """What is short in the leaf: the value as measured, how sure it is and what was found."""
    for row in explanation.items.itertuples():
        item = f"{row.label}, {row.nutrient}", row.value, row.unit, f"{row.confidence}: {finding(row)}"
        yield from parts.plain_rows("leaf", [item])


def _carried_rows(name, ledger):
    """What is applied, removed and left after the season; cost per acre or hectare."""
    row, area = ledger.rows.iloc[0], ledger.unit.partition("/")[2]
    units = dict.fromkeys(("applied", "removed", "balance"), ledger.unit) | {"cost": f"money/{area}"}
    return parts.plain_rows(name, ((f"{row['nutrient']} {c}", row[c], unit, "") for c, unit in units.items()))


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
        "What the crop needs and what is removed", lines=(*_of_kind(budget, Kind.PRACTICE), *budget.notes),
        figure=budget.plot, figure_says=say.needs_text(budget),
        tables=(parts.pick("Needs and removal", rows, names),),
    )  # fmt: skip


def _season_section(season):
    by_nutrient = (f"{line.label} {line.text}." for line in season.lines() if line.label in say.MAIN)
    return Section(
        "When it needs it", lines=(*by_nutrient, *_of_kind(season, Kind.SOURCE)), figure=season.plot,
        figure_says=" ".join([say.SEASON_FIGURE, *(line.plain for line in _of_kind(season, Kind.NOTE))]),
    )  # fmt: skip


def _of_kind(result, *kinds):
    return [line for line in result.lines() if line.kind in kinds]


def _leaf_section(scores):
    """Scores; a value known only to lie below or above a limit keeps its sign in the table."""
    names = {
        "label": "sample", "nutrient": "nutrient", "value": "value", "unit": "unit", "class": "class",
        "low": "range from", "high": "range to", "critical": "critical", "critical_high": "critical to",
        "probability_below": "below the limit, p", "source_key": "source", "provenance": "provenance",
        "confidence": "confidence",
    }  # fmt: skip
    rows = scores.table[scores.table["class"].isin(["deficient", "low", "high", "excessive"])]
    values = [r.value if r.censored == "" else value_text(r) for r in rows.itertuples()]
    rows = rows.assign(value=pd.Series(values, index=rows.index, dtype=object))
    told = _of_kind(scores, Kind.LEAD, Kind.TEXT)[:4]
    return Section(
        "Is it running short now?",
        lines=[f"{capital(line.plain)}." for line in _of_kind(scores, Kind.MISSING, Kind.QUESTION)],
        figure=scores.plot, figure_says=". ".join(line.plain for line in told) + ".",
        tables=(parts.pick("Results outside a published range", rows, names),) if len(rows) else (),
        cautions=[f"{capital(line.text)}." for line in _of_kind(scores, Kind.CAUTION)],
    )  # fmt: skip


def _explanation_section(explanation):
    with_scores = (Kind.MISSING, Kind.QUESTION)
    lines = [line for line in explanation.lines() if line.kind not in with_scores]
    return Section("What could be behind it, and what can be done", lines=lines, cautions=LIMITS)


def _trial_section(name, trial, answer):
    of = f" of {answer.applied}" if answer.applied else ""
    carried = (f"Carries over: {say.carried_text(answer.carried[name])}.",) if name in answer.carried else ()
    return Section(
        f"Would more have paid? {name}", lines=(*trial.lines(), *carried), figure=trial.plot,
        figure_says=f"Economic optimum rate{of}: {optimum_text(trial.optimum)}.",
        tables=(parts.curves_table(trial, f": {name}"),), cautions=(f"{ONE_TRIAL} {LIMITS[0]}",),
    )  # fmt: skip
