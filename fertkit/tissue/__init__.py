"""What the leaf says: scores, balances, comparisons and explanations of plant tissue tests."""

from fertkit.tissue.balance import Balance
from fertkit.tissue.cnd import cnd
from fertkit.tissue.dilution import NutritionIndex, nitrogen_nutrition_index
from fertkit.tissue.dop import dop, ratios
from fertkit.tissue.dris import dris
from fertkit.tissue.explain import Explanation, explain
from fertkit.tissue.norms import Norms, balance_distance, build_norms
from fertkit.tissue.pairs import PairComparison, compare_pairs
from fertkit.tissue.score import TissueScores, score_tissue
from fertkit.tissue.season import SeasonPath, season_path
from fertkit.tissue.treatments import TreatmentComparison, compare_treatments

__all__ = [
    "Balance",
    "Explanation",
    "Norms",
    "NutritionIndex",
    "PairComparison",
    "SeasonPath",
    "TissueScores",
    "TreatmentComparison",
    "balance_distance",
    "build_norms",
    "cnd",
    "compare_pairs",
    "compare_treatments",
    "dop",
    "dris",
    "explain",
    "nitrogen_nutrition_index",
    "ratios",
    "score_tissue",
    "season_path",
]
