"""The answer for treatments compared by their means: products against a check, two factors, pairs."""

import numbers
from dataclasses import dataclass

import pandas as pd

from fertkit.asked import a_label, a_number, a_share, a_text, a_word, asks
from fertkit.errors import NotEstimable
from fertkit.intake.spellings import numbered_checks, untreated
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section
from fertkit.report.trial import notes_of, trial_rows
from fertkit.response.prices import money_axis, money_unit
from fertkit.results import Result, heading, records, show
from fertkit.say import treatments as say
from fertkit.say.line import Kind
from fertkit.trials.against_check import Equivalence, TreatmentReturn, net_over_check
from fertkit.trials.analyse import analyse_strips
from fertkit.trials.strips import factor
from fertkit.trials.table import default_treatment


@dataclass(frozen=True)
class TreatmentAnswer(Answer):
    """What the kit says about treatments that name no rates, or whose design was asked for.

    Attributes
    ----------
    name, crop : str
    analysis : StripAnalysis, PairedAnalysis or TwoFactorAnalysis
    worth : TreatmentReturn or None
        Money, where grain price and costs are given.
    margin : Equivalence or None
        Whether each is no worse than the check, where a margin is given.
    sources : DataFrame
    missing, notes : tuple of str
        What could not be answered and why; what the reader of the file noted.
    recipe : Recipe or None
        What asks for it again.
    """

    name: str
    crop: str
    analysis: Result
    worth: TreatmentReturn | None
    margin: Equivalence | None
    sources: pd.DataFrame
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    recipe: object = None

    @property
    def one_factor(self) -> bool:
        """Whether the treatments are of one factor, with letters and a check."""
        return hasattr(self.analysis, "comparisons")

    @property
    def unit(self) -> str:
        return heading(self.analysis.response).partition("[")[2].rstrip("]")

    @property
    def table(self) -> pd.DataFrame:
        """Means, returns and margins: about, item, value, low, high, unit, remark."""
        analysis = self.analysis
        if not self.one_factor:
            frame = analysis.table
            return frame.assign(trial=self.name)
        rows = [(f"mean at {show(r.treatment)}", r.mean, r.low, r.high, self.unit, r.letters)
                for r in records(analysis.means)]  # fmt: skip
        if self.worth is not None:
            money = money_unit(self.worth.currency, self.unit.rpartition("/")[2] or "area")
            rows += [(f"net return of {show(r.treatment)}", r.net, r.net_low, r.net_high, money, "")
                     for r in records(self.worth.table)]  # fmt: skip
        if self.margin is not None:
            over = f"over {show(self.margin.check)}"
            rows += [(f"{show(r.treatment)} {over}", r.difference, r.low, r.high, self.unit, r.verdict)
                     for r in records(self.margin.table)]  # fmt: skip
        return parts.tidy((self.name, *line) for line in rows)

    @property
    def checks(self) -> pd.DataFrame:
        return parts.checks_of({"strips": self.analysis})

    @property
    def trials(self) -> dict:
        """The analysis by the name of the trial."""
        return {self.name: self.analysis}

    def plot(self, ax=None, **options):
        """Draw the means."""
        return self.analysis.plot(ax, **options)

    @property
    def title(self) -> str:
        return f"{self.name}: treatments compared"

    @property
    def lead(self) -> list:
        """The short answer at the top of the page."""
        rows = [line for line in self.lines() if line.kind == Kind.LEAD]
        return rows or self.analysis.lines()[:2]

    @property
    def sections(self) -> list[Section]:
        do, leave = say.advice(self)
        found = [Section("Advice", do=do, leave=leave, cautions=(say.LABELS,))]
        found.append(_means_section(self))
        if self.worth is not None:
            found.append(_money_section(self))
        if self.margin is not None:
            found.append(_margin_section(self))
        tables = [parts.checks_table(self.checks)]
        if self.one_factor:
            s = self.analysis
            names = {"block": "block", "strip": "strip", s.treatment: heading(s.treatment),
                     s.response: f"yield [{self.unit}]", "fitted": f"fitted [{self.unit}]",
                     "residual": f"residual [{self.unit}]"}  # fmt: skip
            tables.append(parts.pick("The strips", s.strips, names))
        lines = tuple(f"{text[:1].upper()}{text[1:]}." for text in (*self.missing, *self.notes))
        links = parts.script_link(self)
        trust = Section(parts.RELIABLE, lines=lines, tables=tuple(tables), links=links)
        return [*found, trust]


