"""The answer for several trials of one nutrient: each alone, the gain pooled, the rate that returns most."""

import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_flag, a_number, amounts, asks, labels, make_rng, maybe_headers
from fertkit.errors import FertkitError, InputError, NotEstimable, Problem
from fertkit.intake.columns import each
from fertkit.intake.strip_notes import not_used
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.network_sections import against_section, gain_section, model_sections, sites_table
from fertkit.report.sections import Section
from fertkit.report.trial import analyse_each, in_currency, notes_of
from fertkit.response.analyse import ResponseAnalysis
from fertkit.response.network_fit import NetworkFit, fit_network
from fertkit.response.network_known import KNOWN_OF_SITES
from fertkit.response.network_rate import NetworkRate, network_rate
from fertkit.response.optimum import Status
from fertkit.response.pooled import PooledReturn, contrast_checks, pool_net_return
from fertkit.response.prices import limit, money_unit
from fertkit.results import failed, plain, records, show
from fertkit.rounding import first_largest
from fertkit.say import answers as say
from fertkit.say import network
from fertkit.say.advice import LIMITS, network_advice, nutrient_cautions
from fertkit.say.trials import pooled_lines
from fertkit.trials.pool import PooledEstimate, pool_trials
from fertkit.trials.strips import factor, repeated_sites, site_columns, sites_counted
from fertkit.trials.table import default_treatment


