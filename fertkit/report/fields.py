"""The answer for each field of a user's files, from what there is: a goal, leaf tests, strips."""

from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from fertkit import asked
from fertkit.budget.ledger import NUTRIENTS as CARRIED
from fertkit.budget.ledger import season_book
from fertkit.budget.needs import nutrient_budget
from fertkit.budget.season import season_of
from fertkit.budget.soil_field import levels_of, soil_classes, soil_facts, soil_targets
from fertkit.budget.yields import amount_unit
from fertkit.errors import NotEstimable, PriceError, typed
from fertkit.intake.columns import columns_by_file
from fertkit.intake.leaf import read_tissue
from fertkit.intake.soil import read_soil
from fertkit.intake.strips import StripTrial, read_strips
from fertkit.reference.crops import bushel_lb, is_known
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.field import FieldAnswer, page_name
from fertkit.report.field_samples import fields_of, newest_of
from fertkit.report.page import render_page
from fertkit.report.sections import Section, Table
from fertkit.report.sheet import Words, read_words
from fertkit.report.trial import analyse_each, notes_of
from fertkit.results import counted, records
from fertkit.say.advice import LIMITS
from fertkit.say.line import day_text
from fertkit.say.sheet import field_verdict, sheet_head
from fertkit.tissue.explanation import explain
from fertkit.tissue.score import score_tissue
from fertkit.units import convert_area_rate, mass_kg
from fertkit.writing import write_whole

LEAF = asked.holding("tidy", of="read_tissue")
SOIL = asked.holding("levels", of="read_soil")


#: What stands for the name of samples that name no field.
UNNAMED = "no field named"


@dataclass(frozen=True)
class FieldsAnswer(Answer):
    """Answers for several fields, with a page each and one that leads to them.

    Attributes
    ----------
    fields : dict of str to FieldAnswer
        By name.
    """

    fields: dict[str, FieldAnswer]

    @property
    def table(self) -> pd.DataFrame:
        """Every number of every field; `field` names it."""
        tables = [one.table.assign(field=name) for name, one in self.fields.items()]
        columns = dict.fromkeys(column for table in tables for column in table)
        filled = [table.dropna(axis="columns", how="all") for table in tables]  # pandas 2 warns of empty ones
        return pd.concat(filled, ignore_index=True).reindex(columns=list(columns))

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of the trials of every field."""
        return parts.checks_of(
            {name: trial for one in self.fields.values() for name, trial in one.trials.items()}
        )

    @property
    def sources(self) -> pd.DataFrame:
        """Citations of every number used."""
        return pd.concat([one.sources for one in self.fields.values()]).drop_duplicates(ignore_index=True)

    @property
    def title(self) -> str:
        return f"{len(self.fields)} fields"

    @property
    def sections(self) -> list[Section]:
        return [self._index(()), Section("Every number", tables=(Table("Every number", self.table),))]

    def _index(self, links):
        rows = [
            {"field": one.name or name or UNNAMED, "crop": one.crop}
            | dict(sheet_head(one))
            | {"verdict": field_verdict(one)}
            for name, one in self.fields.items()
        ]
        table = Table("Field by field", pd.DataFrame(rows).rename(columns=str.lower))
        return Section("Field by field", tables=(table,), links=links, cautions=LIMITS)

    def page_names(self) -> dict[str, str]:
        """Name of the file of each field's page."""
        names: dict[str, str] = {}
        for name, one in self.fields.items():
            plain, n = page_name(one).removesuffix(".html"), 1
            while (file := f"{plain}{f'-{n}' * (n > 1)}.html") in names.values():
                n += 1
            names[name] = file
        return names

    @asked.asks(path=asked.a_path)
    def write_page(self, path) -> Path:
        """Write a page a field into a folder, and one that leads to them; give that one.

        The folder is `path`; where `path` names a page, that is the one that leads, and the folder beside it
        has its name.
        """
        path = Path(path)
        alone = path.suffix.lower() in (".html", ".htm")
        home, index = (path.with_suffix(""), path) if alone else (path, path / "index.html")
        home.mkdir(exist_ok=True)
        named = self.page_names()
        for name, one in self.fields.items():
            write_whole(one.page(), home / named[name])
        links = tuple(
            ((home / file).relative_to(index.parent).as_posix(), name or UNNAMED)
            for name, file in named.items()
        )
        page = render_page(self.title, [self._index(links)])
        return write_whole(page, index)


