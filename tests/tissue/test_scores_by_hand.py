"""Steps of scoring, explaining and following a season, each worked out in the test; samples are made up."""

import dataclasses
import itertools
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError
from fertkit.reference import load_ranges
from fertkit.say.leaf_results import unjudged_in_short
from fertkit.tissue import explain, field_history, nitrogen_nutrition_index, score_tissue
from fertkit.tissue.classes import settle_cvs
from fertkit.tissue.dilution import critical_n, relative_yield
from fertkit.tissue.match import distinct_conditions, match_ranges, prepare_ranges
from fertkit.tissue.score import _who
from fertkit.tissue.verdicts import short_word

NAN = float("nan")
RANGES = load_ranges()
KSU = RANGES[(RANGES["source_key"] == "KSU_CORN") & (RANGES["nutrient"] == "N")].head(1)


def own(*changes):
    """Ranges of corn ear leaves at R1 with the ends of each change and no others."""
    bare = dict.fromkeys(("low", "high", "critical", "critical_high", "toxic_above"), NAN)
    stage = {"stage_from": "R1", "stage_to": "R1", "plant_part": "ear leaf", "provenance": "found"}
    rows = [
        KSU.iloc[0].to_dict() | bare | stage | {"source_key": f"OWN{k}"} | c for k, c in enumerate(changes)
    ]
    return pd.DataFrame(rows, columns=RANGES.columns)


def test_kind_limit_and_stage_of_every_sort_of_range(tidy):
    table = own(
        {"low": 2.0, "high": 3.0}, {"critical": 2.5}, {"high": 3.0}, {"low": 2.0, "critical": 1.5},
        {"nutrient": "N:S", "unit": "ratio", "critical": 16.0}, {"low": 2.0, "stage_from": "VT"},
        {"low": 20.0, "high": 30.0, "unit": "g/kg"},
    )  # fmt: skip
    got = score_tissue(tidy({"a": {"N": 2.2, "S": 0.11}}), table).table.set_index("source_key")
    assert got["kind"].drop("").to_dict() == {
        "OWN0": "sufficiency range", "OWN1": "critical level", "OWN2": "sufficiency range",
        "OWN3": "sufficiency range", "OWN4": "critical level", "OWN5": "sufficiency range",
        "OWN6": "sufficiency range",
    }  # fmt: skip
    assert got["class"].drop("").to_dict() == {
        "OWN0": "sufficient", "OWN1": "deficient", "OWN2": "cannot be classed", "OWN3": "sufficient",
        "OWN4": "high", "OWN5": "sufficient", "OWN6": "sufficient",
    }  # fmt: skip
    assert got.loc["OWN4", ["value", "unit", "flag", "high"]].tolist() == [
        pytest.approx(20.0),
        "ratio",
        "computed",
        16.0,
    ]
    assert math.isnan(got.loc["OWN4", "critical"])
    assert (got.loc["OWN5", "range_stage"], got.loc["OWN0", "range_stage"]) == ("VT to R1", "R1")
    assert got.loc["OWN6", ["low", "high"]].tolist() == pytest.approx([2.0, 3.0])
    assert got.loc["OWN2", "reason"] == "the source prints only an upper limit, and the value is below it"
    assert got.loc["", "nutrient"] == "S"


def test_ratios_are_made_of_two_measured_results_of_one_sample(tidy):
    table = own({"low": 2.0}, {"nutrient": "N:S", "unit": "ratio", "critical": 16.0})
    values = {
        "a": {"N": 2.0, "S": 0.1},
        "b": {"N": 3.0},
        "c": {"S": 0.2, "N": 3.0},
        "d": {"N": 2.0, "S": 0.0},
    }
    samples = tidy(values)
    got = score_tissue(samples, table).table
    made = got[got["unit"] == "ratio"]
    assert dict(zip(made["sample_id"], made["value"], strict=True)) == pytest.approx({"a": 20.0, "c": 15.0})
    assert got["specimen"].is_monotonic_increasing
    assert got.index.tolist() == list(range(len(got)))
    limit = samples.assign(censored=["", "<", "", "", "", "", ""])
    made = score_tissue(limit, table).table
    assert made.loc[made["unit"] == "ratio", "sample_id"].tolist() == ["c"]
    none = score_tissue(samples, own({"low": 2.0})).table
    assert not (none["unit"] == "ratio").any()


