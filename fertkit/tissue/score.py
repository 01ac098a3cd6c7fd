"""Score tissue results against published sufficiency ranges and critical levels, source by source."""

from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import (
    a_flag,
    a_list,
    a_number,
    a_table_or_path,
    a_word,
    asks,
    either,
    holding,
    numbers_by_name,
)
from fertkit.errors import unknown
from fertkit.intake.leaf import TissueSamples
from fertkit.intake.leaf_results import LENT_COLUMNS, UNREAD_COLUMNS
from fertkit.reference.load import list_sources, load_ranges, read_or_remembered
from fertkit.reference.own import PLACE, own_tables, read_own
from fertkit.reference.profiles import as_list
from fertkit.reference.regions import in_region
from fertkit.reference.schema import check_table
from fertkit.results import Result, checks_frame, counted, records
from fertkit.tissue import classes as c
from fertkit.tissue.agree import above_ranges, agreement_of, named_rows, set_aside, shortfalls_of, unjudged_of
from fertkit.tissue.classes import Class, Reason
from fertkit.tissue.match import (
    CONDITION,
    LIMITS,
    Matches,
    as_categories,
    distinct_conditions,
    in_parts,
    match_ranges,
    named_codes,
    prepare_ranges,
    samples_frame,
)
from fertkit.tissue.own_names import crop_or_own
from fertkit.tissue.oxides import oxide_checks
from fertkit.tissue.verdicts import petiole_questions
from fertkit.tissue.wide import apply_paired_rules

CARRIED = [
    *("specimen", "sample_id", "label", *CONDITION, "sampled", "area", "field"),
    *("nutrient", "value", "unit", "censored", "flag", "row"),
]
TRACE = ["source_key", "provenance", "confidence", "region", "lineage"]
_MEASURES = ("position", "distance", "probability_below", "error_pct")
_REASONS = ("", *Reason)
_PLACE = {name: np.int8(i) for i, name in enumerate(_REASONS)}
CHANCES, MEMORY = "laboratory and sampling CVs", "ranges from memory"  # names of checks


@dataclass(frozen=True)
class TissueScores(Result):
    """Tissue results scored, one row per sample, nutrient and source.

    Attributes
    ----------
    table : DataFrame
        Texts are categories (``scored`` has them plain): the sample's columns (label: its name and what
        tells it from others of that name), then source_key, kind (sufficiency range or critical level),
        class, reason, low, high, critical, critical_high, toxic_above, limit (below it the source calls a
        value short: `fertkit.tissue.classes.shortage_limit`), within_critical (inside a critical range: low,
        but left open), position (0 to 1 inside the range), distance (signed, outside it, in widths of the
        range or relative to its foot), probability_below (of lying below limit, conditional on the CVs),
        error_pct (CV of the report),
        match, range_stage, range_part, provenance, confidence, region, lineage, aside (why the source is
        shown but has no vote; '' where it has one).
    conditions : DataFrame
        Distinct crop, growth_stage, plant_part, number of samples, why no range holds, whether that is since
        a word of it is unknown, and for whom.
    near : DataFrame
        Ranges of other stages or parts, offered where none holds. Never used.
    close : DataFrame
        Ranges that differ in one thing (petiole, stage or part) for nutrients no range holds for. Never used.
    cvs : DataFrame
        nutrient, cv_pct (laboratory and sampling together), origin.
    checks : DataFrame
    unread : DataFrame
        nutrient, column, why: columns of the file that name a nutrient and were not read.
    lent : DataFrame
        specimen, what: crop, stage and part of the file that stand above the table of an earlier sample.
    others : DataFrame
        specimen and the other columns of the file, among them facts on the field.
    """

    table: pd.DataFrame
    conditions: pd.DataFrame
    near: pd.DataFrame
    close: pd.DataFrame
    cvs: pd.DataFrame
    checks: pd.DataFrame
    unread: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=UNREAD_COLUMNS))
    lent: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=LENT_COLUMNS))
    others: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["specimen"]))

    @cached_property
    def scored(self) -> pd.DataFrame:
        """The table with plain texts, for work on single rows."""
        texts = self.table.columns[self.table.dtypes == "category"]
        return self.table.astype(dict.fromkeys(texts, object))

    @cached_property
    def agreement(self) -> pd.DataFrame:
        """One row per sample and nutrient: how many sources call it short, and whether they disagree."""
        return agreement_of(self.scored)

    @cached_property
    def shortfalls(self) -> pd.DataFrame:
        """Nutrients at least one source calls short, worst first within each sample."""
        return shortfalls_of(self.agreement)

    @cached_property
    def unjudged(self) -> pd.DataFrame:
        """Results without a range, and what the nearest range would ask."""
        return unjudged_of(self.scored, self.close)

    @cached_property
    def above(self) -> pd.DataFrame:
        """Results above a range."""
        return above_ranges(self.scored)

    @cached_property
    def petioles(self) -> pd.DataFrame:
        """Results that only tables with, or only those without, petiole call short."""
        return petiole_questions(self.scored)

    @property
    def sources(self) -> pd.DataFrame:
        keys = [k for k in pd.unique(self.table["source_key"]) if k]
        return list_sources(keys + sorted(set(self.cvs.loc[self.cvs["origin"] != "given", "source_key"])))


