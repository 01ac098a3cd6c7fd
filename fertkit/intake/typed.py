"""What a person types into one line: names with values."""

import re

from fertkit.errors import FertkitError


def pairs_of(text: str, doing: str, between: str = ",") -> dict[str, str]:
    """Read names with values as typed, such as 'A=B, C=D'; a comma inside a number parts nothing.

    Raises
    ------
    FertkitError
        If something else is typed (`doing` is an example), or a name twice.
    """
    parts = re.split(rf"{between}(?=[^{between}=]+=)", text.strip(f" {between}"))
    parts = [part for part in parts if part.strip()]
    pairs = [(name.strip(), value.strip()) for name, _, value in (part.partition("=") for part in parts)]
    stray = re.compile(rf"=|{between}(?!\d)")
    if not all(name and value and not stray.search(value) for name, value in pairs):
        raise FertkitError(f"'{text}' must be written like {doing}")
    return once(pairs)


def once(pairs) -> dict:
    """Make a dict of pairs of a name and its value; a name that stands twice is refused."""
    names = [name for name, _ in pairs]
    if twice := [name for name in names if names.count(name) > 1]:
        raise FertkitError(f"'{twice[0]}' is given twice; keep one")
    return dict(pairs)
