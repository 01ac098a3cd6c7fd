"""Limits of checks in words."""

_SIGNS = {">=": "at least", "<=": "at most", ">": "above", "<": "below"}


def limit_text(limit):
    """Return the limit of a check for people; one that is no text stays as it is.

    Examples
    --------
    >>> from fertkit.say.checks import limit_text
    >>> limit_text("p >= 0.05"), limit_text("< 0.05"), limit_text(0)
    ('p at least 0.05', 'below 0.05', 0)
    """
    return " ".join(_SIGNS.get(word, word) for word in limit.split(" ")) if isinstance(limit, str) else limit
