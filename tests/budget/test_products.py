"""Product rates against printed examples, seed limits, cautions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.budget import check_seed_row, product_rate
from fertkit.budget.products import (
    find_product,
    nutrients_per_gallon,
    product_cautions,
    seed_row_limit,
)
from fertkit.errors import InputError, LookupFailed, NotEstimable, UnitError
from fertkit.reference import cite, load_table
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.say.advice import nutrient_cautions


@pytest.mark.parametrize(
    ("product", "nutrient", "rate", "expected", "printed", "tolerance"),
    [
        ("11-52-0", "P2O5", 110.4, 212, 210, 3),  # check 10, P OSU_ANR74
        ("18-46-0", "P2O5", 110.4, 240, 240, 3),  # check 10, P OSU_ANR74
        ("0-0-60", "K2O", 104.4, 174, 180, 7),  # check 11, P OSU_ANR74
    ],
)
def test_rates_printed_by_ohio(product, nutrient, rate, expected, printed, tolerance):
    got = product_rate(product, nutrient, rate).product_lb_ac
    assert got == pytest.approx(expected, abs=0.5)
    assert got == pytest.approx(printed, abs=tolerance)


@pytest.mark.parametrize(
    ("product", "expected", "tolerance"),
    [
        ("28-0-0", {"N": 2.99}, 0.01),  # check 47, D PHYSPROP: 10.67 lb/gal
        ("32-0-0", {"N": 3.54}, 0.01),  # check 47, D PHYSPROP: 11.06 lb/gal
        ("10-34-0", {"N": 1.165, "P2O5": 3.961}, 0.005),  # check 48, D PHYSPROP: 11.65 lb/gal
        ("12-0-0-26S", {"N": 1.325, "S": 2.870}, 0.005),  # check 49, D PHYSPROP: 11.04 lb/gal
    ],
)
def test_pounds_in_a_gallon(product, expected, tolerance):
    got = nutrients_per_gallon(product)
    for nutrient, pounds in expected.items():
        assert got[nutrient] == pytest.approx(
            pounds, abs=0.01 if product < "3" and "28" in product else 0.005
        )
    assert got.sum() == pytest.approx(sum(expected.values()), abs=0.02)


def test_a_liquid_in_gallons():
    # 40 lb P2O5 as 10-34-0: 117.6 lb, 10.1 gal at 11.65 lb/gal, with 11.8 lb N
    got = product_rate("10-34-0", "P2O5", 40)
    assert got.product_gal_ac == pytest.approx(40 / 3.961, abs=0.01)
    assert got.table.set_index("nutrient")["supplied_lb_ac"]["N"] == pytest.approx(40 * 10 / 34)
    assert "gal/ac" in got.summary()


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(sorted(load_table("products")["grade"])), st.floats(0, 500))
def test_the_rate_supplies_what_was_asked(grade, rate):
    row = load_table("products").set_index("grade").loc[grade]
    nutrient = next(n for n in OF_PRODUCTS if row[f"{n.lower()}_pct"] > 0)
    got = product_rate(grade, nutrient, rate)
    supplied = got.table.set_index("nutrient")["supplied_lb_ac"]
    assert supplied[nutrient] == pytest.approx(rate)
    elements = supplied * supplied.index.map({"P2O5": 0.4364, "K2O": 0.8301}.get).fillna(1.0)
    assert elements.sum() <= got.product_lb_ac * 1.0001


@pytest.mark.parametrize(("soil", "limits"), [("medium to fine", (6, 8, 12)), ("sandy", (4, 6, 8))])
def test_in_furrow_limits(soil, limits):
    # check 50, P KSU_STARTER: lb N + K2O at 40, 30 and 20 in rows
    for spacing, limit in zip((40, 30, 20), limits, strict=True):
        assert seed_row_limit("corn", spacing, soil)["limit_lb_ac"] == limit
    assert seed_row_limit("corn", 38, soil)["limit_lb_ac"] == limits[0]  # the next wider row counts
    assert seed_row_limit("sunflower", 30, soil)["limit_lb_ac"] == 10  # P HPSUNFLOWER


def test_seed_row_check():
    good = check_seed_row({"10-34-0": 60}, "corn", 30)
    assert good["passed"].all()
    assert good["value"][0] == pytest.approx(6.0)
    bad = check_seed_row({"10-34-0": 60, "urea": 5, "12-0-0-26S": 10}, "corn", 30, "sandy")
    assert not bad["passed"].any()
    assert bad["check"].str.contains("urea").any()
    assert bad["check"].str.contains("thiosulfate").any()


def test_cautions_fit_the_product():
    topics = {p: set(product_cautions([p])["topic"]) for p in ("urea", "0-0-0-15B", "11-52-0", "82-0-0")}
    assert {"ammonia", "nitrate loss", "salt near the seed"} <= topics["urea"]
    assert "boron toxicity" in topics["0-0-0-15B"]
    assert "phosphorus loss" in topics["11-52-0"]
    assert "ammonia" not in topics["11-52-0"]
    assert "ammonia handling" in topics["82-0-0"]
    assert all("who governs" in t for t in topics.values())


def test_every_product_is_cautioned_with_a_source():
    table = product_cautions(load_table("products")["grade"])
    assert all(cite(key) for key in table["source_key"])
    assert not table["text"].str.startswith("as ").any()


@pytest.mark.parametrize(
    ("args", "error", "says"),
    [
        (("7-7-7", "N", 10), LookupFailed, "unknown product '7-7-7'"),
        (("ammonium polyphosphate", "N", 10), LookupFailed, "10-34-0"),
        (("urea", "K2O", 10), NotEstimable, "supplies no K2O"),
        (("urea", "K", 10), LookupFailed, "unknown nutrient of a product 'K'"),
        (("urea", "N", -1), InputError, "0 or more"),
        (("urea", "N", np.nan), InputError, "'rate_lb_ac'.* not a number"),
    ],
)
def test_bad_requests(args, error, says):
    with pytest.raises(error, match=says):
        product_rate(*args)


def test_limits_that_are_not_published():
    with pytest.raises(UnitError, match="no density"):
        nutrients_per_gallon("urea")
    with pytest.raises(NotEstimable, match="wider than 40 in"):
        seed_row_limit("corn", 60)
    with pytest.raises(LookupFailed, match="crop in the seed_limits table"):
        seed_row_limit("potato", 7)
    with pytest.raises(LookupFailed, match="unknown soil"):
        seed_row_limit("corn", 30, "clay")


@pytest.mark.parametrize(
    ("name", "grade"),
    [("MOP", "0-0-60"), ("KCl", "0-0-60"), ("muriate of potash", "0-0-60"), ("AMS", "21-0-0-24S"),
     ("21-0-0-24", "21-0-0-24S"), ("21-0-0-24s", "21-0-0-24S"), ("12-0-0-26", "12-0-0-26S"),
     ("ats", "12-0-0-26S"),
     ("MAP", "11-52-0"), ("dap", "18-46-0"), ("TSP", "0-46-0"), ("SOP", "0-0-50"), ("UAN28", "28-0-0"),
     ("NH3", "82-0-0"), ("Epsom salts", "0-0-0-13S-10Mg"), ("MnSO4", "0-0-0-19S-32Mn"), ("CAN", "27-0-0"),
     ("15.5-0-0", "15.5-0-0-13.6Ca"), ("0-0-0-90", "0-0-0-90S")],
)  # fmt: skip
def test_short_names_of_the_trade(name, grade):
    assert find_product(name)["grade"] == grade


def test_no_two_products_share_a_name():
    table = load_table("products")
    names = [n.lower() for cell in table["also"] for n in cell.split(";") if n]
    names += [*table["material"].str.lower().unique(), *table["grade"].str.lower()]
    assert len(names) == len(set(names))
    with pytest.raises(LookupFailed, match=r"potassium chloride 60 .*potassium chloride 62"):
        find_product("potassium chloride")
    with pytest.raises(LookupFailed, match="unknown product '0-0-0-11'"):
        find_product("0-0-0-11")  # 11 of what: the fourth number is sulfur


@pytest.mark.parametrize(
    ("name", "nutrient", "share"),
    [
        # shares of the formula weight, by the standard atomic weights (IUPAC)
        ("MnSO4", "Mn", 54.938 / 169.01), ("CuSO4", "Cu", 63.546 / 249.68), ("CuSO4", "S", 32.06 / 249.68),
        ("Na2MoO4", "Mo", 95.95 / 241.95), ("CaCl2", "Ca", 40.078 / 147.01), ("CaCl2", "Cl", 70.90 / 147.01),
        ("disodium octaborate", "B", 86.48 / 412.51),
        # RB209_2010 prints MgO, SO3 and CaO; x .603 and .4 as printed there, 40.078 / 56.077 by formula
        ("Epsom salt", "Mg", 0.16 * 0.603), ("Epsom salt", "S", 0.33 * 0.4),
        ("kieserite", "Mg", 0.25 * 0.603),
        ("calcium nitrate", "Ca", 0.19 * 40.078 / 56.077),
        # Cl to K2O is 35.45 to 47.098 by formula; SDSU_NUTRIENT reckons 45 % in 0-0-60
        ("MOP", "Cl", 0.45), ("0-0-62", "Cl", 0.62 * 35.45 / 47.098),
    ],
)  # fmt: skip
def test_salts_hold_what_their_formula_says(name, nutrient, share):
    products = load_table("products")
    fits = products["material"].str.lower().str.startswith(name.lower())
    name = products.loc[fits, "grade"].iloc[0] if fits.sum() == 1 else name
    assert product_rate(name, nutrient, 1.0).product_lb_ac == pytest.approx(1 / share, rel=6e-3)


def test_chloride_as_south_dakota_reckons_it():
    # SDSU: 25 lb of Cl are 25 x 2.2 = 55 lb of potassium chloride
    assert product_rate("KCl", "Cl", 25).product_lb_ac == pytest.approx(55, abs=0.6)
    assert product_rate("0-0-62", "K2O", 62).table.set_index("nutrient")["supplied_lb_ac"]["Cl"] == 46.7


def test_potash_of_62_as_light_as_potash():
    # salt index in proportion to K2O: 116.2 / 60 x 62 = 120.1; no bulk density of 94 lb/ft3
    row = find_product("0-0-62")
    assert row["salt_index"] == pytest.approx(116.2 / 60 * 62, abs=0.05)
    assert row["bulk_density_lb_ft3"] == ""


def test_an_own_table_may_leave_out_rare_nutrients():
    own = load_table("products").head(2).drop(columns=["mn_pct", "cu_pct", "mo_pct", "cl_pct", "also"])
    assert product_rate("urea", "N", 46, products=own).product_lb_ac == pytest.approx(100)
    assert nutrients_per_gallon("12-0-0-26S")["Cl"] == 0
    with pytest.raises(InputError, match="k2o_pct"):
        product_rate("urea", "N", 46, products=own.drop(columns="k2o_pct"))


@pytest.mark.parametrize(
    ("soil", "opener", "limits"),
    [("sandy", "1 in spread (disk or knife)", (10, 0, 0)),
     ("medium", "2 in spread (spoon or hoe)", (30, 25, 20)),
     ("fine", "3 in spread (sweep)", (50, 40, 30))],
)  # fmt: skip
def test_urea_with_cereal_seed_by_manitoba(soil, opener, limits):
    # MB_SEED: lb of N as urea at 6, 9 and 12 in rows
    for spacing, limit in zip((6, 9, 12), limits, strict=True):
        assert seed_row_limit("winter wheat", spacing, soil, opener=opener)["limit_lb_ac"] == limit
    assert seed_row_limit("oats", 7, soil, opener=opener)["limit_lb_ac"] == limits[1]
    with pytest.raises(NotEstimable, match="wider than 12 in"):
        seed_row_limit("barley", 30, soil, opener=opener)
    with pytest.raises(LookupFailed, match="opener of the seed limits"):
        seed_row_limit("barley", 6, soil)


def test_seed_of_canola_has_two_limits_and_beans_take_no_salt():
    # CCC_SEED2018: 20 lb P2O5, about 40 lb of MAP (38.5 by its 52 %); CCC_SEEDROW: N may be as low as 10
    fits = check_seed_row({"MAP": 38}, "canola", 9)
    assert fits["limit"].tolist() == [20, 10]
    assert fits["value"].tolist() == pytest.approx([38 * 0.52, 38 * 0.11])
    assert fits["passed"].all()
    assert check_seed_row({"MAP": 45}, "canola", 9)["passed"].tolist() == [False, True]
    with pytest.raises(LookupFailed, match="basis of the seed limits"):
        seed_row_limit("canola", 9)
    assert not check_seed_row({"10-34-0": 10}, "soybean", 30)["passed"].any()
    assert check_seed_row({"TSP": 10}, "soybean", 30)["passed"].all()


def test_new_salts_are_cautioned():
    topics = {p: set(product_cautions([p])["topic"]) for p in ("CuSO4", "Na2MoO4", "MOP", "urea", "UAN28")}
    assert "copper" in topics["CuSO4"]
    assert "molybdenum" in topics["Na2MoO4"]
    assert "chloride" in topics["MOP"]
    assert "mixing" in topics["urea"]
    assert "mixing" not in topics["UAN28"]


def test_biuret_is_a_matter_of_urea_alone():
    topics = {
        name: set(product_cautions([name])["topic"]) for name in ("46-0-0", "28-0-0", "18-46-0", "82-0-0")
    }
    assert "biuret" in topics["46-0-0"] & topics["28-0-0"]
    assert "biuret" not in topics["18-46-0"] | topics["82-0-0"]


def test_cautions_are_of_the_crop_and_the_harvest_at_hand():
    def said(*about):
        return " ".join(nutrient_cautions(*about)[0])

    assert "bean seed" in said("K2O", "soybean")
    assert "bean seed" not in said("K2O", "corn")
    assert "toxic to peanut" in said("Zn", "peanut")
    # CLEMSON_NITRATE, OSU_NITRATE: forage alone
    assert "1,000 mg/kg" in said("N", "corn", "silage")
    assert "1,000 mg/kg" not in said("N", "corn", "grain") + said("N")