@asked.asks(
    nutrient_price=asked.amounts, grain_price=asked.amounts, currency=asked.a_text, seed=asked.a_seed,
    crop=asked.a_word, goal=asked.a_number, goal_unit=asked.a_word, field=asked.a_word,
    leaf=asked.either(asked.a_file, LEAF), soil=asked.either(asked.a_file, SOIL),
    strips=asked.either(asked.a_file, parts.STRIPS), ranges=asked.a_table_or_path,
    stage=asked.a_text, part=asked.a_text, unit=asked.a_word,
    columns=asked.headers_by_role, real_yields=asked.a_flag, facts=asked.a_dict, words=asked.a_path,
    leaf_studies=asked.a_dict, studies=asked.a_dict,
)  # fmt: skip
def answer_field(
    crop=None, goal=None, goal_unit=None, *, field=None, leaf=None, soil=None, strips=None,
    nutrient_price=None, grain_price=None, facts=None, words=None, ranges=None, leaf_studies=None,
    studies=None, stage=None, part=None, unit=None, columns=None, real_yields=False, currency="", seed=0,
) -> FieldAnswer | FieldsAnswer:  # fmt: skip
    """Answer for a field from what there is of it: a yield goal, leaf tests, soil tests, strips.

    Parameters
    ----------
    crop : str, optional
        Needed with a goal, unless the laboratory file names one crop.
    goal : float, optional
        Yield goal [`goal_unit`].
    goal_unit : str, optional
        As for `fertkit.budget.nutrient_budget`.
    field : str, optional
        One field of the files; if None and they hold several, each is answered by itself, but where strips
        are given all samples of the crop are of their field.
    leaf : path, buffer or TissueSamples, optional
        Laboratory file; its samples of `crop` are scored. `crop` fills a blank and replaces a word that is
        not known, where the line names no other known crop. Fields are named by a column of the file, else,
        where there is neither goal nor strips, by the names of the samples without 'good' and 'poor'.
    soil : path, buffer or SoilTests, optional
        Laboratory file of soil tests, as `fertkit.intake.soil.read_soil` takes it; its fields go by name.
    strips : path, buffer or StripTrial, optional
        Strip file of one or more trials of one nutrient, or its strips as `fertkit.read_strips` gives them.
    nutrient_price, grain_price : float, optional
        Price per mass unit of the rate column and of the yield column; needed with strips.
    facts : dict, optional
        What is known of the field, as `fertkit.explain` takes it.
    words : path, optional
        What you add to the sheet, as `fertkit.report.sheet.read_words` takes it.
    ranges : path or DataFrame, optional
        Sufficiency ranges of the user's own instead of the bundled ones.
    studies, leaf_studies : dict, optional
        Whose tables decide on needs, season and soil tests, and on leaf tests: source, without, region and
        own, as `fertkit.reference.profiles.read_profile` gives them; of leaf tests also cvs.
    stage, part : str, optional
        Growth stage and plant part of the leaf where the file states none; a part with or without petiole
        completes one that leaves it open.
    unit : {'lb/ac', 'kg/ha'}, optional
        Unit of the nutrient amounts; the one that goes with `goal_unit` if None.
    columns : dict, optional
        Role -> header of the strip file, as `fertkit.read_strips` takes it; ``leaf.`` and ``soil.`` with a
        role of those files.
    real_yields : bool
        Zeros and very low yields of a strip file were measured, as `fertkit.read_strips` takes it.
    currency : str
        Name of the money, for labels.
    seed : int
        Seed of the resampling.

    Returns
    -------
    FieldAnswer, or FieldsAnswer where the files hold several fields

    Raises
    ------
    FertkitError
        If nothing is given, a file or a price cannot be used, or the laboratory file holds no sample of the
        crop or field.

    Examples
    --------
    >>> from fertkit.report import answer_field
    >>> from io import StringIO
    >>> leaf = "Sample,Crop,Stage,Part,K %\\nNorth,soybean,R2,trifoliate,1.31\\n"
    >>> answer = answer_field(leaf=StringIO(leaf))
    >>> answer.name, answer.crop
    ('North', 'soybean')
    """
    _check_given(goal, leaf, soil, strips, nutrient_price, grain_price)
    own = read_words(words) if words is not None else {}
    own_columns = columns_by_file(columns, ("leaf", "soil"), "strips")
    files = {"leaf": leaf, "soil": soil, "strips": strips}
    if idle := [file for file, held in files.items() if held is None and own_columns[file]]:
        raise NotEstimable(f"columns are named for files that are not given: {', '.join(idle)}")
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price, "currency": currency}
    samples, tests = leaf, soil
    if leaf is not None and not hasattr(leaf, "tidy"):
        samples = read_tissue(leaf, crop=crop, stage=stage, part=part, columns=own_columns["leaf"])
    if soil is not None and not hasattr(soil, "levels"):
        tests = read_soil(soil, columns=own_columns["soil"])
    trials = _analysed(strips, crop, own_columns["strips"], real_yields, prices, seed)
    answers = {}
    several = fields_of(samples, tests, crop, field, whole=strips is not None, unnamed=goal is not None)
    for name, (place, held) in several.items():
        answer = FieldAnswer(place, crop or "", words=own.get(place) or own.get("", Words()))
        if held is not None:
            left = _left_out(samples, held) if crop else ()
            answer = replace(
                answer, crop=_one_crop(held) or answer.crop, notes=(*left, *_of_leaf(samples, held))
            )
        elif samples is not None:
            answer = replace(answer, notes=("the leaf report names no sample of this field",))
        answer = _with_goal(answer, goal, goal_unit, unit, studies or {})
        if tests is not None:
            answer = _with_soil(answer, tests, goal, goal_unit, studies or {})
        if held is not None:
            answer = _with_leaf(answer, held, facts or {}, {"ranges": ranges} | (leaf_studies or {}))
        answers[name] = _with_strips(answer, *trials, nutrient_price, studies or {})
    return next(iter(answers.values())) if len(answers) == 1 else FieldsAnswer(answers)


