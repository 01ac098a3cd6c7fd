"""Ask every floor about one field and hold the answers together."""

from dataclasses import dataclass

import pandas as pd

from fertkit.budget import Ledger, NutrientBudget, SeasonDemand, carry_over, nutrient_budget, season_demand
from fertkit.errors import NotEstimable
from fertkit.intake import read_strips, read_tissue
from fertkit.reference import base_crop
from fertkit.response import ResponseAnalysis, analyse_response
from fertkit.tissue import Explanation, TissueScores, explain, score_tissue
from fertkit.units import convert_area_rate

LEDGER_COLUMN = {"N": "n_lb_ac", "P2O5": "p2o5_lb_ac", "K2O": "k2o_lb_ac"}


@dataclass(frozen=True)
class FieldAnswer:
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
        By trial: the economic optimum applied once for the yield goal, and what of it stays. Empty where the
        file does not name N, P2O5 or K2O.
    """

    budget: NutrientBudget
    season: SeasonDemand | None
    scores: TissueScores
    explanation: Explanation
    trials: dict[str, ResponseAnalysis]
    applied: str
    carried: dict[str, Ledger]


def answer_field(
    crop, goal, goal_unit="bu/ac", *, leaf, strips, nutrient_price, grain_price, ranges=None, seed=0
) -> FieldAnswer:
    """Answer for one field: needs, season, leaf tests, strip trials, optimum rate, what carries over.

    Parameters
    ----------
    crop : str
    goal : float
        Yield goal [`goal_unit`].
    goal_unit : str
    leaf : path or buffer
        Laboratory file; its samples of `crop` are scored.
    strips : path or buffer
        Strip file of one or more trials of one nutrient.
    nutrient_price, grain_price : float
        Price per mass unit of the rate column and of the yield column.
    ranges : path or DataFrame, optional
        Sufficiency ranges of the user's own instead of the bundled ones.
    seed : int
        Seed of the resampling.

    Returns
    -------
    FieldAnswer

    Raises
    ------
    FertkitError
        If a file or a price cannot be used, or the laboratory file holds no sample of the crop.
    """
    budget = nutrient_budget(crop, goal, goal_unit)
    scores = score_crop(read_tissue(leaf), budget.crop, ranges)
    trial = read_strips(strips, crop=budget.crop)
    trials = analyse_trials(trial.table, nutrient_price, grain_price, seed)
    carried = {}
    if trial.nutrient in LEDGER_COLUMN:
        carried = {
            name: _carried(budget, trial.nutrient, analysis, nutrient_price)
            for name, analysis in trials.items()
        }
    return FieldAnswer(
        budget, _season(crop, goal, goal_unit), scores, explain(scores), trials, trial.nutrient, carried
    )


def score_crop(samples, crop: str, ranges=None) -> TissueScores:
    """Score the samples of one crop in a laboratory file.

    Raises
    ------
    NotEstimable
        If the file holds none; names the crops it holds.
    """
    table = samples.table
    mine = table["crop"].map(lambda name: bool(name) and base_crop(name) == base_crop(crop)).astype(bool)
    if not mine.any():
        held = ", ".join(sorted(set(table["crop"]) - {""})) or "none named; add a column Crop"
        raise NotEstimable(f"the laboratory file holds no sample of {crop}; crops in it: {held}")
    return score_tissue(table[mine], ranges)


def analyse_trials(table: pd.DataFrame, nutrient_price, grain_price, seed=0) -> dict[str, ResponseAnalysis]:
    """Analyse each trial of a strip table on its own.

    Raises
    ------
    NotEstimable
        If a trial cannot be analysed; names it.
    """
    trials = {}
    for name, rows in table.groupby("trial", sort=False):
        try:
            trials[str(name)] = analyse_response(
                rows, nutrient_price=nutrient_price, grain_price=grain_price, seed=seed
            )
        except NotEstimable as error:
            raise NotEstimable(f"trial {name}: {error}") from None
    return trials


def _season(crop, goal, goal_unit):
    try:
        return season_demand(crop, goal, goal_unit)
    except NotEstimable:
        return None


def _carried(budget, nutrient, analysis, price):
    rate = convert_area_rate(analysis.optimum.rate, analysis.rate_unit, "lb/ac")
    per_lb = convert_area_rate(price, "lb/ac", analysis.rate_unit)  # money per lb from money per rate unit
    season = {
        "year": ["this season"],
        "crop": [budget.crop],
        "yield_goal": [budget.yield_goal],
        "yield_unit": [budget.yield_unit],
        LEDGER_COLUMN[nutrient]: [rate],
    }
    return carry_over(pd.DataFrame(season), prices={nutrient: per_lb})
