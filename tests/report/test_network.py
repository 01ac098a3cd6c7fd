"""The page of several trials: every site stays, silent and rising ones by name, one rate and its range."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import NotEstimable
from fertkit.report import answer_network, network_lines, network_page
from fertkit.report.network import network_tables

PRICES = {"nutrient_price": 1.0, "grain_price": 180.0}


def test_silent_rising_and_failed_sites_are_named(network):
    assert network.silent == ["silent"]
    assert network.rising == ["rising"]
    assert list(network.failed) == ["alone"]
    html = network_page(network)
    for part in (
        "No economic response: silent",
        "Still rising at the highest",
        "Could not be analysed: alone",
    ):
        assert part in html


def test_every_site_has_its_row(network):
    rows = network_tables(network)["sites"].frame
    assert len(rows) == 4
    assert rows["status"].tolist()[:2] == ["no economic response", "at least the highest rate"]
    assert rows["status"].iloc[-1].startswith("not analysed")
    assert np.isnan(rows["economic optimum [kg/ha]"].iloc[-1])


def test_common_rate_of_three_known_curves(network):
    """By hand: beyond 80 kg/ha only the rising site gains, and ever more; each pays 1 a kg: 160 pays
    most, and its mean net gain is that of the three curves there."""
    assert network.pooled.rate == pytest.approx(160, abs=1)
    by_hand = ((0 - 160) + (180 * 1.5e-4 * 160**2 - 160) + (180 * 0.06 * 80 - 160)) / 3
    assert network.pooled.gain == pytest.approx(by_hand, rel=0.05)


def test_gain_is_that_of_highest_over_lowest_shared_rate(network):
    assert network.contrast_of == (160.0, 0.0)
    table = network_tables(network)["contrast"].frame.set_index("trial")
    assert table.loc["rising", "difference [t/ha]"] == pytest.approx(1.5e-4 * 160**2, abs=0.2)
    assert table.loc["silent", "difference [t/ha]"] == pytest.approx(0, abs=0.2)


def test_open_data_of_five_sites(corn_sites):
    """Every site of the open data answers to nitrogen; its gain is the difference of its means."""
    answer = answer_network(corn_sites, **PRICES)
    treatment, check = answer.contrast_of
    means = corn_sites.pivot_table("yield_t_ha", "trial", "rate_kg_ha")
    table = network_tables(answer)["contrast"].frame.set_index("trial")["difference [t/ha]"]
    full = (means[treatment] - means[check]).dropna()
    assert table[full.index].to_numpy() == pytest.approx(full.to_numpy())
    assert not answer.silent
    assert "site-years" in network_page(answer) or "sites pooled" in " ".join(network_lines(answer))


def test_sites_and_years_are_told_apart(kinds_of_site):
    years = pd.concat([kinds_of_site.assign(year=y) for y in (2024, 2025)])
    answer = answer_network(years[years["trial"] != "rising"], **PRICES)
    assert list(answer.trials) == ["silent 2024", "joined 2024", "silent 2025", "joined 2025"]


def test_one_trial_is_no_network(kinds_of_site):
    with pytest.raises(NotEstimable, match="one trial only"):
        answer_network(kinds_of_site[kinds_of_site["trial"] == "joined"], **PRICES)


def test_rates_that_share_nothing_are_not_pooled_as_a_difference(kinds_of_site):
    own = kinds_of_site[kinds_of_site["trial"] != "rising"].copy()
    own.loc[own["trial"] == "silent", "rate_kg_ha"] += 5
    answer = answer_network(own, **PRICES)
    assert answer.contrast is None
    assert "Not pooled: no two rates are shared" in network_page(answer)
