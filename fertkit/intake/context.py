"""Who and what each result belongs to: sample, laboratory id, field, crop, stage, part, date, area."""

import re

import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.conditions import settle_words, split_label
from fertkit.intake.dates import NO_ORDER, read_dates
from fertkit.intake.facts import fact_name
from fertkit.intake.leaf_results import ResultColumn, left_out_analytes
from fertkit.intake.leaf_sections import NAMES
from fertkit.intake.leaf_tables import Block, Layout
from fertkit.intake.spellings import is_rating, listed, plain, problem, roles_of, spellings
from fertkit.intake.units import is_other_matrix
from fertkit.tables import text_of

CONTEXT = ("sample_id", "lab_id", "field", "crop", "growth_stage", "plant_part", "sampled", "area")
_CONDITION = {"crop": "crop", "growth_stage": "stage", "plant_part": "part"}
_TAKEN = frozenset({"lent", "block", "line", "row", "specimen", *CONTEXT})  # names of our own columns
_MATRIX = frozenset({"matrix", "material", "sample matrix", "sample material", "basis", "sample kind"})
_SCALES = {"feekes": "Feekes", "zadoks": "GS", "bbch": "BBCH"}
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


def specimens_of(layout: Layout, columns: list[ResultColumn], crop, stage, part, date_format):
    """Number the analysed samples, and give each its context.

    Returns
    -------
    specimens : DataFrame
        specimen, the `CONTEXT` columns, row, lent (crop, stage and part that stand above an earlier table).
    others : DataFrame
        specimen, sample_id and the remaining columns of the file as text.
    notes : list of Problem
    report : list of (what, item, detail, row)
    """
    report, notes = [], []
    lines = _stacked([_lines(b, block, report) for b, block in enumerate(layout.blocks)])
    for role in (*CONTEXT, "lent"):
        if role not in lines:
            lines[role] = ""
    _from_above(lines, layout, report)
    lines["sample_id"] = lines["sample_id"].mask(lines["sample_id"] == "", lines["field"])
    report[:] = dict.fromkeys(report)
    _complete_names(lines, layout, report)
    if len(layout.blocks) > 1:
        _fill_by_sample(lines, notes, report)
    lines["sample_id"] = lines["sample_id"].mask(lines["sample_id"] == "", "sample 1")
    pairs = zip(lines["field"], lines["sample_id"], strict=True)  # the field stands before the sample's name
    lines["sample_id"] = [s if plain(f) in plain(s) else f"{f} {s}" for f, s in pairs]
    settle_words(lines, {"crop": crop, "growth_stage": stage, "plant_part": part}, notes, report)
    lines["sampled"] = _dates(lines, date_format, notes, report)
    _mark_areas(lines, notes, report)
    _name_years(lines, report)
    specimen = _number(lines, columns, notes)
    report += [
        ("not used", f"analyte '{text}'", "not a nutrient", None) for text in left_out_analytes(layout)
    ]
    first = lines.assign(specimen=specimen).drop_duplicates("specimen").sort_values("specimen")
    own = [c for c in first.columns if c not in _TAKEN]
    facts = {c: fact_name(c) for c in own}
    report += [
        ("recognised", f"field fact {name}", f"column '{c}'", None) for c, name in facts.items() if name
    ]
    used = {detail for what, item, detail, _ in report if item == "check and treated"}
    report += [
        ("not used", f"column '{c}'", "kept as text in others", None)
        for c in own
        if not facts[c] and f"from column '{c}'" not in used
    ]
    return (
        first[["specimen", *CONTEXT, "row", "lent"]].reset_index(drop=True),
        first[["specimen", "sample_id", *own]].reset_index(drop=True),
        notes,
        report,
    )


# ---- what the lines of a table say


def _stacked(frames) -> pd.DataFrame:
    """The lines of all blocks; a column that a block lacks is blank there."""
    columns = list(dict.fromkeys(column for frame in frames for column in frame))
    filled = [frame.reindex(columns=columns, fill_value="") for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0].reindex(columns=columns)


def _lines(b: int, block: Block, report) -> pd.DataFrame:
    """Context cells of each line of one block, raw for dates, text for the rest."""
    roles = _role_columns(block, report)
    rows = [i + 1 if block.turned else block.place(i, 0)[0] for i in block.lines]
    data = {"block": b, "line": list(block.lines), "row": rows}
    for role, j in roles.items():
        same = [j, *(k for k in block.columns("role", role) if k != j)]
        cells = [next((block.cells[i][k] for k in same if block.cells[i][k] != ""), "") for i in block.lines]
        if role in _SCALES:
            data["growth_stage"] = [_on_scale(role, c) for c in cells]
        elif role == "sampled":
            data[role] = pd.Series(cells, dtype=object).to_numpy()
        else:
            data[role] = [text_of(c) for c in cells]
    for j, header in enumerate(block.headers):
        if j in roles.values() or header.kind not in ("role", "unknown", "blank"):
            continue
        if header.kind == "role" and header.name in ("analyte", "value", "unit", "flag", "range"):
            continue
        texts, label = [text_of(block.cells[i][j]) for i in block.lines], block.labels[j]
        if any(texts):
            data[f"{label} (column {j + 1})" if label in _TAKEN or label in data else label] = texts
    frame = pd.DataFrame(data)
    if "sample_id" not in frame:
        frame["sample_id"] = _made_ids(frame, block, report)
    return frame


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


