"""Several dates through a season, each against the ranges of its own stage."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.errors import LookupFailed, NotEstimable
from fertkit.intake.stages import stage_span
from fertkit.reference import base_crop, unknown_crops
from fertkit.reference.facts import load_facts
from fertkit.results import Result
from fertkit.tissue.score import TissueScores


@dataclass(frozen=True)
class SeasonPath(Result):
    """Path of each field through the season.

    Attributes
    ----------
    path : DataFrame
        Also ``table``: sample_id, nutrient, step (1, 2, ...), sampled, growth_stage, plant_part, value, unit,
        low and high (of the source; the lowest and highest limits if there are several), strictest_class,
        short (sources that call it short), sources, and turn ('falls below', 'recovers', '').
    scores : TissueScores
    """

    path: pd.DataFrame
    scores: TissueScores

    @property
    def table(self) -> pd.DataFrame:
        return self.path

    @property
    def sources(self) -> pd.DataFrame:
        return self.scores.sources

    @property
    def checks(self) -> pd.DataFrame:
        return self.scores.checks


@asks(scores=holding("scored", "shortfalls", like="what score_tissue gives"))
def season_path(scores: TissueScores) -> SeasonPath:
    """Follow each sample_id through its dates or stages.

    Parameters
    ----------
    scores : TissueScores
        Samples that carry the same sample_id at each date.

    Returns
    -------
    SeasonPath
        Ordered by sampling date, by stage where dates are missing. Another crop, or a gap of more than half a
        year, begins another season: a name with several is told by crop and year. Values of different plant
        parts are listed but no turn is told between them.

    Raises
    ------
    NotEstimable
        If no sample_id has two dates or stages.

    Examples
    --------
    >>> from fertkit.tissue import season_path
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> from fertkit.tissue import score_tissue
    >>> rows = "".join(f"North,soybean,{stage},trifoliate,{k}\\n" for stage, k in [("V5", 1.9), ("R2", 1.31)])
    >>> sheet = "Sample,Crop,Stage,Part,K %\\n" + rows
    >>> scores = score_tissue(read_tissue(StringIO(sheet)), source="STAMMER2018")
    >>> season_path(scores).path[["growth_stage", "strictest_class"]].values.tolist()  # 1.56 % at R2
    [['V5', 'no published range'], ['R2', 'deficient']]
    """
    scored = scores.scored
    limits = scored.groupby(["specimen", "nutrient"], sort=False)
    limits = limits.agg(
        low=("limit", "min"), high=("high", "max"), sampled=("sampled", "first")
    ).reset_index()
    path = scores.agreement.merge(limits, on=["specimen", "nutrient"], how="left")
    path = path[path["nutrient"].map(lambda n: ":" not in n)]
    steps = _steps(path)
    many = steps.groupby("path")["step"].transform("max") > 1
    if not many.any():
        what = "no sample name has two dates or stages in one season"
        raise NotEstimable(f"{what}; give a field the same name at each date")
    path = path.merge(steps.loc[many], on="specimen").assign(sample_id=lambda t: t["path"])
    path = path.sort_values(["sample_id", "step"], kind="stable")
    return SeasonPath(_turns(path), scores)


def _steps(path):
    """Season and step of each analysis; ``sample_id`` names the season too where a name has several."""
    first = path.drop_duplicates("specimen").copy()
    first["place"] = [_place(r.crop, r.growth_stage) for r in first.itertuples()]
    first["sampled"] = pd.to_datetime(first["sampled"]).astype("datetime64[ns]")
    first["crop"] = [crop if crop in unknown_crops([crop]) else base_crop(crop) for crop in first["crop"]]
    one_crop = [first["sample_id"], first["crop"]]
    first = first.sort_values("sampled", kind="stable")
    gap = first.groupby([c.reindex(first.index) for c in one_crop])["sampled"].diff()
    again = (gap > pd.Timedelta(_longest_gap(), "D")).astype(int)
    first["season"] = again.groupby([first["sample_id"], first["crop"]]).cumsum()
    first = first.sort_index()
    several = first.groupby("sample_id")[["crop", "season"]].transform("nunique").max(axis=1) > 1
    last = first.groupby(["sample_id", "crop", "season"])["sampled"].transform("max")
    year = last.dt.strftime(" %Y")
    again = first.groupby(["sample_id", "crop", year])["season"].transform("nunique") > 1
    year = year.mask(again, last.dt.strftime(" %Y-%m"))  # two crops of one year
    named = first["sample_id"] + ", " + first["crop"] + year.fillna("")
    first["path"] = first["sample_id"].mask(several, named)
    dated = first["sampled"].notna().groupby(first["path"]).transform("all")
    day = first["sampled"].astype("int64").astype(float)
    first["key"] = np.where(dated, day, first["place"])
    first["step"] = first.groupby("path")["key"].rank(method="dense").fillna(1).astype(int)
    return first[["specimen", "path", "step"]]


def _longest_gap():
    table = load_facts("sanity", ("low", "high")).set_index("check")
    return table.loc["days between samples of one season", "high"]


def _place(crop, stage):
    """Position of a stage; NaN where it is not known."""
    try:
        return stage_span(crop, stage).first if crop and stage else np.nan
    except LookupFailed:
        return np.nan


def _turns(path):
    short = path["short"] > 0
    judged = path["sources"] > 0
    group = [path["sample_id"], path["nutrient"], path["plant_part"]]
    before = short.where(judged).astype(float).groupby(group).shift()
    path = path.assign(
        turn=np.select(
            [judged & short & (before == 0), judged & ~short & (before == 1)], ["falls below", "recovers"], ""
        )
    )
    columns = [
        *("sample_id", "nutrient", "step", "sampled", "growth_stage", "plant_part", "value", "unit"),
        *("censored", "low", "high", "strictest_class", "short", "sources", "turn", "specimen"),
    ]
    order = {n: i for i, n in enumerate(dict.fromkeys(path["nutrient"]))}
    path = path.assign(place=path["nutrient"].map(order)).sort_values(
        ["sample_id", "place", "step"], kind="stable"
    )
    return path[columns].reset_index(drop=True)
