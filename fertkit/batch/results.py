"""What came out of a batch: the joined table, the counts, and the page that leads through it."""

from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd

from fertkit.batch.pages import page_name
from fertkit.batch.parts import REFUSED
from fertkit.batch.settings import Settings
from fertkit.batch.store import ending, join_frames, read_frame, typed
from fertkit.reference import list_sources
from fertkit.report import Section, render_page, write_whole
from fertkit.report.tables import pick
from fertkit.response.analyse import SOURCES
from fertkit.response.limits import price_check
from fertkit.response.prices import Prices
from fertkit.response.two_rates import DIFFERENCE
from fertkit.response.verdict import INTERIOR, MEANINGS, NONE, STEP, TOP, status_in_words
from fertkit.results import Result, checks_frame
from fertkit.tissue.score import settle_cvs

SHOWN = 200  # rows of a table on the index page
#: Columns of which a batch should hold one value only, for one price to fit all.
_SINGLE = {
    "nutrient": "nutrient",
    "crop": "crop",
    "rate_unit": "unit of the rate",
    "yield_unit": "unit of the yield",
}
#: Statuses of an optimum as a sentence begins.
_SAID = {
    INTERIOR: f"Optimum {status_in_words(INTERIOR)}",
    TOP: "At least the highest rate tested",
    STEP: "At most the first rate above the lowest",
    NONE: "No economic response",
    DIFFERENCE: "Two rates, a difference only (column 'message')",
}
#: Column in which a row says what the reader is to look at first: the check, and the words for one and many.
_TOLD = {
    "doubtful": (
        "strips far from the rest",
        *(f"{h} strips that lie far from the rest" for h in ("holds", "hold")),
    ),
    "unread": ("nutrients not read", *(f"{h} nutrients that were not read" for h in ("holds", "hold"))),
}
#: Columns of words that a page leaves out where they are empty.
_REMARKS = ("doubtful", "unread", "notes", "message")
_CAUTION = (
    "Rates and products differ by soil, state and season: follow the "
    "local nutrient-management rules and the product label, and ask a licensed or certified adviser before "
    "you buy or spread.",
)


@dataclass(frozen=True)
class BatchResult(Result):
    """Results of a batch; the rows stay on disk until they are asked for.

    Attributes
    ----------
    kind : str
        ``trials`` or ``samples``.
    by : tuple of str
        Columns that name a trial or sample.
    file, index, parts : Path
        Table of all results, page that leads through them, folder of the same table in parts.
    counts : DataFrame
        status, trials (or samples).
    classes : DataFrame
        cls, results: how many results of samples were called what, every source counted; empty for trials.
    head, refused : DataFrame
        The first usable rows and the first refused ones, as the page shows them.
    checks : DataFrame
    keys : tuple of str
        Source keys behind the numbers.
    types : dict
        Column → type of the table.
    names : tuple of str
        Files of `parts`, in the order of the input.
    notes : tuple of str
        What of an earlier run in the folder could not be used.
    """

    kind: str
    by: tuple[str, ...]
    file: Path
    index: Path
    parts: Path
    counts: pd.DataFrame
    classes: pd.DataFrame
    head: pd.DataFrame
    refused: pd.DataFrame
    checks: pd.DataFrame
    keys: tuple[str, ...]
    types: dict
    names: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @cached_property
    def table(self) -> pd.DataFrame:
        """All rows, in the order of the input: a row per trial, or per sample, nutrient and source."""
        parts = (read_frame(self.parts / name) for name in self.names)
        return pd.concat([typed(part, self.types) for part in parts], ignore_index=True)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(list(self.keys))

    def summary(self) -> str:
        """How many of what, what could not be used, and where the rows are."""
        counts = self.counts.set_index("status")[self.kind]
        total = int(counts.sum())
        good = counts.drop(REFUSED, errors="ignore")
        lines = [f"{total:,} {self.kind if total != 1 else self.kind[:-1]}: {good.sum():,} usable."]
        if self.kind == "trials":
            lines += [f"{_SAID.get(status, status)}: {n:,}." for status, n in good.items()]
        elif len(self.classes):
            each = ", ".join(f"{row.results:,} {row.cls}" for row in self.classes.itertuples(index=False))
            lines.append(f"Results, every source counted: {each}.")
        if REFUSED in counts:
            lines.append(f"Not usable: {counts[REFUSED]:,}; the reason stands in the column 'message'.")
        failed = self.checks[self.checks["passed"].eq(False) & (self.checks["check"] != REFUSED)]
        told = [*failed["meaning"], *self.notes]
        return "\n".join([*lines, *(f"Note: {text}." for text in told), f"Table: {self.file}"])

    def _repr_html_(self) -> str:
        from html import escape

        return f"<pre>{escape(self.summary())}</pre>{self.head.head(20).to_html(index=False, border=0)}"


