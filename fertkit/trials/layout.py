"""Lay out a strip trial: which rate goes where across the field, and how wide each strip has to be."""

from dataclasses import dataclass
from math import ceil, isfinite

import numpy as np
import pandas as pd

from fertkit.asked import a_count, above_zero, asks, labels, make_rng, zero_or_more
from fertkit.errors import NotEstimable, unknown, unknown_unit
from fertkit.results import Result, checks_frame, counted, show
from fertkit.rounding import ROUNDING, above, at_least, same, whole_times
from fertkit.trials.limits import check_row, citations, default, said_by
from fertkit.trials.power import ERROR_DF, no_pairs
from fertkit.units import AREA_RATE_KG_HA, FOOT_M


@dataclass(frozen=True)
class StripPlan(Result):
    """Strips of a planned trial in field order, in the unit of the machine widths.

    Attributes
    ----------
    strips : DataFrame
        position, block, strip, treatment, kind ("strip", "border"), left, right (across the field), start,
        end (along it) and harvest_left, harvest_right of the part to harvest [`width_unit`]. A Latin square
        has several tiers along the field.
    design : str
    treatments : tuple
    unit : str
        Of the rates.
    blocks : int
    seed : int
        Draws the same plan again.
    width_unit : str
    strip_width, harvest_width : float
        Treated and harvested width of one strip [`width_unit`].
    passes : int
        Applicator passes in one strip.
    notes : tuple of str
    checks : DataFrame
    """

    strips: pd.DataFrame
    design: str
    treatments: tuple
    unit: str
    blocks: int
    seed: int
    width_unit: str
    strip_width: float
    harvest_width: float
    passes: int
    notes: tuple[str, ...]
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.strips

    @property
    def sources(self) -> pd.DataFrame:
        return citations("strip_trial")

    @property
    def width(self) -> float:
        """Width of the whole trial, borders included [`width_unit`]."""
        return float(self.strips["right"].max() - self.strips["left"].min())

    @property
    def length(self) -> float:
        """Length of the trial along the strips [`width_unit`]."""
        return float(self.strips["end"].max() - self.strips["start"].min())


#: How a plan counts, in the sketch and in every file of it.
SIDES = "widths are counted from the left, lengths from the near end, in driving direction"
DESIGNS = {
    "blocks": "Randomised complete blocks",
    "pairs": "Pairs, order within pairs at random",
    "latin": "Latin square",
    "ladder": "Systematic ladder",
}


