"""Replicates made of whole blocks, assembled by hand from the blocks that were drawn."""

import numpy as np
import pytest

from fertkit.response.bootstrap import block_sums

DRAWS = np.array([[0, 1, 2, 3], [3, 3, 0, 1], [2, 2, 2, 2]])


class Given:
    """A generator that draws the blocks it was given."""

    def integers(self, low, high, size):
        assert (low, high, size) == (0, 4, DRAWS.shape)
        return DRAWS


@pytest.mark.parametrize("rates", [[0.0, 40, 80, 120], [0.0, 40, 40, 80, 120]])
def test_every_replicate_holds_the_yields_of_the_blocks_drawn(make_trial, rates):
    """In complete blocks an adjusted rate mean is the mean over blocks of deviations from the block's own.

    Rows stand in a random order; a rate laid out twice in each block adds its differences to the pure error.
    """
    rng = np.random.default_rng(5)
    table = rng.normal(6, 1, (4, len(rates)))  # [t/ha], a row a block
    order = rng.permutation(table.size)
    x, block = np.tile(rates, 4)[order], np.repeat(list("ABCD"), len(rates))[order]
    sums = block_sums(make_trial(x, table.ravel()[order], block), len(DRAWS), Given())
    distinct = np.unique(rates)
    for k, drawn in enumerate(DRAWS):
        rest = table[drawn] - table[drawn].mean(axis=1, keepdims=True)
        means = np.array([rest[:, np.array(rates) == rate].mean() for rate in distinct])
        found = sums.means[0, k]
        np.testing.assert_allclose(found - found[0], means - means[0], atol=1e-12)
        fitted = means[np.searchsorted(distinct, rates)]
        # what rates leave within complete blocks is all that no curve explains, if each rate stands once
        total = ((rest - fitted) ** 2).sum()
        assert sums.pure_ss[0, k] == pytest.approx(total, abs=1e-12)
        assert sums.level[0, k] == pytest.approx(table[drawn].mean(), abs=1e-12)
