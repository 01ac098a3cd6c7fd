"""Panel: what a crop takes up, what leaves with the harvest, and when through the season it is needed."""

from dataclasses import dataclass

import pandas as pd

from fertkit.budget.needs import nutrient_budget
from fertkit.budget.season import season_demand
from fertkit.budget.words import GOVERNS
from fertkit.budget.yields import highest_lb_ac, lb_ac_per
from fertkit.errors import FertkitError, UnitError
from fertkit.panels import controls
from fertkit.panels.base import Panel, said_by
from fertkit.reference.load import load_table
from fertkit.results import plain

AMOUNTS, SEASON = "amounts", "season"
QUESTIONS = [("what it takes up and what leaves", AMOUNTS), ("when it takes it up", SEASON)]
#: Units of a yield goal, the usual one of a crop before the others.
GOAL_UNITS = ("bu/ac", "bale/ac", "ton/ac", "lb/ac", "t/ha", "kg/ha")
GOAL = "Yield goal"
NAMED = ("N", "P2O5", "K2O")  # the nutrients named in the message; the others are in the figure and the table


@dataclass(frozen=True)
class NeedsSettings:
    """What the panel asks.

    Attributes
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
    """

    question: str = AMOUNTS
    crop: str = "soybean"
    yield_goal: float = 60.0
    yield_unit: str = "bu/ac"
    baled_pct: float = 0.0
    unit: str = "lb/ac"


class NeedsPanel(Panel):
    """See the nutrient budget of a crop for a yield goal, or its demand day by day."""

    title = "What the crop needs"
    about = "Uptake, removal and what stays for a yield goal, or the demand through the season."
    Settings = NeedsSettings

    def ask(self, settings):
        self._pounds = settings.yield_goal * lb_ac_per(settings.yield_unit, settings.crop)  # the goal [lb/ac]
        return {
            "question": controls.choice("Question", QUESTIONS, settings.question),
            "crop": controls.choice("Crop", sorted(load_table("removal")["crop"].unique()), settings.crop),
            "yield_unit": controls.choice(
                "Unit of the yield goal", _units_of(settings.crop), settings.yield_unit
            ),
            "yield_goal": controls.number(
                GOAL, settings.yield_goal, 0, _highest_goal(settings.crop, settings.yield_unit)
            ),
            "baled_pct": controls.number("Straw or stover baled, in %", settings.baled_pct, 0, 100, step=5),
            "unit": controls.choice("Unit of the amounts", ["lb/ac", "kg/ha"], settings.unit),
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
                f"put in the yield goal of {settings.crop} in {settings.yield_unit}; "
                "a goal that another crop would not bear is not carried over"
            )
        asked = settings.crop, settings.yield_goal, settings.yield_unit
        if settings.question == SEASON:
            return season_demand(*asked, unit=settings.unit)
        return nutrient_budget(*asked, residue=settings.baled_pct / 100, unit=settings.unit)

    def message(self):
        return self._season_message() if self.settings.question == SEASON else self._amounts_message()

    def cautions(self):
        return [*said_by(self.result.checks), GOVERNS]

    def code(self):
        s = self.settings
        if s.question == SEASON:
            call = f"season_demand({s.crop!r}, {s.yield_goal}, {s.yield_unit!r}, unit={s.unit!r})"
        else:
            call = (
                f"nutrient_budget({s.crop!r}, {s.yield_goal}, {s.yield_unit!r}, "
                f"residue={s.baled_pct / 100}, unit={s.unit!r})"
            )
        return f"from fertkit.budget import {call.split('(')[0]}\nresult = {call}\nprint(result.summary())"

    def _counted(self) -> tuple[str, str]:
        return self.controls["yield_unit"].value, self.controls["crop"].value

    def _stated(self) -> float:
        """The goal in the unit chosen, to four digits."""
        return float(plain(self._pounds / lb_ac_per(*self._counted()), digits=4))

    def _restate(self) -> None:
        """Bring the goal and its bounds to the unit chosen."""
        unit, crop = self._counted()
        goal = self.controls["yield_goal"]
        controls.relabel(goal, GOAL, _highest_goal(crop, unit))
        goal.value = self._stated()

    def _take_crop(self) -> None:
        """Offer the units of another crop; its goal is asked for anew unless it can be that of the crop."""
        number, (unit, crop) = self.controls["yield_goal"].value, self._counted()
        units = _units_of(crop)
        kept = unit in units and _bears(crop, number, unit)
        if unit not in units or (not kept and unit.endswith("/ac")):
            unit = units[0]
        choice = self.controls["yield_unit"]
        choice.options = [(one, one) for one in units]
        choice.value = unit
        self._pounds = number * lb_ac_per(unit, crop) if kept else 0.0
        self._restate()

    def _goal(self) -> str:
        return f"{self.settings.crop.capitalize()} at {self.settings.yield_goal:g} {self.settings.yield_unit}"

    def _amounts_message(self) -> str:
        rows = self.result.defaults.set_index("nutrient")
        rows = rows.loc[[n for n in NAMED if n in rows.index]]
        taken = "No uptake is published for it in the tables carried."
        if rows["uptake"].notna().any():
            taken = f"It takes up {_amounts(rows['uptake'])} {self.settings.unit}."
        left = f"{_amounts(rows['removed'])} {self.settings.unit} leave with the harvest."
        return f"{self._goal()}: {left}\n{taken}"

    def _season_message(self) -> str:
        peaks = self.result.peaks.drop_duplicates("nutrient").set_index("nutrient")
        told = [
            f"{name} most around day {peaks.loc[name, 'curve_day']:.0f} after emergence "
            f"({peaks.loc[name, 'curve']:.2g} {self.settings.unit} a day)"
            for name in NAMED
            if name in peaks.index
        ]
        return (
            f"{self._goal()} asks for {'; '.join(told)}.\n"
            "Published peaks are higher than such a smooth curve: see In words."
        )


def _units_of(crop: str) -> list[str]:
    """Units in which a crop is sold or weighed."""
    return [unit for unit in GOAL_UNITS if _fits(unit, crop)]


def _fits(unit: str, crop: str) -> bool:
    try:
        lb_ac_per(unit, crop)
    except UnitError:
        return False
    return True


def _highest_goal(crop: str, unit: str) -> float:
    """Highest yield of a crop taken for real, in a unit; three digits, rounded down."""
    highest = highest_lb_ac(crop) / lb_ac_per(unit, crop)
    step = 10 ** (len(str(int(highest))) - 3)
    return float(plain(highest // step * step, digits=4))


def _bears(crop: str, goal: float, unit: str) -> bool:
    """Whether a crop can have a yield goal, and sources measured at yields not far from it."""
    if not 0 < goal <= _highest_goal(crop, unit):
        return False
    return not any(note.startswith("Caution") for note in nutrient_budget(crop, goal, unit).notes)


def _amounts(column: pd.Series) -> str:
    said = [
        f"{value:.0f} {name}" if pd.notna(value) else f"{name} not published"
        for name, value in column.items()
    ]
    return " and ".join(filter(None, [", ".join(said[:-1]), *said[-1:]]))
