"""Names that may be two spellings of one: asked about, never taken for one."""

import re
from difflib import SequenceMatcher

from fertkit.intake.spellings import plain, spellings

#: Share of the letters of two words that agree from which on one may be a slip of the other.
_CLOSE = 0.8
#: What stands between the parts of a label, but not between two numbers.
_JOINS = re.compile(r"(?<=[^\W\d])[\s_.-]+(?=\w)|(?<=\d)[\s_.-]+(?=[^\W\d])")


def one_spelling(name: str) -> str:
    """Return a name without capitals, marks and doubled blanks: 'North_40 ' and 'north 40' are one."""
    return " ".join(re.findall(r"[^\W_]+", plain(name))) or plain(name)


def label_key(label) -> str:
    """Return a label without capitals, and without blanks, hyphens and points beside letters.

    Examples
    --------
    >>> from fertkit.intake.alike import label_key
    >>> label_key("H 2") == label_key("h-2") == label_key("H2"), label_key("2-1") == label_key("21")
    (True, False)
    """
    return _JOINS.sub("", str(label).lower().strip())


def alike(one: str, other: str) -> bool:
    """Tell whether two names may be one, written by two hands.

    Numbers and sides (north, upper, A) must agree; words may be short for each other, have a slip, stand in
    another order or be left out.

    Examples
    --------
    >>> from fertkit.intake.alike import alike
    >>> alike("Heron Qtr", "Heron Quarter"), alike("North 40", "South 40"), alike("Mill 1", "Mill 2")
    (True, False, False)
    """
    one, other = (one_spelling(name).split() for name in (one, other))
    if _fixed(one) != _fixed(other) or one == other:
        return False
    one, other = ([word for word in words if not _is_fixed(word)] for words in (one, other))
    if sorted(one) == sorted(other) or "".join(one) == "".join(other):
        return True
    if one and other and (set(one) < set(other) or set(other) < set(one)):
        return True
    return len(one) == len(other) > 0 and all(map(_one_word, one, other))


def _is_fixed(word) -> bool:
    return len(word) == 1 or any(c.isdigit() for c in word) or word in spellings("side")


def _fixed(words):
    return sorted(spellings("side").get(word, word) for word in words if _is_fixed(word))


def _one_word(one, other) -> bool:
    """Whether two words are the same, one short for the other, or a slip of it."""
    short, long = sorted((one, other), key=len)
    letters = iter(long)
    if len(short) > 1 and short[0] == long[0] and all(letter in letters for letter in short):
        return True
    return SequenceMatcher(None, one, other).ratio() >= _CLOSE
