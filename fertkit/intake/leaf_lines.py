"""The lines of a leaf table: samples, summaries, ranges and ratings, and those under a merged cell.

A line with a crop, stage, part, plot, date or number of its own is a sample whatever its name; where the
samples have these and a line has not, its name decides.
"""

import re
from dataclasses import dataclass, field, replace
from itertools import pairwise, takewhile

import numpy as np

from fertkit.errors import Problem
from fertkit.intake.conditions import looks_like_context
from fertkit.intake.headers import STATED, Header, read_header
from fertkit.intake.leaf_sections import NAMES
from fertkit.intake.spellings import (
    is_range,
    is_rating,
    listed,
    name_kind,
    number_like,
    plain,
    problem,
    spellings,
)
from fertkit.tables import text_of

_MEANS = {"mean": np.mean, "median": np.median, "min": np.min, "max": np.max, "total": np.sum}
_CONDITION = ("crop", "growth_stage", "plant_part", "feekes", "zadoks", "bbch")
_NAMELESS = "without a name"
_NOTE = 60  # characters of a cell that is prose, not a name


@dataclass
class Sorted:
    """Lines of a table by what they are.

    Attributes
    ----------
    samples : list of int
    dropped : list of (what, row)
    ratings : dict of (line, column) -> str
        Ratings the laboratory wrote in a line of their own, by the sample they belong to.
    more_names : dict of line -> str
        Second line of a sample's name, where it is written over two.
    asked : list of Problem
        Lines that may be samples or not.
    """

    samples: list = field(default_factory=list)
    dropped: list = field(default_factory=list)
    ratings: dict = field(default_factory=dict)
    more_names: dict = field(default_factory=dict)
    asked: list = field(default_factory=list)


def sort_lines(cells, lines, headers: list[Header], *, turned: bool = False) -> Sorted:
    """Sort the lines below a header into samples and what is set aside.

    Parameters
    ----------
    cells : list of list
    lines : range of int
        Lines of the table.
    headers : list of Header
        Meaning of each column.
    turned : bool
        Whether the lines are columns of the file, so that their names may be those of ranges or remarks.
    """
    table = _Table(cells, lines, headers, turned)
    kinds = Sorted()
    ends_of_range = table.ends_of_range()
    for i in table.lines:
        row = cells[i]
        what = table.aside(i, kinds.samples, ends_of_range)
        if what == "ask":
            label = table.label(i)
            kinds.asked.append(problem("sample or range", i + 1, value=label, label=label, low=label.lower()))
            kinds.samples.append(i)
        elif what == "rating":
            table.rate(i, kinds)
        elif what:
            kinds.dropped.append((f"{what} '{table.label(i) or _NAMELESS}'", i + 1))
        elif any(c != "" for c in row):
            kinds.samples.append(i)
    return kinds


