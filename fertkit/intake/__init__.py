"""A user's files → tidy, checked tables; every problem of a file is told at once."""

from fertkit.intake.strips import StripTrial, read_strips
from fertkit.intake.tissue import TissueSamples, read_tissue
from fertkit.intake.yield_points import YieldPoints, read_points

__all__ = ["StripTrial", "TissueSamples", "YieldPoints", "read_points", "read_strips", "read_tissue"]
