"""Who and what each result belongs to: sample, laboratory id, field, crop, stage, part, date, area."""

import re

import pandas as pd

from fertkit.errors import Problem, typed
from fertkit.intake.dates import NO_ORDER, read_dates
from fertkit.intake.joins import join_tables
from fertkit.intake.layout import Block, Layout
from fertkit.intake.line_words import is_rating
from fertkit.intake.results import ResultColumn, left_out_analytes
from fertkit.intake.spellings import plain, spellings
from fertkit.intake.units import is_other_matrix
from fertkit.intake.words import settle_words
from fertkit.tables import text_of

CONTEXT = ("sample_id", "lab_id", "field", "crop", "growth_stage", "plant_part", "sampled", "area")
_MARKED_ID = re.compile(
    r"(?P<pair>.+?)[\s_\-/(]+(?P<mark>good|bad|poor|healthy|gut|schlecht|buena|mala)\)?", re.IGNORECASE
)
_SAID = {"crop": "crop", "growth_stage": "stage", "plant_part": "part"}
_TAKEN = frozenset({"lent", "block", "line", "row", "specimen", *CONTEXT})  # names of our own columns
_MATRIX = frozenset({"matrix", "material", "sample matrix", "sample material", "basis", "sample kind"})
_SCALES = {"feekes": "Feekes", "zadoks": "GS", "bbch": "BBCH"}


def area_mark(text: str) -> str:
    """'good', 'poor' or '' for what a file writes about the area a sample came from."""
    return spellings("area").get(plain(text), "")


def pair_name(sample_id: str) -> tuple[str, str]:
    """(name without its mark, mark) of a sample id such as 'North good'; the mark is '' if there is none."""
    hit = _MARKED_ID.fullmatch(sample_id)
    return (hit["pair"], area_mark(hit["mark"])) if hit else (sample_id, "")


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
    for role in CONTEXT:
        if role not in lines:
            lines[role] = ""
    lines["lent"] = ""
    _from_above(lines, layout, report)
    lines["sample_id"] = lines["sample_id"].mask(lines["sample_id"] == "", lines["field"])
    report[:] = dict.fromkeys(report)
    join_tables(lines, layout, notes, report)
    _name_fields(lines)
    settle_words(lines, {"crop": crop, "growth_stage": stage, "plant_part": part}, notes, report)
    lines["sampled"] = _dates(lines, date_format, notes, report)
    _mark_areas(lines, notes, report)
    _name_years(lines, report)
    specimen = _number(lines, columns, notes)
    report += [
        ("not used", f"analyte '{text}'", "not a nutrient", None) for text in left_out_analytes(layout)
    ]
    first = lines.assign(specimen=specimen).drop_duplicates("specimen").sort_values("specimen")
    own = [c for c in first.columns if c not in (*CONTEXT, "specimen", "row", "block", "line", "lent")]
    report += [("not used", f"column '{c}'", "kept as text in others", None) for c in own]
    return (
        first[["specimen", *CONTEXT, "row", "lent"]].reset_index(drop=True),
        first[["specimen", "sample_id", *own]].reset_index(drop=True),
        notes,
        report,
    )


def _stacked(frames) -> pd.DataFrame:
    """The lines of all blocks; a column that a block lacks is blank there."""
    columns = list(dict.fromkeys(column for frame in frames for column in frame))
    filled = [frame.reindex(columns=columns, fill_value="") for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0].reindex(columns=columns)


def _lines(b: int, block: Block, report) -> pd.DataFrame:
    """Context cells of each line of one block, raw for dates, text for the rest."""
    roles = _role_columns(block, report)
    data = {"block": b, "line": list(block.lines), "row": [block.place(i, 0)[0] for i in block.lines]}
    if block.turned:
        data["row"] = [i + 1 for i in block.lines]
    for role, j in roles.items():
        same = [j, *(k for k in _columns_of(block, role) if k != j)]
        cells = [
            next((line[k] for k in same if line[k] != ""), "")
            for line in map(block.cells.__getitem__, block.lines)
        ]
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
        texts = [text_of(block.cells[i][j]) for i in block.lines]
        if any(texts):
            label = block.labels[j]
            data[label if label not in _TAKEN and label not in data else f"{label} (column {j + 1})"] = texts
    frame = pd.DataFrame(data)
    if "sample_id" not in frame:
        frame["sample_id"] = _made_ids(frame, block, report)
    return frame


def _columns_of(block: Block, role: str) -> list[int]:
    return [j for j, h in enumerate(block.headers) if h.kind == "role" and h.name == role]


