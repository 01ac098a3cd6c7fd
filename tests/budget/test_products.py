"""Product rates against printed examples, seed limits, cautions."""

import numpy as np
import pytest

from fertkit.budget.products import cautions_of, nutrients_per_gallon, seed_limits, seed_row_limit
from fertkit.errors import LookupFailed, NotEstimable, UnitError
from fertkit.reference import cite, load_table
from fertkit.reference.fertilizers import PERCENT, find_product
from fertkit.say.advice import nutrient_cautions


def share_of(product, nutrient):
    return find_product(product)[PERCENT[nutrient]] / 100


def topics_of(*names):
    return set(cautions_of([find_product(name) for name in names])["topic"])


@pytest.mark.parametrize(
    ("product", "nutrient", "rate", "expected", "printed", "tolerance"),
    [
        ("11-52-0", "P2O5", 110.4, 212, 210, 3),  # check 10, P OSU_ANR74
        ("18-46-0", "P2O5", 110.4, 240, 240, 3),  # check 10, P OSU_ANR74
        ("0-0-60", "K2O", 104.4, 174, 180, 7),  # check 11, P OSU_ANR74
    ],
)
def test_rates_printed_by_ohio(product, nutrient, rate, expected, printed, tolerance):
    got = rate / share_of(product, nutrient)
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


@pytest.mark.parametrize(("soil", "limits"), [("medium to fine", (6, 8, 12)), ("sandy", (4, 6, 8))])
def test_in_furrow_limits(soil, limits):
    # check 50, P KSU_STARTER: lb N + K2O at 40, 30 and 20 in rows
    for spacing, limit in zip((40, 30, 20), limits, strict=True):
        assert seed_row_limit("corn", spacing, soil)["limit_lb_ac"] == limit
    assert seed_row_limit("corn", 38, soil)["limit_lb_ac"] == limits[0]  # the next wider row counts
    assert seed_row_limit("sunflower", 30, soil)["limit_lb_ac"] == 10  # P HPSUNFLOWER


def test_cautions_fit_the_product():
    topics = {p: topics_of(p) for p in ("urea", "0-0-0-15B", "11-52-0", "82-0-0")}
    assert {"ammonia", "nitrate loss", "salt near the seed"} <= topics["urea"]
    assert "boron toxicity" in topics["0-0-0-15B"]
    assert "phosphorus loss" in topics["11-52-0"]
    assert "ammonia" not in topics["11-52-0"]
    assert "ammonia handling" in topics["82-0-0"]
    assert all("who governs" in t for t in topics.values())


def test_every_product_is_cautioned_with_a_source():
    table = cautions_of(load_table("products").to_dict("records"))
    assert all(cite(key) for key in table["source_key"])
    assert not table["text"].str.startswith("as ").any()


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
    with pytest.raises(LookupFailed, match=r"ammonium polyphosphate.*10-34-0"):
        find_product("ammonium polyphosphate")
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
    assert share_of(name, nutrient) == pytest.approx(share, rel=6e-3)


def test_chloride_as_south_dakota_reckons_it():
    # SDSU: 25 lb of Cl are 25 x 2.2 = 55 lb of potassium chloride
    assert 25 / share_of("KCl", "Cl") == pytest.approx(55, abs=0.6)
    assert find_product("0-0-62")[PERCENT["Cl"]] == 46.7


def test_potash_of_62_as_light_as_potash():
    # salt index in proportion to K2O: 116.2 / 60 x 62 = 120.1; no bulk density of 94 lb/ft3
    row = find_product("0-0-62")
    assert row["salt_index"] == pytest.approx(116.2 / 60 * 62, abs=0.05)
    assert row["bulk_density_lb_ft3"] == ""


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
    limits = seed_limits("canola", row_spacing_in=9)
    assert [(basis, most) for basis, most, _ in limits] == [("P2O5", 20), ("N", 10)]
    assert 38 * share_of("MAP", "P2O5") < 20 < 45 * share_of("MAP", "P2O5")
    with pytest.raises(LookupFailed, match="basis of the seed limits"):
        seed_row_limit("canola", 9)
    assert [(basis, most) for basis, most, _ in seed_limits("soybean", row_spacing_in=30)] == [("N + K2O", 0)]


def test_new_salts_are_cautioned():
    topics = {p: topics_of(p) for p in ("CuSO4", "Na2MoO4", "MOP", "urea", "UAN28")}
    assert "copper" in topics["CuSO4"]
    assert "molybdenum" in topics["Na2MoO4"]
    assert "chloride" in topics["MOP"]
    assert "mixing" in topics["urea"]
    assert "mixing" not in topics["UAN28"]


def test_biuret_is_a_matter_of_urea_alone():
    topics = {name: topics_of(name) for name in ("46-0-0", "28-0-0", "18-46-0", "82-0-0")}
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


def test_half_a_percent_of_boron_is_boron():
    made = load_table("products").iloc[0].to_dict() | {"material": "made", "cautions": ""}
    made |= dict.fromkeys(PERCENT.values(), np.nan)
    warned = [set(cautions_of([made | {"b_pct": share}])["topic"]) for share in (0.5, 0.0)]
    assert ["boron toxicity" in topics for topics in warned] == [True, False]
