"""What came out of a batch: the joined table, the counts, and the page that leads through it."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path

import pandas as pd

from fertkit.batch.parts import ending, read_frame, typed, write_frames
from fertkit.batch.record import KINDS, Settings
from fertkit.batch.trials import page_name
from fertkit.reference.load import list_sources, load_table, method_sources
from fertkit.report.answer import Answer
from fertkit.report.sections import Section, pick
from fertkit.report.workbook import inert_table
from fertkit.response.analyse import METHODS
from fertkit.response.optimum import Status, status_in_words
from fertkit.response.prices import Prices, price_check
from fertkit.results import checks_frame
from fertkit.say.advice import LIMITS
from fertkit.say.line import Kind, Line
from fertkit.tissue.classes import settle_cvs

#: Columns of samples that hold few values, of which rows are counted.
_TALLIED = ["status", "nutrient", "class", "source_key", "provenance"]
SHOWN = 200  # rows of a table on the index page
#: Columns of which a batch should hold one value only, for one price to fit all.
_SINGLE = ("nutrient", "crop", "rate_unit", "yield_unit")
#: Column of what the reader is to look at first: the check, and what a trial or sample holds.
_TOLD = {
    "doubtful": ("strips far from the rest", "outlying strips"),
    "unread": ("nutrients not read", "nutrients that were not read"),
}
#: Title of the page and of its rows, and columns of these beside the names.
_SHOWN = {
    "trials": ("Many rate trials", "Economic optimum rate of each trial, with its interval", {
        "optimum": "optimum rate", "low": "from", "high": "to", "high_open": "open above", "status": "status",
        "highest_rate": "highest rate tested", "n": "strips", "doubtful": "check this first",
        "notes": "notes", "message": "remark",
    }),
    "samples": ("Many leaf samples", "Scores of the samples", {
        "growth_stage": "stage", "plant_part": "part", "nutrient": "nutrient", "value": "value",
        "unit": "unit", "class": "class", "probability_below": "below the limit, p", "source_key": "source",
        "provenance": "provenance", "confidence": "confidence", "unread": "not read",
    }),
    "farms": ("Many farms", "Rates of the fields", {
        "file": "farm", "zone": "zone", "crop": "crop", "area_ac": "area [ac]", "nutrient": "nutrient",
        "rate_lb_ac": "rate [lb/ac]", "removal_lb_ac": "removed [lb/ac]", "test": "soil test",
        "system": "system", "status": "status", "source_key": "source", "provenance": "provenance",
        "message": "remark",
    }),
}  # fmt: skip
#: Columns of words that a page leaves out where they are empty.
_REMARKS = ("doubtful", "unread", "notes", "message")


@dataclass(frozen=True)
class BatchResult(Answer):
    """Results of a batch; the rows stay on disk until they are asked for.

    Attributes
    ----------
    kind : str
        ``trials`` or ``samples``.
    by : tuple of str
        Columns that name a trial or sample.
    prices : (float or None, float or None)
        Price of the nutrient and of the grain, where these were given.
    file, index, parts : Path
        Table of all results, page that leads through them, folder of the same table in parts.
    names : tuple of str
        Files of `parts`, in the order of the input.
    notes : tuple of str
        What of an earlier run in the folder could not be used.
    """

    kind: str
    by: tuple[str, ...]
    prices: tuple[float | None, float | None]
    file: Path
    index: Path
    parts: Path
    names: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @cached_property
    def table(self) -> pd.DataFrame:
        """All rows, in the order of the input: a row per trial, or per sample, nutrient and source."""
        return pd.concat(self.tables(), ignore_index=True)

    def tables(self) -> Iterator[pd.DataFrame]:
        """The rows of `table` part by part, where all would be too many to hold."""
        types = KINDS[self.kind].types(self.by)
        return (typed(read_frame(self.parts / name), types) for name in self.names)

    @cached_property
    def usable(self) -> pd.DataFrame:
        """Rows of the trials or samples that could be used."""
        return _usable(self.table)

    @cached_property
    def tally(self) -> pd.DataFrame:
        """How many rows of samples share status, nutrient, class, source and provenance (column ``rows``)."""
        return self._glance["tally"].groupby(_TALLIED, sort=False)["rows"].sum().reset_index()

    @property
    def counts(self) -> pd.Series:
        """How many trials or samples have which status."""
        return self._glance["firsts"]["status"].value_counts()

    @cached_property
    def _glance(self):
        """What lines and page show of all rows, in one pass: firsts of each trial or sample, tally, heads."""
        each = list(KINDS[self.kind].EACH or ())
        seen = {"firsts": [], "tally": [], "usable": [], "refused": []}
        for table in [self.table] if self.kind != "samples" else self.tables():
            firsts = table.drop_duplicates(each) if each else table
            seen["firsts"].append(firsts[[name for name in ("status", *_TOLD) if name in firsts]])
            if self.kind == "samples":
                seen["tally"].append(table.groupby(_TALLIED, sort=False).size().reset_index(name="rows"))
            refused = table["status"] == Status.REFUSED
            for name, mine in (("usable", ~refused), ("refused", refused)):
                if sum(map(len, seen[name])) < SHOWN:
                    seen[name].append(table[mine].head(SHOWN))
        return {name: pd.concat(frames, ignore_index=True) for name, frames in seen.items() if frames}

    @cached_property
    def checks(self) -> pd.DataFrame:
        """What is to be looked at, as a table: check, value, limit, passed, meaning."""
        bad = int(self.counts.get(Status.REFUSED, 0))
        unusable = f"{bad} {self.kind} could not be used; see the column 'message'"
        rows = [(Status.REFUSED, bad, 0, bad == 0, ("all could be used", unusable))]
        firsts = self._glance["firsts"]
        for name in set(_TOLD) & set(firsts):
            check, held = _TOLD[name]
            n = int((firsts[name] != "").sum())
            many = f"1 {self.kind[:-1]} holds" if n == 1 else f"{n:,} {self.kind} hold"
            said = f"{many} {held}; see the column '{name}'"
            rows.append((check, n, 0, n == 0, (f"no {self.kind[:-1]} holds {held}", said)))
        return checks_frame(rows + _OWN_CHECKS[self.kind](self))

    @property
    def sources(self) -> pd.DataFrame:
        """Citations of the methods, or of the ranges and of the errors of laboratories."""
        if self.kind == "trials":
            return method_sources(*METHODS)
        used = self.tally if self.kind == "samples" else self.table
        keys = sorted(
            {key for text in _usable(used)["source_key"].unique() for key in text.split(";")} - {""}
        )
        cvs = settle_cvs()["source_key"] if self.kind == "samples" else ()
        return list_sources([*(key for key in keys if not key.startswith("own ")), *set(cvs)])

    @property
    def title(self) -> str:
        return _SHOWN[self.kind][0]

    @property
    def lead(self) -> list:
        return self.lines()[:-1]  # where the table lies is no matter of its page

    @property
    def sections(self) -> list[Section]:
        refused, head = (self._glance[name].head(SHOWN) for name in ("refused", "usable"))
        return [
            _overview(self),
            *([_not_usable(self, refused)] if len(refused) else []),
            *([_rows_section(self, head)] if len(head) else []),
        ]

    def _repr_html_(self) -> str:
        first = self._glance["usable"].head(20)
        return f"<pre>{escape(self.summary())}</pre>{first.to_html(index=False, border=0)}"


def _usable(rows):
    return rows[rows["status"] != Status.REFUSED]


def _of_prices(result):
    """Whether one price fits all trials, and where all share their units, whether it can be meant."""
    rows, held = [], {name: sorted(set(result.usable[name].unique()) - {""}) for name in _SINGLE}
    for name, values in held.items():
        words = name if name in ("nutrient", "crop") else f"unit of the {name.removesuffix('_unit')}"
        said = (
            f"one price ratio was used for several {words}s ({', '.join(values)}); run each separately with "
            "its prices"
        )
        rows.append((f"one {words}", len(values), 1, len(values) < 2, (f"one {words} throughout", said)))
    if result.prices[0] is not None and len(held["rate_unit"]) == len(held["yield_unit"]) == 1:
        (rate,), (yields,), top = held["rate_unit"], held["yield_unit"], result.usable["highest_rate"].max()
        prices = Prices(*result.prices, rate.split("/")[0], yields.split("/")[0])
        nutrient, crop = (held[n][0] if len(held[n]) == 1 else "" for n in ("nutrient", "crop"))
        row = price_check(prices, rate, yields, nutrient, top, crop)
        rows += [row] * (row[3] is not None)
    return rows


def _of_ranges(result):
    memory = "from_memory" in set(_usable(result.tally)["provenance"])
    said = "some ranges are from memory (column 'provenance'): check them before use"
    told = ("every range used was read in its source", said)
    cvs = "chances assume typical laboratory and sampling errors, from memory"
    return [
        ("ranges from memory", int(memory), 0, not memory, told),
        ("laboratory and sampling CVs", 1, 0, False, cvs),
    ]


def _of_rates(result):
    short = int((result.usable["short_lb_ac"] > 0.5).sum())
    said = f"{short} rates are not met (column 'short_lb_ac')"
    return [("rates that are not met", short, 0, short == 0, ("every rate is met", said))]


_OWN_CHECKS = {"trials": _of_prices, "samples": _of_ranges, "farms": _of_rates}


def gather(settings: Settings, targets: list[Path], out: Path, notes=()) -> BatchResult:
    """Join the parts into one table and write it, and the page that leads through it."""
    names, prices = tuple(target.name for target in targets), (settings.nutrient_price, settings.grain_price)
    files = out / f"results{ending()}", out / "index.html", out / "parts"
    result = BatchResult(settings.kind, tuple(settings.by), prices, *files, names, tuple(notes))
    write_frames(result.tables(), result.file)
    write_frames(map(inert_table, result.tables()), out / "results.csv")  # where no cell passes for a formula
    result.write_page(result.index)
    return result


# ---- the page


_SEEN = {
    "trials": "How many trials have their optimum at which rate.",
    "samples": "Share of the results of each nutrient in each class, all sources together.",
}


def _overview(result):
    """Counts, a figure of the whole and links to the tables; trials of two rates alone have none to draw."""
    drawn = result.usable["optimum"] if result.kind == "trials" else result._glance["usable"]["status"]
    bare = result.kind == "farms" or drawn.isna().all()
    counts = result.counts.rename_axis("status").reset_index(name=result.kind)
    counts["what it means"] = [Status(s).meaning if s in set(Status) else "" for s in counts["status"]]
    return Section(
        "All at a glance", figure=None if bare else result.plot,
        figure_says="" if bare else _SEEN[result.kind],
        tables=(pick("Counts by status", _in_words(counts), {name: name for name in counts}),),
        links=tuple((n, f"All rows: {n}") for n in dict.fromkeys(["results.csv", result.file.name])),
        cautions=LIMITS,
    )  # fmt: skip


def _not_usable(result, refused):
    names = {"file": "file", **_names(result), "message": "why, and what to do"}
    counted = int(result.counts[Status.REFUSED])
    rows = refused.head(SHOWN)
    return Section("Not usable", lines=(_some(rows, counted),), tables=(pick("Not usable", rows, names),))


def _rows_section(result, head):
    _, about, columns = _SHOWN[result.kind]
    columns = {c: said for c, said in columns.items() if c not in _REMARKS or (head[c] != "").any()}
    total, links = None, ()
    if result.kind == "trials":
        units = head["rate_unit"].unique()
        unit = f" [{units[0]}]" if len(units) == 1 else ""
        columns |= {c: columns[c] + unit for c in ("optimum", "highest_rate")}
        total, links = len(result.usable), _links(result, head)
    table = pick(about, _in_words(head), _names(result) | columns)
    return Section(about, lines=(_some(head, total),), tables=(table,), links=links)


def _names(result):
    return {name: name.replace("_", " ") for name in result.by}


def _links(result, rows):
    """The pages of trials, as (address, text); none where none were written."""
    named = ((row["file"], [row[name] for name in result.by]) for row in rows.to_dict("records"))
    pages = ((f"pages/{page_name(file, names)}", " ".join(names)) for file, names in named)
    return tuple(page for page in pages if (result.index.parent / page[0]).exists())


def _in_words(rows):
    rows = rows.assign(status=rows["status"].map(status_in_words))
    if "notes" in rows:  # what holds of a file is read once; in the table of all rows each row has it
        again = rows.duplicated(["file", "notes"]) & (rows["notes"] != "")
        rows["notes"] = rows["notes"].mask(again, "as above")
    if "system" not in rows:
        return rows
    titles = load_table("soil_systems").set_index("system")["title"]
    return rows.assign(system=[titles.get(system, system) for system in rows["system"]])


def _some(rows, total):
    if len(rows) < SHOWN or (total is not None and total <= len(rows)):
        return Line(Kind.HEAD, "All of them")
    of = f" of {total:,}" if total is not None else " rows"
    return f"The first {len(rows)}{of}; the others are in the table of all rows."
