"""What a number format of a spreadsheet lets a cell show: 0.0142 as 1.42 %, 99 as 0099, 0.05 as <0.05."""

import re
from decimal import Decimal
from functools import lru_cache

PERCENT = "%"
_DIGIT = "\x00"  # place of a digit in a mark; everything else in it is shown as it stands
_NUMBER = "\x01"  # place of a number of any length
#: Formats known by number alone that change what a number means (ECMA-376 part 1, 18.8.30).
BUILT_IN = {"9": "0%", "10": "0.00%"}
_TOKEN = re.compile(r'"([^"]*)"|\\(.)|[_*].|\[[^\]]*\]|(.)', re.DOTALL)


class Formatted(float):
    """A number with the text its cell shows; the value is that of the text."""

    shown: str

    def __new__(cls, value: float, shown: str):
        made = super().__new__(cls, value)
        made.shown = shown
        return made

    def __getnewargs__(self):
        return float(self), self.shown


def mark_of(code: str) -> str:
    """Return what a format code such as ``0.00%``, ``0000`` or ``0.0" ppm"`` adds to a number, or ''."""
    plain = shown = ""
    for quoted, escaped, char in _TOKEN.findall(code):
        if char == ";":  # the rest is for negative numbers
            break
        plain += char
        shown += quoted or escaped or (_DIGIT if char == "0" else char)
    if "%" in plain:
        return PERCENT
    if re.fullmatch(r"[0 ()-]+", plain) and plain.count("0") > 1:
        return shown
    number = re.fullmatch(r"([^#?.,\x00]*)[#?.,\x00]+([^#?.,\x00]*)", shown)
    words = f"{number[1]}{_NUMBER}{number[2]}" if number and re.fullmatch(r"[#0?., ()-]+", plain) else ""
    return words if words.strip(" ()-") != _NUMBER else ""


@lru_cache(maxsize=100_000)
def formatted(value: float, mark: str) -> float:
    """Return a number as its cell shows it, by the mark of its format; as it is where that does not apply."""
    if mark == PERCENT:
        number = f"{Decimal(repr(value)).scaleb(2).normalize():f}"
        return Formatted(number, f"{number} %")
    if _NUMBER in mark:
        return Formatted(value, mark.replace(_NUMBER, f"{Decimal(repr(value)).normalize():f}"))
    if not value.is_integer() or not 0 <= value < 1e15:
        return value
    places, digits = mark.count(_DIGIT), str(int(value))
    digits = digits.zfill(places)
    first, rest = digits[: len(digits) - places + 1], iter(digits[len(digits) - places + 1 :])
    parts = mark.split(_DIGIT)
    return Formatted(value, parts[0] + first + parts[1] + "".join(next(rest) + part for part in parts[2:]))
