"""A field over its dates, crops and years: the path through the stages, what repeats, what treatments did."""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_file, a_table_or_path, asks, either, holding, words_by_name
from fertkit.errors import NotEstimable, unknown
from fertkit.intake.leaf import TissueSamples
from fertkit.intake.reports import Reports, read_reports
from fertkit.reference.crops import related_crops
from fertkit.reference.facts import load_facts, threshold
from fertkit.reference.load import load_ranges
from fertkit.results import Result, checks_frame, records
from fertkit.rounding import above
from fertkit.tissue.agree import Verdict
from fertkit.tissue.classes import Class
from fertkit.tissue.match import samples_frame
from fertkit.tissue.pairs import AREAS, compare_pairs
from fertkit.tissue.score import CARRIED, TissueScores, score_tissue
from fertkit.tissue.seasons import NO_YEAR, SEASON, STEP, steps_of
from fertkit.tissue.treatments import compare_treatments
from fertkit.tissue.verdicts import LACKING, POSSIBLY, SHORT_NOW, verdicts_of

NAMED = ("specimen", "sample_id")
NO_RANGE = "no published range counts for this stage and part"
_BY_FIELD = ("path", "repeats", "pairs", "treatments", "missing")


class State(StrEnum):
    """What the samples of one place and day say of a nutrient together."""

    SHORT = "short"
    POSSIBLY = "possibly short"
    IN_PART = "short in some samples"
    OPEN = "left open"
    ENOUGH = "enough"
    NOT_JUDGED = "not judged"


_STATE = {
    Verdict.SHORT: State.SHORT, Verdict.SHORT_IF_TOLD: State.SHORT, Verdict.ENOUGH: State.ENOUGH,
    Verdict.DISAGREE: State.OPEN, Verdict.WITHIN: State.OPEN, Verdict.NOT_JUDGED: State.NOT_JUDGED,
}  # fmt: skip


@dataclass(frozen=True)
class FieldHistory(Result):
    """Leaf reports of fields over dates, crops and years.

    Attributes
    ----------
    path : DataFrame
        Also ``table``: field, crop, season (year of harvest, or 'no year'), step (1, 2, ...), growth_stage,
        plant_part, sampled, spot (good, poor, a treatment or ''), nutrient, value (mean of the results),
        unit, censored, samples, judged and short and open (of them), low, middle and strict (lower limits of
        the stage: lowest, middle and highest of the sources), high (upper end), sources, laboratory,
        strictest_class, state (`State`), turn ('falls below', 'recovers', '': no change, or one of the two
        steps is not judged or left open), called (short, possibly short, marginal or '': the surest
        verdict of a leaf test on its samples).
    repeats : DataFrame
        field, spot, nutrient, judged and short and open (seasons with a year), possibly (of the short ones,
        those that are possibly short at the most), where (seasons and stages at which it was short).
    pairs : DataFrame
        Good against poor areas, as in `fertkit.tissue.compare_pairs`, by field, crop, season, day and stage.
    treatments : DataFrame
        field, crop, season, growth_stage, nutrient, unit, means (treatment -> mean), samples, p_value and lsd
        (missing where there is no replicate), blocked.
    missing : DataFrame
        field, crop, season, step, growth_stage, plant_part, nutrient, column ('' where it was read), why:
        nutrients not read, or that no range judges where it judges others of the sample.
    reports : Reports
    scores : TissueScores
    """

    path: pd.DataFrame
    repeats: pd.DataFrame
    pairs: pd.DataFrame
    treatments: pd.DataFrame
    missing: pd.DataFrame
    reports: Reports
    scores: TissueScores

    @property
    def table(self) -> pd.DataFrame:
        return self.path

    @property
    def fields(self) -> list[str]:
        """Names of the fields, in their order."""
        return list(self.path["field"].unique())

    @property
    def findings(self) -> pd.DataFrame:
        """What repeats, turns and differs, row by row: kind, field, subject, value, limit, status."""
        again = self.repeats[self.repeats["short"] > 0]
        turned = self.path[self.path["turn"] != ""]
        lower = self.pairs[self.pairs["difference"] != "within noise"]
        tested = self.treatments[self.treatments["p_value"].notna()]
        parts = [
            again.assign(kind="repeats", value=again["short"], limit=again["judged"], status=again["where"]),
            turned.assign(kind="turn", limit=turned["low"], status=turned["turn"]),
            lower.assign(kind="pair", value=lower["poor"], limit=lower["good"], status=lower["difference"]),
            tested.assign(kind="treatment", value=tested["p_value"], limit=np.nan, status=""),
        ]
        columns = ["kind", "field", "nutrient", "value", "limit", "status"]
        rows = [part[columns] for part in parts if len(part)]
        return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)

    def only(self, field: str) -> "FieldHistory":
        """Return the history of one field.

        Raises
        ------
        LookupFailed
            If it is not among the fields; lists them.
        """
        if field not in self.fields:
            raise unknown("field", field, self.fields)
        tables = {name: getattr(self, name) for name in _BY_FIELD}
        return replace(self, **{name: table[table["field"] == field] for name, table in tables.items()})

    @property
    def unmeasured(self) -> list[str]:
        """Nutrients that published ranges of the crops judge and no sample was tested for."""
        grown = {name for crop in self.path["crop"].unique() for name in related_crops(crop)}
        table = load_ranges()
        ranged = set(table.loc[table["crop"].isin(grown), "nutrient"])
        ranged -= {*self.path["nutrient"], *self.missing["nutrient"]}
        return [name for name in load_facts("mobility")["nutrient"].unique() if name in ranged]

    @property
    def sources(self) -> pd.DataFrame:
        return self.scores.sources

    @property
    def checks(self) -> pd.DataFrame:
        about = self.reports.about[self.reports.about["field"].isin(self.fields)]
        names = sorted({name for name in about["laboratory"] if name})
        told = ("one laboratory, as far as the reports say", _laboratories(about, names))
        jumps = odd_jumps(self.path)
        leap = "no value leaps between seasons", "; ".join(jumps) or "values leap between seasons"
        rows = [
            ("laboratories named", len(names), "<= 1", len(names) < 2, told),
            ("leaps between seasons", len(jumps), "0", not jumps, leap),
        ]
        return pd.concat([checks_frame(rows), self.scores.checks], ignore_index=True)


