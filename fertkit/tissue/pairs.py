"""Good against poor areas: log ratio of each nutrient, the noise it must exceed, the pattern of them all."""

from dataclasses import dataclass
from numbers import Real

import numpy as np
import pandas as pd

from fertkit.asked import a_number, asks, either, holding, numbers_by_name
from fertkit.errors import InputError, NotEstimable, Problem, unknown
from fertkit.intake.context import pair_name
from fertkit.intake.leaf import TissueSamples
from fertkit.intake.spellings import plain as plain_words
from fertkit.intake.spellings import spellings
from fertkit.reference.facts import load_facts, threshold
from fertkit.reference.load import list_sources
from fertkit.reference.nutrients import NUTRIENTS
from fertkit.results import Result, checks_frame
from fertkit.rounding import above, below
from fertkit.tissue.agree import Verdict
from fertkit.tissue.balance import range_verdicts
from fertkit.tissue.classes import cvs_told, settle_cvs
from fertkit.tissue.match import samples_frame

AREAS = ["good", "poor"]
TREATED = ["treated", "check"]  # compared in the same way, and worded apart
Z95 = 1.959963984540054


@dataclass(frozen=True)
class PairComparison(Result):
    """Good and poor areas compared.

    Attributes
    ----------
    pairs : DataFrame
        Also ``table``: pair, nutrient, unit, good, poor (means of the samples), log_ratio = ln(poor/good),
        noise (half width of its 95 % interval), difference (lower, higher, within noise), verdict_poor and
        verdict_good (published ranges), short (lower than the good area and below its range), evidence
        (strong: lower and below range; weak: lower but in range; both areas short; higher; none),
        content_ratio (poor/good amount per plant, if plant weights are given), good_specimens and
        poor_specimens. Of a treatment and its check, good stands for treated and poor for the check.
    patterns : DataFrame
        pair, pattern, meaning, what_to_do, source_key, provenance.
    cvs : DataFrame
    treated : bool
        A check and a treatment, not a poor and a good area.
    """

    pairs: pd.DataFrame
    patterns: pd.DataFrame
    cvs: pd.DataFrame
    treated: bool = False

    @property
    def table(self) -> pd.DataFrame:
        return self.pairs

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.patterns["source_key"], "MEMO"])

    @property
    def checks(self) -> pd.DataFrame:
        placeholder = self.cvs[self.cvs["nutrient"].isin(self.pairs["nutrient"])]["origin"].eq("placeholder")
        told = cvs_told("limits of noise")
        return checks_frame([("CVs", int(placeholder.sum()), "0 placeholders", not placeholder.any(), told)])


@asks(
    samples=holding("table", of="read_tissue"),
    cvs=either(a_number, numbers_by_name),
)  # fmt: skip
def compare_pairs(
    samples, *, cvs=None, plant_weights: dict | None = None, by: str | None = None
) -> PairComparison:
    """Compare the good and the poor area of each pair.

    Samples pair by their name without the good or poor mark ('North good', 'North poor'), by equal names with
    the mark in an area column, or by their field; if there is one name for each area only, they are one pair.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
        With ``area`` 'good' or 'poor'.
    cvs : dict or float, optional
        Relative standard deviations [%], as for `score_tissue`.
    plant_weights : dict of sample_id -> float, optional
        Dry weight of a plant [any one unit]: gives the amount per plant and settles dilution.
    by : str, optional
        Another column of the file whose equal entries make a pair, such as Paddock.

    Raises
    ------
    NotEstimable
        If no pair has both areas; says which areas were found.
    LookupFailed
        If `by` is no column of the samples; lists those there are.
    InputError
        If the samples of a pair differ in crop, stage or part.

    Examples
    --------
    >>> from fertkit.tissue import compare_pairs
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> sheet = (
    ...     "Sample,Field,Area,Crop,Stage,Part,N %,K %\\n"
    ...     "1,North,good,soybean,R2,trifoliate,5.1,2.10\\n2,North,poor,soybean,R2,trifoliate,5.0,1.31\\n"
    ... )
    >>> lines = compare_pairs(read_tissue(StringIO(sheet))).summary().splitlines()
    >>> [line.strip()[:41] for line in lines if "K:" in line]
    ['K: 1.31 against 2.10 %, 0.62 times the go']
    """
    frame = _marked(samples_frame(samples), _places(samples, by))
    compared = paired(frame, range_verdicts(samples), settle_cvs(cvs), plant_weights, marked=True)
    if compared is None:
        raise NotEstimable(_no_pair(frame, by))
    return compared


