"""Units told from values, impossible and unusual values, and checks after reading, by arithmetic.

Windows (unit, low, high, impossible above) are read from the table of the kit; what is done with them is
worked out here.
"""

import numpy as np
import pandas as pd
import pytest

from fertkit.intake import plausible
from fertkit.reference.nutrients import load_nutrients

WINDOWS = {r.nutrient: r for r in load_nutrients().dropna(subset="high").itertuples()}
IN = {"%": 1.0, "g/kg": 10.0, "mg/kg": 10_000.0}  # of one percent


def usual(nutrient, unit, inside=1, outside=0):
    """Values of a nutrient in a unit, of which some lie in its window."""
    w = WINDOWS[nutrient]
    factor = IN[unit] / IN[w.unit]
    ends = [w.low, w.high, (w.low + w.high) / 2]
    return np.array([ends[i % 3] * factor for i in range(inside)] + [1e-7 * factor] * outside)


@pytest.mark.parametrize("nutrient", WINDOWS)
def test_shares_inside_the_window(nutrient):
    w = WINDOWS[nutrient]
    assert plausible.home_unit(nutrient) == w.unit
    for unit in IN:
        assert plausible.share_plausible(usual(nutrient, unit, 3, 1), nutrient, unit) == 0.75
        scale = IN[unit] / IN[w.unit]
        values = np.array([w.low * 0.999, w.low, w.high, w.high * 1.001]) * scale
        assert plausible.share_plausible(values, nutrient, unit) == 0.5
        most = w.impossible_above * scale
        assert plausible.impossible(nutrient, [most * 0.999, most * 1.001], unit).tolist() == [False, True]


def test_a_nutrient_without_window_is_in_mg_per_kg():
    assert plausible.home_unit("Ni") == "mg/kg"


def test_unusual_results():
    for n, w in WINDOWS.items():
        values = (w.low, w.high, w.low * 0.99, w.high * 1.01)
        assert [plausible.unusual(n, value) for value in values] == [False, False, True, True]
    assert not plausible.unusual("Ni", 1e9)


@pytest.mark.parametrize("unit", IN)
def test_units_of_all_macronutrients_together(unit):
    values = {n: IN[unit] * np.array(leaf) for n, leaf in (("N", [3.0, 2.5]), ("P", [0.3]), ("K", [2.0]))}
    values["Zn"] = usual("Zn", "mg/kg", 3)
    units, why = plausible.infer_units(values, {})
    assert units == {"N": unit, "P": unit, "K": unit, "Zn": "mg/kg"}
    assert "100% of the N, P, K values are plausible in" in why["N"]


def test_a_share_of_nine_tenths_settles_a_unit():
    for outside, told in ((1, "%"), (2, "")):
        values = {n: usual(n, "%", 9 if outside == 1 else 8, outside) for n in ("N", "K")}
        units, why = plausible.infer_units(values, {})
        assert units.get("N", "") == told
        assert ("as plausible in" in why["N"]) == (not told)
    # One vote a nutrient: 20 samples of K outside and one of N inside are a half.
    values = {"N": usual("N", "%", 1), "K": usual("K", "%", 0, 20)}
    assert plausible.infer_units(values, {})[0] == {}


def test_a_rival_spoils_a_unit():
    # P of 0.6 lies in its window as % (0.05 to 1.5) and as g/kg (0.06 %); N of 5.5 both ways, K of 3.1 too.
    both = {"N": [5.5], "P": [0.6], "K": [3.1]}
    shares = {u: np.mean([plausible.share_plausible(v, n, u) for n, v in both.items()]) for u in IN}
    assert shares == {"%": 1, "g/kg": 1, "mg/kg": 0}
    assert plausible.infer_units(both, {})[0] == {}
    half = {"N": [5.5], "P": [0.04 * 10]}  # P of 0.4 is 0.04 % as g/kg, below its window: half are plausible
    assert plausible.infer_units(half, {})[0] == {"N": "%", "P": "%"}
    two_of_three = {"N": [5.5], "P": [0.4], "K": [3.1]}
    assert plausible.infer_units(two_of_three, {})[0] == {}


def test_one_macronutrient_alone_does_not_tell_and_one_other_does():
    units, why = plausible.infer_units({"N": usual("N", "%", 3), "Zn": usual("Zn", "mg/kg", 3)}, {})
    assert units == {"Zn": "mg/kg"}
    assert "alone does not tell" in why["N"]