def _laboratories(about, names) -> str:
    """What several laboratories mean for a history, with the years of each."""
    years = about.groupby("laboratory")["year"].unique()
    whose = "; ".join(f"{n} in {', '.join(map(str, sorted(years[n].dropna())))}" for n in names)
    note = load_facts("history_notes").set_index("about")["note"]["laboratories"]
    return f"{whose}: {note}" if whose else note


#: One report: its file, its samples, or reports as read.
_ONE = either(holding("samples", like="reports"), holding("table", like="samples"), a_file)


def some_reports(value):
    """Reports: one, or a list of them; what was handed over goes as (name, content)."""
    if not isinstance(value, list | tuple):
        return _ONE(value)
    return [one if isinstance(one, tuple) and len(one) == 2 else _ONE(one) for one in value]


@asks(reports=some_reports, same=words_by_name, ranges=a_table_or_path, reading=a_dict)
def field_history(reports, *, same: dict | None = None, ranges=None, reading=None, **studies) -> FieldHistory:
    """Follow fields through the stages of each crop and year, and over the years.

    Parameters
    ----------
    reports : path, TissueSamples, DataFrame, Reports, or list of paths
        A folder, a workbook, a table, or several, as `fertkit.intake.reports.read_reports` takes them.
    same : dict of str -> str, optional
        What spellings of field names mean.
    ranges : DataFrame or path, optional
        Ranges of the user's own.
    reading : dict, optional
        How each report is to be read: see `fertkit.intake.read_tissue`.
    **studies
        For `fertkit.tissue.score_tissue`: source, without, region, cvs.

    Returns
    -------
    FieldHistory
        Never one path over two seasons or crops: another crop, another year, or a gap of more than half a
        year begins a season. Samples without a date of their own are set in order by stage.

    Raises
    ------
    InputError
        If no report can be read.

    Examples
    --------
    Potassium of one field, short in both years (1.56 % at R2, STAMMER2018):

    >>> from fertkit.tissue import field_history
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> rows = [("2024-07-20", 1.31), ("2025-07-18", 1.40)]
    >>> sheet = "Field,Sampled,Crop,Stage,Part,K %\\n"
    >>> sheet += "".join(f"North,{day},soybean,R2,trifoliate,{k}\\n" for day, k in rows)
    >>> history = field_history(read_tissue(StringIO(sheet)), source="STAMMER2018")
    >>> history.repeats[["nutrient", "short", "judged"]].values.tolist()
    [['K', 2, 2]]
    """
    if isinstance(reports, pd.DataFrame):
        reports = _samples_of(reports)
    if not isinstance(reports, Reports):
        reports = read_reports(reports, same=same, **reading or {})
    scores = score_tissue(reports.samples, ranges, **studies)
    steps = steps_of(reports)
    path = _path(scores, steps)
    compared = [compare(reports.samples, steps) for compare in (_pairs, _treatments)]
    missing = _missing(reports.unread, scores, steps)
    return FieldHistory(path, _repeats(path), *compared, missing, reports, scores)