def paired(
    frame, verdicts, spread, plant_weights=None, *, marked=False, treated=False
) -> PairComparison | None:
    """Compare the pairs of a frame of samples, None where it holds none.

    Parameters
    ----------
    frame : DataFrame
        Tidy results (`fertkit.tissue.match.samples_frame`); `marked` where area and pair are settled.
    verdicts : DataFrame
        specimen, nutrient, verdict of the published ranges.
    spread : DataFrame
        CVs by nutrient (`fertkit.tissue.classes.settle_cvs`).
    plant_weights : dict, optional
    treated : bool
        Compare the check with the treatment.

    Raises
    ------
    InputError
        If the samples of a pair differ in crop, stage or part.
    """
    frame = frame if marked else _marked(frame, areas=TREATED if treated else AREAS)
    shape = {"index": ["pair", "nutrient", "unit"], "columns": "area", "values": "value"}
    table = frame.pivot_table(**shape, aggfunc="mean", sort=False).reindex(columns=AREAS).dropna()
    if table.empty:
        return None
    counts = frame.pivot_table(**shape, aggfunc="size").loc[table.index]
    table = table.reset_index()
    cv = table["nutrient"].map(spread.set_index("nutrient")["cv_pct"]).to_numpy() / 100
    table["log_ratio"] = np.log(table["poor"] / table["good"])
    table["noise"] = log_ratio_noise(cv, counts["good"].to_numpy(), counts["poor"].to_numpy())
    lower, higher = below(table["log_ratio"], -table["noise"]), above(table["log_ratio"], table["noise"])
    table["difference"] = np.select([lower, higher], ["lower", "higher"], "within noise")
    table = _with_verdicts(table, frame, verdicts)
    weights = _weight_ratios(frame, plant_weights)
    table["content_ratio"] = np.exp(table["log_ratio"]) * table["pair"].map(weights).astype(float)
    members = frame.groupby(["pair", "area"])["specimen"].agg(lambda numbers: tuple(dict.fromkeys(numbers)))
    for area in AREAS:
        table[f"{area}_specimens"] = [members[pair, area] for pair in table["pair"]]
    return PairComparison(table.reset_index(drop=True), _patterns(table, weights, treated), spread, treated)


def log_ratio_noise(cv, n_good: int = 1, n_poor: int = 1):
    """Half width of the 95 % interval of ln(poor/good): ``1.96 cv sqrt(1/n_good + 1/n_poor)`` [fraction]."""
    return Z95 * cv * np.sqrt(1 / n_good + 1 / n_poor)


def _no_pair(frame, by):
    names = {area: list(dict.fromkeys(rows["pair"])) for area, rows in frame.groupby("area")}
    if not names:
        return (
            "samples are not marked as good or poor area: add a column Area, or name samples so ('North "
            "good', 'North poor')"
        )
    held = "; ".join(f"{area}: {', '.join(names[area][:6]) if area in names else 'none'}" for area in AREAS)
    mend = "" if by else ", give both samples of a pair one name, or name the column of places"
    return f"no pair has a good and a poor area with results ({held}): check the column Area{mend}"


def _places(samples, by):
    """Entry of the column `by` for each row of the samples, '' where it is blank; None without `by`."""
    if not by:
        return None
    frame = samples_frame(samples)
    if isinstance(samples, TissueSamples):
        others = samples.others
        if by not in others and plain_words(by) in spellings("field") and (frame["field"] != "").any():
            return frame["field"]
        if by not in others:
            raise unknown("column of the samples", by, others.columns.drop(["specimen", "sample_id"]))
        return frame["specimen"].map(others.set_index("specimen")[by])
    if by not in samples:
        raise unknown("column of the samples", by, samples.columns)
    return frame[by].fillna("").astype(str)


def _marked(frame, by=None, areas=AREAS):
    """Results of good and poor areas with their area and pair; `by` gives the pair of each row."""
    names = [pair_name(str(name)) for name in frame["sample_id"]]
    marks = pd.Series([mark for _, mark in names], index=frame.index)
    area = frame["area"].where(frame["area"].isin(areas), marks).map(dict(zip(areas, AREAS, strict=True)))
    pair = [name for name, _ in names] if by is None else by
    frame = frame.assign(area=area, pair=pair)
    frame = frame[frame["pair"] != ""] if by is not None else frame
    frame = frame[frame["area"].isin(AREAS) & (frame["censored"] == "") & (frame["value"] > 0)]
    both = frame.groupby("pair")["area"].nunique()
    if by is None and not (both == 2).any():  # samples of one field go by names of their own
        fields = frame["area"].groupby(frame["field"]).transform("nunique")
        shared = (fields == 2) & (frame["field"] != "")
        if shared.any():
            frame = frame[shared].assign(pair=frame["field"])
            both = frame.groupby("pair")["area"].nunique()
    if (
        by is None
        and len(frame)
        and not (both == 2).any()
        and frame.groupby("area")["pair"].nunique().eq(1).all()
    ):
        frame = frame.assign(pair=" against ".join(dict.fromkeys(frame.sort_values("area")["pair"])))
    frame = frame.assign(pair=_occasions(frame))
    problems = []
    for pair, rows in frame.groupby("pair"):
        for column in ("crop", "growth_stage", "plant_part"):
            if len(set(rows[column])) > 1:
                what = f"samples of pair '{pair}' differ in {column.replace('_', ' ')}"
                remedy = "compare the same part at the same stage on the same day"
                problems.append(Problem(what, remedy, value=", ".join(sorted(set(rows[column])))))
    if problems:
        raise InputError("pairs", problems)
    return frame


