"""Strips that run through several zones or levels: their parts share an error; invented, worked by hand."""

from io import StringIO

import numpy as np
import pytest
import statsmodels.formula.api as smf

from fertkit.intake.strips import read_strips
from fertkit.report.groups import answer_groups
from fertkit.response.grouping import strips_through
from fertkit.response.groups import compare_groups

RATES = (0, 50, 100, 150, 200, 250)


def trial(order, apart=False):
    """Four blocks of six strips, each in clay and sand; `order` shuffles the rates of a block or does not."""
    rng, lines = np.random.default_rng(11), ["Block,Strip,N rate (lb/ac),Zone,Yield (bu/ac)"]
    for block in range(1, 5):
        drawn = {zone: list(RATES) for zone in ("clay", "sand")}
        if order:
            rng.shuffle(drawn["clay"])
            drawn["sand"] = list(drawn["clay"])
        if apart:
            rng.shuffle(drawn["sand"])
        for strip in range(6):
            shared = rng.normal(0, 6)
            for zone, best in (("clay", 130), ("sand", 170)):
                rate = drawn[zone][strip]
                grown = 0.9 * min(rate, best) - 0.45 * min(rate, best) ** 2 / best
                lines.append(
                    f"{block},{strip + 1},{rate},{zone},{100 + grown + shared + rng.normal(0, 2):.1f}"
                )
    return read_strips(StringIO("\n".join([*lines, ""])), crop="corn", columns={"factor": "Zone"})


def test_strips_with_one_rate_in_each_zone_run_through_them():
    strips = trial(order=True)
    through = strips_through(strips.table, "zone", strips.rate_column)
    assert through.groupby(through).size().tolist() == [2] * 24
    assert strips_through(strips.table.drop(columns="strip"), "zone", strips.rate_column) is None


@pytest.mark.parametrize(
    "asked", [{"order": True, "apart": True}, {"order": False}], ids=["split", "by rate"]
)
def test_numbers_of_split_plots_or_of_treatments_are_no_strips(asked):
    """Numbered anew in each level, rates drawn apart; or one number for one rate in every block."""
    strips = trial(**asked)
    assert strips_through(strips.table, "zone", strips.rate_column) is None


def test_shapes_of_zones_are_compared_within_strips():
    """By statsmodels: a level for each strip, then zone x rate and zone x rate squared (F with 2 and 21)."""
    strips = trial(order=True)
    answer = answer_groups(strips, "zone", nutrient_price=0.5, grain_price=4.5)
    assert len(set(answer.groups.grouping.cluster)) == 24
    assert "share its error" in answer.summary()
    table = strips.table.rename(columns={strips.rate_column: "x", strips.yield_column: "y"})
    table["through"] = strips_through(table, "zone", "x")
    table["sand"] = (table["zone"] == "sand").astype(float)
    held = smf.ols("y ~ C(through) + sand", table).fit()
    more = smf.ols("y ~ C(through) + sand + sand:x + sand:I(x**2)", table).fit()
    f, _, df = more.compare_f_test(held)
    given = strips.with_strips(strips.table.assign(through=table["through"]))
    prices = {"nutrient_price": 0.5, "grain_price": 4.5}
    found = compare_groups(given, "zone", cluster="through", curve="quadratic", **prices).models
    shape = found[found["structure"] == "separate"].iloc[0]
    assert (shape["f"], shape["df1"], shape["df2"]) == (pytest.approx(f, rel=1e-6), df, more.df_resid)