@asks(
    samples=holding("table", of="read_tissue"), ranges=a_table_or_path,
    source=a_list, without=a_list, region=a_word, cvs=either(a_number, numbers_by_name), strict=a_flag,
    own=own_tables,
)  # fmt: skip
def score_tissue(
    samples, ranges=None, *, source=None, without=None, region=None, own=None, cvs=None, strict=False
) -> TissueScores:
    """Score tissue results against every published range that holds for their crop, stage and part.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
        DataFrame: at least sample_id, crop, growth_stage, plant_part, nutrient, value, with values in %
        (N, P, K, Ca, Mg, S, Cl, Na) or mg/kg (the others).
    ranges : DataFrame or path, optional
        A table of the user's own (`fertkit.reference.load_ranges`); the bundled publications if None.
    source : str or list of str, optional
        Only these source keys; all that hold, side by side, if None.
    without : str or list of str, optional
        Source keys left out.
    region : str, optional
        Where the fields are (table ``regions``), North America if None: sources of other regions are shown
        but do not decide. Those chosen by `source`, and `ranges` of the user's own, decide whatever it is.
    own : path, DataFrame or list of them, optional
        Tables of your own (`fertkit.reference.own.read_own`), of which those of ranges count here: where one
        holds it decides, and the other sources are shown beside it.
    cvs : dict or float, optional
        Relative standard deviations [%] by nutrient, with 'sampling' for the sampling in the field; one
        number is the total of every nutrient. Placeholders if None, and the checks say so.
    strict : bool
        Refuse all samples if the crop, stage or part of one is not known.

    Raises
    ------
    LookupFailed
        If a source, or the crop, stage or part of every sample is not known; lists the valid ones. A sample
        with an unknown one among others is not scored, and the summary says why, unless `strict`.
    InputError
        If a table of the user's own holds a crop, stage or part that is not known, or numbers that cannot be.

    Examples
    --------
    Two soybean samples (invented) against the critical leaf potassium of 1.56 % at R2 (STAMMER2018):

    >>> from fertkit.tissue import score_tissue
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> rows = ["Good,soybean,R2,trifoliate,2.10", "Poor,soybean,R2,trifoliate,1.31"]
    >>> sheet = "\\n".join(["Sample,Crop,Stage,Part,K %", *rows])
    >>> scores = score_tissue(read_tissue(StringIO(sheet)), source="STAMMER2018")
    >>> scores.table[["sample_id", "value", "critical", "class"]].values.tolist()
    [['Good', 2.1, 1.56, 'sufficient'], ['Poor', 1.31, 1.56, 'deficient']]
    """
    own = read_own(own)
    frame = samples_frame(samples, own.nutrients, coded=CARRIED)
    name = Path(ranges).name if isinstance(ranges, (str, Path)) else "ranges"
    code, conditions = distinct_conditions(frame)
    table = _range_table(ranges, source, without, name, own, conditions["crop"])
    first = ~frame["specimen"].duplicated()
    conditions["who"] = _who(frame[first], code[first], len(conditions))
    counts = np.bincount(code[first], minlength=len(conditions))
    matches = match_ranges(conditions, table, strict)
    columns = ["specimen", *(column for column in frame if column not in CARRIED)]
    others = frame.loc[first, columns].astype({n: object for n in columns[1:]})
    frame, code = _with_ratios(frame, code, matches)
    spread = c.settle_cvs(cvs)
    at, which = _pair(frame["nutrient"].array, code, matches.found)
    scored = apply_paired_rules(_score(frame, table, matches, code, at, which, spread))
    chosen = source is not None or ranges is not None
    held = matches.found.join(table[["provenance", "region", "lineage"]], on="range")
    scored = set_aside(scored, held, at, which, region, chosen, leading=own.keys)
    del at, which  # the checks need the room
    unknown = conditions.index.isin(matches.unknown)
    conditions = conditions.assign(samples=counts, why=matches.why, unknown=unknown)
    checks = _checks(scored, conditions, spread)
    regions = table.drop_duplicates("source_key").set_index("source_key")["region"]
    near_by = in_region(matches.close["source_key"].map(regions).astype(object), region)
    close = matches.close[near_by | chosen]
    scores = TissueScores(scored, conditions, matches.near, close, spread, checks, others=others)
    if isinstance(samples, TissueSamples):
        return replace(scores, unread=samples.unread, lent=samples.lent, others=samples.others)
    return scores


