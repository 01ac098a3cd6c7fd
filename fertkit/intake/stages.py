"""Place a growth stage on its crop's own scale, whatever code or name it is given in.

A stage is a span (from, to) on that scale: a conversion that is not exact (GS 30 is Feekes 4 to 5) and a name
that covers several codes (flowering) keep their width.
"""

import re
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np

from fertkit.errors import LookupFailed, unknown
from fertkit.intake.spellings import plain
from fertkit.reference.crops import base_crop, load_stages
from fertkit.reference.facts import load_facts

_DECIMAL = re.compile(r"(?:gs|z|zgs|zadoks|bbch|zadok|dc|ec|es|growth stage|zadoks gs)\.?[\s\-]*(\d{2})")
SMALL_GRAINS = ("wheat", "barley", "oats", "rye")
_LONGEST = 200  # characters of a cell that may name a stage
_LEAF_COUNTED = {"corn": r"(?:leaf\s+)?collars?", "soybean": r"trifoli(?:ol)?ates?(?:\s+lea(?:f|ves))?"}
_DAYS = r"(\d+)\s*d(?:ays?)?(?: after planting)?"
_COUNTED = {
    "sugar beet": _DAYS,
    "peanut": _DAYS,
    "sudangrass": r"(\d+)\s*(?:in|inches|inch)\b.*",
    "sorghum": r"v\s*(\d+)",
}


class Span(NamedTuple):
    """Stretch of a crop's stage scale; ``whole`` if the sample covers it all (R1-R2), not somewhere in it."""

    first: float
    last: float
    whole: bool = False

    def within(self, first: float, last: float) -> bool:
        """Whether a range that holds from `first` to `last` holds for this stage."""
        if self.whole:
            return first <= self.first and self.last <= last
        return first <= self.last and self.first <= last


def stage_span(crop: str, stage: str, *, bare_codes: bool = False) -> Span:
    """Return the span of a growth stage on the scale of its crop.

    Parameters
    ----------
    crop : str
    stage : str
        Code (V6, R1, Feekes 6, GS 31, BBCH 31), name (first bloom) or span of two (R1-R2).
    bare_codes : bool
        Read a bare number of a small grain as Feekes, as the range tables write it.

    Returns
    -------
    Span
        First and last position; comparable within one crop only.

    Raises
    ------
    LookupFailed
        If the stage is not known for the crop; lists the valid ones.
    """
    span = find_span(crop, stage, bare_codes)
    if span is None:
        hint = ""
        if base_crop(crop) in SMALL_GRAINS and re.fullmatch(r"[\d.]+", plain(stage)):
            hint = f" (Feekes or decimal code? write Feekes {stage} or GS {stage})"
        known = known_stages(crop)
        if not known:
            crops = ", ".join(sorted(set(load_stages()["crop"]) | set(load_facts("stage_names")["crop"])))
            raise LookupFailed(f"no growth stages for {crop}, only for: {crops}")
        hint = hint or _near_decimal(_group(base_crop(crop)), plain(stage))
        raise LookupFailed(str(unknown(f"growth stage of {crop}", stage, known)) + hint)
    return span


def find_span(crop: str, stage: str, bare_codes: bool = False) -> Span | None:
    """Return the span of a growth stage as `stage_span` gives it; None if it is not known."""
    return _span(_base(crop), plain(stage), bare_codes) if len(str(stage)) <= _LONGEST else None


_base = lru_cache(maxsize=2_000)(base_crop)


@cache
def is_stage_of_some_crop(stage: str) -> bool:
    """Tell whether a growth stage is one of any crop."""
    groups = dict.fromkeys([*_by_crop("stages"), *_by_crop("stage_names")])
    return any(find_span("wheat" if one == "small grains" else one, stage) for one in groups)


def known_stages(crop: str) -> list[str]:
    """Return the codes and names a crop's stages can be given in."""
    group = _group(base_crop(crop))
    codes = [
        f"Feekes {row['code']}" if row["scale"] == "Feekes" else row["code"]
        for row in _by_crop("stages").get(group, ())
        if row["scale"] != "BBCH"
    ]
    codes += ["GS 00-99"] if group == "small grains" else []
    names = [row["name"] for row in _by_crop("stage_names").get(group, ())]
    counted = {"sugar beet": "60 d", "peanut": "20 d", "sudangrass": "8 in", "sorghum": "V6"}.get(group)
    return codes + names + ([f"a count such as {counted}"] if counted else [])


@cache
def _by_crop(table) -> dict[str, list[dict]]:
    """Rows of the table of stages, or of that of their names, by crop."""
    rows: dict[str, list] = {}
    for row in (load_stages() if table == "stages" else load_facts(table)).to_dict("records"):
        rows.setdefault(row["crop"], []).append(row)
    return rows