def _samples_of(frame) -> TissueSamples:
    """A tidy frame of the user's own as samples; its other columns as a file's."""
    tidy = samples_frame(frame).drop(columns="label")
    kept = [c for c in tidy if c in NAMED or c not in CARRIED]
    others = tidy.drop_duplicates("specimen")[kept]
    others = others.astype({c: str for c in others if c != "specimen"})
    return TissueSamples(tidy, others, pd.DataFrame(columns=["what", "item", "detail", "row"]), (), "samples")


# ---- the path


def _path(scores, steps) -> pd.DataFrame:
    """One row a spot, step and nutrient, over its samples."""
    ends = scores.scored[scores.scored["aside"] == ""].groupby(["specimen", "nutrient"], sort=False)
    ends = ends["high"].max().reset_index()
    rows = scores.agreement.drop(columns=["sample_id", "crop", "growth_stage", "plant_part"])
    rows = rows[~rows["nutrient"].str.contains(":")].merge(ends, on=["specimen", "nutrient"], how="left")
    keys = [*STEP, "spot", "sampled", "laboratory"]
    rows = rows.merge(steps[keys].reset_index(), on="specimen")
    told = verdicts_of(scores)[["specimen", "nutrient", "status"]]
    rows = rows.merge(told, on=["specimen", "nutrient"], how="left")
    state = rows["verdict"].map({str(v): str(s) for v, s in _STATE.items()})
    rows = rows.assign(
        n_short=state == State.SHORT, n_judged=state != State.NOT_JUDGED, n_open=state == State.OPEN,
        severity=rows["strictest_class"],
    )  # fmt: skip
    order = {n: i for i, n in enumerate(dict.fromkeys(rows["nutrient"]))}
    path = rows.groupby([*STEP, "spot", "nutrient"], sort=False, dropna=False).agg(
        sampled=("sampled", "min"), value=("value", "mean"), unit=("unit", "first"),
        censored=("censored", _bound), samples=("specimen", "nunique"), judged=("n_judged", "sum"),
        short=("n_short", "sum"), open=("n_open", "sum"), low=("lowest_limit", "min"),
        middle=("middle_limit", "median"), strict=("highest_limit", "max"), high=("high", "max"),
        sources=("sources", "max"), laboratory=("laboratory", _common), strictest_class=("severity", _worst),
        called=("status", _surest),
    ).reset_index()  # fmt: skip
    every = path["short"] == path["judged"]
    cases = {
        State.NOT_JUDGED: path["judged"] == 0, State.POSSIBLY: every & (path["called"] == POSSIBLY),
        State.SHORT: every, State.IN_PART: path["short"] > 0, State.OPEN: path["open"] > 0,
    }  # fmt: skip
    path["state"] = np.select(list(cases.values()), [str(s) for s in cases], str(State.ENOUGH))
    path = path.assign(place=path["nutrient"].map(order))
    path = path.sort_values([*SEASON, "spot", "place", "step"], kind="stable").drop(columns="place")
    years = path["season"].str[:4].where(path["season"].str[0] != NO_YEAR[0], "9999")
    begun = path.groupby(SEASON)["sampled"].transform("min")
    path = path.assign(year=years, begun=begun)
    path = path.sort_values(["field", "year", "begun", "season", "crop"], kind="stable")
    return _turns(path.drop(columns=["year", "begun"]).reset_index(drop=True))


