"""Square and staggered rows. Expected values are closed forms; distances are checked by brute force."""

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist
from shapely.geometry import MultiPolygon, Polygon

from optimizer.fit.placement import lattice
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


def slow_phase(edges, plan):
    """Second implementation, in NumPy: the shift that holds the most cells, all shifts and rows at once."""
    left, right = lattice.row_spans(edges, plan.heights)
    if plan.kind == "square":
        origin = float(np.nanmin(left)) if left.size else 0.0
        rows = zip(left, right, strict=True)
        return origin, sum(len(lattice._square_row(a, b, plan.pitch, origin)) for a, b in rows)
    ends = np.concatenate([(each - plan.shifts[:, None]).ravel() for each in (left, right)])
    ends = ends[~np.isnan(ends)]
    if not len(ends):
        return 0.0, 0
    phases = np.unique(np.round((ends - ends.min()) % plan.pitch, 7))[:64] + ends.min()
    origin = phases[:, None, None] + plan.shifts[None, :, None]
    first = np.ceil((left[None] - origin - lattice.SLACK_MM) / plan.pitch)
    last = np.floor((right[None] - origin + lattice.SLACK_MM) / plan.pitch)
    counts = np.nansum(np.maximum(last - first + 1, 0), axis=(1, 2))
    return float(phases[np.argmax(counts)]), int(counts.max())


@pytest.mark.parametrize("draw", range(12))
def test_the_compiled_count_is_that_of_numpy(draw):
    rng = np.random.default_rng(draw)
    shape = shapely.box(0, 0, *rng.uniform(2, 9, 2))
    if draw % 3 == 1:
        shape = shapely.MultiPoint(rng.uniform(0, 9, (6, 2))).convex_hull
    elif draw % 3 == 2:
        low, high = np.sort(rng.uniform(0, 9, (2, 2)), axis=0)
        shape = shape.difference(shapely.box(*low, *high))
    parts = [part for part in shapely.get_parts(shape) if part.area > 0]
    edges = lattice.boundary_edges(MultiPolygon(parts))
    plans = list(lattice.plans(MultiPolygon(parts), edges, 1.0))[::5]
    assert len(plans) > 3
    for plan in plans:
        assert lattice.best_phase(edges, plan) == slow_phase(edges, plan)
