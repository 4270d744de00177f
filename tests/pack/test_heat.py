"""Heat network: closed forms against linear algebra, exact steps against fine ones, counts on lattices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from optimizer.pack.thermal import convection, heat
from optimizer.pack.thermal.neighbours import Contents, contents, contents_by_groups, free_walls
from optimizer.pack.thermal.transient import transient

PITCH = 19.3


def lattice(columns: int, rows: int, *, staggered: bool = False) -> np.ndarray:
    i, j = np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij")
    x = (i + 0.5 * (j % 2 if staggered else 0)) * PITCH
    y = j * PITCH * (np.sqrt(3) / 2 if staggered else 1.0)
    return np.column_stack([x.ravel(), y.ravel()]).astype(float)


def counts_of(points: np.ndarray, layers: int = 1) -> Contents:
    stacked = np.vstack([np.column_stack([points, np.full(len(points), 70.0 * k)]) for k in range(layers)])
    layer = np.repeat(np.arange(layers), len(points))
    return contents(stacked, axis=2, layer=layer, module=np.zeros_like(layer), reach_mm=1.3 * PITCH)


def network(contained: Contents) -> heat.Network:
    return heat.build(
        contained, diameter_mm=18.5, length_mm=65.2, cell_mass_kg=0.048, cell_gap_mm=0.8, end_mm=2.5,
        case_gap_mm=1.0, case_area_m2=0.08, case_mass_kg=0.25,
        box=heat.Box(length_mm=300.0, width_mm=120.0, height_mm=80.0),
    )  # fmt: skip


def test_walls_on_a_square_lattice() -> None:
    walls, pairs = free_walls(lattice(4, 3), stack=np.zeros(12, int), reach_mm=1.3 * PITCH)
    assert walls.reshape(4, 3) == pytest.approx(np.array([[2, 1, 2], [1, 0, 1], [1, 0, 1], [2, 1, 2]]))
    assert len(pairs) == 3 * 3 + 4 * 2


def test_walls_on_a_staggered_lattice() -> None:
    walls, _ = free_walls(lattice(5, 5, staggered=True), stack=np.zeros(25, int), reach_mm=1.3 * PITCH)
    assert (walls.reshape(5, 5)[1:-1, 1:-1] == 0).all()
    assert walls.reshape(5, 5)[1:-1, 0] == pytest.approx(1.0)


def test_walls_of_one_and_of_two_cells() -> None:
    assert free_walls(np.zeros((1, 2)), stack=[0], reach_mm=25.0)[0].tolist() == [4.0]
    walls, _ = free_walls(np.array([[0.0, 0.0], [PITCH, 0.0]]), stack=[0, 0], reach_mm=25.0)
    assert walls == pytest.approx([3.0, 3.0])
    apart, pairs = free_walls(np.array([[0.0, 0.0], [PITCH, 0.0]]), stack=[0, 1], reach_mm=25.0)
    assert apart.tolist() == [4.0, 4.0]
    assert len(pairs) == 0


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


def matrix(net: heat.Network, box_air: float) -> np.ndarray:
    """Second implementation: the conductance matrix written out."""
    io, ic, oc, cb = (float(v) for v in (net.inner_outer, net.inner_case, net.outer_case, net.case_box))
    rows = ([io + ic, -io, -ic, 0], [-io, io + oc, -oc, 0], [-ic, -oc, ic + oc + cb, -cb], [0, 0, -cb, cb])
    return np.array(rows) + np.diag([0.0, 0.0, 0.0, box_air])


def test_steady_state_against_linear_algebra() -> None:
    net = network(counts_of(lattice(6, 5)))
    temps = heat.steady(net, cell_w=0.3, air_c=25.0)
    box_air = float(heat.box_conductance(net.box, rise_k=temps[3] - 25.0, air_c=25.0))
    q = np.array([0.3 * net.inner, 0.3 * net.outer, 0.0, 0.0])
    assert temps - 25.0 == pytest.approx(np.linalg.solve(matrix(net, box_air), q), rel=1e-6)
    assert temps[0] > temps[1] > temps[2] > temps[3] > 25.0


def test_all_heat_leaves_through_the_box() -> None:
    net = network(counts_of(lattice(6, 5)))
    rise = heat.steady(net, cell_w=0.3, air_c=25.0)[3] - 25.0
    assert rise * heat.box_conductance(net.box, rise_k=rise, air_c=25.0) == pytest.approx(9.0, rel=1e-6)


def test_no_heat_no_rise_and_no_inner_cells() -> None:
    net = network(counts_of(lattice(4, 2)))
    assert net.inner == 0
    assert heat.steady(net, cell_w=0.0, air_c=17.0) == pytest.approx([17.0] * 4, abs=1e-9)
    temps = heat.steady(net, cell_w=0.5, air_c=17.0)
    assert temps[0] == temps[1]


def test_rise_per_watt_and_limit_agree() -> None:
    net = network(counts_of(lattice(6, 5)))
    watts = heat.cell_heat_at_limit(net, limit_c=60.0, air_c=25.0)
    assert heat.steady(net, cell_w=watts, air_c=25.0)[:2].max() == pytest.approx(60.0, abs=1e-6)
    hottest, mean = heat.hot_cell_rise_k_per_w(net, cell_w=watts, air_c=25.0)
    assert hottest * watts == pytest.approx(35.0, abs=1e-6)
    assert mean < hottest
    assert heat.cell_heat_at_limit(net, limit_c=20.0, air_c=25.0) == 0.0


def block_of_networks() -> tuple[list[heat.Network], heat.Network]:
    each = [network(counts_of(lattice(c, r))) for c, r in ((6, 5), (4, 2), (8, 3))]
    names = [name for name in vars(each[0]) if name != "box"]
    together = {name: np.stack([np.asarray(getattr(net, name)) for net in each]) for name in names}
    return each, heat.Network(**together, box=each[0].box)


def test_arrays_equal_a_loop_of_numbers() -> None:
    each, together = block_of_networks()
    block = heat.steady(together, cell_w=np.array([0.1, 0.2, 0.3]), air_c=20.0)
    limits = heat.cell_heat_at_limit(together, limit_c=60.0, air_c=20.0)
    for k, net in enumerate(each):
        one = heat.steady(net, cell_w=0.1 * (k + 1), air_c=20.0)
        assert block[k] == pytest.approx(one, abs=1e-9)
        assert limits[k] == pytest.approx(heat.cell_heat_at_limit(net, limit_c=60.0, air_c=20.0), rel=1e-9)


def test_transient_against_an_ode_solver() -> None:
    """Second implementation: scipy's integrator at tight tolerance, heat that changes step by step."""
    net = network(counts_of(lattice(6, 5)))
    seconds = np.array([60.0, 300.0, 10.0, 900.0])
    inside, outside = np.array([[5.0, 0.0, 20.0, 2.0]]), np.array([[8.0, 1.0, 30.0, 3.0]])
    got = transient(net, inner_w=inside, outer_w=outside, seconds=seconds, air_c=25.0, start_c=30.0)
    mean = ((inside + outside) * seconds).sum() / seconds.sum()
    rise = float(heat.box_rise(net.box, heat_w=mean, air_c=25.0))
    k = matrix(net, float(heat.box_conductance(net.box, rise_k=rise, air_c=25.0)))
    state = np.full(4, 5.0)
    for step, (length, qi, qo) in enumerate(zip(seconds, inside[0], outside[0], strict=True)):
        q = np.array([qi, qo, 0.0, 0.0])
        run = solve_ivp(
            lambda _, x, q=q: (q - k @ x) / net.capacity_j_per_k, (0.0, length), state, method="LSODA",
            rtol=1e-9, atol=1e-9,
        )  # fmt: skip
        state = run.y[:, -1]
        assert got[0, step + 1] - 25.0 == pytest.approx(state, abs=1e-5)


