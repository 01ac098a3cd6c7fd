"""``python -m fertkit.cli`` is the command ``fertkit``."""

from fertkit.cli import command

command()