def as_scored(samples: TissueSamples, scores: TissueScores) -> TissueSamples:
    """Leave out the notes of the reader on crops it does not know and a table of the user's own does."""
    known = set(scores.table.loc[scores.table["source_key"] != "", "row"])
    kept = (note for note in samples.notes if note.column != "crop" or note.row not in known)
    return replace(samples, notes=tuple(kept))


@cache
def _bundled(crops: frozenset):
    """The bundled ranges of some crops, prepared once: the kit knows them, so no row depends on another.

    That none contradicts another is asked by the tests.
    """
    table = load_ranges()
    mine = [crop_or_own(crop) in crops for crop in table["crop"]]
    return prepare_ranges(table[mine], sound=True)


def _range_table(ranges, source, without, name, own, crops):
    """The ranges that are asked, on the kit's units and scales; those of the user's own tables among them."""
    if ranges is None:
        table, every = _bundled(frozenset(map(crop_or_own, crops))), load_ranges()
    elif isinstance(ranges, pd.DataFrame):
        table = every = check_table(ranges, "ranges", name, own.nutrients)
    else:
        table = every = load_ranges(ranges)
    known = {*every["source_key"], *own.keys}
    for key in (*as_list(source), *as_list(without)):
        if key not in known:
            raise unknown("source of ranges", key, known)
    keys = table["source_key"]
    table = table[keys.isin(as_list(source)) | (source is None)]
    parts = [table if ranges is None else prepare_ranges(table, name)]
    for file, rows in own.rows("ranges").groupby("file", sort=False):
        parts.append(prepare_ranges(rows.set_index(rows["line"] - 2).drop(columns=PLACE), file))
    table = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    return table[~table["source_key"].isin(as_list(without))].reset_index(drop=True)


def _who(frame, code, number):
    """Sample and row of the first samples of each condition."""
    first = (
        frame[["label", "row"]].assign(code=code).groupby("code", sort=False).head(4)
    )  # one more than is named tells that there are more
    named = {key: named_rows(rows) for key, rows in first.groupby("code", sort=False)}
    return [named[key] for key in range(number)]


def _with_ratios(frame, code, matches: Matches):
    """Append the ratios (N:S) that some range of the sample's condition judges."""
    wanted = matches.found[matches.found["nutrient"].str.contains(":")]
    extra = []
    for name, group in wanted.groupby("nutrient"):
        mine = np.isin(code, group["condition"].unique()) & (frame["censored"] == "") & (frame["value"] > 0)
        top, under = (
            frame[mine & (frame["nutrient"] == n)].drop_duplicates("specimen") for n in name.split(":")
        )
        both = top.merge(under[["specimen", "value"]], on="specimen", suffixes=("", "_under"))
        if both.empty:
            continue
        both["condition"] = pd.Series(code[top.index], index=top["specimen"]).loc[both["specimen"]].to_numpy()
        extra.append(
            both.assign(
                value=both["value"] / both["value_under"], nutrient=name, unit="ratio", flag="computed"
            )
        )
    if not extra:
        return frame, code
    more = pd.concat(extra, ignore_index=True)
    frame = pd.concat([frame, more[frame.columns]], ignore_index=True)
    order = np.argsort(frame["specimen"].to_numpy(), kind="stable")
    code = np.concatenate([code, more["condition"].to_numpy()])[order]
    return as_categories(frame.iloc[order].reset_index(drop=True), CARRIED), code