def _on_scale(role, cell):
    """A code of a stage scale with the name of its scale, unless the cell names one itself."""
    text = text_of(cell)
    return f"{_SCALES[role]} {text}" if text[:1].isdigit() else text


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


def _made_ids(frame, block, report):
    if {"sample_id", "place", "field"} & set(block.context):
        return ""
    if "lab_id" in frame:
        ids, how = frame["lab_id"], "the laboratory number, without a sample name"
    elif block.shape == "long":
        ids, how = "", "one sample: the table names none"
    else:
        ids, how = [f"line {row}" for row in frame["row"]], "numbered by line, without a sample name"
    report.append(("inferred", "sample id", how, None))
    return ids


# ---- what other lines say


def _from_above(lines, layout, report):
    """Fill what a line leaves open from the lines of context above its own table."""
    for role in dict.fromkeys(role for block in layout.blocks for role in block.context):
        stated = {b: of.context[role] for b, of in enumerate(layout.blocks) if role in of.context}
        column = "growth_stage" if role in _SCALES else "sample_id" if role == "place" else role
        if column not in CONTEXT:
            continue
        blank = (lines[column] == "") & lines["block"].isin(stated)
        of = lines.loc[blank, "block"]
        cells = {b: c if column == "sampled" else text_of(c) for b, (c, _) in stated.items()}
        cells = {b: _on_scale(role, c) for b, c in cells.items()} if role in _SCALES else cells
        lines[column] = lines[column].astype(object)
        lines.loc[blank, column] = pd.Series([cells[b] for b in of], of.index, dtype=object)
        for b in pd.unique(of):
            (cell, row), lent = stated[b], stated[b][1] <= layout.blocks[b].start
            what = f"'{text_of(cell)}' from the lines above {'an earlier' if lent else 'the'} table"
            report.append(("recognised", column, what, row))
            if lent and column in _CONDITION:
                text = f", {_CONDITION[column]} '{text_of(cell)}' (row {row})"
                lines.loc[of.index[of == b], "lent"] += text


def _complete_names(lines, layout, report):
    """Complete names over two lines, and split those that tell crop, stage and part."""
    for b, block in enumerate(layout.blocks):
        for line, more in block.more_names.items():
            at = lines.index[(lines["block"] == b) & (lines["line"] == line)][0]
            lines.loc[at, "sample_id"] = f"{lines.loc[at, 'sample_id']} {more}"
            report.append(("recognised", "sample id", f"'{more}' from the line below", line + 2))
    for at in lines.index[lines[list(_CONDITION)].eq("").all(axis=1)]:
        whole = lines.loc[at, "sample_id"]
        parts = split_label(str(whole))
        for column, text in parts.items():
            lines.loc[at, column] = text
        if parts:
            split = ", ".join(f"{c.replace('_', ' ')} {t}" for c, t in parts.items() if c != "sample_id")
            report.append(("inferred", split, f"from the name '{whole}'", int(lines.loc[at, "row"])))


def _fill_by_sample(lines, notes, report):
    """Give a line what another table says of its sample, if all lines there agree; else note it."""
    named = lines["sample_id"].ne("") & ~lines["sample_id"].str.fullmatch(r"line \d+")
    doubtful = {}
    for sample, own in lines[named].groupby("sample_id", sort=False):
        if len(set(own["block"])) < 2:
            continue
        for role in CONTEXT[1:]:
            texts = own[role].map(str)
            stating = own[texts != ""]
            values = dict(zip(stating[role].map(str), stating[role], strict=True))
            blank = own.index[(texts == "") & ~own["block"].isin(stating["block"])]
            if len(values) == 1 and len(blank):
                lines[role] = lines[role].astype(object)
                lines.loc[blank, role] = pd.Series([next(iter(values.values()))] * len(blank), blank, object)
                report.append(("recognised", role, f"of sample '{sample}' from its other table", None))
            elif len(values) > 1 and len(blank):
                doubtful[sample] = int(lines.loc[blank[0], "row"])
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


