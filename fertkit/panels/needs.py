"""Panels: what a crop or a farm takes up, what is removed, when it is needed and whether supply keeps up."""

import pandas as pd

from fertkit.budget.fields import read_fields
from fertkit.budget.needs import nutrient_budget
from fertkit.budget.own import checked_own
from fertkit.budget.season import season_demand
from fertkit.budget.supply import supply_gap
from fertkit.budget.yields import goal_units, highest_goal, lb_ac_per
from fertkit.errors import FertkitError
from fertkit.intake.farm import read_farm
from fertkit.panels import controls
from fertkit.panels.base import Panel
from fertkit.panels.show import plainly
from fertkit.reference.profiles import as_typed, read_profile
from fertkit.report.farm import answer_farm
from fertkit.results import plain
from fertkit.say.budget import in_short
from fertkit.say.line import GOVERNS, Kind

AMOUNTS, SEASON = "amounts", "season"
QUESTIONS = [("How much?", AMOUNTS), ("When?", SEASON)]
GOAL = "Yield goal"


class NeedsPanel(Panel):
    """See the nutrient budget of a crop for a yield goal, or its demand day by day.

    Parameters
    ----------
    question : {'amounts', 'season'}
    crop : str
    yield_goal : float
        [`yield_unit`]; 0 for not given yet.
    yield_unit : str
    baled_pct : float
        Share of the straw or stover that is baled [%]; for the amounts only.
    unit : {'lb/ac', 'kg/ha'}
        Unit of the amounts.
    profile : path, optional
        File that says which studies decide (`fertkit.reference.profiles.read_profile`).
    """

    title = "What the crop needs"
    about = "Uptake, removal and residue for a yield goal, or demand through the season."
    caution = GOVERNS
    numbers = ("day", "nutrient", "uptake", "removed", "baled", "stays", "low", "high", "cumulative", "daily",
               "unit", "counted", "source_key")  # fmt: skip

    def __init__(self, data=None, *, profile=None, **settings):
        self._studies = read_profile(profile) if profile else {}
        self._own = checked_own(self._studies.get("own"))
        super().__init__(data, **settings)

    def ask(self):
        crop, goal, unit = "soybean", 60.0, "bu/ac"
        self._pounds = goal * lb_ac_per(unit, crop)  # the goal [lb/ac]
        self._crop, self._goals = crop, {}  # the crop shown, and the goal of each crop left [lb/ac]
        return {
            "question": controls.choice("Question", QUESTIONS),
            "crop": controls.choice("Crop", sorted(self._own.table("removal")["crop"].unique()), crop),
            "yield_unit": controls.choice("Unit of the yield goal", goal_units(crop), unit),
            "yield_goal": controls.number(GOAL, goal, 0, highest_goal(crop, unit)),
            "baled_pct": controls.number("Straw or stover baled, %", 0.0, 0, 100, step=5),
            "unit": controls.choice("Unit of the amounts", ["lb/ac", "kg/ha"]),
        }

    def follow(self, name):
        seen = self.controls["question"].value == AMOUNTS
        self.controls["baled_pct"].layout.display = None if seen else "none"
        if name == "crop":
            self._take_crop()
        elif name == "yield_unit":
            self._restate()
        elif name == "yield_goal" and self.controls["yield_goal"].value != self._stated():
            self._pounds = self.controls["yield_goal"].value * lb_ac_per(*self._counted())

    def compute(self, settings):
        if not settings.yield_goal:
            raise FertkitError(
                f"enter the yield goal of {settings.crop} in {settings.yield_unit}; "
                "the goal of another crop is not carried over"
            )
        asked = settings.crop, settings.yield_goal, settings.yield_unit
        studies = self._studies | {"own": self._own, "unit": settings.unit}
        if settings.question == SEASON:
            return season_demand(*asked, **studies)
        return nutrient_budget(*asked, residue=settings.baled_pct / 100, **studies)

    def message(self):
        return "\n".join(in_short(self.result))

    def code(self):
        s = self.settings
        asked = f"{s.crop!r}, {s.yield_goal}, {s.yield_unit!r}, unit={s.unit!r}"
        asked += "".join(f", {name}={value!r}" for name, value in as_typed(self._studies).items())
        if s.question == SEASON:
            call = f"season_demand({asked})"
        else:
            call = f"nutrient_budget({asked}, residue={s.baled_pct / 100})"
        return f"from fertkit.budget import {call.split('(')[0]}\nresult = {call}\nprint(result.summary())"

    def _counted(self) -> tuple[str, str]:
        return self.controls["yield_unit"].value, self.controls["crop"].value

    def _stated(self) -> float:
        """The goal in the unit chosen, to four digits: amounts follow it."""
        return float(plain(self._pounds / lb_ac_per(*self._counted()), digits=4))

    def _restate(self) -> None:
        """Bring the goal and its bounds to the unit chosen."""
        unit, crop = self._counted()
        controls.relabel(self.controls["yield_goal"], GOAL, highest_goal(crop, unit))
        self.controls["yield_goal"].value = self._stated()

    def _take_crop(self) -> None:
        """Offer the units of another crop, and the goal it had; one it cannot have is asked for again."""
        number, (unit, crop) = self.controls["yield_goal"].value, self._counted()
        if self._by_hand:  # a goal that the panel begins with belongs to its crop alone
            self._goals[self._crop] = self._pounds, unit
        self._crop = crop
        before, unit = self._goals.get(crop, (0.0, unit))
        units = goal_units(crop)
        kept = not before and unit in units and 0 < number <= highest_goal(crop, unit)
        if unit not in units or (not kept and unit.endswith("/ac")):
            unit = units[0]
        choice = self.controls["yield_unit"]
        choice.options = [(one, one) for one in units]
        choice.value = unit
        self._pounds = number * lb_ac_per(unit, crop) if kept else before
        self._restate()