def _pair(nutrient, code, found):
    """Pair each result with the ranges that hold: row of the samples, row of `found` (its length: none)."""
    names = nutrient.categories
    place = names.get_indexer(found["nutrient"])
    known = np.flatnonzero(place >= 0)
    key = found["condition"].to_numpy(int)[known] * len(names) + place[known]
    source = pd.factorize(found["source_key"])[0][known]
    order = np.append(known[np.lexsort([source, key])], len(found))
    counts = np.bincount(key, minlength=(code.max(initial=-1) + 1) * len(names))
    result = code * len(names) + nutrient.codes
    counts, first = counts[result], (np.cumsum(counts) - counts)[result]
    first[counts == 0] = len(known)
    counts = np.maximum(counts, 1)
    begun = np.cumsum(counts) - counts
    which = np.repeat(first - begun, counts)
    which += np.arange(len(which))
    at = np.repeat(np.arange(len(code), dtype=np.int32), counts)
    return at, order.astype(np.int32)[which]


def _score(frame, table, matches, code, at, which, spread):
    """The table of scores but for ``aside``, made in parts, so that only its columns take memory.

    Columns of the frame are taken out of it.
    """
    found, nutrient = matches.found, frame["nutrient"].array
    ranges = table.iloc[found["range"].to_numpy(int)]
    ends = {n: np.append(ranges[n].to_numpy(float), np.nan) for n in LIMITS}
    lower = [ends[n] for n in ("low", "critical", "critical_high")]
    ends |= {
        "foot": c.range_foot(*lower),
        "limit": c.shortage_limit(*lower),
        "none": np.arange(len(ranges) + 1) == len(ranges),
    }
    cvs = pd.Series(spread["cv_pct"].to_numpy() / 100, index=spread["nutrient"])
    cvs = cvs.reindex(nutrient.categories).to_numpy(float)
    results = {
        "value": frame["value"].to_numpy(float), "mark": frame["censored"].array,
        "ratio": (frame["unit"] == "ratio").to_numpy(),
        "nutrient": nutrient.codes,
    }  # fmt: skip
    result = at.astype(np.intp)
    columns = {name: frame.pop(name).array.take(result) for name in CARRIED}  # the frame shrinks meanwhile
    del result
    made = {}
    for rows in in_parts(len(at)):
        for name, values in _part(results, ends, cvs, at[rows], which[rows]).items():
            made.setdefault(name, np.empty(len(at), values.dtype))[rows] = values
    reasons = [*(key and key.text for key in _REASONS), *matches.why]
    reason = made.pop("reason").astype(np.min_scalar_type(-len(reasons)), copy=False)
    alone = np.flatnonzero(which == len(found))
    alone = alone[(np.array(matches.why, dtype=object) != "")[code[at[alone]]]]
    reason[alone] = len(_REASONS) + code[at[alone]]
    texts = {n: named_codes([*column, ""], which) for n, column in _of_ranges(ranges).items()}
    columns |= {"source_key": texts["source_key"], "kind": texts["kind"]}
    columns |= {"class": named_codes(c.CLASSES, made.pop("class")), "reason": named_codes(reasons, reason)}
    columns |= {n: made[n] for n in (*LIMITS, "limit", "within_critical", *_MEASURES)}
    columns |= {"match": named_codes([*found["match"], ""], which)}
    columns |= {n: texts[n] for n in ("range_stage", "range_part", *TRACE[1:])}
    return pd.DataFrame(columns, copy=False)


