"""One place asks of a trial's files: which ways they can be answered, what each takes, what is refused."""

import pandas as pd
import pytest
from scipy.stats import t

from fertkit.cli import main
from fertkit.errors import NotEstimable
from fertkit.intake import read_strips
from fertkit.report.asking import TrialFiles, read_trial_files
from fertkit.response import Prices, pool_net_return
from fertkit.response.pooled import Site
from fertkit.say.trials import against_lines

MONEY = {"nutrient_price": 0.45, "grain_price": 4.5}


@pytest.fixture(scope="module")
def tillage(demo):
    return read_trial_files(demo("tillage_n_strips.csv"), crop="corn", columns={"factor": ["Tillage"]})


@pytest.fixture(scope="module")
def by_tillage(tillage):
    return tillage.answer("groups", against=[150], **MONEY)


WAYS = {
    "corn_n_strips.csv": ("rate", "means"),
    "workshop_strips.csv": ("rate", "means", "network"),
    "np_strips.csv": ("nutrients", "means"),
    "product_strips.csv": ("means",),
    "network_strips.csv": ("rate", "means", "network"),
}


@pytest.mark.parametrize("name", WAYS)
def test_a_file_says_how_it_can_be_answered(demo, name):
    assert read_trial_files(demo(name), crop="corn").ways == WAYS[name]


def test_a_second_factor_is_answered_by_curves_or_by_means(tillage):
    assert tillage.ways == ("groups", "means")
    assert tillage.way(MONEY) == "groups"
    assert tillage.way({}) == "means"


def test_a_pool_is_held_against_a_rate_site_by_site():
    """By hand at 10 a bushel and 0.1 a pound: the best rate is 120; over 80 one site nets 60 - 54, the other
    36 - 38, so 2 on the mean, and Student's interval of two sites is 4 t either way."""
    sites = [Site("A", "quadratic", [3.0, 0.05, -0.000125], 0.0, 300.0),
             Site("B", "quadratic", [3.0, 0.03, -0.000125], 0.0, 300.0)]  # fmt: skip
    pooled = pool_net_return(sites, Prices(0.10, 10.0), within=0.1, against=[80])
    row = pooled.against.iloc[0]
    assert row[["rate", "over", "net", "sites_losing"]].tolist() == pytest.approx([120, 80, 2, 1])
    assert row["net_high"] - row["net"] == pytest.approx(4 * t.ppf(0.975, 1))
    assert "returns 2.00 per acre more on the mean of 2 sites" in str(against_lines(pooled)[0])


def test_each_group_is_held_against_the_usual_rate(by_tillage):
    assert list(by_tillage.worths) == ["no-till", "strip-till"]
    for name, worth in by_tillage.worths.items():
        optimum = by_tillage.groups.analyses[name].optimum.rate
        assert worth.of(optimum, 150)["cost"] == pytest.approx(0.45 * (optimum - 150))
        assert f"tillage {name}: Against 150 lb/ac, the usual rate" in by_tillage.summary()
    assert by_tillage.table["item"].str.contains("against 150").any()


def test_another_price_gives_what_asking_anew_gives(tillage, by_tillage):
    dearer = MONEY | {"nutrient_price": 0.9}
    moved = tillage.answer("groups", before=by_tillage, against=[150], **dearer)
    anew = tillage.answer("groups", against=[150], **dearer)
    pd.testing.assert_frame_equal(moved.table, anew.table)
    assert moved.groups.models is by_tillage.groups.models


REFUSED = {
    "means": (
        "corn_n_strips.csv",
        {"robust": True},
        "a fit for outlying strips does not apply to treatments",
    ),
    "network": ("workshop_strips.csv", {"design": "pairs"}, "a design does not apply to several trials"),
    "rate": ("corn_n_strips.csv", {"known": ["pH"]}, "pool the trials, or use --together"),
    "nutrients": ("np_strips.csv", {"against": [60]}, "a rate to compare with does not apply to the best"),
}


@pytest.mark.parametrize("way", REFUSED)
def test_what_a_way_does_not_take_is_refused_with_what_to_do(demo, way):
    name, asked, why = REFUSED[way]
    strips = read_strips(demo(name), crop="corn")
    with pytest.raises(NotEstimable, match=why):
        TrialFiles((demo(name),), {}, strips).answer(way, **MONEY, **asked)


def test_what_belongs_to_a_log_asks_for_one(demo, capsys):
    assert main(["strips", str(demo("corn_n_strips.csv")), "--zones", "Soil"]) == 2
    assert "zones: only for a combine log" in capsys.readouterr().err
