"""Who and what each result belongs to: sample, laboratory id, field, crop, stage, part, date, area."""

import re

import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.columns import role_said
from fertkit.intake.conditions import settle_words, split_label
from fertkit.intake.dates import NO_ORDER, read_dates
from fertkit.intake.facts import fact_name
from fertkit.intake.leaf_results import ResultColumn, left_out_analytes
from fertkit.intake.leaf_sections import NAMES
from fertkit.intake.leaf_tables import Block, Layout
from fertkit.intake.spellings import is_rating, listed, plain, problem, spellings
from fertkit.intake.units import is_other_matrix
from fertkit.tables import text_of

CONTEXT = ("sample_id", "lab_id", "field", "crop", "growth_stage", "plant_part", "sampled", "area")
_CONDITION = {"crop": "crop", "growth_stage": "stage", "plant_part": "part"}
_TAKEN = frozenset({"lent", "block", "line", "row", "specimen", *CONTEXT})  # names of our own columns
_MATRIX = frozenset({"matrix", "material", "sample matrix", "sample material", "basis", "sample kind"})
_SCALES = {"feekes": "Feekes", "zadoks": "GS", "bbch": "BBCH"}
_ON_SCALE = dict.fromkeys(_SCALES, "growth_stage")
_MARK = (
    r"(?P<mark>good|bad|poor|healthy|gut|schlecht|buena|mala|"
    r"untreated|check|control|unfertilized|treated|fertilized)"
)
_PLACE = r"[\s_\-]+(?:end|area|spot|part|zone|side|patch|corner)"
#: A mark at the end or inside of a name ('North good', 'North-poor-2'), at its start before a place, or all
#: of it ('Bad spot').
_MARKED_ID = tuple(
    re.compile(form, re.IGNORECASE)
    for form in (
        rf"(?P<before>.+?)[\s_\-/(]+{_MARK}(?:{_PLACE})?\)?(?P<after>(?:[\s_\-/]+(?:\d+|[a-z]))?)",
        rf"(?P<before>){_MARK}{_PLACE}[\s_\-/,:]+(?:of\s+)?(?P<after>\S.*)",
        rf"(?P<before>){_MARK}{_PLACE}(?P<after>)",
    )
)
_MOST_NOTES = 25  # samples of which one thing is noted


def area_mark(text: str) -> str:
    """Return 'good', 'poor', 'check', 'treated' or '' for what a file writes about a sample's area."""
    return spellings("area").get(plain(text), "")


def pair_name(sample_id: str) -> tuple[str, str]:
    """Return (name without its mark, mark) of a sample id such as 'North good'; the mark may be ''."""
    for form in _MARKED_ID:
        if hit := form.fullmatch(sample_id):
            return f"{hit['before']}{hit['after']}".strip(" _-/,"), area_mark(hit["mark"])
    return sample_id, ""


def specimens_of(layout: Layout, columns: list[ResultColumn], given: dict, date_format):
    """Number the analysed samples, and give each its context.

    Returns
    -------
    specimens : list of dict
        First line of each, in their order: specimen, the `CONTEXT`, row, lent (crop, stage and part that
        stand above an earlier table).
    others : DataFrame
        specimen, sample_id and the remaining columns of the file as text.
    notes : list of Problem
    report : list of (what, item, detail, row)
    """
    report, notes = [], []
    lines = [line for b, block in enumerate(layout.blocks) for line in _lines(b, block, report)]
    _from_above(lines, layout, report)
    for line in lines:
        line["sample_id"] = line["sample_id"] or line["field"]
    report[:] = dict.fromkeys(report)
    _complete_names(lines, layout, report)
    if len(layout.blocks) > 1:
        _fill_by_sample(lines, notes, report)
    for line in lines:  # the field stands before the sample's name
        own, name = line["field"], line["sample_id"] or "sample 1"
        line["sample_id"] = name if plain(own) in plain(name) else f"{own} {name}"
    settle_words(lines, given, notes, report)
    _read_dates(lines, date_format, notes, report)
    names = list(dict.fromkeys(name for line in lines for name in line["others"]))
    used = _mark_areas(lines, names, notes, report)
    _name_years(lines, names, report)
    first = _number(lines, columns, notes)
    report += [
        ("not used", f"analyte '{text}'", "not a nutrient", None) for text in left_out_analytes(layout)
    ]
    facts = {name: fact_name(name) for name in names}
    report += [
        ("recognised", f"field fact {fact}", f"column '{name}'", None) for name, fact in facts.items() if fact
    ]
    report += [
        ("not used", f"column '{name}'", "kept as text in others", None)
        for name in names
        if not facts[name] and name != used
    ]
    texts = [(i["specimen"], i["sample_id"], *(i["others"].get(name, "") for name in names)) for i in first]
    return first, pd.DataFrame(texts, columns=["specimen", "sample_id", *names]), notes, report


