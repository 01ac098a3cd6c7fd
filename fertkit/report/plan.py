"""The answer for a season: what goes on each field, when, in which product, at what cost, what is left."""

import json
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from fertkit.asked import a_dict, a_file, a_path, a_table_or_file, a_text, asks, either, holding
from fertkit.budget.plan import SeasonPlan, plan_season
from fertkit.errors import NotEstimable
from fertkit.report.answer import Answer
from fertkit.report.sections import Section, Table, checks_of, pick, plain_rows, tidy
from fertkit.report.workbook import inert_table, sheet_names
from fertkit.results import records
from fertkit.say import plan_sheets as say
from fertkit.say.line import HANGING, but_deferring
from fertkit.say.plan import NO_RATE, book_lines, titles_of, why_of
from fertkit.units import MEASURES, restated
from fertkit.writing import write_whole

#: Columns of the tables of a plan and their headers.
RATES = {
    "field": "field", "zone": "zone", "nutrient": "nutrient", "rate_lb_ac": "rate [{rate}]",
    "removal_lb_ac": "removed [{rate}]", "credit_lb_ac": "credit [{rate}]", "cap_lb_ac": "cap [{rate}]",
    "low_lb_ac": "from [{rate}]", "high_lb_ac": "to [{rate}]",
}  # fmt: skip
REASONS = {
    "field": "field", "zone": "zone", "nutrient": "nutrient", "tested": "soil test", "soil_class": "class",
    "because": "because", "equation": "equation [lb/ac]", "source_key": "source", "provenance": "provenance",
}  # fmt: skip
SYSTEMS = {
    "field": "field", "zone": "zone", "nutrient": "nutrient", "title": "system",
    "rate_lb_ac": "rate [{rate}]",
    "soil_class": "class", "critical": "critical level", "limit": "upper level", "years": "years",
    "equation": "equation [lb/ac]",
}  # fmt: skip
SILENT = {"nutrient": "nutrient", "title": "system", "soil_class": "class", "why_not": "why no rate",
          "fields": "fields"}  # fmt: skip
APPLIED = {
    "pass": "pass", "field": "field", "zone": "zone", "area_ac": "area [{area}]",
    "method": "how",
    "product": "product", "rate_lb_ac": "rate [{rate}]", "gal_ac": "rate [{liquid}]",
    "pounds": "total [{mass}]",
    "cost": "product at its price{paid}",
}  # fmt: skip
BOUGHT = {
    "product": "product", "need_lb": "needed [{mass}]", "on_hand_lb": "from the shed [{mass}]",
    "lots": "loads or bags", "bought_lb": "to buy [{mass}]",
    "price_per_lb": "price [{of_mass}]", "cost": "cost{paid}",
}  # fmt: skip
DRIVEN = {
    "pass": "pass",
    "method": "how",
    "fields": "fields",
    "acres": "area [{area}]",
    "cost": "application cost{paid}",
}
SUPPLIED = {
    "field": "field", "zone": "zone", "crop": "crop", "nutrient": "nutrient",
    "target_lb_ac": "target [{rate}]", "supplied_lb_ac": "supplied [{rate}]",
    "short_lb_ac": "short [{rate}]", "over_lb_ac": "over [{rate}]",
    "marginal_cost": "cost of one more {mass}{paid}",
}  # fmt: skip
BOOKS = {
    "field": "field", "zone": "zone", "year": "year", "crop": "crop", "nutrient": "nutrient",
    "applied": "applied [{rate}]", "removed": "removed [{rate}]", "left": "left [{rate}]",
    "running": "running balance [{rate}]", "removed_source": "source",
}  # fmt: skip
TESTS = {
    "field": "field", "zone": "zone", "year": "year", "nutrient": "nutrient", "test_before": "before [ppm]",
    "test_after": "after [ppm]", "test_low": "from [ppm]", "test_high": "to [ppm]",
    "critical": "critical level [ppm]", "buffer_source": "source",
}  # fmt: skip
SKIPPED = {
    "field": "field", "zone": "zone", "year": "year", "nutrient": "nutrient",
    "skip_saves": "saves [{of_area}]",
    "skip_replaces": "to replace later [{of_area}]", "skip_response": "yield lost, own trial [{of_area}]",
    "test_if_skipped": "soil test after [ppm]",
}  # fmt: skip
CREDITS = {
    "field": "field", "zone": "zone", "nutrient": "nutrient", "kind": "credit of",
    "low_lb_ac": "from [{rate}]",
    "high_lb_ac": "to [{rate}]", "taken_lb_ac": "credited [{rate}]", "why_not": "why no more",
    "source_key": "source",
}  # fmt: skip
PACE = {
    "field": "field", "zone": "zone", "crop": "crop", "nutrient": "nutrient",
    "uptake_lb_ac": "uptake [{rate}]",
    "soil_lb_ac": "soil [{rate}]", "applied_lb_ac": "passes [{rate}]", "first_short_stage": "short from",
    "largest_gap_lb_ac": "largest gap [{rate}]", "can_wait_lb_ac": "can wait [{rate}]",
}  # fmt: skip
#: What columns measure that do not end in their unit.
MEASURED = dict.fromkeys(["applied", "removed", "left", "running"], "rate") | dict.fromkeys(
    ["skip_saves", "skip_replaces", "skip_response"], "per area"
) | {"acres": "area", "pounds": "mass", "marginal_cost": "per mass"}  # fmt: skip
FIRST = {"shadow": {"field": "field", "zone": "zone", "crop": "crop", "nutrient": "nutrient",
                    "gain": "gain per extra unit of money", "basis": "by"}}  # fmt: skip


