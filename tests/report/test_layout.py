"""A planned trial from the command to its files: size, rates, place."""

import json

import numpy as np
import openpyxl
import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import InputError, NotEstimable
from fertkit.intake.shapes import read_outline
from fertkit.intake.strips import read_strips
from fertkit.report.layout import answer_layout
from fertkit.trials.application import guidance_geojson, metres_a_degree

MACHINES = {"header_width": 30, "applicator_width": 60, "strip_length": 1200, "seed": 3}
WORDS = ["--header-width", "30", "--applicator-width", "60", "--strip-length", "1200", "--cv", "2.5"]
FIELD = {"yield_without": 48, "best_yield": 60, "best_rates": (90, 140), "price_ratio": 0.04, "highest": 200}


@pytest.fixture(scope="module")
def placed():
    network = {"width": 30, "site_sd": 25, "year_sd": 5}
    return answer_layout(cv_pct=2.5, field_supposed=FIELD, network=network, second=2, blocks=4, **MACHINES)


def test_rates_that_are_placed_are_laid_out_as_often_as_placed(placed):
    strips = placed.plan.table.query("kind == 'strip'")
    rates = sorted(placed.placing.plans[placed.laid])
    assert all(sorted(block) == rates for _, block in strips.groupby("block")["treatment"])
    assert placed.expected.table["plan"].tolist() == ["equal spacing", "for the optimum of any curve"]
    assert placed.network.quantity == "economic optimum"
    by_plan = placed.placing.table.set_index("plan")["optimum_se_lb_ac"]
    assert placed.network.one_block == pytest.approx(by_plan[placed.laid])


def test_placed_rates_are_laid_out_only_where_simulated_trials_favour_them():
    """At a CV of 5% the two highest strips at one rate widen the interval: equal spacing is the plan."""
    supposed = {"yield_without": 100, "best_yield": 180, "best_rates": 140, "price_ratio": 1 / 9}
    asked = {"cv_pct": 5, "blocks": 4, "strips": 5, **MACHINES}
    answer = answer_layout(field_supposed=supposed | {"highest": 240}, **asked)
    width = answer.expected.table.set_index("plan")["median_width_lb_ac"]
    assert width["equal spacing"] < width["for the optimum of any curve"]
    assert sorted(set(answer.plan.treatments)) == [0, 60, 120, 180, 240]
    assert answer.lines()[0].plain.startswith("Rates are equally spaced")
    # Without a highest rate: equal steps of multiples of 5 up to 1.5 x 140 lb/ac or little more.
    free = answer_layout(field_supposed=supposed, **asked)
    assert sorted(set(free.placing.plans["equal spacing"])) == [0, 55, 110, 165, 220]


def test_every_part_is_said_drawn_and_tabled(placed):
    titles = [section.title for section in placed.sections]
    assert titles[:5] == ["What differences can it detect?", "Two factors, or zones",
                          "Which rates find the optimum best?", "How well will it find the optimum?",
                          "How many sites and years?"]  # fmt: skip
    page = placed.page()
    assert page.count("<img") == 6
    for section in placed.sections:
        for table in section.tables:
            assert not any("_" in name for name in table.frame.columns)
    assert {"ELFVING1952", "CHALONER1995", "COCHRAN1957"} <= set(placed.sources["source_key"])


def test_the_command_plans_a_trial_along_a_line(tmp_path, capsys):
    words = [
        "layout",
        "--rates",
        "0,60,120,180",
        "--difference",
        "5",
        *WORDS,
        "--line",
        "-93.1,42.0 -93.1,42.01",
    ]
    assert main([*words, "--files", str(tmp_path / "field"), "--workbook", str(tmp_path / "a.xlsx")]) == 0
    said = capsys.readouterr().out
    blocks = answer_layout([0.0, 60, 120, 180], cv_pct=2.5, difference_pct=5, **MACHINES).plan.blocks
    assert f"{blocks} blocks of 4 treatments" in said
    table = pd.read_csv(tmp_path / "field" / "strips.csv")
    strips = json.loads((tmp_path / "field" / "strips.geojson").read_text(encoding="utf-8"))["features"]
    lines = json.loads((tmp_path / "field" / "lines.geojson").read_text(encoding="utf-8"))["features"]
    assert len(table) == len(strips) == len(lines) == 4 * blocks + 2
    assert lines[0]["properties"]["name"] == "A-B line"
    assert [s["properties"]["rate_lb_ac"] for s in strips] == table["rate_lb_ac"].tolist()
    sheets = openpyxl.load_workbook(tmp_path / "a.xlsx").sheetnames
    assert {"Blocks", "Strips", "Checks", "Sources"} <= set(sheets)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "assumed yields"),
        (["--best-yield", "60"], "--yield-without, --best-rate, --nutrient-price, --grain-price"),
        (["--rates", "0,60", "--line", "3.1,42.0"], "A-B line needs A and B"),
        (["--rates", "0,60,60"], "give each treatment once"),
        (["--rates", "0,60", "--second", "1"], "second"),
    ],
)
def test_what_is_no_plan_is_refused_in_plain_words(words, says, capsys):
    assert main(["layout", *WORDS, *words]) == 2
    assert says in capsys.readouterr().err