# ---- what the lines of a table say


def _lines(b: int, block: Block, report) -> list[dict]:
    """Context of each line of one block, raw for dates, text for the rest; what else it holds is `others`."""
    roles = _role_columns(block, report)
    same = {role: [j, *(k for k in block.columns("role", role) if k != j)] for role, j in roles.items()}
    others = _others(block, roles.values())
    lines = []
    for i in block.lines:
        line = dict.fromkeys((*CONTEXT, "lent"), "") | {"block": b, "line": i, "row": i + 1}
        for role, at in same.items():
            cell = next((block.cells[i][k] for k in at if block.cells[i][k] != ""), "")
            line[_ON_SCALE.get(role, role)] = _as_said(role, cell)
        line["others"] = {name: text_of(block.cells[i][j]) for name, j in others.items()}
        lines.append(line)
    if "sample_id" not in roles:
        _make_ids(lines, "lab_id" in roles, block, report)
    return lines


def _others(block, used) -> dict[str, int]:
    """Columns that say something else, by name."""
    others = {}
    for j, header in enumerate(block.headers):
        of_results = header.name in ("analyte", "value", "unit", "flag", "range")
        if j in used or header.kind not in ("role", "unknown", "blank") or of_results:
            continue
        if any(text_of(block.cells[i][j]) for i in block.lines):
            label = block.labels[j]
            others[f"{label} (column {j + 1})" if label in _TAKEN or label in others else label] = j
    return others


def doubled_columns(block: Block) -> list[Problem]:
    """Find two columns for the crop, stage or part of which a line gives two different words."""
    problems = []
    for role in _CONDITION:
        same = block.columns("role", role)
        for i in block.lines:
            words = {plain(text_of(block.cells[i][j])): j for j in reversed(same) if block.cells[i][j] != ""}
            if len(words) < 2:
                continue
            pair = sorted(words.values())[:2]
            texts, (row, _) = [text_of(block.cells[i][j]) for j in pair], block.place(i, pair[0])
            if not any(map(is_other_matrix, texts)):  # refused for its matrix, whatever the part
                first, second = (block.place(i, j)[1] for j in pair)
                both, word = " and ".join(f"'{text}'" for text in texts), role.replace("_", " ")
                problems.append(problem("two words", row, role=word, first=first, second=second, told=both))
            break
    return problems


def other_matrix_cells(layout: Layout) -> list[Problem]:
    """Find the first line of a table whose part, or kind of sample, is sap or fresh weight."""
    for block in layout.blocks:
        named = [j for j, label in enumerate(block.labels) if plain(label).strip(" :.") in _MATRIX]
        columns = sorted({*named, *block.columns("role", "plant_part")})
        for i, j in ((i, j) for i in block.lines for j in columns):
            if is_other_matrix(text_of(block.cells[i][j])):
                return [problem("other matrix", *block.place(i, j), text_of(block.cells[i][j]))]
    return []