def test_checks_count_what_they_say(tidy):
    table = own({"low": 2.0, "high": 3.0}, {"high": 3.0, "provenance": "from_memory"})
    scores = score_tissue(tidy({"a": {"N": 2.2}, "b": {"N": 3.5}}), table, cvs=5.0)
    checks = scores.checks.set_index("check")
    assert checks.loc["results that cannot be classed", "value"] == 1
    assert checks.loc["laboratory and sampling CVs", ["value", "passed"]].tolist() == [0, True]
    assert checks.loc["ranges from memory", ["value", "passed"]].tolist() == [1, False]
    fine = score_tissue(tidy({"a": {"N": 2.2}}), table.head(1)).checks.set_index("check")
    assert "results that cannot be classed" not in fine.index
    assert fine.loc["ranges from memory", "passed"]
    lost = score_tissue(
        tidy({"a": {"N": 2.2}, "b": {"N": 2.0}}).assign(growth_stage=["R1", ""]), table.head(1)
    )
    assert lost.checks.set_index("check").loc["corn, ?, ear leaf", ["value", "passed"]].tolist() == [1, False]
    assert lost.conditions["samples"].tolist() == [1, 1]
    with pytest.raises(dataclasses.FrozenInstanceError):
        scores.cvs = None


def test_conditions_are_numbered_as_they_come():
    rows = list(itertools.product(("corn", "soybean", None), ("R1", ""), ("leaf", "stem")))
    rng = np.random.default_rng(2)
    picked = [rows[k] for k in rng.integers(0, len(rows), 60)]
    frame = pd.DataFrame(picked, columns=["crop", "growth_stage", "plant_part"], dtype=object)
    code, conditions = distinct_conditions(frame)
    plain = [tuple(cell or "" for cell in row) for row in picked]
    order = list(dict.fromkeys(plain))
    assert code.tolist() == [order.index(row) for row in plain]
    assert [tuple(row) for row in conditions.to_numpy()] == order
    named = frame.assign(label=[f"s{i}" for i in range(60)], row=range(2, 62), specimen=range(60))
    who = _who(named, code, len(order))
    for key, text in enumerate(who):
        mine = [f"s{i}, row {i + 2}" for i in np.flatnonzero(code == key)]
        assert text == "; ".join(mine[:3] + ["..."] * (len(mine) > 3))


def test_total_errors_by_nutrient():
    # table cvs: N 4 and K 7 % between laboratories, 7 % of sampling (placeholders)
    base = settle_cvs().set_index("nutrient")
    assert base.loc["N", "cv_pct"] == pytest.approx(65**0.5)
    assert set(base["origin"]) == {"placeholder"}
    assert "sampling" not in base.index
    given = settle_cvs({"N": 3.0, "Cl": 12.0, "sampling": 4.0}).set_index("nutrient")
    assert given["cv_pct"][["N", "Cl", "K"]].tolist() == pytest.approx([5.0, 160**0.5, 65**0.5])
    assert given["origin"][["N", "Cl", "K"]].tolist() == ["given", "given", "placeholder"]
    one = settle_cvs(6.0)
    assert one["cv_pct"].tolist() == pytest.approx([6.0] * len(one))
    assert set(one["origin"]) == {"given"}
    for bad in ({"N": 0.0}, {"sampling": -0.1}, {"N": NAN}, 0.0):
        with pytest.raises(InputError, match="above zero"):
            settle_cvs(bad)


def word_by_hand(chance, lifted):
    """Table confidence: short from 0.8, possibly short from 0.5; a wide ratio lifts one step."""
    words = ["short", "possibly short", "marginal"]
    step = 0 if chance >= 0.8 else 1 if chance >= 0.5 else 2
    return words[max(step - lifted, 0)]