def _check_given(goal, leaf, soil, strips, nutrient_price, grain_price):
    """Refuse a question without anything to answer it from, and strips without prices."""
    if all(one is None for one in (goal, leaf, soil, strips)):
        raise NotEstimable(
            "give at least one: a yield goal, leaf tests, soil tests or strips",
            typed("--goal, --leaf, --soil or --strips", "goal=, leaf=, soil= or strips="),
        )
    missing = [n for n, p in (("nutrient", nutrient_price), ("grain", grain_price)) if p is None]
    if strips is not None and missing:
        options = (f"--{n}-price" for n in missing), (f"{n}_price=" for n in missing)
        said = typed(*map(" and ".join, options))
        raise PriceError(f"enter the price of the {' and of the '.join(missing)}", said)


def _analysed(strips, crop, columns, real_yields, prices, seed):
    """The strips, and the analysis of each trial."""
    if strips is None:
        return None, {}
    if not isinstance(strips, StripTrial):
        known = crop if crop is not None and is_known(crop) else None
        strips = read_strips(strips, crop=known, columns=columns, real_yields=real_yields)
    trials, refused = analyse_each(strips, **prices, seed=seed)
    if refused:
        raise NotEstimable("\n".join(f"trial {name}: {why}" for name, why in refused.items()))
    return strips, trials


def _with_leaf(answer, held, facts, options):
    """The answer with the leaf tests of its field; the newest of each place are explained."""
    scores = score_tissue(held, **options)
    newest = newest_of(held)
    latest = scores if newest is held else score_tissue(newest, **options)
    notes = [*_fields(scores), *_older(held, newest)]
    known = answer.facts | facts
    return replace(
        answer, scores=scores, explanation=explain(latest, facts=known), notes=(*answer.notes, *notes)
    )


def _one_crop(held):
    """The crop of some samples where all are of one; '' otherwise."""
    crops = set(held.table["crop"]) - {""}
    return crops.pop() if len(crops) == 1 else ""


def _with_goal(answer, goal, goal_unit, unit, studies):
    """The answer with what the crop needs for a yield goal, and when."""
    if goal is None:
        return answer
    if not answer.crop:
        raise NotEstimable(
            "the crop of the yield goal is not known",
            typed("--crop soybean", 'crop="soybean"'),
            remedy="name the crop",
        )
    budget = nutrient_budget(answer.crop, goal, goal_unit, unit=unit or amount_unit(goal_unit), **studies)
    season = _season(budget, studies)
    return replace(answer, crop=budget.crop, budget=budget, season=season)