class _Table:
    """The lines of one table with what each holds; nothing leaves it but the kind of a line."""

    def __init__(self, cells, lines, headers, turned):
        self.cells, self.headers, self.turned = cells, headers, turned
        self.lines = [i for i in lines if any(c != "" for c in cells[i])]
        self.results = [
            j for j, h in enumerate(headers) if h.names_nutrient or (h.kind, h.name) == ("role", "value")
        ]
        self.own = [j for j, h in enumerate(headers) if h.kind == "role" and h.name in STATED]
        self.named = [i for i in self.lines if not name_kind(self.label(i)) and self.numbers(i)]
        with_own = sum(self.has_own(i) for i in self.named or self.lines)
        self.told_apart = with_own * 2 > len(self.named)
        self.condition = [j for j in self.own if headers[j].name in _CONDITION]
        perhaps = [i for i in self.lines if name_kind(self.label(i)) in ("sample", "either")]
        judged = self.named or perhaps  # none on a last page that holds means alone
        with_condition = sum(self.has_own(i, self.condition) for i in judged)
        self.by_condition = bool(self.condition) and (with_condition * 2 > len(judged) or not judged)
        pairs = pairwise(self.lines)
        self.counts = {
            i for above, i in pairs if self.label(i) == "n" and name_kind(self.label(above)) == "statistic"
        }
        marks = (plain(self.label(i)) for i in self.named)  # a sample may be called B or G
        self.areas = any(len(mark) > 1 and mark in spellings("area") for mark in marks)

    def label(self, i):
        at = self.label_at(i)
        return "" if at is None else text_of(self.cells[i][at])

    def label_at(self, i):
        """Column of the name of a line: its first cell that is no result."""
        return next((j for j, c in enumerate(self.cells[i]) if c != "" and j not in self.results), None)

    def has_own(self, i, columns=None):
        """Whether a line has a crop, stage, part, plot, date or number of its own beside its name."""
        at = self.label_at(i)
        return any(self.cells[i][j] != "" for j in (columns or self.own) if j != at)

    def numbers(self, i):
        return [j for j in self.results if self.cells[i][j] != "" and number_like(self.cells[i][j])]

    def filled(self, i):
        return [j for j in self.results if self.cells[i][j] != ""]

    def ends_of_range(self):
        """Lines called low and high, one each, beside other samples: as likely a range as two samples."""
        kinds = {i: spellings("line either").get(plain(self.label(i)).strip(" :.")) for i in self.lines}
        ends = [i for i, end in kinds.items() if end in ("low", "high")]
        others = [i for i, end in kinds.items() if end is None and self.numbers(i)]
        pair = {kinds[i] for i in ends} == {"low", "high"}
        return set(ends) if pair and any(not name_kind(self.label(i)) for i in others) else set()

    def aside(self, i, samples, ends_of_range):
        """'' for a sample, 'rating', 'ask', or the kind of line that is set aside."""
        filled, own, kind = self.filled(i), self.has_own(i), name_kind(self.label(i))
        role = read_header(self.label(i)).name if self.turned else ""
        if role == "other" or (role == "range" and not (kind == "either" and (own or len(self.named) > 1))):
            return "column"
        kind = "rating" if role == "flag" else "statistic" if i in self.counts else kind
        if kind in ("statistic", "range", "limit", "rating") and self.by_condition:
            own = self.has_own(i, self.condition)  # a number of the laboratory makes no sample of a mean
        if not filled:
            return self._without_results(i, kind)
        words = sum(is_rating(self.cells[i][j]) for j in filled)
        if kind != "statistic" and (words == len(filled) or (kind == "rating" and words * 2 > len(filled))):
            rates = kind == "rating" or not own
            return "rating" if rates and self._rates(i, kind, samples) else ""
        if all(is_range(self.cells[i][j]) for j in filled) and (kind or not own):
            return "range line"
        if kind == "range" or kind == "limit":
            lone = len(plain(self.label(i)).split()) == 1
            return "" if own and lone else "range line"
        if not kind or kind == "rating":
            return ""
        if kind == "statistic":
            follows = self._follows(i, samples)
            an_area = self.areas and follows is False and not self.told_apart
            return "summary line" if follows or not (own or an_area) else ""
        if own:
            return ""
        if self.told_apart:
            return "summary line"
        if kind == "quality":
            return "summary line"
        return "ask" if i in ends_of_range and not self.areas else ""

    def _without_results(self, i, kind):
        filled = [j for j, c in enumerate(self.cells[i]) if c != ""]
        if kind in ("statistic", "range", "limit", "rating") and not self.has_own(i):
            return "note"
        if sum(number_like(self.cells[i][j]) for j in filled) > 1:
            return ""  # part of a broken line, no prose: it is looked at with the samples
        long = any(len(text_of(self.cells[i][j])) > _NOTE for j in filled)
        return "note" if len(filled) <= 2 or long else ""

    def _rates(self, i, kind, samples):
        """Whether a line of ratings belongs to the sample above it."""
        if not samples:
            return True
        label = self.label(i)
        if kind or not label or plain(label).startswith(plain(self.label(samples[-1]))):
            return True
        return looks_like_context(label)

    def _follows(self, i, samples):
        """Whether the numbers are the mean (total, ...) of the samples above; None if that cannot be told."""
        words = re.sub(r"[^a-z]+", " ", plain(self.label(i))).split()
        what = next((w for t in words if (w := spellings("line statistic").get(t)) in _MEANS), None)
        if what is None or not samples:
            return None
        equal = []
        for j in self.numbers(i):
            above = [_float(self.cells[k][j]) for k in samples if self.cells[k][j] != ""]
            values, here = [v for v in above if v is not None], _float(self.cells[i][j])
            if here is None or not values:
                continue
            slack = max(0.5 * 10.0 ** -_decimals(self.cells[i][j]), 1e-9 * abs(here)) * 1.001
            equal.append(abs(_MEANS[what](values) - here) <= slack)
        return all(equal) if equal else None

    def rate(self, i, sorted_lines):
        """Keep the ratings of a line beside the values of the sample above it."""
        label = self.label(i)
        rated = {line for line, _ in sorted_lines.ratings}
        bare = list(takewhile(lambda k: k not in rated, reversed(sorted_lines.samples)))
        if not sorted_lines.samples or (len(bare) > 1 and not self._rates_by_name(i, sorted_lines)):
            sorted_lines.dropped.append((f"rating line '{label}' of unknown samples", i + 1))
            return
        sample = sorted_lines.samples[-1]
        for j in (j for j in self.filled(i) if is_rating(self.cells[i][j])):
            words = [sorted_lines.ratings.get((sample, j), ""), text_of(self.cells[i][j])]
            sorted_lines.ratings[sample, j] = "; ".join(filter(None, words))
        if label and not name_kind(label) and not plain(label).startswith(plain(self.label(sample))):
            sorted_lines.more_names[sample] = label
        sorted_lines.dropped.append((f"rating line '{label or _NAMELESS}'", i + 1))

    def _rates_by_name(self, i, sorted_lines):
        label, above = plain(self.label(i)), plain(self.label(sorted_lines.samples[-1]))
        return bool(label) and (label.startswith(above) or looks_like_context(self.label(i)))


