"""Classes, limits and agreement of sources, one value at a time in plain if and else on a mesh of limits."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from fertkit.reference.facts import load_facts
from fertkit.say.leaf_results import finding, percent, value_text
from fertkit.tissue.agree import agreement_of, named_rows, shortfalls_of
from fertkit.tissue.classes import (
    CLASSES as NAMES,
)
from fertkit.tissue.classes import (
    Class,
    Reason,
    classify,
    classify_above,
    classify_below,
    distance_from_range,
    left_open,
    position_in_range,
    probability_below,
    range_foot,
    reported_interval,
    shortage_limit,
)
from fertkit.tissue.score import _REASONS, _classes

NAN = float("nan")
VALUES = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, NAN)
#: low, high, critical, critical_high, toxic_above; every mix of ends given and left out
LIMITS = [
    limits
    for limits in itertools.product((2.0, NAN), (4.0, NAN), (1.0, 2.5, NAN), (1.5, 2.0, 3.0, NAN), (5.0, NAN))
    if not (math.isnan(limits[2]) and not math.isnan(limits[3]))
    and not (limits[2] == 2.5 and limits[3] in (1.5, 2.0))
]
MESH = np.array([(v, *limits) for v in VALUES for limits in LIMITS])


def known(x):
    return not math.isnan(x)


def foot(low, critical, critical_high):
    return next((x for x in (low, critical_high, critical) if known(x)), NAN)


def limit(low, critical, critical_high):
    f = foot(low, critical, critical_high)
    return critical if critical < f <= critical_high else f


def class_of(v, low, high, critical, critical_high, toxic):
    f = foot(low, critical, critical_high)
    if not v > 0:
        return "cannot be classed"
    if v > toxic:
        return "excessive"
    if v > high:
        return "high"
    if v < critical:
        return "deficient"
    if v < f:
        return "low"
    return "sufficient" if known(f) else "cannot be classed"


def class_below(v, low, critical, critical_high):
    if v <= critical:
        return "deficient"
    return "low" if v <= foot(low, critical, critical_high) else "cannot be classed"


def class_above(v, low, high, critical, critical_high, toxic):
    if v >= toxic:
        return "excessive"
    if v >= high:
        return "high"
    enough = v >= foot(low, critical, critical_high) and not known(high) and not known(toxic)
    return "sufficient" if enough else "cannot be classed"


def test_every_value_against_every_mix_of_limits():
    v, low, _, critical, critical_high, _ = MESH.T
    assert list(NAMES[classify(*MESH.T)]) == [class_of(*row) for row in MESH]
    below = NAMES[classify_below(v, low, critical, critical_high)]
    assert list(below) == [class_below(*row[[0, 1, 3, 4]]) for row in MESH]
    assert list(NAMES[classify_above(*MESH.T)]) == [class_above(*row) for row in MESH]
    ends = MESH[:, [1, 3, 4]]
    np.testing.assert_array_equal(range_foot(low, critical, critical_high), [foot(*row) for row in ends])
    np.testing.assert_array_equal(shortage_limit(low, critical, critical_high), [limit(*row) for row in ends])


@pytest.mark.parametrize("mark", ["", "<"])
def test_what_a_critical_range_leaves_open(mark):
    # a value classed low at or above the limit; one known to lie below a number only if that is above it
    v, low, _, critical, critical_high, _ = MESH.T
    classed, ends = classify(*MESH.T), shortage_limit(low, critical, critical_high)
    got = left_open(classed, v, np.full(len(v), mark == "<"), ends)
    by_hand = [
        name == "low" and (x > e if mark else x >= e)
        for name, x, e in zip(NAMES[classed], v, ends, strict=True)
    ]
    assert got.tolist() == by_hand
    assert any(by_hand)


def test_place_in_and_distance_from_the_range():
    v, low, high, critical, critical_high, _ = MESH.T
    places = position_in_range(v, low, high)
    gaps = distance_from_range(v, low, high, range_foot(low, critical, critical_high))
    for row, place, far in zip(MESH.tolist(), places, gaps, strict=True):
        x, lo, hi, f = row[0], row[1], row[2], foot(row[1], row[3], row[4])
        by_hand = (x - lo) / (hi - lo)
        assert place == pytest.approx(by_hand, nan_ok=True)
        if known(by_hand):
            assert far == pytest.approx(min(by_hand, 0) + max(by_hand - 1, 0))
        elif not known(x) or (not known(f) and not known(hi)):
            assert math.isnan(far)
        else:
            under, over = (x / f - 1 if x < f else 0), (x / hi - 1 if x > hi else 0)
            assert far == pytest.approx(under or over)
    assert np.isnan(position_in_range(np.array([2.0]), 4.0, 4.0)).all()  # a range without width


def test_chance_and_interval_of_a_report():
    # standard normal: Phi(1) = .841345, Phi(-2) = .022750 in every table
    got = probability_below(np.array([10.0, 10.0, 0.0, NAN]), np.array([11.0, 8.0, 1.0, 1.0]), 0.1)
    assert got[:2] == pytest.approx([0.841345, 0.022750], abs=1e-6)
    assert np.isnan(got[2:]).all()
    assert reported_interval(10.0, 0.1) == pytest.approx((8.04, 11.96))
    assert reported_interval(10.0, 0.6) == pytest.approx((0.0, 21.76))
    assert reported_interval(10.0, 0.1, z=1.0) == pytest.approx((9.0, 11.0))


def reason_of(v, censored, name, limits, *, no_range):
    """Key of the reason of a class, as the table of reasons has it; '' where the class says all."""
    critical, toxic = limits[2], limits[4]
    unseen = censored == "not detected" or (not known(v) and censored == "")
    if no_range:
        return "no range"
    if unseen:
        return "not detected"
    if censored == "<":
        doubt = "low or deficient" if name == "low" and known(critical) else ""
        return "limit inside range" if name == "cannot be classed" else doubt
    if censored == ">":
        doubt = "high or excessive" if name == "high" and known(toxic) else ""
        return "limit tells nothing" if name == "cannot be classed" else doubt
    if name == "cannot be classed":
        return "zero" if v == 0 else "upper limit alone"
    return ""


def test_every_reason_has_a_text_and_advice_of_its_own():
    assert set(load_facts("reasons")["key"]) == {*Reason}
    assert all(reason.text and reason.advice for reason in Reason)
    assert len({reason.text for reason in Reason}) == len(Reason)


@pytest.mark.parametrize("censored", ["", "<", ">", "not detected"])
def test_class_and_reason_of_every_kind_of_report(censored):
    v, *limits = MESH.T
    limits = dict(zip(("low", "high", "critical", "critical_high", "toxic_above"), limits, strict=True))
    marks = np.full(len(v), censored, dtype=object)
    no_range = np.arange(len(v)) % 7 == 3
    classed, reason = _classes(v, marks, limits, np.zeros(len(v), bool), no_range)
    for i, row in enumerate(MESH):
        if no_range[i]:
            name = "no published range"
        elif censored == "not detected" or (not known(row[0]) and censored == ""):
            name = "cannot be classed"
        elif censored == "<":
            name = class_below(*row[[0, 1, 3, 4]])
        else:
            name = (class_above if censored == ">" else class_of)(*row)
        assert NAMES[classed[i]] == name
        assert _REASONS[reason[i]] == reason_of(row[0], censored, name, row[1:], no_range=no_range[i])


def source(nutrient, key, name, limits=(NAN,) * 5, **values):
    low, high, critical, critical_high, toxic = limits
    row = {
        "specimen": 1, "sample_id": "a", "label": "a", "crop": "corn", "growth_stage": "R1", "unit": "%",
        "plant_part": "ear leaf", "nutrient": nutrient, "value": 2.0, "censored": "", "source_key": key,
        "class": name, "aside": "", "within_critical": False, "kind": "sufficiency range",
        "low": low, "high": high,
        "critical": critical, "critical_high": critical_high, "toxic_above": toxic,
        "limit": limit(low, critical, critical_high), "distance": NAN, "probability_below": NAN,
    }  # fmt: skip
    return row | values


RANGE, LEVEL = "sufficiency range", "critical level"
SCORED = pd.DataFrame(
    [
        source("N", "A", "low", (3.0, 4.0, NAN, NAN, NAN), distance=-1.0, probability_below=0.9),
        source("N", "B", "deficient", (NAN, NAN, 2.5, NAN, NAN), kind=LEVEL, distance=-0.2),
        source("K", "A", "low", (2.2, 3.0, NAN, NAN, NAN), distance=-0.25, probability_below=0.8),
        source("K", "B", "high", (1.0, 1.5, NAN, NAN, NAN), distance=1.0, probability_below=0.0),
        source("K", "C", "low", (NAN, NAN, 1.8, 2.4, NAN), kind=LEVEL, within_critical=True, distance=-0.1),
        source("P", "A", "sufficient", (1.0, 3.0, NAN, NAN, NAN), distance=0.0),
        source("P", "B", "cannot be classed", (NAN, 3.0, NAN, NAN, NAN)),
        source("S", "", "no published range"),
        source("Mg", "C", "low", (NAN, NAN, 1.8, 2.4, NAN), kind=LEVEL, within_critical=True,
               probability_below=0.3),
        source("Ca", "A", "low", (3.0, 4.0, NAN, NAN, NAN), censored="<"),
        source("Ca", "B", "cannot be classed", (1.5, 4.0, NAN, NAN, NAN), censored="<"),
        source("Zn", "B", "cannot be classed", (1.5, 4.0, NAN, NAN, NAN), censored=">"),
        source("Zn", "C", "cannot be classed", censored=">"),
        source("N", "A", "excessive", (1.0, 1.2, NAN, NAN, 1.5), specimen=2, label="b"),
        source("K", "A", "low", (2.5, 3.0, NAN, NAN, NAN), specimen=2, label="b", distance=-0.4),
        source("K", "B", "low", (2.6, 3.0, NAN, NAN, NAN), specimen=2, label="b"),
    ]
)  # fmt: skip
CLASSES = [*Class]
JUDGED = CLASSES[:5]


def agreed(rows):
    """One nutrient over its sources, counted by hand."""
    short = [r for r in rows if r["class"] in ("deficient", "low") and not r["within_critical"]]
    within = [r for r in rows if r["within_critical"]]
    judged = [r for r in rows if r["class"] in JUDGED]
    ends = ("low", "high", "critical", "toxic_above")
    limited = [r for r in rows if r["censored"] in ("<", ">") and any(known(r[e]) for e in ends)]
    untold = [r for r in limited if r["class"] == "cannot be classed"]
    chances = [r["probability_below"] for r in rows if known(r["probability_below"])]
    far = [r["distance"] for r in rows if known(r["distance"])]
    limits = [r["limit"] for r in judged if known(r["limit"])]
    every = [r["limit"] for r in rows if known(r["limit"])]
    order = [CLASSES.index(r["class"]) for r in judged]
    alone = CLASSES.index(rows[0]["class"])
    if not judged:
        verdict = "not judged"
    elif len(short) == len(judged):
        verdict = "below every range that can be checked" if untold else "below every published range"
    elif short:
        verdict = "below some published ranges"
    else:
        verdict = "within a critical range" if within else "not below any published range"
    return {
        "sources": len(judged), "untold": len(untold), "short": len(short), "within": len(within),
        "deficient": sum(r["class"] == "deficient" for r in rows),
        "short_by_range": sum(r["kind"] == RANGE for r in short),
        "short_by_critical_level": sum(r["kind"] == LEVEL for r in short),
        "lowest_limit": min(limits, default=NAN), "middle_limit": np.median(every) if every else NAN,
        "highest_limit": max(limits, default=NAN), "worst_distance": min(far, default=NAN),
        "probability_below": np.mean(chances) if chances else NAN,
        "strictest_class": CLASSES[min(order, default=alone)],
        "mildest_class": CLASSES[max(order, default=alone)],
        "verdict": verdict, "short_sources": "; ".join(r["source_key"] for r in short),
        "within_sources": "; ".join(r["source_key"] for r in within),
        "untold_sources": "; ".join(r["source_key"] for r in untold),
        "within_ranges": "; ".join(
            f"{r['critical']:g} to {r['critical_high']:g}" for r in within
        ),
    }  # fmt: skip


def test_agreement_counted_source_by_source():
    got = agreement_of(SCORED)
    groups = SCORED.groupby(["specimen", "nutrient"], sort=False)
    assert got.index.tolist() == list(range(len(groups)))
    assert len(got) == len(groups)
    for ((specimen, nutrient), rows), found in zip(groups, got.to_dict("records"), strict=True):
        assert (found["specimen"], found["nutrient"]) == (specimen, nutrient)
        for name, value in agreed(rows.to_dict("records")).items():
            same = pytest.approx(value, nan_ok=True) if isinstance(value, float) else value
            assert found[name] == same, (nutrient, name)
    assert set(got["verdict"]) == {
        "below every published range", "below some published ranges", "not below any published range",
        "not judged",
        "within a critical range", "below every range that can be checked",
    }  # fmt: skip


def test_shortfalls_worst_first():
    got = shortfalls_of(agreement_of(SCORED))
    # a: N short by 2 of 2; Ca by 1 of 1 that tell and 1 that cannot; K by 1 of 3; Mg within a range alone
    assert got[["specimen", "nutrient", "rank"]].to_numpy().tolist() == [
        [1, "N", 1], [1, "Ca", 2], [1, "K", 3], [1, "Mg", 4], [2, "K", 1],
    ]  # fmt: skip
    assert got["share_short"].tolist() == pytest.approx([1, 0.5, 1 / 3, 0, 1])
    assert got.index.tolist() == list(range(5))
    assert set(got) == {*agreement_of(SCORED), "share_short", "rank"}
    # of one share: by the chance, then by the distance; without a chance the share stands for it
    ties = pd.DataFrame(
        [source("Zn", "A", "low", distance=-0.1, probability_below=0.7),
         source("Mn", "A", "low", distance=-0.3, probability_below=0.9),
         source("Cu", "A", "low", distance=-0.5),
         source("B", "A", "low", distance=-0.6, probability_below=0.7)]
    )  # fmt: skip
    assert shortfalls_of(agreement_of(ties))["nutrient"].tolist() == ["Cu", "Mn", "B", "Zn"]


def test_sentences():
    said = [finding(r) for r in shortfalls_of(agreement_of(SCORED)).itertuples()]
    # N: 0.9 and no error known of the other, which calls it short: (0.9 + 1) / 2
    # K: 0.8, 0 and one that leaves it open: (0.8 + 0 + 0.5) / 3
    assert said == [
        "N 2 % is below both published limits (2.5 to 3 %), 95% chance it is truly below",
        "Ca < 2 % is below 1 of 2 published limits (3 %), 1 cannot tell",
        "K 2 % is below 1 of 3 published limits (1 to 2.2 %), within the critical range 1.8 to 2.4, 43% "
        "chance it is truly short",
        "Mg 2 % is within the critical range 1.8 to 2.4: cannot be called short or enough",
        "K 2 % is below both published limits (2.5 to 2.6 %)",
    ]  # fmt: skip
    alone = pd.DataFrame(
        [source("N:S", "A", "low", (3.0, 4.0, NAN, NAN, NAN), unit="ratio", probability_below=0.5)]
    )
    assert finding(next(shortfalls_of(agreement_of(alone)).itertuples())) == (
        "N:S 2 is below the one published limit (3), 50% chance it is truly below"
    )


def test_words_of_numbers_and_samples():
    assert [percent(p) for p in (0.0, 0.004, 0.006, 0.5, 0.994, 0.996, 1.0)] == [
        "under 1%", "under 1%", "1%", "50%", "99%", "over 99%", "over 99%",
    ]  # fmt: skip
    r = SCORED.iloc[0]
    assert value_text(r) == "2"
    assert value_text(r.replace(2.0, NAN)) == "ND"
    rows = pd.DataFrame({"label": ["N, row 5", "S", "E", "W"], "row": [5, 6, 7, 8]})
    assert named_rows(rows) == "N, row 5; S, row 6; E, row 7; ..."
    assert named_rows(rows.head(3)) == "N, row 5; S, row 6; E, row 7"
    assert named_rows(rows, most=1) == "N, row 5; ..."