def gather(settings: Settings, targets: list[Path], out: Path, notes=()) -> BatchResult:
    """Join the parts into one table, count them, and write the index page; a part at a time."""
    file, index = out / f"results{ending()}", out / "index.html"
    for path in {file, out / "results.csv"}:
        join_frames(targets, path, settings.types)
    counts, classes, told, head, refused = Counter(), Counter(), Counter(), [], []
    seen = {name: set() for name in (*_SINGLE, "highest_rate", "source_key", "provenance")}
    for target in targets:
        rows = typed(read_frame(target), settings.types)
        bad = rows["status"] == REFUSED
        named = (
            rows.drop_duplicates(["file", *settings.by, "analysis"]) if settings.kind == "samples" else rows
        )
        counts.update(named["status"])
        told.update({name: int((named[name] != "").sum()) for name in _TOLD if name in named})
        classes.update(rows.loc[~bad, "class"] if "class" in rows else ())
        for name in seen:
            seen[name] |= set(rows.loc[~bad, name]) - {""} if name in rows else set()
        head.append(rows[~bad].head(max(0, SHOWN - sum(map(len, head)))))
        refused.append(rows[bad].head(max(0, SHOWN - sum(map(len, refused)))))
    result = BatchResult(
        settings.kind, tuple(settings.by), file, index, out / "parts",
        pd.DataFrame(counts.most_common(), columns=["status", settings.kind]),
        pd.DataFrame(classes.most_common(), columns=["cls", "results"]),
        pd.concat(head, ignore_index=True), pd.concat(refused, ignore_index=True),
        _checks(counts, told, seen, settings), _keys(settings.kind, seen), settings.types,
        tuple(target.name for target in targets), tuple(notes),
    )  # fmt: skip
    write_whole(index_page(result), index)
    return result


def _keys(kind, seen):
    """Source keys of the methods, or of the ranges and of the errors of laboratories."""
    return (
        tuple(SOURCES)
        if kind == "trials"
        else (*sorted(seen["source_key"]), *set(settle_cvs()["source_key"]))
    )


def _checks(counts, told, seen, settings):
    bad, kind = counts[REFUSED], settings.kind
    unusable = f"{bad} {kind} could not be used; see the column 'message'" if bad else "all could be used"
    rows = [(REFUSED, bad, 0, bad == 0, unusable)]
    for name, n in told.items():
        check, one, many = _TOLD[name]
        said = f"{n:,} {kind if n != 1 else kind[:-1]} {one if n == 1 else many}; see the column '{name}'"
        rows.append((check, n, 0, n == 0, (f"no {kind[:-1]} {one}", said)))
    for name, words in _SINGLE.items():
        if kind == "trials" and name in seen:
            several = len(seen[name]) > 1
            told = (
                f"one price ratio was used for more than one {words} ({', '.join(sorted(seen[name]))}); run "
                "each on its own, with its own prices"
            )
            rows.append((f"one {words}", len(seen[name]), 1, not several, (f"one {words} throughout", told)))
    if kind == "trials" and settings.nutrient_price is not None:
        rows += _doubt(seen, settings)
    if kind == "samples":
        memory = "from_memory" in seen["provenance"]
        told = "some ranges are from memory (column 'provenance'): check them before they drive a decision"
        told = ("every range used was read in its source", told)
        rows.append(("ranges carried from memory", int(memory), 0, not memory, told))
        told = "the chances rest on placeholder errors of laboratory and sampling, from memory"
        rows.append(("laboratory and sampling CVs", 1, 0, False, told))
    return checks_frame(rows)


