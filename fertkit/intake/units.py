"""Names under which laboratories print concentration units, brought to the few fertkit computes in."""

import re
from functools import cache

from fertkit.intake.spellings import plain, spellings, squeezed

_OTHER_MATRIX = re.compile(
    r"mg\s*/\s*l\b|mg\s*l-1|\bmeq\b|\bmmol|\bsap\b|\bfresh\b|\bfw\b|\bf\.\s?w\.|\bf\.\s?m\.|"
    r"\bwet (?:weight|basis|matter)\b|"
    r"\bas[- ]received\b|mg/100\s*m?l\b|\bfrisch(?:masse|substanz|gewicht)\b|\bfm\b|"
    r"\b(?:press|pflanzen)saft\b|\b(?:materia|peso|base) (?:fresc[oa]|humed[oa])\b|\bsavia\b"
)


_OTHER_MATRIX_NOTE = re.compile(
    r"\b(?:fresh|wet)[ -]?(?:weight|wt|basis|matter|mass)\b|\bas[- ]received basis\b|"
    r"\bfrisch(?:masse|substanz|gewicht)\b|\b(?:press|pflanzen)saft\b|\bsavia\b|"
    r"\b(?:materia|peso|base) (?:fresc[oa]|humed[oa])\b|"
    r"\b(?:plant|petiole|leaf) sap\b|\bsap (?:analysis|test|extract|results?)\b|\bmg/l\b"
)
# What may follow a unit to say that it is one of dry matter: 'dw', 'd.m.', 'i. d. TM', 'en base seca' ...
DRY = (
    r"(?:(?:on|of|in|im|en|de|a)[\s_]+|i\.?\s?d\.?[\s_]*)*"
    r"(?:dry(?:[\s_-]?(?:matter|weight|wt|mass|basis))*|d\.?\s?[mwb]\.?(?:\s+basis)?|t\.?\s?[ms]\.?|trs|"
    r"m\.?\s?s\.?|(?:base|materia|peso)\s+sec[ao]|trocken(?:masse|substanz))"
)


@cache
def _units() -> dict[str, str]:
    return {squeezed(spelling): unit for spelling, unit in spellings("unit").items()}


@cache
def unit_pattern() -> str:
    """Regular expression of every unit spelling on plain text, longest first, blanks or '_' optional."""
    words = sorted(spellings("unit"), key=len, reverse=True)
    loose = [re.escape(w).replace(r"\ ", r"[\s_]*").replace("/", r"(?:\s*/\s*|_)") for w in words]
    return rf"(?:{'|'.join(loose)})(?:[\s_,(-]*{DRY})?"


@cache
def find_unit(text: str) -> str:
    """Give %, g/kg or mg/kg for what a file writes (``g kg⁻¹`` -> ``g/kg``); '' if it is none of them."""
    words = plain(text).strip(" ()[]{}")
    for form in (words, re.sub(rf"[\s_,;:(-]*{DRY}$", "", words)):
        unit = _units().get(squeezed(form).rstrip("."), "")
        if unit:
            return unit
    return ""


def is_other_matrix(text: str) -> bool:
    """Tell whether a unit, header or part speaks of fresh weight, sap or a solution, not of dry matter."""
    words = plain(text)
    return bool(_OTHER_MATRIX.search(words)) and "dry" not in words


def note_names_other_matrix(text: str) -> bool:
    """The same for a free line above or below the table, where 'fresh' may stand in a name."""
    words = plain(text)
    return bool(_OTHER_MATRIX_NOTE.search(words)) and "dry" not in words
