"""Series groups: every chain is checked by other code (networkx), small ones against exhaustive search."""

from __future__ import annotations

from itertools import combinations, pairwise

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.fit.chain import search as groups_search
from optimizer.fit.chain.adjacency import REACH, neighbours
from optimizer.fit.chain.groups import chain
from optimizer.fit.region.layout import CellSize, Layout

D, GAP, LENGTH = 21.0, 0.8, 70.0
PITCH = D + GAP


def layout_of(xy, *, layers=1, placement="square", axis=2, modules=None, way="tray"):
    """Cylinders at points across the axis, the same in every layer."""
    xy = np.asarray(xy, dtype=float)
    n = len(xy)
    across = [a for a in range(3) if a != axis]
    centres = np.zeros((n * layers, 3))
    centres[:, across] = np.tile(xy, (layers, 1))
    layer = np.repeat(np.arange(layers), n)
    centres[:, axis] = 40.0 + layer * (LENGTH + 5.0)
    extents = np.full((n * layers, 3), D)
    extents[:, axis] = LENGTH
    module = np.zeros(n * layers, dtype=int) if modules is None else np.asarray(modules)
    size = CellSize("cylinder", LENGTH, D)
    return Layout("box", size, way, placement, axis, centres, extents, layer, module, "by hand")


def square(rows, columns):
    return [(i * PITCH, j * PITCH) for i in range(rows) for j in range(columns)]


def staggered(rows, columns):
    return [
        ((i + 0.5 * (j % 2)) * PITCH, j * PITCH * np.sqrt(0.75)) for j in range(columns) for i in range(rows)
    ]


def tapered():
    """Staggered rows of 9, 9, 8, 7, 7 cells, as in a box with sloping ends."""
    rows = [(0.0, 9), (0.5, 9), (1.0, 8), (1.5, 7), (1.0, 7)]
    return [((i + x) * PITCH, j * PITCH * np.sqrt(0.75)) for j, (x, n) in enumerate(rows) for i in range(n)]


def jammed(n, seed):
    """Irregular: random points pushed apart in a box that shrinks until they jam."""
    rng = np.random.default_rng(seed)
    width, height = np.sqrt(n / 0.78 * 1.6) * PITCH, np.sqrt(n / 0.78 / 1.6) * PITCH
    xy, good = rng.random((n, 2)) * [width, height], None
    for _ in range(40):
        for _ in range(250):
            offset = xy[:, None] - xy[None]
            distance = np.hypot(offset[..., 0], offset[..., 1]) + np.eye(n) * 1e9
            overlap = np.maximum(PITCH - distance, 0.0)
            if overlap.max() < 0.01:
                break
            xy = xy + 0.5 * (offset / distance[..., None] * overlap[..., None]).sum(axis=1)
            xy = np.clip(xy, 0, [width, height])
        if overlap.max() > 0.05:
            break
        good, width, height = xy, width * 0.99, height * 0.99
        xy = np.clip(xy * 0.99, 0, [width, height])
    return good * 1.003


def graphs(layout):
    """Neighbour graphs by brute force over all pairs: lateral, and lateral with axial."""
    lateral, boundary = nx.Graph(), nx.Graph()
    across = [a for a in range(3) if a != layout.axis]
    for graph in (lateral, boundary):
        graph.add_nodes_from(range(layout.cells))
    for i, j in combinations(range(layout.cells), 2):
        if layout.module[i] != layout.module[j]:
            continue
        step = layout.centres_mm[i] - layout.centres_mm[j]
        apart = np.hypot(*step[across])
        if abs(step[layout.axis]) < 1.0 and apart <= REACH * PITCH:
            lateral.add_edge(i, j)
            boundary.add_edge(i, j)
        elif 1.0 < abs(step[layout.axis]) < 1.5 * LENGTH and apart <= D / 2:
            boundary.add_edge(i, j)
    return lateral, boundary


def matched(boundary, first, second):
    """Most disjoint pairs between two sets of cells."""
    between = nx.Graph((a, b) for a in first for b in second if boundary.has_edge(a, b))
    if not between:
        return 0
    top = [a for a in first if a in between]
    return len(nx.bipartite.hopcroft_karp_matching(between, top)) // 2


