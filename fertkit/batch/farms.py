"""A part of a batch of farms: each workbook a farm, planned by itself, or refused with the reason."""

from pathlib import Path

import pandas as pd

from fertkit.batch import parts
from fertkit.batch.parts import Part
from fertkit.batch.trials import page_name
from fertkit.errors import FertkitError
from fertkit.intake.farm import read_farm
from fertkit.report.plan import answer_plan
from fertkit.response.optimum import Status

NAME, SIZE, FILES = "field", 1, 1  # a part is a farm, which takes some seconds
EACH = ("file",)  # what is counted
COLUMNS = ""  # no data set holds farms
#: Status of a field that has a rate, or none with the reason.
PLANNED, LEFT_OUT = "planned", "no rate"
#: What decides the plan of every farm, beside its files.
OPTIONS = ("region", "policy", "caps", "spending_limit")
_NUMBERS = ("area_ac", "rate_lb_ac", "credit_lb_ac", "removal_lb_ac", "test", "supplied_lb_ac", "short_lb_ac",
            "cost_of_farm")  # fmt: skip


def types(by: list[str]) -> dict[str, str]:
    """Columns of the result and their types: a row per farm, field and nutrient."""
    return {
        "file": "text", **dict.fromkeys(by, "text"), "zone": "text", "year": "text", "crop": "text",
        "nutrient": "text", "status": "text", **dict.fromkeys(_NUMBERS, "number"), "test_unit": "text",
        "policy": "text", "system": "text", "why": "text", "equation": "text", "source_key": "text",
        "provenance": "text", "message": "text",
    }  # fmt: skip


def is_tidy(columns, settings) -> bool:
    """Farms are files of their own, never rows of a data set."""
    return False


def work(part: Part, settings) -> pd.DataFrame:
    """Rows of the farms of a part, with the columns of `types`, and their pages where asked."""
    home = part.target.parent.parent / "pages"
    done = [_planned(*file, settings, home) for file in part.files]
    return parts.typed(pd.concat(done, ignore_index=True), types(settings.by))


def _planned(path, name, settings, home):
    try:
        farm = read_farm(Path(path), name=name)
        options = {option: getattr(settings, option) for option in OPTIONS}
        if farm.shed is None:
            options.pop("spending_limit")
        answer = answer_plan(farm.table, farm.soil, farm.shed, **options)
    except FertkitError as error:
        return pd.DataFrame([{"file": name, "status": Status.REFUSED, "message": parts.refusal(error)}])
    plan, rows = answer.plan, answer.rates
    if plan.passes is not None:
        place = ["field", "zone", "crop", "nutrient"]
        supplied = plan.passes.nutrients[[*place, "supplied_lb_ac", "short_lb_ac"]]
        rows = rows.merge(supplied, on=place, how="left").assign(cost_of_farm=plan.passes.cost)
    left = plan.left_out[plan.left_out["year"] == plan.year].rename(columns={"detail": "message"})
    both = [rows.assign(status=PLANNED), left.assign(status=LEFT_OUT)]
    if settings.pages:
        home.mkdir(exist_ok=True)
        answer.write_page(home / page_name(name, [Path(name).stem]))
    return pd.concat([some for some in both if len(some)]).assign(file=name)
