"""Say what of a laboratory's sheet was set aside, once in the report and once in a note."""

from fertkit.errors import Problem
from fertkit.intake.layout import Layout
from fertkit.intake.results import Aside

_SUMMARIES = ("summary line", "range line", "rating line")


def aside_report(layout: Layout, aside: list[Aside]) -> list[tuple]:
    """Rows (what, item, detail, row) of the report for lines and columns that were not read as results."""
    lines = []
    for what, row in layout.dropped:
        rating = what.startswith("rating line") and "cannot" not in what
        kept = "its ratings are kept beside the values" if rating else "not a sample"
        lines.append(("not used", what, kept, row))
    return lines + [
        ("not used", f"column '{a.label}'", f"{a.problem.what}: set aside", a.problem.row) for a in aside
    ]


def aside_notes(layout: Layout, aside: list[Aside]) -> list[Problem]:
    """One note for each kind of line set aside, with its rows, and one for each column."""
    kinds: dict[str, list] = {}
    for what, row in layout.dropped:
        kind = next((k for k in _SUMMARIES if what.startswith(k)), "")
        if kind and not (kind == "rating line" and "cannot" not in what):
            kinds.setdefault(kind, []).append((what.removeprefix(kind).split(",")[0].strip(), row))
    notes = []
    for kind, found in kinds.items():
        names = ", ".join(dict.fromkeys(name for name, _ in found[:6]))
        rows = ", ".join(str(row) for _, row in found[:8]) + (", ..." if len(found) > 8 else "")
        one = len(found) == 1
        what = f"set aside, not scored: {kind}{'' if one else 's'} {names} (row{'' if one else 's'} {rows})"
        remedy = "a sample among them needs a crop, stage or part in its line, or another name"
        notes.append(Problem(what, remedy))
    notes += [
        Problem(f"set aside: {a.problem.what}", a.problem.remedy, a.problem.row, a.label) for a in aside
    ]
    return notes
