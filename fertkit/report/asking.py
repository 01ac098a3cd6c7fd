"""Files of a trial and what they can be asked: one way from file to answer, for command and panel."""

from dataclasses import dataclass, replace
from importlib import import_module

from fertkit.errors import InputError, NotEstimable
from fertkit.intake.spellings import spaced
from fertkit.intake.strip_headers import read_header
from fertkit.intake.strips import StripTrial, read_strips
from fertkit.report.answer import Answer
from fertkit.report.paper import Recipe
from fertkit.report.sections import NEED_PRICES
from fertkit.trials.strips import site_columns

MONEY = ("nutrient_price", "grain_price", "currency")
OF_MEANS = ("design", "check", "adjust", "costs", "no_worse_than")
OF_CURVES = ("against", "robust", "uneven")


@dataclass(frozen=True)
class Way:
    """One way to answer about a trial.

    Attributes
    ----------
    label : str
        What people call it.
    question : str
        The function, by its module.
    takes : tuple of str
        What may be asked of it besides.
    """

    label: str
    question: str
    takes: tuple[str, ...]


WAYS = {
    "rate": Way("the rate that pays", "fertkit.report.trial.answer_trial",
                (*MONEY, "name", "within", "price_swing_pct", "seed", *OF_CURVES)),
    "groups": Way("a rate for each level of a factor", "fertkit.report.groups.answer_groups",
                  (*MONEY, "name", "against")),
    "nutrients": Way("the best combination of nutrients", "fertkit.report.surface.answer_surface",
                     (*MONEY, "name", "surface")),
    "means": Way("treatments or a design, by their means", "fertkit.report.treatments.answer_treatments",
                 ("grain_price", "currency", "name", *OF_MEANS)),
    "network": Way("several trials together", "fertkit.report.network.answer_network",
                   (*MONEY, "within", "seed", "known", "new_site", *OF_CURVES)),
}  # fmt: skip
#: Ways whose fits are used again at other prices; the others are quick.
REFITTED = ("rate", "groups", "network")
_ONE_NUTRIENT = "leave it out: it is for curves of one nutrient"
#: What is not asked of every way -> what people call it, what to do instead, and what to type for that.
ELSEWHERE = {
    "against": ("a rate to compare with", "compare treatments with a check instead", "--check NAME"),
    "robust": ("a fit for outlying strips", _ONE_NUTRIENT, ""),
    "uneven": ("a fit for uneven errors", _ONE_NUTRIENT, ""),
    "within": ("a loss that counts as near the best", "leave it out", ""),
    "price_swing_pct": ("a swing of prices", "choose one trial of one nutrient", "--trial NAME"),
    "surface": ("a surface", "leave it out: it needs two or three nutrients", ""),
    "design": ("a design", "compare means, one trial at a time", "--trial NAME"),
    "check": ("a check", "compare means, or give rates to compare with", "--against RATE"),
    "adjust": ("a mean separation", "compare means", "--design NAME"),
    "costs": ("costs of treatments", "compare means; a nutrient has a price", "--nutrient-price P"),
    "no_worse_than": ("a margin", "compare means", "--design NAME"),
    "known": ("site data", "pool the trials", "--together"),
    "new_site": ("a new site", "pool the trials", "--together"),
    "name": ("one trial by its name", "leave it out to pool all", ""),
}  # fmt: skip
#: What belongs to a log and its map alone.
OF_LOGS = ("zones", "delay", "reach", "width", "utm", "elsewhere")


