"""The exact engine against plain enumeration."""

import numpy as np
import pytest
from brute import objectives

from optimizer.search.run import search


def as_rows(points):
    """Rows rounded to what rounding can't touch, sorted."""
    return np.unique(np.round(points, 9), axis=0)


@pytest.mark.parametrize("seed", range(12))
def test_front_equals_plain_enumeration(space_of, seed):
    space = space_of(seed)
    found = search(space).found.objectives
    want, count = objectives(space)
    assert count > 0 or len(found) == 0
    np.testing.assert_allclose(as_rows(found), as_rows(want), rtol=1e-9)