def assert_sound(layout, result):
    """Groups of P connected cells in one layer and module; boundaries as reported; the rest left over."""
    lateral, boundary = graphs(layout)
    groups = [np.flatnonzero(result.group == g) for g in range(result.groups)]
    for cells in groups:
        assert len(cells) == result.parallel
        assert nx.is_connected(lateral.subgraph(cells.tolist()))
        assert len(set(layout.module[cells])) == 1
        assert len(set(result.polarity[cells])) == 1
    for k, (first, second) in enumerate(pairwise(groups)):
        pairs = matched(boundary, first.tolist(), second.tolist())
        assert result.boundary_pairs[k] == pairs
        if k in result.links:
            assert layout.module[first[0]] != layout.module[second[0]]
        else:
            assert pairs >= 1
    assert int(np.sum(result.group < 0)) == layout.cells - result.groups * result.parallel
    assert np.all(result.polarity[result.group < 0] == 0)
    assert np.all(np.abs(result.polarity[result.group >= 0]) == 1)


CASES = {
    "square": (layout_of(square(7, 5)), 4),
    "square along x": (layout_of(square(6, 4), axis=0), 3),
    "staggered": (layout_of(staggered(8, 5), placement="staggered"), 5),
    "tapered": (layout_of(tapered(), placement="staggered"), 4),
    "tapered, P 3": (layout_of(tapered(), placement="staggered"), 3),
    "irregular": (layout_of(jammed(31, 0), placement="free"), 3),
    "two layers": (layout_of(square(5, 3), layers=2), 3),
    "three layers, irregular": (layout_of(jammed(24, 1), layers=3, placement="free"), 4),
    "one cell per group": (layout_of(square(5, 4)), 1),
}