def test_an_outline_is_an_object_of_geojson(tmp_path):
    file = tmp_path / "field.geojson"
    file.write_text('{"type": "Polygon", "coordinates": [[[0, 0], [0.01, 0], [0.01, 0.01], [0, 0]]]}')
    assert read_outline(file)["type"] == "Polygon"
    file.write_text("[1, 2")
    with pytest.raises(InputError, match="not a GeoJSON object"):
        read_outline(file)


def test_a_field_too_narrow_is_refused_before_anything_is_written():
    corners = [(-93.0, 42.0), (-92.999, 42.0), (-92.999, 42.0005), (-93.0, 42.0005)]
    with pytest.raises(NotEstimable, match="across its longest side"):
        answer_layout([0.0, 60, 120], cv_pct=3, boundary=corners, **MACHINES)


def test_a_bent_field_holds_the_trial_where_it_fits_and_what_is_cut_is_said():
    """624 x 300 m: a field 1240 m long whose east is 445 m and whose west 890 m wide."""
    bent = [(-93.10, 42.0), (-93.085, 42.0), (-93.085, 42.004), (-93.092, 42.0042), (-93.093, 42.008),
            (-93.10, 42.008)]  # fmt: skip
    asked = {"cv_pct": 5, "blocks": 4, "seed": 0, "width_unit": "m", "unit": "kg/ha", "boundary": bent,
             "header_width": 12, "applicator_width": 24, "headland": 20}  # fmt: skip
    whole = answer_layout([0.0, 50, 100, 150, 200, 250], strip_length=300, **asked)
    assert {f["properties"]["kept_pct"] for f in whole.features} == {100.0}
    assert "cuts" not in whole.summary()
    long = answer_layout([0.0, 50, 100], strip_length=2400, **asked)
    assert "cuts 14 of 14 strips" in long.summary()


@pytest.mark.parametrize("line", [None, [(-93.10, 42.0), (-93.10, 42.01)]])
def test_the_file_of_a_layout_is_read_once_yields_are_filled_in(line):
    """Borders lie in no block and have no yield; the trial is the twelve strips between them."""
    asked = {"cv_pct": 4, "blocks": 4, "seed": 0, "width_unit": "ft", "strip_length": 1200, "line": line}
    laid = answer_layout([0.0, 60, 120], header_width=30, applicator_width=60, **asked).table
    filled = laid.assign(yield_bu_ac=(100 + laid["rate_lb_ac"] / 4).where(laid["kind"] == "strip"))
    read = read_strips(filled)
    assert read.table["rate_lb_ac"].tolist() == laid.loc[laid["kind"] == "strip", "rate_lb_ac"].tolist()
    assert read.table.groupby("block").size().tolist() == [3, 3, 3, 3]
    assert any("2 border strips left out" in str(note) for note in read.notes)


def test_lengths_are_those_that_slanting_sides_leave():
    """A triangle 400 m long and 316 m high, by the radii of the ellipsoid: at y from the long side 400 m less
    400/316 y are left; the whole width ends at the far side of a strip; 40 m or less are left out."""
    lon, lat = metres_a_degree(42.0)
    corners = [(-93.0, 42.0), (-93.0 + 400 / lon, 42.0), (-93.0 + 200 / lon, 42.0 + 316 / lat)]
    answer = answer_layout(
        [0.0, 50, 100], cv_pct=5, blocks=4, seed=0, width_unit="m", unit="kg/ha", borders=0, boundary=corners,
        header_width=12, applicator_width=24, strip_length=400,
    )  # fmt: skip
    far = 24 * np.arange(1, 13)
    left = 400 - far * 400 / 316
    kept = left > 40
    assert answer.left_out == (np.flatnonzero(~kept) + 1).tolist()
    assert answer.table["length_m"].to_numpy() == pytest.approx(left[kept], abs=1.0)
    lines = guidance_geojson(answer.plan, corners)["features"]
    assert len(lines) == kept.sum()
    assert "left out, too short to harvest where the boundary cuts: position 12" in answer.summary()


def test_a_network_counts_on_the_rates_that_are_given():
    given = answer_layout([0.0, 50, 100, 150, 200], cv_pct=2.5, blocks=4, field_supposed=FIELD,
                          network={"width": 30, "site_sd": 25, "year_sd": 5}, **MACHINES)  # fmt: skip
    table = given.placing.table.set_index("plan")["optimum_se_lb_ac"]
    assert given.network.one_block == table["the rates given"]
    assert table["the rates given"] == pytest.approx(table["equal spacing"])  # the same rates
    assert "one year says nothing about other years" in given.summary()


@pytest.mark.parametrize(("line", "told"), [(None, True), ([(-93.10, 42.0), (-93.10, 42.01)], False)])
def test_a_headland_that_lies_nowhere_is_told(line, told):
    answer = answer_layout([0.0, 60, 120], cv_pct=4, blocks=4, headland=100, line=line, **MACHINES)
    assert ("headland is not laid out" in answer.summary()) == told


def test_two_factors_get_the_blocks_they_need_and_a_word_on_the_other():
    answer = answer_layout([0.0, 60, 120, 180], cv_pct=5, difference_pct=8, second=2, arrangement="zones",
                           **MACHINES)  # fmt: skip
    assert answer.plan.blocks == answer.factors.blocks == 13  # by scipy's noncentral t: power 0.812
    assert "lay 13 blocks in each zone" in answer.summary()
