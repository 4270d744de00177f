"""Which strips each plate of a chain has: terminals joined, direction and length, before any material."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.fit.chain.adjacency import lateral_axes, neighbours
from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.layout import Layout

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# Two pieces inside a group that meet at a terminal within this angle of a straight line are one piece.
STRAIGHT_COS = float(np.cos(np.deg2rad(10.0)))


@dataclass(frozen=True, eq=False)
class ChainGeometry:
    """All strips of a chain.

    Parameters
    ----------
    members : ndarray of int, shape (G, P)
        Cells of each group, in an order that repeats where the pattern of cells repeats.
    linked : ndarray of bool, shape (max(G - 1, 0),)
        Boundaries that are links between modules: two end plates instead of a series plate.
    series_at : ndarray of int, shape (s,)
        Boundary of each series piece.
    series_slots : ndarray of int, shape (s, 2)
        Terminals it joins: place in group k, place in group k + 1.
    series_mm : ndarray, shape (s,)
        Its length between weld centres [mm].
    across_at : ndarray of int, shape (a,)
        Group of each piece inside a group.
    across_slots : ndarray of int, shape (a, 2)
    across_mm : ndarray, shape (a,)
    joints : ndarray of int, shape (j, 2)
        Pairs of pieces inside a group (rows of across_*) that lie in a straight line and are laid as one.
    """

    members: Ints
    linked: NDArray[np.bool_]
    series_at: Ints
    series_slots: Ints
    series_mm: Floats
    across_at: Ints
    across_slots: Ints
    across_mm: Floats
    joints: Ints

    @property
    def groups(self) -> int:
        """Groups of the chain."""
        return len(self.members)

    @property
    def parallel(self) -> int:
        """Cells per group."""
        return int(self.members.shape[1])


def chain_geometry(layout: Layout, chain: Chain, *, cell_gap_mm: float) -> ChainGeometry:
    """The strips of every plate of a chain.

    Series pieces join all neighbour pairs across a boundary, pieces across all pairs inside a group. A piece
    between lateral neighbours is as long as the distance of their centres. One between layers runs out to
    the rim of the cell, over the gap and back: side + gap between the ends, and a cell length more where the
    ends that it joins do not face each other.

    Parameters
    ----------
    layout : Layout
    chain : Chain
        Of that layout, with at least one group.
    cell_gap_mm : float
        As the chain was made with [mm].

    Returns
    -------
    ChainGeometry

    Raises
    ------
    ValueError
        If the chain has no group or belongs to another layout.
    """
    if chain.groups < 1 or len(chain.group) != layout.cells:
        raise ValueError("a chain of this layout with at least one group is needed")
    members = _members(layout, chain)
    slot = np.full(layout.cells, -1, dtype=np.int64)
    slot[members] = np.arange(chain.parallel)
    near = neighbours(layout, cell_gap_mm=cell_gap_mm)
    linked = np.zeros(max(chain.groups - 1, 0), dtype=bool)
    linked[chain.links] = True
    inside, _ = _picked(near.lateral, chain.group, 0)
    beside, at = _picked(near.lateral, chain.group, 1)
    above, at_above = _picked(near.axial, chain.group, 1)
    series, series_at = np.concatenate([beside, above]), np.concatenate([at, at_above])
    length = np.concatenate([_distance(layout, beside), _bent(layout, chain, above)])
    order = np.lexsort((slot[series[:, 1]], slot[series[:, 0]], series_at))
    group = chain.group[inside[:, 0]]
    across = np.lexsort((slot[inside[:, 1]], slot[inside[:, 0]], group))
    return ChainGeometry(
        members=members,
        linked=linked,
        series_at=series_at[order],
        series_slots=slot[series[order]],
        series_mm=length[order],
        across_at=group[across],
        across_slots=slot[inside[across]],
        across_mm=_distance(layout, inside[across]),
        joints=_joints(layout, inside[across]),
    )


def _members(layout: Layout, chain: Chain) -> Ints:
    """Cells of each group, shape (G, P), sorted by place relative to each other."""
    place = np.round(layout.centres_mm, 2)
    order = np.lexsort((place[:, 0], place[:, 1], place[:, 2], chain.group))
    return order[np.sum(chain.group < 0) :].reshape(chain.groups, chain.parallel)


def _picked(pairs: Ints, group: Ints, step: int) -> tuple[Ints, Ints]:
    """Pairs whose groups are `step` apart, earlier group first, and that earlier group."""
    first, second = group[pairs[:, 0]], group[pairs[:, 1]]
    keep = (np.minimum(first, second) >= 0) & (np.abs(first - second) == step)
    turned = np.where((first > second)[:, None], pairs[:, ::-1], pairs)[keep]
    return turned, np.minimum(first, second)[keep]


def _distance(layout: Layout, pairs: Ints) -> Floats:
    """Centre distances of pairs, rounded to a nanometre so that equal plates compare equal [mm]."""
    offset = layout.centres_mm[pairs[:, 0]] - layout.centres_mm[pairs[:, 1]]
    return np.asarray(np.round(np.linalg.norm(offset, axis=1), 6), dtype=np.float64)


def _bent(layout: Layout, chain: Chain, pairs: Ints) -> Floats:
    """Lengths of series pieces between layers [mm]."""
    step = layout.centres_mm[pairs[:, 1], layout.axis] - layout.centres_mm[pairs[:, 0], layout.axis]
    length = layout.extents_mm[pairs[:, 0], layout.axis]
    side = layout.extents_mm[pairs[:, 0]][:, list(lateral_axes(layout.axis))].min(axis=1)
    facing = (chain.polarity[pairs[:, 0]] == np.sign(step)) & (chain.polarity[pairs[:, 1]] == np.sign(step))
    bent = side + np.maximum(np.abs(step) - length, 0.0) + np.where(facing, 0.0, length)
    return np.asarray(np.round(bent, 6), dtype=np.float64)


def _joints(layout: Layout, pairs: Ints) -> Ints:
    """Rows of pairs that continue each other in a straight line through a shared cell."""
    if len(pairs) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    cell = pairs.T.ravel()
    row = np.tile(np.arange(len(pairs)), 2)
    way = layout.centres_mm[pairs[:, ::-1].T.ravel()] - layout.centres_mm[cell]
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    order = np.argsort(cell, kind="stable")
    first = np.concatenate([[0], np.flatnonzero(np.diff(cell[order])) + 1])
    rank = np.arange(len(order)) - np.repeat(first, np.diff(np.append(first, len(order))))
    found = []
    for shift in range(1, int(rank.max()) + 1):
        a, b = order[:-shift], order[shift:]
        straight = (cell[a] == cell[b]) & (np.sum(way[a] * way[b], axis=1) < -STRAIGHT_COS)
        found.append(np.column_stack([row[a], row[b]])[straight])
    return np.concatenate(found) if found else np.zeros((0, 2), dtype=np.int64)
