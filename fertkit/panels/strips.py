"""Panel: what a strip trial shows, block by block, before any curve is drawn through it."""

from dataclasses import dataclass

from fertkit.intake.strips import read_strips
from fertkit.panels import controls
from fertkit.panels.base import Panel, said_by
from fertkit.reference.crops import load_crops
from fertkit.results import plain
from fertkit.rounding import below
from fertkit.trials.analyse import analyse_strips
from fertkit.trials.table import show

NO_CROP = "as the file says"
MODELS = [
    ("blocks as they lie", "fixed"),
    ("blocks as a sample of places", "random"),
    ("neighbouring strips alike", "neighbours"),
]
LEVELS = [("80 %", 0.80), ("90 %", 0.90), ("95 %", 0.95)]


def crop_choice(value: str = ""):
    """A list of the crops that have a trade moisture, the file's own word first."""
    crops = load_crops()
    names = sorted(crops.loc[crops["trade_moisture_pct"].notna(), "crop"])
    return controls.choice("Crop", [(NO_CROP, ""), *((name, name) for name in names)], value)


def one_trial(strips, name: str):
    """Keep the strips of one trial of a file."""
    return strips.with_strips(strips.table[strips.table["trial"] == name].reset_index(drop=True))


@dataclass(frozen=True)
class StripsSettings:
    """What the panel asks.

    Attributes
    ----------
    crop : str
        Crop of the file, if the file does not tell; empty otherwise.
    trial : str
    model : {'fixed', 'random', 'neighbours'}
    trend : bool
        Allow for a straight trend across the field.
    level : float
        Confidence of intervals [0-1].
    """

    crop: str = ""
    trial: str = ""
    model: str = "fixed"
    trend: bool = False
    level: float = 0.95


class StripsPanel(Panel):
    """Compare the rates of a strip trial: means, noise and which differences stand out of it."""

    title = "What the strips say"
    about = "Means of each rate with their intervals, from the strips as they lay in the field."
    Settings = StripsSettings
    file_words = "Open a strip file"
    reading = ("crop",)
    telling = (("crop", "corn"),)

    def ask(self, settings):
        return {
            "crop": crop_choice(settings.crop),
            "trial": controls.choice("Trial in the file", [""]),
            "model": controls.choice("Blocks and neighbours", MODELS, settings.model),
            "trend": controls.tick("Allow for a trend across the field", settings.trend),
            "level": controls.choice("Confidence of the intervals", LEVELS, settings.level),
        }

    def read(self, source, name):
        return read_strips(source, crop=self.controls["crop"].value or None, name=name)

    def follow(self, name):
        if name is None:
            controls.offer(self.controls["trial"], list(dict.fromkeys(self.data.table["trial"])))

    def compute(self, settings):
        return analyse_strips(
            one_trial(self.data, settings.trial),
            model=settings.model,
            trend=settings.trend,
            level=settings.level,
        )

    def message(self):
        result, data = self.result, self.data
        unit, rate, things = data.yield_unit, data.rate_unit, "rates" if data.rate_column else "treatments"
        worst, best = (
            f"{plain(row['mean'], digits=4)} {unit} at {show(row['treatment'])} {rate}".strip()
            for row in result.ends
        )
        alike = f"all {things} yield the same, as {worst}"
        run = f"yields run from {worst} to {best}" if worst != best else alike
        doubt = [result.stands_out] if result.stands_out else []
        lines = [*doubt, f"{data.crop.capitalize() or 'Crop not named'}: {run}."]
        if result.p_value == result.p_value:  # not a number when there is no error to judge by
            differ = below(result.p_value, 1 - result.level)
            told = f"The {things} differ" if differ else f"The {things} cannot be told apart"
            lines.append(
                f"{told} at {result.level:.0%} confidence; two of them must lie {plain(result.lsd)} {unit} "
                "apart to stand out of the noise."
            )
        return "\n".join(lines)

    def cautions(self):
        return [
            *(f"Note: {note}." for note in self.data.notes),
            *said_by(self.result.checks),
            "One field in one year: another may answer otherwise; pool trials before changing a program.",
        ]

    def code(self):
        s = self.settings
        crop = f", crop={s.crop!r}" if s.crop else ""
        return (
            "from fertkit import analyse_strips, read_strips\n"
            f"strips = read_strips({self.file!r}{crop}).table\n"
            f"result = analyse_strips(strips[strips['trial'] == {s.trial!r}], model={s.model!r}, "
            f"trend={s.trend}, level={s.level})\n"
            "print(result.summary())"
        )