@asks(
    treatments=labels, blocks=a_count(1), header_width=above_zero, applicator_width=above_zero,
    strip_length=above_zero, harvest_passes=a_count(1), buffer=zero_or_more, field_width=above_zero,
)  # fmt: skip
def plan_strips(
    treatments, *, seed: int, blocks: int = 4, design: str = "blocks", unit: str = "lb/ac",
    header_width: float, applicator_width: float, strip_length: float, width_unit: str = "ft",
    harvest_passes: int = 1, buffer: float = 0.0, borders: int = 1, field_width: float | None = None,
    repeats: bool = False,
) -> StripPlan:  # fmt: skip
    """Lay out the strips of a trial.

    Parameters
    ----------
    treatments : sequence
        Rates [`unit`] or names, each once; the first is laid in the borders.
    seed : int
        Draws the order; written on the plan, so that it can be drawn again.
    blocks : int
        Blocks, pairs or repeats of the ladder; a Latin square takes as many as treatments.
    design : {"blocks", "pairs", "latin", "ladder"}
        The ladder steps up and down through the rates without drawing lots: good for mapping the response
        over the field, no basis for a test of differences.
    unit : str
        Of rates.
    header_width, applicator_width : float
        Of the combine and the spreader or sprayer [`width_unit`].
    strip_length : float
        Length of a strip [`width_unit`].
    width_unit : {"ft", "m"}
    harvest_passes : int
        Full header passes harvested in each strip.
    buffer : float
        Untreated gap between blocks [`width_unit`].
    borders : int
        Border strips at each side.
    repeats : bool
        Let a rate stand on several strips of a block (randomised blocks only).
    field_width : float, optional
        Room across the field [`width_unit`]; a trial that does not fit is refused with what would fit.

    Raises
    ------
    LookupFailed
        If the design or the unit of width is not known.
    UnitError
        If the unit of the rates is not known.
    InputError
        If a number cannot be: half a block, a width below zero.
    NotEstimable
        If a rate is below zero, the design does not suit the treatments, or the field is too narrow.

    Examples
    --------
    >>> from fertkit.trials import plan_strips
    >>> plan = plan_strips(
    ...     [0, 60, 120], seed=7, blocks=4, header_width=30, applicator_width=60, strip_length=1200
    ... )
    >>> strips = plan.table[plan.table["kind"] == "strip"]
    >>> len(strips), strips.groupby("block")["treatment"].nunique().tolist()
    (12, [3, 3, 3, 3])
    """
    treatments = _check(treatments, design, unit, width_unit, repeats and design == "blocks")
    blocks = len(treatments) if design == "latin" else blocks
    passes = ceil(harvest_passes * header_width / applicator_width * (1 - ROUNDING))
    strip_width = passes * applicator_width
    rng = make_rng(seed)
    order = draw_latin(treatments, rng) if design == "latin" else draw_order(treatments, blocks, design, rng)
    strips = _place(order, design, strip_width, strip_length, buffer, borders, treatments[0])
    harvested = harvest_passes * header_width
    middle = (strips["left"] + strips["right"]) / 2
    strips["harvest_left"], strips["harvest_right"] = middle - harvested / 2, middle + harvested / 2
    room = float(strips["right"].max())
    if field_width is not None and above(room, field_width):
        needs = f"the trial needs {room:g} {width_unit} across, the field has {field_width:g} {width_unit}"
        raise NotEstimable(f"{needs}; {_fits(field_width, treatments, strip_width, buffer, borders, design)}")
    return StripPlan(
        strips=strips, design=design, treatments=treatments, unit=unit, blocks=blocks, seed=seed,
        width_unit=width_unit, strip_width=strip_width, harvest_width=harvested, passes=passes,
        notes=_notes(design, strip_width, harvested, width_unit),
        checks=checks_frame(_checks(design, len(treatments), blocks, strip_length, width_unit)),
    )  # fmt: skip


def _check(treatments, design, unit, width_unit, repeats) -> tuple:
    treatments = tuple(float(t) if isinstance(t, int | float | np.number) else t for t in treatments)
    if unit not in AREA_RATE_KG_HA:
        raise unknown_unit(unit, AREA_RATE_KG_HA)
    bad = [show(t) for t in treatments if isinstance(t, float) and (not isfinite(t) or t < 0)]
    if bad:
        raise NotEstimable(f"a rate has to be zero or more, not {', '.join(bad)} {unit}")
    if design not in DESIGNS:
        raise unknown("design", design, DESIGNS)
    if width_unit not in ("ft", "m"):
        raise unknown("unit of width", width_unit, ("ft", "m"))
    twice = [show(t) for t in dict.fromkeys(treatments) if treatments.count(t) > 1]
    if twice and not repeats:
        raise NotEstimable(f"{', '.join(twice)} is given more than once; give each treatment once")
    if len(set(treatments)) < 2:
        raise NotEstimable("give two or more different treatments")
    if design == "pairs" and len(treatments) != 2:
        raise no_pairs(len(treatments))
    if design == "latin" and len(treatments) < 3:
        what = "a Latin square of two treatments leaves no error; choose pairs"
        raise NotEstimable(what, "design='pairs'")
    return treatments


def draw_order(treatments, blocks, design, rng) -> list[list]:
    """Order of treatments within each block."""
    if design != "ladder":
        return [[treatments[i] for i in rng.permutation(len(treatments))] for _ in range(blocks)]
    up = sorted(treatments) if all(isinstance(t, float) for t in treatments) else list(treatments)
    return [up if block % 2 == 0 else up[::-1] for block in range(blocks)]


