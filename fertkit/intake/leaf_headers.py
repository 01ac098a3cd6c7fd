"""The header rows of a wide table: where they are, and what the lines around them add."""

import re
from dataclasses import replace

from fertkit.intake.headers import Header, heading_unit
from fertkit.intake.leaf_sections import STATED, context_of
from fertkit.intake.spellings import is_rating, name_kind, number_like
from fertkit.intake.units import find_unit, is_other_matrix
from fertkit.tables import text_of


def nutrients_in(row) -> set[str]:
    """Return the nutrients (oxides, ions) a line of meanings names."""
    return {h.name for h in row if h.names_nutrient}


def header_rows(cells, text, lines) -> list[int]:
    """Find the lines that name the nutrients of a table: the first, and later ones (a new page ...)."""
    starts: list[int] = []
    for i in lines:
        named = [j for j, h in enumerate(text[i]) if h.names_nutrient]
        if not named:
            continue
        numbers = sum(number_like(c) for j, c in enumerate(cells[i]) if c != "" and j not in named)
        role = any(h.kind == "role" and h.name in STATED for h in text[i])
        again = bool(starts) and cells[i] == cells[starts[-1]]
        lone = len(nutrients_in(text[i])) == 1 and not role
        if again or not (
            numbers >= len(named) or lone or (starts and _below(cells, text, i, starts[-1], named))
        ):
            starts.append(i)
    if starts:
        return starts
    most = max(lines, key=lambda i: len(nutrients_in(text[i])), default=None)
    return [most] if most is not None and nutrients_in(text[most]) else []


def _below(cells, text, i, header, named):
    """Whether a line that seems to name nutrients is one of ratings, of second names, or of remarks."""
    if all(is_rating(cells[i][j]) for j in named):
        return True
    same = sum(text[header][j].name == text[i][j].name for j in named)
    return same * 2 >= len(named) and not any(cells[k][j] != "" for k in range(header + 1, i) for j in named)


def complete_headers(cells, text, start, past) -> tuple[list[Header], list[str]]:
    """Return headers and labels of a line, with roles of the line above or, on a second table, the first."""
    headers, labels = list(text[start]), [text_of(c) or f"column {j + 1}" for j, c in enumerate(cells[start])]
    blank = [j for j, c in enumerate(cells[start]) if c == ""]
    above = start - 1
    if above >= 0 and any(c != "" for c in cells[above]) and not context_of(cells[above], text[above], above):
        for j in blank:
            if text[above][j].kind == "role" and text[above][j].name in STATED:
                headers[j], labels[j] = text[above][j], text_of(cells[above][j])
    for j in blank if past is not None else ():
        if headers[j].kind == "blank" and past[j].kind == "role" and past[j].name in STATED:
            headers[j] = past[j]
    _units_above(cells, start, headers)
    return headers, labels


def _units_above(cells, start, headers):
    """Obey a line of group headings such as 'Macronutrients (%)', 'Micronutrients (ppm)' over the symbols."""
    found = [heading_unit(c) if isinstance(c, str) and c else "" for c in cells[start - 1]] if start else []
    if sum(map(bool, found)) < 2:
        return
    current = ""
    for j, unit in enumerate(found):
        current = unit or current
        if headers[j].kind == "nutrient" and not headers[j].unit:
            headers[j] = replace(headers[j], unit=current)


def take_units(cells, text, start, end, headers):
    """Take the units, second names or kinds of columns from the lines right under a header, in place.

    Returns
    -------
    first : int
        First line of samples.
    dropped : list of (what, row)
    """
    dropped = []
    for i in range(start + 1, end):
        row = cells[i]
        if not any(c != "" for c in row) or _take_kinds(row, text[i], headers):
            continue
        filled = [j for j, h in enumerate(headers) if h.names_nutrient and row[j] != ""]
        if not filled or any(not isinstance(row[j], str) for j in filled):
            return i, dropped
        words = {j: text_of(row[j]) for j in filled}
        names = [j for j in filled if text[i][j].names_nutrient and text[i][j].name == headers[j].name]
        if sum(bool(find_unit(w)) for w in words.values()) * 2 >= len(filled):
            for j, word in words.items():
                headers[j] = _state_unit(headers[j], word)
        elif len(names) * 2 >= len(filled):
            for j in names:
                headers[j] = replace(headers[j], unit=headers[j].unit or text[i][j].unit)
        elif _is_remark(row):
            dropped.append(("line of remarks under the header", i + 1))
        else:
            return i, dropped
    return max(start + 1, end), dropped


def _is_remark(row):
    if any(not isinstance(c, str) or re.search(r"\d", c) for c in row):
        return False
    label = text_of(row[0])
    return not label or name_kind(label) in ("limit", "range")


def _take_kinds(row, meanings, headers):
    """Obey a line that says which columns hold the result, the range and the rating of a nutrient.

    A nutrient named once over several such columns (a merged cell) is carried to the right.
    """
    roles = ("value", "range", "flag")
    kinds = {j: h.name for j, h in enumerate(meanings) if h.kind == "role" and h.name in roles}
    if len(kinds) < 2 or not any(kind == "value" and headers[j].names_nutrient for j, kind in kinds.items()):
        return False
    current = None
    for j, header in enumerate(headers):
        if header.names_nutrient:
            current = header
        elif header.kind != "blank" or j not in kinds:
            current = None if header.kind != "blank" else current
        if j not in kinds or current is None:
            continue
        kind = {"range": "limit", "flag": "rating"}.get(kinds[j])
        headers[j] = replace(current, kind=kind, complaint="") if kind else current
    return True


def _state_unit(header, word):
    unit = find_unit(word)
    if header.unit and unit and unit != header.unit:
        return replace(header, complaint=f"the header says {header.unit}, the unit row {unit}")
    if unit or header.kind != "nutrient":
        return replace(header, unit=header.unit or unit)
    matrix = is_other_matrix(word)
    return replace(header, complaint="another matrix than dry matter" if matrix else f"unknown unit '{word}'")
