"""Fill lines that name no sample, crop, stage or part of their own because a cell above them does.

A merged cell of a workbook says which lines it spans. In a long table, the lines below the one that names a
sample are those of its other nutrients; in a wide one a blank is a question.
"""

from dataclasses import replace
from itertools import pairwise

from fertkit.errors import Problem
from fertkit.intake.sections import STATED
from fertkit.tables import text_of


def fill_merged(block, merged, first_column: int):
    """Write what a merged cell says on each line of samples it spans.

    Parameters
    ----------
    block : Block
    merged : iterable of (int, int, int, int)
        `fertkit.tables.RawTable.merged`.
    first_column : int
        Column of the sheet with which the cells of the block begin.

    Returns
    -------
    (Block, list of Problem)
        The block, and a note for all columns of the same lines.
    """
    named = {j for j, h in enumerate(block.headers) if h.kind == "role" and h.name in STATED}
    samples, below = set(block.lines), []
    for area in merged:
        column, line, last = _spanned(block, area, first_column)
        if column in named and line in samples:
            below += [(column, line, i) for i in range(line + 1, last + 1) if i in samples]
    block, filled = _filled(block, below)
    return block, [_note(block, lines, columns) for lines, columns in filled.items()]


def fill_long(block):
    """Write the sample and what is said of it on each line of a long table that stands below its name.

    Returns
    -------
    (Block, list of Problem, list of Problem)
        The block, notes, and questions where a line without a name may belong to another sample.
    """
    names = [j for role in _NAMES for j, h in enumerate(block.headers) if (h.kind, h.name) == ("role", role)]
    full = {j: sum(block.cells[i][j] != "" for i in block.lines) for j in names}
    if not any(full.values()) or len(block.lines) in full.values():
        return block, [], []
    name = max(full, key=full.get)
    groups = _groups(block, name)
    bare = [i for i in block.lines if block.cells[i][name] == ""]
    if groups is None:
        what = "the line names no sample, and it cannot be told whose it is"
        return (
            block,
            [],
            [Problem(what, "write the sample's name on every line", i + 1, block.labels[name]) for i in bare],
        )
    stated = [j for j, h in enumerate(block.headers) if h.kind == "role" and h.name in STATED]
    block, _ = _filled(block, [(j, of[0], i) for of in groups for j in stated for i in of[1:]])
    rows = ", ".join(str(i + 1) for i in bare[:8]) + ", ..." * (len(bare) > 8)
    what = f"lines without a name are taken for the sample above them: rows {rows}"
    return block, [Problem(what, "write the sample's name on every line if that is not meant")], []


_NAMES = ("sample_id", "lab_id", "place", "field")


def _groups(block, name):
    """Lines of each sample, the first of which names it; None where a name or a nutrient comes twice."""
    analyte = next(j for j, h in enumerate(block.headers) if h.name == "analyte")
    groups = []
    for i in block.lines:
        if block.cells[i][name] != "":
            groups.append([i])
        elif not groups:
            return None
        else:
            groups[-1].append(i)
    told = [block.cells[of[0]][name] for of in groups]
    once = all(a != b for a, b in pairwise(told))
    analytes = ([text_of(block.cells[i][analyte]) for i in of] for of in groups)
    return groups if once and all(len(set(of)) == len(of) for of in analytes) else None


def _filled(block, below):
    """The block with each (column, from line, to line) copied into blanks, and the columns by their lines."""
    cells, filled, alike = list(block.cells), {}, {}
    for column, line, i in below:
        if cells[i][column] == "" and cells[line][column] != "":
            cells[i] = [*cells[i][:column], cells[line][column], *cells[i][column + 1 :]]
            filled.setdefault(column, []).append(i)
    for column, lines in sorted(filled.items()):
        alike.setdefault(tuple(sorted(lines)), []).append(column)
    return replace(block, cells=cells), alike


def _spanned(block, area, first_column):
    """(column, first line, last line) of a merged cell in the cells of a block, which may be turned."""
    top, left, bottom, right = area
    if block.turned:
        return top - block.above, left - first_column, right - first_column
    return left - first_column, top, bottom


def _note(block, lines, columns):
    told = [block.place(i, columns[0])[1] if block.turned else str(i + 1) for i in lines]
    labels = ", ".join(block.labels[j] for j in columns)
    whose = "samples" if block.turned else "rows" if len(lines) > 1 else "row"
    what = f"merged cells ({labels}) hold for {whose} {', '.join(told[:8])}{', ...' * (len(told) > 8)} too"
    return Problem(what, "if that is not meant, take the cells apart and fill in each one")
