"""The answer for a trial that is planned: how large, which rates, and where the strips go."""

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_dict, above_zero, asks, either, labels
from fertkit.errors import NotEstimable
from fertkit.report import sections as parts
from fertkit.report.answer import Answer
from fertkit.report.sections import Section, pick
from fertkit.response.curves import QUADRATIC_PLATEAU
from fertkit.response.placing import EQUAL, GIVEN, RatePlacing, place_rates
from fertkit.response.plan import ExpectedInterval, bare_plans, curve_through, expected_interval
from fertkit.results import counted
from fertkit.say.layout import RECOMMENDED
from fertkit.say.line import Kind
from fertkit.trials.application import application_geojson, application_table, guidance_geojson
from fertkit.trials.layout import StripPlan, plan_strips
from fertkit.trials.power import PowerPlan, blocks_for, smallest_difference
from fertkit.trials.power_plans import FactorPlan, NetworkPlan, plan_factors, plan_network
from fertkit.writing import write_whole

SIMULATED = 200  # trials of each plan; some seconds
#: Without a highest rate this many times the supposed best rate is tested, and rates are multiples of the
#: first step that leaves ten or more of them (common practice, no source).
BEYOND, STEPS, FEWEST_STEPS = 1.5, (5.0, 1.0, 0.5, 0.1), 10
#: Placed rates rest on the supposed field, equal spacing does not: they must make the interval narrower by
#: this share, which is more than the chance of the simulation (common practice, no source).
NARROWER = 0.05


@dataclass(frozen=True)
class LayoutAnswer(Answer):
    """A planned trial.

    Attributes
    ----------
    plan : StripPlan
    power : PowerPlan or None
        What differences the trial finds; None for one block or a ladder.
    factors : FactorPlan or None
    placing : RatePlacing or None
        Where rates tell most of the optimum, if a field was supposed.
    expected : ExpectedInterval or None
        The interval of the optimum that equal spacing and the rates placed or given yield, simulated.
    network : NetworkPlan or None
    laid : str
        The plan of `placing` that is laid out; empty where no field was supposed.
    boundary : dict or sequence, optional
    line : two (longitude, latitude), optional
    headland : float
    features : tuple of dict
        The strips in the field, if there is a boundary or a line; see `application_geojson`.
    """

    plan: StripPlan
    power: PowerPlan | None
    factors: FactorPlan | None
    placing: RatePlacing | None
    expected: ExpectedInterval | None
    network: NetworkPlan | None
    laid: str = ""
    boundary: object = field(default=None, repr=False)
    line: object = field(default=None, repr=False)
    headland: float = 0.0
    features: tuple = field(default=(), repr=False)

    @property
    def _parts(self) -> dict:
        held = {"strips": self.plan, "power": self.power, "two factors": self.factors,
                "rates": self.placing, "optimum": self.expected, "network": self.network}  # fmt: skip
        return {name: result for name, result in held.items() if result is not None}

    @property
    def table(self) -> pd.DataFrame:
        """Strips as they lie, with what to apply; in a field as long as its boundary leaves them."""
        if not self.features:
            return application_table(self.plan)
        names = [*application_table(self.plan), f"length_{self.plan.width_unit}", "kept_pct"]
        return pd.DataFrame([feature["properties"] for feature in self.features])[names]

    @property
    def left_out(self) -> list[int]:
        """Positions of strips of which the boundary leaves too little to harvest."""
        kept = {feature["properties"]["position"] for feature in self.features}
        return [p for p in application_table(self.plan)["position"] if self.features and p not in kept]

    @property
    def sources(self) -> pd.DataFrame:
        return parts.citations(self._parts.values())

    @property
    def checks(self) -> pd.DataFrame:
        checked = {name: result for name, result in self._parts.items() if hasattr(result, "checks")}
        return parts.checks_of(checked)

    def plot(self, ax=None, **options):
        return self.plan.plot(ax, **options)

    @property
    def lead(self) -> list:
        """Size, rates and place, without the sketch and the details of each."""
        return [line for line in self.lines() if line.kind == Kind.LEAD]

    @property
    def title(self) -> str:
        strips = int((self.plan.strips["kind"] == "strip").sum())
        kinds = len(dict.fromkeys(self.plan.treatments))
        return f"A trial of {kinds} treatments on {strips} strips in {counted(self.plan.blocks, 'block')}"

    @property
    def sections(self) -> list[Section]:
        tables = {"power": _power_table, "two factors": _factor_table, "rates": _rate_tables,
                  "optimum": _expected_table, "network": _network_table}  # fmt: skip
        titles = {"power": "What differences can it detect?", "two factors": "Two factors, or zones",
                  "rates": "Which rates find the optimum best?",
                  "optimum": "How well will it find the optimum?",
                  "network": "How many sites and years?"}  # fmt: skip
        made = [
            Section(titles[name], lines=result.lines()[1:], figure=result.plot,
                    figure_says=result.lines()[0].plain, tables=tables[name](result))
            for name, result in self._parts.items() if name != "strips"
        ]  # fmt: skip
        says = " ".join(line.plain for line in self.plan.lines()[:2])
        where = Section("Where do the strips go?", figure=self.plan.plot, figure_says=says,
                        lines=[line for line in self.plan.lines()[2:] if line.kind != Kind.SKETCH],
                        tables=(_strips_table(self.table),))  # fmt: skip
        trust = Section(parts.RELIABLE, tables=(parts.checks_table(self.checks),))
        return [*made, where, trust]

    @property
    def files(self) -> dict[str, str]:
        """Name → text: strips.csv and, in a field or along a line, strips.geojson and lines.geojson."""
        files = {"strips.csv": self.table.to_csv(index=False)}
        if self.boundary is None and self.line is None:
            return files
        where = {"line": self.line, "headland": self.headland}
        maps = {
            "strips": {"type": "FeatureCollection", "features": list(self.features)},
            "lines": guidance_geojson(self.plan, self.boundary, **where),
        }
        return files | {f"{name}.geojson": json.dumps(held, indent=1) for name, held in maps.items()}

    def write_files(self, folder) -> list[Path]:
        """Write strips.csv and, in a field or along a line, strips.geojson and lines.geojson (WGS 84)."""
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        return [write_whole(text, folder / name) for name, text in self.files.items()]


