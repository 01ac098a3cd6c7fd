"""What the leaf says: scores, balances, comparisons and explanations of plant tissue tests."""

from fertkit.tissue.explain import Explanation, explain
from fertkit.tissue.score import TissueScores, score_tissue

__all__ = ["Explanation", "TissueScores", "explain", "score_tissue"]
