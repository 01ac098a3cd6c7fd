"""Panel: what a crop takes up, what is removed with the harvest, and when through the season it is needed."""

from fertkit.budget.needs import nutrient_budget
from fertkit.budget.own import checked_own
from fertkit.budget.season import season_demand
from fertkit.budget.yields import goal_units, highest_goal, lb_ac_per
from fertkit.errors import FertkitError
from fertkit.panels import controls
from fertkit.panels.base import Panel
from fertkit.reference.profiles import as_typed, read_profile
from fertkit.results import plain
from fertkit.say.budget import in_short
from fertkit.say.line import GOVERNS

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
        """The goal in the unit chosen, to four digits."""
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