@dataclass(frozen=True)
class NetworkAnswer(Answer):
    """What the kit says about several trials together.

    Attributes
    ----------
    nutrient, crop : str
    trials : dict of str to ResponseAnalysis
        By site-year; those that cannot be analysed are in `failed`. Those of two rates hold a difference and
        are in no pooled curve (`two_rates`).
    failed : dict of str to str
        Why a trial could not be analysed.
    pooled : PooledReturn
        Rate of greatest mean net return and its flat range.
    contrast : PooledEstimate or None
        Gain over the check of the tested rate nearest to the common one, site by site and pooled in two
        stages; None where `why_not` says why.
    contrast_of : tuple
        That rate and the check; empty without a contrast.
    model : NetworkFit or None
        One curve of all strips whose level, slope and end of the rise differ by site; None where
        `no_model` says why.
    model_rate : NetworkRate or None
        The rate it gives for the region.
    new_site : NetworkRate or None
        The rate for a site of which something is known.
    why_not, no_model : str
    notes : tuple of str
        What the reader of the file should know: columns not used.
    sources : DataFrame
    asked : bool
        Whether the rates of the contrast were asked for.
    recipe : Recipe or None
        What asks for the answer again.
    """

    nutrient: str
    crop: str
    trials: dict[str, ResponseAnalysis]
    failed: dict[str, str]
    pooled: PooledReturn
    contrast: PooledEstimate | None
    contrast_of: tuple
    model: NetworkFit | None
    model_rate: NetworkRate | None
    new_site: NetworkRate | None
    why_not: str
    no_model: str
    sources: pd.DataFrame
    notes: tuple[str, ...] = ()
    asked: bool = False
    recipe: object = None

    @property
    def table(self) -> pd.DataFrame:
        """The optimum and gain of each trial: about, item, value, low, high, unit, remark."""
        money, over = money_unit(self.pooled.money, self.pooled.area), records(self.pooled.against)
        against = (
            (self.title, f"net of {plain(r.rate)} against {plain(r.over)} {self.pooled.rate_unit}", r.net,
             r.net_low, r.net_high, money, f"{r.sites_losing} of {len(self.pooled.sites)} sites lose")
            for r in over
        )  # fmt: skip
        return parts.tidy(*(parts.response_rows(*trial) for trial in self.trials.items()), against)

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of what is pooled; `about` names it."""
        return parts.checks_of(
            {"common rate": self.pooled, "pooled gain": self.contrast, "one model": self.model}
        )

    def plot(self, ax=None, **options):
        """Draw the net returns of all trials and their mean."""
        return self.pooled.plot(ax, **options)

    def with_status(self, status: str) -> list[str]:
        """Names of the trials whose optimum has a status."""
        return [name for name, trial in self.trials.items() if trial.optimum.status == status]

    def at_prices(self, *, nutrient_price, grain_price, currency="") -> dict[str, ResponseAnalysis]:
        """Return the trials at other prices; nothing is fitted again."""
        prices = {"nutrient_price": nutrient_price, "grain_price": grain_price}
        return {name: in_currency(one.at_prices(**prices), currency) for name, one in self.trials.items()}

    @property
    def doubts(self) -> list[str]:
        """Why no common rate is recommended: too few trials, or sites that disagree; empty where one is."""
        if self.contrast is None or self.pooled.gain <= 0:
            return self.pooled.doubts
        return self.pooled.doubts + failed(contrast_checks(self.contrast))

    @property
    def site_doubts(self) -> list[str]:
        """Why the new site gets no rate; its own gain decides where what is known explains the response."""
        few = len(self.pooled.sites) < limit("fewest trials", "network")
        if not self.doubts or few or not _explains(self.model, self.new_site.given):
            return self.doubts
        return network.site_doubts(self.new_site)

    @property
    def nearest(self) -> bool:
        """Whether the gain pooled is that of a tested rate near the common one, not of that very rate."""
        return bool(self.contrast_of) and self.pooled.rate not in self.contrast_of and not self.asked

    @property
    def two_rates(self) -> list[str]:
        """Trials of two rates: a difference, not a curve."""
        return [name for name, trial in self.trials.items() if trial.comparison is None]

    @property
    def lost(self) -> dict[str, int]:
        """How many strips without a yield were left out, by trial."""
        return {name: trial.data.left_out for name, trial in self.trials.items() if trial.data.left_out}

    @property
    def silent(self) -> list[str]:
        """Trials without an economic response."""
        return self.with_status(Status.NONE)

    @property
    def rising(self) -> list[str]:
        """Trials whose net return still rises at the highest rate tested."""
        return self.with_status(Status.TOP)

    @property
    def title(self) -> str:
        of = f" of {self.nutrient}" if self.nutrient else ""
        return f"{len(self.trials)} trials{of} together"

    @property
    def lead(self) -> list:
        return say.network_lines(self, brief=True)

    @property
    def sections(self) -> list[Section]:
        do, leave = network_advice(self.pooled, self.silent, self.rising, self.doubts)
        cautions = (LIMITS[0], *nutrient_cautions(self.nutrient)[0])
        return [
            Section("Advice", do=do, leave=leave, cautions=cautions),
            Section(
                "Which rate returns most over all sites?", lines=(say.POOLED_BY,), figure=self.pooled.plot,
                figure_says=pooled_lines(self.pooled, self.doubts)[0].plain,
            ),
            *([against_section(self.pooled)] if len(self.pooled.against) else []),
            gain_section(self),
            Section("Trial by trial", lines=say.kinds_of_site(self), tables=(sites_table(self),)),
            *model_sections(self),
            Section(parts.RELIABLE, tables=(parts.checks_table(self.checks),),
                    links=parts.script_link(self)),
        ]  # fmt: skip


@asks(
    **parts.PRICED,
    strips=parts.STRIPS,
    within=a_number,
    contrast=labels,
    known=maybe_headers,
    new_site=a_dict,
    against=amounts,
    robust=a_flag,
    uneven=a_flag,
    before=parts.BEFORE,
)
def answer_network(
    strips, *, nutrient_price, grain_price, within=None, currency="", contrast=None, known=None,
    new_site=None, seed=0, against=None, robust=False, uneven=False, before=None,
) -> NetworkAnswer:  # fmt: skip
    """Answer for several trials: each by itself, the gain pooled, and the rate that returns most over all.

    Parameters
    ----------
    strips : StripTrial or DataFrame
        Strips of two or more trials of one nutrient; each combination of trial, site and year is one.
    nutrient_price, grain_price : float
        Price per mass unit of the rate column and of the yield column.
    within : float, optional
        Loss of mean net return that bounds the flat range [money per area]; if None the usual share of the
        net return gained.
    currency : str
        Name of the money, for labels.
    contrast : (treatment, check), optional
        Rates whose difference is pooled; if None, the tested rate nearest to the common one, and the rate
        that most trials hold.
    known : list of str
        Headers of what is known of the sites, a soil test or the previous crop: level, slope and end of the
        rise may depend on it.
    new_site : dict, optional
        What is known of a field without a trial, by those headers: the rate for it is given too.
    seed : int
    against : float or sequence of float, optional
        Rates to hold the common one against, the usual one first [rate unit].
    robust, uneven : bool
        Of the curve of each site; see `fertkit.response.analyse_response`.
    before : NetworkAnswer, optional
        About the same strips, asked the same but for prices: nothing is fitted again.

    Raises
    ------
    FertkitError
        If there are fewer than two trials with a curve, or a price cannot be.

    Examples
    --------
    >>> from fertkit.report import answer_network
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "rate_lb_ac": [0, 40, 80, 120] * 2,
    ...     "yield_bu_ac": [47.5, 52.5, 55.5, 57.5, 48.5, 51.5, 56.5, 56.5],
    ... })
    >>> both = pd.concat([trial.assign(trial="North"), trial.assign(trial="South")])
    >>> answer = answer_network(both, nutrient_price=0.45, grain_price=11.0)
    >>> list(answer.trials)
    ['North', 'South']
    """
    table = strips if isinstance(strips, pd.DataFrame) else strips.table
    counts, again = sites_counted(table), network.repeated(*repeated_sites(table))
    table = name_sites(table)
    facts = _known(table, [*each(known or []), *(new_site or {})])
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price, "currency": currency}
    if before is None:
        how = {"robust": robust, "uneven": uneven, "replicates": 0, "seed": seed}
        trials, failed = analyse_each(strips, table, **prices, **how)
    else:
        trials, failed = before.at_prices(**prices), before.failed
    if len(trials) < 2:
        why = "; ".join(f"{name}: {why}" for name, why in failed.items()) or "there are not enough"
        raise NotEstimable(f"a network needs two trials that can be analysed; {why}")
    against = () if against is None else np.atleast_1d(against)
    pooled = _pooled(trials, within, make_rng(seed), against)
    pair, gain, why_not = _contrast(table, contrast, pooled, counts)
    used = {trial: trials[trial] for trial in pooled.sites["trial"]}
    model, no_model = (before.model, before.no_model) if before else _one_model(used, facts, counts)
    money = {"prices": next(iter(trials.values())).prices, "within": within, "seed": seed}
    rates = [None if model is None or given is None else network_rate(model, given=given, **money)
             for given in ({}, new_site or None)]  # fmt: skip
    nutrient, asked = getattr(strips, "nutrient", ""), [strips, *trials.values(), pooled, gain, model]
    return NetworkAnswer(
        nutrient=nutrient, crop=getattr(strips, "crop", ""), trials=trials,
        failed=failed, pooled=pooled, contrast=gain, contrast_of=pair, model=model, model_rate=rates[0],
        new_site=rates[1], why_not=why_not, no_model=no_model,
        notes=(*_notes(strips, facts), *again, *say.far_strips(trials)),
        sources=parts.citations(asked, nutrient), asked=contrast is not None,
    )  # fmt: skip


def name_sites(table: pd.DataFrame) -> pd.DataFrame:
    """Give each combination of trial, site and year a name of its own in the column ``trial``.

    Raises
    ------
    NotEstimable
        If there is only one.
    """
    columns = list(site_columns(table))
    if not columns:
        raise NotEstimable("the file has one trial; several trials need a column 'trial' or 'site'")
    names = table[columns].map(show).agg(" ".join, axis=1)
    return table.drop(columns=columns).assign(trial=names)


def _pooled(trials, within, rng, against):
    """Pool the net returns of the curve with most weight in each trial of three rates or more."""
    trials = {name: trial for name, trial in trials.items() if trial.comparison is not None}
    if len(trials) < 2:
        raise NotEstimable(
            f"one common rate needs two trials with three or more rates; there are {len(trials)}. Two rates "
            "give a difference, not a curve",
            "fertkit.trials.pool_trials(...)",
            remedy="pool the difference alone",
        )
    first = next(iter(trials.values()))
    best = {name: trial.weights.index[first_largest(trial.weights)] for name, trial in trials.items()}
    fits = {name: trial.fits[best[name]] for name, trial in trials.items()}
    return pool_net_return(fits, first.prices, within=within, rng=rng, against=against)


def _contrast(table, pair, pooled, counts):
    """Difference of two rates pooled over the trials; or why there is none."""
    pair = pair or _common_pair(table, pooled.rate)
    if not pair:
        return (), None, "no two rates are shared by two trials"
    try:
        found = pool_trials(table, *pair)
    except FertkitError as error:
        return (), None, error.note
    return pair, replace(found, unit=pooled.yield_unit, counts=counts), ""


def _common_pair(table, rate):
    """The rate most trials hold, and beside it the one nearest to `rate` that two of them hold: higher first.

    Ties go to the lowest check, and to the rate that more trials hold.
    """
    codes, labels = factor(table[default_treatment(table)])
    held = pd.crosstab(table["trial"].to_numpy(), codes).gt(0).drop(columns=-1, errors="ignore")
    check = held.sum().idxmax()
    beside = held[held[check]].sum().drop(check)
    beside = beside[beside >= 2]
    if beside.empty:
        return ()
    away = [abs(float(labels[code]) - rate) for code in beside.index]
    nearest = beside.index[np.lexsort((-beside.to_numpy(), away))[0]]
    return tuple(labels[code] for code in sorted((nearest, check), reverse=True))


def _explains(model, given) -> bool:
    """Whether what is given of a new site changes the slope or the end of the rise, beyond trial error."""
    terms = model.coefficients[model.coefficients["p"] < 1 - model.level]["term"]
    named = [term.partition(", by ")[2] for term in terms if not term.startswith("yield at")]
    return any(term.startswith(str(header)) for term in named for header in given)


def _one_model(trials, known, counts):
    """One model of all sites; or why there is none, where nothing asked for needs it."""
    try:
        return fit_network(trials, known=known, counts=counts), ""
    except NotEstimable as error:
        if len(known.columns):
            raise
        return None, error.note


def plain_of(header) -> str:
    """A header as a table may write it."""
    return "_".join(re.findall(r"[a-z0-9]+", str(header).lower().replace("%", "pct")))


def _column(table, header) -> str:
    """Name the column of a header as the file or the table writes it."""
    for column in table:
        if plain_of(column) == plain_of(header):
            return column
    shown = ", ".join(c for c in table if c not in ("trial", "strip"))
    raise InputError(KNOWN_OF_SITES, [Problem(f"there is no column '{header}'", f"Columns: {shown}")])


def _notes(strips, known):
    """Notes of the reader, without the columns that the model rests on."""
    notes, report = list(notes_of(strips)), getattr(strips, "report", None)
    if report is None or known.empty:
        return notes
    extra = (
        report.loc[report["taken_as"] == "kept as it is", "item"].str.removeprefix("column ").str.strip("'")
    )
    left = [text for text in extra if plain_of(text) not in map(plain_of, known)]
    said = not_used(list(extra))
    return [not_used(left) if note == said else note for note in notes if note != said or left]


def _known(table, headers) -> pd.DataFrame:
    """What is known of each trial, one value each, under the headers asked for."""
    columns = {_column(table, header): header for header in dict.fromkeys(headers)}
    by_trial = table.groupby("trial", sort=False)[list(columns)]
    problems = [
        Problem(f"several values in trial {', '.join(map(str, several.index[several > 1][:5]))}",
                "Give one value per trial; what varies within it belongs to its strips", None, columns[name])
        for name, several in by_trial.nunique().items() if (several > 1).any()
    ]  # fmt: skip
    if problems:
        raise InputError(KNOWN_OF_SITES, problems)
    return by_trial.first().rename(columns=columns)