@dataclass(frozen=True)
class TrialFiles:
    """A strip file, or a log with the map of what was applied, as read.

    Attributes
    ----------
    files : tuple of Path
    reading : dict
        Arguments of `read_strips`, or of `fertkit.trials.joined.join_points`.
    data : StripTrial or JoinedTrial
    """

    files: tuple
    reading: dict
    data: object

    @property
    def strips(self) -> StripTrial:
        return self.data if isinstance(self.data, StripTrial) else self.data.trial

    @property
    def table(self):
        return self.strips.table

    @property
    def crop(self) -> str:
        return self.strips.crop

    @property
    def of_points(self) -> bool:
        return self.data is not self.strips

    @property
    def ways(self) -> tuple[str, ...]:
        """The ways in which these files can be answered, the first one where nothing is asked for."""
        strips = self.strips
        if strips.rate_columns:
            return "nutrients", "means"
        if not strips.rate_column:
            return ("means",)
        if strips.factor:
            return "groups", "means"
        many = not self.of_points and bool(site_columns(strips.table))
        return ("rate", "means", "network") if many else ("rate", "means")

    def way(self, asked: dict, together: bool = False) -> str:
        """The way that what is asked leads to."""
        if together:
            self._need_sites()
            return "network"
        means = {"design", "costs", "no_worse_than"} & given(asked).keys()
        return (
            "means" if means or (self.strips.factor and asked.get("nutrient_price") is None) else self.ways[0]
        )

    def _need_sites(self):
        strips, name = self.strips, "--trial NAME"
        why = [
            (self.of_points, "a log is one trial", "leave the others out, or compare zones", "--zones FILE"),
            (strips.rate_columns, "the file has rates of several nutrients", "choose one trial", name),
            (not strips.rate_column, "the file compares treatments without rates", "choose one trial", name),
            (strips.factor, f"the file has a second factor, '{strips.factor}'", "choose one trial",
             f"{name}, or --column trial=HEADER to read each level as a trial"),
        ]  # fmt: skip
        for what, remedy, typed in (rest for so, *rest in why if so):
            raise NotEstimable(f"{what}: it cannot be pooled", typed, remedy=remedy)

    def answer(self, way: str, before: Answer | None = None, **asked) -> Answer:
        """Return the answer, with what asks for it again.

        Parameters
        ----------
        way : str
            Of `WAYS`.
        before : Answer, optional
            Of the same way about the same files, asked the same but for prices: nothing is fitted again.
        **asked
            What the question of the way takes; what was not asked for is None, False or empty.

        Raises
        ------
        FertkitError
            If something is asked that this way does not take, or prices are missing.
        """
        asked = self.checked(way, asked)
        question, own = WAYS[way].question, {"by": self.strips.factor} if way == "groups" else {}
        reading, files = self.reading, self.files
        again = {"before": before} if before is not None and way in REFITTED else {}
        if not self.of_points:
            answer = called(question)(self.strips, **own, **asked, **again)
            return replace(answer, recipe=Recipe(files, reading, question, own | asked))
        if way == "means":
            means = {"design": None} | {name: asked.pop(name) for name in OF_MEANS if name in asked}
            asked["means"] = means
        answer = called("fertkit.report.points.answer_joined")(self.data, **asked, **again)
        recipe = Recipe(files, None, "fertkit.report.points.answer_points", reading | asked)
        return replace(answer, recipe=recipe)

    def checked(self, way: str, asked: dict) -> dict:
        """Return what is asked, refused where the way does not take it; a file of one nutrient has one price.

        A price of the nutrient moves no mean, and not every way draws by lot.
        """
        takes = WAYS[way].takes
        idle = {"nutrient_price", "seed"} - {*takes}
        asked = {name: value for name, value in given(asked).items() if name not in idle}
        for name in (name for name in asked if name not in takes):
            what, instead, typed = ELSEWHERE[name]
            raise NotEstimable(f"{what} does not apply to {WAYS[way].label}", typed, remedy=instead)
        if way == "means":
            return asked
        if not {"nutrient_price", "grain_price"} <= asked.keys():
            raise NotEstimable(*NEED_PRICES)
        return asked | {"nutrient_price": self._one_price(asked["nutrient_price"])}

    def _one_price(self, price):
        """The price of the one nutrient of a file, where it was given by name."""
        if not isinstance(price, dict) or self.strips.rate_columns:
            return price
        known, nutrient = {name.upper(): value for name, value in price.items()}, self.strips.nutrient
        if set(known) != {nutrient.upper()}:
            has = f"{nutrient} alone" if nutrient else "an unnamed nutrient"
            what = f"prices are given for {', '.join(price)}; the file has rates of {has}"
            raise NotEstimable(what, "--nutrient-price 0.5", remedy="give one price without a name")
        return known[nutrient.upper()]


def read_trial_files(file, log=None, **reading) -> TrialFiles:
    """Read a strip file, or a log and the map of what was applied (`file`).

    Parameters
    ----------
    file, log : path
    **reading
        Arguments of `read_strips`; with a log of `fertkit.trials.joined.join_points`.

    Raises
    ------
    FertkitError
        If a file cannot be read, or the crop of a log is not told.
    """
    asked = given(reading)
    if log is None:
        of_logs = [name for name in OF_LOGS if name in asked]
        if of_logs:
            typed = " and ".join(f"--{name.replace('width', 'header-width')}" for name in of_logs)
            what = f"{', '.join(of_logs)}: only for a combine log, and there is none"
            raise NotEstimable(what, f"--log FILE beside {typed}", remedy="give the combine log too")
        return TrialFiles((file,), asked, read_strips(file, **asked))
    if not asked.get("crop"):
        raise NotEstimable("a log needs its crop, for bushel weight and trade moisture", "--crop corn")
    from fertkit.trials.joined import join_points

    return TrialFiles((log, file), asked, join_points(log, file, **asked))


def given(asked: dict) -> dict:
    """What was asked for, without what asks for nothing."""
    return {
        name: value
        for name, value in asked.items()
        if (len(value) if hasattr(value, "__len__") else value is not None and value is not False)
    }


def called(question: str):
    """The function that a question names."""
    module, name = question.rsplit(".", 1)
    return getattr(import_module(module), name)


def kind_of_file(path) -> str:
    """Return what a file about a trial is: strips, a log, a map of what was applied, or zones."""
    from fertkit.intake.applied import OF_MAP, open_map
    from fertkit.intake.points import place_role

    try:
        held = open_map(path)
    except InputError:
        return "strips"

    headers = [str(header) for header in held.table]
    if held.parts is not None:
        roles = {read_header(spaced(header)).role for header in headers}
        return "map" if roles & {*OF_MAP} else "zones"

    def told(role):
        return any(place_role(header, role) for header in headers)

    if not ((told("lon") and told("lat")) or (told("easting") and told("northing"))):
        return "strips"
    return "log" if told("yield") or told("flow") else "map"
