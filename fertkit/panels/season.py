"""Panel: plan a season for a farm; what each field gets follows policy, money and price at once."""

import pandas as pd

from fertkit.budget.fields import read_fields
from fertkit.budget.plan import plan_season
from fertkit.intake.farm import read_farm
from fertkit.panels import controls, show
from fertkit.panels.base import Panel
from fertkit.reference.regions import known_regions
from fertkit.report.plan import PlanAnswer
from fertkit.say.line import GOVERNS

POLICIES = [
    ("the region's system", ""), ("enough for this crop", "sufficiency"),
    ("build up and maintain", "build"), ("replace removal", "removal"), ("none", "none"),
]  # fmt: skip
FOLLOWING = {"p2o5": "P2O5", "k2o": "K2O"}


class SeasonPanel(Panel):
    """Plan a season: rates from soil tests and goals, products, passes and cost, field by field.

    Parameters
    ----------
    data : path or FarmFiles
        Table of fields, or a workbook with sheets of fields, soil, shed and passes.
    soil, shed, passes : path, optional
        Beside a table of fields.
    region : str
    n_corn, n_wheat : float
        Rate of N [lb/ac] of the grower's choice; 0 for what the systems say.
    p2o5, k2o : str
        Policy.
    spending_limit : float
        Most to spend; 0 for no limit.
    price_change : float
        Of all products for sale [%].
    """

    title = "The season's plan"
    about = "Rates, products, passes and cost by field, and what is left for the next crop."
    caution = GOVERNS
    file_words = "Open a table of fields or a workbook"
    accept = ".csv,.xlsx"
    sentences = 8

    def __init__(self, data=None, *, soil=None, shed=None, passes=None, **settings):
        self._beside = soil, shed, passes
        super().__init__(data, **settings)

    def ask(self):
        number = controls.number
        return {
            "region": controls.choice("Region", [("any", ""), *known_regions()], "US Midwest"),
            "n_corn": number("Your N rate for corn, lb/ac (0: by the systems)", 165.0, 0, 400, step=5),
            "n_wheat": number("Your N rate for wheat, lb/ac (0: by the systems)", 0.0, 0, 300, step=5),
            "p2o5": controls.choice("P2O5 policy", POLICIES),
            "k2o": controls.choice("K2O policy", POLICIES),
            "spending_limit": number(
                "Spending limit for the season (0: none)", 0.0, 0, 10_000_000, step=1000
            ),
            "price_change": number("Change in product prices, %", 0.0, -90, 500, step=5),
        }

    def read(self, source, name):
        beside = () if hasattr(source, "read") else self._beside  # an uploaded file stands alone
        farm = read_farm(source, *beside, name=name)
        read_fields(farm.table)  # what is wrong with it is said while the file before still stands
        return farm

    def compute(self, settings):
        files, dearer = self.data, 1 + settings.price_change / 100
        plan = plan_season(
            files.table, files.soil, files.shed and files.shed.at_prices(dearer), policy=policy_of(settings),
            region=settings.region or None,
            spending_limit=(settings.spending_limit or None) if files.shed else None,
        )  # fmt: skip
        return PlanAnswer(plan)

    def spoken(self, *kinds):
        """What the plan costs comes before what manure is not credited for."""
        lines = sorted(self._lines, key=lambda line: line.label == "Not credited")
        return [show.plainly(line) for line in lines if line.kind in kinds]

    def saves(self):
        page = show.download("Save the plan as a page", "season_plan.html", self.result.page(), "text/html")
        return [page, *super().saves()]

    def code(self):
        s, policy = self.settings, policy_of(self.settings)
        files = ", ".join(repr(str(one)) for one in (self.file, *self._beside) if one)
        lines = "None" if policy is None else f"pd.DataFrame({policy.to_dict('list')!r})"
        prices = f".at_prices({1 + s.price_change / 100!r})" if s.price_change and self.data.shed else ""
        limit = f", spending_limit={s.spending_limit!r}" if s.spending_limit and self.data.shed else ""
        return (
            "import pandas as pd\n\nfrom fertkit.intake.farm import read_farm\n"
            "from fertkit.report.plan import answer_plan\n\n"
            f"farm = read_farm({files})\npolicy = {lines}\n"
            f"result = answer_plan(farm.table, farm.soil, farm.shed{prices}, policy=policy,\n"
            f"                     region={s.region or None!r}{limit})\nprint(result.summary())"
        )


def policy_of(settings):
    """Policies as the library takes them: a rate of N by crop, a word for P2O5 and K2O."""
    whole = {n: getattr(settings, key) for key, n in FOLLOWING.items() if getattr(settings, key)}
    rates = {"corn": settings.n_corn, "wheat": settings.n_wheat}
    lines = [{"crop": "", **whole}] if whole else []
    lines += [{"crop": crop, "N": rate, **whole} for crop, rate in rates.items() if rate]
    columns = dict.fromkeys(name for line in lines for name in line)
    return pd.DataFrame([{name: line.get(name, "") for name in columns} for line in lines]) if lines else None
