"""From a log and a map to an answer by zone: a made field of known optima (tests/trials/made_field.py).

With 60 (2 x/J - (x/J)^2) bu/ac up to J and a price ratio of 0.6 / 4.5 = 0.1333, net return is greatest where
120/J (1 - x/J) = 0.1333: at x = J (1 - J/900), which is 54.6 for J = 58.4 and 153 for J = 200.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

from fertkit import answer_points
from fertkit.errors import NotEstimable

sys.path.insert(0, str(Path(__file__).parents[1] / "trials"))
import made_field as made


@pytest.fixture(scope="module")
def answer():
    def yields(rate, x, y):
        return np.where(y < 100, made.response(rate, join=58.4), made.response(rate, join=200))

    field = made.made_field(
        blocks=3, length=200, noise=1.5, strip_sd=1.0, drift=0.0, seed=8, yields=yields
    )  # fmt: skip
    log, _, polygons, _ = field
    log = log.assign(soil=np.where(log["y"] < 100, "deep", "sandy")).drop(columns=["x", "y"])
    return answer_points(
        log, polygons, crop="corn", zones="soil", delay=0, nutrient_price=0.6, grain_price=4.5
    )


def test_zones_have_their_optima(answer):
    optima = answer.groups.groups.set_index("group")["rate"]
    assert optima["deep"] == pytest.approx(54.6, abs=20)
    assert optima["sandy"] == pytest.approx(153, abs=20)
    assert answer.groups.pays
    assert answer.groups.differences["apart"].all()
    shares = answer.groups.shares
    assert shares["deep"] == pytest.approx(0.5, abs=0.03)


def test_the_page_tells_what_was_left_out(answer):
    page = answer.page()
    for part in (
        "From points to strips",
        "Points left out, step by step",
        "Do zones differ?",
        "not replicates",
    ):
        assert part in page
    audit = answer.tables["Points left out, step by step"]
    assert audit["points kept"].iloc[-1] == answer.joined.strips["points"].sum()


def test_a_map_of_treatments_is_compared_by_its_means(tmp_path, capsys):
    """A product 10 bu/ac over its check, by strips in pairs; costs and a paper are taken too."""
    import json

    from fertkit.cli import main

    field = made.made_field(
        rates=(0, 1), blocks=5, length=200, noise=1.5, strip_sd=1.0, drift=0, seed=3,
        yields=lambda rate, x, y: 150 + 10 * rate,
    )  # fmt: skip
    log, _, polygons, _ = field
    for feature in polygons["features"]:
        rate = feature["properties"].pop("N rate (lb/ac)")
        feature["properties"]["Treatment"] = "Product" if rate else "Check"
    log.drop(columns=["x", "y"]).to_csv(tmp_path / "log.csv", index=False)
    (tmp_path / "map.geojson").write_text(json.dumps(polygons))
    asked = ["strips", str(tmp_path / "map.geojson"), "--log", str(tmp_path / "log.csv"), "--crop", "corn"]
    main(
        [
            *asked,
            "--delay",
            "0",
            "--cost",
            "Product=12",
            "--grain-price",
            "4.5",
            "--paper",
            str(tmp_path / "p"),
        ]
    )
    said = capsys.readouterr().out
    assert "Product yielded more than Check" in said
    assert "Net return over Check" in said
    answer = answer_points(tmp_path / "log.csv", tmp_path / "map.geojson", crop="corn", delay=0)
    means = answer.trial.analysis.means.set_index("treatment")
    low, high = means.loc["Product", ["difference_low", "difference_high"]]
    assert low < 10 < high
    assert low > 5
    assert "harvest points" in (tmp_path / "p" / "methods.txt").read_text()


def test_rates_need_their_prices():
    log, _, polygons, _ = made.made_field(blocks=2, length=100, drift=0, seed=3)
    with pytest.raises(NotEstimable, match="prices of the nutrient"):
        answer_points(log.drop(columns=["x", "y"]), polygons, crop="corn", delay=0)