@asks(
    rates=labels, blocks=a_count(1), difference_pct=above_zero, cv_pct=above_zero, field_supposed=a_dict,
    second=a_count(2), boundary=either(a_dict, labels), line=labels, network=a_dict, strips=a_count(2),
)  # fmt: skip
def answer_layout(
    rates=None, *, seed: int, cv_pct: float, header_width: float, applicator_width: float,
    strip_length: float, blocks=None, difference_pct=None, design: str = "blocks", unit: str = "lb/ac",
    width_unit: str = "ft", field_supposed=None, strips: int = 6, second=None,
    arrangement: str = "any strip", whole_cv_pct: float = 0.0, network=None, boundary=None, line=None,
    headland: float = 0.0, borders: int = 1, buffer: float = 0.0,
) -> LayoutAnswer:  # fmt: skip
    """Plan a trial: how many blocks, sites and years, which rates, and where the strips go.

    Parameters
    ----------
    rates : sequence, optional
        Rates [`unit`] or names; without them rates are placed for the field that is supposed.
    seed : int
    cv_pct : float
        Standard deviation of a strip within a block [% of the mean].
    header_width, applicator_width, strip_length, design, unit, width_unit, borders, buffer
        See `plan_strips`.
    blocks : int, optional
        Without it as many as `difference_pct` needs, or four.
    difference_pct : float, optional
        Difference worth finding [% of the mean].
    field_supposed : dict, optional
        yield_without, best_yield, best_rates, price_ratio and optionally curve, highest and yield_unit; see
        `place_rates`.
    strips : int
        Of a block, where rates are placed.
    second : int, optional
        Levels of a second factor, or zones; see `plan_factors` for `arrangement` and `whole_cv_pct`.
    network : dict, optional
        width, site_sd, and optionally year_sd and rest_sd, of the optimum [`unit`] where a field is supposed,
        else of a difference [% of the mean]; see `plan_network`.
    boundary, line, headland
        See `application_geojson`.

    Examples
    --------
    >>> from fertkit.report.layout import answer_layout
    >>> machines = {"header_width": 30, "applicator_width": 60, "strip_length": 1200}
    >>> answer = answer_layout([0, 60, 120], seed=7, cv_pct=4, difference_pct=8, **machines)
    >>> answer.plan.blocks
    6
    """
    placing, expected, laid = None, None, ""
    sized = {"difference": difference_pct, "cv": cv_pct, "design": design}
    if field_supposed:
        supposed = dict(field_supposed)
        yield_unit = supposed.pop("yield_unit", "bu/ac")
        sd = cv_pct / 100 * supposed["best_yield"]
        placing = _placed(supposed, rates, len(rates) if rates else strips, sd, unit)
        laid = GIVEN if rates else RECOMMENDED
        asked = {"supposed": supposed, "sd": sd, "yield_unit": yield_unit, "unit": unit}
        if not rates:  # equal spacing, where simulated trials know the optimum better with it
            count = _blocks(blocks, kinds=len(set(placing.plans[laid])), **sized)[0]
            expected = _expected(placing, laid, count, **asked)
            laid = _sharper(expected)
    if not rates and placing is None:
        raise NotEstimable("give the rates or treatments, or assumed yields from which to place rates")
    treatments = list(rates or placing.plans[laid])
    kinds = len(dict.fromkeys(treatments))
    factors = network_plan = None
    layout = {"arrangement": arrangement, "whole_cv_pct": whole_cv_pct}
    if second and difference_pct and blocks is None:  # as many as both factors need
        blocks = plan_factors((second, kinds), difference_pct, cv_pct, **layout).blocks
    blocks, power = _blocks(blocks, kinds=kinds, **sized)
    if second:
        difference = difference_pct or power.difference_pct
        factors = plan_factors((second, kinds), difference, cv_pct, blocks=blocks, **layout)
    if placing is not None and (expected is None or blocks != count):
        expected = _expected(placing, GIVEN if rates else RECOMMENDED, blocks, **asked)
    if network:
        network_plan = _network(network, placing, laid, treatments, cv_pct, unit)
    plan = plan_strips(
        treatments, seed=seed, blocks=blocks, design=design, unit=unit, header_width=header_width,
        applicator_width=applicator_width, strip_length=strip_length, width_unit=width_unit, borders=borders,
        buffer=buffer, repeats=kinds < len(treatments) and not rates,
    )  # fmt: skip
    features = ()
    if boundary is not None or line is not None:
        features = tuple(application_geojson(plan, boundary, line=line, headland=headland)["features"])
    return LayoutAnswer(
        plan, power, factors, placing, expected, network_plan, laid, boundary, line, headland, features
    )


