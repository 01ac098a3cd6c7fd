"""The answer for one strip trial: treatments against the check, the optimum and what it is worth."""

from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from fertkit.asked import a_flag, a_number, a_word, amounts, asks, holding, make_rng
from fertkit.errors import InputError, Note, NotEstimable
from fertkit.intake.spellings import untreated
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section
from fertkit.response.analyse import ResponseAnalysis, analyse_response
from fertkit.response.money import NetReturn
from fertkit.response.optimum import status_in_words
from fertkit.response.prices import money_axis
from fertkit.response.regret import Regret
from fertkit.response.worth import RateWorth
from fertkit.results import heading, records, show
from fertkit.say import answers as say
from fertkit.say.advice import OF_ONE_TRIAL, nutrient_cautions, trial_advice
from fertkit.say.line import Kind, notes, told
from fertkit.say.response import break_even, details, optimum_text
from fertkit.say.trials import yields_text
from fertkit.trials.analyse import StripAnalysis, analyse_strips
from fertkit.trials.layout import StripPlan
from fertkit.trials.strips import factor
from fertkit.trials.table import default_treatment

#: Nutrient prices asked about, as shares of today's.
PRICE_STEPS = (0.5, 0.75, 1.0, 1.5, 2.0)
#: Draws of prices where they are uncertain; as many as the draws of each curve.
DRAWS = 2000