@asks(
    trial=parts.STRIPS, name=a_word, design=a_word, check=a_label, grain_price=a_number,
    no_worse_than=a_number, currency=a_text, level=a_share,
)  # fmt: skip
def answer_treatments(
    trial, *, name=None, design=None, check=None, grain_price=None, costs=None, no_worse_than=None,
    adjust="tukey", currency="", level=0.95,
) -> TreatmentAnswer:  # fmt: skip
    """Answer for one trial of treatments: means and letters, the check, money and margin.

    Parameters
    ----------
    trial : StripTrial or DataFrame
    name : str, optional
        Trial of several in the file.
    design : str, optional
        As in `analyse_strips`; found by default.
    check : object, optional
        The untreated one by default, where a name says so.
    grain_price : float, optional
        Price of a unit of grain; with `costs` for the money.
    costs : dict, optional
        Treatment -> cost per area.
    no_worse_than : float, optional
        Loss that would not matter [yield unit].
    adjust, level
        As in `analyse_strips`.
    currency : str

    Raises
    ------
    FertkitError
        If several trials are there and none is named, or nothing can be compared.
    """
    given, table, label, facts = trial_rows(trial, name)
    plain = not getattr(trial, "factor", "") and design not in ("split-plot", "strip-plot", "factorial")
    named, check = check is not None, _check_of(table, check) if plain else check
    analysis = analyse_strips(given, design=design, check=check, adjust=adjust, level=level)
    if check is None and len(held := getattr(analysis, "in_every_block", ())) == 1:
        check = held[0]
        analysis = analyse_strips(given, design=design, check=check, adjust=adjust, level=level)
    missing, worth, margin = [], None, None
    compared = analysis if design != "pairs" else analyse_strips(given, check=check, level=level)
    one = hasattr(compared, "comparisons")
    if one and check is None:
        missing.append(_no_check(compared))
    if one and not named and isinstance(check, numbers.Real) and check != 0:
        missing.append(f"{show(check)}, the lowest number, is taken as the check; name another if it is not")
    if costs and (grain_price is None or not one or check is None):
        missing.append("the return needs one factor, a check, costs and the grain price")
    elif costs:
        worth = net_over_check(compared, grain_price, costs, check, currency=currency)
    elif one:
        missing.append("no costs were given, so returns are not known")
    if no_worse_than is not None:
        if not one or check is None:
            raise NotEstimable("a margin needs a named check among treatments of one factor")
        margin = compared.no_worse_than(no_worse_than, check)
    return TreatmentAnswer(
        name=label, crop=facts["crop"], analysis=analysis, worth=worth, margin=margin,
        sources=parts.citations([trial, analysis, margin]), missing=tuple(missing), notes=notes_of(given),
    )  # fmt: skip


def _check_of(table, check):
    """The check as the table writes it: the one named, in any case, or the untreated one."""
    labels = factor(table[default_treatment(table)].dropna())[1]
    if check is None:
        none = untreated(labels)
        if none is None and pd.api.types.is_numeric_dtype(labels):
            return labels[0]
        checks = numbered_checks(labels) if none is None else [none]
        return checks[0] if len(checks) == 1 else None
    alike = [label for label in labels if show(label).lower() == str(check).strip().lower()]
    return alike[0] if alike else check


def _no_check(analysis) -> str:
    """Say why no treatment is taken as the check: none is named so, or several are."""
    checks = list(analysis.in_every_block) or numbered_checks(analysis.means["treatment"])
    if checks:
        return f"checks are {say.joined(sorted(map(show, checks)))}; name the one to compare with"
    return "no treatment is named check, control or untreated; name the check to compare with it"


