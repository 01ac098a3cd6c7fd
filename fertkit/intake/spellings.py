"""The words laboratories use, read from one table (``spellings.csv``)."""

import csv
import unicodedata
from functools import cache
from importlib.resources import files


def plain(text: str) -> str:
    """Bring text to lower case and plain characters: accents, µ, superscripts, full width, blanks."""
    text = unicodedata.normalize("NFKC", str(text)).replace("\u2212", "-").replace("\u2013", "-")
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join(bare.lower().split())


def squeezed(text: str) -> str:
    """Plain text without blanks, underscores and brackets, for comparing unit names."""
    return "".join(c for c in plain(text) if c not in " _()[]{}")


@cache
def spellings(kind: str) -> dict[str, str]:
    """Map every spelling of one kind (unit, nutrient, oxide, noise, role, area ...) to its name."""
    table = {}
    with (files("fertkit.intake") / "spellings.csv").open(encoding="utf-8") as handle:
        for row in csv.DictReader(handle):
            if row["kind"] == kind:
                table |= {plain(word): row["name"] for word in row["spellings"].split("|")}
    return table