def _doubt(seen, settings):
    """Row on the units of the prices, where all trials share theirs."""
    units = [list(seen[name]) for name in ("rate_unit", "yield_unit")]
    if any(len(held) != 1 for held in units):
        return []
    (rate,), (yields,) = units
    prices = Prices(settings.nutrient_price, settings.grain_price, rate.split("/")[0], yields.split("/")[0])
    nutrient, crop = (next(iter(seen[n])) if len(seen[n]) == 1 else "" for n in ("nutrient", "crop"))
    row = price_check(prices, rate, yields, nutrient, max(seen["highest_rate"]), crop)
    return [row] if row[3] is not None else []


# ---- the page


def index_page(result: BatchResult) -> str:
    """The page that leads through the results of a batch."""
    optima = result.head.get("optimum")  # trials of two rates have none to draw
    bare = not len(result.head) or (optima is not None and optima.isna().all())
    figure = None if bare else result.plot()
    lines = result.summary().splitlines()[:-1]
    sections = [
        Section(
            "All at a glance", figure=figure, figure_says=" ".join(lines) if figure is not None else "",
            tables=(_explained(result),),
            links=tuple((n, f"All rows: {n}") for n in dict.fromkeys(["results.csv", result.file.name])),
            cautions=_CAUTION,
        )
    ]  # fmt: skip
    sections += [_refused(result)] if len(result.refused) else []
    sections += [_first(result)] if len(result.head) else []
    title = f"Many {'rate trials' if result.kind == 'trials' else 'leaf samples'}"
    return render_page(title, sections, lead=lines, sources=result.sources)


def _explained(result):
    two = "two rates give a difference, not a curve; it stands in the column 'message'"
    meanings = MEANINGS | {REFUSED: "the reason stands below", DIFFERENCE: two}
    told = result.counts.assign(meaning=[meanings.get(status, "") for status in result.counts["status"]])
    columns = {"status": "status", result.kind: result.kind, "meaning": "what it means"}
    return pick("How many of what", _in_words(told), columns)


def _in_words(rows):
    return rows.assign(status=rows["status"].map(status_in_words))


def _links(result):
    """The pages of the trials shown, as (address, text); none where none were written."""
    home = result.index.parent / "pages"
    named = ((row["file"], [row[name] for name in result.by]) for row in result.head.to_dict("records"))
    pages = [(home / page_name(file, names), " ".join(names)) for file, names in named]
    return tuple((f"pages/{page.name}", name) for page, name in pages if page.exists())


def _refused(result):
    columns = {
        "file": "file",
        **{name: name.replace("_", " ") for name in result.by},
        "message": "why, and what to do",
    }
    total = int(result.counts.set_index("status")[result.kind][REFUSED])
    return Section(
        "Not usable",
        paragraphs=(_some(len(result.refused), total),),
        tables=(pick("Not usable", result.refused, columns),),
    )


def _first(result):
    names = {name: name.replace("_", " ") for name in result.by}
    if result.kind == "trials":
        units = result.head["rate_unit"].unique()
        unit = f" [{units[0]}]" if len(units) == 1 else ""
        columns = names | {
            "optimum": f"optimum rate{unit}", "low": "from", "high": "to", "high_open": "open above",
            "status": "status", "highest_rate": f"highest rate tested{unit}", "n": "strips",
            "doubtful": "look at this first", "notes": "notes", "message": "remark",
        }  # fmt: skip
        title = "Economic optimum rate of each trial, with its interval"
        total = int(result.counts.loc[result.counts["status"] != REFUSED, result.kind].sum())
    else:
        columns = names | {
            "growth_stage": "stage", "plant_part": "part", "nutrient": "nutrient", "value": "value",
            "unit": "unit", "class": "class", "probability_below": "below the limit, p",
            "source_key": "source", "provenance": "provenance", "confidence": "confidence",
            "unread": "not read",
        }  # fmt: skip
        title, total = "Scores of the samples", None
    columns = {c: words for c, words in columns.items() if c not in _REMARKS or (result.head[c] != "").any()}
    return Section(
        title,
        paragraphs=(_some(len(result.head), total),),
        tables=(pick(title, _in_words(result.head), columns),),
        links=_links(result),
    )


def _some(shown, total):
    if total is not None and total <= shown:
        return "All of them:"
    of = f" of {total:,}" if total is not None else " rows"
    return f"The first {shown}{of}; the others are in the table of all rows."
