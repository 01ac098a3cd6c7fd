"""Rounding decides nothing. Binary fractions: 0.1 + 0.2 is 0.30000000000000004 (IEEE 754)."""

import numpy as np
import pytest

from fertkit.rounding import (
    above,
    at_least,
    at_most,
    below,
    first_largest,
    first_smallest,
    levelled,
    same,
    whole_times,
)

NOISY = 0.1 + 0.2


def test_rounding_is_no_difference_and_a_difference_is_none_of_rounding():
    assert NOISY != 0.3
    assert same(NOISY, 0.3)
    assert not above(NOISY, 0.3)
    assert not below(0.3, NOISY)
    assert at_most(NOISY, 0.3)
    assert at_least(0.3, NOISY)
    assert above(0.3001, 0.3)
    assert below(-0.3001, -0.3)
    assert not at_least(0.2999, 0.3)
    assert not at_most(0.3001, 0.3)


def test_a_difference_of_large_numbers_is_judged_against_their_size():
    left = (9000.1 - 9000.0) - 0.1
    assert left != 0
    assert not same(left, 0)
    assert same(left, 0, scale=9000.1)
    assert not above(abs(left), 0, scale=9000.1)


@pytest.mark.parametrize("compare", [same, above, below, at_least, at_most])
def test_what_is_not_a_number_compares_with_nothing(compare):
    assert compare(np.nan, 1.0) is False
    assert compare([1.0, np.nan], [np.nan, np.nan]).tolist() == [False, False]


def test_no_end_is_the_same_as_itself_and_above_all_numbers():
    assert same(np.inf, np.inf)
    assert not same(np.inf, -np.inf)
    assert above(np.inf, 1e300)
    assert below(-np.inf, 0)
    assert not above(np.inf, np.inf)


def test_ties_but_for_rounding_go_to_the_first():
    assert first_largest([0.3, NOISY, 0.2]) == 0
    assert first_smallest([NOISY, 0.3, 0.5]) == 0
    assert first_largest([0.3, 0.4]) == 1
    assert first_largest([[0.3, NOISY], [1.0, 2.0]]).tolist() == [0, 1]
    assert first_largest([[0.3, 1.0], [NOISY, 2.0]], axis=0).tolist() == [0, 1]


def test_levelled_keeps_what_differs_and_the_order():
    assert levelled([5.0, NOISY, np.nan, 0.3]).tolist()[:2] == [5.0, 0.3]
    assert levelled([]).size == 0


def test_whole_parts_of_a_width():
    assert 0.3 // 0.1 == 2  # in binary, three tenths fall short
    assert whole_times(0.3, 0.1) == 3
    assert whole_times(0.29, 0.1) == 2
