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


@pytest.fixture(scope="module")
def with_two_rates(kinds_of_site):
    """The silent, the rising and the joined site, and one of two rates; one strip of the joined is lost."""
    rates = np.repeat([0.0, 120.0], 4)
    two = pd.DataFrame({"trial": "two", "block": np.tile(range(4), 2), "rate_kg_ha": rates,
                        "yield_t_ha": 5 + 0.02 * rates + np.tile([0.1, -0.1, 0.05, -0.05], 2)})  # fmt: skip
    sites = kinds_of_site.copy()
    sites.loc[sites.index[sites["trial"] == "joined"][5], "yield_t_ha"] = np.nan
    return pd.concat([sites, two], ignore_index=True)


def test_two_rates_are_kept_and_in_no_pooled_curve(with_two_rates, kinds_of_site):
    answer = answer_network(with_two_rates, **PRICES)
    curves = answer_network(with_two_rates[with_two_rates["trial"] != "two"], **PRICES)
    assert answer.two_rates == ["two"]
    assert (answer.pooled.rate, answer.pooled.gain) == (curves.pooled.rate, curves.pooled.gain)
    assert answer.one_stage.coefficients.equals(curves.one_stage.coefficients)
    row = network_tables(answer)["sites"].frame.set_index("trial").loc["two"]
    assert row["status"].startswith("difference only")
    assert np.isnan(row["economic optimum [kg/ha]"])
    assert np.isnan(row["lost at the common rate [money/ha]"])
    lines = " ".join(network_lines(answer))
    assert "Over 3 trials" in lines
    assert "in no pooled curve: two" in lines
    assert "1 of joined" in lines  # the lost strip


def test_two_rates_alone_have_no_common_rate(with_two_rates):
    two = with_two_rates[with_two_rates["trial"] == "two"]
    both = pd.concat([two, two.assign(trial="also two")])
    with pytest.raises(NotEstimable, match="a difference, not a curve"):
        answer_network(both, **PRICES)


def test_interval_cut_by_the_highest_rate_is_open(network):
    """The rising site still rises at 160: resampled sets of it alone end there for want of a higher rate."""
    assert network.pooled.interval_open
    assert "> 160 kg/ha" in " ".join(network_lines(network))


def test_gain_is_pooled_at_the_tested_rate_nearest_to_the_common_one(corn_sites):
    answer = answer_network(corn_sites, **PRICES)
    treatment, check = answer.contrast_of
    tested = corn_sites.groupby("rate_kg_ha")["trial"].nunique()
    tested = tested[(tested >= 2) & (tested.index != check)]
    assert abs(treatment - answer.pooled.rate) == pytest.approx(
        np.abs(tested.index.to_numpy() - answer.pooled.rate).min()
    )
    assert f"the tested rate nearest to {answer.pooled.rate:.0f}" in " ".join(network_lines(answer))
    assert "more weight" not in network_page(answer)
    assert "of most weight in its own average" in network_page(answer)
