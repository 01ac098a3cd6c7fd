"""Manure, legume and lime by the figures their sources print, in plain arithmetic."""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget.buffers import lime_rates
from fertkit.budget.credits import field_credits, manure_credits
from fertkit.errors import InputError
from fertkit.reference.crops import crop_name
from fertkit.reference.load import load_table

CATTLE = "cattle farmyard manure"


def one(material, rate=10.0, **more):
    frame = manure_credits(pd.DataFrame({"material": [material], "rate_ton_ac": [rate], **more}))
    return frame.set_index("nutrient")


@pytest.mark.parametrize(
    ("condition", "share"),
    [("surface, autumn, sandy or shallow soil", 0.05), ("surface, spring", 0.10),
     ("fresh, incorporated within 24 h, spring", 0.15)],
)  # fmt: skip
def test_nitrogen_of_farmyard_manure_by_season(condition, share):
    # RB209_2010: cattle 6.0, pig 7.0 kg N/t fresh, so 12 and 14 lb a US ton; 5, 10 and 15 % in the first year
    for material, content in ((CATTLE, 12), ("pig farmyard manure", 14)):
        got = one(material, condition=[condition]).loc["N"]
        assert got["total_lb_ac"] == pytest.approx(10 * content)
        assert got[["low_lb_ac", "high_lb_ac"]].tolist() == pytest.approx([10 * content * share] * 2)


def test_without_a_condition_the_span_is_given():
    got = one(CATTLE)
    assert got.loc["N", ["low_lb_ac", "high_lb_ac"]].tolist() == pytest.approx([6.0, 18.0])
    # 3.2 kg P2O5/t: 64 lb in 10 ton, 40 % in the first year (OMAF_MANURE2013); 7.2 kg K2O/t, 90 % (M)
    assert got.loc["P2O5", ["total_lb_ac", "low_lb_ac", "high_lb_ac"]].tolist() == pytest.approx(
        [64, 25.6, 25.6]
    )
    assert got.loc["P2O5", "source_key"] == "OMAF_MANURE2013"
    assert got.loc["K2O", "high_lb_ac"] == pytest.approx(144 * 0.9)
    assert got.loc["K2O", "provenance"] == "from_memory"


def test_feedlot_manure_by_the_ton_and_an_own_analysis():
    # NPNRD: 4 to 6 lb of N a ton for the next crop, whatever it holds in all
    got = one("beef feedlot manure")
    assert got.loc["N", ["low_lb_ac", "high_lb_ac"]].tolist() == [40, 60]
    assert np.isnan(got.loc["N", "total_lb_ac"])
    own = one("dairy slurry", n_lb_ton=[8.0], p2o5_lb_ton=[4.0], condition=["spring"])
    assert own.loc["N", ["total_lb_ac", "low_lb_ac", "high_lb_ac"]].tolist() == [
        80,
        0,
        40,
    ]  # FAI_MANURE: 0 to 50 %
    assert own.loc["P2O5", "high_lb_ac"] == pytest.approx(16)  # 40 %
    assert own.loc["N", "content_source"] == "own analysis"
    assert "K2O" not in own.index


def test_tons_a_hectare():
    # 25 t/ha of 6 kg N/t are 150 kg/ha, 133.8 lb/ac (1.12085)
    frame = pd.DataFrame({"material": [CATTLE], "rate_t_ha": [25.0], "field": ["creek"]})
    row = manure_credits(frame).iloc[0]
    assert (row["field"], row["nutrient"]) == ("creek", "N")
    assert row["total_lb_ac"] == pytest.approx(150 / 1.12085, rel=1e-4)


