"""Shares of groups over compartments."""

from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.search.space.splitrows import all_splits
from optimizer.search.space.splits import MOST_KINDS, kinds_of_case


def test_splits_are_every_vector_with_the_sum():
    rows = all_splits([3, 2, 4], series=(4, 5))
    want = [
        (a, b, c) for a in range(4) for b in range(3) for c in range(5) if 4 <= a + b + c <= 5
    ]  # fmt: skip
    assert [tuple(row) for row in rows] == want


@pytest.mark.parametrize(
    ("split", "kinds"),
    [((4, 4, 4, 0), 3), ((4, 4, 0, 0), 2), ((4, 0, 0, 5), 1), ((0, 0, 0, 5), 0)],
)
def test_kinds_of_case_count_what_is_used(split, kinds):
    chosen = [SimpleNamespace(groups_per_module=n) for n in (2, 3, 4)] + [SimpleNamespace(groups_per_module=0)]
    found = kinds_of_case(np.array([split]), chosen)
    assert found.tolist() == [kinds]
    assert (found[0] <= MOST_KINDS) == (kinds <= 2)


def test_an_empty_compartment_has_no_kind():
    assert kinds_of_case(np.array([[3, 0]]), [None, None]).tolist() == [0]