def _placed(supposed, rates, strips, sd, unit) -> RatePlacing:
    """Rates placed for the supposed field, up to a highest one that equal steps of round numbers reach."""
    held = {"strips": strips, "sd": sd, "rate_unit": unit, "given": rates}
    if rates or supposed.get("highest") is not None:
        return place_rates(**{"highest": max(map(float, rates or [0]))} | supposed, **held)
    beyond = BEYOND * float(np.max(supposed["best_rates"]))
    step = next((s for s in STEPS if beyond >= FEWEST_STEPS * s), beyond / 20)
    each = step * (strips - 1)
    return place_rates(**supposed | {"highest": each * np.ceil(beyond / each - 1e-9)}, step=step, **held)


def _sharper(expected) -> str:
    """The placed rates where simulated trials know the optimum better with them, otherwise equal spacing."""
    width = bare_plans(expected).set_index("plan")["median_width"]
    placed = width.get(RECOMMENDED, np.inf)
    return RECOMMENDED if placed < (1 - NARROWER) * width[EQUAL] else EQUAL


def _blocks(blocks, *, difference, cv, kinds, design):
    """Number of blocks, and what it finds; nothing is tested with a ladder or in one block."""
    if design == "ladder" or blocks == 1:
        return blocks or 4, None
    if blocks is None and difference is not None and design != "latin":
        power = blocks_for(difference, cv, kinds, design=design)
        return power.blocks, power
    blocks = kinds if design == "latin" else blocks or 4
    return blocks, smallest_difference(blocks, cv, kinds, design=design, difference_pct=difference)


