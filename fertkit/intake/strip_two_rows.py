"""Two rows of headers over the yields of a wide strip sheet, the upper one merged over the lower."""

from dataclasses import dataclass, replace

from fertkit.intake.grid import is_number_like
from fertkit.intake.spellings import is_summary
from fertkit.tables import text_of


@dataclass(frozen=True)
class TwoRows:
    """Groups of columns under two rows of headers.

    Attributes
    ----------
    corner : str
        What the cell left of the upper labels says of them; empty where there is none.
    down : dict
        Column left of the yields -> its header.
    columns : dict
        Upper label -> {lower label: column}.
    first : int
        First column of yields.
    alike : bool
        Every upper label stands over the same lower labels, each once.
    """

    corner: str
    down: dict
    columns: dict
    first: int
    alike: bool

    @property
    def labels(self) -> list[str]:
        """Labels of the upper row."""
        return list(self.columns)

    @property
    def below(self) -> list[str]:
        """Labels of the lower row under the first of the upper."""
        return list(next(iter(self.columns.values())))

    def stacked(self, raw, at, header):
        """The table with one row of headers, at `at` - 1, a line an upper label; and the lines' numbers."""
        lower, cells, lines = self.below, list(raw.cells[: at - 1]), list(range(1, at))
        cells.append([*self.down.values(), header, *lower])
        lines.append(at + 1)
        for line, row in enumerate(raw.cells[at + 1 :], at + 2):
            beside = [row[i] for i in self.down]
            if not any(text_of(row[i]) for held in self.columns.values() for i in held.values()):
                cells.append([*beside, *[""] * (len(lower) + 1)])
                lines.append(line)
                continue
            for label, held in self.columns.items():
                cells.append([*beside, label, *(row[held[name]] for name in lower)])
                lines.append(line)
        return lines, replace(raw, cells=cells, widths=(), merged=())


def two_rows(raw, at, names) -> TwoRows | None:
    """Find labels that repeat in a row under those of the row above it, with numbers below; None if none do.

    `names` tells whether a cell names what stands below it.
    """
    upper, lower = ([text_of(cell) for cell in raw.cells[i]] for i in (at - 1, at))
    body = [[text_of(cell) for cell in row] for row in raw.cells[at + 1 :]]
    both = (i for i, t in enumerate(lower) if i and t and upper[i] and not names(t) and _numbers(body, i))
    first = next(both, None)
    if first is None:
        return None
    over = {i: t for i, t in enumerate(lower) if i >= first and t and not is_summary(t) and _numbers(body, i)}
    whose, columns, alike = _spread(raw.merged, at - 1, upper, first), {}, True
    for i, label in over.items():
        held = columns.setdefault(whose[i], {})
        alike &= bool(whose[i]) and label not in held
        held[label] = i
    runs = [label for i, label in enumerate(whose) if i in over and (i == first or whose[i - 1] != label)]
    if len(set(columns)) < 2 or len(runs) == len(over) or len(set(over.values())) == len(over):
        return None
    alike &= len(runs) == len(columns) and len({frozenset(held) for held in columns.values()}) == 1
    if not alike and any(map(is_number_like, columns)) and not raw.merged:  # lines of strips
        return None
    corner = [upper[i] for i in range(first) if upper[i] and lower[i]]
    down = {i: lower[i] or upper[i] for i in range(first) if lower[i] or upper[i]}
    return TwoRows(corner[-1] if corner else "", down, columns, first, alike and len(corner) < 2)


def _numbers(body, i) -> bool:
    """Whether a column holds numbers below a label of the lower row."""
    filled = [row[i] for row in body if row[i]]
    return bool(filled and is_number_like(filled[0]))


def _spread(merged, row, labels, first) -> list[str]:
    """Each label on every column it lies over: those of its merged cell, else the blanks to its right."""
    spans = [(left, right) for top, left, bottom, right in merged if top <= row <= bottom and left >= first]
    spread, last = list(labels), ""
    for i in range(first, len(labels)):
        last = labels[i] or last
        spread[i] = labels[i] if spans else last
    for left, right in spans:
        spread[left : right + 1] = [labels[left]] * (right - left + 1)
    return spread
