"""Whose a soil test is: field, zone, sample, date and layer."""

import re
from functools import partial

import numpy as np
import pandas as pd

from fertkit.intake.dates import NO_ORDER, read_dates
from fertkit.intake.leaf_tables import Block
from fertkit.intake.soil_headers import length_unit, read_depth
from fertkit.intake.spellings import listed, plain, problem
from fertkit.tables import text_of

_NAMES = ("sample_id", "field", "zone", "point", "place", "lab_id")
_SAMPLES = ("sample_id", "point", "place", "lab_id")
_ROLES = (*_NAMES, "sampled", "year", "depth", "depth_from", "depth_to")
_REST = re.compile(r"|[\s\-_/#.]+(?:(?:pt\.?|point|sample|s)?[\s\-_#.]*\d{1,3}[a-z]?|[a-z])")
_POINT = re.compile(
    r"(?P<field>.*[^\W\d_].*?)\s*[-_/#.]\s*(?:pt\.?|point|sample|s)?\s*(?P<point>\d{1,3}[a-z]?|[a-z])", re.I
)


def with_places(cells, layout, fields, date_format, problems, notes):
    """Add field, zone, sample, sampled and the cells of the depth to each result."""
    places = pd.DataFrame(place for b, block in enumerate(layout.blocks) for place in _places(b, block))
    gaps = places[places["field_column"] & (places["field"] == "")]
    problems += [problem("place missing", int(row), role="field") for row in gaps["row"]]
    nameless = places[(places[["field", "zone", "sample"]] == "").all(axis=1)]
    problems += [problem("soil no field", int(row)) for row in nameless["row"].head(1)]
    for b, of in places.groupby("block"):
        block = layout.blocks[b]
        if block.turned and len(of) > 1 and not of["column_named"].any():
            problems.append(problem("soil samples unnamed", int(of["row"].iloc[0])))
    for block in layout.blocks:
        problems += _named_twice(block)
    _name_fields(places, fields or (), notes)
    places["sampled"] = _dates(places, date_format, problems, notes)
    return cells.merge(
        places.drop(columns=["row", "column_named", "field_column"]), on=["block", "line"], how="left"
    )


def _places(b, block: Block):
    """Field, zone, sample, date and depth of each line of a table, from its columns or the lines above."""
    columns = {role: block.columns("role", role) for role in _ROLES}
    if not any(columns[role] for role in _NAMES):
        loose = (j for j in range(next(iter(block.results), 0)) if _is_loose(block, j))
        columns["sample_id"] = [j for j in loose if any(block.cells[i][j] != "" for i in block.lines)][:1]
    for role in ("field", "sample_id"):  # of 'Sample no' and 'Sample name' the name
        columns[role] = sorted(columns[role], key=lambda j: _numbers_alone(block, j))
    depth_unit = next((block.headers[j].unit for j in columns["depth"] + columns["depth_to"]), "")
    for i in block.lines:
        said = {}
        for role, at in columns.items():
            cell = next((block.cells[i][j] for j in at if block.cells[i][j] != ""), "")
            said[role] = block.context[role][0] if cell == "" and role in block.context else cell
        top, end = text_of(said["depth_from"]) or "0", text_of(said["depth_to"])
        yield {
            "block": b, "line": i, "row": block.place(i, 0)[0],
            "field": text_of(said["field"]), "zone": text_of(said["zone"]),
            "sample": next((text_of(said[r]) for r in _SAMPLES if said[r] != ""), ""),
            "date": said["sampled"], "year": text_of(said["year"]),
            "field_column": bool(columns["field"]),
            "column_named": any(columns[role] for role in _NAMES),
            "depth": f"{top}-{end}" if end else text_of(said["depth"]), "depth_unit": depth_unit,
        }  # fmt: skip


def _named_twice(block):
    """Two columns of one name that say whose a sample is."""
    for role in _ROLES:
        names = [block.labels[j] for j in block.columns("role", role)]
        if len(names) > len(set(map(plain, names))):
            told = ", ".join(f"'{name}'" for name in names)
            yield problem("several columns give", role=role.replace("_", " "), names=told)


def _numbers_alone(block, j):
    return all(text_of(block.cells[i][j]).isdigit() for i in block.lines)


def _is_loose(block, j):
    """Whether a column has no header that says what it holds; over the names of a turned table is 'Test'."""
    return block.headers[j].kind in ("blank", "unknown") or (
        block.turned and block.headers[j].name == "analyte"
    )


def _name_fields(places, fields, notes):
    """Name the fields of samples without one: a known one they begin with, or the name that points share."""
    bare = places["field"] == ""
    names = places["sample"].mask(places["sample"] == "", places["zone"])[bare]
    known = sorted(fields, key=len, reverse=True)
    taken = names.map(partial(_known_field, known=known)).mask(lambda field: field == "", names)
    if not known:
        stems = names.map(lambda name: hit["field"] if (hit := _POINT.fullmatch(name)) else name)
        taken = stems.where(names.groupby(stems).transform("nunique") > 1, names)
    places.loc[bare, "field"] = taken
    same = {plain(field): field for field in known}
    places["field"] = [same.get(plain(field), field) for field in places["field"]]
    split = taken[names != taken].value_counts(sort=False)
    if len(split) and not known:
        told = (f"{field} ({n} samples)" for field, n in split.items())
        notes.append(problem("points of a field", named=listed(told, 6)))


def _known_field(name, known):
    """The known field that a sample is named after, with the number of a point or without; or ''."""
    bare = plain(name)
    rests = ((f, bare[len(plain(f)) :]) for f in known if bare.startswith(plain(f)))
    return next((f for f, rest in rests if _REST.fullmatch(rest)), "")


def _dates(places, date_format, problems, notes):
    """Dates of sampling; a year alone is its first day, and one that can be read two ways is asked about."""
    alone = (places["date"].map(text_of) == "") & places["year"].str.fullmatch(r"(19|20)\d\d")
    cells = places["date"].astype(object).mask(alone, places["year"] + "-01-01")
    dates, complaints, _ = read_dates(list(cells), date_format)
    notes += [problem("year alone")] * bool(alone.any())
    for what, row, cell in zip(complaints, places["row"], places["date"], strict=True):
        if what:
            key = "soil date order" if what == NO_ORDER else "soil date not read"
            problems.append(problem(key, int(row), "sampled", text_of(cell)))
    return pd.Series(pd.to_datetime(pd.Series(dates, dtype=object)), places.index).astype("datetime64[ns]")


def layers_of(table, unit, depth_in, problems):
    """Give the top and end [in] of each result's layer: of its header, its line, or as the caller says."""
    unit, otherwise = length_unit(unit) if unit else "", np.nan if depth_in is None else depth_in
    layers, asked = [], {}
    columns = (table[name] for name in ("span", "depth", "depth_unit", "row"))
    for span, text, of_header, row in zip(*columns, strict=True):
        layer = span or (0.0, otherwise)
        if not span and plain(text) not in ("", "-", "na", "n/a"):
            layer = read_depth(text, unit or of_header)
        if isinstance(layer, str):
            asked.setdefault(text, problem("depth not read", int(row), "depth", text, what=layer))
            layer = 0.0, np.nan
        layers.append(layer)
    problems += asked.values()
    return [top for top, _ in layers], [end for _, end in layers]
