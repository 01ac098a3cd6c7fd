"""Which published ranges hold for a sample: same crop, same part, stage inside the window of the range.

`samples_frame` makes the tidy frame every part of this floor works on.
"""

from dataclasses import dataclass
from numbers import Real

import numpy as np
import pandas as pd

from fertkit.asked import columned
from fertkit.errors import InputError, LookupFailed, Problem, missing_columns, shorten, unknown
from fertkit.intake.labels import analysis_labels
from fertkit.intake.leaf import TissueSamples
from fertkit.intake.parts import Part, parts_match, plant_part
from fertkit.intake.plausible import home_unit
from fertkit.intake.stages import stage_span
from fertkit.reference.crops import crop_name, like_a_known_crop, load_crops, unknown_crops
from fertkit.reference.nutrients import NUTRIENTS
from fertkit.results import cells, records
from fertkit.tissue.classes import shortage_limit
from fertkit.tissue.own_names import (
    APART,
    crop_or_own,
    own_names,
    place_part,
    place_stage,
    slip_of_part,
    slip_of_stage,
)
from fertkit.units import convert_concentration


def samples_frame(samples, nutrients=(), coded=()) -> pd.DataFrame:
    """Tidy frame of the samples with every column scoring carries; a user's own DataFrame is completed.

    `nutrients` are those of a user's own tables, besides the kit's; texts of the columns `coded` become
    categories.

    Raises
    ------
    InputError
        If an own DataFrame lacks a column, or holds a value that is no number or a nutrient of one specimen
        twice.
    LookupFailed
        If it names a nutrient fertkit does not know; lists those it does.
    """
    if isinstance(samples, TissueSamples):
        return _labelled(samples.table, coded)
    if not isinstance(samples, pd.DataFrame):
        problem = Problem(
            f"samples are of type {type(samples).__name__}", "use read_tissue, or a tidy DataFrame"
        )
        raise InputError("samples", [problem])
    samples = columned(samples)
    if missing := missing_columns(samples, NEEDED, f"a tidy frame holds: {', '.join(NEEDED)}"):
        raise InputError("samples", missing)
    for nutrient in pd.unique(samples["nutrient"]):
        if nutrient not in (*NUTRIENTS, *nutrients):
            raise unknown("nutrient", nutrient, (*NUTRIENTS, *nutrients))
    samples = samples.assign(value=_numbers(samples["value"]))
    return _labelled(_numbered(_completed(samples.reset_index(drop=True), coded)), coded)


def _numbers(values):
    """The values as numbers, NaN where a cell is empty."""
    if values.dtype.kind in "iuf":
        return values
    wrong = [not (pd.isna(v) or (isinstance(v, Real) and not isinstance(v, bool))) for v in values]
    if any(wrong):
        remedy = "give plain numbers, as from pandas.to_numeric"
        cells = [(i + 2, values.iloc[i]) for i in np.flatnonzero(wrong)]
        raise InputError("samples", [Problem("not a number", remedy, int(i), "value", v) for i, v in cells])
    return values.astype(float)


def _labelled(frame, coded):
    labels = analysis_labels(frame)  # of the specimens as they come first
    specimen = pd.factorize(frame["specimen"])[0]
    if not len(coded):
        return frame.assign(label=labels.array.take(specimen))
    code, names = pd.factorize(labels)
    return as_categories(frame, coded).assign(label=categories(code[specimen], names))


def _completed(frame, coded):
    code, names = pd.factorize(frame["nutrient"])
    units = [home_unit(name) for name in names]
    blank = categories(np.zeros(len(frame), np.int8), [""]) if len(coded) else ""
    fill = {
        "censored": blank,
        "unit": named_codes(units, code) if len(coded) else pd.array(units, dtype="str").take(code),
        "flag": blank,
        "area": blank,
        "field": blank,
        "sampled": pd.NaT,
        "row": np.arange(len(frame)) + 2,
    }
    return frame.assign(**{name: value for name, value in fill.items() if name not in frame})


def as_categories(frame, columns) -> pd.DataFrame:
    """The frame with the texts of some columns as categories, each text once."""
    texts = [name for name in columns if name in frame and frame[name].dtype.kind in "OU"]
    texts = [name for name in texts if not isinstance(frame[name].dtype, pd.CategoricalDtype)]
    return frame.assign(**{name: categories(*pd.factorize(frame[name])) for name in texts})


