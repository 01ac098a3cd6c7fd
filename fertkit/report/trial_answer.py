"""Ask the floors below about one strip trial and hold the answers together."""

from dataclasses import dataclass, replace

import pandas as pd

from fertkit.asked import a_number, a_seed, a_text, a_word, amounts, asks, holding
from fertkit.chance import make_rng
from fertkit.errors import NotEstimable
from fertkit.reference.load import list_sources
from fertkit.report.answer_table import answer_table, checks_of, means_rows, response_rows
from fertkit.response.analyse import ResponseAnalysis, analyse_response
from fertkit.response.net_return import NetReturn, net_return_of
from fertkit.response.prices import draw_prices
from fertkit.response.regret import Regret, regret_of
from fertkit.results import Result
from fertkit.say.trials import yields_text
from fertkit.trials.analyse import StripAnalysis, analyse_strips
from fertkit.trials.layout import StripPlan
from fertkit.trials.table import default_treatment, factor, untreated

#: Nutrient prices asked about, as shares of today's.
PRICE_STEPS = (0.5, 0.75, 1.0, 1.5, 2.0)
#: Draws of prices where they are uncertain; as many as the draws of each curve.
DRAWS = 2000


@dataclass(frozen=True)
class TrialAnswer(Result):
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
    """

    name: str
    nutrient: str
    crop: str
    response: ResponseAnalysis
    strips: StripAnalysis | None
    net: NetReturn
    regret: Regret | None
    by_price: pd.DataFrame
    swing_pct: float | None
    plan: StripPlan | None
    why_not: str
    no_regret: str
    sources: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """The optimum, its gain and the treatments: about, item, value, low, high, unit, remark."""
        means = [] if self.strips is None else means_rows(self.strips, self.response.yield_unit)
        return answer_table(response_rows(self.name, self.response), means)

    @property
    def checks(self) -> pd.DataFrame:
        """Checks of the response and of the strips; `about` names which."""
        return checks_of({"response": self.response, "strips": self.strips})

    def plot(self, ax=None, **options):
        """Draw the response."""
        return self.response.plot(ax, **options)


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), nutrient_price=amounts,
    grain_price=amounts, within=a_number, price_swing_pct=a_number, currency=a_text,
    plan=holding("treatments", "seed", like="what plan_strips gives"), name=a_word, seed=a_seed,
)  # fmt: skip
def answer_trial(
    trial, *, nutrient_price, grain_price, within=None, price_swing_pct=None, currency="", plan=None,
    name=None, seed=0,
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

    Returns
    -------
    TrialAnswer

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
    table, facts = trial_rows(trial, name)
    given = table if isinstance(trial, pd.DataFrame) else trial.with_strips(table)
    response = analyse_response(given, nutrient_price=nutrient_price, grain_price=grain_price, seed=seed)
    response = in_currency(response, currency)
    strips, why_not = _compared(table)
    net = net_return_of(response, within="usual" if within is None else within)
    regret, no_regret = _regret(response, price_swing_pct, seed)
    asked = [trial, response, net, regret]
    return TrialAnswer(
        name=str(table["trial"].iloc[0]) if "trial" in table else name or "trial", **facts, response=response,
        strips=strips, net=net, regret=regret, by_price=_by_price(response), swing_pct=price_swing_pct,
        plan=plan, notes=notes_of(trial), why_not=why_not, no_regret=no_regret, sources=citations(asked),
    )  # fmt: skip


def trial_rows(trial, name=None) -> tuple[pd.DataFrame, dict]:
    """Give the strips of one trial, and what the reader of the file knows of nutrient and crop.

    Raises
    ------
    NotEstimable
        If there are several trials and none is named, or the one named is not there; names them.
    """
    table = trial if isinstance(trial, pd.DataFrame) else trial.table
    known = None if isinstance(trial, pd.DataFrame) else trial
    facts = {word: getattr(known, word, "") or "" for word in ("nutrient", "crop")}
    if "trial" not in table:
        return table, facts
    held = table["trial"].astype(str)
    names = list(dict.fromkeys(held))
    if name is None and len(names) > 1:
        raise NotEstimable(
            f"the file holds {len(names)} trials: {', '.join(names[:12])}; choose one, or all together",
            "--trial NAME or --together",
        )
    if name is not None and name not in names:
        raise NotEstimable(f"there is no trial '{name}'; trials are: {', '.join(names[:12])}")
    return table[held == (name or names[0])], facts


def notes_of(trial) -> tuple[str, ...]:
    """What the reader of a strip file noted, first the moisture of its yields; nothing of a bare table."""
    if isinstance(trial, pd.DataFrame):
        return ()
    keys = ", ".join(trial.sources["source_key"])
    return (f"{yields_text(trial)}{f' ({keys})' if keys else ''}", *trial.notes)


def in_currency(response: ResponseAnalysis, currency: str) -> ResponseAnalysis:
    """The same analysis with its money named."""
    return response.at_prices(prices=replace(response.prices, currency=currency)) if currency else response


def citations(results) -> pd.DataFrame:
    """Citations behind several results, those without any left out."""
    found = [getattr(result, "sources", None) for result in results]
    keys = [key for frame in found if frame is not None for key in frame["source_key"]]
    return list_sources(list(dict.fromkeys(keys)))


def _compared(table):
    """Treatments against the lowest; or why they cannot be compared."""
    labels = factor(table[default_treatment(table)].dropna())[1]
    none = untreated(labels)
    try:
        return analyse_strips(table, check=labels[0] if none is None else none), ""
    except NotEstimable as error:
        return None, str(error)


def _regret(response, swing_pct, seed):
    """What each rate may lose; or why that cannot be told."""
    if not response.draws:
        return None, ""
    prices = response.prices
    if swing_pct is not None:
        rng = make_rng(seed)
        prices = draw_prices(prices, nutrient_cv_pct=swing_pct, grain_cv_pct=swing_pct, n=DRAWS, rng=rng)
    try:
        return regret_of(response, prices), ""
    except NotEstimable as error:
        return None, str(error)


def _by_price(response) -> pd.DataFrame:
    rows = []
    for step in PRICE_STEPS:
        at = response.at_prices(prices=replace(response.prices, nutrient=step * response.prices.nutrient))
        best = at.optimum
        rows.append((at.prices.nutrient, at.price_ratio, best.rate, best.interval.low, best.interval.high,
                     best.status, at.gain["value"].iloc[-1]))  # fmt: skip
    return pd.DataFrame(rows, columns=["price", "ratio", "rate", "low", "high", "status", "gain"])
