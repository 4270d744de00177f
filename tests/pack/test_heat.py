"""Heat network: cells against linear algebra, walls and ends on lattices."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from optimizer.pack.thermal import convection, heat
from optimizer.pack.thermal.neighbours import Facing, facing

PITCH = 19.3
BOX = heat.Box(length_mm=300.0, width_mm=120.0, height_mm=80.0)


def lattice(columns: int, rows: int, *, staggered: bool = False) -> np.ndarray:
    i, j = np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij")
    x = (i + 0.5 * (j % 2 if staggered else 0)) * PITCH
    y = j * PITCH * (np.sqrt(3) / 2 if staggered else 1.0)
    return np.column_stack([x.ravel(), y.ravel()]).astype(float)


def met(points: np.ndarray, layers: int = 1) -> Facing:
    """Who faces whom in a tray."""
    layer = np.repeat(np.arange(layers), len(points))
    return facing(
        np.tile(points, (layers, 1)), 70.0 * layer, layer, pitch_mm=PITCH, reach_mm=1.4 * PITCH, apart_mm=1.3 * PITCH,
        length_mm=65.2,
    )  # fmt: skip


def walls(points: np.ndarray, layers: int = 1) -> np.ndarray:
    return met(points, layers).sides(np.ones(len(points) * layers, dtype=bool))


def test_sides_to_the_case_on_square_and_staggered_lattices() -> None:
    """0 in the middle, 1 at a straight edge, 2 at a square corner and in a row, 3 at its ends; 4 for a cell alone."""
    square = walls(lattice(4, 3))
    assert square.sum(axis=1).reshape(4, 3).tolist() == [[2, 1, 2], [1, 0, 1], [1, 0, 1], [2, 1, 2]]
    # Low and high end of the first axis, then of the second.
    assert square[0].tolist() == [1, 0, 1, 0] and square[-1].tolist() == [0, 1, 0, 1]
    assert walls(lattice(3, 1)).sum(axis=1).tolist() == [3, 2, 3]
    angles = np.radians(np.arange(0, 360, 60))
    flower = walls(np.vstack([np.zeros((1, 2)), PITCH * np.column_stack([np.cos(angles), np.sin(angles)])]))
    # Each petal sees none over 240°.
    assert flower.sum(axis=1) == pytest.approx([0.0] + [240 / 90 - 1] * 6)
    assert walls(np.zeros((1, 2))).tolist() == [[1.0] * 4]
    # A vacancy in the middle is a pocket, no wall.
    hole = np.ones(25, dtype=bool)
    hole[12] = False
    assert met(lattice(5, 5)).sides(hole)[[6, 8, 16, 18]].sum() == 0.0


def test_ends_of_two_layers_and_of_groups_that_are_not_there() -> None:
    both = met(lattice(4, 3), layers=2)
    used = np.ones(24, dtype=bool)
    assert both.ends(used).tolist() == [[True, False]] * 12 + [[False, True]] * 12
    used[12:] = False
    assert both.ends(used)[:12].all() and np.array_equal(both.sides(used)[:12], walls(lattice(4, 3)))


def test_cells_of_two_modules_face_each_other() -> None:
    """A side before another case is no wall: heat crosses two walls and the air between."""
    points = np.vstack([lattice(3, 3), lattice(3, 3) + np.array([3 * PITCH + 3.0, 0.0])])
    found = facing(points, np.zeros(18), np.repeat([0, 1], 9), pitch_mm=PITCH, reach_mm=1.4 * PITCH,
                   apart_mm=1.15 * PITCH + 3.7, length_mm=65.2)  # fmt: skip
    assert (~found.alike & found.once).sum() == 3
    assert found.sides(np.ones(18, dtype=bool)).sum(axis=1)[6:12].tolist() == [1, 0, 1, 1, 0, 1]


@pytest.mark.parametrize("shape", [(6, 5), (4, 2), (1, 1), (12, 7)])
def test_cells_over_the_box_against_linear_algebra(shape) -> None:
    rng = np.random.default_rng(shape)
    found = met(lattice(*shape))
    pairs = np.stack([found.own, found.other], axis=1)[found.once]
    between, out = rng.uniform(0.01, 0.2, len(pairs)), rng.uniform(0.001, 0.05, shape[0] * shape[1])
    matrix = np.diag(out)
    for (a, b), g in zip(pairs, between, strict=True):
        matrix[[a, b, a, b], [a, b, b, a]] += [g, g, -g, -g]
    got, _ = heat.over_box(pairs, between, out)
    assert got == pytest.approx(np.linalg.solve(matrix, np.ones(len(out))), rel=1e-9)
    # More ways out, and more between cells, leave the hottest no hotter.
    assert heat.over_box(pairs, between, 1.1 * out)[0].max() < got.max()
    assert heat.over_box(pairs, 1.1 * between, out)[0].max() <= got.max() * (1 + 1e-12)


def test_heat_at_the_limit() -> None:
    """The box by a root finder, cells over it by their rise; arrays are loops of numbers; nothing in the heat."""
    over, cells = np.array([80.0, 5.0, 300.0]), np.array([10, 40, 3])
    got = heat.cell_heat_at_limit(over, cells=cells, box=BOX, limit_c=60.0, air_c=25.0)
    for k, watt in enumerate(got):
        away = lambda rise, q=watt * cells[k]: rise * float(heat.box_conductance(BOX, rise_k=rise, air_c=25.0)) - q  # noqa: E731
        assert brentq(away, 1e-6, 1000.0) + over[k] * watt == pytest.approx(35.0, rel=1e-6)
        one = heat.cell_heat_at_limit(float(over[k]), cells=int(cells[k]), box=BOX, limit_c=60.0, air_c=25.0)
        assert watt == pytest.approx(one, rel=1e-9)
    assert heat.cell_heat_at_limit(80.0, cells=10, box=BOX, limit_c=20.0, air_c=25.0) == 0.0


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="gap_mm must be positive"):
        convection.gap_coefficient(0.0, height_m=0.1, emissivity=0.1)