# ---- sections


def _means_section(answer):
    analysis, unit = answer.analysis, answer.unit
    lead = answer.lead
    lines = tuple(line for line in analysis.lines() if line not in lead)
    anova = {"stratum": "tested in", "term": "source of variation", "df": "degrees of freedom",
             "ss": "sum of squares", "ms": "mean square", "f": "F", "error_df": "error degrees of freedom",
             "p": "p"}  # fmt: skip
    error = {
        "sed": f"standard error of a difference [{unit}]",
        "lsd": f"least significant difference [{unit}]",
    }
    if hasattr(analysis, "pairs"):
        says = "Each pair, and the mean difference with its interval."
        tables = [parts.Table("The pairs", analysis.pairs)]
    elif answer.one_factor:
        says = f"Means of the treatments with their {analysis.level:.0%} intervals."
        check = None if analysis.check_strip is None else show(analysis.check_strip)
        means = {"treatment": heading(analysis.treatment), "n": "strips", "mean": f"mean [{unit}]",
                 "low": "from", "high": "to", "letters": "letters",
                 "difference": f"difference from {check} [{unit}]", "difference_low": "at least",
                 "difference_high": "at most", "p_adjusted": "Dunnett, p"}  # fmt: skip
        tables = [parts.pick("Means of the treatments", analysis.means, means)]
        if analysis.kinds is not None:
            kinds = {"comparison": "comparison", "pairs": "pairs", **error}
            tables.append(parts.pick("Differences by kind of pair", analysis.kinds, kinds))
    else:
        says = "Mean of each combination of the two factors."
        cells = {name: analysis.names[name] for name in (analysis.whole, analysis.part)}
        cells |= {"n": "strips", "mean": f"mean [{unit}]"}
        margins = {"factor": "factor", "level": "level", "mean": f"mean [{unit}]", "sed": error["sed"],
                   "letters": "letters (Tukey)"}  # fmt: skip
        tables = [
            parts.pick("Means of each factor", analysis.margins.replace({"factor": analysis.names}), margins),
            parts.pick("Means of the combinations", analysis.means, cells),
            parts.pick("Errors of each comparison", analysis.errors, {"comparison": "comparison", **error}),
        ]
    if hasattr(analysis, "anova"):
        named = analysis.anova.replace({"term": getattr(analysis, "names", {})})
        tables.append(parts.pick("Analysis of variance", named, anova))
    return Section(
        parts.DIFFER, lines=lines, figure=analysis.plot,
        figure_says=says, tables=tuple(tables),
    )  # fmt: skip


def _money_section(answer):
    worth, of_money = answer.worth, (answer.worth.currency, answer.unit.rpartition("/")[2] or "area")
    names = {"treatment": "treatment", "gain": f"gain over {show(worth.check)} [{answer.unit}]",
             "cost": money_axis("cost", *of_money), "break_even": f"gain that pays it [{answer.unit}]",
             "net": money_axis("net return", *of_money), "net_low": "from", "net_high": "to",
             "p_loses": "chance of a loss, p"}  # fmt: skip
    table = parts.pick("Net return over the check", worth.table, names)
    drawn = {"figure": worth.plot, "figure_says": "A bar that crosses 0 does not show whether it pays."}
    known = drawn if worth.table["net_low"].notna().any() else {}
    return Section("Did it pay?", lines=tuple(worth.lines()), tables=(table,), **known)


def _margin_section(answer):
    test, check = answer.margin, show(answer.margin.check)
    names = {"treatment": "treatment", "difference": f"difference from {check} [{answer.unit}]",
             "low": "from", "high": "to", "p_worse": "worse, p",
             "p_equivalent": "not as good, p", "verdict": "verdict"}  # fmt: skip
    table = parts.pick(f"Against {check} with a margin", test.table, names)
    title = f"Is it no more than {test.margin:g} {answer.unit} worse?"
    drawn = {"figure": test.plot, "figure_says": "Not worse: the whole bar is right of the left dashed line."}
    return Section(title, lines=tuple(test.lines()), tables=(table,), **drawn)
