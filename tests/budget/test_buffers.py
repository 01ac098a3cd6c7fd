"""How far a soil test moves: the published buffers, and amounts that cannot be negative."""

import pytest

from fertkit import budget
from fertkit.budget import nutrient_budget, products
from fertkit.budget.buffers import soil_buffer
from fertkit.errors import InputError, LookupFailed


def test_one_corn_crop_moves_the_test_three_ppm():
    # checks 7 and 8, P OSU_BUILD2012: 150 bu of corn remove 55 lb P2O5, about 3 ppm at 20 lb per ppm
    removed = nutrient_budget("corn", 150, source="TRI1995").table.set_index("nutrient")["removed"]["P2O5"]
    assert removed == pytest.approx(55.5)
    assert removed / soil_buffer("P2O5", 30, falling=True).middle == pytest.approx(3, abs=0.3)


def test_buffer_of_p_is_the_published_range():
    # CIAMPITTI2011: 8-11 kg P/ha per mg/kg are 16.4-22.5 lb P2O5/ac; OSU_BUILD2012: 20 lb lies inside;
    # RANDALL_P: 30 lb beyond what held the test
    rising = soil_buffer("P2O5", 20, falling=False)
    assert (rising.low, rising.high) == pytest.approx((16.35, 30), abs=0.01)
    assert rising.middle == 20
    # falling from a high start .2 mg/kg per kg P/ha: 5 kg, 10.2 lb; from a low start .02: 50 kg, 102 lb
    assert soil_buffer("P2O5", 50, falling=True).low == pytest.approx(10.2, abs=0.05)
    assert soil_buffer("P2O5", 15, falling=True).high == pytest.approx(102.2, abs=0.1)
    between = soil_buffer("P2O5", 30, falling=True)
    assert (between.low, between.high) == pytest.approx((10.2, 102.2), abs=0.1)


def test_buffer_of_k():
    # check 44, P OSU_BUILD2012: 6 lb at CEC 10, 10 lb at CEC 30
    assert soil_buffer("K2O", 150, falling=True, cec=10).middle == 6
    assert soil_buffer("K2O", 150, falling=True, cec=30).middle == pytest.approx(10)
    unknown = soil_buffer("K2O", 150, falling=True)
    assert (unknown.low, unknown.middle, unknown.high) == (6, 8, 10)


SOIL = {"extractant": "Mehlich-3", "depth_in": 8}


@pytest.mark.parametrize(
    ("ask", "named"),
    [
        (lambda: soil_buffer("K2O", 120, falling=False, cec=-1), "cec"),
        (lambda: soil_buffer("P2O5", -20, falling=False), "test_ppm"),
        (lambda: budget.soil_rate("tri_state_2020", "K", 90, "corn", 200, **SOIL, cec=-10), "cec"),
        (lambda: products.seed_row_limit("corn", -30), "row_spacing_in"),
    ],
)
def test_amounts_that_cannot_be_negative_are_refused_by_name(ask, named):
    with pytest.raises(InputError, match=f"column '{named}'"):
        ask()


def test_a_nutrient_without_a_soil_test_is_no_key_error():
    with pytest.raises(LookupFailed, match="choose one of: K2O, P2O5"):
        soil_buffer("Zn", 5, falling=False)
