"""Limits of checks in words."""

from fertkit.results import plain

_SIGNS = {">=": "at least", "<=": "at most", ">": "above", "<": "below"}
#: On which side of its number the limit of a check lies, where its row holds the number alone.
_SIDES = {
    "at least": (
        "distinct rates", "replicates within rates [df]", "far strips [p]", "equal error at all rates [p]",
        "lack of fit [p]", "rows for AICc", "curves fitted", "three rates", "a curve beats the mean",
        "rates tested alike in every group", "error alike in every group [p]", "blocks hold several groups",
        "trials pooled", "trials with the pooled rate inside their tested rates", "the surface fits, p",
        "optimum among the combinations tested", "error degrees of freedom", "blocks",
    ),
    "at most": ("laboratories named",),
    "above": ("mean net gain above zero", "best rate clearly above the lowest", "pooled gain above zero",
              "gain of a new site above zero"),
    "below": ("response [p]", "optimum inside the tested rates", "interval closed above",
              "pooled rate below the highest rate of the grid"),
}  # fmt: skip
_SIDE = {check: side for side, checks in _SIDES.items() for check in checks}


def limit_text(check: str, limit):
    """Return the limit of a check for people; one that says nothing of its side stays as it is.

    Examples
    --------
    >>> from fertkit.say.checks import limit_text
    >>> limit_text("normality", "p >= 0.05"), limit_text("response [p]", 0.05), limit_text("far", 0)
    ('p at least 0.05', 'below 0.05', 0)
    """
    if isinstance(limit, str):
        return " ".join(_SIGNS.get(word, word) for word in limit.split(" "))
    side = _SIDE.get(check) or _SIDE.get(check.rpartition(" [")[0])
    return f"{side} {plain(limit)}" if side else limit
