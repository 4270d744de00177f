"""Sweeps cut into groups: the compiled figures against a plain count, orders against what they promise."""

from itertools import pairwise

import numpy as np
import pytest

from optimizer.fit.chain.adjacency import compressed
from optimizer.fit.chain.measure import measure, weigh
from optimizer.fit.chain.search import _price
from optimizer.fit.chain.sweeps import ChainRegion, cut, sweep_orders


def square(columns: int, rows: int, layers: int) -> ChainRegion:
    """Cells on a square grid, in layers, drawn in no particular order."""
    spots = np.array([(x, y, z) for z in range(layers) for y in range(rows) for x in range(columns)])
    spots = spots[np.random.default_rng(5).permutation(len(spots))]
    step = np.abs(spots[:, None] - spots[None])
    touch = np.triu(step.sum(axis=2) == 1)
    flat = step[..., 2] == 0
    return ChainRegion(
        across_mm=10.0 * spots[:, :2],
        level=spots[:, 2].astype(np.int64),
        lateral=np.argwhere(touch & flat),
        axial=np.argwhere(touch & ~flat),
        pitch_mm=10.0,
    )


def graph_of(region: ChainRegion, start: np.ndarray, end: np.ndarray):
    boundary = np.concatenate([region.lateral, region.axial])
    return (*compressed(region.lateral, region.cells), *compressed(boundary, region.cells), start, end)


@pytest.mark.parametrize(("layers", "parallel", "groups"), [(1, 4, 8), (2, 5, 13), (2, 1, 70), (3, 7, 12)])
def test_figures_of_many_orders_are_those_of_each_chain(layers, parallel, groups):
    """Second implementation: each order cut and measured by itself."""
    region = square(7, 5, layers)
    rng = np.random.default_rng(1)
    start, end = rng.random((2, region.cells)) < 0.2
    graph, price, tails = graph_of(region, start, end), _price(parallel), np.array([1, 0])
    orders = [order for _, batch in sweep_orders(region, parallel=parallel, regular=True) for order in batch[::7]]
    orders.append(rng.permutation(region.cells))
    seen = 0
    for order in orders:
        for tail in tails:
            row = weigh(order[None], region.level, groups, np.array([tail]), price, graph)[0, 0]
            members = cut(order, region.level, parallel=parallel, groups=groups, tail=bool(tail))
            if members is None:
                assert np.all(row == -1)
                continue
            pieces, pairs = measure(members, region.cells, *graph[:4])
            missed = int(not start[members[0]].any()) + int(not end[members[-1]].any())
            extra = int(np.sum(pieces - 1))
            cost = price[pairs].sum() + price[0] * (extra + missed)
            assert row[:4].tolist() == [extra + np.sum(pairs == 0), missed, pairs.min(), pairs.sum()]
            assert row[4] == pytest.approx(cost, rel=1e-12)
            seen += 1
    assert seen > 10


def test_looking_ends_at_the_first_perfect_chain():
    region = square(6, 4, 1)
    every = np.ones(region.cells, dtype=bool)
    columns = np.lexsort((region.across_mm[:, 1], region.across_mm[:, 0]))
    worth = weigh(
        np.array([columns[::-1], columns]), region.level, 6, np.array([1]), _price(4),
        graph_of(region, every, every),
    )  # fmt: skip
    assert worth[0, 0].tolist() == [0, 0, 4, 20, 5 * 4]
    assert np.all(worth[1] == -1)


@pytest.mark.parametrize("layers", [1, 3])
def test_orders_visit_every_cell_once_and_never_leave_a_snake(layers):
    region = square(6, 5, layers)
    names: set[str] = set()
    for some, orders in sweep_orders(region, parallel=3, regular=True):
        assert len(some) == len(orders)
        assert np.array_equal(np.sort(orders, axis=1), np.tile(np.arange(region.cells), (len(orders), 1)))
        names |= set(some)
    assert "snake of 5 bands at 0 degrees" in names and "snake of 1 bands at 90 degrees" in names


def test_a_snake_of_single_rows_steps_from_neighbour_to_neighbour():
    region = square(6, 5, 2)
    touching = {tuple(sorted(pair)) for pair in np.concatenate([region.lateral, region.axial]).tolist()}
    whole = 0
    for names, orders in sweep_orders(region, parallel=1, regular=True):
        for name, order in zip(names, orders, strict=True):
            if name == "snake of 5 bands at 0 degrees":
                whole += all(tuple(sorted(step)) in touching for step in pairwise(order.tolist()))
    assert whole > 0
