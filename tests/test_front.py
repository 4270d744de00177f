"""The front's own arithmetic; checks against published fronts stand in tests/outside/test_front.py."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.brief.schema import Objectives
from optimizer.front import pareto as front


def brute(points):
    """All pairs, in words of the definition."""
    keep = []
    for i, a in enumerate(points):
        beaten = any(
            (np.all(b <= a) and np.any(b < a)) or (np.all(b == a) and j < i)
            for j, b in enumerate(points) if j != i
        )
        keep.append(not beaten)
    return np.array(keep, dtype=bool)


@given(st.integers(1, 4), st.integers(0, 2**32 - 1), st.integers(0, 40))
def test_nondominated_equals_all_pairs(columns, seed, rows):
    points = np.random.default_rng(seed).integers(0, 5, size=(rows, columns)).astype(float)
    np.testing.assert_array_equal(front.nondominated(points), brute(points))


@given(st.integers(0, 2**32 - 1))
def test_dominated_by_equals_loops(seed):
    rng = np.random.default_rng(seed)
    points = rng.integers(0, 6, size=(30, 3)).astype(float)
    others = rng.integers(0, 6, size=(8, 3)).astype(float)
    want = [any(np.all(f <= p) for f in others) for p in points]
    np.testing.assert_array_equal(front.dominated_by(points, front=others), want)


def test_signs_flip_only_what_is_maximised():
    columns = {"range_km": [10.0], "peak_power_w": [3000.0], "pack_mass_kg": [7.0], "cost": [500.0]}
    row = front.signed(columns, objectives=("cost", "range_km"))
    np.testing.assert_array_equal(row, [[500.0, -10.0]])
    with pytest.raises(KeyError, match="beauty"):
        front.signed(columns, objectives=("beauty",))


@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.5))
def test_thinning_leaves_a_stand_in_within_one_step_for_every_row(seed, step):
    rng = np.random.default_rng(seed)
    points = rng.random((80, 3))
    points = points[front.nondominated(points)]
    kept = front.thin(points, resolution=[step] * 3)
    assert len(kept) <= len(points)
    gap = points[kept][None, :, :] - points[:, None, :]
    assert np.all((gap < step + 1e-12).all(axis=2).any(axis=1))


def test_thinning_with_no_step_keeps_all():
    points = np.array([[1.0, 2.0], [2.0, 1.0]])
    np.testing.assert_array_equal(front.thin(points, resolution=[0, 0]), [0, 1])


def test_balanced_is_the_middle_and_does_not_care_for_units():
    points = np.array([[0.0, 10.0], [4.0, 4.0], [10.0, 0.0]])
    assert front.balanced(points) == 1
    assert front.balanced(points * [1000.0, 0.001]) == 1
    assert front.normalise(np.array([[3.0, 1.0], [3.0, 2.0]])).tolist() == [[0.0, 0.0], [0.0, 1.0]]


def test_what_resolution_promises_is_one_sided():
    """Each row left out has a kept one less than a step worse in every column, which may be better by many steps."""
    rng = np.random.default_rng(14)
    points = rng.dirichlet(np.ones(3), 2000)
    step = np.array([0.05, 0.1, 0.2])
    kept = front.thin(points, resolution=step)
    left = np.delete(points, kept, axis=0)
    assert 3 < len(kept) < 0.5 * len(points)
    worse = (points[kept][None] - left[:, None]) / step
    stands = (worse < 1.0).all(axis=2)
    assert stands.any(axis=1).all()
    # No promise in the other direction: some are many steps from every row that stands for them.
    nearest = np.where(stands, np.abs(worse).max(axis=2), np.inf).min(axis=1)
    assert nearest.max() > 1.0
    told = " ".join(schema_of(Objectives, "resolution").split())
    assert "less than this worse in every objective" in told and "may be better by far more" in told


def schema_of(section, key):
    return section.model_json_schema()["properties"][key]["description"]
