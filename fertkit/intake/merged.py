"""Fill the lines that a merged cell of a workbook spans, where it names their sample, crop, stage or part."""

from dataclasses import replace

from fertkit.errors import Problem
from fertkit.intake.sections import STATED


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
    samples, cells, filled = set(block.lines), list(block.cells), {}
    for area in merged:
        column, line, last = _spanned(block, area, first_column)
        if column not in named or line not in samples:
            continue
        for i in range(line + 1, last + 1):
            if i in samples and cells[i][column] == "":
                cells[i] = [*cells[i][:column], cells[line][column], *cells[i][column + 1 :]]
                filled.setdefault(column, []).append(i)
    alike = {}
    for column, lines in sorted(filled.items()):
        alike.setdefault(tuple(sorted(lines)), []).append(column)
    return replace(block, cells=cells), [_note(block, lines, columns) for lines, columns in alike.items()]


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
