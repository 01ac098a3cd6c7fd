"""Rounding decides nothing. Binary fractions: 0.1 + 0.2 is 0.30000000000000004 (IEEE 754)."""

from itertools import product

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


@pytest.mark.parametrize("compare", [same, above, below, at_least, at_most])
def test_single_numbers_compare_as_those_of_an_array(compare):
    some = [
        0,
        0.3,
        NOISY,
        0.3 * (1 + 1e-10),
        -0.3,
        1e300,
        -1e308,
        1e-310,
        np.inf,
        -np.inf,
        np.nan,
        np.float64(2),
    ]
    for a, b, scale in product(some, repeat=3):
        assert compare(a, b, scale) is bool(compare([a], [b], [scale])[0])


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


# ---- the one tolerance: 1e-11 of the magnitudes compared

EDGE = [(1.0, 1.0, 0.0), (-3.0, 3.0, 0.0), (1e6, 1e6, 1.0), (0.5, 40.0, 40.0)]


@pytest.mark.parametrize(("base", "size", "scale"), EDGE)
@pytest.mark.parametrize("wrap", [float, lambda v: np.array([v, v])])
def test_what_counts_as_rounding(base, size, scale, wrap):
    for share, alike in ((0.9e-11, True), (1.1e-11, False)):
        for a, b in ((base + share * size, base), (base, base - share * size)):  # a is the greater
            a, b = wrap(a), wrap(b)
            assert np.all(same(a, b, scale)) == np.all(same(b, a, scale)) == alike
            assert np.all(above(a, b, scale)) == np.all(below(b, a, scale)) == (not alike)
            assert not np.any(above(b, a, scale))
            assert not np.any(below(a, b, scale))
            assert np.all(at_least(a, b, scale))
            assert np.all(at_most(b, a, scale))
            assert np.all(at_least(b, a, scale)) == np.all(at_most(a, b, scale)) == alike


def test_nothing_is_small_beside_zero():
    for compare in (above, at_least):
        assert compare(1e-300, 0.0)
        assert not compare(-1e-300, 0.0)
    assert not same(1e-300, 0.0)
    assert below(-1e-300, 0.0)
    assert not at_most(1e-300, 0.0)


def test_answers_are_plain_for_numbers_and_arrays_for_arrays():
    for compare in (same, above, below, at_least, at_most):
        assert type(compare(1.0, 2.0)) is bool
        assert compare([1.0, 2.0], 2.0).shape == (2,)
        assert compare(np.inf, np.inf) == (compare in (same, at_least, at_most))
        assert compare(np.inf, 1e308, scale=np.inf) == (compare in (above, at_least))


def test_first_of_the_ends_by_axis_and_scale():
    grid = np.array([[3.0, 1.0, 3.0 + 1e-12], [1.0, 5.0, 2.0]])
    assert first_largest(grid).tolist() == [0, 1]
    assert first_largest(grid, axis=0).tolist() == [0, 1, 0]
    assert first_smallest(grid).tolist() == [1, 0]
    assert first_smallest(grid, axis=0).tolist() == [1, 0, 1]
    near = np.array([[1.0, 1.0 + 1e-9], [5.0, 5.0 - 1e-9]])
    assert first_largest(near).tolist() == [1, 0]
    assert first_largest(near, scale=1e4).tolist() == [0, 0]
    assert first_smallest(near, scale=1e4).tolist() == [0, 0]
    assert first_smallest(near).tolist() == [0, 1]


def test_levelled_by_scale():
    assert levelled([2e-13, 0.0, 1e-13]).tolist() == [2e-13, 0.0, 1e-13]
    near = [2.0 + 1e-9, 7.0, 2.0, 7.0 + 1e-12]
    assert levelled(near).tolist() == [2.0 + 1e-9, 7.0, 2.0, 7.0]
    assert levelled(near, scale=1e4).tolist() == [2.0, 7.0, 2.0, 7.0]


def test_a_part_short_by_rounding_alone_counts():
    assert whole_times(3 * (1 - 0.9e-11), 1.0) == 3
    assert whole_times(3 * (1 - 1.1e-11), 1.0) == 2
    assert whole_times(-0.5, 1.0) == -1