def _with_soil(answer, tests, goal, goal_unit, studies):
    """The answer with the soil tests of its field, their classes and with a goal their rates."""
    notes = [f"soil file: {note}" for note in tests.notes]
    levels = levels_of(tests.levels, answer.name)
    if levels.empty:
        named = ", ".join(sorted(set(tests.levels["field"]) - {""}))
        notes.append(f"the soil tests are of other fields ({named})")
        return replace(answer, notes=(*answer.notes, *notes))
    known = answer.crop != "" and is_known(answer.crop)
    targets = soil_targets(levels, answer.crop, goal, goal_unit, **studies) if known else None
    classes = None if targets is None else soil_classes(targets)
    return replace(
        answer, soil=levels, targets=targets, facts=soil_facts(levels, classes), notes=(*answer.notes, *notes)
    )


def _with_strips(answer, strips, trials, nutrient_price, studies):
    """The answer with the strip trials, and with a goal what carries over."""
    if strips is None:
        return answer
    carried, notes = {}, list(_of_strips(strips))
    if answer.budget is not None:
        notes += _far_from_goal(answer.budget, trials)
        shown = answer.budget.defaults.set_index("nutrient")["removed"].dropna()
        if strips.nutrient in CARRIED and strips.nutrient in shown:
            carried = {
                name: _carried(answer.budget, strips.nutrient, analysis, nutrient_price, studies)
                for name, analysis in trials.items()
            }
    return replace(
        answer, crop=answer.crop or strips.crop, trials=trials, applied=strips.nutrient, carried=carried,
        notes=(*answer.notes, *notes),
    )  # fmt: skip


def _older(held, newest):
    """Word that earlier samples are not explained."""
    dates = set(held.table["sampled"].dropna()) - set(newest.table["sampled"].dropna())
    if dates:
        days = ", ".join(map(day_text, sorted(dates)))
        yield f"the sheet covers the newest samples; those of {days} are in the table of results"


def _season(budget, studies):
    try:
        return season_of(budget, own=studies.get("own"), without=studies.get("without"))
    except NotEstimable:
        return None


# ---- what the reader of the files should know


def _left_out(samples, held):
    """Samples of other crops in the same file."""
    crops = samples.table.drop_duplicates("specimen")["crop"]
    others = crops[~crops.isin(held.table["crop"].unique())].replace("", "unnamed crop").value_counts()
    if len(others):
        named = ", ".join(f"{counted(n, 'sample')} of {crop}" for crop, n in others.items())
        yield f"left out of the laboratory file: {named}"


def _of_strips(trial):
    """What the strip file holds and no answer rests on."""
    told = trial.notes if trial.standard_moisture_pct is None else notes_of(trial)
    return [f"strip file, {note}" for note in told]


def _of_leaf(samples, held, most=8):
    """What of the laboratory file was left unread, filled in or doubted."""
    report = samples.report
    filled = report[report["what"].eq("filled") & report["item"].eq("crop")]
    unused = records(report[report["what"] == "not used"])
    told = [f"leaf file, not used: {r.item}: {r.detail}" for r in unused]
    told += [f"leaf file: crop {detail}" for detail in filled["detail"]]
    own = set(held.table["row"])
    others = set(samples.table["row"]) - own  # of another crop or field
    told += [
        f"leaf file: {n}" for n in samples.notes
        if n.row not in others and not (n.column == "crop" and n.row in own)  # known by own tables alone
    ]  # fmt: skip
    more = [f"leaf file: {len(told) - most} more"] if len(told) > most else []
    return told[:most] + more


def _fields(scores):
    """Word that the samples are of more than one field."""
    fields = [name for name in scores.table["field"].unique() if name]
    if len(fields) > 1:
        named = ", ".join(fields[:6]) + (f" and {len(fields) - 6} more" if len(fields) > 6 else "")
        yield f"the leaf samples come from {len(fields)} fields: {named}; this answer covers one field"


def _far_from_goal(budget, trials):
    """A trial that yields less than half or more than twice the goal may be of another crop or field."""
    for name, trial in trials.items():
        reached, goal = _yield_lb_ac(budget, trial), budget.pounds
        if not 0.5 < reached / goal < 2:
            yield (
                f"{name} yields {reached / goal:.1f} times the yield goal at its optimum: check that crop, "
                "field and units are the same"
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
