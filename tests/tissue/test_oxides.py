"""Values that look like oxides under an element's name are doubted aloud, never converted."""

import pytest

from fertkit.tissue import score_tissue
from fertkit.tissue.oxides import CHECK
from fertkit.units import from_element

# Corn ear leaves inside the ranges of Southern Cooperative Series Bulletin 394 (P 0.25-0.5, K 1.8-3.0,
# Ca 0.25-0.8 %), restated as the oxides a laboratory would have given (conventional atomic weights).
ELEMENTS = {"N": 3.3, "P": 0.36, "K": 2.6, "Ca": 0.5}
OXIDES = ELEMENTS | {e: from_element(ELEMENTS[e], o) for e, o in (("P", "P2O5"), ("K", "K2O"))}


def told(samples):
    scores = score_tissue(samples, source="SCSB394_UDEL")
    checks = scores.checks[scores.checks["check"] == CHECK]
    return checks["meaning"].tolist(), scores


def test_elements_as_elements_are_not_doubted(tidy):
    assert told(tidy({name: ELEMENTS for name in "abcd"}))[0] == []


def test_phosphorus_as_oxide_is_doubted_and_left_as_it_is(tidy):
    (meaning,), scores = told(tidy({name: OXIDES for name in "abcd"}))
    assert "P (P2O5 is 2.29 times P), K (K2O is 1.20 times K)" in meaning
    assert "ask the laboratory" in meaning
    assert f"Caution: {meaning}" in scores.summary()
    p = scores.table[scores.table["nutrient"] == "P"]
    assert p["value"].tolist() == pytest.approx([0.36 * 2.2914] * 4, rel=1e-4)
    assert set(p["class"]) == {"high"}


def test_one_sample_is_doubted_only_if_two_elements_agree(tidy):
    assert len(told(tidy({"a": OXIDES}))[0]) == 1
    assert told(tidy({"a": OXIDES | {"K": 2.6}}))[0] == []


def test_far_above_any_oxide_or_high_in_few_samples_is_no_oxide(tidy):
    assert told(tidy({name: ELEMENTS | {"P": 1.3} for name in "abcd"}))[0] == []
    few = {name: ELEMENTS for name in "abcd"} | {"e": OXIDES}
    assert told(tidy(few))[0] == []
