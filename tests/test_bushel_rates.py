"""Bushels an acre in other units: 1 lb is 0.45359237 kg, 1 acre 0.40468564224 ha (NIST SP 811, App. B)."""

import pytest

from fertkit.units import convert_area_rate, mass_kg


@pytest.mark.parametrize("pounds", [32, 48, 56, 60])
def test_bushels_an_acre_by_pounds_and_acres(pounds):
    kg_ha = 150 * pounds * 0.45359237 / 0.40468564224
    assert convert_area_rate(150, "bu/ac", "kg/ha", lb_per_bushel=pounds) == pytest.approx(kg_ha, rel=1e-12)
    assert convert_area_rate(150, "bu/ac", "lb/ac", lb_per_bushel=pounds) == pytest.approx(150 * pounds)
    assert convert_area_rate(kg_ha, "kg/ha", "bu/ac", lb_per_bushel=pounds) == pytest.approx(150)
    assert mass_kg("bu", lb_per_bushel=pounds) == pytest.approx(pounds * 0.45359237, rel=1e-12)
