"""An answer about trials as a paper needs it: methods with citations, tables, figures, numbers, a script."""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

import fertkit
from fertkit.reference.citation import bibtex, reference_list
from fertkit.reference.load import list_sources
from fertkit.report.answer import Answer
from fertkit.report.sections import CHECKED, Section, Table, pick
from fertkit.response.curves import MEAN
from fertkit.results import heading
from fertkit.rounding import first_largest
from fertkit.say.methods import BY_AUTHORS, methods_lines, numbered
from fertkit.writing import plain_letters, write_whole


@dataclass(frozen=True)
class Recipe:
    """What was asked of files, so that it can be asked again.

    Attributes
    ----------
    files : tuple of Path
        The strip file, or what `question` takes first: a log and a map.
    reading : dict or None
        Arguments of `read_strips`; None where the question reads the files.
    question : str
        A function, by its module: fertkit.report.trial.answer_trial.
    options : dict
        Its arguments; those that are paths are files of the recipe too.
    """

    files: tuple[Path, ...]
    reading: dict | None
    question: str
    options: dict

    @property
    def all_files(self) -> list[Path]:
        """Every file that the script wants beside it."""
        named = [*self.files, *(value for value in self.options.values() if isinstance(value, Path))]
        shapes = [file for file in named if file.suffix.lower() == ".shp"]  # whose parts lie beside them
        return [*named, *(part for file in shapes for part in sorted(file.parent.glob(f"{file.stem}.*")))]

    def code(self) -> str:
        """Return the lines of code that ask the same of the files where they are."""
        module, name = self.question.rsplit(".", 1)
        read, given = "", ", ".join(repr(file.as_posix()) for file in self.files)
        if self.reading is not None:
            read, given = f"strips = read_strips({given}{_arguments(self.reading, '')})\n", "strips"
        reader = "from fertkit.intake import read_strips\n" if read else ""
        asked = f"result = {name}({given}{_arguments(self.options, '')})\n"
        return f"{reader}from {module} import {name}\n{read}{asked}print(result.summary())"

    def script(self, table: pd.DataFrame) -> str:
        """Return Python code that asks the same of the files beside it and compares what `table` holds."""
        module, name = self.question.rsplit(".", 1)
        values = "".join(f"    ({label!r}, {v!r}),\n" for label, v in reported(table))
        read, given = "", ", ".join(f"here / {file.name!r}" for file in self.files)
        if self.reading is not None:
            read, given = f"strips = read_strips({given}{_arguments(self.reading)})\n", "strips"
        return _SCRIPT.format(
            module=module, name=name, given=given, options=_arguments(self.options), values=values,
            read=read, reader="from fertkit.intake import read_strips\n" if read else "",
            version=fertkit.__version__,
        )  # fmt: skip


_SCRIPT = '''"""Ask again what was asked of the files beside this script (written by fertkit {version})."""

from pathlib import Path

{reader}from fertkit.report.paper import reported
from {module} import {name}

inf = float("inf")
REPORTED = [
{values}]

here = Path(__file__).parent
{read}answer = {name}({given}{options})
print(answer.summary())
again = reported(answer.table)
assert [of for of, _ in again] == [of for of, _ in REPORTED], "these are not the reported results"
for (of, value), (_, held) in zip(again, REPORTED):
    same = value == held or abs(value - held) <= 1e-4 * max(abs(held), 1e-3)
    assert same, f"{{of}}: {{value}}, reported was {{held}}"
print(f"{{len(REPORTED)}} numbers compared. All match the report.")
'''


def _arguments(given: dict, beside: str = "here / ") -> str:
    """Arguments as code, those that ask for nothing left out; files are where they lie or beside the code."""
    asked = {name: v for name, v in given.items() if not (v is None or v is False or v in ("", {}, []))}
    where = {name: v.name if beside else v.as_posix() for name, v in asked.items() if isinstance(v, Path)}
    words = {name: f"{beside}{where[name]!r}" if name in where else repr(v) for name, v in asked.items()}
    return "".join(f", {name}={word}" for name, word in words.items())


def reported(table: pd.DataFrame) -> list[tuple[str, float]]:
    """Return every number of a table, with what it is of in one line."""
    numbers = table.select_dtypes("number")
    words = table.drop(columns=numbers.columns).fillna("").astype(str).to_numpy().tolist()
    rows = zip(words, numbers.to_dict("records"), strict=True)
    every = (
        (f"{', '.join(filter(None, map(str.strip, of)))}: {name}", float(v))
        for of, row in rows for name, v in row.items()
    )  # fmt: skip
    return [(of, value) for of, value in every if not math.isnan(value)]


