"""The page of one trial says what the floors below found, and what a published analysis of its data says."""

import io
import re

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import NotEstimable
from fertkit.intake import read_strips
from fertkit.report import answer_network, answer_trial
from fertkit.say.response import stretch
from fertkit.trials import plan_strips

pytestmark = pytest.mark.usefixtures("undrawn")

PRICES = {"nutrient_price": 1.0, "grain_price": 0.2}


@pytest.fixture(scope="module")
def seeded(rice):
    return answer_trial(rice, **PRICES)


@pytest.fixture(scope="module")
def page_of_seeded(seeded, undrawn_page):
    return undrawn_page(seeded)


def test_published_analysis_of_variance_is_on_the_page(seeded, page_of_seeded):
    """Gomez & Gomez (1984), table 2.4: MS 239,666 (treatment) and 110,558 (error) on 5 and 15 df, F 2.17."""
    row = seeded.tables["Analysis of variance"].set_index("source of variation")
    assert row.loc["treatment", "mean square"] == pytest.approx(239_666, rel=1e-4)
    assert row.loc["error", "mean square"] == pytest.approx(110_558, rel=1e-4)
    assert row.loc["treatment", "F"] == pytest.approx(2.17, abs=0.005)
    for cell in ("239666", "110558", "2.17"):
        assert f"<td>{cell}</td>" in page_of_seeded


def test_no_response_is_no_licence(seeded, page_of_seeded):
    """At these prices the densest seeding does not pay; the page says so and does not call it a proof."""
    assert seeded.response.optimum.status == "no economic response"
    assert "no economic response" in page_of_seeded
    assert "Do not conclude that it is never needed" in page_of_seeded


def test_means_are_set_against_the_lowest_rate(trial):
    means = trial.tables["Means of the treatments"]
    rates = means["rate [kg/ha]"]
    mean, more = means["mean [t/ha]"], means["difference from 0 [t/ha]"]
    assert rates.iloc[0] == 0
    assert more.iloc[1:].to_numpy() == pytest.approx((mean - mean.iloc[0]).iloc[1:].to_numpy())


def test_dearer_nutrient_never_asks_for_more(trial):
    table = trial.tables["Optimum at other nutrient prices"]
    assert table["nutrient price per kg"].is_monotonic_increasing
    assert table["economic optimum [kg/ha]"].is_monotonic_decreasing
    today = table[table["nutrient price per kg"] == 1.0].iloc[0]
    assert today["economic optimum [kg/ha]"] == trial.response.optimum.rate


def test_swing_of_prices_is_told_as_asked(page_of, page_of_seeded):
    assert "both prices vary by 20%" in page_of("trial")
    assert "prices are fixed" in page_of_seeded


def test_layout_is_drawn_where_there_is_one(corn_sites):
    plan = plan_strips([0, 50, 100, 150], seed=1, header_width=30, applicator_width=60, strip_length=1200)
    site = corn_sites[corn_sites["trial"] == "S2"]
    html = answer_trial(site, plan=plan, nutrient_price=1, grain_price=180).page()
    assert "Field layout" in html
    assert html.count("<img") == 5


def test_two_rates_get_a_difference_and_no_risk(corn_sites):
    site = corn_sites[(corn_sites["trial"] == "S1") & corn_sites["rate_kg_ha"].isin([0.0, 134.4])]
    answer = answer_trial(site, nutrient_price=1, grain_price=180)
    assert answer.regret is None
    html = answer.page()
    assert "better of the two rates" in html
    assert "Test four or more rates next time" in html


def test_one_strip_a_rate_is_answered_without_error(corn_sites):
    site = corn_sites[(corn_sites["trial"] == "S1") & (corn_sites["block"] == "R1")]
    html = answer_trial(site, nutrient_price=1, grain_price=180).page()
    assert "no difference can be tested" in html or "cannot be compared" in html


@pytest.fixture(scope="module")
def page_of_rising(kinds_of_site, undrawn_page):
    site = kinds_of_site[kinds_of_site["trial"] == "rising"]
    return undrawn_page(answer_trial(site, nutrient_price=1, grain_price=180))


def test_still_rising_asks_for_higher_rates(page_of_rising):
    assert "at least the highest rate tested, 160 kg/ha" in page_of_rising
    assert "Test rates above 160 kg/ha" in page_of_rising