def _expected(placing, own, blocks, *, supposed, sd, yield_unit, unit):
    """A plan of rates beside equal spacing, harvested on paper under the middle of what is supposed."""
    curve = supposed.get("curve", QUADRATIC_PLATEAU.key)
    middle = float(np.mean([placing.best_rates[0], placing.best_rates[-1]]))
    params = curve_through(curve, supposed["yield_without"], supposed["best_yield"], middle)
    alike = sorted(placing.plans[own]) == sorted(placing.plans[EQUAL])
    plans = {name: (placing.plans[name], blocks) for name in ([EQUAL] if alike else [EQUAL, own])}
    return expected_interval(
        plans, curve=curve, params=params, sd=sd, price_ratio=supposed["price_ratio"], n=SIMULATED,
        rate_unit=unit, yield_unit=yield_unit,
    )  # fmt: skip


def _network(network, placing, laid, treatments, cv, unit) -> NetworkPlan:
    if placing is None:
        return plan_network(**network, one_block=cv * np.sqrt(2), treatments=len(treatments),
                            quantity="difference of two treatments", unit="% of the mean")  # fmt: skip
    one = float(placing.table.set_index("plan").filter(like="optimum_se").loc[laid].iloc[0])
    return plan_network(**network, one_block=one, treatments=len(treatments),
                        quantity="economic optimum", unit=unit)  # fmt: skip


# ---- tables


def _strips_table(table):
    """Strips for people: what holds of all of them stands in sentences."""
    names = {name: name.replace("_", " ") for name in table if name not in ("seed", "counted")}
    for unit, written in (("lb_ac", "lb/ac"), ("kg_ha", "kg/ha"), ("ft", "ft"), ("m", "m"), ("pct", "%")):
        ending = f"_{unit}"
        names |= {name: f"{name.removesuffix(ending).replace('_', ' ')} [{written}]"
                  for name in names if name.endswith(ending)}  # fmt: skip
    return pick("Strips", table, names)


def _power_table(power):
    names = {"blocks": "blocks", "strips": "strips", "error_df": "error degrees of freedom",
             "power": "chance of detecting it",
             "smallest_difference_pct": "smallest difference detected [%]"}  # fmt: skip
    return (pick("Blocks", power.sizes, names),)


def _factor_table(factors):
    names = {"what": "difference of", "se_pct": "standard error [%]", "error_df": "error degrees of freedom",
             "power": "chance of detecting it",
             "smallest_difference_pct": "smallest difference detected [%]"}  # fmt: skip
    return (pick("Two factors", factors.table, names),)


def _rate_tables(placing):
    unit = placing.rate_unit
    names = {"plan": "rates placed", "rates": f"rates of a block [{unit}]", "distinct": "distinct rates",
             placing.table.columns[3]: f"standard error of the optimum, one block [{unit}]",
             "against_equal_pct": "worth in blocks of equal spacing [%]",
             "efficiency_pct": "efficiency [%]"}  # fmt: skip
    title = f"Standard error of the optimum if another curve is true [{unit}]"
    return pick("Rates", placing.table, names), parts.Table(title, placing.by_curve)


def _expected_table(expected):
    unit = expected.rate_unit
    names = {"plan": "plan", "blocks": "blocks", "strips": "strips", "true_optimum": f"true optimum [{unit}]",
             "median_width": f"median interval width [{unit}]", "width_p10": f"8 of 10 from [{unit}]",
             "width_p90": f"to [{unit}]", "bias": f"bias [{unit}]", "rmse": f"usual error [{unit}]",
             "coverage_pct": "holds the true optimum [%]", "open_pct": "open above [%]"}  # fmt: skip
    return (pick("Expected intervals", bare_plans(expected), names),)


def _network_table(network):
    names = {"years": "years", "blocks": "blocks", "sites": "sites", "trials": "trials", "strips": "strips",
             "half_width": f"half width [{network.unit}]", "df": "degrees of freedom"}  # fmt: skip
    return (pick("Sites and years", network.table, names),)
