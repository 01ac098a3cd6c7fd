"""The answer on nutrient balance: order of need, ratios or dilution, and norms of the user's own."""

from dataclasses import dataclass
from functools import partial

import pandas as pd

from fertkit.asked import a_number, a_word, asks, numbers_by_name
from fertkit.errors import InputError, NotEstimable, Problem, typed, unknown
from fertkit.intake.beside import biomass_of, numbers_beside
from fertkit.intake.leaf import TissueSamples
from fertkit.report.answer import Answer
from fertkit.report.sections import Section, Table, checks_of, checks_table
from fertkit.report.workbook import sources_sheet, workbook_bytes
from fertkit.results import Result, records
from fertkit.say.line import DEFER, Kind
from fertkit.tissue.agree import Verdict
from fertkit.tissue.balance import Balance, dop
from fertkit.tissue.dilution import dilution_of
from fertkit.tissue.indices import FORMULAS, cnd, dris
from fertkit.tissue.norms import Norms, build_norms
from fertkit.tissue.ratios import ratios

#: What a method is, by the name it is asked for.
METHODS = {
    "ratios": "Nutrient ratios", "dris": "Order of need by ratios (DRIS)",
    "cnd": "Order of need by the whole composition (CND)",
    "dop": "Deviation from your own optimum (DOP)",
    "dilution": "Nitrogen nutrition index, by growth",
}  # fmt: skip
#: The methods that an option is for.
TAKEN_BY = {
    "norms": ("dris", "cnd"), "yield_column": ("dris", "cnd"), "cutoff": ("dris", "cnd"),
    "source": ("dris", "cnd", "dilution"), "dry_matter": ("dris",), "optimum": ("dop",),
}  # fmt: skip
#: Names of columns for reading.
HEADERS = {
    "sample_id": "sample", "growth_stage": "stage", "plant_part": "part", "lowest_limit": "lowest limit",
    "highest_limit": "highest limit", "when_wide": "if above the limit", "source_keys": "sources",
    "verdict": "by published limits", "order": "order of need", "biomass_t_ha": "shoot dry matter [t/ha]",
    "n_pct": "shoot N [%]", "source_key": "source", "critical_n_pct": "critical N [%]", "nni": "index",
    "critical_uptake_kg_ha": "critical uptake [kg/ha]", "deficit_kg_ha": "missing [kg/ha]",
    "relative_yield": "relative yield", "nbi": "sum of indices", "mean_nbi": "mean of indices",
    "sum_abs_dop": "sum of deviations [%]", "why": "why",
}  # fmt: skip
NORMS = {
    "cv_pct": "CV [%]", "variance_high": "variance, high yields", "variance_low": "variance, low yields",
    "variance_ratio": "ratio of variances", "p_value": "p", "n": "samples", "clr_mean": "mean of log ratios",
    "clr_sd": "SD of log ratios", "mean_g_kg": "mean [g/kg]", "filling_rule": "rest counted as",
    "yield_cutoff": "high from a yield of",
}  # fmt: skip
_HOW_TO_READ = {
    "ratios": "Each sample of the file.",
    "dilution": "Below a line nitrogen is short for the growth so far; above it there is enough.",
}
MOST_FIGURES = 6  # samples drawn one by one, those most out of balance


