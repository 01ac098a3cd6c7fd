"""What the leaf says: scores, balances, comparisons and explanations of plant tissue tests."""

from fertkit.tissue.score import TissueScores, score_tissue

__all__ = ["TissueScores", "score_tissue"]