def test_the_unit_of_the_others_is_taken_where_it_is_plausible():
    values = {"N": usual("N", "g/kg", 9, 1)}
    units, why = plausible.infer_units(values, {"P": "g/kg", "K": "g/kg", "Zn": "mg/kg"})
    assert units == {"N": "g/kg"}
    assert "like the other nutrients of the file" in why["N"]
    units, why = plausible.infer_units(values, {"P": "%"})
    assert units == {}
    assert "would be implausible" in why["N"]
    assert plausible.infer_units({"N": usual("N", "g/kg", 8, 2)}, {"P": "g/kg"})[0] == {}
    # Others of two units tell nothing; those of the other group neither.
    assert plausible.infer_units(values, {"P": "%", "K": "g/kg"})[0] == {}
    assert "alone" in plausible.infer_units(values, {"Zn": "g/kg"})[1]["N"]


def test_a_column_without_values_takes_the_usual_unit():
    units, why = plausible.infer_units({"N": [], "Zn": []}, {})
    assert units == {"N": "%", "Zn": "mg/kg"}
    assert why == {"N": "no value", "Zn": "no value"}


def test_labels_that_all_values_contradict():
    grams = {n: usual(n, "g/kg", 3) for n in ("N", "P", "K")}
    said = plausible.mislabelled(grams, dict.fromkeys(grams, "mg/kg"))
    assert "N, P, K are labelled mg/kg" in str(said)
    assert "look like g/kg" in str(said)
    assert plausible.mislabelled(grams, dict.fromkeys(grams, "g/kg")) is None
    two = {n: grams[n] for n in ("N", "P")}
    assert plausible.mislabelled(two, dict.fromkeys(two, "mg/kg")) is None
    some = grams | {"Ca": usual("Ca", "%", 3)}
    said = plausible.mislabelled(some, dict.fromkeys(grams, "mg/kg") | {"Ca": "%"})
    assert "N, P, K are labelled mg/kg" in str(said)
    right = {n: usual(n, "%", 3) for n in ("Ca", "Mg", "S")}  # of two labels the one that fits says nothing
    labels = dict.fromkeys(right, "%") | dict.fromkeys(grams, "g/kg")
    assert plausible.mislabelled(grams | right, labels) is None
    said = plausible.mislabelled(grams | right, labels | dict.fromkeys(grams, "mg/kg"))
    assert "N, P, K are labelled mg/kg" in str(said)
    # A tenth plausible as labelled and nine tenths otherwise is enough, two tenths are not.
    for outside, told in ((0, True), (1, True), (2, False)):
        given = {n: usual(n, "g/kg", 10 - outside, outside) for n in grams}
        assert (plausible.mislabelled(given, dict.fromkeys(grams, "mg/kg")) is not None) == told
    assert (
        plausible.mislabelled({"Zn": [3.0], "B": [5.0], "Cu": [7.0]}, {"Zn": "%", "B": "%", "Cu": "%"})
        is None
    )


def test_fractions_labelled_percent():
    hundredth = {n: np.array([0.03, 0.035, 0.04]) for n in ("N", "K")}  # 3 to 4 % as fractions
    said = plausible.mislabelled(hundredth, {"N": "%", "K": "%"})
    assert "N, K are labelled % but look like fractions" in str(said)
    assert plausible.mislabelled(hundredth, {"N": "g/kg", "K": "g/kg"}) is None
    assert plausible.mislabelled({"N": hundredth["N"]}, {"N": "%"}) is None
    for as_read, told in ((1, True), (2, False)):
        given = {n: np.r_[[0.03] * (10 - as_read), [3.0] * as_read] for n in ("N", "K")}
        times = {n: plausible.share_plausible(v * 100, n, "%") for n, v in given.items()}
        assert times == {"N": 1 - as_read / 10, "K": 1 - as_read / 10}
        assert (plausible.mislabelled(given, {"N": "%", "K": "%"}) is not None) == told


# ---- checks after reading


def tidy(samples, censored=()):
    rows = [(i, f"s{i}", n, v, "<" if (i, n) in censored else "")
            for i, sample in enumerate(samples) for n, v in sample.items()]  # fmt: skip
    return pd.DataFrame(rows, columns=["specimen", "sample_id", "nutrient", "value", "censored"])


LEAF = {"N": 3.0, "P": 0.3, "K": 2.0, "Ca": 0.5, "Mg": 0.2, "S": 0.2}


def checks(samples, **options):
    return plausible.sanity_checks(tidy(samples, **options)).set_index("check")


