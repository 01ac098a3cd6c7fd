"""How numbers are said in summaries and on figures."""

from fertkit.results import plain

#: Said at the end of every budget.
GOVERNS = (
    "Published averages, not a rate to apply: local rules, the state land-grant guide and a certified "
    "adviser govern."
)


def mark(provenance: str) -> str:
    """What to add to a number that was not read in its source."""
    return " [from memory]" if "from_memory" in provenance or "mixed" in provenance else ""


def keys(*columns) -> str:
    """Source keys of some columns, each once, in words: A, B, C."""
    told = dict.fromkeys(k for column in columns for text in column for k in str(text).split(";"))
    return ", ".join(k for k in told if k and not k.startswith("own "))


def short(value: float) -> str:
    """Write an amount with the digits it deserves: 240, 8.8, 0.047."""
    return f"{value:,.0f}" if abs(value) >= 9.5 else plain(value, 2)


def daily(rate: float) -> str:
    """Write an amount per day so that two near each other differ: 10.4, 9.8, 0.0076."""
    return plain(rate, 3 if abs(rate) >= 9.95 else 2)


def parts(total: float, part: float) -> tuple[str, str, str]:
    """Write a total, a part and the rest so that the numbers shown add up: 328, 240, 88."""
    shown = short(total), short(part)
    digits = max(len(text.partition(".")[2]) for text in shown)
    rest = float(shown[0].replace(",", "")) - float(shown[1].replace(",", ""))
    return *shown, f"{rest + 0.0:,.{digits}f}"
