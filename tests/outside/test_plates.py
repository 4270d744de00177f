"""The network solver and the plates against circuits with known answers; sources beside each check."""

from __future__ import annotations

from itertools import combinations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.plates.network import divide_current, resistance_between, solve_network
from optimizer.pack.plates.plates import plates_of, solve_chain
from optimizer.pack.plates.strips import StripBuild


def between(graph, a, b):
    """Resistance between two nodes of a graph of unit resistors (or with weight r)."""
    nodes = {node: number for number, node in enumerate(graph)}
    edges = [(nodes[u], nodes[v]) for u, v in graph.edges]
    ohm = [data.get("r", 1.0) for *_, data in graph.edges(data=True)]
    return resistance_between(edges, resistance_ohm=ohm, first=nodes[a], second=nodes[b])


def test_resistor_cube():
    """Classic (any circuits text): edge 7/12, face diagonal 3/4, body diagonal 5/6."""
    cube = nx.hypercube_graph(3)
    for end, wanted in (((0, 0, 1), 7 / 12), ((0, 1, 1), 3 / 4), ((1, 1, 1), 5 / 6)):
        assert between(cube, (0, 0, 0), end) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("n", range(2, 8))
def test_complete_graph(n):
    """Closed form: 2/n (Klein & Randić 1993)."""
    assert between(nx.complete_graph(n), 0, 1) == pytest.approx(2 / n, rel=1e-12)


def test_wheel_of_seven():
    """Closed form, hub and six rim nodes (a hexagonal cluster of seven cells): 9/20, 11/20, 4/5."""
    wheel = nx.wheel_graph(7)
    assert between(wheel, 0, 1) == pytest.approx(9 / 20, rel=1e-12)
    assert between(wheel, 1, 2) == pytest.approx(11 / 20, rel=1e-12)
    assert between(wheel, 1, 4) == pytest.approx(4 / 5, rel=1e-12)


@pytest.mark.parametrize(("k", "wanted"), [(1, 5 / 6), (2, 4 / 3), (3, 3 / 2)])
def test_ring_of_six(k, wanted):
    """Closed form: k (n - k) / n."""
    assert between(nx.cycle_graph(6), 0, k) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize(
    ("n", "corner", "side"),
    [(2, 1, 3 / 4), (3, 3 / 2, 5 / 4), (4, 13 / 7, 181 / 112), (5, 47 / 22, 251 / 132),
     (6, 1171 / 495, 109897 / 51480), (7, 6385 / 2494, 11631 / 4988)],
)  # fmt: skip
def test_square_grids(n, corner, side):
    """Computed fractions, opposite and same-side corners; second implementation: networkx."""
    grid = nx.grid_2d_graph(n, n)
    assert between(grid, (0, 0), (n - 1, n - 1)) == pytest.approx(corner, rel=1e-9)
    assert between(grid, (0, 0), (0, n - 1)) == pytest.approx(side, rel=1e-9)
    assert between(grid, (0, 0), (n - 1, n - 1)) == pytest.approx(
        nx.resistance_distance(grid, (0, 0), (n - 1, n - 1)), rel=1e-9
    )


def test_infinite_grid_is_approached():
    """van der Pol & Bremmer; Cserti, Am. J. Phys. 68 (2000) 896 (from memory): 1/2, diagonal 2/pi."""
    grid = nx.grid_2d_graph(40, 40)
    assert between(grid, (20, 20), (20, 21)) == pytest.approx(0.5, abs=1e-3)
    assert between(grid, (20, 20), (21, 21)) == pytest.approx(2 / np.pi, abs=2e-3)


def test_unbalanced_bridge():
    """By hand: AB 1, AC 2, BC 3, BD 4, CD 5 gives 61/21 from A to D."""
    edges = [(0, 1), (0, 2), (1, 2), (1, 3), (2, 3)]
    assert resistance_between(edges, resistance_ohm=[1, 2, 3, 4, 5], first=0, second=3) == pytest.approx(
        61 / 21
    )


def test_ladder_tends_to_the_golden_like_limit():
    """Closed form: the end rung of a unit ladder tends to sqrt(3) - 1."""
    assert between(nx.ladder_graph(40), 0, 40) == pytest.approx(np.sqrt(3) - 1, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(3, 9), st.integers(0, 10_000))