@dataclass(frozen=True)
class Paper(Answer):
    """What a paper needs of an answer about trials.

    Attributes
    ----------
    answer : TrialAnswer or NetworkAnswer
    strips : StripTrial or None
        As read from the file.
    """

    answer: Answer
    strips: object = None

    @property
    def title(self) -> str:
        return f"{self.answer.title}: for a paper"

    @property
    def table(self) -> pd.DataFrame:
        return self.answer.table

    @property
    def keys(self) -> list[str]:
        """Keys of the sources in the order of their numbers."""
        return numbered(methods_lines(self.answer, self.strips))[1]

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(self.keys)

    @property
    def lead(self) -> list:
        return []

    @property
    def residuals(self) -> dict:
        """Residuals of the curve of most weight, the surface, the two factors or the treatment means."""
        held = {}
        for name, trial in self._curves.items():
            best = trial.weights.index[first_largest(trial.weights)]
            held[f"{name}, curve"] = trial.fits[best].residuals
        if (strips := _means_of(self._whole)) is not None:
            held["treatment means"] = strips.residuals
        for name, trial in self.answer.trials.items():
            if hasattr(trial, "axes"):
                held[f"{name}, surface"] = trial.fit.residuals
        if hasattr(factors := getattr(self._whole, "analysis", None), "layout"):
            held[factors.layout] = factors.residuals
        return held

    @property
    def _whole(self):
        """The answer about the strips; that of points holds it."""
        return getattr(self.answer, "trial", self.answer)

    @property
    def _curves(self) -> dict:
        """Analyses of one nutrient, by the trial."""
        return {name: one for name, one in self.answer.trials.items() if hasattr(one, "weights")}

    @property
    def sections(self) -> list[Section]:
        references = [f"{i}. {text}" for i, text in enumerate(reference_list(self.keys), 1)]
        means, numbers = _mean_tables(_means_of(self._whole)), Table("Numbers", self.table)
        tables = (*_curve_tables(self._curves), *means, numbers)
        own = [_for_paper(one, hasattr(self._whole, "regret")) for one in self.answer.sections]
        own = [one for one in own if one.figure is not None or one.tables]
        return [
            Section("Methods", lines=self.lines()), Section("Results", tables=tables), *own,
            *(_residual_section(*item) for item in self.residuals.items()),
            Section("References", lines=tuple(references)),
        ]  # fmt: skip

    @property
    def methods(self) -> str:
        """Methods paragraph, what the authors add, and the references, as text."""
        said, keys = numbered(methods_lines(self.answer, self.strips))
        references = "\n".join(f"{i}. {text}" for i, text in enumerate(reference_list(keys), 1))
        return f"{' '.join(said)}\n\nTo be added by the authors: {BY_AUTHORS}.\n\nReferences\n{references}\n"

    def write(self, folder) -> list[Path]:
        """Write methods, references, tables, figures and script into a folder; return what was written.

        Figures are 85 and 170 mm wide, as SVG and as PDF, without titles.
        """
        from fertkit.plots.style import JOURNAL_WIDTHS, journal_figure

        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        paths = [
            write_whole(self.methods, folder / "methods.txt"),
            write_whole(bibtex(self.keys), folder / "references.bib"),
            self.write_workbook(folder / "tables.xlsx"), self.write_page(folder / "paper.html"),
        ]  # fmt: skip
        drawn = [section for section in self.sections if section.figure is not None]
        for number, section in enumerate(drawn, 1):
            for width in JOURNAL_WIDTHS:
                for kind, content in journal_figure(section.figure, width).items():
                    name = f"figure{number}-{plain_letters(section.title)}-{width}mm.{kind}"
                    paths.append(write_whole(content, folder / name))
        if (recipe := self.answer.recipe) is not None:
            for data in recipe.all_files:
                if data.resolve() != (folder / data.name).resolve():
                    paths.append(write_whole(data.read_bytes(), folder / data.name))
            paths.append(write_whole(recipe.script(self.table), folder / "reproduce.py"))
        return paths


def _for_paper(section, drawn_only) -> Section:
    """A section of the answer without links and checks; without tables where the paper has its own."""
    kept = [table for table in section.tables if not drawn_only and table.title != CHECKED]
    return replace(section, links=(), tables=tuple(kept))