def test_transient_ends_at_the_steady_state() -> None:
    _, together = block_of_networks()
    heat_w = np.array([[0.2], [0.2], [0.2]])
    got = transient(
        together, inner_w=heat_w * together.inner[:, None], outer_w=heat_w * together.outer[:, None],
        seconds=np.array([1e6]), air_c=25.0, start_c=0.0,
    )  # fmt: skip
    steady = heat.steady(together, cell_w=0.2, air_c=25.0)
    # Without inner cells their node rides on the outer ones.
    assert got[:, -1] == pytest.approx(steady, abs=1e-4)


def test_more_ways_out_are_cooler() -> None:
    net = network(counts_of(lattice(6, 5)))
    base = heat.steady(net, cell_w=0.3, air_c=25.0)[0]
    for name in ("inner_outer", "inner_case", "outer_case", "case_box"):
        better = replace(net, **{name: 1.5 * getattr(net, name)})
        assert heat.steady(better, cell_w=0.3, air_c=25.0)[0] < base


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="gap_mm must be positive"):
        convection.gap_coefficient(0.0, height_m=0.1, emissivity=0.1)
    with pytest.raises(ValueError, match="gap_mm must be positive"):
        convection.cell_to_cell(18.0, gap_mm=0.0, length_mm=65.0, conductivity_w_per_m_k=0.2)
    with pytest.raises(ValueError, match="no cells"):
        contents(np.zeros((0, 3)), axis=0, layer=[], module=[], reach_mm=20.0)
    with pytest.raises(ValueError, match="cell_w must be positive"):
        heat.hot_cell_rise_k_per_w(network(counts_of(lattice(2, 2))), cell_w=0.0, air_c=25.0)
