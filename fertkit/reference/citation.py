"""Write sources as a reference list or as BibTeX entries."""

import re
from pathlib import Path

import pandas as pd

from fertkit.errors import InputError, Problem
from fertkit.reference.load import list_sources
from fertkit.results import records

#: Authors. Year. Title. Journal volume(number):pages, of one work; a journal's name holds no full stop.
_ARTICLE = re.compile(
    r"(?P<author>[^.]+(?:\.[^ ][^.]*)*)\. (?P<year>\d{4})\. (?P<title>(?:(?!\d:\d).)+)\. "
    r"(?P<journal>[^.:(]{3,}) (?P<volume>\d+)(?:\((?P<number>[^)]+)\))?:(?P<pages>[A-Z]?\d+(?:-[A-Z]?\d+)?)"
)
_KEY_ON_PAGE = re.compile(r"<dt>([A-Z0-9_]+)</dt>")
#: Surnames and initials: Bender RR.
_AUTHOR = re.compile(r"(?P<surname>[^\d,]+?) (?P<initials>[A-Z]{1,4})")
_SPECIAL = str.maketrans({c: f"\\{c}" for c in "&%$#_{}"} | {"\\": r"\textbackslash{}"})


def keys_of_answer(path) -> list[str]:
    """Return the keys of the sources that a page or workbook of the kit names, in its order.

    Raises
    ------
    InputError
        If the file names none.
    """
    path, known = Path(path), set(list_sources()["source_key"])
    if path.suffix.lower() == ".xlsx":
        sheets = pd.read_excel(path, sheet_name=None, dtype=str)
        keys = [key for sheet in sheets.values() if "source_key" in sheet for key in sheet["source_key"]]
    else:
        keys = _KEY_ON_PAGE.findall(path.read_text(encoding="utf-8", errors="replace"))
    if not (found := [key for key in dict.fromkeys(keys) if key in known]):
        raise InputError(path.name, [Problem("no sources are named", "give a page or workbook of the kit")])
    return found


def reference_list(keys) -> list[str]:
    """Return citations in the order of their keys, each with its address and how it was obtained."""
    return [
        " ".join(filter(None, [f"{row.citation.rstrip('.')}.", row.address, _obtained(row)]))
        for row in records(list_sources(keys))
    ]


def bibtex(keys) -> str:
    r"""Return BibTeX entries of sources, keyed as in the kit.

    A citation that reads as authors, year, title, journal, volume and pages becomes an article; any other is
    kept whole in the note of a ``@misc``, so that no part of it is guessed.

    Examples
    --------
    >>> from fertkit.reference.citation import bibtex
    >>> print(bibtex(["BACHMAIER2009"]).splitlines()[0])
    @article{BACHMAIER2009,
    """
    return "\n".join(_entry(row) for row in records(list_sources(keys)))


def _entry(row) -> str:
    found = _ARTICLE.fullmatch(row.citation.rstrip("."))
    fields = {"note": f"{{{row.citation.translate(_SPECIAL)}}}"}
    if found:
        fields = {name: text.translate(_SPECIAL) for name, text in found.groupdict().items() if text}
        fields |= {"author": _authors(found["author"]), "title": f"{{{fields['title']}}}"}
        fields["pages"] = fields["pages"].replace("-", "--")
    address = row.address.split(" ")[0]
    if address.startswith("https://doi.org/"):
        fields["doi"] = address.removeprefix("https://doi.org/")
    elif address:
        fields["url"] = address
    if said := _obtained(row):
        fields["annote"] = said.strip("[]")
    body = "".join(f"  {name} = {{{text}}},\n" for name, text in fields.items())
    return f"@{'article' if found else 'misc'}{{{row.source_key},\n{body}}}\n"


def _authors(text) -> str:
    """Names parted by 'and', each as surname, initials; a name of another form is kept as it stands."""
    names = []
    for name in text.split(", "):
        form = _AUTHOR.fullmatch(name)
        names.append(f"{form['surname']}, {'. '.join(form['initials'])}." if form else f"{{{name}}}")
    whole = any(name.startswith("{") for name in names)
    return f"{{{text.translate(_SPECIAL)}}}" if whole else " and ".join(names).translate(_SPECIAL)


def _obtained(row) -> str:
    return "" if row.obtained in ("found", "") else f"[{row.obtained.replace('_', ' ')}]"