def _group(base):
    return "small grains" if base in SMALL_GRAINS else base


@lru_cache(maxsize=20_000)
def _span(base, text, bare):
    whole = _one(base, text, bare)
    if whole is not None:
        return whole
    aside = re.search(r"\s*\((.*?)\)\s*", text)
    if aside:
        spans = [_span(base, part, bare) for part in (text.replace(aside[0], " ").strip(), aside[1]) if part]
        known = [span for span in spans if span is not None]
        if len(known) == 2 and not known[0].within(*known[1][:2]):
            return None  # the two contradict each other
        if known:
            return known[0]
    return _from_to(base, text, bare) or _in_relation(base, text, bare) or _code_and_name(base, text, bare)


def _from_to(base, text, bare):
    """A span of two stages such as R1-R2, V5/V6, GS 30 to 31: the second may leave out its scale."""
    for cut in re.finditer(r"\s*(?:-|/|&|\bto\b|\band\b|\bthrough\b)\s*", text):
        start, end = text[: cut.start()], text[cut.end() :]
        first = _one(base, start, bare)
        scale = re.match(r"[^\d]*(?=\d)", start)
        last = _one(base, end, bare) or (_one(base, scale[0] + end, bare) if scale and scale[0] else None)
        if first is not None and last is not None and first[0] <= last[1]:
            return Span(first[0], last[1], whole=first[0] < last[1])
    return None


def _in_relation(base, text, bare):
    """A stage named by another: before heading, early boot."""
    for form in ("until", "before", "within"):
        rest = stripped(text, form)
        if rest == text or not rest:
            continue
        named = _names(_group(base)).get(_canonical(f"before {rest}")) if form == "before" else None
        span = _one(base, f"before {rest}", bare) if named else _span(base, rest, bare)
        if span is None:
            continue
        if form == "within" or named:
            return Span(span.first, span.last)
        if base not in _COUNTED and span.first >= 1:  # positions of a counted scale are days, heights ...
            return Span(span.first - 1, span.last if form == "until" else span.first - 0.01)
    return None


def _code_and_name(base, text, bare):
    """One stage by code and name ('R1 silking', 'Feekes 6, jointing'): what both say."""
    for cut in re.finditer(r"\s*[,;:]\s*|\s+|\s-\s", text):
        first, last = _one(base, text[: cut.start()], bare), _one(base, text[cut.end() :], bare)
        if first is not None and last is not None and first[0] <= last[1] and last[0] <= first[1]:
            return Span(max(first[0], last[0]), min(first[1], last[1]))
    return None


def _one(base, text, bare):
    text = _canonical(text)
    group = _group(base)
    names = _names(group)
    if text in names:
        first, last = names[text]
        return Span(_code(group, first, True)[0], _code(group, last, True)[1])
    return _code(group, text, bare)


@cache
def _forms():
    return {
        row.form: [plain(w) for w in row.words.split("|")] for row in load_facts("stage_forms").itertuples()
    }


@cache
def _any_of(form) -> re.Pattern:
    ends = lambda w: ("\\b" if w[0].isalnum() else "") + re.escape(w) + ("\\b" if w[-1].isalnum() else "")  # noqa: E731
    return re.compile(f"(?:{'|'.join(map(ends, sorted(_forms()[form], key=len, reverse=True)))})")


def stripped(text: str, form: str) -> str:
    """Return text without the words of a form it begins with."""
    hit = _any_of(form).match(text)
    return text[hit.end() :].lstrip(" -") if hit else text


@lru_cache(maxsize=20_000)
def _canonical(text):
    """A stage's words without those that say nothing, heights and their relation in one spelling."""
    text = text.strip(" .,;:-")
    for form in ("over", "under", "in", "bloom", ""):
        text = _any_of(form).sub(f" {form} ", text)
    text = re.sub(r"(?:(?<=\d)(?=in\b)|\s+)", " ", text)
    hit = re.match(rf"(?P<rest>.* in)[\s,]+{_any_of('before').pattern}\s+(?P<name>\w+)", text)
    text = f"{hit['rest']} before {hit['name']}" if hit else text
    return text.strip(" .,;:-")


@cache
def _names(group):
    spans = {}
    for row in _by_crop("stage_names").get(group, ()):
        span = (row["from"].lower(), row["to"].lower())
        for word in (row["name"], *filter(None, row["synonyms"].split("|"))):
            spans[_canonical(plain(word))] = span
    for row in _by_crop("stages").get(group, ()):
        if row["scale"] != "BBCH" and row["name"]:
            spans.setdefault(_canonical(plain(row["name"])), (row["code"].lower(), row["code"].lower()))
    return spans