def _dates(lines, date_format, notes, report):
    dates, complaints, order = read_dates(list(lines["sampled"]), date_format)
    odd = pd.DataFrame({"what": complaints, "cell": list(lines["sampled"]), "row": list(lines["row"])})
    for what, rows in odd[odd["what"] != ""].groupby("what", sort=False):
        more = f"; {len(rows)} dates, rows {listed(rows['row'], 6)}" if len(rows) > 1 else ""
        many, first = "dates were" if more else "date was", rows.iloc[0]
        key = "no order of dates" if what == NO_ORDER else "no date"
        place = int(first["row"]), "sampled", text_of(first["cell"])
        notes.append(problem(key, *place, what=what + more, many=many))
    if order and not date_format:
        report.append(("inferred", "order of dates", f"{order}: a day above 12 settles it", None))
    return pd.Series(pd.to_datetime(pd.Series(dates, dtype=object)), lines.index).astype("datetime64[ns]")


def _mark_areas(lines, notes, report):
    marks = lines["area"].map(area_mark)
    odd = sorted(set(lines.loc[(marks == "") & (lines["area"] != ""), "area"]))
    if odd:
        notes.append(problem("area marks", words=", ".join(odd[:5])))
    from_id = [pair_name(text)[1] for text in lines["sample_id"]]
    if not (lines["area"] != "").any() and "good" in from_id and "poor" in from_id:
        marks = pd.Series(from_id, index=lines.index)
        report.append(("inferred", "good and poor areas", "from the sample names", None))
    elif not (lines["area"] != "").any() and "check" in from_id and "treated" in from_id:
        marks = pd.Series(from_id, index=lines.index)
        report.append(("inferred", "check and treated", "from the sample names", None))
    elif not (lines["area"] != "").any() and (column := _treatments(lines)):
        marks = _check_and_treated(lines[column])
        if marks.any():
            report.append(("inferred", "check and treated", f"from column '{column}'", None))
    lines["area"] = marks


def _treatments(lines):
    """Name of the column of treatments, or None."""
    words = roles_of("strips")["treatment"].words
    return next((c for c in lines if plain(str(c)) in words), None)


def _check_and_treated(treatments):
    """Mark the check and the one treatment of a column; nothing where there are several."""
    checks = treatments.map(area_mark) == "check"
    others = treatments[~checks & (treatments != "")].map(plain)
    if not checks.any() or len(set(others)) != 1:
        return pd.Series("", index=treatments.index)
    return (
        pd.Series("", index=treatments.index)
        .mask(checks, "check")
        .where(checks | (treatments == ""), "treated")
    )


def _name_years(lines, report):
    """Put the year before the sample's name, where a column of years is all that tells two seasons apart."""
    for column in [c for c in lines if plain(c).strip(" :.") in spellings("year")]:
        years = lines[column].map(text_of).where(lambda text: text.str.fullmatch(r"(19|20)\d\d"), "")
        undated = lines["sampled"].isna() & (years != "")
        if undated.any() and len(set(years) - {""}) > 1:
            lines["sample_id"] = lines["sample_id"].mask(undated, years + " " + lines["sample_id"])
            report.append(("inferred", "sample id", f"with the year of column '{column}'", None))
            return


def _number(lines, columns, notes):
    """Number the specimens: lines of one sample that hold different nutrients belong together.

    So the lines of a long table and the tables of a page meet, while repeated results are kept apart.
    """
    same = lines[list(CONTEXT)].assign(sampled=lines["sampled"].map(str))
    nutrients: dict[tuple, set] = {}
    for column in columns:
        for place, cell in zip(column.lines, column.cells, strict=True):
            if cell != "":  # a table of ratings meets the values it rates
                what = ("rating", column.nutrient) if is_rating(cell) else column.nutrient
                nutrients.setdefault(place, set()).add(what)
    places = list(zip(lines["block"], lines["line"], strict=True))
    numbers, taken, count = {}, {}, 0
    for place, key in zip(places, same.itertuples(index=False, name=None), strict=True):
        own = nutrients.get(place, set())
        fits = next((s for s, held in taken.get(key, {}).items() if not held & own), None)
        if fits is None:
            fits = count = count + 1
        taken.setdefault(key, {}).setdefault(fits, set()).update(own)
        numbers[place] = fits
    for column in columns:
        column.specimens = [numbers[place] for place in column.lines]
    specimen = [numbers[place] for place in places]
    repeated = same.assign(specimen=specimen).drop_duplicates("specimen")
    twice = repeated[repeated.duplicated(list(CONTEXT), keep=False)]
    for sample, of in list(twice.groupby("sample_id", sort=False))[:_MOST_NOTES]:
        rows = listed(lines.loc[of.index[:6], "row"], 6)
        notes.append(problem("sample again", sample=sample, times=len(of), rows=rows))
    return specimen
