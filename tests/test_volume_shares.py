"""What each of two fronts covers: exact where that is quick, else within what is stated; and no squares of rows."""

import numpy as np
import pytest

from optimizer.analysis import compare
from optimizer.analysis.compare import volume_shares


def sphere(rows, d, seed):
    x = np.abs(np.random.default_rng(seed).normal(size=(rows, d)))
    return 1 - x / np.linalg.norm(x, axis=1)[:, None]


@pytest.mark.parametrize(("d", "rows"), [(3, 300), (4, 300), (5, 60)])
def test_the_estimate_is_near_the_exact_share(monkeypatch, d, rows):
    """Grade: second implementation (exact hypervolume)."""
    reference = np.full(d, 1.0)
    one, other = sphere(rows, d, 1), 0.05 + 0.95 * sphere(2 * rows, d, 2)
    exact, is_exact = volume_shares(one, other, reference=reference)
    assert is_exact
    monkeypatch.setattr(compare, "EXACT_ROWS", 0)
    about, is_exact = volume_shares(one, other, reference=reference)
    assert not is_exact
    assert about == pytest.approx(exact, abs=0.005)
    assert abs(exact[0] - exact[1]) > 0.01  # the test would say little of equal shares


def test_long_fronts_are_not_worked_out_exactly(monkeypatch):
    monkeypatch.setattr(compare, "hypervolume", lambda *a, **k: pytest.fail("quadratic"))
    one = sphere(15_000, 4, 1)
    shares, exact = volume_shares(one, one[:9000], reference=np.ones(4))
    assert not exact and shares[0] == 1.0 and 0.9 < shares[1] < 1.0


def test_many_objectives_are_not_worked_out_exactly_either(monkeypatch):
    """Beyond four objectives the exact volume takes the time of many more rows."""
    monkeypatch.setattr(compare, "hypervolume", lambda *a, **k: pytest.fail("slow"))
    assert volume_shares(sphere(300, 6, 1), sphere(300, 6, 2), reference=np.ones(6))[1] is False
