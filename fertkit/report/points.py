"""From a combine's log and a map of what was applied to the answer of a trial, and of its zones."""

from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from fertkit.asked import a_dict, a_file, a_flag, a_number, a_text, a_word, amounts, asks, either, holding
from fertkit.errors import NotEstimable
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section
from fertkit.report.treatments import TreatmentAnswer, answer_treatments
from fertkit.report.trial import TrialAnswer, answer_trial
from fertkit.response.groups import GroupedResponse, compare_groups
from fertkit.response.optimum import status_in_words
from fertkit.results import heading
from fertkit.say import points as say
from fertkit.say.groups import grouped_lines
from fertkit.say.line import Kind
from fertkit.trials.joined import JoinedTrial, join_points

ZONES = "Do zones differ?"
A_MAP = either(a_dict, a_file)


@dataclass(frozen=True)
class PointsAnswer(Answer):
    """What the kit says about a trial that was harvested with a yield monitor.

    Attributes
    ----------
    trial : TrialAnswer or TreatmentAnswer
        Of rates, or of what has none or is to be compared by means.
    joined : JoinedTrial
        How points became strips.
    groups : GroupedResponse or None
        Responses by zone, where zones were asked for.
    no_groups : str
        Why zones could not be compared.
    sources : DataFrame
    recipe : Recipe or None
        What asks for it again.
    """

    trial: TrialAnswer | TreatmentAnswer
    joined: JoinedTrial
    groups: GroupedResponse | None
    no_groups: str
    sources: pd.DataFrame
    recipe: object = None

    @property
    def table(self) -> pd.DataFrame:
        """The tidy table of the trial, with the optimum of each zone and its gain."""
        each = {} if self.groups is None else self.groups.analyses
        rows = (row for name, one in each.items() for row in parts.response_rows(f"zone {name}", one))
        tables = [self.trial.table, parts.tidy(rows)]
        return pd.concat([table for table in tables if len(table)], ignore_index=True)

    @property
    def trials(self) -> dict:
        """Analyses by the name of the trial."""
        return self.trial.trials

    @property
    def checks(self) -> pd.DataFrame:
        return self.trial.checks

    @property
    def notes(self) -> tuple[str, ...]:
        return self.trial.notes

    def plot(self, ax=None, **options):
        """Draw the response."""
        return self.trial.plot(ax, **options)

    @property
    def title(self) -> str:
        return self.trial.title

    @property
    def lead(self) -> list:
        """The short answer, of the zones and of the points a sentence each."""
        return say.points_answer_lead(self)

    @property
    def sections(self) -> list[Section]:
        first, *rest = self.trial.sections
        last = replace(rest[-1], links=parts.script_link(self))
        return [first, _joined_section(self.joined), *rest[:-1], *self._by_zone(), last]

    def _by_zone(self):
        if self.groups is not None:
            return [_zone_section(self.groups)]
        why = f"The treatments cannot be compared: {self.no_groups}."
        return [Section(ZONES, lines=(why,))] if self.no_groups else []


@asks(
    **parts.PRICED, log=either(holding("points", of="read_points"), a_file), applied=A_MAP,
    zones=A_MAP, crop=a_text, within=a_number, price_swing_pct=a_number, name=a_word,
    means=a_dict, against=amounts, robust=a_flag, uneven=a_flag,
)  # fmt: skip
def answer_points(
    log, applied, *, crop, nutrient_price=None, grain_price=None, zones=None, within=None,
    price_swing_pct=None, currency="", name=None, seed=0, means=None, against=None, robust=False,
    uneven=False, **joining,
) -> PointsAnswer:  # fmt: skip
    """Answer for a trial from the combine's log and the map of what was applied, in one call.

    Parameters
    ----------
    log, applied, crop, zones
        See `fertkit.trials.joined.join_points`.
    nutrient_price, grain_price, within, price_swing_pct, currency, name, seed, against, robust, uneven
        See `fertkit.report.answer_trial`; both prices are needed where the map has rates.
    means : dict, optional
        Arguments of `answer_treatments`: means are compared where a map has treatments without rates, or
        where a design, costs or no_worse_than is among them.
    **joining
        Further arguments of `join_points`: columns, units, width, delay, reach, utm, rules.

    Raises
    ------
    FertkitError
        If the files cannot be read or joined, or no response can be analysed.

    Examples
    --------
    Eight strips of one pass each (invented), the records of the applicator where those of the combine are:

    >>> import numpy as np
    >>> import pandas as pd
    >>> from fertkit.report import answer_points
    >>> strip, at = np.divmod(np.arange(8 * 80), 80)
    >>> rate = np.array([0, 60, 120, 180, 120, 0, 180, 60])[strip]
    >>> grain = 120 + 0.5 * rate - 0.0014 * rate**2 + strip % 3 + 0.1 * (at % 5)
    >>> place = {"longitude": -93 + strip * 1.1e-4, "latitude": 44 + at * 1.8e-5}
    >>> sizes = {"moisture_pct": 15.5, "distance_m": 2.0, "width_m": 9.0}
    >>> log = pd.DataFrame({**place, "yield_bu_ac": grain, **sizes})
    >>> applied = pd.DataFrame({**place, "rate_lb_ac": rate})
    >>> answer = answer_points(log, applied, crop="corn", nutrient_price=0.5, grain_price=4.5)
    >>> answer.joined.strips.groupby("planned")["block"].nunique().tolist()
    [2, 2, 2, 2]
    """
    joined = join_points(log, applied, crop=crop, zones=zones, **joining)
    return answer_joined(
        joined, nutrient_price=nutrient_price, grain_price=grain_price, within=within, means=means,
        price_swing_pct=price_swing_pct, currency=currency, name=name, seed=seed, against=against,
        robust=robust, uneven=uneven,
    )  # fmt: skip