def test_manure_by_volume_needs_no_density():
    # 4,000 gal/ac of 30 lb N and 15 lb P2O5 per 1,000 gal: 4 x 30 and 4 x 15 lb/ac, none to half of N
    # available in the first year (FAI_MANURE), 40 % of P2O5 (OMAF_MANURE2013)
    pit = pd.DataFrame({"material": ["hog slurry"], "condition": ["spring"], "rate_gal_ac": [4000.0],
                        "n_lb_1000_gal": [30.0], "p2o5_lb_1000_gal": [15.0]})  # fmt: skip
    got = manure_credits(pit).set_index("nutrient")[["total_lb_ac", "low_lb_ac", "high_lb_ac"]]
    assert got.loc["N"].tolist() == pytest.approx([120, 0, 60])
    assert got.loc["P2O5"].tolist() == pytest.approx([60, 24, 24])
    # 30 m3/ha of 4 kg N/m3 are 120 kg/ha, 107.06 lb/ac (1.12085 kg/ha a lb/ac); g/L is the same number
    for unit in ("kg_m3", "g_l"):
        tank = pd.DataFrame({"material": ["own slurry"], "rate_m3_ha": [30.0], f"n_{unit}": [4.0]})
        assert manure_credits(tank)["total_lb_ac"].tolist() == pytest.approx([120 / 1.12085], rel=1e-4)
    # 20 t/ha of 6 kg N/t: the same 120 kg
    heap = pd.DataFrame({"material": ["own heap"], "rate_t_ha": [20.0], "n_kg_t": [6.0]})
    assert manure_credits(heap).loc[0, "total_lb_ac"] == pytest.approx(120 / 1.12085, rel=1e-4)


@pytest.mark.parametrize(
    ("columns", "asked"),
    [({"rate_gal_ac": 4000.0}, "needs its analysis by volume"),
     ({"rate_gal_ac": 4000.0, "n_lb_ton": 7.0}, "give its N, P2O5 or K2O in lb/1000 gal, kg/m3 or g/L"),
     ({"rate_gal_ac": 4000.0, "n_lb_1000_gal": 30.0, "p2o5_lb_ton": 7.0}, "needs its analysis by volume"),
     ({"rate_ton_ac": 10.0, "n_kg_m3": 4.0}, "give the rate in gal/ac or m3/ha, or the analysis in lb/ton")],
)  # fmt: skip
@pytest.mark.parametrize("material", ["own slurry", "dairy cow manure", "beef feedlot manure"])
def test_volume_and_weight_of_manure_do_not_mix(columns, asked, material):
    with pytest.raises(InputError, match=asked):
        manure_credits(pd.DataFrame([{"material": material, **columns}]))


