"""Yield goals: the unit they are in, the highest that is taken for real, and goals that are none."""

import numpy as np
import pytest

from fertkit.budget import nutrient_budget, season_demand, soil_rate
from fertkit.budget.rates import parts_of
from fertkit.budget.yields import amount_unit, highest_lb_ac
from fertkit.errors import FertkitError, InputError, UnitError
from fertkit.reference import load_table

ASKS = {
    "needs": lambda goal, **unit: nutrient_budget("soybean", goal, **unit),
    "season": lambda goal, **unit: season_demand("soybean", goal, **unit),
    "soil": lambda goal, **unit: soil_rate(
        "tri_state_2020", "K", 120, "soybean", goal, extractant="Mehlich-3", depth_in=8, cec=12, **unit
    ),
}


@pytest.mark.parametrize("asked", ASKS)
@pytest.mark.parametrize("goal", [0, -4, np.nan, np.inf, -np.inf, "sixty", "1,5", None, [60], "", {}])
def test_a_goal_that_is_none_is_refused_in_words(asked, goal):
    with pytest.raises(InputError, match="yield_goal"):
        ASKS[asked](goal)


def test_every_harvested_part_has_a_highest_yield():
    for crop in load_table("removal")["crop"].unique():
        for part in parts_of(crop):
            assert highest_lb_ac(crop, part) > 0


@pytest.mark.parametrize(
    ("crop", "goal", "options", "says"),
    [
        # records as printed in the sources named: 623.84 bu/ac (corn contest 2023), 218.29 bu/ac (soybean
        # 2024), 17.96 t/ha of wheat (2022; 17.96 / 0.0272155 / 2.47105 = 267 bu/ac)
        ("corn", 630, {}, "624 bu/ac .2023, national contest"),
        ("corn", 60, {"yield_unit": "t/ha"}, "39.2 t/ha"),
        ("soybean", 219, {}, "218 bu/ac .2024"),
        ("wheat", 268, {}, "267 bu/ac .2022"),
        ("barley", 16.3, {"yield_unit": "t/ha"}, "16.2 t/ha"),
        ("sunflower", 2000, {"yield_unit": "bu/ac"}, "from memory"),
        ("cotton", 3000, {"yield_unit": "bale/ac"}, "10 bale/ac"),  # 4,800 lb of lint, 480 lb a bale
        ("corn", 60, {"yield_unit": "ton/ac", "part": "silage"}, "50 ton/ac"),
    ],
)
def test_a_goal_above_the_highest_known_yield_is_refused_with_the_record(crop, goal, options, says):
    with pytest.raises(InputError, match=says):
        nutrient_budget(crop, goal, **options)


@pytest.mark.parametrize(
    ("crop", "goal", "options"),
    [
        ("corn", 623.84, {}),
        ("corn", 30, {"yield_unit": "ton/ac", "part": "silage"}),
        ("cotton", 3, {"yield_unit": "bale/ac"}),  # the mean of the United States is 856 lb, 1.8 bales (NASS)
        ("cotton", 1440, {"yield_unit": "lb/ac"}),
        ("sunflower", 2000, {"yield_unit": "lb/ac"}),
        ("potato", 450, {"yield_unit": "cwt/ac"}),
        ("alfalfa", 6, {"yield_unit": "ton/ac"}),
        ("sugar beet", 30, {"yield_unit": "TON/AC"}),
    ],
)
def test_an_ordinary_goal_of_every_kind_is_taken_without_a_caution(crop, goal, options):
    budget = nutrient_budget(crop, goal, **options)
    if goal != 623.84:
        assert "Caution" not in budget.summary()
        assert budget.checks["passed"].all()


def test_three_bales_of_cotton_are_three_times_one():
    # PPI_COTTON2005 prints 60 N and 60 K2O a bale; a bale is 480 lb of lint
    for goal, unit in ((3, "bale/ac"), (1440, "lb/ac"), (1440 * 1.1208511561944561, "kg/ha")):
        rows = nutrient_budget("cotton", goal, unit).defaults.set_index("nutrient")
        assert rows["uptake"]["N"] == pytest.approx(180)
        assert rows["uptake"]["K2O"] == pytest.approx(180)
    assert "read as lint: 3 bale/ac" in nutrient_budget("cotton", 1440, "lb/ac").summary()


@pytest.mark.parametrize("crop", ["sunflower", "rice", "dry bean", "potato", "alfalfa", "cotton"])
def test_a_crop_sold_by_weight_asks_for_the_unit(crop):
    with pytest.raises(UnitError, match=r"reported by weight|not sold by the bushel"):
        nutrient_budget(crop, 20)
    assert nutrient_budget(crop, 2, "t/ha").yield_unit == "t/ha"


@pytest.mark.parametrize(
    ("written", "unit", "amounts"),
    [("T/HA", "t/ha", "kg/ha"), ("tonnes per hectare", "t/ha", "kg/ha"), ("KG/Ha", "kg/ha", "kg/ha"),
     ("BU/AC", "bu/ac", "lb/ac"), ("Bushels per acre", "bu/ac", "lb/ac"), (None, "bu/ac", "lb/ac")],
)  # fmt: skip
def test_units_are_read_whatever_their_case_and_the_amounts_go_with_them(written, unit, amounts):
    assert amount_unit(written) == amounts
    assert nutrient_budget("corn", 10, written).yield_unit == unit
    assert season_demand("corn", 10, written).yield_unit == unit


@pytest.mark.parametrize("unit", ["hogsheads", "t", "bu"])
def test_an_unknown_unit_is_refused(unit):
    with pytest.raises(FertkitError, match="unknown unit"):
        nutrient_budget("corn", 10, unit)


def test_quintals_are_100_kg_and_bags_need_their_mass():
    # 35 quintals are 3.5 t (the metric quintal)
    for written in ("qq/ha", "quintales/ha", "q/ha"):
        found, tonnes = (nutrient_budget("soybean", *goal) for goal in ((35, written), (3.5, "t/ha")))
        assert found.defaults["uptake"].tolist() == pytest.approx(tonnes.defaults["uptake"].tolist())
    for written in ("sc/ha", "bags per ha", "sacas/ha"):
        with pytest.raises(UnitError, match="a bag has no mass of its own; state it, as in 'sc 60 kg/ha'"):
            nutrient_budget("soybean", 60, written)
    # 60 bags of 60 kg are 3.6 t
    tonnes = nutrient_budget("soybean", 3.6, "t/ha").defaults["uptake"].tolist()
    for written in (
        "sc 60 kg/ha",
        "bags of 60 kg per ha",
        "sacas (60 kg)/ha",
        "60-kg bags/ha",
        "sc/ha (60 kg)",
    ):
        found = nutrient_budget("soybean", 60, written)
        assert found.defaults["uptake"].tolist() == pytest.approx(tonnes)
        assert found.yield_unit == "bags of 60 kg/ha"