def _bound(marks):
    """The mark of a mean: that of all its results, or that some are known only to lie below or above it."""
    if len(set(marks)) == 1:
        return marks.iloc[0]
    return {"<": "≤", ">": "≥"}.get("".join(set(marks.replace("not detected", "<")) - {""}), "")


def _common(texts):
    return texts.iloc[0] if len(set(texts)) == 1 else ""


def _worst(classes):
    """The class on the lowest rung that any sample is in."""
    return min(classes, key=[str(name) for name in Class].index)


def _surest(statuses):
    """Short, possibly short or marginal, whichever comes first; '' where no sample is any of these."""
    return next((word for word in LACKING if word in set(statuses)), "")


def _turns(path):
    """Where a nutrient of one spot and plant part falls below its range, or recovers, from step to step."""
    level = path["state"].map({State.SHORT: 1.0, State.POSSIBLY: 1.0, State.ENOUGH: 0.0})  # blank where open
    one = [path[c] for c in (*SEASON, "spot", "nutrient", "plant_part")]
    change = level.groupby(one).diff().where(path["step"].groupby(one).diff() > 0)
    return path.assign(turn=np.select([change == 1, change == -1], ["falls below", "recovers"], ""))


def odd_jumps(path) -> list[str]:
    """Nutrients whose values at one stage differ so much between seasons that a unit may be read wrongly."""
    exact = path[(path["censored"] == "") & (path["value"] > 0)]
    most = threshold("times between seasons")
    said = []
    for (field, nutrient, _, _), rows in exact.groupby(["field", "nutrient", "growth_stage", "plant_part"]):
        least, top = rows.loc[rows["value"].idxmin()], rows.loc[rows["value"].idxmax()]
        if least["season"] != top["season"] and above(top["value"], most * least["value"]):
            times = f"{top['value'] / least['value']:.0f} times as high in {top['season']}"
            said.append(f"{field}: {nutrient} is {times} as in {least['season']}: check both units")
    return said


# ---- over the years


def _repeats(path) -> pd.DataFrame:
    """In how many of its seasons each nutrient of a spot was judged, short, left open."""
    dated = path[~path["season"].str.startswith(NO_YEAR) & (path["judged"] > 0)]
    place = ["field", "spot", "nutrient"]
    dated = dated.assign(sure=(dated["short"] > 0) & (dated["called"] == SHORT_NOW))
    seasons = dated.groupby([*place, "crop", "season"], sort=False)[["short", "open", "sure"]].sum()
    short, left = seasons["short"] > 0, seasons["open"] > 0
    seasons = seasons.assign(
        judged=1, short=short, open=left & ~short, possibly=short & (seasons["sure"] == 0)
    )
    counts = seasons.groupby(place, sort=False)[["judged", "short", "open", "possibly"]].sum().astype(int)
    counts["where"] = _where(dated[dated["short"] > 0], place)
    return counts.fillna({"where": ""}).reset_index()


def _where(rows, place) -> pd.Series:
    """Seasons and stages at which a nutrient of a place was short, or possibly; in how many samples."""
    if rows.empty:
        return pd.Series("", index=pd.MultiIndex.from_frame(rows[place]), dtype=object)
    more = [[POSSIBLY] * (r.called == POSSIBLY) + [f"{r.short} of {r.judged} samples"] * (r.judged > 1)
            for r in records(rows)]  # fmt: skip
    many = [f" ({', '.join(parts)})" if parts else "" for parts in more]
    stages = (rows["growth_stage"] + many).groupby([rows[c] for c in (*place, "crop", "season")], sort=False)
    seasons = stages.agg(" and ".join).reset_index(name="stages")
    texts = seasons["crop"] + " " + seasons["season"] + " at " + seasons["stages"]
    return texts.groupby([seasons[c] for c in place], sort=False).agg("; ".join)