def test_one_of_several_has_to_be_named(corn_sites):
    with pytest.raises(NotEstimable, match="5 trials: S1, S2"):
        answer_trial(corn_sites, **PRICES)
    with pytest.raises(NotEstimable, match="no trial 'S9'"):
        answer_trial(corn_sites, name="S9", **PRICES)
    assert answer_trial(corn_sites, name="S3", nutrient_price=1, grain_price=180).name == "S3"


SLIP = "trial,block,N kg/ha,yield t/ha\n" + "".join(
    f"A,{b},{r},{y}\n"
    for b, ys in enumerate(([5.12, 6.10, 6.44], [5.02, 6.01, 16.5], [5.2, 6.3, 6.5]), 1)
    for r, y in zip((0, 60, 120), ys, strict=True)
)


def test_a_yield_far_too_high_is_the_first_thing_said():
    trial = read_strips(io.StringIO(SLIP), crop="wheat", name="slip.csv")
    first = answer_trial(trial, nutrient_price=1.1, grain_price=190).summary().splitlines()[0]
    assert first.startswith("Check this first: block 2, row 7 at 120 kg/ha (16.5 where")
    # pulled in, the strip still yielded what the file says
    assert first in answer_trial(trial, nutrient_price=1.1, grain_price=190, robust=True).summary()
    both = SLIP + SLIP.replace("A,", "B,").replace("16.5", "6.5").partition("\n")[2]
    network = answer_network(
        read_strips(io.StringIO(both), crop="wheat"), nutrient_price=1.1, grain_price=190
    )
    said = [line for line in network.summary().splitlines() if "check this first" in line]
    assert len(said) == 1
    assert said[0].startswith("Note: trial A: check this first: block 2")
    sound = read_strips(io.StringIO(SLIP.replace("16.5", "6.5")), crop="wheat", name="sound.csv")
    assert "first" not in answer_trial(sound, nutrient_price=1.1, grain_price=190).summary().splitlines()[0]


def test_lines_are_short_and_without_exponents(trial, seeded, page_of, page_of_seeded):
    for answer, page in ((trial, page_of("trial")), (seeded, page_of_seeded)):
        lines = answer.summary().splitlines()
        assert 3 <= len(lines) <= 12
        assert not re.search(r"\de[-+]\d", " ".join(lines))
        assert not re.search(r"\de[-+]\d", re.sub(r'src="[^"]*"', "", page))


def test_units_stand_in_every_header_that_needs_one(trial):
    for frame in trial.tables.values():
        assert isinstance(frame, pd.DataFrame)
        for name in frame.select_dtypes("number"):
            if any(word in name for word in ("yield", "mean [", "price", "optimum", "residual")):
                assert "[" in name or "price per " in name


def test_no_stretch_is_read_between_two_rates(corn_sites):
    site = corn_sites[(corn_sites["trial"] == "S1") & corn_sites["rate_kg_ha"].isin([0.0, 134.4])]
    answer = answer_trial(site, nutrient_price=1, grain_price=180, within=5)
    assert stretch(answer.net) == ""
    assert answer.net.table.iloc[:, 0].tolist() == [0.0, 134.4]
    assert not any("net return is within" in line for line in answer.summary().splitlines())
    assert "from" not in answer.tables["Better rate at other nutrient prices"]


def test_stretch_says_where_the_reported_optimum_stands(corn_sites):
    site = corn_sites[corn_sites["trial"] == "S2"]
    answer = answer_trial(site, nutrient_price=1, grain_price=180, within=0.001)
    net = answer.net
    assert not net.within_low <= net.rate <= net.within_high
    line = next(line for line in answer.summary().splitlines() if "OUTSIDE" in line)
    assert f"returns {net.peak_net - net.net:.2f} per hectare less" in line
    html = answer.page()
    assert "choose in that stretch" not in html
    assert "best on the averaged curve" in html


@pytest.fixture(scope="module")
def second_site(corn_sites):
    """Answer for a site whose optimum lies among its rates."""
    return answer_trial(corn_sites[corn_sites["trial"] == "S2"], nutrient_price=1, grain_price=180)


def test_usual_loss_is_a_share_of_the_gain_with_its_mark(corn_sites, second_site):
    site, one = corn_sites[corn_sites["trial"] == "S2"], second_site.net
    other_money = answer_trial(site, nutrient_price=100, grain_price=18_000).net
    assert [one.within_low, one.within_high] == pytest.approx(
        [other_money.within_low, other_money.within_high]
    )
    assert "common practice, no source" in stretch(one)


