"""Critical nitrogen worked out in the test from the parameters of each curve; samples are made up."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.tissue import nitrogen_nutrition_index
from fertkit.tissue.dilution import _against, critical_n, relative_yield

NAN = float("nan")


def test_critical_nitrogen_is_held_below_the_foot_of_a_curve():
    w = np.array([0.5, 1.0, 2.0, 4.0])  # powers of two make 4 W^-0.5 easy: 5.657, 4, 2.828, 2
    line = [4 * math.sqrt(2), 4.0, 4 / math.sqrt(2), 2.0]
    np.testing.assert_allclose(critical_n(w, 4.0, 0.5), line)
    np.testing.assert_allclose(critical_n(w, 4.0, 0.5, 2.0), [line[2], line[2], line[2], 2.0])
    np.testing.assert_allclose(critical_n(w, 4.0, 0.5, 2.0, 3.0), [3.0, 3.0, line[2], 2.0])
    np.testing.assert_allclose(critical_n(w, 4.0, 0.5, NAN, 3.0), line)
    assert float(critical_n(4.0, 4.0, 0.5)) == pytest.approx(2.0)


def curve(**values):
    return SimpleNamespace(**{
        "a_pct": 4.0, "b": 0.5, "w_min_t_ha": NAN, "nc_below_w_min_pct": NAN, "w_max_t_ha": NAN,
        "source_key": "MADE_UP", "variant": "v", "region": "r",
    } | values)  # fmt: skip


def test_index_uptake_and_deficit_along_a_curve_with_both_ends():
    w, n = np.array([0.5, 1.0, 4.0, 16.0, 17.0]), np.array([3.0, 4.0, 1.0, 2.0, 2.0])
    table = _against(curve(w_min_t_ha=1.0, nc_below_w_min_pct=5.0, w_max_t_ha=16.0), w, n, list("abcde"))
    critical = np.array([5.0, 4.0, 2.0, 1.0, NAN])
    np.testing.assert_allclose(table["critical_n_pct"], critical)
    np.testing.assert_allclose(table["nni"], [0.6, 1.0, 0.5, 2.0, NAN])
    # 1 t/ha at 1 % holds 10 kg/ha
    np.testing.assert_allclose(table["critical_uptake_kg_ha"], [NAN, 40.0, 80.0, 160.0, NAN])
    np.testing.assert_allclose(table["deficit_kg_ha"], [10.0, 0.0, 40.0, -160.0, NAN])
    assert table["relative_yield"].isna().all()
    assert table["note"].tolist() == [
        "below 1 t/ha the critical level is held constant", "", "", "",
        "above 16 t/ha, beyond the curve",
    ]  # fmt: skip
    assert table["sample"].tolist() == list("abcde")
    np.testing.assert_array_equal(table["biomass_t_ha"], w)
    np.testing.assert_array_equal(table["n_pct"], n)
    assert set(table["source_key"] + table["variant"] + table["region"]) == {"MADE_UPvr"}


def test_a_curve_without_ends_is_used_as_it_is_and_doubted_below_one_tonne():
    table = _against(curve(), np.array([0.25, 1.0, 100.0]), np.array([4.0, 4.0, 4.0]), list("abc"))
    np.testing.assert_allclose(table["critical_n_pct"], [8.0, 4.0, 0.4])
    np.testing.assert_allclose(table["critical_uptake_kg_ha"], [20.0, 40.0, 400.0])
    assert [bool(note) for note in table["note"]] == [True, False, False]
    held = _against(curve(w_min_t_ha=0.2), np.array([0.5]), np.array([4.0]), ["a"])
    assert held["note"].tolist() == [""]  # its foot is told, and the sample lies above it


@pytest.mark.parametrize(
    ("nni", "share"),
    [
        # Ziadi et al. 2008: -0.11 + 1.17 NNI up to about 0.93 (from memory)
        (0.5, 0.475), (0.93, 0.9781), (0.930001, NAN), (0.11 / 1.17, 0.0), (0.09, NAN), (2.0, NAN),
        (NAN, NAN),
    ],
)  # fmt: skip
def test_relative_yield_ends_where_its_line_does(nni, share):
    np.testing.assert_allclose(relative_yield(nni, "ZIADI2008"), share, atol=1e-12)
    assert np.isnan(relative_yield(nni, "PLENET2000"))
    assert relative_yield([[nni]], "PLENET2000").shape == relative_yield([[nni]], "ZIADI2008").shape == (1, 1)


def test_samples_against_every_curve_of_their_crop():
    got = nitrogen_nutrition_index("corn", [2.0, 25.0], [3.0, 1.5], names=["early", "late"])
    assert got.table is got.indices
    assert got.table.index.tolist() == list(range(6))
    assert got.table["sample"].tolist() == ["early", "late"] * 3
    # 3.4 W^-0.37 (Plenet and Lemaire 2000 to 22 t/ha; Ziadi et al. 2008) and 3.65 W^-0.48 (China)
    first, second = [3.4 * w**-0.37 for w in (2, 25)]
    other = [3.65 * w**-0.48 for w in (2, 25)]
    expected = {"PLENET2000": [first, NAN], "ZIADI2008": [first, second], "MIDWEST_CNDC2023": other}
    for key, critical in expected.items():
        mine = got.table[got.table["source_key"] == key]
        np.testing.assert_allclose(mine["critical_n_pct"], critical)
        np.testing.assert_allclose(mine["nni"], np.array([3.0, 1.5]) / critical)
    assert set(got.curves["source_key"]) == set(expected)
    assert got.curves.index.tolist() == [0, 1, 2]
    assert set(expected) <= set(got.sources["key"] if "key" in got.sources else got.sources["source_key"])
    checks = got.checks.set_index("check")
    assert checks["value"].to_dict() == {"curves from memory": 0, "values outside a curve": 1}
    assert checks["passed"].to_dict() == {"curves from memory": True, "values outside a curve": False}
    wheat = nitrogen_nutrition_index("winter wheat", 3, 3, source="JUSTES1994")
    assert wheat.checks["passed"].tolist() == [False, True]
    assert wheat.checks["value"].tolist() == [1, 0]
    assert wheat.table["sample"].tolist() == ["sample 1"]
    assert nitrogen_nutrition_index("corn", [2, 3], [3, 3]).table["sample"].tolist()[:2] == [
        "sample 1", "sample 2",
    ]  # fmt: skip


def test_curves_are_those_of_the_crop_alone():
    def of(crop, **options):
        return sorted(set(nitrogen_nutrition_index(crop, 3, 3, **options).table["source_key"]))

    assert of("wheat") == ["JUSTES1994", "URUGUAY_WHEAT_NNI"]  # winter and spring wheat are wheat
    assert of("spring wheat") == ["URUGUAY_WHEAT_NNI"]
    assert of("potato") == ["BELANGER2001"]
    assert of("corn", source="ZIADI2008") == ["ZIADI2008"]
    with pytest.raises(LookupFailed, match="PLENET2000"):
        of("corn", source="JUSTES1994")
    with pytest.raises(LookupFailed, match="attenuated"):
        of("soybean")
    with pytest.raises(
        LookupFailed, match="no critical nitrogen curve for alfalfa; there are curves"
    ) as told:
        of("alfalfa")
    assert "attenuated" not in str(told.value)


@pytest.mark.parametrize(
    ("w", "n", "names", "rows"),
    [
        ([1, 0, 2], [3, 3, -1], None, [2, 3]), ([1, NAN], [3, 3], None, [2]), ([1, 2], [3, 0], None, [2]),
        ([1, 2], [3], None, [None]), ([1, 2], [3, 3], ["a"], [None]), ([0], [3, 3], ["a"], [1, None]),
    ],
)  # fmt: skip
def test_numbers_that_cannot_be_are_named_by_row(w, n, names, rows):
    with pytest.raises(InputError) as refused:
        nitrogen_nutrition_index("corn", w, n, names=names)
    assert [problem.row for problem in refused.value.problems] == rows


def test_a_part_that_may_be_the_whole_plant_is_taken():
    one = nitrogen_nutrition_index("corn", 3, 3, part="whole plant").table
    pd.testing.assert_frame_equal(one, nitrogen_nutrition_index("corn", 3, 3).table)
    with pytest.raises(InputError, match="part is ear leaf"):
        nitrogen_nutrition_index("corn", 3, 3, part="ear leaf")