def _float(cell):
    if not isinstance(cell, str):
        return float(cell) if isinstance(cell, (int, float)) else None
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None


def _decimals(cell):
    hit = re.fullmatch(r"\d*[.,](\d+)", text_of(cell).strip())
    return len(hit[1]) if hit else 0


# ---- lines that name no sample, crop, stage or part of their own because a cell above them does


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
    named = {j for role in STATED for j in block.columns("role", role)}
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
    names = [j for role in NAMES for j in block.columns("role", role)]
    full = {j: sum(block.cells[i][j] != "" for i in block.lines) for j in names}
    if not any(full.values()) or len(block.lines) in full.values():
        return block, [], []
    name = max(full, key=full.get)
    groups = _groups(block, name)
    bare = [i for i in block.lines if block.cells[i][name] == ""]
    if groups is None:
        return block, [], [problem("whose line", i + 1, block.labels[name]) for i in bare]
    stated = [j for role in STATED for j in block.columns("role", role)]
    block, _ = _filled(block, [(j, of[0], i) for of in groups for j in stated for i in of[1:]])
    return block, [problem("of the sample above", rows=listed((i + 1 for i in bare), 8))], []


def _groups(block, name):
    """Lines of each sample, the first of which names it; None where a name or a nutrient comes twice."""
    analyte = block.column("analyte")
    groups = []
    for i in block.lines:
        if block.cells[i][name] != "":
            groups.append([i])
        elif not groups:
            return None
        else:
            groups[-1].append(i)
    names = [block.cells[of[0]][name] for of in groups]
    once = all(a != b for a, b in pairwise(names))
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
    rows = [block.place(i, columns[0])[1] if block.turned else i + 1 for i in lines]
    labels = ", ".join(block.labels[j] for j in columns)
    whose = "samples" if block.turned else "rows" if len(lines) > 1 else "row"
    return problem("merged cells", labels=labels, whose=whose, rows=listed(rows, 8))


def lines_set_aside(layout, key="lines set aside") -> list[Problem]:
    """Return one note for each kind of line that was set aside (means, ranges, ratings), with its rows."""
    kinds: dict[str, list] = {}
    for what, row in layout.dropped:
        kind = " ".join(what.split()[:2])
        if kind in ("summary line", "range line") or (kind == "rating line" and "cannot" in what):
            kinds.setdefault(kind, []).append((what.removeprefix(kind).split(",")[0].strip(), row))
    notes = []
    for kind, dropped in kinds.items():
        names = ", ".join(dict.fromkeys(name for name, _ in dropped[:6]))
        s = "" if len(dropped) == 1 else "s"
        rows = listed((r for _, r in dropped), 8)
        notes.append(problem(key, kind=kind, s=s, names=names, rows=rows))
    return notes
