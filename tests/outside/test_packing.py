"""Placement against published packings. The source stands beside each value."""

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist
from shapely.geometry import MultiPolygon

from optimizer.fit.placement.free import free_points, oler_bound
from optimizer.fit.placement.lattice import regular, regular_count
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import box
from optimizer.fit.region.layout import CellSize, Clearance

NONE = Clearance(wall_mm=0, case_mm=0, cell_gap_mm=0, end_mm=0, module_gap_mm=0)

# Published: OEIS A337020, n = 1…30: most circles of area 1 in a square of area n.
A337020 = [0, 1, 1, 2, 3, 4, 4, 5, 5, 6, 8, 9, 9, 9, 10, 11, 12, 13, 13, 15]
A337020 += [16, 16, 16, 18, 18, 20, 20, 21, 22, 22]

# From memory: radii of the best known packings of N equal circles in a unit square (table kept by Specht,
# "The best known packings of equal circles in a square"; up to 30 proved optimal, Markót and Csendes, SIAM J.
# Optimization 16 (2005) 193 and others). N circles of area 1 fit a square of area n when r ≥ 1/√(πn).
BEST_RADII = {
    24: 0.101381800,
    25: 0.1,
    27: 0.095420117,
    28: 0.093672831,
    30: 0.091671058,
    31: 0.089337833,
    33: 0.087225018,
    34: 0.085270421,
    35: 0.084290712,
    36: 0.083333333,
    38: 0.0817097,
    39: 0.0813675,
    40: 0.0791867,
    41: 0.0784502,
    42: 0.0778015,
    43: 0.0763398,
}

# From memory: side of the smallest square for N unit circles (Friedman, "Packing Unit Circles in Squares",
# The Electronic Journal of Combinatorics, Dynamic Survey 7).
SIDES = {2: 3.4142, 3: 3.9319, 4: 4.0, 5: 4.8284, 6: 5.3282, 7: 5.7321, 8: 5.8637, 9: 6.0, 10: 6.7474}
SIDES |= {11: 7.0225, 12: 7.1450, 13: 7.4630, 14: 7.7320, 15: 7.8637, 16: 8.0, 18: 8.6564, 20: 8.9781}


def square(side, diameter=1.0):
    """Centre region of circles in a square."""
    return MultiPolygon([shapely.box(0, 0, side - diameter, side - diameter)])


def count(side, diameter, seconds):
    """Circles placed in a square by rows and free placement."""
    if side < diameter:
        return 0
    region = square(side, diameter)
    rows = [found.points_mm for found in regular(region, diameter)]
    return len(free_points(region, diameter, warm=rows, seconds=seconds))


def by_day(numbers):
    """Every third; the others are tried at night."""
    marks = (pytest.mark.nightly, (), pytest.mark.nightly)
    return [pytest.param(number, marks=marks[k % 3]) for k, number in enumerate(numbers)]


@pytest.mark.slow
@pytest.mark.parametrize("n", by_day(range(1, 31)))
def test_unit_area_circles_in_a_square_of_area_n(n, tmp_path, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path))
    side = 10.0 * np.sqrt(n)
    cell = CellSize("cylinder", length_mm=50.0, diameter_mm=20.0 / np.sqrt(np.pi))
    room = box("square", length_mm=side, width_mm=side, height_mm=50.0, axes=(2,))
    layout = next(iter(place(room, cell, NONE, seconds=1.0)), None)
    assert (layout.cells if layout else 0) == A337020[n - 1]
    assert layout is None or prove(layout, room, NONE).ok


@pytest.mark.slow
@pytest.mark.parametrize("number", by_day(BEST_RADII))
def test_best_known_packings_in_a_square_are_reached(number):
    area = int(np.ceil(1 / (np.pi * BEST_RADII[number] ** 2) - 1e-6))
    assert count(np.sqrt(area), 2 / np.sqrt(np.pi), seconds=2.0) >= number


@pytest.mark.parametrize("number", [2, 5, 6, 10, 14, 18, 20])
def test_smallest_squares_are_reached_and_never_beaten(number):
    side = SIDES[number]
    assert count(side + 2e-4, 2.0, seconds=0.5) >= number
    assert count(side - 2e-4, 2.0, seconds=0.2) < number


def test_two_and_five_circles_are_exactly_tight():
    # Closed form: sides 2 + √2 and 2 + 2√2 for unit circles.
    assert count(2 + np.sqrt(2), 2.0, seconds=0.2) == 2
    assert count(2 + 2 * np.sqrt(2), 2.0, seconds=0.2) == 5


@pytest.mark.parametrize(("area", "most"), [(9, 5), (19, 13)])
def test_tight_squares_hold_no_more(area, most):
    # Closed from Friedman's sides: 6 need 5.328 r where area 9 gives 5.317 r; 14 need 7.732 r, 19 gives 7.726 r.
    assert count(np.sqrt(area), 2 / np.sqrt(np.pi), seconds=1.0) == most


def test_lattice_densities_are_approached_by_large_boxes():
    # Published: π/4, and π/√12 (Thue 1892/1910; Fejes Tóth 1940).
    side = 100.0
    best_of = {}
    for rows in regular(square(side), 1.0):
        best_of[rows.kind] = max(best_of.get(rows.kind, 0), len(rows.points_mm))
    density = {kind: held * np.pi / 4 / side**2 for kind, held in best_of.items()}
    assert density["square"] == pytest.approx(np.pi / 4, rel=1e-9)
    assert np.pi / np.sqrt(12) * 0.98 < density["staggered"] < np.pi / np.sqrt(12)


@pytest.mark.parametrize(
    ("width", "pitch", "ten"),
    [
        (20, 18.4391, 184.4518),
        (25, 17.3205, 174.3846),
        (30, 14.4914, 148.9224),
        (18.5 * (1 + np.sqrt(0.75)), 9.25, 101.75),
    ],
)
def test_zigzag_in_a_channel(width, pitch, ten):
    # Closed form p = √(d² − (W − d)²), d = 18.5; optimal in strips this narrow: Füredi, Discrete &
    # Computational Geometry 6 (1991) 95. Lengths for ten circles d + 9p.
    assert np.sqrt(18.5**2 - (width - 18.5) ** 2) == pytest.approx(pitch, abs=1e-4)
    for length, held in ((ten + 1e-3, 10), (ten - 1e-2, 9)):
        region = MultiPolygon([shapely.box(0, 0, length - 18.5, width - 18.5)])
        assert regular_count(region, 18.5) == held
        assert len(free_points(region, 18.5, seconds=0.2)) == held


@pytest.mark.parametrize("seed", range(8))
def test_no_placement_exceeds_the_oler_bound(seed):
    # Published: Oler, Acta Mathematica 105 (1961) 19; Groemer 1960.
    rng = np.random.default_rng(seed)
    hull = shapely.MultiPoint(rng.uniform(0, 6, (7, 2))).convex_hull
    region = MultiPolygon([hull])
    rows = [found.points_mm for found in regular(region, 1.0)]
    points = free_points(region, 1.0, warm=rows, seconds=0.2, bound=10**6)
    assert max(map(len, rows)) <= len(points) <= oler_bound(region, 1.0)
    assert pdist(points).min() >= 1 - 1e-6
