"""Least squares, sums of squares and like neighbours against numpy's pseudoinverse and eigenvalues."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from fertkit.trials import linear

RNG = np.random.default_rng(8)
FULL = np.column_stack([np.ones(9), RNG.normal(size=(9, 2))])
SHORT = np.column_stack([FULL, FULL[:, 1] - FULL[:, 2]])  # a column that says nothing new
EXACT = np.column_stack([FULL, RNG.normal(size=(9, 6))])


@pytest.mark.parametrize("x", [FULL, SHORT, EXACT, 1e-6 * FULL], ids=["full", "short", "exact", "small"])
def test_least_squares_by_the_pseudoinverse(x):
    y = 50 + RNG.normal(size=9)
    found, inverse = linear.fit(x, y), np.linalg.pinv(x, rcond=1e-9)
    rank = np.linalg.matrix_rank(x)
    np.testing.assert_allclose(found.coefficients, inverse @ y)
    np.testing.assert_allclose(found.covariance, inverse @ inverse.T)
    np.testing.assert_allclose(found.residuals, y - x @ inverse @ y, atol=1e-9)
    np.testing.assert_allclose(found.row_space, inverse @ x, atol=1e-9)
    assert found.rss == pytest.approx(((y - x @ inverse @ y) ** 2).sum(), abs=1e-12)
    assert (found.rank, found.df) == (rank, 9 - rank)
    if found.df:
        assert found.variance == pytest.approx(found.rss / found.df)
    else:
        assert np.isnan(found.variance)
        assert found.rss == 0  # rounding noise is no error


def test_what_a_design_can_estimate():
    found = linear.fit(SHORT, np.arange(9.0))
    rows = np.array([[0, 1, 0, 1], [0, 0, 1, -1], [0, 1, 0, 0], [1, 0, 0, 0], [0, 0, 0, 1], [0, 1, 1, 0]])
    # c is estimable where it is orthogonal to the null direction (0, 1, -1, -1).
    assert found.estimable(rows).tolist() == (rows @ [0, 1, -1, -1] == 0).tolist()
    assert found.estimable(rows[0]).tolist() == [True]


def test_columns_of_factors():
    codes = np.array([0, 2, 1, 2])
    assert linear.dummies(codes).tolist() == [[0, 0], [0, 1], [1, 0], [0, 1]]
    one, two = np.array([[1.0, 2], [3, 4]]), np.array([[5.0, 6, 7], [8, 9, 10]])
    want = [[1 * 5, 1 * 6, 1 * 7, 2 * 5, 2 * 6, 2 * 7], [3 * 8, 3 * 9, 3 * 10, 4 * 8, 4 * 9, 4 * 10]]
    assert linear.interaction(one, two).tolist() == want


def test_sums_of_squares_each_after_those_before():
    y = RNG.normal(size=12)
    a, b = linear.dummies(np.repeat([0, 1, 2], 4)), linear.dummies(np.tile([0, 1, 2, 3], 3))
    again = a[:, :1] + 1
    rows = linear.sequential_squares(y, [("a", a), ("again", again), ("b", b)])
    columns, left, rank = np.ones((12, 1)), ((y - y.mean()) ** 2).sum(), 1
    for (name, df, ss), (own, matrix) in zip(rows, [("a", a), ("again", again), ("b", b)], strict=False):
        columns = np.column_stack([columns, matrix])
        now = ((y - columns @ np.linalg.pinv(columns) @ y) ** 2).sum()
        more = np.linalg.matrix_rank(columns)
        assert (name, df) == (own, more - rank)
        assert ss == pytest.approx(left - now, abs=1e-12)
        assert ss >= 0
        left, rank = now, more
    assert rows[-1] == ("error", 12 - rank, pytest.approx(left))
    assert [df for _, df, _ in rows] == [2, 0, 3, 6]


@pytest.mark.parametrize("runs", [1, 3])
def test_like_neighbours_by_eigenvalues(runs):
    """Moments of e'Ae / e'e for e = M u (Durbin & Watson 1950): those of the eigenvalues of M A M."""
    n = 15
    line, order = np.arange(n) % runs, RNG.permutation(n) * 2.0
    x = np.column_stack([np.ones(n), RNG.normal(size=n), np.ones(n)])
    maker = np.eye(n) - x @ np.linalg.pinv(x)
    e = maker @ RNG.normal(size=n)
    pairs = []
    for run in range(runs):
        own = sorted(np.flatnonzero(line == run), key=lambda i: order[i])
        pairs += pairwise(own)
    link = np.zeros((n, n))
    for i, j in pairs:
        link[i, j] = link[j, i] = 0.5
    ratio = sum(e[i] * e[j] for i, j in pairs) / (e @ e)
    values = np.linalg.eigvalsh(maker @ link @ maker)
    df = n - 2
    values = np.r_[values[np.abs(values) > 1e-9], np.zeros(df)][:df]
    z = (ratio - values.mean()) / np.sqrt(2 * ((values - values.mean()) ** 2).sum() / (df * (df + 2)))
    found = linear.neighbour_statistic(e, x, line, order)
    assert found == pytest.approx((ratio, z, 2 * norm.sf(abs(z))))


def test_where_no_neighbours_can_be_judged():
    e, one = np.array([1.0, -1, 0.5]), np.ones((3, 1))
    assert np.isfinite(linear.neighbour_statistic(e, one, np.zeros(3), np.arange(3))).all()
    line = np.column_stack([np.ones(3), np.arange(3)])
    for residuals, x, run in (
        (e, line, np.zeros(3)), (np.zeros(3), one, np.zeros(3)), (e, one, np.arange(3)),
    ):  # fmt: skip
        assert np.isnan(linear.neighbour_statistic(residuals, x, run, np.arange(3))).all()
    # Two strips differ in one way alone: nothing spreads.
    assert np.isnan(linear.neighbour_statistic(e[:2], np.zeros((2, 1)) + 1, np.zeros(2), np.arange(2))).all()
