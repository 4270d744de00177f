"""Rows that stand for a large front: few, and none of the others is far better than one of them."""

import numpy as np
import pandas as pd
import pytest

from optimizer.front.pareto import normalise, signed
from optimizer.front.standins import stand_ins

USE = ("range_km", "peak_power_w", "pack_mass_kg", "cost")


def front(rows, seed=1):
    """Mutually non-dominated rows on a sphere."""
    rng = np.random.default_rng(seed)
    x = np.abs(rng.normal(size=(rows, 4)))
    x /= np.linalg.norm(x, axis=1)[:, None]
    values = {"range_km": 90 * x[:, 0], "peak_power_w": 900 * x[:, 1], "pack_mass_kg": 9 - 8 * x[:, 2]}
    return pd.DataFrame({"design_id": [f"d{k}" for k in range(rows)], **values, "cost": 900 - 700 * x[:, 3]})


def test_a_short_front_stays_as_it_is():
    frame = front(50)
    rows, distance = stand_ins(frame, objectives=USE, most=50)
    assert rows is frame and distance == 0.0


@pytest.mark.parametrize("most", [60, 400])
def test_every_row_has_one_that_is_less_than_the_distance_worse(most):
    frame = front(3000)
    rows, distance = stand_ins(frame, objectives=USE, keep=["d7", "d2999"], most=most)
    assert len(rows) <= most + 2 + len(USE)
    assert {"d7", "d2999"} <= set(rows["design_id"])
    assert rows.index.is_monotonic_increasing
    points = normalise(signed({name: frame[name] for name in USE}, objectives=USE))
    shown = points[rows.index]
    worse = (shown[None, :, :] - points[:, None, :]).max(axis=2).min(axis=1)
    assert worse.max() < distance
    assert np.array_equal(shown.min(axis=0), points.min(axis=0))


def test_more_rows_wanted_a_shorter_distance():
    distances = [stand_ins(front(3000), objectives=USE, most=most)[1] for most in (30, 100, 1000)]
    assert distances == sorted(distances, reverse=True) and len(set(distances)) == 3