@pytest.mark.parametrize("name", CASES)
def test_chain_is_sound(name):
    layout, parallel = CASES[name]
    result = chain(layout, parallel=parallel, cell_gap_mm=GAP, seconds=0.1)
    assert_sound(layout, result)
    assert result.groups == sum(n // parallel for n in np.bincount(layout.layer))


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("make", [square, staggered])
def test_layout_p_wide_has_p_pairs_everywhere(make, axis):
    """Closed form: rows of P give P pairs at every boundary, the upper bound, in either direction."""
    layout = layout_of(make(12, 6), axis=axis)
    for parallel in (6, 12):
        result = chain(layout, parallel=parallel, cell_gap_mm=GAP, seconds=0.0)
        assert (result.groups, result.plate_pairs.min()) == (72 // parallel, parallel)
        assert result.plate_pairs.mean() == parallel


def exhaustive(layout, parallel):
    """(groups, least, total pairs) of the best chain, by walking every chain there is."""
    lateral, boundary = graphs(layout)
    sets = [c for c in combinations(range(layout.cells), parallel) if nx.is_connected(lateral.subgraph(c))]
    pairs = {}
    for a, b in combinations(range(len(sets)), 2):
        if not set(sets[a]) & set(sets[b]):
            pairs[a, b] = pairs[b, a] = matched(boundary, sets[a], sets[b])
    best = (0, 0, 0)

    def walk(last, used, count, least, total):
        nonlocal best
        best = max(best, (count, least, total))
        for following in range(len(sets)):
            here = pairs.get((last, following), 0)
            if here and not used & set(sets[following]):
                walk(following, used | set(sets[following]), count + 1, min(least, here), total + here)

    for start in range(len(sets)):
        walk(start, set(sets[start]), 1, parallel, 0)
    return best


BEND = [(0, 0), (1, 0), (2, 0), (3, 0), (3, 1), (3, 2), (3, 3), (2, 3), (1, 3)]

SMALL = {
    "square 3 x 4": (layout_of(square(3, 4)), (2, 3, 4, 5)),
    "staggered 3 x 3": (layout_of(staggered(3, 3)), (1, 2, 3, 4)),
    "irregular 10": (layout_of(jammed(10, 3), placement="free"), (2, 3, 4)),
    "irregular 12": (layout_of(jammed(12, 5), placement="free"), (3, 4, 5)),
    "two layers of 2 x 3": (layout_of(square(2, 3), layers=2), (2, 3)),
    "a bend of 9": (layout_of(np.array(BEND) * PITCH), (2, 3)),
}


@pytest.mark.parametrize("name", SMALL)
def test_small_chains_equal_exhaustive_search(name, monkeypatch):
    """Second implementation: every chain walked. The local search must get there too where it is let."""
    layout, sizes = SMALL[name]
    for parallel in sizes:
        wanted = exhaustive(layout, parallel)
        for limit in (groups_search.EXACT_CELLS, 0):
            monkeypatch.setattr(groups_search, "EXACT_CELLS", limit)
            result = chain(layout, parallel=parallel, cell_gap_mm=GAP, seconds=0.1)
            found = (result.groups, result.plate_pairs.min(), int(result.boundary_pairs.sum()))
            assert found == wanted, (parallel, limit)
        monkeypatch.undo()


@pytest.mark.parametrize(("n", "seed"), [(24, 0), (31, 1), (38, 2)])
def test_irregular_placements_lose_no_group(n, seed):
    """What a crude annealing reaches for 24 to 38 cells, 2 to 4 in parallel, is reached here."""
    layout = layout_of(jammed(n, seed), placement="free")
    for parallel in (2, 3, 4):
        result = chain(layout, parallel=parallel, cell_gap_mm=GAP, seconds=0.2)
        assert_sound(layout, result)
        assert result.groups == n // parallel
        assert result.plate_pairs.mean() >= 0.55 * parallel


def test_large_uneven_grid_turns_its_bands_with_two_pairs():
    """Regression only: 300 cells in fours, 15 wide; straight bands of four alone turn over one pair."""
    layout = layout_of(square(20, 15))
    result = chain(layout, parallel=4, cell_gap_mm=GAP, seconds=1.0)
    assert result.groups == 75
    assert result.plate_pairs.min() >= 2
    assert result.plate_pairs.mean() > 3.2


def test_first_groups_are_a_chain_of_their_own():
    layout = layout_of(jammed(31, 1), placement="free")
    whole = chain(layout, parallel=3, cell_gap_mm=GAP, seconds=0.05)
    lateral, boundary = graphs(layout)
    for g in range(1, whole.groups):
        assert matched(boundary, np.flatnonzero(whole.group == g - 1).tolist(),
                       np.flatnonzero(whole.group == g).tolist()) >= 1  # fmt: skip
        assert nx.is_connected(lateral.subgraph(np.flatnonzero(whole.group == g).tolist()))
    some = chain(layout, parallel=3, cell_gap_mm=GAP, groups=4, seconds=0.05)
    assert some.groups == 4
    assert_sound(layout, some)


@pytest.mark.parametrize("sides", [("x-", "x+"), ("x+", "x-"), ("y-", ""), ("", "y+"), ("x-", "x-")])
@pytest.mark.parametrize("cells", [(3, 4), (8, 4)])
def test_terminals_are_where_they_are_asked_for(sides, cells):
    layout = layout_of(square(*cells))
    result = chain(layout, parallel=2, cell_gap_mm=GAP, terminals=sides, seconds=0.2)
    assert_sound(layout, result)
    for side, group in zip(sides, (0, result.groups - 1), strict=True):
        if side:
            place = layout.centres_mm[:, "xyz".index(side[0])] * (1 if side[1] == "+" else -1)
            assert place[result.group == group].max() > place.max() - D / 2


def test_modules_are_gone_through_one_after_another():
    """Six cases of 2 x 4 cells: five links, no group over two cases, straight runs inside."""
    points, modules = [], []
    for number, (x, y) in enumerate((x, y) for y in range(2) for x in range(3)):
        points += [(px + x * 120.0, py + y * 60.0) for px, py in square(4, 2)]
        modules += [number] * 8
    layout = layout_of(points, modules=modules, way="modules")
    result = chain(layout, parallel=2, cell_gap_mm=GAP, seconds=0.1, terminals=("x-", ""))
    assert_sound(layout, result)
    assert result.groups == 24
    assert result.links.tolist() == [3, 7, 11, 15, 19]
    assert np.all(result.boundary_pairs[result.links] == 0)
    assert result.plate_pairs.min() == 2
    middles = [layout.centres_mm[result.group == g].mean(axis=0) for g in range(24)]
    hops = [np.linalg.norm(middles[k + 1] - middles[k]) for k in result.links]
    assert max(hops) < 130.0
    short = chain(layout, parallel=2, cell_gap_mm=GAP, groups=6, seconds=0.1)
    assert (short.groups, short.links.tolist()) == (6, [3])


def test_polarity_alternates_and_goes_straight_through_facing_ends():
    flat = chain(layout_of(square(6, 3)), parallel=3, cell_gap_mm=GAP, seconds=0.0)
    signs = [flat.polarity[flat.group == g][0] for g in range(6)]
    assert np.all(np.diff(signs) != 0)
    layout = layout_of(square(3, 3), layers=2)
    tall = chain(layout, parallel=3, cell_gap_mm=GAP, seconds=0.1)
    signs = np.array([tall.polarity[tall.group == g][0] for g in range(6)])
    heights = np.array([layout.layer[tall.group == g][0] for g in range(6)])
    (step,) = np.flatnonzero(np.diff(heights))
    assert signs[step] == signs[step + 1] == np.sign(heights[step + 1] - heights[step])
    assert np.sum(np.diff(signs) == 0) == 1


def test_blocks_join_over_their_faces():
    """Blocks 30 x 10 across the axis: 6 in a row face to face, a second row beside."""
    centres = np.array([(15.0 + 31.0 * j, 5.0 + 11.0 * i, 50.0) for j in range(2) for i in range(6)])
    size = CellSize("block", 100.0, width_mm=30.0, thickness_mm=10.0)
    extents = np.tile([30.0, 10.0, 100.0], (12, 1))
    zeros = np.zeros(12, dtype=int)
    layout = Layout("box", size, "tray", "blocks", 2, centres, extents, zeros, zeros, "blocks")
    near = neighbours(layout, cell_gap_mm=1.0)
    assert len(near.lateral) == 5 + 5 + 6
    result = chain(layout, parallel=2, cell_gap_mm=1.0, seconds=0.0)
    assert (result.groups, result.plate_pairs.min()) == (6, 2)


def test_nothing_is_offered_where_no_group_hangs_together():
    apart = layout_of([(i * 3 * PITCH, 0.0) for i in range(14)])
    result = chain(apart, parallel=2, cell_gap_mm=GAP, seconds=0.05)
    assert (result.groups, int(np.sum(result.group < 0))) == (0, 14)
    assert chain(layout_of(square(1, 2)), parallel=3, cell_gap_mm=GAP).groups == 0


def test_two_islands_yield_the_better_one_and_report_the_rest():
    points = square(4, 4) + [(x + 300.0, y) for x, y in square(2, 3)]
    layout = layout_of(points)
    result = chain(layout, parallel=2, cell_gap_mm=GAP, seconds=0.1)
    assert_sound(layout, result)
    assert (result.groups, int(np.sum(result.group < 0))) == (8, 6)


def test_same_seed_same_chain_and_inputs_untouched():
    layout = layout_of(jammed(38, 0), placement="free")
    for array in (layout.centres_mm, layout.extents_mm, layout.layer, layout.module):
        array.setflags(write=False)
    first, again = (chain(layout, parallel=3, cell_gap_mm=GAP, seconds=0.05, seed=7) for _ in range(2))
    assert np.array_equal(first.group, again.group)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"parallel": 0}, "parallel must be at least 1"),
        ({"groups": 0}, "groups must be at least 1"),
        ({"seconds": -1.0}, "seconds must be at least 0"),
        ({"terminals": ("left", "")}, "terminals must be two of"),
        ({"cell_gap_mm": -0.1}, "cell_gap_mm must be at least 0"),
    ],
)
def test_misuse_is_refused(change, message):
    with pytest.raises(ValueError, match=message):
        chain(layout_of(square(2, 2)), **{"parallel": 2, "cell_gap_mm": GAP, **change})


def crosses(a, b, c, d):
    def side(p, q, r):
        return np.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_strips_between_neighbours_never_cross(seed):
    """Closed form: with a reach below sqrt(2) the neighbour graph of any placement is planar."""
    rng = np.random.default_rng(seed)
    points = []
    for p in rng.random((300, 2)) * 5 * PITCH:
        if all(np.hypot(*(p - q)) >= PITCH for q in points):
            points.append(p)
    layout = layout_of(points, placement="free")
    edges = neighbours(layout, cell_gap_mm=GAP).lateral
    xy = layout.centres_mm[:, :2]
    for (a, b), (c, d) in combinations(edges.tolist(), 2):
        if len({a, b, c, d}) == 4:
            assert not crosses(xy[a], xy[b], xy[c], xy[d])