def draw_latin(treatments, rng) -> list[list]:
    """Rows of a Latin square: the cyclic square with rows, columns and treatments drawn at random."""
    n = len(treatments)
    square = (np.arange(n)[:, None] + np.arange(n)) % n
    square = square[rng.permutation(n)][:, rng.permutation(n)]
    names = rng.permutation(n)
    return [[treatments[names[i]] for i in row] for row in square]


def _place(order, design, width, length, buffer, borders, border_treatment) -> pd.DataFrame:
    """Give each strip its number and its rectangle; a Latin square has its blocks one behind the other."""
    tall, slots = design == "latin", len(order[0])
    across, along = (0.0, length + buffer) if tall else (slots * width + buffer, 0.0)
    inner = [
        (b + 1, treatment, "strip", borders * width + b * across + i * width, b * along, b * along + length)
        for b, block in enumerate(order)
        for i, treatment in enumerate(block)
    ]
    room = max(left for _, _, _, left, _, _ in inner) + width
    top = max(end for *_, end in inner)
    edges = [i * width for i in range(borders)] + [room + i * width for i in range(borders)]
    outer = [(pd.NA, border_treatment, "border", left, 0.0, top) for left in edges]
    strips = pd.DataFrame([*inner, *outer], columns=["block", "treatment", "kind", "left", "start", "end"])
    strips = strips.sort_values(["left", "start"], ignore_index=True).astype({"block": "Int64"})
    strips.insert(4, "right", strips["left"] + width)
    strips.insert(0, "position", strips["left"].rank(method="dense").astype(int))
    inside = strips["kind"] == "strip"
    strips.insert(2, "strip", inside.cumsum().where(inside).astype("Int64"))
    if tall:
        strips["column"] = (strips["position"] - borders).where(inside).astype("Int64")
    return strips


def _fits(field_width, treatments, strip_width, buffer, borders, design) -> str:
    if design == "latin":
        return "use fewer treatments or narrower strips"
    free = field_width - 2 * borders * strip_width + buffer
    blocks = whole_times(free, len(treatments) * strip_width + buffer)
    if blocks < 1:
        return "use fewer treatments or borders, or narrower strips"
    return f"{counted(blocks, 'block')} would fit; or use fewer treatments or borders"


def _notes(design, strip_width, harvested, unit) -> tuple[str, ...]:
    notes = [
        "these are trial rates: before spreading, check local rules and the label, and ask a licensed or "
        "certified adviser"
    ]
    spare = (strip_width - harvested) / 2
    if same(spare, 0, scale=strip_width):
        notes.append("the whole strip is harvested, with no guard against drift from neighbours")
    else:
        notes.append(f"leave {spare:g} {unit} at each side of a strip unharvested, or harvest it separately")
    if design == "ladder":
        notes.append("the order is not random: fit the response and its trend, but do not test differences")
    return tuple(notes)


def _checks(design, treatments, blocks, length, width_unit) -> list[tuple]:
    def own(feet):
        """A length of the source in the unit of the plan."""
        return f"{feet if width_unit == 'ft' else feet * FOOT_M:.0f} {width_unit}"

    feet = length if width_unit == "ft" else length / FOOT_M
    worked, reliable = (
        default("strip_trial", f"strip length {item}") for item in ("that has worked", "more reliable from")
    )
    of_long = "LSD of 1000 ft strips"
    short, long = default("strip_trial", "LSD of 250 ft strips"), default("strip_trial", of_long)
    advice = (
        f"strips of {own(worked)} have worked, {own(reliable)} or longer are more reliable: in uniformity "
        f"trials the LSD with strips of {own(1000)} was about {100 * long / short:.0f} % of that with "
        f"{own(250)} (three replicates, {said_by('strip_trial', of_long)})"
    )
    long_enough = at_least(feet, reliable)
    rows = [check_row("plan", "strip length", length, long_enough, limit=own(reliable), advice=advice)]
    if design in ("blocks", "pairs"):
        rows.append(check_row("plan", "pairs" if design == "pairs" else "replicates", blocks))
        rows.append(check_row("plan", "error degrees of freedom", ERROR_DF[design](treatments, blocks)))
    return rows