def _part(results, ends, cvs, at, which):
    """Limits, class and measures of some scores."""
    ends = {name: values[which] for name, values in ends.items()}
    foot, none, limits = ends.pop("foot"), ends.pop("none"), {n: ends[n] for n in LIMITS}
    value, mark, ratio, nutrient = (results[name][at] for name in ("value", "mark", "ratio", "nutrient"))
    cv = cvs[nutrient]
    classed, reason = _classes(value, mark, limits, ratio, none)
    within = c.left_open(classed, value, mark == "<", ends["limit"])
    reason[within] = _PLACE[Reason.LEFT_OPEN]
    plain = np.where((mark == "") & (value > 0), value, np.nan)
    return ends | {
        "class": classed, "reason": reason, "within_critical": within,
        "position": c.position_in_range(plain, ends["low"], ends["high"]),
        "distance": c.distance_from_range(plain, ends["low"], ends["high"], foot),
        "probability_below": c.probability_below(plain, ends["limit"], cv), "error_pct": 100 * cv,
    }  # fmt: skip


def _classes(value, mark, limits, ratio, none):
    """Number of the class and of the reason of each result (0 where the class says all)."""
    number, classed = c.NUMBER, c.classify(value, **limits)
    unclassed = classed == number[Class.NOT_CLASSED]
    reason = np.where(value == 0, _PLACE[Reason.ZERO], _PLACE[Reason.UPPER_ONLY]) * unclassed
    narrow = ratio & (reason == _PLACE[Reason.UPPER_ONLY])
    for sign, certain, doubt, otherwise in (
        ("<", Class.LOW, Reason.MAYBE_DEFICIENT, Reason.LIMIT_INSIDE),
        (">", Class.HIGH, Reason.MAYBE_EXCESSIVE, Reason.LIMIT_OPEN),
    ):
        at = np.flatnonzero(mark == sign)
        some = {n: v[at] for n, v in limits.items()}
        if sign == "<":
            low = {n: some[n] for n in ("low", "critical", "critical_high")}
            classed[at], unsure = c.classify_below(value[at], **low), ~np.isnan(some["critical"])
        else:
            classed[at], unsure = c.classify_above(value[at], **some), ~np.isnan(some["toxic_above"])
        cases = [classed[at] == number[Class.NOT_CLASSED], (classed[at] == number[certain]) & unsure]
        reason[at] = np.select(cases, [_PLACE[otherwise], _PLACE[doubt]], np.int8(0))
    unseen = (mark == "not detected") | (np.isnan(value) & (mark == ""))
    classed[unseen], reason[unseen] = number[Class.NOT_CLASSED], _PLACE[Reason.NOT_DETECTED]
    classed[none], reason[none] = number[Class.NO_RANGE], _PLACE[Reason.NO_RANGE]
    narrow &= reason == _PLACE[Reason.UPPER_ONLY]
    classed[narrow], reason[narrow] = number[Class.SUFFICIENT], 0  # a ratio is judged from above alone
    return classed, reason


def _of_ranges(ranges):
    """Texts of scores that come from their range."""
    same = ranges["stage_from"] == ranges["stage_to"]
    critical = ranges["low"].isna() & (ranges["critical"].notna() | (ranges["unit"] == "ratio"))
    return {
        **{name: ranges[name] for name in TRACE}, "range_part": ranges["plant_part"],
        "range_stage": ranges["stage_from"].where(same, ranges["stage_from"] + " to " + ranges["stage_to"]),
        "kind": critical.map({True: "critical level", False: "sufficiency range"}),
    }  # fmt: skip


def _checks(scored, conditions, spread):
    placeholders = int((spread["origin"] == "placeholder").sum())
    rows = [(CHANCES, placeholders, "0 placeholders", not placeholders, c.cvs_told("chances"))]
    remembered = (scored["provenance"] == "from_memory") & (scored["aside"] == "")
    memory = sorted(scored["source_key"].array[remembered.to_numpy()].unique())
    told = read_or_remembered("figure", memory)
    rows.append((MEMORY, len(memory), "0 sources", not memory, told))
    for r in records(conditions[conditions["why"] != ""]):
        name = ", ".join(text or "?" for text in (r.crop, r.growth_stage, r.plant_part))
        rows.append((name, r.samples, "0 samples", False, r.why))
    unclassed = scored[scored["class"] == Class.NOT_CLASSED]
    if n := len(unclassed.drop_duplicates(["specimen", "nutrient"])):  # a row for each source
        why = f"{counted(n, 'result')} cannot be classed: {'; '.join(unclassed['reason'].unique())}"
        rows.append(("results that cannot be classed", n, "0", False, why))
    return checks_frame(rows + oxide_checks(scored))