def test_every_wrong_row_of_manure_is_named():
    frame = pd.DataFrame(
        {"material": [CATTLE, "llama beans", "pig farmyard manure"], "rate_ton_ac": [-1, 5, 5],
         "condition": ["", "", "by moonlight"]}
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        manure_credits(frame)
    text = str(caught.value)
    assert "3 problems" in text
    for part in ("rate_ton_ac", "no analysis for", "by moonlight"):
        assert part in text
    with pytest.raises(InputError, match="rate_t_ha"):
        manure_credits(frame.drop(columns="rate_ton_ac"))


def test_legume_credits_as_printed():
    # LEGUME_CREDITS and NPNRD
    table = load_table("legume_credits")
    got = table[table["previous_crop"] == "alfalfa"].set_index(["region", "condition"])
    assert got.loc[("Kansas", ""), ["low", "high"]].tolist() == [100, 140]
    assert got.loc[("Nebraska", "good stand"), ["low", "high"]].tolist() == [80, 120]
    assert got.xs("Minnesota")["high"].tolist() == [150]
    assert len(got) == 6
    assert table.loc[table["previous_crop"] == crop_name("pinto bean"), "region"].tolist() == ["Nebraska"]


@pytest.mark.parametrize(
    ("ph", "buffer", "target", "credit", "rate"),
    [
        (5.0, 6.3, 6.0, 0.0, 0.75),  # 1.2 x 1 / 1.6; NC_LIME prints .625 and .76
        (5.0, 6.3, 6.0, 0.5, 0.25), (5.0, 6.3, 6.0, 2.0, 0.0),
        (4.6, 5.9, 6.0, 0.0, 2.8 * 1.4 / 2.0), (6.2, 6.3, 6.0, 0.0, 0.0), (5.5, 6.6, 6.5, 0.0, 0.0),
        (6.6, 6.5, 6.5, 0.0, 0.0),
    ],
)  # fmt: skip
def test_lime_by_buffer_ph(ph, buffer, target, credit, rate):
    fields = pd.DataFrame(
        {"ph": [ph], "buffer_ph": [buffer], "target_ph": [target], "credit_ton_ac": [credit]}
    )
    assert lime_rates(fields)["rate_ton_ac"].item() == pytest.approx(rate)


def test_every_wrong_ph_is_named():
    fields = pd.DataFrame({"ph": [5.0, np.nan], "buffer_ph": ["6.x", 6.3], "target_ph": [7.2, 6.0]})
    with pytest.raises(InputError) as caught:
        lime_rates(fields)
    assert "3 problems" in str(caught.value)


def test_lime_is_by_the_buffer_of_its_equation_alone():
    # NC_LIME: the Mehlich buffer itself has pH 6.6, so a reading above it is of another buffer
    field = pd.DataFrame({"ph": [5.5], "buffer_ph": [6.3], "target_ph": [6.0]})
    assert lime_rates(field)["buffer"].item() == "Mehlich"
    assert lime_rates(field.assign(buffer="Mehlich buffer"))["rate_ton_ac"].item() > 0
    with pytest.raises(InputError, match="give a Mehlich buffer pH"):
        lime_rates(field.assign(buffer_ph=6.9))
    with pytest.raises(InputError, match="another buffer"):
        lime_rates(field.assign(buffer="SMP"))


def test_lime_credited_beyond_the_need_says_so():
    # 1.2 x 1 / 1.6 - 2 = -1.25 ton (NC_LIME)
    field = pd.DataFrame({"ph": [5.0], "buffer_ph": [6.3], "target_ph": [6.0], "credit_ton_ac": [2.0]})
    assert "below zero: apply nothing" in lime_rates(field)["equation"].item()
    assert "below zero" not in lime_rates(field.assign(credit_ton_ac=0.5))["equation"].item()


def test_an_amount_of_manure_is_one_number_in_one_unit():
    # 10 ton an acre are 22.4 t a hectare: the same manure written twice is no more of it
    twice = pd.DataFrame({"material": ["cattle farmyard manure"], "rate_ton_ac": [10.0], "rate_t_ha": [22.4]})
    with pytest.raises(InputError, match="two amounts; keep one of: rate_ton_ac, rate_t_ha"):
        manure_credits(twice)
    field = {"field": ["A"], "zone": [""], "year": [""], "manure": ["cattle farmyard manure"]}
    rates = {"manure_rate_ton_ac": [10.0], "manure_rate_t_ha": [22.4]}
    with pytest.raises(InputError, match="row 2, column 'manure': two manure rates; keep one"):
        field_credits(pd.DataFrame(field | rates))
    assert len(field_credits(pd.DataFrame(field | rates | {"manure_rate_t_ha": [None]}))) == 3
    with pytest.raises(InputError, match="value 'True': not an amount"):
        manure_credits(twice[["material"]].assign(rate_ton_ac=True))


def test_a_field_says_when_its_manure_is_spread():
    # RB209_2010: 12 lb of N a ton, 10 % of it in the first year when spread on the surface in spring
    field = {"field": ["A"], "zone": [""], "year": [""], "manure": [CATTLE], "manure_rate_ton_ac": [10.0]}
    got = field_credits(pd.DataFrame(field | {"manure_condition": ["surface, spring"]}))
    assert got.loc[got["nutrient"] == "N", ["low_lb_ac", "high_lb_ac"]].to_numpy().ravel() == pytest.approx(
        12
    )
    with pytest.raises(InputError, match="row 2, column 'manure_condition', value 'by moonlight'"):
        field_credits(pd.DataFrame(field | {"manure_condition": ["by moonlight"]}))