def _role_columns(block: Block, report) -> dict[str, int]:
    """Column of each context role; where no column names the samples, the likeliest one, and say so."""
    roles = {r: j for r in (*CONTEXT, *_SCALES) if (j := block.column(r)) is not None}
    roles = dict(sorted(roles.items(), key=lambda pair: pair[1]))
    if "area" not in roles:
        roles |= _marked_column(block, report)
    places = [j for j in block.columns("role", "place") if j not in roles.values()]
    if "sample_id" not in roles and len(places) > 1 and _names_field(block, places[0]):
        roles["field"] = places.pop(0)  # 'Field, Zone': the zone tells the samples of a field apart
    place = next(iter(places), None)
    if "sample_id" in roles:
        return roles | ({"field": place} if place is not None and _names_field(block, place) else {})
    if block.turned:  # the line of sample names across the top is labelled 'Nutrient', 'Sample' or not at all
        loose = [j for j, h in enumerate(block.headers) if h.kind == "blank" or h.name == "analyte"]
        loose = [j for j in loose if any(block.cells[i][j] != "" for i in block.lines)]
        if loose:
            return roles | {"sample_id": loose[0]}
    if place is None and "lab_id" not in roles and block.shape != "long":
        first = next(iter(block.columns("nutrient")), 0)
        place = next((j for j in range(first) if block.headers[j].kind in ("unknown", "blank")), None)
    if place is None:
        return roles
    report.append(("inferred", "sample id", f"taken from column '{block.labels[place]}'", None))
    return roles | {"sample_id": place}


def _names_field(block, column) -> bool:
    return plain(block.labels[column]).strip(" :.") in spellings("field")


def _as_said(role, cell):
    """A date as it stands, else text; a code of a stage scale with the name of its scale if it has none."""
    if role == "sampled":
        return cell
    text = text_of(cell)
    return f"{_SCALES[role]} {text}" if role in _SCALES and text[:1].isdigit() else text


def _marked_column(block: Block, report) -> dict[str, int]:
    """A column of places, or of no known meaning, that holds nothing but good and poor, such as 'Zone'."""
    for j, header in enumerate(block.headers):
        if header.kind != "unknown" and header.name != "place":
            continue
        words = {text_of(block.cells[i][j]) for i in block.lines} - {""}
        if all(len(w) > 1 for w in words) and {area_mark(w) for w in words} == {"good", "poor"}:
            report.append(("inferred", "good and poor areas", f"from column '{block.labels[j]}'", None))
            return {"area": j}
    return {}


def _make_ids(lines, numbered, block, report):
    if {"sample_id", "place", "field"} & set(block.context):
        return
    if numbered:
        how = "the laboratory number, without a sample name"
    elif block.shape == "long":
        how = "one sample: the table names none"
    else:
        how = "numbered by line, without a sample name"
    for line in lines:
        line["sample_id"] = (
            line["lab_id"] if numbered else "" if block.shape == "long" else f"line {line['row']}"
        )
    report.append(("inferred", "sample id", how, None))


# ---- what other lines say


def _from_above(lines, layout, report):
    """Fill what a line leaves open from the lines of context above its own table."""
    for role in dict.fromkeys(role for block in layout.blocks for role in block.context):
        column = _ON_SCALE.get(role, "sample_id" if role == "place" else role)
        for line in lines if column in CONTEXT else ():
            block = layout.blocks[line["block"]]
            if line[column] != "" or role not in block.context:
                continue
            cell, row = block.context[role]
            line[column], lent = _as_said(role, cell), row <= block.start
            what = f"'{text_of(cell)}' from the lines above {'an earlier' if lent else 'the'} table"
            report.append(("recognised", column, what, row))
            if lent and column in _CONDITION:
                line["lent"] += f", {_CONDITION[column]} '{text_of(cell)}' (row {row})"


