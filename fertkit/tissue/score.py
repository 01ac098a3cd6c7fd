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
from fertkit.reference.load import list_sources, load_ranges
from fertkit.reference.own import PLACE, own_tables, read_own
from fertkit.reference.profiles import as_list
from fertkit.reference.regions import in_region
from fertkit.reference.schema import check_table
from fertkit.results import Result, checks_frame
from fertkit.tissue import classes as c
from fertkit.tissue.agree import (
    agreement_of,
    apply_paired_rules,
    named_rows,
    set_aside,
    shortfalls_of,
    unjudged_of,
)
from fertkit.tissue.classes import Class, Reason
from fertkit.tissue.match import (
    CONDITION,
    LIMITS,
    Matches,
    distinct_conditions,
    match_ranges,
    prepare_ranges,
    samples_frame,
)
from fertkit.tissue.oxides import oxide_checks

CARRIED = [
    *("specimen", "sample_id", "label", *CONDITION, "sampled", "area", "field"),
    *("nutrient", "value", "unit", "censored", "flag", "row"),
]
TRACE = ["source_key", "provenance", "confidence", "region", "lineage"]
CHANCES, MEMORY = "laboratory and sampling CVs", "ranges carried from memory"  # names of checks


@dataclass(frozen=True)
class TissueScores(Result):
    """Tissue results scored, one row per sample, nutrient and source.

    Attributes
    ----------
    scored : DataFrame
        Also ``table``: the sample's columns (label: its name and what tells it from others of that name),
        then source_key, kind (sufficiency range or critical level),
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

    scored: pd.DataFrame
    conditions: pd.DataFrame
    near: pd.DataFrame
    close: pd.DataFrame
    cvs: pd.DataFrame
    checks: pd.DataFrame
    unread: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=UNREAD_COLUMNS))
    lent: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=LENT_COLUMNS))
    others: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["specimen"]))

    @property
    def table(self) -> pd.DataFrame:
        return self.scored

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

    @property
    def sources(self) -> pd.DataFrame:
        keys = [k for k in pd.unique(self.scored["source_key"]) if k]
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
    frame = samples_frame(samples, own.nutrients)
    name = Path(ranges).name if isinstance(ranges, (str, Path)) else "ranges"
    table = _range_table(ranges, source, without, name, own)
    code, conditions = distinct_conditions(frame)
    conditions["who"] = _who(frame, code, len(conditions))
    matches = match_ranges(conditions, table, strict)
    frame, code = _with_ratios(frame, code, matches)
    spread = c.settle_cvs(cvs)
    at, which = _pair(frame, code, matches)
    scored = apply_paired_rules(_score(frame, table, matches, code, at, which, spread))
    chosen = source is not None or ranges is not None
    held = matches.found.join(table[["provenance", "region", "lineage"]], on="range")
    scored = set_aside(scored, held, at, which, region, chosen, leading=own.keys)
    counts = np.bincount(code[frame["specimen"].drop_duplicates().index], minlength=len(conditions))
    unknown = conditions.index.isin(matches.unknown)
    conditions = conditions.assign(samples=counts, why=matches.why, unknown=unknown)
    checks = _checks(scored, conditions, spread)
    regions = table.drop_duplicates("source_key").set_index("source_key")["region"]
    near_by = in_region(matches.close["source_key"].map(regions).astype(object), region)
    close = matches.close[near_by | chosen]
    scores = TissueScores(scored, conditions, matches.near, close, spread, checks)
    if isinstance(samples, TissueSamples):
        return replace(scores, unread=samples.unread, lent=samples.lent, others=samples.others)
    own = ["specimen", *(column for column in frame if column not in CARRIED)]
    return replace(scores, others=frame.drop_duplicates("specimen")[own].astype({n: object for n in own[1:]}))


def as_scored(samples: TissueSamples, scores: TissueScores) -> TissueSamples:
    """Leave out the notes of the reader on crops it does not know and a table of the user's own does."""
    known = set(scores.scored.loc[scores.scored["source_key"] != "", "row"])
    kept = (note for note in samples.notes if note.column != "crop" or note.row not in known)
    return replace(samples, notes=tuple(kept))


@cache
def _bundled():
    """The bundled ranges, prepared once: the kit knows all their crops, so no row depends on another."""
    return prepare_ranges(load_ranges())