def _occasions(frame):
    """Pairs, told apart by date, or by crop, stage and part, where each of these has both areas."""
    names = frame["pair"].astype(str)
    day = pd.to_datetime(frame["sampled"]).dt.strftime("%Y-%m-%d").fillna("")
    stage = frame["growth_stage"].fillna("").astype(str)
    condition = frame["crop"].fillna("").astype(str) + ", " + stage + ", " + frame["plant_part"].fillna("")
    for told in (day, condition):
        both = frame["area"].groupby([names, told]).transform("nunique") == 2
        whole = both.groupby(names).transform("all") & (told.groupby(names).transform("nunique") > 1)
        names = names.mask(whole, names + ", " + told)
    return names


def _with_verdicts(table, frame, verdicts):
    short = (Verdict.SHORT, Verdict.DISAGREE)
    found = frame.merge(verdicts, on=["specimen", "nutrient"], how="left").fillna(
        {"verdict": Verdict.NOT_JUDGED.value}
    )
    worst = found.assign(place=found["verdict"].map({v: i for i, v in enumerate(short)}).fillna(9))
    worst = worst.sort_values("place").drop_duplicates(["pair", "nutrient", "area"])
    for area in ("good", "poor"):
        mine = worst[worst["area"] == area].set_index(["pair", "nutrient"])["verdict"]
        table[f"verdict_{area}"] = mine.reindex(
            pd.MultiIndex.from_frame(table[["pair", "nutrient"]])
        ).to_numpy()
    lower, higher = (table["difference"] == said for said in ("lower", "higher"))
    poor_short = table["verdict_poor"] == short[0]
    table["short"] = lower & poor_short
    table["evidence"] = np.select(
        [table["short"], lower, poor_short & (table["verdict_good"] == short[0]), higher],
        [
            "strong: lower than the good area and below the range",
            "weak: lower than the good area",
            "both areas short",
            "higher than the good area",
        ],
        "none",
    )
    return table


def _weight_ratios(frame, plant_weights):
    if not plant_weights:
        return {}
    for name, weight in plant_weights.items():
        if name not in set(frame["sample_id"]):
            raise unknown("sample with a plant weight", name, frame["sample_id"].unique())
        if not (isinstance(weight, Real) and 0 < weight < np.inf):
            problem = Problem("not the weight of a plant", "Give a number above 0", None, str(name), weight)
            raise InputError("plant_weights", [problem])
    weighed = frame.assign(weight=frame["sample_id"].map(plant_weights).astype(float))
    mean = weighed.pivot_table(index="pair", columns="area", values="weight").reindex(
        columns=["good", "poor"]
    )
    return (mean["poor"] / mean["good"]).to_dict()


def _patterns(table, weights, treated=False):
    facts = load_facts("patterns").set_index("pattern")
    rows = []
    for pair, mine in table.groupby("pair", sort=False):
        name = _pattern(mine["difference"].to_numpy(), pair in weights and weights[pair] < 1)
        if treated:  # patterns of areas speak of roots and water, which strips side by side share
            moved = (mine["difference"] != "within noise").any()
            name = "treatment shows" if moved else "treatment does not show"
        low, high = (set(mine.loc[mine["difference"] == way, "nutrient"]) for way in ("lower", "higher"))
        if not treated and low == {"K"} and high and high <= {"Mg", "Ca"}:
            name = "K lower with {others} higher"
        said = {"pattern": name, **facts.loc[name]}
        others = " and ".join(n for n in NUTRIENTS if n in high)
        rows.append({"pair": pair} | {what: text.format(others=others) for what, text in said.items()})
    return pd.DataFrame(rows)


def _pattern(difference, heavier_good: bool) -> str:
    """Name of the pattern of one pair, from the nutrients that differ beyond their noise."""
    lower, higher = np.mean(difference == "lower"), np.mean(difference == "higher")
    enough, most = (
        len(difference) >= threshold("nutrients that move together"),
        threshold("share that moves together"),
    )
    if enough and lower >= most:
        return "all lower in the poor area"
    if enough and higher >= most:
        return "dilution in the good area" if heavier_good else "all higher in the poor area"
    if lower and higher:
        return "differences both ways"
    if lower:
        return "one or few nutrients lower"
    if higher and heavier_good:
        return "dilution in the good area"
    return "one or few nutrients higher" if higher else "no difference beyond noise"