def _complete_names(lines, layout, report):
    """Complete names over two lines, and split those that tell crop, stage and part."""
    for line in lines:
        if more := layout.blocks[line["block"]].more_names.get(line["line"]):
            line["sample_id"] += f" {more}"
            report.append(("recognised", "sample id", f"'{more}' from the line below", line["line"] + 2))
    for line in lines:
        whole = line["sample_id"]
        if not any(line[role] for role in _CONDITION) and (parts := split_label(whole)):
            line |= parts
            split = ", ".join(f"{c.replace('_', ' ')} {t}" for c, t in parts.items() if c != "sample_id")
            report.append(("inferred", split, f"from the name '{whole}'", line["row"]))


def _fill_by_sample(lines, notes, report):
    """Give a line what another table says of its sample, if all lines there agree; else note it."""
    samples, doubtful = {}, {}
    for line in lines:
        if line["sample_id"] and not re.fullmatch(r"line \d+", line["sample_id"]):
            samples.setdefault(line["sample_id"], []).append(line)
    for sample, own in samples.items():
        for role in CONTEXT[1:] if len({line["block"] for line in own}) > 1 else ():
            stating = {line["block"]: line[role] for line in own if line[role] != ""}
            values = {str(line[role]): line[role] for line in own if line[role] != ""}
            blank = [line for line in own if line[role] == "" and line["block"] not in stating]
            if len(values) == 1 and blank:
                for line in blank:
                    line[role] = next(iter(values.values()))
                report.append(("recognised", role, f"of sample '{sample}' from its other table", None))
            elif len(values) > 1 and blank:
                doubtful[sample] = blank[0]["row"]
    for sample, row in list(doubtful.items())[:_MOST_NOTES]:
        notes.append(problem("which of several samples", row, value=sample, at=row, sample=sample))


def unnamed_tables(layout: Layout, columns: list[ResultColumn]) -> list[Problem]:
    """Find tables that would count for the sample of another one because no line of theirs names their own.

    Returns
    -------
    list of Problem
        One a table that repeats what another table of the same sample gives, or that has no name beside
        tables that have.
    """
    given: dict[int, set] = {}
    for column in columns:
        for (b, _), cell in zip(column.lines, column.cells, strict=True):
            if cell != "" and not is_rating(cell):
                given.setdefault(b, set()).add(column.nutrient)
    named = {b: _named_at(block) for b, block in enumerate(layout.blocks) if _named_above(block)}
    problems, first = [], {}
    for b in [b for b in named if b in given]:
        before = first.setdefault(named[b], set())
        twice = sorted(given[b] & before)
        row = layout.blocks[b].heads[0] + 1 if layout.blocks[b].heads else None
        if named[b] is None and any(named.values()):
            problems.append(problem("table without a name", row))
        elif len(twice) * 2 > len(given[b]):
            problems.append(problem("table without a name of its own", row, nutrients=", ".join(twice[:4])))
        before |= given[b]
    return problems


def _named_above(block):
    """Whether a table of one sample has its name from lines above it, and no column of names."""
    return block.shape == "long" and not any(block.columns("role", role) for role in NAMES)


def _named_at(block):
    """(row, name) of the line that names the sample of a table; None if no line does."""
    stated = [block.context[role] for role in NAMES if role in block.context]
    return max(((row, text_of(cell)) for cell, row in stated), default=None)


# ---- dates, areas, years, and which lines are one sample


def _read_dates(lines, date_format, notes, report):
    cells = [line["sampled"] for line in lines]
    dates, complaints, order = read_dates(cells, date_format)
    odd = {}
    for line, cell, date, what in zip(lines, cells, dates, complaints, strict=True):
        line["sampled"] = date
        odd.setdefault(what, []).append((line["row"], cell))
    for what, of in odd.items():
        if not what:
            continue
        more = f"; {len(of)} dates, rows {listed((row for row, _ in of), 6)}" if len(of) > 1 else ""
        many, (row, cell) = "dates were" if more else "date was", of[0]
        key = "no order of dates" if what == NO_ORDER else "no date"
        notes.append(problem(key, row, "sampled", text_of(cell), what=what + more, many=many))
    if order and not date_format:
        report.append(("inferred", "order of dates", order, None))


