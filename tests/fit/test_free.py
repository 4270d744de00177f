"""Free placement: feasible, never worse than rows, repeatable, bounded; the kernel against plain NumPy."""

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist
from shapely.geometry import MultiPolygon, Polygon

from optimizer.fit.placement import free, hops, kernels
from optimizer.fit.placement.free import as_walls, free_points, oler_bound
from optimizer.fit.placement.lattice import regular
from optimizer.fit.region.section import erode

SHAPES = {
    "square": Polygon([(0, 0), (5.2, 0), (5.2, 5.2), (0, 5.2)]),
    "long": Polygon([(0, 0), (14, 0), (14, 2.3), (0, 2.3)]),
    "taper": Polygon([(0, 0), (8, 0), (7.2, 4), (0.4, 4)]),
    "ell": Polygon([(0, 0), (7, 0), (7, 3), (3, 3), (3, 6), (0, 6)]),
    "holed": Polygon([(0, 0), (7, 0), (7, 6), (0, 6)], [[(3, 2), (4, 2), (4, 3.5), (3, 3.5)]]),
    "two": MultiPolygon([shapely.box(0, 0, 3, 3), shapely.box(3.4, 0, 7, 3)]),
}


def centre_region(name):
    return erode(SHAPES[name], radius_mm=0.5)


def search(region, *, effort=20e6, seed=0):
    return free._Search(as_walls(region, 1.0), seed=seed, effort=effort)


@pytest.mark.parametrize("name", list(SHAPES))
def test_points_keep_their_distance_and_stay_inside(name):
    region = centre_region(name)
    warm = [rows.points_mm for rows in regular(region, 1.0)]
    points = free_points(region, 1.0, warm=warm, seconds=0.3)
    assert len(points) >= max(map(len, warm))
    assert pdist(points).min() >= 1.0 - 1e-6
    assert shapely.distance(region, shapely.points(points)).max() <= 1e-6
    assert len(points) <= oler_bound(region, 1.0)


def test_it_finds_room_that_rows_do_not():
    region = centre_region("square")
    rows = max(len(r.points_mm) for r in regular(region, 1.0))
    assert len(free_points(region, 1.0, seconds=1.0)) > rows or rows >= 27


def test_the_same_seed_gives_the_same_points():
    region = centre_region("taper")
    runs = []
    for seed in (3, 3, 4):
        hunt = search(region, effort=1e7, seed=seed)
        runs.append(hunt.place(24, np.zeros((0, 2)), []))
    assert np.array_equal(runs[0], runs[1])
    assert not np.array_equal(runs[0], runs[2])


def test_effort_ends_a_hopeless_search():
    hunt = search(centre_region("square"), effort=2e6)
    assert hunt.place(40, np.zeros((0, 2)), []) is None
    assert 2e6 <= hunt.work < 6e6


def test_a_warm_start_at_the_bound_is_returned_as_it_is():
    region = MultiPolygon([shapely.box(0, 0, 3, 0.01)])
    start = np.array([(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 0.0)])
    assert free_points(region, 1.0, warm=[start], bound=4) is start
    assert len(free_points(MultiPolygon(), 1.0)) == 0


def test_exactly_tight_points_are_found():
    # Five circles of diameter 1 in a square of centres of side √2: one in the middle, four in the corners.
    region = MultiPolygon([shapely.box(0, 0, np.sqrt(2), np.sqrt(2))])
    assert len(free_points(region, 1.0, seconds=1.0)) == 5


@pytest.mark.parametrize("name", list(SHAPES))
def test_energy_and_gradient_agree_with_numpy(name):
    region = centre_region(name)
    walls = as_walls(region, 1.0)
    rng = np.random.default_rng(1)
    x = rng.uniform(-0.5, 7, (20, 2))

    def energy(points):
        pairs = np.empty((1000, 2), np.int64)
        flat = np.ascontiguousarray(points).reshape(-1)
        count = kernels.neighbours(flat, 1.3, pairs)
        grad, load = np.empty(len(flat)), np.empty(len(points))
        value = kernels.energy(flat, pairs, count, *walls.arrays, grad, load)
        return value, grad, load

    value, grad, load = energy(x)
    near = np.maximum(1 - pdist(x), 0) ** 2
    planes = walls.planes
    if len(planes):
        out = (np.maximum(x @ planes[:, :2].T - planes[:, 2], 0) ** 2).sum(axis=1)
    else:
        out = shapely.distance(walls.region, shapely.points(x)) ** 2
    assert value == pytest.approx(near.sum() + out.sum(), rel=1e-9)
    assert load.sum() == pytest.approx(2 * near.sum() + out.sum(), rel=1e-9)
    step = 1e-6
    for k in range(0, 40, 7):
        ahead, behind = x.copy().reshape(-1), x.copy().reshape(-1)
        ahead[k] += step
        behind[k] -= step
        slope = (energy(ahead.reshape(-1, 2))[0] - energy(behind.reshape(-1, 2))[0]) / (2 * step)
        assert grad[k] == pytest.approx(slope, rel=1e-4, abs=1e-6)


def test_neighbours_are_all_found_however_far_a_point_strays():
    rng = np.random.default_rng(0)
    x = rng.uniform(0, 6, (60, 2))
    x[0] = (1e6, -1e6)
    pairs = np.empty((2000, 2), np.int64)
    count = kernels.neighbours(x.reshape(-1), 1.3, pairs)
    assert count == int((pdist(x) < 1.3).sum())


@pytest.mark.parametrize("move", hops.MOVES)
def test_moves_change_something_and_leave_their_input_alone(move):
    hunt = search(centre_region("long"))
    x = hunt.scatter(20)
    x.flags.writeable = False
    moved = [move(x, np.ones(20), np.random.default_rng(k), hunt.scatter) for k in range(4)]
    assert all(m.shape == x.shape and np.isfinite(m).all() for m in moved)
    assert any(not np.array_equal(m, x) for m in moved)


@pytest.mark.parametrize("name", list(SHAPES))
def test_starts_have_the_number_asked_for(name):
    hunt = search(centre_region(name))
    hunt.pool = [(1.0, hunt.scatter(12)) for _ in range(4)]
    for turn in range(12):
        assert hunt.start(12, hunt.scatter(11), [hunt.scatter(10), hunt.scatter(14)], turn).shape == (12, 2)


def test_oler_bound_of_a_square_by_hand():
    # Side 3, d = 1: 2/√3·9 + 12/2 + 1 = 17.39; a 4 × 4 grid holds 16.
    assert oler_bound(MultiPolygon([shapely.box(0, 0, 3, 3)]), 1.0) == 17
