"""How numbers are said in summaries and on figures."""

#: Said at the end of every budget.
GOVERNS = (
    "Published averages, not a rate to apply: local rules, the state land-grant guide and a certified "
    "adviser govern."
)


def short(value: float) -> str:
    """Write an amount with the digits it deserves: 240, 8.8, 0.047."""
    return f"{value:,.0f}" if abs(value) >= 9.5 else f"{value:.2g}"