def _numbered(frame):
    """Number the specimens if the frame does not, repeated results apart; else check its numbers."""
    if "specimen" in frame:
        twice = frame[frame.duplicated(["specimen", "nutrient"])]
        if len(twice):
            remedy = "give each analysed sample its own specimen number"
            rows = records(twice.head(25))
            problems = [Problem(f"{r.nutrient} twice in specimen {r.specimen}", remedy, r.row) for r in rows]
            raise InputError("samples", problems)
        return frame
    key = frame[["sample_id", *CONDITION]].fillna("")
    key = key.assign(sampled=frame["sampled"].map(str), area=frame["area"].astype(object))
    again = key.assign(nutrient=frame["nutrient"]).groupby([*key.columns, "nutrient"]).cumcount()
    groups = key.assign(again=again).groupby([*key.columns, "again"], sort=False)
    return frame.assign(specimen=groups.ngroup() + 1)


CONDITION = ["crop", "growth_stage", "plant_part"]
NEEDED = ["sample_id", *CONDITION, "nutrient", "value"]
LIMITS = ["low", "high", "critical", "critical_high", "toxic_above"]
PART = 50_000  # scores worked on at a time
#: How the part agrees where the sample leaves the petiole open: taken to be as the source instructs.
ASSUMED = "petiole as the source instructs"
NEAREST = ("petiole", "stage", "part", "stage and part")
CLOSE_COLUMNS = [*CONDITION, "nutrient", "source_key", "limit", "differs_in", "near_stage", "near_part"]
NEAR_COLUMNS = [*CONDITION, "offered_stage", "offered_part", "nutrients", "source_key", "differs_in"]


@dataclass(frozen=True)
class Matches:
    """Ranges that hold under each distinct condition of the samples.

    Attributes
    ----------
    found : DataFrame
        condition (number), nutrient, source_key, range (row of the range table), match (how the part agrees).
    near : DataFrame
        Ranges that do not hold, of conditions with none at all: the others of the crop. Offered, never used.
    close : DataFrame
        Ranges that differ from a condition in one thing (petiole, stage or part), for nutrients no range
        holds for: the condition, nutrient, source_key, limit, differs_in, near_stage, near_part. Asked about,
        never used.
    why : list of str
        For each condition, why no range holds; '' where one does.
    unknown : list of int
        Numbers of the conditions with a crop, stage or part that is not known.
    """

    found: pd.DataFrame
    near: pd.DataFrame
    close: pd.DataFrame
    why: list[str]
    unknown: list[int]


def prepare_ranges(ranges: pd.DataFrame, name: str = "ranges", *, sound: bool = False) -> pd.DataFrame:
    """Put ranges on fertkit's units and stage scales: limits in home units, ``first`` and ``last`` position.

    Rows known to be `sound` are not compared with each other.

    A ratio such as N:S is judged from above alone (too wide is short of the lower element): its critical
    value becomes the high end, its low end goes.

    Raises
    ------
    InputError
        If a crop, stage or plant part of the table is not known, a window ends before it begins, or two rows
        of one source contradict each other: every row, under the file `name`.
    """
    spans, lines = _spans(ranges, name), ranges.index + 2
    ranges = ranges.set_axis(range(len(ranges))).copy()
    ranges["crop"] = [crop_or_own(c) for c in ranges["crop"]]
    ranges["first"], ranges["last"] = np.array(spans, dtype=float).reshape(-1, 2).T
    for i, (nutrient, unit) in zip(ranges.index, cells(ranges, "nutrient", "unit"), strict=True):
        home = "ratio" if unit == "ratio" else home_unit(nutrient)
        if unit != home:
            ranges.loc[i, LIMITS] = convert_concentration(ranges.loc[i, LIMITS].astype(float), unit, home)
            ranges.loc[i, "unit"] = home
    if problems := [] if sound else list(_contradictions(ranges, lines)):
        raise InputError(name, problems)
    ratio = ranges["unit"] == "ratio"
    ranges["high"] = ranges["high"].mask(ratio & ranges["high"].isna(), ranges["critical"])
    ranges.loc[ratio, ["low", "critical", "critical_high"]] = np.nan
    ranges["lineage"] = ranges["lineage"].mask(ranges["lineage"] == "", ranges["source_key"])
    return ranges


def _spans(ranges, name):
    """(first, last) position of each range; refuses crops, stages and parts that are not known."""
    spans, problems = [], []

    def known(look_up, column, row, *words):
        try:
            return look_up(*words)
        except LookupFailed as error:
            remedy = "correct it or delete the row"
            problems.append(Problem(str(error), remedy, row.Index + 2, column, getattr(row, column)))
            return None

    own, unheard = own_names(ranges), unknown_crops(ranges["crop"])
    for row in records(ranges):
        crop, strange = crop_or_own(row.crop), row.crop in unheard
        names, told = own.get(crop), len(problems)
        if strange and like_a_known_crop(row.crop):
            known(crop_name, "crop", row, row.crop)
            continue
        if not strange and slip_of_part(crop, row.plant_part):
            known(plant_part, "plant_part", row, crop, row.plant_part)
        ends = []
        for end in ("stage_from", "stage_to"):
            stage = getattr(row, end)
            if not strange and slip_of_stage(crop, stage):
                known(stage_span, end, row, crop, stage)
            else:
                ends.append(place_stage(crop, stage, names, bare_codes=True))
        if len(problems) > told:
            continue
        spans.append((ends[0].first, ends[1].last))
        if ends[0].first // APART != ends[1].first // APART:
            what = f"{row.stage_from} and {row.stage_to} are on two scales"
            remedy = "name both ends by the kit's stages, by days, or by your own names"
            problems.append(Problem(what, remedy, row.Index + 2, "stage_from", row.stage_from))
        elif ends[0].first > ends[1].last:
            remedy = "swap stage_from and stage_to, or correct them"
            what = f"the window ends ({row.stage_to}) before it begins"
            problems.append(Problem(what, remedy, row.Index + 2, "stage_from", row.stage_from))
    if problems:
        raise InputError(name, problems)
    return spans