def _residual_section(name, residuals) -> Section:
    unit = residuals.unit
    of = residuals.table.loc[:, :"observed"].columns[:-1].drop("block", errors="ignore")
    names = {name: heading(name) for name in of} | {"block": "block", "observed": f"yield [{unit}]",
             "fitted": f"fitted [{unit}]", "residual": f"residual [{unit}]", "leverage": "leverage",
             "standardised": "standardised residual", "normal_score": "normal score"}  # fmt: skip
    table, says = residuals.table, " ".join(line.plain for line in residuals.lines())
    if "block" in table:
        blocks = pd.to_numeric(table["block"], errors="coerce")  # numbers of blocks are no text
        table = table.drop(columns="block") if table["block"].eq("").all() else table
        table = table.assign(block=blocks) if blocks.notna().all() else table
    title = f"Residuals: {name}"
    return Section(title, figure=residuals.plot, figure_says=says, tables=(pick(title, table, names),))


def _curve_tables(trials) -> list[Table]:
    """Parameters of all curves with their standard errors, and how well each fits."""
    frames, fits = [], []
    for name, trial in trials.items():
        for key, fit in trial.fits.items():
            frames.append(fit.params.assign(trial=name, curve=fit.curve.label, formula=fit.curve.formula))
            fits.append(_fit_row(name, trial, key, fit))
    if not fits:
        return []
    unit, rate = fit.yield_unit, fit.rate_unit
    names = {"trial": "trial", "curve": "curve", "formula": "formula", "param": "parameter",
             "estimate": "estimate", "se": "standard error", "unit": "unit"}  # fmt: skip
    of_fit = {"trial": "trial", "curve": "curve", "n": "strips", "df": "error degrees of freedom",
              "rss": f"RSS [({unit})²]", "sd": f"residual SD [{unit}]", "r2": "R²", "aicc": "AICc",
              "weight": "weight among all curves", "optimum": f"economic optimum [{rate}]",
              "low": f"from [{rate}]",
              "high": f"to [{rate}]", "open": "upper end"}  # fmt: skip
    return [
        pick("Curve parameters", pd.concat(frames, ignore_index=True), names),
        pick("Fit of the curves", pd.DataFrame(fits), of_fit),
    ]


def _fit_row(name, trial, key, fit) -> dict:
    row = {"trial": name, "curve": fit.curve.label, "n": fit.n, "df": fit.df_error, "rss": fit.rss,
           "sd": fit.sigma, "r2": fit.r2}  # fmt: skip
    if trial.comparison is None:
        return row
    held = trial.comparison.table.set_index("curve").loc[key]
    row |= {word: held[word] for word in ("aicc", "weight")}
    if key != MEAN.key:
        ends = trial.comparison.interval(key) if key in trial.comparison.ladders else None
        row |= {"optimum": held["optimum"]}
        row |= {} if ends is None else {"low": ends.low, "high": ends.high, "open": "open" * ends.high_open}
    return row


def _means_of(answer):
    """The comparison of treatments of one factor in an answer, if there is one."""
    strips = getattr(answer, "analysis", getattr(answer, "strips", None))
    return strips if hasattr(strips, "comparisons") else None


def _mean_tables(strips) -> list[Table]:
    """Means with letters, the precision of their differences, and the analysis of variance."""
    if strips is None:
        return []
    unit = heading(strips.response).partition("[")[2].rstrip("]")
    names = {"treatment": heading(strips.treatment), "n": "strips", "mean": f"mean [{unit}]",
             "se": f"standard error [{unit}]", "low": f"from [{unit}]", "high": f"to [{unit}]",
             "letters": "letters",
             "difference": f"more than the check [{unit}]", "difference_low": f"at least [{unit}]",
             "difference_high": f"at most [{unit}]", "p_adjusted": "adjusted, p"}  # fmt: skip
    level, (near, far) = f"{strips.level:.0%}", strips.apart
    rows = [("SED, standard error of a difference", strips.sed, unit),
            (f"LSD, least significant difference at {level}", strips.lsd, unit),
            ("least distance without a shared letter", near, unit),
            ("greatest distance with a shared letter", far, unit),
            ("coefficient of variation", strips.cv_pct, "%"),
            ("error mean square", strips.variance, f"({unit})²"),
            ("error degrees of freedom", strips.error_df, "")]  # fmt: skip
    anova = {"term": "source of variation", "df": "degrees of freedom", "ss": f"sum of squares [({unit})²]",
             "ms": f"mean square [({unit})²]", "f": "F", "p": "p", "variance": "variance"}  # fmt: skip
    return [
        pick("Treatment means", strips.means, names),
        Table("Precision of the means", pd.DataFrame(rows, columns=["quantity", "value", "unit"])),
        pick("Analysis of variance", strips.anova, anova),
    ]