def test_foster_rayleigh_reciprocity_triangle(n, seed):
    """Foster 1949: sum of R_ij / r_ij over the edges is N - 1. Rayleigh: an edge more never raises R."""
    rng = np.random.default_rng(seed)
    edges = [(i, int(rng.integers(i))) for i in range(1, n)]
    edges += [pair for pair in combinations(range(n), 2) if rng.random() < 0.4]
    ohm = rng.uniform(0.1, 10.0, len(edges))
    found = [resistance_between(edges, resistance_ohm=ohm, first=a, second=b) for a, b in edges]
    assert sum(np.array(found) / ohm) == pytest.approx(n - 1, rel=1e-9)
    r = {
        (a, b): resistance_between(edges, resistance_ohm=ohm, first=a, second=b)
        for a in range(n)
        for b in range(n)
    }
    more = resistance_between([*edges, (0, n - 1)], resistance_ohm=[*ohm, 1.0], first=1, second=n - 1)
    assert more <= r[1, n - 1] + 1e-12
    assert r[0, 1] == pytest.approx(r[1, 0], rel=1e-12)
    assert r[0, 2] <= r[0, 1] + r[1, 2] + 1e-12


def test_current_division():
    """Current-divider rule (any circuits text): 20 and 30 mohm share 10 A as 6 and 4; three as 4.3478 …"""
    assert divide_current(10.0, resistance_ohm=[0.020, 0.030]) == pytest.approx([6.0, 4.0], rel=1e-12)
    three = divide_current(10.0, resistance_ohm=[0.020, 0.025, 0.040])
    assert three == pytest.approx([4.3478, 3.4783, 2.1739], abs=5e-5)
    solved = solve_network([[0, 1], [0, 1]], resistance_ohm=[0.020, 0.030], injection_a=[10.0, -10.0])
    assert solved.current_a == pytest.approx([6.0, 4.0], rel=1e-12)
    assert solved.loss_w == pytest.approx(1.2, rel=1e-12)


def test_network_refuses_what_means_nothing():
    with pytest.raises(ValueError, match="above 0"):
        solve_network([[0, 1]], resistance_ohm=[0.0], injection_a=[1.0, -1.0])
    with pytest.raises(ValueError, match="two different nodes"):
        solve_network([[0, 0]], resistance_ohm=[1.0], injection_a=[0.0])
    with pytest.raises(ValueError, match="balance over each connected part"):
        solve_network([[0, 1], [2, 3]], resistance_ohm=[1.0, 1.0], injection_a=[1.0, 0.0, -1.0, 0.0])


def row_of_four(pitch=22.0):
    """One group of four cells in a row."""
    centres = np.array([(i * pitch, 0.0, 40.0) for i in range(4)])
    zeros = np.zeros(4, dtype=int)
    extents = np.tile([21.0, 21.0, 70.0], (4, 1))
    layout = Layout(
        "box", CellSize("cylinder", 70.0, 21.0), "tray", "square", 2, centres, extents, zeros, zeros, ""
    )
    none = np.zeros(0, dtype=int)
    return layout, Chain(zeros, 1, 4, none, np.ones(4, dtype=int), none, "by hand")


@pytest.mark.parametrize(
    ("ends", "shares_a", "milliohm"),
    [
        ((0, 0), [13.0488, 10.3537, 8.6939, 7.9036], 6.52440),
        ((0, 3), [220 / 21, 200 / 21, 200 / 21, 220 / 21], 6.738095),
    ],
)
def test_ladder_bus_of_four_cells(ends, shares_a, milliohm):
    """Nodal analysis: 20 mohm cells, 1 mohm per link of both rails, 40 A, fed at the same or opposite ends."""
    layout, links = row_of_four()
    build = StripBuild("nickel", 1.0, 1.0, resistivity_ohm_m=1e-3 / 22.0 * 1e-3)
    made = plates_of(layout, links, cell_gap_mm=1.0)
    assert [plate.label for plate in made] == ["start of 1", "end of 1"]
    tapped = [
        type(plate)(**{**vars(plate), "taps": np.array([cell])})
        for plate, cell in zip(made, ends, strict=True)
    ]
    solved = solve_chain(layout, links, build, cell_gap_mm=1.0, cell_resistance_ohm=0.020, plates=tapped)
    assert solved.share * 10.0 == pytest.approx(shares_a, abs=5e-5)
    assert solved.resistance_ohm * 1e3 == pytest.approx(milliohm, abs=5e-6)
