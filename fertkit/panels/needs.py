"""Panel: what a crop takes up, what leaves with the harvest, and when through the season it is needed."""

from dataclasses import dataclass

import pandas as pd

from fertkit.budget import nutrient_budget, season_demand
from fertkit.budget.needs import GOVERNS
from fertkit.panels import controls
from fertkit.panels.base import Panel, said_by
from fertkit.reference import load_table

AMOUNTS, SEASON = "amounts", "season"
QUESTIONS = [("what it takes up and what leaves", AMOUNTS), ("when it takes it up", SEASON)]
NAMED = ("N", "P2O5", "K2O")  # the nutrients named in the message; the others are in the figure and the table


@dataclass(frozen=True)
class NeedsSettings:
    """What the panel asks.

    Attributes
    ----------
    question : {'amounts', 'season'}
    crop : str
    yield_goal : float
        [`yield_unit`]
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
        return {
            "question": controls.choice("Question", QUESTIONS, settings.question),
            "crop": controls.choice("Crop", sorted(load_table("removal")["crop"].unique()), settings.crop),
            "yield_goal": controls.number("Yield goal", settings.yield_goal, 0.1, 30_000, step=1),
            "yield_unit": controls.choice(
                "Unit of the yield goal", ["bu/ac", "lb/ac", "ton/ac", "bale/ac", "t/ha", "kg/ha"],
                settings.yield_unit,
            ),
            "baled_pct": controls.number("Straw or stover baled, in %", settings.baled_pct, 0, 100, step=5),
            "unit": controls.choice("Unit of the amounts", ["lb/ac", "kg/ha"], settings.unit),
        }  # fmt: skip

    def follow(self, name):
        seen = self.controls["question"].value == AMOUNTS
        self.controls["baled_pct"].layout.display = None if seen else "none"

    def compute(self, settings):
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


def _amounts(column: pd.Series) -> str:
    said = [
        f"{value:.0f} {name}" if pd.notna(value) else f"{name} not published"
        for name, value in column.items()
    ]
    return " and ".join(filter(None, [", ".join(said[:-1]), *said[-1:]]))
