"""Short names of sources for readers: author or publisher, and year, number or first words of the title."""

import re
from collections.abc import Iterable, Iterator

_SURNAME = r"(?:(?:De|Ruiz|Van) )?[A-Z][^\W\d_]+(?:-[A-Z][^\W\d_]+)?"
_INITIALS = r"(?:(?:[A-Z]\.[- ]?)*[A-Z]\.|[A-Z]{1,4}\b)(?: Jr\.)?"
_AUTHORS = re.compile(
    rf"({_SURNAME})(?: et al\.|,? {_INITIALS}(?:(?:,? and |, ){_SURNAME},? {_INITIALS})*"
    r"(?: et al\.?| and others)?)"
    r"(?!&|\.?\w| (?!and\b|et\b)[a-z])"
)
_PUBLISHER = re.compile(
    r"\b(?:Universit(?:y|ies)|Council|Institute|Society|Association|Government|Department|Ministry|Extension|"
    r"Service|Laboratory|District|Center|Digest|specialists|project|AgProfessional|CIMMYT|Defra|Ag Today|"
    r"Crop File)\b"
)
_OF_A_UNIVERSITY = re.compile(r"(.*(?:Universit|State).*?)(?: Cooperative)? Extension\b.*")
_MARK = re.compile(
    r"(?<![-\d:])(?:18|19|20)\d\d(?![-\d])|(?<!-)\b(?:[A-Z]{2,4}-?\d{2,4}\b(?!-)|PO \d+|"
    r"(?:Bulletin|Publication|Standard|eUpdate|article|Notes|Part) \d\w*)"
)
_HANGING = re.compile(
    r"(?: (?:a|after|and|as|at|by|for|from|in|is|of|on|or|the|to|under|using|what|with|No\.))+$"
)


def _start(text: str, words: int) -> str:
    """Give the first words of a text."""
    plain = re.sub(r" \d+:.*", "", text)
    return _HANGING.sub("", " ".join(plain.split()[:words])).rstrip(" ,.:;?/")


def _names(citation: str) -> Iterator[str]:
    """Give names of a source, the shortest first."""
    authors = _AUTHORS.match(citation)
    rest = re.sub(r" ?\([^()]*\)", "", citation[authors.end() if authors else 0 :])
    pieces = [piece.strip(" .,;") for piece in re.split(r"(?<![ .][A-Z])(?<! No)(?<! vs)[.?;] ", rest)]
    pieces = [piece for piece in pieces if piece and not re.fullmatch(r"\d{4}", piece)]
    who = authors[1] if authors else ""
    if not who and pieces and _PUBLISHER.search(pieces[0]):
        first, _, further = pieces.pop(0).partition(", ")
        who = _OF_A_UNIVERSITY.sub(r"\1", first)
        pieces = pieces if pieces or not further else [further]
    mark, title = _MARK.search(citation), pieces[0] if pieces else ""
    if who and mark and mark[0] not in who:
        who = f"{who} {mark[0]}"
        yield who
        for text in pieces[:0:-1]:
            yield f"{who} ({_start(text, 4)})"
    if who and title:
        yield f"{who} ({_start(title, 4)})"
        yield f"{who} ({title.split()[-1]})"
    for words in range(5, 60):
        start = _start(title, words)
        if who:
            yield f"{who} ({start})" if start else who
        else:
            yield f"{start} ({mark[0]})" if mark and mark[0] not in start else start


def short_names_of(citations: Iterable[str]) -> list[str]:
    """Return a name for each citation, no two alike: the earlier of two has the shorter name.

    Examples
    --------
    >>> from fertkit.reference.names import short_names_of
    >>> short_names_of(["Bell R, Asher C. 1987. Potassium in soybean", "Ohio State University. Lime"])
    ['Bell 1987', 'Ohio State University (Lime)']
    """
    given = dict[str, None]()
    for citation in citations:
        given[next((name for name in _names(citation) if name not in given), citation)] = None
    return list(given)
