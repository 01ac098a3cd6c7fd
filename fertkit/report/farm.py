"""The answer for a whole farm: what each field needs and what is removed, and the totals."""

from dataclasses import dataclass

import pandas as pd

from fertkit.asked import a_table_or_file, asks
from fertkit.budget.farm import FarmBudget, farm_budget
from fertkit.report.answer import Answer
from fertkit.report.sections import Section, needs_rows, pick, tidy
from fertkit.say.advice import LIMITS
from fertkit.say.budget import farm_needs
from fertkit.say.line import NO_RATES, Kind, told

_LEADS = (Kind.LEAD, Kind.ROW, Kind.MISSING)


@dataclass(frozen=True)
class FarmAnswer(Answer):
    """What the kit says about a farm.

    Attributes
    ----------
    budget : FarmBudget
    """

    budget: FarmBudget

    def lines(self) -> list:
        """Say what the whole farm needs."""
        return self.budget.lines()

    @property
    def table(self) -> pd.DataFrame:
        """Every number of the answer: about, item, value, low, high, unit, remark."""
        rows, names = self.budget.table, self.budget.fields["field"]
        several = rows["field"].isin(names[names.duplicated()])
        about = rows["field"].mask(several, rows["field"].astype(str) + ", " + rows["crop"])
        return tidy(needs_rows(rows.assign(field=about)))

    @property
    def sources(self) -> pd.DataFrame:
        """Citations of every number used."""
        return self.budget.sources

    def plot(self, ax=None, **options):
        """Draw what is removed and what stays, by nutrient."""
        return self.budget.plot(ax, **options)

    @property
    def lead(self) -> list:
        """What the farm needs; sources and notes stand below it, and who governs a rate in the caution."""
        return [*(line for line in farm_needs(self.budget) if line.kind in _LEADS), told(f"{NO_RATES}.")]

    @property
    def title(self) -> str:
        return "The farm: nutrient needs and removal"

    @property
    def sections(self) -> list[Section]:
        farm, whole = self.budget, self.budget.totals["unit"].iloc[0]
        totals = {
            "nutrient": "nutrient", "uptake": f"total uptake [{whole}]", "removed": f"removed [{whole}]",
            "fields_with_uptake": "fields with a published uptake",
            "fields_with_removed": "fields with a published removal",
            "removed_with_uptake": f"removed where uptake is also published [{whole}]",
        }  # fmt: skip
        crops = {"crop": "crop", "area": f"area [{farm.area_unit}]"} | totals
        unit = farm.table["unit"].iloc[0]
        fields = {
            "field": "field", "crop": "crop", "area": f"area [{farm.area_unit}]", "yield_goal": "yield goal",
            "yield_unit": "unit", "nutrient": "nutrient", "uptake": f"total uptake [{unit}]",
            "removed": f"removed [{unit}]", "removed_field": f"removed from the field [{whole}]",
            "uptake_source": "source of uptake", "removed_source": "source of removal",
            "provenance": "provenance",
        }  # fmt: skip
        beside = tuple(line for line in farm_needs(farm) if line.kind not in _LEADS)
        return [
            Section(
                "Nutrient needs and removal", beside, farm.plot, f"All in {whole} on the whole farm.",
                cautions=LIMITS,
                tables=(pick("The whole farm", farm.totals, totals),
                        pick("Crop by crop", farm.by_crop, crops)),
            ),
            Section("Field by field", tables=(pick("Field by field", farm.table, fields),)),
        ]  # fmt: skip


@asks(fields=a_table_or_file)
def answer_farm(fields, **options) -> FarmAnswer:
    """Answer for a farm: uptake and removal of every field, by crop and in all.

    Parameters
    ----------
    fields : path or DataFrame
        A line per field, as `fertkit.budget.farm_budget` takes it.
    **options
        For `fertkit.budget.farm_budget`: source, nutrients, area_unit, yield_unit, unit.

    Raises
    ------
    InputError
        With every problem of the table.

    Examples
    --------
    >>> from fertkit.report import answer_farm
    >>> import pandas as pd
    >>> fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
    >>> answer = answer_farm(fields, source="MSU2017")
    >>> answer.tables["The whole farm"]["removed [lb]"].round().tolist()  # 3200 bu at 3.8 lb N
    [12160.0, 2560.0, 4480.0]
    """
    return FarmAnswer(farm_budget(fields, **options))