@dataclass(frozen=True)
class PlanAnswer(Answer):
    """What the kit says about a season.

    Attributes
    ----------
    plan : SeasonPlan
    currency : str
        As the prices of the shed name it, where it is not given.
    """

    plan: SeasonPlan
    currency: str = ""

    @property
    def rates(self) -> pd.DataFrame:
        """Rates of the season's fields [lb/ac]."""
        return self._now(self.plan.targets.table)

    @property
    def systems(self) -> pd.DataFrame:
        """The published systems side by side, for the season."""
        return self._now(self.plan.targets.systems)

    def _now(self, frame):
        return frame[frame["year"] == self.plan.year].reset_index(drop=True)

    @property
    def words(self) -> dict[str, str]:
        """Units in which the plan is told: rate, area, mass, liquid."""
        return {name: word for name, (word, _) in MEASURES[self.plan.unit].items()}

    @property
    def money(self) -> str:
        """Name or sign of the money; "" where nothing says it."""
        return self.currency or getattr(self.plan.shed, "currency", "")

    def measured(self, frame) -> pd.DataFrame:
        """A table of the plan in these units, under the same names."""
        return restated(frame, self.plan.unit, **{c: m for c, m in MEASURED.items() if c in frame})

    def _pick(self, title, frame, columns):
        money = self.money
        of = {
            f"of_{name}": f"{money}/{word}" if money else f"per {word}" for name, word in self.words.items()
        }
        words = self.words | of | {"paid": f" [{money}]" if money else ""}
        headers = {name: header.format(**words) for name, header in columns.items()}
        return pick(title, self.measured(frame), headers)

    @staticmethod
    def of(field, zone, frame) -> pd.DataFrame:
        """Rows of one field and zone."""
        return frame[(frame["field"] == field) & (frame["zone"] == zone)].reset_index(drop=True)

    @property
    def lead(self) -> list:
        return [line for line in self.lines() if line.kind not in HANGING and line.label != NO_RATE]

    @property
    def title(self) -> str:
        season = self.plan.year
        return f"Season plan{f' {season}' if season != '' else ''}"

    @property
    def table(self) -> pd.DataFrame:
        """Every number of the answer: about, item, value, low, high, unit, remark."""
        rates, unit = self.measured(self.rates), self.plan.unit
        places = zip(rates["field"], rates["zone"], strict=True)
        names = [say.named(*place) for place in places]
        wanted = (
            (name, f"{r.nutrient} to apply", r.rate_lb_ac, r.low_lb_ac, r.high_lb_ac, unit, r.equation)
            for name, r in zip(names, records(rates), strict=True)
        )
        if self.plan.passes is None:
            return tidy(wanted)
        money = [
            row
            for r in records(self.measured(self.plan.purchases))
            for row in plain_rows("farm", [(f"{r.product} to buy", r.bought_lb, self.words["mass"], "")])
        ]
        whole = plain_rows("farm", [("cost of products and passes", self.plan.passes.cost, self.money, "")])
        return tidy(wanted, money, whole)

    @property
    def sources(self) -> pd.DataFrame:
        return self.plan.sources

    @property
    def checks(self) -> pd.DataFrame:
        driven = self.plan.passes
        return checks_of({} if driven is None else {"passes": driven})

    @asks(folder=a_path, shapes=a_dict)
    def write_orders(self, folder, shapes: dict | None = None) -> list[Path]:
        """Write one CSV a pass, what goes on each field; with outlines (`read_shapes`) a GeoJSON beside it.

        Raises
        ------
        NotEstimable
            If there is no shed, or an outline is missing.
        """
        if self.plan.shed is None:
            raise NotEstimable("passes need a shed list")
        if self.plan.passes is None:
            return []
        applied = self.plan.passes.applications
        lacking = {tuple(place) for place in applied[["field", "zone"]].to_numpy()} - set(shapes or ())
        if shapes is not None and lacking:
            names = ", ".join(sorted(say.named(*place) for place in lacking))
            raise NotEstimable(f"the map has no outline of {names}", remedy="name its features as the fields")
        Path(folder).mkdir(parents=True, exist_ok=True)
        passes = dict(iter(applied.groupby("pass", sort=False)))
        files = {}
        for name, (one, some) in zip(sheet_names(passes), passes.items(), strict=True):
            orders = self._pick(one, some, APPLIED).frame.round(2)
            files[f"{name}.csv"] = inert_table(orders).to_csv(index=False)
            if shapes is not None:
                files[f"{name}.geojson"] = _map(orders, some, shapes)
        return [write_whole(text, Path(folder) / file) for file, text in files.items()]

    def plot(self, ax=None, **options):
        """Draw what each field gets beside what its harvest removes."""
        return self.plan.plot(ax, **options)

    @property
    def sections(self) -> list[Section]:
        places = self.rates[["field", "zone"]].drop_duplicates().itertuples(index=False)
        fields = [self._field(*place) for place in places]
        return [
            self._farm(),
            *self._money(),
            *fields,
            self._pace(),
            self._rotation(),
            self._why(),
            self._duties(),
        ]

    def _farm(self):
        lines = tuple(line for line in self.lines() if line.kind in HANGING or line.label == NO_RATE)
        rates = Table(f"Rates of all fields [{self.words['rate']}]", self._by_field())
        if not (self.rates["rate_lb_ac"] > 0).any():  # every soil holds enough
            return Section("The farm", lines=lines, tables=(rates,))
        return Section(
            "The farm", lines=lines, figure=self.plot, figure_says=say.figure_says(self), tables=(rates,)
        )  # fmt: skip

    def _by_field(self):
        """A row a field, a column a nutrient."""
        about = ["field", "zone", "crop", "area_ac", "yield_goal", "yield_unit"]
        rates = self.measured(self.rates)
        wide = rates.pivot_table("rate_lb_ac", about, "nutrient", sort=False)
        wide = wide[list(rates["nutrient"].unique())].reindex(rates.set_index(about).index.unique())
        names = {
            "area_ac": f"area [{self.words['area']}]",
            "yield_goal": "goal",
            "yield_unit": "unit of the goal",
        }
        return wide.reset_index().rename(columns=names).rename_axis(columns=None)

    def _money(self):
        driven = self.plan.passes
        if driven is None:
            return []
        tables = [
            self._pick("To buy", driven.purchases[driven.purchases["need_lb"] > 0], BOUGHT),
            self._pick("Passes", driven.passes[driven.passes["fields"] > 0], DRIVEN),
        ]
        if len(driven.shadow):
            tables.append(self._pick("Where extra money gains most", driven.shadow.head(20), FIRST["shadow"]))
        by_pass = driven.applications.sort_values(["pass", "field", "zone"], kind="stable")
        supplied = self._pick("Nutrients supplied", driven.nutrients, SUPPLIED)
        return [
            Section("Purchases and passes", tables=tuple(tables)),
            Section("Pass by pass", tables=(self._pick("Pass by pass", by_pass, APPLIED), supplied)),
        ]

    def _field(self, field, zone):
        """The sheet of one field, for who drives."""
        of, named = partial(self.of, field, zone), say.named(field, zone)
        here = ["field", "zone", "crop", "area_ac"]
        if self.plan.passes is None:
            table = self._pick(f"{named}: rates", of(self.rates).drop(columns=here), RATES)
        else:
            applied = of(self.plan.passes.applications).drop(columns=here)
            table = self._pick(f"{named}: what to apply", applied, APPLIED)
        lines = tuple(say.field_plan_lines(self, field, zone))
        return Section(named, lines=lines, tables=(table,))

    def _rates(self, rates):
        titles = titles_of(self.plan.targets)
        because = [why_of(r.why, titles.get(r.system, "removal")) for r in records(rates)]
        tested = [say.test_text(r) for r in records(rates)]
        return rates.assign(because=because, tested=tested)

    def _rotation(self):
        books, carried = self.plan.ledger.table, self.plan.ledger.table.dropna(subset="test_after")
        skipped = books[books["skip_saves"] > 0]
        tables = [self._pick("Nutrient balance by year", books, BOOKS)]
        tables += [self._pick("Soil tests to expect", carried, TESTS)] if len(carried) else []
        tables += [self._pick("If a year is skipped", skipped, SKIPPED)] if len(skipped) else []
        lines = but_deferring(book_lines(self.measured(books), self.words["mass"]))
        return Section("What is left for the next crops", lines=lines, tables=tuple(tables))

    def _why(self):
        sides, credits = self.systems, self._now(self.plan.targets.credits)
        silent = sides[sides["rate_lb_ac"].isna()]
        silent = silent.groupby([name for name in SILENT if name != "fields"], sort=False)
        silent = silent["field"].nunique().rename("fields").reset_index()
        rates = self._rates(self.rates)
        tables = [
            self._pick("Each rate", rates, RATES), self._pick("Why each rate", rates, REASONS),
            *([self._pick("Credits", credits, CREDITS)] if len(credits) else []),
            self._pick("Systems side by side", sides[sides["rate_lb_ac"].notna()], SYSTEMS),
            *([self._pick("Systems without a rate", silent, SILENT)] if len(silent) else []),
        ]  # fmt: skip
        title = "Why these rates: published systems side by side"
        return Section(title, lines=tuple(say.difference_lines(self)), tables=tuple(tables))

    def _pace(self):
        return Section(
            "Supply under demand through the season",
            lines=tuple(say.pace_lines(self)),
            tables=(self._pick("Supply under demand", self.plan.season, PACE),),
        )

    def _duties(self):
        lines, cautions = say.practice_lines(self), say.plan_cautions(self.plan)
        return Section("Cautions and duties", lines=tuple(lines), cautions=tuple(cautions))


