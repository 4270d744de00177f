"""Heat network: closed forms against linear algebra, counts on lattices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from optimizer.pack.thermal import convection, heat
from optimizer.pack.thermal.neighbours import Contents, contents_by_groups

PITCH = 19.3


def lattice(columns: int, rows: int, *, staggered: bool = False) -> np.ndarray:
    i, j = np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij")
    x = (i + 0.5 * (j % 2 if staggered else 0)) * PITCH
    y = j * PITCH * (np.sqrt(3) / 2 if staggered else 1.0)
    return np.column_stack([x.ravel(), y.ravel()]).astype(float)


def counts_of(points: np.ndarray, layers: int = 1) -> Contents:
    """Counts of a tray with one group of all cells, as numbers."""
    stacked = np.vstack([np.column_stack([points, np.full(len(points), 70.0 * k)]) for k in range(layers)])
    layer = np.repeat(np.arange(layers), len(points))
    flat = np.zeros_like(layer)
    counted = contents_by_groups(stacked, group=flat, axis=2, layer=layer, module=flat, reach_mm=1.3 * PITCH)
    return Contents(*(float(values[0]) for values in vars(counted).values()))


def network(contained: Contents) -> heat.Network:
    return heat.build(
        contained, diameter_mm=18.5, length_mm=65.2, cell_gap_mm=0.8, end_mm=2.5, case_gap_mm=1.0, case_area_m2=0.08,
        box=heat.Box(length_mm=300.0, width_mm=120.0, height_mm=80.0),
    )  # fmt: skip


def steady(net: heat.Network, cell_w: float, air_c: float) -> np.ndarray:
    """Second implementation: temperatures of inner and outer cells, case and box by the conductance matrix."""
    io, ic, oc, cb = (float(v) for v in (net.inner_outer, net.inner_case, net.outer_case, net.case_box))
    rows = np.array(
        ([io + ic, -io, -ic, 0], [-io, io + oc, -oc, 0], [-ic, -oc, ic + oc + cb, -cb], [0, 0, -cb, cb])
    )
    q = np.array([cell_w * net.inner, cell_w * net.outer, 0.0, 0.0])
    away = lambda rise: rise * float(heat.box_conductance(net.box, rise_k=rise, air_c=air_c)) - q.sum()  # noqa: E731
    rise = brentq(away, 1e-6, 1000.0, xtol=1e-12)
    return air_c + np.linalg.solve(rows + np.diag([0.0, 0.0, 0.0, q.sum() / rise]), q)


def test_sides_to_the_case_on_square_and_staggered_lattices() -> None:
    """0 in the middle, 1 at a straight edge, 2 at a square corner; a cell alone has 4, each of two 3."""
    square = counts_of(lattice(4, 3))
    assert (square.inner_walls, square.outer_walls) == (0.0, pytest.approx(4 * 2 + 6))
    angles = np.radians(np.arange(0, 360, 60))
    flower = counts_of(np.vstack([np.zeros((1, 2)), PITCH * np.column_stack([np.cos(angles), np.sin(angles)])]))
    # Each petal sees none over 240°.
    assert (flower.inner, flower.inner_walls, flower.outer_walls) == (1.0, 0.0, pytest.approx(6 * (240 / 90 - 1)))
    assert counts_of(np.zeros((1, 2))).outer_walls == 4.0
    assert counts_of(np.array([[0.0, 0.0], [PITCH, 0.0]])).outer_walls == pytest.approx(6.0)
    assert counts_of(np.zeros((1, 2)), layers=2).outer_walls == 8.0


def test_contents_of_two_layers() -> None:
    got = counts_of(lattice(4, 3), layers=2)
    assert (got.inner, got.outer, got.inner_outer) == (4, 20, 2 * 6)
    assert (got.inner_ends, got.outer_ends, got.outer_walls) == (4, 20, 2 * (4 * 2 + 6))
    assert counts_of(lattice(4, 3)).inner_ends == 4  # two cells, both ends free


def test_groups_are_counted_as_they_fill() -> None:
    points = np.column_stack([lattice(4, 3), np.zeros(12)])
    group = np.repeat(np.arange(4), 3)
    zeros = np.zeros(12, int)
    grown = contents_by_groups(points, group=group, axis=2, layer=zeros, module=zeros, reach_mm=25.0)
    assert grown.inner.tolist() == [0, 0, 1, 2]
    assert (grown.inner + grown.outer).tolist() == [3, 6, 9, 12]
    full = counts_of(lattice(4, 3))
    assert [v[-1] for v in vars(grown).values()] == list(vars(full).values())


def test_heat_at_the_limit_against_linear_algebra() -> None:
    for columns, rows in ((6, 5), (4, 2)):
        net = network(counts_of(lattice(columns, rows)))
        watts = float(heat.cell_heat_at_limit(net, limit_c=60.0, air_c=25.0))
        temps = steady(net, watts, 25.0) if net.inner else None
        rises = heat.rises_over_box(net, inner_w=watts * net.inner, outer_w=watts * net.outer)
        if temps is not None:
            assert temps[:2].max() == pytest.approx(60.0, abs=1e-6) and temps[0] > temps[1] > temps[2] > temps[3] > 25.0
            assert rises == pytest.approx(temps[:3] - temps[3], rel=1e-6)
        else:
            assert rises[0] == rises[1] > rises[2]
        assert heat.cell_heat_at_limit(net, limit_c=20.0, air_c=25.0) == 0.0


def test_arrays_equal_a_loop_of_numbers() -> None:
    each = [network(counts_of(lattice(c, r))) for c, r in ((6, 5), (4, 2), (8, 3))]
    names = [name for name in vars(each[0]) if name != "box"]
    together = heat.Network(
        **{name: np.stack([np.asarray(getattr(net, name)) for net in each]) for name in names}, box=each[0].box
    )
    limits = heat.cell_heat_at_limit(together, limit_c=60.0, air_c=20.0)
    for k, net in enumerate(each):
        assert limits[k] == pytest.approx(heat.cell_heat_at_limit(net, limit_c=60.0, air_c=20.0), rel=1e-9)


def test_more_ways_out_are_cooler() -> None:
    net = network(counts_of(lattice(6, 5)))
    base = heat.cell_heat_at_limit(net, limit_c=60.0, air_c=25.0)
    for name in ("inner_outer", "inner_case", "outer_case", "case_box"):
        better = replace(net, **{name: 1.5 * getattr(net, name)})
        assert heat.cell_heat_at_limit(better, limit_c=60.0, air_c=25.0) > base


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="gap_mm must be positive"):
        convection.gap_coefficient(0.0, height_m=0.1, emissivity=0.1)
    with pytest.raises(ValueError, match="gap_mm must be positive"):
        convection.cell_to_cell(18.0, gap_mm=0.0, length_mm=65.0, conductivity_w_per_m_k=0.2)
    with pytest.raises(ValueError, match="no group is used"):
        contents_by_groups(np.zeros((0, 3)), group=[], axis=0, layer=[], module=[], reach_mm=20.0)
