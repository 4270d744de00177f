"""Ranking a front: invariance to units, honest errors, and picks that differ."""

import numpy as np
import pandas as pd
import pytest

from optimizer.front.ranking import difference, knee_distance, merit, pick_different, rank, shares

USE = ["range_km", "peak_power_w", "pack_mass_kg", "cost"]


@pytest.fixture
def front():
    """A made-up front: three cells, each with wires that change next to nothing."""
    rng = np.random.default_rng(3)
    rows = []
    for cell, base in (("a", 40.0), ("b", 55.0), ("c", 70.0)):
        for parallel in (2, 3, 4):
            for wire in range(6):
                rows.append(
                    {
                        "design_id": f"{cell}{parallel}{wire}",
                        "cell_id": cell,
                        "series": 20,
                        "parallel": parallel,
                        "split": "deck:20",
                        "range_km": base * parallel / 3 + 0.01 * wire,
                        "peak_power_w": 9000 / base * 40 * parallel + 3 * wire,
                        "pack_mass_kg": 2 + 1.9 * parallel + 0.001 * wire + rng.uniform(0, 0.01),
                        "cost": base * parallel * 2 + 0.3 * wire,
                    }
                )
    return pd.DataFrame(rows)


@pytest.mark.parametrize("method", ["topsis", "weighted_sum", "knee"])
def test_order_does_not_depend_on_units(front, method):
    scaled = front.assign(range_km=front.range_km * 1000, cost=front.cost / 7.3)
    same = rank(front, objectives=USE, method=method)["design_id"]
    assert list(rank(scaled, objectives=USE, method=method)["design_id"]) == list(same)


def test_offset_changes_neither_sum_nor_knee(front):
    moved = front.assign(cost=front.cost + 500.0)
    for method in ("weighted_sum", "knee"):
        assert merit(moved, objectives=USE, method=method) == pytest.approx(
            merit(front, objectives=USE, method=method), rel=1e-9, abs=1e-12
        )


@pytest.mark.parametrize("method", ["topsis", "weighted_sum"])
def test_all_weight_on_one_objective_sorts_by_it(front, method):
    ranked = rank(front, objectives=USE, method=method, weights={"pack_mass_kg": 2.0})
    assert ranked["pack_mass_kg"].is_monotonic_increasing
    ranked = rank(front, objectives=USE, method=method, weights={"range_km": 0.1})
    assert ranked["range_km"].is_monotonic_decreasing


def test_rank_leaves_the_frame_alone(front):
    before = front.copy()
    rank(front, objectives=USE)
    pd.testing.assert_frame_equal(front, before)


def test_unknown_method_and_weight_are_named(front):
    with pytest.raises(ValueError, match="nearest: topsis"):
        merit(front, objectives=USE, method="topsi")
    with pytest.raises(ValueError, match="nearest: range_km"):
        shares({"range": 1.0}, objectives=USE)


@pytest.mark.parametrize("bad", [{"cost": -1.0}, {"cost": 0.0}, {"cost": float("nan")}])
def test_weights_that_mean_nothing_are_refused(bad):
    with pytest.raises(ValueError, match="at least 0"):
        shares(bad, objectives=USE)


def test_a_front_of_one_row_and_of_none(front):
    one = front.iloc[:1]
    for method in ("topsis", "weighted_sum", "knee"):
        assert len(rank(one, objectives=USE, method=method)) == 1
    assert len(pick_different(front.iloc[:0], 3, objectives=USE)) == 0


def test_knee_with_one_row_best_in_two_columns_is_finite():
    points = np.array([[0.0, 0.0, 3.0], [2.0, 1.0, 0.0], [0.3, 0.3, 0.5]])
    assert int(np.argmax(knee_distance(points))) == 2


def test_picks_are_different_packs(front):
    picked = pick_different(front, 5, objectives=USE)
    assert len(picked) == 5
    assert not picked.duplicated(["cell_id", "series", "parallel", "split"]).any()
    assert picked["cell_id"].nunique() == 3
    assert picked.iloc[0]["rank"] == 1


def test_fewer_packs_than_asked_for(front):
    assert len(pick_different(front, 50, objectives=USE)) == 9


def test_no_appetite_is_merit_alone(front):
    greedy = pick_different(front, 4, objectives=USE, appetite=0.0)
    assert greedy["merit"].is_monotonic_decreasing


def test_difference_is_zero_to_itself_and_one_at_most(front):
    points = np.zeros((len(front), 4))
    points[5] = 1.0
    away = difference(front, row=0, points=points)
    assert away[0] == 0.0
    assert away.max() <= 1.0
