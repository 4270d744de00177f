"""Square and staggered rows. Expected values are closed forms; distances are checked by brute force."""

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist
from shapely.geometry import MultiPolygon, Polygon

from optimizer.fit.placement.lattice import quick_count, regular, regular_count

SLIVER = 2.5e-7


def region(width, height):
    """Centre region of a box, with the width a cell that fits exactly needs."""
    a, b = width + SLIVER, height + SLIVER
    return MultiPolygon([Polygon([(-SLIVER, -SLIVER), (a, -SLIVER), (a, b), (-SLIVER, b)])])


def counts(shape, pitch):
    best = {}
    for rows in regular(shape, pitch):
        best[rows.kind] = max(best.get(rows.kind, 0), len(rows.points_mm))
    return best


@pytest.mark.parametrize(("wide", "high"), [(60, 60), (60, 0), (0, 0), (0, 60), (100, 40)])
def test_cells_that_fit_exactly_fit(wide, high):
    assert counts(region(wide, high), 20.0)["square"] == (wide // 20 + 1) * (high // 20 + 1)


def test_a_hair_less_loses_the_row():
    assert counts(region(60 - 1e-4, 60), 20.0)["square"] == 12


@pytest.mark.parametrize("rows", [2, 3, 4, 5])
def test_tight_hexagonal_rows_fit_exactly(rows):
    shape = region(4.5, (rows - 1) * np.sqrt(0.75))
    assert counts(shape, 1.0)["staggered"] == 5 * rows


def test_free_pitch_trades_pitch_for_a_row():
    # Five rows need a spacing of 0.8 where 0.866 is tight: pitch 2·√(1 − 0.64) = 1.2 in the row.
    shape = region(6.0, 3.2)
    assert counts(shape, 1.0)["staggered"] >= 6 * 3 + 5 * 2
    assert counts(shape, 1.0)["square"] == 28


@pytest.mark.parametrize("seed", range(6))
def test_no_rows_leave_the_region_or_stand_too_close(seed):
    rng = np.random.default_rng(seed)
    outline = Polygon([(0, 0), (9, 0), (9 - rng.uniform(0, 3), 4), (5, 4), (5, 7), (rng.uniform(0, 2), 7)])
    hole = shapely.Point(3, 3).buffer(0.8)
    shape = MultiPolygon([outline.difference(hole)])
    found = regular(shape, 0.7)
    assert found
    for rows in found:
        assert pdist(rows.points_mm).min() >= 0.7 - 1e-6
        assert shapely.distance(shape, shapely.points(rows.points_mm)).max() <= 1e-6


def test_tapered_boxes_profit_row_by_row():
    taper = MultiPolygon([Polygon([(0, 0), (10, 0), (9, 5), (0, 5)])])
    inscribed = regular_count(region(9, 5), 1.0)
    assert regular_count(taper, 1.0) > inscribed


def test_a_larger_box_never_holds_fewer_in_rows():
    last = 0
    for side in np.linspace(1.0, 9.0, 60):
        now = regular_count(region(side, 0.7 * side), 1.0)
        assert now >= last
        last = now


def test_the_quick_count_never_promises_more_and_misses_little():
    rng = np.random.default_rng(2)
    for _ in range(60):
        shape = region(*rng.uniform(0.3, 9.0, 2))
        exact = regular_count(shape, 1.0)
        assert 0.9 * exact - 2 <= quick_count(shape, 1.0) <= exact


def test_nothing_fits_in_nothing():
    assert regular(MultiPolygon(), 1.0) == []
    assert regular_count(MultiPolygon(), 1.0) == 0