def test_sums_and_ratios_of_each_sample():
    # Limits of the table: sum 1.5 to 20 %, N:S 4 to 40, N:P 3 to 30.
    found = checks([LEAF, LEAF | {"N": 3.1}, LEAF | {"N": 3.3}])
    assert found.loc["sum of N P K Ca Mg S in all samples", "value"] == pytest.approx(6.3)
    assert found.loc["N:S in all samples", "value"] == pytest.approx(15.5)
    assert found.loc["N:P in all samples", "value"] == pytest.approx(3.1 / 0.3)
    assert found["passed"].all()
    assert found.loc["N:S in all samples", "limit"] == "4 to 40"


@pytest.mark.parametrize(
    ("change", "name", "value", "passed"),
    [
        ({"S": 0.75}, "N:S", 4, True), ({"S": 0.76}, "N:S", 3.947368, False),
        ({"S": 0.075}, "N:S", 40, True), ({"S": 0.07}, "N:S", 42.857143, False),
        ({"P": 1.0}, "N:P", 3, True), ({"P": 1.1}, "N:P", 2.727273, False), ({"P": 0.1}, "N:P", 30, True),
        ({"P": 0.09}, "N:P", 33.333333, False), ({"K": 16.0}, "sum of N P K Ca Mg S", 20.2, False),
        ({"K": 15.7}, "sum of N P K Ca Mg S", 19.9, True),
    ],
)  # fmt: skip
def test_limits_of_sums_and_ratios(change, name, value, passed):
    found = checks([LEAF | change, LEAF | {"N": 3.2}])
    if passed:
        assert found.loc[f"{name} in all samples", "passed"]
    else:
        assert found.loc[f"{name} in s0", "value"] == pytest.approx(value)
        assert found.loc[f"{name} in s0", "passed"] == np.False_
        assert f"{name} in all samples" not in found.index


def test_what_cannot_be_formed_is_not_checked():
    none = checks([{"N": 3.0, "K": 2.0}])
    assert none.empty
    part = checks([{**LEAF, "S": np.nan}, LEAF], censored={(1, "P")})
    assert "sum of N P K Ca Mg S in all samples" not in part.index
    assert part.loc["N:S in all samples", "value"] == pytest.approx(15)  # of the second alone
    assert part.loc["N:P in all samples", "value"] == pytest.approx(10)  # of the first alone
    assert "N:S in all samples" not in checks([LEAF | {"S": 0.0}]).index


def test_soil_on_the_leaf():
    # 500 mg/kg of Fe with 400 of Al, each above.
    metals = [(500, 401), (501, 400), (501, 401), (900, 5)]
    found = checks([LEAF | {"N": 3 + i / 10, "Fe": fe, "Al": al} for i, (fe, al) in enumerate(metals)])
    soil = found[found.index.str.startswith("Fe with Al")]
    assert soil.index.tolist() == ["Fe with Al in s2"]
    assert soil["value"].tolist() == [501]
    assert soil["limit"].tolist() == ["Fe 500 with Al 400 mg/kg"]
    assert not soil["passed"].any()
    assert "Fe with Al in s0" not in checks([LEAF | {"Fe": 900}]).index


def test_copied_results():
    found = checks([LEAF | {"N": 3 + i / 10, "K": 2.0 + (i == 4)} for i in range(5)])
    assert [
        n
        for n in ("P in all samples", "Ca in all samples")
        if n in found.index and not found.loc[n, "passed"]
    ]
    assert "K in all samples" not in found.index
    assert "N in all samples" not in found.index
    assert found.loc["P in all samples", "value"] == pytest.approx(0.3)
    assert "P in all samples" not in checks([LEAF | {"N": 3 + i / 10} for i in range(4)]).index
    # Five of six samples with a result: enough; four are not.
    for missing, told in ((1, True), (2, False)):
        rows = [LEAF | {"N": 3 + i / 10, "P": 0.3 if i >= missing else np.nan} for i in range(6)]
        assert ("P in all samples" in checks(rows).index) == told


def test_a_sample_that_repeats_another():
    four = {n: LEAF[n] for n in ("N", "P", "K", "Ca")}
    found = checks([four, four | {"N": 2.9}, four])
    assert found.loc["results of s2", "passed"] == np.False_
    assert not {"results of s0", "results of s1"} & set(found.index)
    three = {n: LEAF[n] for n in ("N", "P", "K")}
    assert "results of s1" not in checks([three, three]).index
    # Three results of four nutrients prove nothing.
    gap = four | {"Ca": np.nan}
    assert "results of s2" not in checks([four | {"N": 2.9}, gap, gap]).index