def _code(group, text, bare):
    """Span of a code on its scale; None if it is none."""
    if group in ("corn", "soybean"):
        position = _v_r(group, text)
        return None if position is None else Span(position, position)
    if group == "small grains":
        return _small_grain(text, bare)
    counted = _COUNTED.get(group)
    hit = re.fullmatch(counted, text) if counted else None
    if hit:
        return Span(float(hit[1]), float(hit[1]))
    if bare and re.fullmatch(r"\d+", text):  # a position of the names table
        return Span(float(text), float(text))
    return None


@cache
def _scale(group, scale):
    rows = _by_crop("stages").get(group, ())
    return {row["code"].lower(): float(row["order"]) for row in rows if row["scale"] == scale}


def _v_r(group, text):
    scale = _scale(group, "V/R")
    leaf = re.fullmatch(rf"(\d{{1,2}})(?:st|nd|rd|th)?[\s\-]*{_LEAF_COUNTED[group]}", text)
    code = f"v{leaf[1]}" if leaf else re.sub(r"[\s\-]+|stage|leaf|leaves", "", text)
    if code in scale and code != "vn":
        return scale[code]
    hit = re.fullmatch(r"([vr])(\d{1,2}(?:\.\d)?)", code)
    if not hit:
        return None
    kind, number = hit[1], float(hit[2])
    known = sorted((float(c[1:]), o) for c, o in scale.items() if re.fullmatch(rf"{kind}\d+", c))
    if kind == "r" and not known[0][0] <= number < known[-1][0] + 1:
        return None
    if kind == "v" and (number < 1 or number > 30):
        return None
    # Between listed V stages by proportion; beyond the last listed one, short of the next stage.
    last, order = known[-1]
    if number > last:
        return order + (min(scale.get("vt", np.inf), scale["r1"]) - order) * (1 - last / number) * 0.99
    return float(np.interp(number, *zip(*known, strict=True)))


def _small_grain(text, bare):
    feekes = _scale("small grains", "Feekes")
    hit = re.fullmatch(r"(?:feekes|fks|fk|f)\.?(?:\s*(?:gs|scale))?[\s\-]*(\d{1,2}(?:\.\d)*)", text)
    dotted = re.fullmatch(r"\d{1,2}(?:\.\d)+", text)  # a decimal code has no point
    if hit or dotted or (bare and re.fullmatch(r"\d{1,2}", text)):
        code = (hit[1] if hit else text).removesuffix(".0")
        if code in feekes:
            return Span(feekes[code], feekes[code])
        under = [order for known, order in feekes.items() if known.startswith(f"{code}.")]
        if under:  # Feekes 11
            return Span(min(under), max(under))
        near = {float(known): order for known, order in feekes.items() if known.count(".") == 1}
        between = code.count(".") == 1 and min(near) < float(code) < max(near) and int(float(code)) == 10
        position = float(np.interp(float(code), list(near), list(near.values()))) if between else None
        return Span(position, position) if between else None
    hit = _DECIMAL.fullmatch(text)
    return _from_decimal(int(hit[1])) if hit else None


def _near_decimal(group, text):
    """Offer the V or R stages a decimal code is near to; the equivalences are remembered, so not used."""
    hit = _DECIMAL.fullmatch(text)
    if group not in ("corn", "soybean") or not hit:
        return ""
    near = []
    for row in _by_crop("stages")[group]:
        ends = re.match(r"(\d{2})(?:-(\d{2}))?", row["bbch"]) if row["scale"] == "V/R" else None
        if ends and int(ends[1]) <= int(hit[1]) <= int(ends[2] or ends[1]):
            near.append(row["code"])
    offer = f"; this one is near {' and '.join(near)}" if near else ""
    return f" (decimal codes of {group} match V and R stages only from memory{offer}: write the V or R stage)"


def _from_decimal(code):
    """Feekes positions whose listed BBCH equivalent holds the decimal code, else between the neighbours."""
    rows = [row for row in _by_crop("stages")["small grains"] if row["scale"] == "Feekes"]
    spans = [tuple(map(float, row["bbch"].split("-"))) for row in rows]
    orders = [float(row["order"]) for row in rows]
    equal = [o for o, s in zip(orders, spans, strict=True) if s[0] <= code <= s[-1]]
    if equal:
        return Span(min(equal), max(equal))
    edges = [(edge, o) for o, s in zip(orders, spans, strict=True) for edge in s]
    position = float(np.interp(code, [e for e, _ in edges], [o for _, o in edges]))
    return Span(position, position)
