"""What carries over through a rotation: applied less removed, the soil-test trend, and its worth."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_label, a_maybe_infinite, a_pair, above_zero, asks, numbers_by_name
from fertkit.budget.buffers import TEST_OF, decline_without_p, soil_buffer
from fertkit.budget.fields import applied_columns, applied_rates, checked_rows
from fertkit.budget.own import checked_own
from fertkit.budget.rates import residue_lb_ac
from fertkit.budget.studies import default_rows, worked_out
from fertkit.budget.yields import refuse
from fertkit.errors import InputError, LookupFailed, Problem, unknown
from fertkit.reference.load import list_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_least
from fertkit.units import convert_area_rate

NUTRIENTS = ("N", "P2O5", "K2O")
TABLE = "rotation"


@dataclass(frozen=True)
class Ledger(Result):
    """Balance of each nutrient through a rotation, season by season.

    Attributes
    ----------
    table : DataFrame
        season (from 1), year, crop, nutrient, applied, removed, balance, running [`unit`] (sum of the
        balances; N is not carried, so 0), test_ppm, test_low, test_high (NaN without a starting test), cost
        (of what was applied, per acre or hectare as `unit` has it), worth (of the running balance), over_cost
        (of what was applied beyond removal), over_worth_low and over_worth_high (what that saves next season,
        at today's price),
        removed_source, buffer_source, provenance.
    start : dict
        Soil-test nutrient -> starting test [ppm].
    critical : dict
        Soil-test nutrient -> level to stay above [ppm].
    unit : str
        Unit of the amounts (lb/ac or kg/ha).
    """

    table: pd.DataFrame
    start: dict
    critical: dict
    unit: str = "lb/ac"

    @property
    def nutrients(self) -> list[str]:
        return list(self.table["nutrient"].unique())

    @property
    def end(self) -> pd.DataFrame:
        """The last season: running balance, its worth and the soil test, per nutrient."""
        last = self.table[self.table["season"] == self.table["season"].max()]
        columns = ["nutrient", "running", "worth", "test_ppm", "test_low", "test_high"]
        return last[columns].reset_index(drop=True)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.table["removed_source"], *self.table["buffer_source"]])

    @property
    def checks(self) -> pd.DataFrame:
        rows, elements = [], self.table["nutrient"].map(TEST_OF)
        for element, level in self.critical.items():
            trend = self.table[elements.eq(element) & self.table["test_ppm"].notna()]
            for column, word in (("test_ppm", "trend"), ("test_low", "low end of the trend")):
                least, meaning = trend[column].min(), (
                    f"the {word} stays at or above the level given",
                    f"the {word} falls below the level given: test again first",
                )  # fmt: skip
                rows.append((f"{element} {word} [ppm]", least, level, at_least(least, level), meaning))
        return checks_frame(rows)


@dataclass(frozen=True)
class SkippedYear(Result):
    """A rotation with and without the fertilizer of one year.

    Attributes
    ----------
    year : object
    planned, skipped : Ledger
    table : DataFrame
        nutrient, not_applied [`planned.unit`], saved (money), running_planned, running_skipped, test_planned,
        test_skipped, test_skipped_low, test_skipped_high [ppm] at the end of the rotation.
    decline : DataFrame
        What fields without P did over as many years (see `decline_without_p`); empty without a P test.
    """

    year: object
    planned: Ledger
    skipped: Ledger
    table: pd.DataFrame
    decline: pd.DataFrame

    @property
    def sources(self) -> pd.DataFrame:
        keys = [*self.planned.sources["source_key"], *self.decline.get("source_key", [])]
        return list_sources(keys)


@asks(
    start_tests=numbers_by_name, cec=above_zero, prices=numbers_by_name, interest_pct=a_maybe_infinite,
    kept=a_pair, test_sd_ppm=a_maybe_infinite, critical=numbers_by_name,
)  # fmt: skip
def carry_over(
    rotation: pd.DataFrame,
    *,
    start_tests: dict | None = None,
    cec: float | None = None,
    prices: dict | None = None,
    interest_pct: float = 0.0,
    kept=(1.0, 1.0),
    test_sd_ppm: float = 0.0,
    critical: dict | None = None,
    source: str | None = None,
    unit: str = "lb/ac",
) -> Ledger:
    """Keep the books of a rotation: what was applied, what left, what that does to the soil test.

    Parameters
    ----------
    rotation : DataFrame
        One row a season, in order: year, crop, yield_goal, and what was applied of at least one nutrient:
        n_lb_ac, p2o5_lb_ac, k2o_lb_ac, or the same ending in kg_ha; optional yield_unit and residue as for
        `farm_budget`. Removal is worked out from the row's yield_goal: for a season that is over, write the
        harvested yield there (0 for a crop that was lost).
    start_tests : dict, optional
        'P' and 'K' -> soil test before the first season [ppm].
    cec : float, optional
        Cation exchange capacity [meq/100 g], for the trend of K.
    prices : dict, optional
        N, P2O5, K2O -> price [any currency per lb; per kg if `unit` is kg/ha].
    interest_pct : float
        Cost of money for a season [%].
    kept : pair of float
        Lowest and highest share of an over-application of P2O5 or K2O that next season's crop can use [0-1].
    test_sd_ppm : float
        Standard deviation of a soil test [ppm]; two of them widen the range of the trend.
    critical : dict, optional
        'P' and 'K' -> level to stay above [ppm].
    source : str, optional
        One removal source for every crop; the default sources if None.
    unit : {'lb/ac', 'kg/ha'}
        Unit of the amounts in the result.

    Returns
    -------
    Ledger

    Raises
    ------
    InputError
        With every problem of the rotation, a nutrient's column that cannot be read among them; or if a test,
        price, share or interest is impossible.
    LookupFailed
        If a nutrient of the prices or tests is not one of the ledger's.
    UnitError
        If the unit is not known.

    Notes
    -----
    Balance = applied - removed. The test moves by balance / buffer (`soil_buffer`); the range adds up each
    season's extremes, so it widens like a systematic error. What is applied beyond removal is worth next
    season what it saves there: the smaller of it and next season's removal, at its price, less interest;
    nitrogen is not carried and saves nothing. After the last season nothing is claimed (NaN).

    Examples
    --------
    >>> from fertkit.budget import carry_over
    >>> import pandas as pd
    >>> rotation = pd.DataFrame({"year": [1], "crop": ["soybean"], "yield_goal": [50.0], "k2o_lb_ac": [60.0]})
    >>> print(carry_over(rotation, source="MSU2017").summary().splitlines()[1])  # 1.4 lb leave with a bushel
      K2O   applied 60, removed 70, balance -10
    """
    prices, start_tests, critical = prices or {}, start_tests or {}, critical or {}
    _check_options(prices, start_tests, critical, interest_pct, kept, test_sd_ppm)
    tables = _checked(rotation, source, unit)
    return _book(tables, start_tests, critical, prices, interest_pct, kept, cec, test_sd_ppm, unit)


def season_book(budget, nutrient: str, applied: float, pounds: float, price: float, **studies) -> Ledger:
    """Keep the book of the season of one field: what was applied, and what is removed with the yield reached.

    Parameters
    ----------
    budget : NutrientBudget
        Whose crop, unit and residue are those of the field.
    nutrient : {'N', 'P2O5', 'K2O'}
    applied : float
        [`budget.unit`]
    pounds : float
        Yield reached [lb/ac as sold].
    price : float
        Of the nutrient [per lb, per kg if the unit of the budget is kg/ha].
    **studies
        source, without, region and own of the budget.

    Returns
    -------
    Ledger
    """
    field = pd.DataFrame({"at": [0], "crop": budget.crop, "part": budget.part, "pounds": pounds,
                          "baled": budget.baled, "residue": residue_lb_ac(budget.crop, pounds)})  # fmt: skip
    applied = pd.DataFrame({nutrient: [applied]})
    studies["own"] = checked_own(studies.get("own"))
    tables = _seasons(["this season"], field, applied, studies, budget.unit)
    return _book(tables, {}, {}, {nutrient: price}, 0.0, (1.0, 1.0), None, 0.0, budget.unit)


def _book(tables, start_tests, critical, prices, interest_pct, kept, cec, test_sd_ppm, unit):
    rows = []
    for table in tables:
        name = table["nutrient"].iloc[0]
        table = _with_balance(table, name, prices.get(name, np.nan), interest_pct, kept)
        start = start_tests.get(TEST_OF.get(name), np.nan)
        rows.append(_with_trend(table, name, start, cec, test_sd_ppm, unit))
    rows = pd.concat(rows).sort_values("season", kind="stable").reset_index(drop=True)
    return Ledger(rows, dict(start_tests), dict(critical), unit)


@asks(year=a_label)
def skip_year(rotation: pd.DataFrame, year, **options) -> SkippedYear:
    """Ask what happens if nothing is applied in one year of a rotation.

    Parameters
    ----------
    rotation : DataFrame
        As for `carry_over`.
    year : object
        A value of the column year.
    **options
        Of `carry_over`.

    Returns
    -------
    SkippedYear
        Yields are left as planned: a test below the critical level may cost some, which no ledger shows.

    Raises
    ------
    LookupFailed
        If the year is not in the rotation.

    Examples
    --------
    >>> from fertkit.budget import skip_year
    >>> import pandas as pd
    >>> rotation = pd.DataFrame({"year": [1], "crop": ["soybean"], "yield_goal": [60.0], "k2o_lb_ac": [60.0]})
    >>> print(skip_year(rotation, 1).summary().splitlines()[1])
      K2O   60 lb/ac not applied
    """
    planned = carry_over(rotation, **options)
    if year not in set(rotation["year"]):
        raise unknown("year of the rotation", year, rotation["year"].unique())
    columns = [column for column, _ in applied_columns(rotation, NUTRIENTS)[0].values()]
    bare = rotation.copy()
    bare[columns] = bare[columns].mask(bare["year"] == year, 0.0)
    skipped = carry_over(bare, **options)
    rows = []
    for name, group in planned.table.groupby("nutrient", sort=False):
        of_year = group[group["year"] == year]
        before, after = (book.end.set_index("nutrient").loc[name] for book in (planned, skipped))
        rows.append(
            {
                "nutrient": name,
                "not_applied": of_year["applied"].sum(),
                "saved": of_year["cost"].sum(min_count=1),
                "running_planned": before["running"],
                "running_skipped": after["running"],
                "test_planned": before["test_ppm"],
                "test_skipped": after["test_ppm"],
                "test_skipped_low": after["test_low"],
                "test_skipped_high": after["test_high"],
            }
        )
    start = planned.start.get("P")
    decline = pd.DataFrame() if start is None else decline_without_p(start, 1)
    return SkippedYear(year, planned, skipped, pd.DataFrame(rows), decline)


def _check_options(prices, start_tests, critical, interest_pct, kept, test_sd_ppm):
    tests = ("P", "K")
    for what, given, known in (
        ("prices", prices, NUTRIENTS),
        ("start_tests", start_tests, tests),
        ("critical", critical, tests),
    ):
        for name, value in given.items():
            if name not in known:
                raise unknown(f"name in {what}", name, known)
            if not (np.isfinite(value) and value >= 0):
                raise refuse(what, "not a usable number", "give 0 or more", column=name, value=value)
    low, high = kept
    if not 0 <= low <= high <= 1:
        raise refuse("carry-over", "not a range of shares", "give two shares from 0 to 1, the lower first",
                     column="kept", value=kept)  # fmt: skip
    for name, value in (("interest_pct", interest_pct), ("test_sd_ppm", test_sd_ppm)):
        if not (np.isfinite(value) and value >= 0):
            raise refuse("carry-over", "not a usable number", "give 0 or more", column=name, value=value)


def _checked(rotation, source, unit):
    columns, problems = applied_columns(rotation, NUTRIENTS)
    problems += [
        Problem("column is missing", "needed are year, crop, yield_goal", column=name)
        for name in ("year", "crop", "yield_goal")
        if name not in rotation
    ]
    if not columns and not problems:
        remedy = "add at least one of: n_lb_ac, p2o5_lb_ac, k2o_lb_ac, or the same ending in kg_ha"
        problems.append(Problem("no applied amount is given", remedy))
    if problems:
        raise InputError(TABLE, problems)
    rotation = rotation.set_axis(range(len(rotation)))
    applied = applied_rates(rotation, columns, unit, problems)
    fields = checked_rows(rotation.assign(yield_unit=rotation.get("yield_unit", "bu/ac")), problems)
    if problems:
        raise InputError(TABLE, sorted(problems, key=lambda p: p.row or 0))
    return _seasons(rotation["year"], fields, applied, {"source": source}, unit)


def _seasons(years, fields, applied, studies, unit):
    """One table a nutrient: what is applied and removed season by season [`unit`]."""
    rows = default_rows(worked_out(fields, nutrients=list(applied), **studies))
    seasons = pd.DataFrame({"year": years, "crop": fields["crop"], "season": fields["at"] + 1})
    tables = []
    for name in applied:
        removal = rows[rows["nutrient"] == name].set_index("at")
        removal = removal[["removed", "removed_source", "provenance"]].reindex(fields["at"])
        without = fields.loc[removal["removed"].isna().to_numpy(), "crop"].unique()
        if len(without):
            by = f" by {studies['source']}" if studies.get("source") else ""
            raise LookupFailed(
                f"no published {name} removal for {', '.join(without)}{by}; leave out the {name} applied or "
                "choose another source"
            )
        removal["removed"] = convert_area_rate(removal["removed"], "lb/ac", unit)
        tables.append(seasons.assign(nutrient=name, applied=applied[name]).join(removal))
    return tables


def _with_balance(table, name, price, interest_pct, kept):
    """Add balance, running balance and money to a nutrient's rows."""
    balance = table["applied"] - table["removed"]
    over = balance.clip(lower=0.0)
    carried = 0.0 if name == "N" else 1.0
    saved = carried * np.minimum(over, table["removed"].shift(-1)) * price / (1 + interest_pct / 100)
    running = balance.cumsum() if carried else 0.0
    return table.assign(
        balance=balance,
        running=running,
        cost=table["applied"] * price,
        worth=running * price,
        over_cost=over * price,
        over_worth_low=saved * kept[0],
        over_worth_high=saved * kept[1],
    )


def _with_trend(table, name, start, cec, test_sd_ppm, unit):
    """Add the soil-test trend to a nutrient's rows."""
    if np.isnan(start):
        return table.assign(test_ppm=np.nan, test_low=np.nan, test_high=np.nan, buffer_source="")
    moves = []
    for balance in convert_area_rate(table["balance"], unit, "lb/ac"):  # the buffers are in lb/ac
        buffer = soil_buffer(name, start, falling=bool(np.signbit(balance)), cec=cec)
        ends = sorted([balance / buffer.low, balance / buffer.high])
        moves.append((balance / buffer.middle, *ends, buffer.source_key))
    moves = pd.DataFrame(moves, index=table.index, columns=["middle", "low", "high", "source"])
    path = start + moves[["middle", "low", "high"]].cumsum()
    return table.assign(
        test_ppm=path["middle"].clip(lower=0.0),
        test_low=(path["low"] - 2 * test_sd_ppm).clip(lower=0.0),
        test_high=path["high"] + 2 * test_sd_ppm,
        buffer_source=moves["source"],
    )