def _contradictions(ranges, lines):
    """Rows of one source that give a nutrient other ends for the same crop, part and stages."""
    own, same = own_names(ranges), ["source_key", "crop", "first", "last", "nutrient"]
    twice = ranges[ranges.duplicated(same, keep=False)]
    part = [place_part(r.crop, r.plant_part, own.get(r.crop)) for r in records(twice)]
    ends = twice[LIMITS].astype(float).round(9)
    for _, rows in twice.assign(part=part, **ends).groupby([*same, "part"], sort=False):
        apart = rows.drop_duplicates(LIMITS)
        if len(apart) > 1:
            first, *others = (int(lines[i]) for i in apart.index)
            what = f"contradicts row {first}: same crop, part, stages and source, other limits"
            remedy = "keep one, put all limits in one row, or give each its source_key"
            yield from (Problem(what, remedy, row, "nutrient", rows["nutrient"].iloc[0]) for row in others)


def distinct_conditions(frame: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
    """Number the conditions of the rows: the number of each row, and the table of distinct conditions."""
    key, parts = np.zeros(len(frame), np.int64), {}
    for name in CONDITION:
        texts = pd.Categorical(frame[name])
        same, parts[name] = pd.factorize(np.array([*texts.categories, ""], dtype=object))  # none is blank
        key *= len(parts[name])
        key += same[texts.codes]
    code, keys = pd.factorize(key)
    rows = {}
    for name in reversed(CONDITION):
        keys, place = np.divmod(keys, len(parts[name]))
        rows[name] = parts[name][place]
    return code, pd.DataFrame(rows, columns=CONDITION)


def categories(codes, names) -> pd.Categorical:
    """Texts as categories, from distinct names and the number of each row's (-1: missing)."""
    kind = pd.CategoricalDtype(pd.Index(names, dtype=object))
    return pd.Categorical.from_codes(codes, dtype=kind, validate=False)


def named_codes(names, codes) -> pd.Categorical:
    """Texts as categories from the number of each row's name, of which some may be alike or of no row."""
    parts = [codes[rows] for rows in in_parts(len(codes))]
    used = np.flatnonzero(sum(np.bincount(part, minlength=len(names)) for part in parts))
    number, kept = pd.factorize(np.array(names, dtype=object)[used])
    place = np.zeros(len(names), np.min_scalar_type(-len(kept) - 1))
    place[used] = number
    return categories(np.concatenate([place[part] for part in parts]), kept)


def in_parts(n: int):
    """Slices of n rows, each so small that what is worked out meanwhile takes no memory."""
    return (slice(start, start + PART) for start in range(0, max(n, 1), PART))


def match_ranges(conditions: pd.DataFrame, ranges: pd.DataFrame, strict: bool = False) -> Matches:
    """Find the ranges that hold under each condition.

    Parameters
    ----------
    conditions : DataFrame
        Distinct crop, growth_stage, plant_part of the samples; ``who`` names some for messages.
    ranges : DataFrame
        From `prepare_ranges`.
    strict : bool
        Refuse all if one is not known.

    Returns
    -------
    Matches
        A condition with an unknown crop, stage or part holds none, and says why.

    Raises
    ------
    LookupFailed
        If every condition (one, if `strict`) has an unknown crop, stage or part; each is named with the
        valid ones.
    """
    found, near, close, why, unknown, messages = [], [], [], [], [], {}
    own = own_names(ranges)
    strange = [name for name in unknown_crops(conditions["crop"]) if crop_or_own(name) not in own]
    crops = ", ".join(sorted(load_crops()["crop"]))
    if strange:
        names = ", ".join(f"'{shorten(name)}'" for name in strange)
        messages[f"unknown crop {names}; choose one of: {crops}"] = None
    who = list(conditions.get("who", ()))
    for number, condition in enumerate(conditions[CONDITION].itertuples(index=False)):
        if condition.crop in strange:
            unknown.append(number)
            why.append(f"unknown crop '{shorten(condition.crop)}'")
            continue
        missing = [n.replace("_", " ") for n, v in zip(CONDITION, condition, strict=True) if not v]
        if missing:
            verb = "is" if len(missing) == 1 else "are"
            named = " and ".join(filter(None, [", ".join(missing[:-1]), missing[-1]]))
            why.append(f"the {named} of the sample {verb} not stated")
            continue
        try:
            held, offered, beside, reason = _match_one(condition, ranges, own)
        except LookupFailed as error:
            unknown.append(number)
            messages[f"{who[number]}: {error}" if len(who) else str(error)] = None
            why.append(str(error))
            continue
        found.append(held.assign(condition=number))
        near += offered
        close.append(beside)
        why.append(reason)
    if messages and (strict or len(unknown) == len(conditions)):
        raise LookupFailed("\n".join(messages))
    columns = ["condition", "nutrient", "source_key", "range", "match"]
    held = pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=columns)
    close = [frame for frame in close if len(frame)]
    beside = pd.concat(close, ignore_index=True) if close else pd.DataFrame(columns=CLOSE_COLUMNS)
    return Matches(held[columns], pd.DataFrame(near, columns=NEAR_COLUMNS), beside, why, unknown)