@dataclass(frozen=True)
class BalanceAnswer(Answer):
    """What the kit says about nutrient balance.

    Attributes
    ----------
    method : str
        Of `METHODS`.
    balance : Balance, RatioTable or NutritionIndex
    norms : Norms or None
        Built from the same file.
    """

    method: str
    balance: Result
    norms: Norms | None

    @property
    def table(self) -> pd.DataFrame:
        """The index or ratio of every sample and nutrient."""
        return self.balance.table

    @property
    def sources(self) -> pd.DataFrame:
        return self.balance.sources

    @property
    def checks(self) -> pd.DataFrame:
        return checks_of({"balance": self.balance, "norms": self.norms})

    def plot(self, ax=None, **options):
        """Draw the balance of a sample, the ratios or the dilution curve."""
        return self.balance.plot(ax, **options)

    @property
    def title(self) -> str:
        return METHODS[self.method]

    @property
    def lead(self) -> list:
        """The short answer, and what the method cannot say."""
        return [line for line in self.lines() if line.kind in (Kind.LEAD, Kind.CAUTION)]

    @property
    def sections(self) -> list[Section]:
        said = tuple(line for line in self.balance.lines() if line.kind not in (Kind.LEAD, Kind.CAUTION))
        (name, plot), *others = self._figures()
        first = Section(
            "What the samples say",
            said,
            plot,
            _HOW_TO_READ.get(self.method, f"{name}: order of need"),
            cautions=(DEFER,),
        )
        more = [Section(name, figure=partial(plot, named=False)) for name, plot in others]
        return [first, *more, *self._norms(), Section("The numbers", tables=tuple(self._tables()))]

    def workbook(self) -> bytes:
        """Return the tables as XLSX, every ratio among them; a page shows those that stand out."""
        norms = [table for section in self._norms() for table in section.tables]
        return workbook_bytes([*norms, *self._tables(whole=True), sources_sheet(self.sources)])

    def _figures(self) -> list[tuple]:
        """What is drawn and how, the samples most out of balance first."""
        if not isinstance(self.balance, Balance):
            return [("", self.balance.plot)]
        totals = self.balance.totals.set_index("specimen")
        names = totals.sort_values(totals.columns[1], ascending=False, kind="stable")["sample_id"]
        drawn = [
            (name, partial(self.balance.plot, sample=int(at)))
            for at, name in names.head(MOST_FIGURES).items()
        ]
        return drawn or [("", None)]

    def _norms(self) -> list[Section]:
        if self.norms is None:
            return []
        says = f"Norms from {self.norms.n_high} samples, ± 1 standard deviation."
        table = Table("Norms", self.norms.table.rename(columns=HEADERS | NORMS))
        return [Section("Norms from this file", tuple(self.norms.lines()), self.norms.plot, says, (table,))]

    def _tables(self, whole: bool = False):
        every, some = self.balance.table, getattr(self.balance, "standing_out", None)
        cut = not whole and some is not None and len(some) < len(every)
        frames = {f"Ratios that stand out of {len(every)}": some} if cut else {"Every sample": every}
        frames |= {"Imbalance": getattr(self.balance, "totals", None)}
        frames |= {"Left out": getattr(self.balance, "refused", None)}
        for title, frame in frames.items():
            if frame is not None and len(frame):
                if "when_wide" in frame:  # nothing lies above a limit that is not published
                    told = frame["when_wide"].where(frame["highest_limit"].notna(), "")
                    frame = frame.assign(when_wide=told)
                held = [name for name in frame if name != "specimen"]
                measured = {"value": "value [% or mg/kg]"} if "nutrient" in frame else {}
                if "nutrient" in frame and "verdict" in frame:  # said once, not on every row
                    frame = frame.assign(
                        verdict=frame["verdict"].where(frame["verdict"] != Verdict.ENOUGH, "")
                    )
                    measured |= {"verdict": f"{HEADERS['verdict']} (empty: {Verdict.ENOUGH})"}
                yield Table(title, frame[held].rename(columns=HEADERS | measured))
        yield checks_table(self.checks)