def doubled_columns(block: Block) -> list[Problem]:
    """Two columns for the crop, stage or part of which a line gives two different words."""
    problems = []
    for role, said in (("crop", "crop"), ("growth_stage", "growth stage"), ("plant_part", "plant part")):
        same = _columns_of(block, role)
        for i in block.lines:
            words = {plain(text_of(block.cells[i][j])): j for j in reversed(same) if block.cells[i][j] != ""}
            if len(words) > 1:
                first, other = sorted(words.values())[:2]
                (row, label), (_, second) = block.place(i, first), block.place(i, other)
                if any(is_other_matrix(text_of(block.cells[i][j])) for j in (first, other)):
                    break  # refused for its matrix, whatever the part
                told = " and ".join(f"'{text_of(block.cells[i][j])}'" for j in (first, other))
                what = f"two columns give the {said}, '{label}' and '{second}', and they differ: {told}"
                problems.append(Problem(what, "keep one of the columns, or rename the other", row))
                break
    return problems


def other_matrix_cells(layout: Layout) -> list[Problem]:
    """The first line of a table whose part, or kind of sample, is sap or fresh weight."""
    for block in layout.blocks:
        columns = [
            j for j, h in enumerate(block.headers)
            if (h.kind, h.name) == ("role", "plant_part") or plain(block.labels[j]).strip(" :.") in _MATRIX
        ]  # fmt: skip
        for i in block.lines:
            for j in columns:
                if is_other_matrix(text_of(block.cells[i][j])):
                    what = "sap and fresh-weight results are another matrix than dry matter"
                    row, label = block.place(i, j)
                    remedy = "ask the laboratory for dry-matter results"
                    return [Problem(what, remedy, row, label, text_of(block.cells[i][j]))]
    return []


def _role_columns(block: Block, report) -> dict[str, int]:
    """Column of each context role; where no column names the samples, the likeliest one, and say so."""
    roles: dict[str, int] = {}
    for j, header in enumerate(block.headers):
        if header.kind == "role" and header.name in (*CONTEXT, *_SCALES):
            roles.setdefault(header.name, j)
    if "area" not in roles:
        roles |= _marked_column(block, report)
    places = [j for j in _columns_of(block, "place") if j not in roles.values()]
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
        first = next((j for j, h in enumerate(block.headers) if h.kind == "nutrient"), 0)
        place = next((j for j in range(first) if block.headers[j].kind in ("unknown", "blank")), None)
    if place is not None:
        detail = f"taken from column '{block.labels[place]}'"
        report.append(("inferred", "sample id", detail, None))
        return roles | {"sample_id": place}
    return roles


def _names_field(block, column) -> bool:
    return plain(block.labels[column]).strip(" :.") in spellings("field")


def _name_fields(lines):
    """Put the field before the sample's name, where the file gives one and the name does not hold it."""
    pairs = zip(lines["field"], lines["sample_id"], strict=True)
    lines["sample_id"] = [s if plain(f) in plain(s) else f"{f} {s}" for f, s in pairs]


def _name_years(lines, report):
    """Put the year before the sample's name, where a column of years is all that tells two seasons apart."""
    for column in [c for c in lines if plain(c).strip(" :.") in spellings("year")]:
        years = lines[column].map(text_of).where(lambda text: text.str.fullmatch(r"(19|20)\d\d"), "")
        undated = lines["sampled"].isna() & (years != "")
        if undated.any() and len(set(years) - {""}) > 1:
            named = years + " " + lines["sample_id"]
            lines["sample_id"] = lines["sample_id"].mask(undated, named)
            report.append(("inferred", "sample id", f"with the year of column '{column}'", None))
            return


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
        report.append(("inferred", "sample id", "the laboratory number, no sample name given", None))
        return frame["lab_id"]
    if block.shape == "long":
        report.append(("inferred", "sample id", "one sample: the table names none", None))
        return ""
    report.append(("inferred", "sample id", "numbered by line, no sample name given", None))
    return [f"line {row}" for row in frame["row"]]


