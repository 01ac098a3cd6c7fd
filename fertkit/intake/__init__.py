"""A user's files → tidy, checked tables; every problem of a file is told at once."""

from fertkit.intake.strips import StripTrial, read_strips
from fertkit.intake.tissue import TissueSamples, read_tissue

__all__ = ["StripTrial", "TissueSamples", "read_strips", "read_tissue"]