@asks(method=a_word, cutoff=a_number, optimum=numbers_by_name)
def answer_balance(
    samples: TissueSamples, method: str = "ratios", *, norms=None, source=None, formula: str = FORMULAS[0],
    dry_matter: bool = False, optimum: dict | None = None, yield_column: str | None = None,
    cutoff: float | None = None,
) -> BalanceAnswer:  # fmt: skip
    """Answer on nutrient balance by one method.

    Parameters
    ----------
    samples : TissueSamples
    method : str
        ratios, dris, cnd, dop or dilution.
    norms : path or DataFrame, optional
        dris, cnd: norms of the user's own; the bundled ones if None.
    source : str, optional
        Source key of norms or curve, where several fit.
    formula : str
        dris: function of a ratio.
    dry_matter : bool
        dris: ratios with dry matter too, whose norm is the concentration itself.
    optimum : dict of nutrient -> float, optional
        dop: optimum concentrations.
    yield_column : str, optional
        dris, cnd: column of yields in the file; norms are built from its samples first, and judge them all.
    cutoff : float, optional
        Yield from which a sample belongs to the high group.

    Raises
    ------
    NotEstimable
        If there are no norms, limits or curves for any sample of the file; says which there are.
    """
    if method not in METHODS:
        raise unknown("method", method, METHODS)
    given = {"norms": norms is not None, "yield_column": yield_column, "cutoff": cutoff is not None,
             "source": source, "dry_matter": dry_matter, "optimum": optimum}  # fmt: skip
    _check_taken([option for option, value in given.items() if value], method)
    if cutoff is not None and not yield_column:
        needed = typed("--yield-column NAME", "yield_column=...")
        raise NotEstimable("a cutoff applies only to norms built from yields", needed)
    built = _built(samples, method, yield_column, cutoff, dry_matter) if yield_column else None
    own = norms if built is None else built.table
    if method == "ratios":
        balance = ratios(samples)
    elif method == "dilution":
        balance = dilution_of(samples, biomass_of(samples), source=source)
    elif method == "dop":
        balance = dop(samples, _optimum(samples, optimum))
    elif method == "dris":
        balance = dris(samples, own, formula=formula, source=source, dry_matter=dry_matter)
    else:
        balance = cnd(samples, own, source=source)
    return BalanceAnswer(method, balance, built)


def _check_taken(options, method):
    """Refuse options that the method would leave aside."""
    for option in options:
        methods = TAKEN_BY[option]
        if method not in methods:
            what = f"{option.replace('_', ' ')} is for {' or '.join(methods)}, not for {method}"
            one = methods[0]
            raise NotEstimable(what, typed(f"--method {one}", f"method={one!r}"))


def _built(samples, method, yield_column, cutoff, dry_matter) -> Norms:
    """Norms from the samples of the file that have a yield."""
    yields = numbers_beside(samples, yield_column)
    known = yields.dropna()
    if cutoff is None:
        half, quarter = (f"{known.quantile(share):.4g}" for share in (0.5, 0.75))
        what = f"which yields count as high? Half are {half} or more, a quarter {quarter} or more"
        raise NotEstimable(
            what, typed("--cutoff YIELD", "cutoff=..."), remedy="give the lowest yield of the high group"
        )
    frame = samples.table[samples.table["specimen"].isin(known.index)]
    frame = frame.assign(sample_id=frame["specimen"].astype(str))  # a name may stand for several samples
    yields = known.set_axis(known.index.astype(str))
    return build_norms(frame, yields, cutoff=cutoff, method=method, dry_matter=dry_matter)


def _optimum(samples, optimum) -> dict:
    conditions = samples.table[["crop", "plant_part"]].fillna("").drop_duplicates()
    if len(conditions) > 1:
        words = (f"{c.crop} {c.plant_part}".strip() for c in records(conditions))
        held = ", ".join(word or "samples without a crop" for word in words)
        remedy = "use a file with one crop and part"
        raise NotEstimable(f"an optimum applies to one crop and part; the file has {held}", remedy=remedy)
    if not optimum:
        what = "no published optimum fits every crop, stage and part"
        remedy = "enter your own for this crop, stage and part, such as N=2.9, K=2.1"
        raise InputError("optimum", [Problem(what, remedy, in_code=typed("--optimum N=2.9,K=2.1"))])
    return optimum