def _from_above(lines, layout, report):
    """Fill what a line leaves open from the lines of context above its own table."""
    found = {role: {} for block in layout.blocks for role in block.context}
    for b, block in enumerate(layout.blocks):
        for role, stated in block.context.items():
            found[role][b] = stated
    for role, stated in found.items():
        column = "growth_stage" if role in _SCALES else "sample_id" if role == "place" else role
        if column not in CONTEXT:
            continue
        blank = (lines[column] == "") & lines["block"].isin(stated)
        texts = {b: _on_scale(role, c) if role in _SCALES else text_of(c) for b, (c, _) in stated.items()}
        texts = {b: c for b, (c, _) in stated.items()} if column == "sampled" else texts
        of = lines.loc[blank, "block"]
        lines[column] = lines[column].astype(object)
        lines.loc[blank, column] = pd.Series([texts[b] for b in of], of.index, dtype=object)
        for b in pd.unique(of):
            cell, row = stated[b]
            lent = row <= layout.blocks[b].start
            what = f"'{text_of(cell)}' from the lines above {'an earlier' if lent else 'the'} table"
            report.append(("recognised", column, what, row))
            if lent and column in _SAID:
                lines.loc[of.index[of == b], "lent"] += f", {_SAID[column]} '{text_of(cell)}' (row {row})"


def _dates(lines, date_format, notes, report):
    dates, complaints, order = read_dates(list(lines["sampled"]), date_format)
    odd = pd.DataFrame({"what": complaints, "cell": list(lines["sampled"]), "row": list(lines["row"])})
    for what, rows in odd[odd["what"] != ""].groupby("what", sort=False):
        more = (
            f"; {len(rows)} dates, rows {', '.join(map(str, rows['row'].head(6)))}" if len(rows) > 1 else ""
        )
        more += ", ..." if len(rows) > 6 else ""
        first = rows.iloc[0]
        remedy = "the dates were left empty" if more else "the date was left empty"
        in_code = typed("--dates dmy or mdy", "date_format='dmy' or 'mdy'") if what == NO_ORDER else ""
        cell = text_of(first["cell"])
        notes.append(Problem(what + more, remedy, int(first["row"]), "sampled", cell, in_code))
    if order and not date_format:
        report.append(("inferred", "order of dates", f"{order}: a day above 12 settles it", None))
    return pd.Series(pd.to_datetime(pd.Series(dates, dtype=object)), index=lines.index).astype(
        "datetime64[ns]"
    )


def _mark_areas(lines, notes, report):
    marks = lines["area"].map(area_mark)
    odd = lines[(marks == "") & (lines["area"] != "")]
    if len(odd):
        words = ", ".join(sorted(set(odd["area"]))[:5])
        notes.append(Problem(f"area marks not understood: {words}", "use good and poor to pair samples"))
    from_id = [pair_name(text)[1] for text in lines["sample_id"]]
    if not (lines["area"] != "").any() and "good" in from_id and "poor" in from_id:
        marks = pd.Series(from_id, index=lines.index)
        report.append(("inferred", "good and poor areas", "from the sample names", None))
    lines["area"] = marks


def _number(lines, columns, notes):
    """Number the specimens: lines of one sample that hold different nutrients belong together.

    So the lines of a long table and the tables of a page meet, while repeated results are kept apart.
    """
    same = lines[list(CONTEXT)].assign(sampled=lines["sampled"].map(str))
    nutrients = {}
    for column in columns:
        for place, cell in zip(column.lines, column.cells, strict=True):
            if cell != "":  # a table of ratings meets the values it rates
                what = ("rating", column.nutrient) if is_rating(cell) else column.nutrient
                nutrients.setdefault(place, set()).add(what)
    specimen, held, count = [], {}, 0
    for place, key in zip(
        zip(lines["block"], lines["line"], strict=True), same.itertuples(index=False, name=None), strict=True
    ):
        mine = nutrients.get(place, set())
        fits = next((s for s, taken in held.get(key, ()) if not taken & mine), None)
        if fits is None:
            count += 1
            fits = count
            held.setdefault(key, []).append((fits, set()))
        next(taken for s, taken in held[key] if s == fits).update(mine)
        specimen.append(fits)
    at = dict(zip(zip(lines["block"], lines["line"], strict=True), specimen, strict=True))
    for column in columns:
        column.specimens = [at[place] for place in column.lines]
    repeated = same.assign(specimen=specimen).drop_duplicates("specimen")
    twice = repeated[repeated.duplicated(list(CONTEXT), keep=False)]
    for sample_id in list(dict.fromkeys(twice["sample_id"]))[:25]:
        rows = lines.loc[twice.index[twice["sample_id"] == sample_id], "row"]
        what = f"sample '{sample_id}' appears {len(rows)} times (rows {', '.join(map(str, rows[:6]))})"
        notes.append(Problem(what, "all are kept: replicates, re-runs or a slip in the name?"))
    return specimen
