"""A user's files → tidy, checked tables; every problem of a file is told at once."""

from fertkit.intake.strips import StripTrial, read_strips

__all__ = ["StripTrial", "read_strips"]