class SupplyPanel(NeedsPanel):
    """Set soil supply and two applications against the demand of a crop for one nutrient.

    Parameters
    ----------
    crop, yield_unit, yield_goal, unit
        As for `NeedsPanel`.
    nutrient : str
    soil, early, late : float
        What the soil gives by the end of the season, and what is applied at emergence and later [`unit`].
    late_day, delay : float
        Days after emergence; days until an application is available, at most.
    """

    title = "Does the supply keep up?"
    about = "Soil supply and applications against the demand of the season."

    def ask(self):
        asked, number = super().ask(), controls.number
        asked["question"].value = SEASON
        return asked | {
            "nutrient": controls.choice("Nutrient", ["N", "P2O5", "K2O", "S"]),
            "soil": number("From the soil by the end of the season", 60.0, 0, 1000, step=5),
            "early": number("Applied at emergence", 40.0, 0, 1000, step=5),
            "late": number("Applied later", 120.0, 0, 1000, step=5),
            "late_day": number("Day of that application, after emergence", 35.0, 0, 300),
            "delay": number("Days until it is available, at most", 14.0, 0, 100),
        }

    def follow(self, name):
        super().follow(name)
        self.controls["question"].layout.display = "none"

    def compute(self, settings):
        doses = [(settings.early, 0), (settings.late, settings.late_day)]
        given = [(settings.nutrient, rate, day, settings.delay) for rate, day in doses]
        given = pd.DataFrame(given, columns=["nutrient", "rate", "day", "delay_high_days"])
        return supply_gap(super().compute(settings), {settings.nutrient: settings.soil}, given)

    def message(self):
        return _rows_in_words(self.result)

    def code(self):
        s = self.settings
        doses = [(s.nutrient, s.early, 0, s.delay), (s.nutrient, s.late, s.late_day, s.delay)]
        season = super().code().replace("result =", "season =").rpartition("\n")[0]
        return (
            f"import pandas as pd\nfrom fertkit.budget import supply_gap\n{season}\n"
            f"columns = ['nutrient', 'rate', 'day', 'delay_high_days']\n"
            f"given = pd.DataFrame({doses}, columns=columns)\n"
            f"result = supply_gap(season, {{{s.nutrient!r}: {s.soil}}}, given)\nprint(result.summary())"
        )


class FarmPanel(Panel):
    """Add up what the fields of a farm need.

    Parameters
    ----------
    data : path
        Table of fields: crop, area and yield goal.
    unit : {'', 'lb/ac', 'kg/ha'}
        Unit of the amounts; the one that goes with the area if empty.
    """

    title = "What the farm needs"
    about = "Uptake, removal and residue of every field, added up."
    caution = GOVERNS
    file_words = "Open a table of fields"

    def ask(self):
        return {"unit": controls.choice("Unit of the amounts", [("as the areas", ""), "lb/ac", "kg/ha"])}

    def read(self, source, name):
        farm = read_farm(source, name=name)
        read_fields(farm.table)  # what is wrong with it is said while the file before still stands
        return farm

    def compute(self, settings):
        return answer_farm(self.data.table, unit=settings.unit or None)

    def message(self):
        return _rows_in_words(self.result)

    def code(self):
        asked = f"{self.file!r}, unit={self.settings.unit or None!r}"
        return (
            f"from fertkit.report import answer_farm\nresult = answer_farm({asked})\nprint(result.summary())"
        )


def _rows_in_words(result) -> str:
    """Give what an answer is about and its rows, one a line."""
    return "\n".join(plainly(line) for line in result.lines() if line.kind in (Kind.LEAD, Kind.ROW))