def _match_one(condition, ranges, own):
    crop = crop_or_own(condition.crop)
    mine = ranges[ranges["crop"] == crop]
    if mine.empty:
        return _held(mine, []), [], pd.DataFrame(), f"no published range for {crop}"
    names = own.get(crop)
    span = place_stage(crop, condition.growth_stage, names)
    part, *published = (place_part(crop, p, names) for p in [condition.plant_part, *mine["plant_part"]])
    same_part = np.array([_parts(part, other) for other in published], dtype=object)
    in_stage = np.array([span.within(a, b) for a, b in zip(mine["first"], mine["last"], strict=True)])
    holds = (same_part != "") & in_stage
    held = _held(mine[holds], same_part[holds])
    petiole = np.array([bool(part.names & other.names) for other in published]) & (same_part == "")
    differs = np.select(
        [petiole & in_stage, same_part != "", in_stage], ["petiole", "stage", "part"], "stage and part"
    )
    away = ~holds & ~mine["nutrient"].isin(held["nutrient"]).to_numpy()
    close = _close(condition, mine[away].assign(differs_in=differs[away]))
    if len(held):
        return held, [], close, ""
    offered = _near(condition, mine, differs)
    what = f"no published range for {crop}, {condition.plant_part}, {condition.growth_stage}"
    return held, offered, close, f"{what}; near ones: {_named(offered)}"


def _parts(sample: Part, published: Part) -> str:
    """How the parts agree; '' if they do not."""
    match = parts_match(sample, published)
    open_petiole = sample.petiole == "not stated" and sample.names & published.names
    return match or (ASSUMED if open_petiole else "")


def _close(condition, ranges):
    """The nearest ranges of each nutrient, where they differ in one thing alone."""
    place = ranges["differs_in"].map({what: i for i, what in enumerate(NEAREST)})
    nearest = place == place.groupby(ranges["nutrient"]).transform("min")
    mine = ranges[nearest & (ranges["differs_in"] != NEAREST[-1])]
    limit = shortage_limit(*(mine[name].to_numpy(float) for name in ("low", "critical", "critical_high")))
    near = {"limit": limit, "near_stage": _window(mine), "near_part": mine["plant_part"]}
    return mine.assign(**near, **condition._asdict())[CLOSE_COLUMNS].dropna(subset="limit")


def _held(mine, match):
    """One range per nutrient and source: of two parts the one stated, of two windows the narrower one."""
    held = mine.assign(match=match, range=mine.index, width=mine["last"] - mine["first"])
    held = held.sort_values("width", kind="stable")
    return held.iloc[np.argsort(held["match"] == ASSUMED, kind="stable")].drop_duplicates(
        ["nutrient", "source_key"]
    )


def _near(condition, mine, differs):
    rows = []
    for (stage, part, key, what), group in mine.assign(differs=differs).groupby(
        [_window(mine), "plant_part", "source_key", "differs"], sort=False
    ):
        rows.append((*condition, stage, part, " ".join(group["nutrient"]), key, what))
    return sorted(rows, key=lambda r: NEAREST.index(r[-1]))


def _window(ranges):
    same = ranges["stage_from"] == ranges["stage_to"]
    return (
        ranges["stage_from"].where(same, ranges["stage_from"] + " to " + ranges["stage_to"]).rename("stage")
    )


def _named(offered, most=4):
    names = list(dict.fromkeys(f"{stage}, {part}" for _, _, _, stage, part, *_ in offered))
    return "; ".join(names[:most]) + (f"; and {len(names) - most} more" if len(names) > most else "")