def answer_joined(
    joined, *, nutrient_price=None, grain_price=None, means=None, before=None, currency="", name=None, **asked
) -> PointsAnswer:
    """Answer for strips that are joined already; see `answer_points`.

    `before` is an answer about them with the same means or curves: nothing is fitted again.
    """
    asked |= {"grain_price": grain_price, "currency": currency, "name": name}
    if {"design", "costs", "no_worse_than"} & {*(means or {})} or not joined.trial.rate_column:
        asked = {word: asked[word] for word in ("grain_price", "currency", "name")} | (means or {})
        why = "treatments without rates have no response whose zones could differ"
        trial = answer_treatments(joined.trial, **asked)
        return PointsAnswer(trial, joined, None, why * (joined.by_zone is not None),
                            parts.citations([trial, joined]))  # fmt: skip
    if None in (nutrient_price, grain_price):
        raise NotEstimable(*parts.NEED_PRICES)
    trial = answer_trial(joined.trial, nutrient_price=nutrient_price, before=before and before.trial, **asked)
    groups, why = None, ""
    if joined.by_zone is not None:
        try:
            move = before.groups.at_prices if before and before.groups else partial(by_zone, joined)
            groups = move(prices=trial.response.prices)
        except NotEstimable as error:
            why = error.note
    return PointsAnswer(trial, joined, groups, why, parts.citations([trial, joined, groups]))


def by_zone(joined, **prices) -> GroupedResponse:
    """Compare the response of zones: errors of a strip are shared by its parts, zones weigh by their area."""
    table = joined.by_zone.table
    shares = joined.zone_areas
    cluster = "whole" if table["whole"].duplicated().any() else None
    return compare_groups(joined.by_zone, "zone", cluster=cluster, shares=shares, **prices)


# ---- sections


def _joined_section(joined):
    unit = joined.yield_unit
    audit = {"step": "step", "rule": "rule", "removed": "points left out", "removed_pct": "% of all",
             "kept": "points kept", "weighted_mean": f"area-weighted mean [{unit}]"}  # fmt: skip
    unit = f" [{joined.trial.rate_unit}]" if joined.trial.rate_unit else ""
    strips = {
        "trial": "trial", "block": "block", "strip": "strip", "treatment": "treatment",
        "rate": f"rate as applied{unit}", "planned": f"rate planned{unit}",
        "rate_sd": f"SD within the strip{unit}",
        joined.trial.yield_column: heading(joined.trial.yield_column),
        "harvest_moisture_pct": "moisture at harvest [%]", "points": "points", "area_ha": "area [ha]",
    }  # fmt: skip
    first, *rest = say.joined_lines(joined)
    return Section(
        "From points to strips", lines=[line for line in rest if line not in say.steps_text(joined)
                                        and line.kind != Kind.HEAD],
        figure=joined.plot, figure_says=first.plain,
        tables=(parts.pick("Points left out, step by step", joined.audit, audit),
                parts.pick("Strips from points", joined.strips, strips)),
    )  # fmt: skip


def _zone_section(groups):
    unit = groups.rate_unit
    optima = groups.groups.assign(status=groups.groups["status"].map(status_in_words))
    columns = {
        "group": "zone", "strips": "parts of strips", "share": "share of the area",
        "rate": f"economic optimum [{unit}]", "low": "from", "high": "to", "status": "status",
    }  # fmt: skip
    models = {"label": "curve", "structure": "for zones", "k": "parameters", "aicc": "AICc", "f": "F",
              "p": "p"}  # fmt: skip
    first, *rest = (line for line in grouped_lines(groups) if line.kind != Kind.CAUTION)
    return Section(
        ZONES, lines=rest, figure=groups.plot, figure_says=first.plain,
        tables=(parts.pick("Optimum by zone", optima, columns),
                parts.pick("Common or separate curves by zone", groups.models, models)),
    )  # fmt: skip