def _map(orders, applied, shapes) -> str:
    """Orders as features, each with the outline of its field or zone."""
    rows = json.loads(orders.to_json(orient="records"))
    places = zip(applied["field"], applied["zone"], strict=True)
    features = [
        {"type": "Feature", "properties": row, "geometry": shapes[place]}
        for row, place in zip(rows, places, strict=True)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features})


@asks(
    fields=a_table_or_file, soil=either(holding("levels", like="soil tests"), a_file),
    shed=either(holding("products", like="a shed"), a_file), currency=a_text,
)  # fmt: skip
def answer_plan(fields, soil=None, shed=None, *, currency: str = "", **options) -> PlanAnswer:
    """Answer with a season plan: rates, products, passes, cost and what is left, field by field.

    Parameters
    ----------
    fields, soil, shed, **options
        As for `fertkit.plan_season`.
    currency : str
        Name of your money, for labels only.

    Raises
    ------
    InputError
        With every problem of the files and requests at once.
    NotEstimable
        If no pass plan meets the rates.

    Examples
    --------
    >>> from fertkit.report import answer_plan
    >>> import pandas as pd
    >>> fields = {"field": ["A"], "crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]}
    >>> [section.title for section in answer_plan(pd.DataFrame(fields)).sections][:2]
    ['The farm', 'A']
    """
    return PlanAnswer(plan_season(fields, soil, shed, **options), currency)
