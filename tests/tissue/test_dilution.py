"""Critical nitrogen curves and nutrition index against their publications."""

import numpy as np
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.tissue import nitrogen_nutrition_index
from fertkit.tissue.dilution import relative_yield


def index(crop, w, n, source):
    return nitrogen_nutrition_index(crop, w, n, source=source).table


def test_maize_curve_plenet_and_lemaire_2000():
    # Plenet and Lemaire 2000: Nc = 3.40 below 1 t/ha, 3.40 W^-0.37 to 22 t/ha; uptake 34 W^0.63 kg/ha.
    table = index("maize", [0.8, 1, 2, 5, 10, 22], [3] * 6, "PLENET2000")
    assert table["critical_n_pct"].tolist() == pytest.approx(
        [3.40, 3.40, 2.6309, 1.8744, 1.4504, 1.0834], abs=6e-5
    )
    assert np.isnan(table["critical_uptake_kg_ha"][0])
    uptake = [34.00, 52.62, 93.72, 145.04, 238.34]
    assert table["critical_uptake_kg_ha"][1:].tolist() == pytest.approx(uptake, abs=6e-3)


@pytest.mark.parametrize(
    ("crop", "source", "w", "n", "nc", "nni"),
    [
        ("corn", "PLENET2000", 5, 1.60, 1.8744, 0.8536),
        ("corn", "PLENET2000", 10, 1.45, 1.4504, 0.9997),
        ("winter wheat", "JUSTES1994", 3, 3.00, 3.2920, 0.9113),  # Justes et al. 1994, from memory
        ("winter wheat", "JUSTES1994", 1.55, 4.4079, 4.4079, 1.0),
        ("winter wheat", "JUSTES1994", 6, 2.4233, 2.4233, 1.0),
        ("spring wheat", "URUGUAY_WHEAT_NNI", 4, 2.7133, 2.7133, 1.0),  # Agrociencia Uruguay 924
        ("corn", "MIDWEST_CNDC2023", 5, 1.6857, 1.6857, 1.0),  # the Chinese curve quoted in Agronomy 13:1948
    ],
)
def test_published_curves(crop, source, w, n, nc, nni):
    row = index(crop, w, n, source).iloc[0]
    assert row["critical_n_pct"] == pytest.approx(nc, abs=6e-5)
    assert row["nni"] == pytest.approx(nni, abs=6e-5)


def test_nitrogen_deficit_of_the_shoot():
    assert index("corn", 5, 1.60, "PLENET2000")["deficit_kg_ha"].item() == pytest.approx(13.72, abs=5e-3)


def test_outside_the_curve_is_no_number():
    row = index("corn", 25, 1.0, "PLENET2000").iloc[0]
    assert np.isnan(row["nni"])
    assert "above 22 t/ha" in row["note"]


def test_all_curves_of_a_crop_stand_side_by_side_with_their_caution():
    result = nitrogen_nutrition_index("corn", 5, 1.6)
    assert set(result.table["source_key"]) == {"PLENET2000", "ZIADI2008", "MIDWEST_CNDC2023"}
    assert "1.21 to 1.36" in result.summary()  # yield plateau in Agronomy 13:1948


def test_soybean_gets_no_cereal_curve():
    with pytest.raises(LookupFailed, match="attenuated"):
        nitrogen_nutrition_index("soybean", 5, 3)


def test_a_leaf_is_refused():
    with pytest.raises(InputError, match="whole shoots"):
        nitrogen_nutrition_index("corn", 5, 3, part="ear leaf")


def test_biomass_must_be_positive():
    with pytest.raises(InputError, match="biomass is not above zero"):
        nitrogen_nutrition_index("corn", [5, 0], [3, 3])


@pytest.mark.parametrize(("nni", "share"), [(0.70, 0.709), (0.80, 0.826), (0.90, 0.943)])
def test_relative_yield_of_the_rising_part_ziadi_2008(nni, share):
    # Ziadi et al. 2008, eastern Canada: RY = -0.11 + 1.17 NNI on the rising part; own arithmetic of the line.
    assert relative_yield(nni, "ZIADI2008") == pytest.approx(share, abs=5e-4)
    nitrogen = nni * 3.4 * 5**-0.37
    table = nitrogen_nutrition_index("corn", 5, nitrogen).table.set_index("source_key")
    assert table.loc["ZIADI2008", "relative_yield"] == pytest.approx(share, abs=5e-4)
    assert np.isnan(table.loc["PLENET2000", "relative_yield"])


def test_no_yield_is_read_off_the_flat_part_or_below_the_line():
    # The line ends at about 0.93 (from memory), and gives a yield below nothing under 0.11 / 1.17.
    assert np.isnan(relative_yield([0.94, 1.35, 0.09], "ZIADI2008")).all()


def test_thresholds_of_the_papers_are_told_with_the_index():
    wheat = nitrogen_nutrition_index("spring wheat", 4, 2.7).summary()
    assert "URUGUAY_WHEAT_NNI: critical NNI at GS 3.3 = 1.24" in wheat  # Agrociencia Uruguay 924
    corn = nitrogen_nutrition_index("corn", 5, 1.6).summary()
    # Agronomy 13:1948: status right in 91 % with the French curve, 62 % with the Chinese one.
    assert "in the US Midwest it judged nitrogen rightly in 62% of cases; the French curve in 91%" in corn
    assert "from emergence to 25 days after silking" in corn  # Plenet and Lemaire 2000
    assert "from memory" not in corn
    assert "JUSTES1994 are from memory" in nitrogen_nutrition_index("winter wheat", 3, 3.0).summary()


def test_generic_curves_and_rice_oilseed_potato_sunflower():
    # Values at 1 t/ha are the parameter a of each curve (all from memory, and said to be).
    for crop, a in (("rice", 5.18), ("canola", 4.48), ("sunflower", 4.53)):
        result = nitrogen_nutrition_index(crop, 1, a)
        assert result.table["nni"].tolist() == pytest.approx([1.0])
        assert "from memory" in result.summary()
    potato = nitrogen_nutrition_index("potato", 1, 4.57).table.set_index("variant")["critical_n_pct"]
    assert potato.tolist() == pytest.approx([4.57, 5.04])


@pytest.mark.parametrize(("biomass", "said"), [(0.9, "below 1 t/ha"), (1.0, ""), (1.5, "")])
def test_a_curve_without_a_lower_end_is_doubted_below_one_tonne_alone(biomass, said):
    # Critical nitrogen is taken as constant below 1 t/ha (Lemaire & Gastal 1997, from memory).
    note = index("sunflower", biomass, 3.0, "DEBAEKE2012")["note"].item()
    assert said in note
    assert bool(note) == bool(said)


def test_a_curve_without_a_lower_end_says_so_below_a_tonne():
    # MIDWEST_CNDC2023 prints 3.65 W^-0.48 and no lower end; PLENET2000 holds 3.4 % below 1 t/ha
    result = nitrogen_nutrition_index("corn", [0.5], [3.1])
    said = [line.text for line in result.lines()]
    assert any("critical N 5.09 %, below 1 t/ha; the source gives no lower end" in text for text in said)
    assert any("critical N 3.40 %, below 1 t/ha the critical level is held constant" in text for text in said)
