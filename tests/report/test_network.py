"""The page of several trials: every site stays, silent and rising ones by name, one rate and its range."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import InputError, NotEstimable
from fertkit.report import answer_network
from fertkit.say.network import repeated
from fertkit.say.trials import pooled_lines
from fertkit.trials.strips import repeated_sites, sites_counted

pytestmark = pytest.mark.usefixtures("undrawn")

PRICES = {"nutrient_price": 1.0, "grain_price": 180.0}


@pytest.fixture(scope="module")
def open_sites(corn_sites):
    """Answer for the five sites of the open data."""
    return answer_network(corn_sites, **PRICES)


@pytest.fixture(scope="module")
def page_of_open_sites(open_sites, undrawn_page):
    return undrawn_page(open_sites)


def test_silent_rising_and_failed_sites_are_named(network, page_of):
    assert network.silent == ["silent"]
    assert network.rising == ["rising"]
    assert list(network.failed) == ["alone"]
    html = page_of("network")
    for part in (
        "Trials without an economic response: silent",
        "Trials still rising at the highest rate tested: rising",
        "Could not be analysed: alone",
    ):
        assert part in html


def test_every_site_has_its_row(network):
    rows = network.tables["Trial by trial"]
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
    table = network.tables["Yield at 160 minus yield at 0"].set_index("trial")
    assert table.loc["rising", "difference [t/ha]"] == pytest.approx(1.5e-4 * 160**2, abs=0.2)
    assert table.loc["silent", "difference [t/ha]"] == pytest.approx(0, abs=0.2)


def test_open_data_of_five_sites(corn_sites, open_sites, page_of_open_sites):
    """Every site of the open data answers to nitrogen; its gain is the difference of its means."""
    answer = open_sites
    treatment, check = answer.contrast_of
    means = corn_sites.pivot_table("yield_t_ha", "trial", "rate_kg_ha")
    table = answer.tables[f"Yield at {treatment:g} minus yield at {check:g}"].set_index("trial")[
        "difference [t/ha]"
    ]
    full = (means[treatment] - means[check]).dropna()
    assert table[full.index].to_numpy() == pytest.approx(full.to_numpy())
    assert not answer.silent
    assert "site-years" in page_of_open_sites or "Pooled gain of" in " ".join(answer.summary().splitlines())


def test_sites_and_years_are_told_apart(kinds_of_site):
    years = pd.concat([kinds_of_site.assign(year=y) for y in (2024, 2025)])
    answer = answer_network(years[years["trial"] != "rising"], **PRICES)
    assert list(answer.trials) == ["silent 2024", "joined 2024", "silent 2025", "joined 2025"]


def test_one_trial_is_no_network(kinds_of_site):
    with pytest.raises(NotEstimable, match="the file has one trial"):
        answer_network(kinds_of_site[kinds_of_site["trial"] == "joined"], **PRICES)


def test_rates_that_share_nothing_are_not_pooled_as_a_difference(kinds_of_site):
    own = kinds_of_site[kinds_of_site["trial"] != "rising"].copy()
    own.loc[own["trial"] == "silent", "rate_kg_ha"] += 5
    answer = answer_network(own, **PRICES)
    assert answer.contrast is None
    assert "Not pooled: no two rates are shared" in answer.page()


def test_sites_left_out_of_the_pooled_gain_are_counted_and_named_with_the_reason(kinds_of_site):
    own = kinds_of_site[kinds_of_site["trial"].isin(["silent", "joined", "rising"])].copy()
    own.loc[own["trial"] == "silent", "rate_kg_ha"] += 5
    answer = answer_network(own, **PRICES)
    treatment, check = answer.contrast_of
    said = answer.summary()
    assert f"Pooled gain of {treatment:g} over {check:g} kg/ha, 2 of 3 sites: " in said
    assert f"shown but not weighted: silent (no strips at both {treatment:g} and {check:g})" in said


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
    assert answer.no_model == curves.no_model
    row = answer.tables["Trial by trial"].set_index("trial").loc["two"]
    assert row["status"].startswith("difference only")
    assert np.isnan(row["economic optimum [kg/ha]"])
    assert np.isnan(row["lost at the common rate per hectare"])
    lines = " ".join(answer.summary().splitlines())
    assert "These 3 trials" in lines
    assert "not in the pooled curve: two" in lines
    assert "1 of joined" in lines  # the lost strip


def test_two_rates_alone_have_no_common_rate(with_two_rates):
    two = with_two_rates[with_two_rates["trial"] == "two"]
    both = pd.concat([two, two.assign(trial="also two")])
    with pytest.raises(NotEstimable, match="a difference, not a curve"):
        answer_network(both, **PRICES)


def test_interval_cut_by_the_highest_rate_is_open(network):
    """The rising site still rises at 160: resampled sets of it alone end there for want of a higher rate."""
    assert network.pooled.interval_open
    assert "> 160 kg/ha" in " ".join(map(str, pooled_lines(network.pooled, [])))


def test_gain_is_pooled_at_the_tested_rate_nearest_to_the_common_one(
    corn_sites, open_sites, page_of_open_sites
):
    answer = open_sites
    treatment, check = answer.contrast_of
    tested = corn_sites.groupby("rate_kg_ha")["trial"].nunique()
    tested = tested[(tested >= 2) & (tested.index != check)]
    assert abs(treatment - answer.pooled.rate) == pytest.approx(
        np.abs(tested.index.to_numpy() - answer.pooled.rate).min()
    )
    assert f"tested rate nearest {answer.pooled.rate:.0f}" in " ".join(answer.summary().splitlines())
    assert "more weight" not in page_of_open_sites
    assert "by their best-supported curves" in page_of_open_sites


def strips_of(slopes, join=80.0, sd=0.1, seed=5):
    """Sites made to rise by these slopes to a join, four blocks of five rates each."""
    rng, rates = np.random.default_rng(seed), np.repeat([0.0, 40, 80, 120, 160], 4)
    return pd.concat(
        pd.DataFrame({"trial": f"site {i}", "block": np.tile(range(4), 5), "rate_kg_ha": rates,
                      "yield_t_ha": 6 + slope * np.minimum(rates, join) + rng.normal(0, sd, 20)})
        for i, slope in enumerate(slopes)
    )  # fmt: skip


UNSURE = {
    "two sites, one without a response": [0.05, 0.0],
    "three sites far apart": [0.06, 0.0, -0.02],
    "six sites far apart": [0.08, 0.07, 0.0, 0.0, -0.05, -0.06],
    "two alike": [0.05, 0.05],
}


@pytest.fixture(scope="module", params=UNSURE)
def unsure(request):
    return answer_network(strips_of(UNSURE[request.param]), **PRICES)


def test_few_or_unlike_sites_are_said_first_and_recommend_nothing(unsure):
    answer, slopes = unsure, unsure.trials
    lines, page = answer.summary().splitlines(), answer.page()
    assert lines[0] == f"These {len(slopes)} trials support no common rate."
    none = lines[0] == answer.pooled.summary().splitlines()[0]
    assert none == bool(answer.pooled.doubts)
    assert "Start from" not in page
    assert "highest at" not in page
    assert "lost at the common rate" not in page
    assert page.index("support no common rate") < page.index("peaks at")
    assert "Use no common rate from these trials." in page
    assert ("2 sites cannot support one model" in page) == (len(slopes) == 2)


@pytest.mark.parametrize("unsure", ["six sites far apart"], indirect=True)
def test_a_pooled_gain_that_may_be_a_loss_is_told_before_the_rate(unsure):
    answer = unsure
    assert answer.contrast.low < 0 < answer.contrast.high
    lines = answer.summary().splitlines()
    at = next(i for i, line in enumerate(lines) if "pooled gain of 6 sites may be a loss" in line)
    assert at < next(i for i, line in enumerate(lines) if "peaks at" in line)


def test_many_sites_alike_recommend_their_rate():
    """Six sites that rise alike to a join at 80 kg/ha, where a rise of 0.05 t/kg pays nine times its cost."""
    answer = answer_network(strips_of([0.05, 0.055, 0.045, 0.05, 0.052, 0.048]), **PRICES)
    assert not answer.doubts
    assert answer.pooled.rate == pytest.approx(80, abs=6)
    assert answer.summary().splitlines()[0].startswith("Over 6 trials mean net return is highest at")
    assert f"Start from {answer.pooled.rate:g} kg/ha" in answer.page()


def test_sites_that_all_pay_nothing_get_no_rate_to_start_from():
    answer = answer_network(strips_of([0.0] * 6), **PRICES)
    assert answer.pooled.rate == 0
    page = answer.page()
    assert "Start from" not in page
    assert "on average no rate paid" in page


def test_interval_of_the_mean_net_gain_is_students(open_sites):
    """Against scipy's t interval of the sites' own net gains at the common rate, each curve taken by hand."""
    from scipy import stats

    pooled, gains = open_sites.pooled, []
    for trial in open_sites.trials.values():
        fit = trial.fits[trial.weights.idxmax()]
        at, without = fit.predict([pooled.rate, 0.0], extrapolate=True)
        gains.append(180.0 * (at - without) - 1.0 * pooled.rate)
    ends = stats.t.interval(0.95, len(gains) - 1, loc=np.mean(gains), scale=stats.sem(gains))
    assert (pooled.gain_low, pooled.gain_high) == pytest.approx(ends)


# ---- one model of all sites


@pytest.fixture(scope="module")
def tested_soils():
    """Ten sites whose joins fall from 125 to 80 kg/ha as their soil test rises from 5 to 14 ppm."""
    rng, rates = np.random.default_rng(6), np.repeat([0.0, 40, 80, 120, 160], 3)
    return pd.concat(
        pd.DataFrame({"trial": f"site {i}", "block": np.tile(range(3), 5), "rate_kg_ha": rates,
                      "soil_p_ppm": 5 + i, "crop_before": "corn" if i % 2 else "soybean",
                      "yield_t_ha": rng.normal(6 + i / 10 + 0.05 * np.minimum(rates, 125 - 5 * i), 0.1)})
        for i in range(10)
    )  # fmt: skip


def test_a_soil_test_gives_a_rate_for_a_new_field(tested_soils):
    answer = answer_network(tested_soils, **PRICES, new_site={"Soil P (ppm)": 8})
    assert not answer.doubts
    assert answer.model.curve == "linear_plateau"
    assert answer.new_site.rate == pytest.approx(110, abs=8)  # the join of a soil of 8 ppm: 125 - 5 (8 - 5)
    page, text = answer.page(), answer.summary()
    assert "At a new site of Soil P (ppm) 8" in text
    for part in (
        "One model of all sites",
        "Which rate for the new site?",
        "certified adviser",
        "Each site, predicted",
    ):
        assert part in page
    predicted = answer.tables["Each site, predicted"].set_index("trial")
    ends = predicted["end of the rise [kg/ha]"]
    assert ends.to_numpy() == pytest.approx(125 - 5 * np.arange(10), abs=5)


def test_a_soil_test_that_explains_the_response_gives_a_rate_where_the_mean_of_sites_gives_none():
    # Slopes fall from 0.048 t/kg to 0 as the soil test rises; half of the sites do not respond.
    rng, rates, soils = np.random.default_rng(3), np.repeat([0.0, 40, 80, 120], 2), np.arange(8) * 4 + 4.0
    sites = pd.concat(
        pd.DataFrame({"trial": f"site {p:g}", "block": np.tile(range(2), 4), "rate_kg_ha": rates,
                      "soil_p_ppm": p,
                      "yield_t_ha": rng.normal(6 + max(0, 0.06 - 0.003 * p) * np.minimum(rates, 80), 0.08)})
        for p in soils
    )  # fmt: skip
    prices = {"nutrient_price": 1.5, "grain_price": 150}
    answer = answer_network(sites, **prices, new_site={"soil_p_ppm": 6})
    assert answer.doubts
    assert not answer.site_doubts
    assert answer.new_site.gain == pytest.approx(80 * (0.042 * 150 - 1.5), rel=0.25)  # by the truth above
    assert "At a new site of soil_p_ppm 6 mean net return is highest" in answer.summary()
    assert "by soil_p_ppm" in answer.summary()
    page = answer.page()
    assert "At a new site of soil_p_ppm 6" in page
    assert "Which rate does the model give?" not in page
    unsure = replace(answer, new_site=replace(answer.new_site, gain_low=-1.0))
    assert "No rate for the new site: their mean net gain may be a loss" in unsure.summary()


def test_what_is_asked_of_a_new_field_must_be_known(tested_soils):
    with pytest.raises(InputError, match="there is no column 'Soil K'"):
        answer_network(tested_soils, **PRICES, known=["Soil K"])
    with pytest.raises(InputError, match="several values in trial site 0"):
        answer_network(tested_soils, **PRICES, known=["block"])
    with pytest.raises(InputError, match="outside the range of the sites"):
        answer_network(tested_soils, **PRICES, new_site={"soil_p_ppm": 90})


def test_few_sites_give_no_rate_for_a_new_field(tested_soils):
    few = tested_soils[tested_soils["trial"].isin([f"site {i}" for i in range(4)])]
    answer = answer_network(few, **PRICES)
    assert answer.doubts
    assert "Which rate does the model give?" not in answer.page()
    with pytest.raises(NotEstimable, match="4 sites cannot support one model with 1 term"):
        answer_network(few, **PRICES, new_site={"soil_p_ppm": 6})


def test_the_command_takes_what_is_known(tested_soils, tmp_path, capsys):
    file, page = tmp_path / "network.csv", tmp_path / "network.html"
    fewest = tested_soils[tested_soils["soil_p_ppm"] <= 12]  # eight sites carry a soil test
    fewest.rename(columns={"soil_p_ppm": "Soil P ppm", "crop_before": "Previous crop"}).to_csv(
        file, index=False
    )
    asked = ["strips", str(file), "--crop", "corn", "--nutrient-price", "1", "--grain-price", "180"]
    assert main([*asked, "--together", "--new-site", "Soil P ppm=8", "--page", str(page)]) == 0
    out = capsys.readouterr().out
    assert "At a new site of Soil P ppm 8" in out
    assert "not used: column 'Previous crop'" in out
    assert "Soil P ppm" in page.read_text(encoding="utf-8")
    assert main([*asked, "--with", "Soil P ppm"]) != 0
    assert "--together" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("columns", "counted", "again"),
    [
        ({"trial": list("1234"), "site": list("NNSS"), "year": [1, 2, 1, 2]}, "site-year", (4, 2)),
        ({"site": list("NNSS"), "year": [1, 2, 1, 1]}, "site-year", (3, 2)),
        ({"site": list("NSEW"), "year": [1, 2, 1, 2]}, "site-year", (0, 0)),
        ({"site": list("NSEW"), "year": [1, 1, 1, 1]}, "site", (0, 0)),
        ({"trial": list("NSEW")}, "site", (0, 0)),
    ],
)  # fmt: skip
def test_years_of_one_site_are_counted_as_such(columns, counted, again):
    """Counted by hand: a site comes again in another year, and then the answer says so."""
    table = pd.DataFrame(columns)
    assert sites_counted(table) == counted
    assert repeated_sites(table) == again
    said = repeated(*again)
    assert [text.split(":")[0] for text in said] == (
        [f"{again[0]} site-years lie on {again[1]} sites"] if again[0] else []
    )
