"""Neighbours of points looked up in chunks, against all distances, where records lie on one spot."""

import numpy as np
import pytest

from fertkit.trials import point_steps as neighbours
from fertkit.trials.point_steps import nearest


@pytest.mark.parametrize("chunk", [1, 2, 3, 200_000])
def test_no_point_is_its_own_neighbour_in_any_chunk(monkeypatch, chunk):
    monkeypatch.setattr(neighbours, "CHUNK", chunk)
    x = np.array([0.0, 0.0, 1.0, 3.0, 3.0, 3.0, 7.0])
    found = nearest(x, np.zeros(7), 2)
    for i, held in enumerate(found):
        apart = np.sort(np.abs(np.delete(x, i) - x[i]))[:2]
        assert i not in held
        assert len(set(held)) == 2
        assert np.abs(x[held] - x[i]).tolist() == apart.tolist()