def _mark_areas(lines, names, notes, report) -> str | None:
    """Read the marks of areas, in place; where none is stated they are told from names or from treatments.

    Returns the column of treatments that was used.
    """
    marks = [area_mark(line["area"]) for line in lines]
    stated = {line["area"] for line in lines} - {""}
    column, told = None, ()
    if odd := sorted(text for text in stated if not area_mark(text)):
        notes.append(problem("area marks", words=", ".join(odd[:5])))
    if not stated:
        from_id = [pair_name(line["sample_id"])[1] for line in lines]
        pairs = {"good and poor areas": {"good", "poor"}, "check and treated": {"check", "treated"}}
        told = [(item, "the sample names") for item, pair in pairs.items() if pair <= set(from_id)][:1]
        if told:
            marks = from_id
        elif column := next((c for c in names if role_said("strips", plain(c)) == "treatment"), None):
            marks = _check_and_treated([line["others"].get(column, "") for line in lines])
            column = column if any(marks) else None
            told = [("check and treated", f"column '{column}'")] if column else ()
    for line, mark in zip(lines, marks, strict=True):
        line["area"] = mark
    report += [("inferred", item, f"from {where}", None) for item, where in told]
    return column


def _check_and_treated(treatments) -> list[str]:
    """Mark the check and the one treatment of a column; nothing where there are several."""
    marks = ["check" if area_mark(text) == "check" else "treated" if text else "" for text in treatments]
    others = {plain(text) for text, mark in zip(treatments, marks, strict=True) if mark == "treated"}
    return marks if "check" in marks and len(others) == 1 else [""] * len(marks)


def _name_years(lines, names, report):
    """Put the year before the sample's name, where a column of years is all that tells two seasons apart."""
    for column in [name for name in names if plain(name).strip(" :.") in spellings("year")]:
        texts = [line["others"].get(column, "") for line in lines]
        years = [text if re.fullmatch(r"(19|20)\d\d", text) else "" for text in texts]
        undated = [
            (line, year)
            for line, year in zip(lines, years, strict=True)
            if year and line["sampled"] is pd.NaT
        ]
        if undated and len(set(years) - {""}) > 1:
            for line, year in undated:
                line["sample_id"] = f"{year} {line['sample_id']}"
            report.append(("inferred", "sample id", f"with the year of column '{column}'", None))
            return


def _number(lines, columns, notes) -> list[dict]:
    """Number the specimens, and return the first line of each.

    Lines of one sample that hold different nutrients belong together: so the lines of a long table and the
    tables of a page meet, while repeated results are kept apart.
    """
    nutrients: dict[tuple, set] = {}
    for column in columns:
        for place, cell in zip(column.lines, column.cells, strict=True):
            if cell != "":  # a table of ratings meets the values it rates
                what = ("rating", column.nutrient) if is_rating(cell) else column.nutrient
                nutrients.setdefault(place, set()).add(what)
    numbers, taken, first = {}, {}, []
    for line in lines:
        place, key = (line["block"], line["line"]), tuple(map(str, (line[role] for role in CONTEXT)))
        own, same = nutrients.get(place, set()), taken.setdefault(key, {})
        fits = next((number for number, given in same.items() if not given & own), None)
        if fits is None:
            fits = len(first) + 1
            first.append(line | {"specimen": fits})
        same.setdefault(fits, set()).update(own)
        numbers[place] = fits
    for column in columns:
        column.specimens = [numbers[place] for place in column.lines]
    again = {}
    for number in sorted(number for same in taken.values() if len(same) > 1 for number in same):
        line = first[number - 1]
        again.setdefault(line["sample_id"], []).append(line["row"])
    for sample, rows in list(again.items())[:_MOST_NOTES]:
        notes.append(problem("sample again", sample=sample, times=len(rows), rows=listed(rows[:6], 6)))
    return first