def test_no_zero_loss_is_claimed_where_no_response_was_found(seeded, kinds_of_site):
    site = kinds_of_site[kinds_of_site["trial"] == "silent"]
    answer = answer_trial(site, nutrient_price=1, grain_price=180)
    assert answer.regret is None
    html = answer.page()
    assert "no response was found, so regret cannot be computed" in html
    assert "Least expected regret" not in html


def test_regret_of_a_rising_trial_speaks_for_tested_rates_alone(page_of_rising):
    assert "within the tested rates" in page_of_rising
    assert "returns of higher rates are not counted" in page_of_rising


def test_weights_of_text_and_table_are_the_same():
    """The straight rise: the line has most support; it is said that it is not averaged."""
    rates, sign = np.tile([0.0, 40, 80, 120, 160], 4), np.repeat([1, -1, 1, -1], 5)
    scatter = 0.1 * sign * np.tile([1, -2, 0, 2, -1], 4)  # none of it in the rate means
    yields = 4.2 + 0.013 * rates + scatter
    site = pd.DataFrame({"block": np.repeat(range(4), 5), "rate_kg_ha": rates, "yield_t_ha": yields})
    answer = answer_trial(site, nutrient_price=1, grain_price=180)
    table = answer.tables["Optimum by curve"].set_index("curve")
    said = next(line for line in answer.response.summary().splitlines() if line.startswith("Average of"))
    for curve, weight in re.findall(r"([a-zA-Z -]+) (\d\.\d\d)[,.]", said.split(": ")[1]):
        assert table.loc[curve.strip(), "weight in the average"] == pytest.approx(float(weight), abs=0.006)
    assert "Not averaged: linear, the best-supported curve" in answer.response.summary()
    assert "support among all curves" in table


def test_a_wild_strip_comes_first_and_no_rate_is_advised():
    """Two blocks alike and one with a slip of the pen, 16.5 for 6.50."""
    wild = pd.DataFrame({"block": [1, 1, 1, 2, 2, 2, 3, 3, 3], "rate_kg_ha": [0.0, 60, 120] * 3,
                         "yield_t_ha": [5.12, 6.1, 6.44, 5.02, 6.01, 16.5, 5.2, 6.3, 6.5]})  # fmt: skip
    html = answer_trial(wild, nutrient_price=1.1, grain_price=190).page()
    assert "Test rates above" not in html
    advice = html[html.index("<h3>What to do</h3>") :]
    assert advice.index("16.5 where") < advice.index("the strips support no more than 0 kg/ha")


def test_prices_in_the_wrong_unit_are_doubted_first(corn_sites, second_site):
    """Per kg where per t is meant: a kg of nutrient is worth 1 / 0.00018 = 5,560 kg of grain."""
    site = corn_sites[corn_sites["trial"] == "S2"]
    first = answer_trial(site, nutrient_price=1, grain_price=0.18).summary().splitlines()[0]
    assert first.startswith("Check the units of the prices")
    for words in ("a price ratio by weight of 5,560", "per kg", "per t", "common practice, no source"):
        assert words in first
    assert not any("units" in line for line in second_site.summary().splitlines())


def test_moisture_of_the_yields_is_told_with_its_source(demo):
    strips = read_strips(demo("corn_n_strips.csv"), crop="corn")
    name = strips.table["trial"].iloc[0]
    answer = answer_trial(strips, name=name, nutrient_price=0.5, grain_price=4.5)
    assert any("% moisture (UFAG442)" in line for line in answer.summary().splitlines())


@pytest.mark.parametrize(("seed", "clear"), [(6, False), (8, True)])
def test_a_rate_that_may_lose_is_no_start(seed, clear):
    """Where the interval of the net gain reaches below zero, no rate is a start, nor a stretch."""
    rates = np.repeat([0.0, 40, 80, 120, 160, 200], 4)
    yields = 6000 + 900 * (1 - np.exp(-rates / 90)) + np.random.default_rng(seed).normal(0, 450, 24)
    table = pd.DataFrame({"block": np.tile(range(4), 6), "rate_kg_ha": rates, "yield_kg_ha": yields})
    answer = answer_trial(table, **PRICES)
    gain = answer.response.net_gain
    assert answer.response.optimum.status == "interior"
    assert gain.value > 0
    assert (gain.low > 0) == clear
    do = " ".join(answer.sections[0].do)
    assert ("Start from" in do) == ("you lose at most" in do) == clear
    assert ("may lose money" in do) != clear