def _range_table(ranges, source, without, name, own):
    """The ranges that are asked, on the kit's units and scales; those of the user's own tables among them."""
    if ranges is None:
        table = _bundled()
    elif isinstance(ranges, pd.DataFrame):
        table = check_table(ranges, "ranges", name, own.nutrients)
    else:
        table = load_ranges(ranges)
    known = {*table["source_key"], *own.keys}
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
    first = frame[["label", "row"]].assign(code=code)[~frame["specimen"].duplicated()]
    first = first.groupby("code", sort=False).head(4)  # one more than is named tells that there are more
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
    return frame.iloc[order].reset_index(drop=True), code


def _pair(frame, code, matches: Matches):
    """Pair each result with the ranges that hold: row of the samples, row of the matches (-1: none)."""
    nutrient, names = pd.factorize(frame["nutrient"].astype(object))
    at_name = {name: j for j, name in enumerate(names)}
    found = matches.found
    pairs, seen = [], np.zeros(len(frame), bool)
    for key in pd.unique(found["source_key"]):
        mine = found[(found["source_key"] == key) & found["nutrient"].isin(at_name)]
        lookup = np.full((len(matches.why), len(names)), -1)
        lookup[mine["condition"].to_numpy(int), mine["nutrient"].map(at_name).to_numpy(int)] = mine.index
        which = lookup[code, nutrient]
        at = np.flatnonzero(which >= 0)
        seen[at] = True
        pairs.append((at, which[at]))
    alone = np.flatnonzero(~seen)
    pairs.append((alone, np.full(len(alone), -1)))
    at, which = (np.concatenate(part) for part in zip(*pairs, strict=True))
    order = np.argsort(at, kind="stable")
    return at[order], which[order]


def _score(frame, table, matches, code, at, which, spread):
    found = matches.found
    rows = np.append(found["range"].to_numpy(int), -1)[which]  # row of the range table, -1 for none
    limits = {n: np.append(table[n].to_numpy(float), np.nan)[rows] for n in LIMITS}
    value, marks = frame["value"].to_numpy(float)[at], _Marks(frame["censored"], at)
    lower = [limits[n] for n in ("low", "critical", "critical_high")]
    foot, limit = c.range_foot(*lower), c.shortage_limit(*lower)
    classed, reason = _classes(value, marks, limits, which < 0)
    narrow = np.flatnonzero(reason == Reason.UPPER_ONLY)
    narrow = narrow[(frame["unit"].iloc[at[narrow]] == "ratio").to_numpy()]
    classed[narrow], reason[narrow] = Class.SUFFICIENT.value, ""  # a ratio is judged from above alone
    within = c.left_open(classed, value, marks.where("<"), limit)
    reason[within] = Reason.LEFT_OPEN.value
    plain = np.where(marks.where("") & (value > 0), value, np.nan)
    cv = pd.Series(spread["cv_pct"].to_numpy() / 100, index=spread["nutrient"])
    codes, names = pd.factorize(frame["nutrient"].astype(object))
    cv = cv.reindex(names).to_numpy(float)[codes][at]
    texts = _texts(table, found, matches.why, code, at, which, rows, reason)
    columns = {name: _take(frame[name], at) for name in CARRIED}
    columns |= {"source_key": texts["source_key"], "kind": texts["kind"]}
    columns |= {"class": pd.Series(classed, dtype=object, copy=False), "reason": texts["reason"], **limits}
    columns |= {
        "limit": limit,
        "within_critical": within,
        "position": c.position_in_range(plain, limits["low"], limits["high"]),
        "distance": c.distance_from_range(plain, limits["low"], limits["high"], foot),
        "probability_below": c.probability_below(plain, limit, cv),
        "error_pct": 100 * cv,
    }
    columns |= {n: texts[n] for n in ("match", "range_stage", "range_part", *TRACE[1:])}
    return pd.DataFrame(columns, copy=False)


class _Marks:
    """The marks of censored results at some rows; there are few, so each is compared once."""

    def __init__(self, censored, at):
        codes, self._names = pd.factorize(censored.astype(object), use_na_sentinel=False)
        self._codes = codes[at]

    def where(self, mark) -> np.ndarray:
        """Which rows carry a mark."""
        return (self._names == mark)[self._codes]