def test_word_of_every_chance():
    for chance, lifted in itertools.product((0.0, 0.49, 0.5, 0.66, 0.79, 0.8, 1.0), (False, True)):
        assert short_word(chance, lifted) == word_by_hand(chance, lifted), (chance, lifted)


def dated(tidy, values, days):
    frames = [
        tidy({"F": {"N": v}}, sampled=pd.Timestamp(day)).assign(specimen=k + 1)
        for k, (v, day) in enumerate(zip(values, days, strict=True))
    ]
    return pd.concat(frames)


def turns(tidy, values, days):
    # KSU_CORN, ear leaf at R1: short below 2.75 % N
    path = field_history(dated(tidy, values, days), source="KSU_CORN").table
    return path["turn"].tolist()


def test_turns_of_a_season(tidy):
    days = ["2025-07-01", "2025-07-05", "2025-07-09", "2025-07-13"]
    assert turns(tidy, [3.0, 2.5, 2.4, 3.1], days) == ["", "falls below", "", "recovers"]
    assert turns(tidy, [2.5, 3.1, 2.5, 2.5], days) == ["", "recovers", "falls below", ""]
    assert turns(tidy, [2.5, 2.5], days[:2]) == ["", ""]
    # 183 days apart is one season, 184 another (table sanity, from memory); 1 January and 3 July are 183
    assert turns(tidy, [3.0, 2.5], ["2025-01-01", "2025-07-03"]) == ["", "falls below"]
    assert turns(tidy, [3.0, 2.5], ["2025-01-01", "2025-07-04"]) == ["", ""]
    # two crops of one year are told apart by the month, and no turn is told between them
    two = dated(tidy, [3.0, 3.0, 2.5, 2.5], ["2025-01-01", "2025-01-15", "2025-08-04", "2025-08-20"])
    path = field_history(two, source="KSU_CORN").table
    assert path["season"].tolist() == ["2025-01"] * 2 + ["2025-08"] * 2
    assert path["step"].tolist() == [1, 2, 1, 2]
    assert (path["turn"] == "").all()
    back = dated(tidy, [2.5, 3.0], ["2025-07-09", "2025-07-01"])
    path = field_history(back, source="KSU_CORN").table
    assert path["step"].tolist() == [1, 2]
    assert path["value"].tolist() == [3.0, 2.5]
    assert path.index.tolist() == [0, 1]


def test_critical_nitrogen_by_its_formula():
    # a W^-b, held below the least biomass at its own value there or at the one printed
    assert critical_n([0.5, 1.0, 4.0], 3.4, 0.5).tolist() == pytest.approx([3.4 * 2**0.5, 3.4, 1.7])
    assert critical_n([0.5, 1.0, 4.0], 3.4, 0.5, 1.0).tolist() == pytest.approx([3.4, 3.4, 1.7])
    held = critical_n([0.9, 1.0, 4.0], 3.4, 0.5, 1.0, 3.0)
    assert held.tolist() == pytest.approx([3.0, 3.4, 1.7])
    assert np.isnan(relative_yield([0.5, 0.9], "NOBODY")).all()
    # ZIADI2008 prints 1.17 NNI - 0.11 or near it up to an index below 1: never a negative share
    share = relative_yield(np.array([0.01, 0.5, 2.0]), "ZIADI2008")
    assert np.isnan(share[[0, 2]]).all()
    got = nitrogen_nutrition_index("corn", [5.0, 30.0], [1.6, 1.6], source="PLENET2000").table
    # PLENET2000: 3.4 x 5^-.37 = 1.8744
    nc = 3.4 * 5**-0.37
    row = got.iloc[0]
    assert row[["critical_n_pct", "nni", "critical_uptake_kg_ha", "deficit_kg_ha"]].astype(
        float
    ).tolist() == (pytest.approx([nc, 1.6 / nc, 50 * nc, 50 * nc - 80], rel=1e-4))
    assert math.isnan(got["nni"][1])
    assert got["sample"].tolist() == ["sample 1", "sample 2"]


