"""Strips that no field gives are refused with a remedy: zeros, broken records, slips of unit, rates."""

from io import StringIO
from pathlib import Path

import numpy as np
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_strips

CASES = Path(__file__).parents[1] / "cases" / "strips"


def sheet(yields, rates=("0", "50", "100"), harvest="Yield (bu/ac)", rate="N rate (lb/ac)"):
    """Three blocks, the yields in turn, as bytes."""
    cells = [f"{b};{r};{yields[(i + b) % len(yields)]}" for b in range(3) for i, r in enumerate(rates)]
    return "\n".join([f"block;{rate};{harvest}", *cells]).encode()


def refused(content, **options):
    with pytest.raises(InputError) as told:
        read_strips(content, name="strips.csv", **options)
    return told.value


def test_a_zero_is_refused_with_its_remedy():
    # cases/README: one_zero.csv is refused with its remedy.
    error = refused((CASES / "one_zero.csv").read_bytes())
    (problem,) = error.problems
    assert (problem.row, problem.column, problem.value) == (9, "Yield (bu/ac)", "0")
    assert "lost" in problem.what
    assert "leave the cell empty" in problem.remedy
    assert "--real-yields" in problem.in_code
    told = read_strips(CASES / "one_zero.csv", real_yields=True)
    assert (told.table["yield_bu_ac"] == 0).sum() == 1


@pytest.mark.parametrize(
    ("yields", "options", "said"),
    [
        # Highest corn yield of the national contest, 623.84 bu/ac (2023): 1,200 is a slip.
        (["120", "150", "1200"], {"crop": "corn"}, "highest known corn yield is 624 bu/ac"),
        (["120", "150", "1e308"], {}, "not a sensible number"),
        (["120", "150", "1e11"], {}, "impossible yield"),
        (["120", "150", "1e-320"], {}, "not a sensible number"),
        (["120", "150", "1e-9"], {}, "far below the other yields"),
        (["120", "150", "1.5"], {}, "far below the other yields"),
        (["50%", "60%", "70%"], {}, "a unit '%'"),
    ],
)
def test_single_yields_that_cannot_be(yields, options, said):
    error = refused(sheet(yields), **options)
    assert all(said in problem.what for problem in error.problems)
    assert len({problem.row for problem in error.problems}) == (9 if "%" in yields[0] else 3)


@pytest.mark.parametrize(
    ("yields", "harvest", "crop"),
    [
        (["1.234", "1.344", "1.500"], "Yield (kg/ha)", ""),
        (["8.1", "9.2", "10.2"], "Yield (bu/ac)", "corn"),  # t/ha under bushels: 10 t/ha of corn is 159 bu/ac
        (["3.1", "3.2", "4.2"], "Yield (bu/ac)", "soybean"),
    ],
)
def test_a_column_in_another_unit_is_asked_about(yields, harvest, crop):
    (problem,) = refused(sheet(yields, harvest=harvest), crop=crop).problems
    assert (problem.row, problem.column) == (None, harvest)
    assert "check the unit" in problem.remedy
    assert len(read_strips(sheet(yields, harvest=harvest), crop=crop, real_yields=True).table) == 9


def trials(second):
    """Three trials of three rates in two blocks, the second with yields of its own; its rows are 8 to 13."""
    yields = {"A": (110, 170, 200), "B": second, "C": (130, 180, 190)}
    cells = [f"{t};{b};{r};{y}" for t, of in yields.items() for b in (1, 2)
             for r, y in zip((0, 60, 120), of, strict=True)]  # fmt: skip
    return "\n".join(["Trial;Block;N rate (lb/ac);Yield (bu/ac)", *cells]).encode()


@pytest.mark.parametrize("crop", ["corn", ""])
def test_a_trial_in_tonnes_among_trials_in_bushels_is_asked_about(crop):
    # A bushel of corn is 56 lb: 1 t/ha is 15.93 bu/ac, so a mean of 10 is 159 bu/ac.
    error = refused(trials((8, 10, 12)), crop=crop)
    assert [problem.row for problem in error.problems] == list(range(8, 14))
    problem = error.problems[0]
    assert problem.column == "Yield (bu/ac)"
    assert "trial 'B' yields 10 bu/ac on average, the others 160 to 167" in problem.what
    assert not crop or "read as t/ha it would be 159 bu/ac" in problem.what
    assert "convert its yields to bu/ac" in problem.remedy
    assert "--real-yields" in problem.in_code
    assert len(read_strips(trials((8, 10, 12)), crop=crop, real_yields=True).table) == 18


@pytest.mark.parametrize("second", [(40, 55, 60), (25, 30, 35), (20, 28, 30)])
def test_a_site_of_a_dry_year_passes_among_others(second):
    assert len(read_strips(trials(second), crop="corn").table) == 18


@pytest.mark.parametrize(
    ("rates", "said"),
    [(["0", "50", "5000"], "impossible rate of N"), (["0", "1e-9", "50"], "almost nothing beside"),
     (["0", "50%", "100"], "a unit '%'")],
)  # fmt: skip
def test_rates_that_cannot_be(rates, said):
    error = refused(sheet(["120", "150", "140"], rates))
    assert all(said in problem.what for problem in error.problems)


@pytest.mark.parametrize(
    ("yields", "harvest", "crop"),
    [
        (["8.1", "9.2", "10.2"], "Yield (t/ha)", "corn"),
        (["45", "50", "55"], "Silage yield (t/ha)", "corn"),
        (["45", "50", "55"], "Yield (t/ha)", "potato"),
        (["85", "100", "95"], "Ertrag (dt/ha)", "Winterweizen"),
        (["20", "15", "12"], "Yield (bu/ac)", "wheat"),  # a dry year
        (["2600", "3100", "2900"], "Seed cotton yield (lb/ac)", "cotton"),
        (["1.1", "1.4", "1.2"], "Yield (t/ha)", "soybean"),
        (["40", "150", "190"], "Yield (bu/ac)", "corn"),  # hardly anything without nitrogen
    ],
)
def test_ordinary_yields_pass(yields, harvest, crop):
    assert len(read_strips(sheet(yields, harvest=harvest), crop=crop).table) == 9


def test_manure_in_tons_and_micronutrients_pass():
    manure = sheet(["120", "150", "140"], ["0", "10", "40"], rate="Manure rate (ton/ac)")
    assert read_strips(manure).table["rate_ton_ac"].max() == 40
    boron = sheet(["50", "55", "54"], ["0", "0.5", "1"], rate="B rate (lb/ac)")
    assert read_strips(boron).table["rate_lb_ac"].max() == 1


def test_wet_yields_are_held_against_the_record_at_trade_moisture():
    # 650 bu/ac at 32 % moisture are 650 x 68 / 84.5 = 523 bu/ac at 15.5 %: below 624.
    cells = [f"{b};{r};{y};32" for b in (1, 2) for r, y in ((0, 500), (50, 650))]
    content = "\n".join(["block;N rate (lb/ac);Yield (bu/ac);Moisture %", *cells]).encode()
    table = read_strips(content, crop="corn").table
    assert np.isclose(table["yield_bu_ac"].max(), 650 * 68 / 84.5)


def test_bushels_of_a_crop_without_a_bushel_are_refused():
    sheet = "Rep,N rate (lb/ac),Yield (bu/ac)\n1,0,50\n1,40,60\n2,0,52\n2,40,61\n"
    with pytest.raises(InputError, match="cotton is not sold by the bushel"):
        read_strips(StringIO(sheet), crop="cotton")