@dataclass(frozen=True)
class TrialAnswer(Answer):
    """What the kit says about one trial.

    Attributes
    ----------
    name, nutrient, crop : str
        Nutrient and crop "" where the file does not say.
    response : ResponseAnalysis
        Curves, economic optimum and its interval.
    strips : StripAnalysis or None
        Treatments compared with each other and with the check, the lowest rate; None where `why_not` says
        why.
    net : NetReturn
        Money, with the rates nearly as good as the best.
    regret : Regret or None
        What each rate may lose; None where the curves have no error to draw from or `no_regret` says why.
    worth : RateWorth
        Rates against none, the usual rate and others in money, and what one more year is worth.
    by_price : DataFrame
        price, ratio, rate, low, high, status, gain: the optimum at other nutrient prices.
    swing_pct : float or None
        Coefficient of variation of both prices behind `regret` [%]; None for the prices as given.
    plan : StripPlan or None
        Layout in the field.
    why_not, no_regret : str
    sources : DataFrame
    notes : tuple of str
        What the reader of the file should know: columns not used.
    recipe : Recipe or None
        What asks for the answer again.
    """

    name: str
    nutrient: str
    crop: str
    response: ResponseAnalysis
    strips: StripAnalysis | None
    net: NetReturn
    regret: Regret | None
    worth: RateWorth
    by_price: pd.DataFrame
    swing_pct: float | None
    plan: StripPlan | None
    why_not: str
    no_regret: str
    sources: pd.DataFrame
    notes: tuple[str, ...] = ()
    recipe: object = None

    @property
    def table(self) -> pd.DataFrame:
        """The optimum, its gain and the treatments: about, item, value, low, high, unit, remark."""
        means, unit = () if self.strips is None else records(self.strips.means), self.response.yield_unit
        of_strips = (
            ("strips", f"mean at {show(r.treatment)}", r.mean, r.low, r.high, unit, r.letters) for r in means
        )
        return parts.tidy(
            parts.response_rows(self.name, self.response), parts.worth_rows(self.name, self.worth), of_strips
        )

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of the strips and of the response; `about` names which."""
        return parts.checks_of({"strips": self.strips, "response": self.response})

    def plot(self, ax=None, **options):
        """Draw the response."""
        return self.response.plot(ax, **options)

    @property
    def trials(self) -> dict[str, ResponseAnalysis]:
        """The analysis by the name of the trial."""
        return {self.name: self.response}

    @property
    def title(self) -> str:
        return f"{self.name}: strip trial"

    @property
    def lead(self) -> list:
        return say.trial_lines(self, brief=True)

    @property
    def sections(self) -> list[Section]:
        do, leave = trial_advice(self.response, self.net, self.strips)
        cautions = (OF_ONE_TRIAL, *nutrient_cautions(self.nutrient)[0])
        tables = (parts.checks_table(self.checks), _strips_table(self))
        return [
            Section("Advice", do=do, leave=leave, cautions=cautions),
            *([] if self.plan is None else [_layout_section(self.plan)]),
            _strips_section(self), _response_section(self),
            parts.worth_section(self.worth, led=bool(self.worth.against)), _money_section(self),
            Section(parts.RELIABLE, tuple(notes(self.notes)), tables=tables, links=parts.script_link(self)),
        ]  # fmt: skip


@asks(
    **parts.PRICED, trial=parts.STRIPS, within=a_number, price_swing_pct=a_number, name=a_word,
    plan=holding("treatments", "seed", of="plan_strips"), against=amounts, robust=a_flag,
    uneven=a_flag, before=parts.BEFORE,
)  # fmt: skip
def answer_trial(
    trial, *, nutrient_price, grain_price, within=None, price_swing_pct=None, currency="", plan=None,
    name=None, seed=0, against=None, robust=False, uneven=False, before=None,
) -> TrialAnswer:  # fmt: skip
    """Answer for one trial: treatments against the check, the optimum, its money and what may be lost.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of one trial; ask for one of several by `name`.
    nutrient_price, grain_price : float
        Price per mass unit of the rate column and of the yield column.
    within : float, optional
        Loss of net return that still counts as nearly as good [money per area]; if None the usual share of
        the net return gained.
    price_swing_pct : float, optional
        Let both prices vary by this coefficient of variation in the risk [%].
    currency : str
        Name of the money, for labels.
    plan : StripPlan, optional
        Layout, drawn as a sketch.
    name : str, optional
    seed : int
    against : float or sequence of float, optional
        Rates to hold the optimum against, the usual one first [rate unit].
    robust, uneven : bool
        See `fertkit.response.analyse_response`.
    before : TrialAnswer, optional
        About the same strips, asked the same but for prices: nothing is fitted again.

    Raises
    ------
    FertkitError
        If there are several trials and none is named, or no response can be analysed.

    Examples
    --------
    >>> from fertkit.report import answer_trial
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "rate_lb_ac": [0, 40, 80, 120] * 2,
    ...     "yield_bu_ac": [47.5, 52.5, 55.5, 57.5, 48.5, 51.5, 56.5, 56.5],
    ... })
    >>> answer = answer_trial(trial, nutrient_price=0.45, grain_price=11.0, name="North")
    >>> answer.name, answer.response.rate_unit
    ('North', 'lb/ac')
    """
    given, table, called, facts = trial_rows(trial, name)
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price}
    if before is None:
        response = analyse_response(given, **prices, seed=seed, robust=robust, uneven=uneven)
        strips, why_not = _compared(table)
    else:
        response, strips, why_not = before.response.at_prices(**prices), before.strips, before.why_not
    response = in_currency(response, currency)
    net = response.net_return("usual" if within is None else within)
    regret, no_regret = _regret(response, price_swing_pct, seed)
    worth = response.worth(against)
    asked = [trial, response, strips, net, regret]
    return TrialAnswer(
        name=called, **facts, response=response,
        strips=strips, net=net, regret=regret, worth=worth, by_price=_by_price(response),
        swing_pct=price_swing_pct, plan=plan, notes=notes_of(given), why_not=why_not, no_regret=no_regret,
        sources=parts.citations(asked, facts["nutrient"]),
    )  # fmt: skip


def trial_rows(trial, name=None) -> tuple:
    """Give one trial as it came, its strips, its name, and what the reader knows of nutrient and crop.

    Raises
    ------
    NotEstimable
        If there are several trials and none is named, or the one named is not there; names them.
    """
    bare = isinstance(trial, pd.DataFrame)
    table = trial if bare else trial.table
    facts = {word: "" if bare else getattr(trial, word, "") or "" for word in ("nutrient", "crop")}
    if "trial" not in table:
        return trial, table, name or "trial", facts
    held = table["trial"].astype(str)
    names = list(dict.fromkeys(held))
    if name is None and len(names) > 1:
        raise NotEstimable(
            f"the file holds {len(names)} trials: {', '.join(names[:12])}; choose one, or all together",
            "--trial NAME or --together",
        )
    if name is not None and name not in names:
        raise NotEstimable(f"there is no trial '{name}'; trials are: {', '.join(names[:12])}")
    table = table[held == (name or names[0])]
    return table if bare else trial.with_strips(table), table, str(table["trial"].iloc[0]), facts


def notes_of(trial) -> tuple[str, ...]:
    """What the reader of a strip file noted, first the moisture of its yields; nothing of a bare table."""
    if isinstance(trial, pd.DataFrame):
        return ()
    keys = ", ".join(trial.sources["source_key"])
    return (f"{yields_text(trial)}{f' ({keys})' if keys else ''}", *trial.notes)


def in_currency(response: ResponseAnalysis, currency: str) -> ResponseAnalysis:
    """Return the same analysis with its money named."""
    return response.at_prices(prices=replace(response.prices, currency=currency)) if currency else response


def analyse_each(
    strips, table=None, *, currency="", analyse=analyse_response, **options
) -> tuple[dict[str, ResponseAnalysis], dict[str, Note]]:
    """Return the analyses of the trials of a table that can be analysed, and why each other cannot.

    Parameters
    ----------
    strips : StripTrial or DataFrame
        Strips of trials named in a column ``trial``.
    table : DataFrame, optional
        Its strips under other names of trials.
    currency : str
    analyse : callable
        `fertkit.response.analyse_response`, or `fertkit.trials.analyse_strips` where there are no rates.
    **options
        For `analyse`.
    """
    bare, trials, refused = isinstance(strips, pd.DataFrame), {}, {}
    table = strips.table if table is None else table
    for name, rows in table.groupby("trial", sort=False):
        try:
            analysis = analyse(rows if bare else strips.with_strips(rows), **options)
        except (NotEstimable, InputError) as error:
            refused[str(name)] = error.note
        else:
            trials[str(name)] = in_currency(analysis, currency)
    return trials, refused


def _compared(table):
    """Treatments against the lowest; or why they cannot be compared."""
    labels = factor(table[default_treatment(table)].dropna())[1]
    none = untreated(labels)
    try:
        return analyse_strips(table, check=labels[0] if none is None else none), ""
    except NotEstimable as error:
        return None, error.note


def _regret(response, swing_pct, seed):
    """What each rate may lose; or why that cannot be told."""
    if not response.draws:
        return None, ""
    prices = response.prices
    if swing_pct is not None:
        rng = make_rng(seed)
        prices = prices.draw(nutrient_cv_pct=swing_pct, grain_cv_pct=swing_pct, n=DRAWS, rng=rng)
    try:
        return response.regret(prices), ""
    except NotEstimable as error:
        return None, error.note


def _by_price(response) -> pd.DataFrame:
    rows = []
    for step in PRICE_STEPS:
        at = response.at_prices(prices=replace(response.prices, nutrient=step * response.prices.nutrient))
        best = at.optimum
        rows.append((at.prices.nutrient, at.price_ratio, best.rate, best.interval.low, best.interval.high,
                     "open" * best.interval.high_open, best.status, at.gain["value"].iloc[-1]))  # fmt: skip
    return pd.DataFrame(rows, columns=["price", "ratio", "rate", "low", "high", "open", "status", "gain"])


# ---- sections


def _layout_section(plan):
    says = " ".join(line.plain for line in plan.lines()[:2])
    return Section("Field layout", figure=plan.plot, figure_says=says)


def _strips_section(answer):
    strips, title, unit = answer.strips, parts.DIFFER, answer.response.yield_unit
    if strips is None:
        return Section(title, lines=(f"The treatments cannot be compared: {answer.why_not}.",))
    check = None if strips.check_strip is None else show(strips.check_strip)
    means = {"treatment": heading(strips.treatment), "n": "strips", "mean": f"mean [{unit}]",
             "low": "from", "high": "to", "letters": "letters",
             "difference": f"difference from {check} [{unit}]", "difference_low": "at least",
             "difference_high": "at most", "p_adjusted": "adjusted, p"}  # fmt: skip
    anova = {"term": "source of variation", "df": "degrees of freedom", "ss": "sum of squares",
             "ms": "mean square", "f": "F", "p": "p"}  # fmt: skip
    first, says, *rest = [line for line in strips.lines() if line.kind != Kind.LEAD]
    return Section(
        title, lines=(first, *rest), figure=strips.plot, figure_says=says.plain,
        tables=(parts.pick("Means of the treatments", strips.means, means),
                parts.pick("Analysis of variance", strips.anova, anova)),
    )  # fmt: skip


def _response_section(answer):
    response = answer.response
    of = f" of {answer.nutrient}" if answer.nutrient else ""
    return Section(
        "Which rate paid best?", lines=tuple(map(told, details(response))),
        figure=partial(response.plot, within=answer.net.within),
        figure_says="Top: yield. Bottom: net return. "
        f"Economic optimum{of}: {optimum_text(response.optimum)}.",
        tables=(parts.curves_table(response),),
    )  # fmt: skip


def _money_section(answer):
    regret, lines, tables = answer.regret, break_even(answer.net), (_prices_table(answer),)
    if regret is None:
        lines += (
            [f"The expected loss of a rate is not known: {answer.no_regret}."] if answer.no_regret else []
        )
        return Section(parts.IF_PRICES, lines=lines, tables=tables)
    says = [line.plain for line in regret.lines() if line.kind != Kind.CAUTION]
    return Section(
        parts.IF_PRICES,
        lines=(*lines, say.expected_regret(answer), *say.one_rate(answer)),
        figure=regret.plot, figure_says=" ".join(says), tables=tables,
    )  # fmt: skip


def _prices_table(answer):
    unit, response = answer.response.rate_unit, answer.response
    rows = answer.by_price.assign(status=answer.by_price["status"].map(status_in_words))
    mass = response.prices.nutrient_per
    names = {"price": money_axis("nutrient price", response.prices.currency, mass),
             "ratio": f"price ratio [{response.yield_unit} per {unit}]", "rate": f"economic optimum [{unit}]",
             "low": "from", "high": "to", "open": "upper end",
             "gain": f"gain minus cost [{response.yield_unit}]", "status": "status"}  # fmt: skip
    if response.comparison is None:  # the ends of an optimum mean nothing for two rates
        names = {k: v for k, v in names.items() if k not in ("low", "high", "open")}
        names["rate"] = f"better of the two rates [{unit}]"
        return parts.pick("Better rate at other nutrient prices", rows, names)
    return parts.pick("Optimum at other nutrient prices", rows, names)


def _strips_table(answer):
    if answer.strips is None:
        frame = answer.response.strips
        return parts.pick("The strips", frame, {name: heading(name) for name in frame})
    s, unit = answer.strips, answer.response.yield_unit
    names = {"block": "block", "strip": "strip", s.treatment: heading(s.treatment),
             s.response: f"yield [{unit}]", "fitted": f"fitted [{unit}]",
             "residual": f"residual [{unit}]"}  # fmt: skip
    return parts.pick("The strips", s.strips, names)