def _classes(value, marks, limits, no_range):
    """Class and key of the reason of each result ('' where the class says all)."""
    classed = c.classify(value, **limits)
    unclassed = classed == Class.NOT_CLASSED
    reason = np.full(len(value), "", dtype=object)
    reason[unclassed] = np.where(value[unclassed] == 0, Reason.ZERO.value, Reason.UPPER_ONLY.value)
    for mark, certain, doubt, otherwise in (
        ("<", Class.LOW, Reason.MAYBE_DEFICIENT, Reason.LIMIT_INSIDE),
        (">", Class.HIGH, Reason.MAYBE_EXCESSIVE, Reason.LIMIT_OPEN),
    ):
        at = np.flatnonzero(marks.where(mark))
        some = {n: v[at] for n, v in limits.items()}
        if mark == "<":
            low = {n: some[n] for n in ("low", "critical", "critical_high")}
            classed[at] = c.classify_below(value[at], **low)
            unsure = ~np.isnan(some["critical"])
        else:
            classed[at] = c.classify_above(value[at], **some)
            unsure = ~np.isnan(some["toxic_above"])
        cases = [classed[at] == Class.NOT_CLASSED, (classed[at] == certain) & unsure]
        reason[at] = np.select(cases, [otherwise, doubt], "")
    unseen = marks.where("not detected") | (np.isnan(value) & marks.where(""))
    classed[unseen], reason[unseen] = Class.NOT_CLASSED.value, Reason.NOT_DETECTED.value
    classed[no_range], reason[no_range] = Class.NO_RANGE.value, Reason.NO_RANGE.value
    return classed, reason


def _texts(table, found, why, code, at, which, rows, reason):
    """Text columns that come from the ranges, and the reason of each row."""
    same = table["stage_from"] == table["stage_to"]
    stage = table["stage_from"].where(same, table["stage_from"] + " to " + table["stage_to"])
    critical = table["low"].isna() & (table["critical"].notna() | (table["unit"] == "ratio"))
    own = {
        **{name: table[name] for name in TRACE},
        "range_stage": stage, "range_part": table["plant_part"],
        "kind": critical.map({True: "critical level", False: "sufficiency range"}),
    }  # fmt: skip
    texts = {name: _named([*column, ""], rows) for name, column in own.items()}
    texts["match"] = _named([*found["match"], ""], which)
    said, told = {r.value: r.text for r in Reason}, np.flatnonzero(reason != "")
    reason[told] = [said[name] for name in reason[told]]
    alone = np.flatnonzero(which < 0)
    alone = alone[(np.array(why, dtype=object) != "")[code[at[alone]]]]
    reason[alone] = np.array(why, dtype=object)[code[at[alone]]]
    texts["reason"] = pd.Series(reason, dtype=object, copy=False)
    return texts


def _named(names, numbers):
    return pd.Series(np.array(list(names), dtype=object)[numbers], dtype=object, copy=False)


def _take(column, at):
    """Cells of a column at some rows; texts are objects, each made once."""
    if column.dtype == "str":
        code, names = pd.factorize(column, use_na_sentinel=False)
        at, values = code[at], names.to_numpy(object)
    else:
        values = column.to_numpy()
    return pd.Series(values[at], dtype=object if values.dtype == object else None, copy=False)


def _checks(scored, conditions, spread):
    placeholders = int((spread["origin"] == "placeholder").sum())
    advice = (
        "the chances rest on placeholder errors of laboratory and sampling, from memory; enter your "
        "laboratory's"
    )
    told = ("all laboratory and sampling errors are yours", advice)
    rows = [(CHANCES, placeholders, "0 placeholders", not placeholders, told)]
    remembered = (scored["provenance"] == "from_memory") & (scored["aside"] == "")
    memory = sorted(scored.loc[remembered, "source_key"].unique())
    meaning = f"figures of {', '.join(memory)} are from memory: check them before use"
    told = ("every deciding range was read in its source", meaning)
    rows.append((MEMORY, len(memory), "0 sources", not memory, told))
    for r in conditions[conditions["why"] != ""].itertuples():
        name = ", ".join(text or "?" for text in (r.crop, r.growth_stage, r.plant_part))
        rows.append((name, r.samples, "0 samples", False, r.why))
    unclassed = scored.loc[scored["class"] == Class.NOT_CLASSED, "reason"]
    if len(unclassed):
        why = "; ".join(dict.fromkeys(unclassed))
        rows.append(("results that cannot be classed", len(unclassed), "0", False, why))
    return checks_frame(rows + oxide_checks(scored))