def test_ranges_that_hold_by_crop_part_and_stage():
    table = prepare_ranges(own(
        {"low": 2.0}, {"low": 2.1, "stage_from": "VT", "stage_to": "R2", "source_key": "OWN0"},
        {"low": 2.2, "plant_part": "whole plant"}, {"low": 2.3, "stage_from": "V6", "stage_to": "V8"},
        {"low": 2.4, "crop": "soybean", "plant_part": "trifoliate"},
    ).set_axis([9, 8, 7, 6, 5]))  # fmt: skip
    assert table.index.tolist() == [0, 1, 2, 3, 4]
    conditions = pd.DataFrame(
        [("corn", "R1", "ear leaf"), ("corn", "R2", "ear leaf"), ("corn", "V7", "ear leaf"),
         ("corn", "R5", "ear leaf"), ("corn", "", ""), ("barley", "GS 31", "whole plant")],
        columns=["crop", "growth_stage", "plant_part"],
    )  # fmt: skip
    got = match_ranges(conditions, table)
    held = got.found[["condition", "range"]].to_numpy().tolist()
    assert held == [[0, 0], [1, 1], [2, 3]]  # of two windows of one source the narrower one
    assert [bool(w) for w in got.why] == [False, False, False, True, True, True]
    assert got.why[4] == "the growth stage and plant part of the sample are not stated"
    assert got.why[5] == "no published range for barley"
    near = got.near[got.near["growth_stage"] == "R5"]
    assert near["differs_in"].tolist() == sorted(
        near["differs_in"], key=["stage", "part", "stage and part"].index
    )
    with pytest.raises(InputError, match=r"ends .VT. before it begins"):
        prepare_ranges(own({"low": 2.0, "stage_to": "VT"}))


def test_explained_and_chosen_samples(tidy):
    table = own({"low": 2.75}, {"low": 1.75, "nutrient": "K"})
    scores = score_tissue(tidy({"a": {"N": 1.0}, "b": {"N": 3.0}, "c": {"N": 1.2, "K": 0.4}}), table)
    every = explain(scores)
    assert every.table["rank"].tolist() == [1, 1, 2]
    assert every.table["sample_id"].tolist() == ["a", "c", "c"]
    assert every.table.index.tolist() == [0, 1, 2]
    assert explain(scores, sample="c").table["sample_id"].unique().tolist() == ["c"]
    assert explain(scores, sample=1).table["sample_id"].tolist() == ["a"]
    assert every.scored
    for soil in ("enough", "low"):  # what is known of the field changes the cause, not the verdict
        told = explain(scores, sample="a", facts={"soil_N": soil})
        assert told.table["confidence"].item() == "short"
        assert (told.causes["key"].iloc[0] == "nitrogen supply") == (soil == "low")
    with pytest.raises(dataclasses.FrozenInstanceError):
        every.scored = False


def test_what_was_not_judged_in_one_line():
    def said(*rows):
        return unjudged_in_short(SimpleNamespace(unjudged=pd.DataFrame(rows)))

    rows = [{"specimen": 1, "nutrient": "Zn"}, {"specimen": 2, "nutrient": "B"}]
    assert said(*rows) == ["Zn, B in 2 samples: no range applies"]
    assert said(rows[0]) == ["Zn in 1 sample: no range applies"]
    assert said() == []


@pytest.mark.parametrize(("high", "counted"), [(3.0, [(1, False)]), (2.0, [])])
def test_a_value_that_no_end_tells_of_fails_a_check(tidy, high, counted):
    # 2.2 % below an upper end alone: enough or short is not said; above it, it is high.
    checks = score_tissue(tidy({"a": {"N": 2.2}}), own({"high": high})).checks
    rows = checks[checks["check"] == "results that cannot be classed"]
    assert list(zip(rows["value"], rows["passed"], strict=True)) == counted