def _missing(unread, scores, steps) -> pd.DataFrame:
    """Nutrients of each step that were not read, or have no range where others of the sample have one."""
    key = ["specimen", "nutrient"]
    table = scores.agreement
    judged = table[table["sources"] > 0]
    partly = table["specimen"].isin(judged["specimen"])
    ranged = partly & (table["sources"] == 0) & table["nutrient"].isin(load_facts("mobility")["nutrient"])
    lost = table.loc[ranged, key].assign(column="", why=NO_RANGE)
    rows = pd.concat([part for part in (unread, lost) if len(part)] or [unread])
    answered = pd.MultiIndex.from_frame(judged[key])
    rows = rows[~pd.MultiIndex.from_frame(rows[key]).isin(answered)]
    rows = rows.merge(steps[STEP].reset_index(), on="specimen")
    return rows.drop(columns="specimen").drop_duplicates()[[*STEP, "nutrient", "column", "why"]]


def _pairs(samples: TissueSamples, steps) -> pd.DataFrame:
    """Good against poor areas of one field, crop, day, stage and part."""
    key = [*STEP, "sampled"]
    known = steps[steps["area"].isin(AREAS)]
    both = known[known.groupby(key, dropna=False)["area"].transform("nunique") == 2]
    columns = ["field", "crop", "season", "sampled", "growth_stage"]
    if both.empty:
        return pd.DataFrame(columns=[*columns, "nutrient", "good", "poor", "unit", "difference", "short"])
    number = both.groupby(key, dropna=False, sort=False).ngroup()
    names = number.map(lambda n: f"pair {n}")
    frame = samples.table[samples.table["specimen"].isin(both.index)]
    frame = frame.assign(sample_id=frame["specimen"].map(names), area=frame["specimen"].map(both["area"]))
    pairs = compare_pairs(frame).pairs
    whose = both.assign(pair=names).drop_duplicates("pair").set_index("pair")[columns]
    return pairs.join(whose, on="pair").drop(columns="pair")


def _treatments(samples: TissueSamples, steps) -> pd.DataFrame:
    """What treatments of one field and day differ in; tested where they are replicated."""
    rows = []
    columns = ["field", "crop", "season", "growth_stage"]
    treated = steps[steps["treatment"] != ""]
    for key, mine in treated.groupby(STEP, sort=False):
        if mine["treatment"].nunique() < 2:
            continue
        frame = samples.table[samples.table["specimen"].isin(mine.index)]
        whose = dict(zip(columns, (*key[:3], key[4]), strict=True))
        rows += [whose | row for row in _tested(frame, mine)]
    columns += ["nutrient", "unit", "means", "samples", "p_value", "lsd", "blocked"]
    return pd.DataFrame(rows, columns=columns)


def _tested(frame, mine):
    """Means of each nutrient by treatment, with the test if there is one."""
    block = mine["area"]
    if mine["block"].ne("").all():
        block = block + " " + mine["block"]  # block 1 of the good area is not that of the poor
    design = pd.DataFrame({"sample_id": mine.index.astype(str), "treatment": mine["treatment"].to_numpy()})
    design = design.assign(block=block.to_numpy()) if len(set(block)) > 1 else design
    plain = frame.assign(sample_id=frame["specimen"].astype(str))
    try:
        compared = compare_treatments(plain, design)
    except NotEstimable:
        means = plain[plain["censored"] == ""].assign(of=plain["specimen"].map(mine["treatment"]))
        for (nutrient, unit), rows in means.groupby(["nutrient", "unit"], sort=False):
            yield {"nutrient": nutrient, "unit": unit, "means": rows.groupby("of")["value"].mean().to_dict(),
                   "samples": len(rows), "p_value": np.nan, "lsd": np.nan, "blocked": False}  # fmt: skip
        return
    for test in records(compared.tests):
        means = compared.means[compared.means["nutrient"] == test.nutrient].set_index("treatment")["mean"]
        yield {"nutrient": test.nutrient, "unit": test.unit, "means": means.to_dict(), "samples": test.n,
               "p_value": test.p_value, "lsd": test.lsd, "blocked": compared.blocked}  # fmt: skip
