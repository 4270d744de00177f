"""Chains of the modules of a layout, and the order in which one chain goes through them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise, permutations

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import Neighbours, lateral_axes
from optimizer.fit.chain.search import Found, search
from optimizer.fit.chain.sweeps import ChainRegion, clusters
from optimizer.fit.region.layout import Layout

Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class ModuleChain:
    """The chain of one module: cells of the layout, shape (G, P), its boundary pairs, shape (G - 1,)."""

    members: Ints
    pairs: Ints
    method: str


def solve_parts(
    layout: Layout,
    near: Neighbours,
    *,
    parallel: int,
    groups: int,
    pitch_mm: float,
    sides: tuple[Mask, Mask],
    seconds: float,
    seed: int,
) -> list[ModuleChain]:
    """One chain per module; modules that are translated copies of each other are solved once.

    Parameters
    ----------
    near : Neighbours
        Of the whole layout.
    parallel, groups : int
        Cells per group, most groups wanted in all.
    pitch_mm : float
        Least centre distance of neighbours [mm].
    sides : tuple of ndarray of bool, shape (n,)
        Cells at which the chain may start and end as asked; used when there is one module.
    seconds : float
        Nominal search effort in all [s].

    Returns
    -------
    list of ModuleChain
        By ascending module id.
    """
    names = np.unique(layout.module)
    cells = [_canonical(layout, np.flatnonzero(layout.module == name)) for name in names]
    keys = [_key(layout, own) for own in cells]
    effort = seconds / max(len(set(keys)), 1)
    solved: dict[bytes, Found] = {}
    parts = []
    for own, key in zip(cells, keys, strict=True):
        if key not in solved:
            start, end = sides if len(names) == 1 else (np.ones(layout.cells, bool),) * 2
            solved[key] = search(
                _region(layout, near, own, pitch_mm),
                parallel=parallel,
                groups=groups,
                regular=layout.placement != "free",
                start_side=start[own],
                end_side=end[own],
                seconds=effort,
                seed=seed,
            )
        found = solved[key]
        parts.append(ModuleChain(own[found.members], found.pairs, found.method))
    return parts


def _canonical(layout: Layout, own: Ints) -> Ints:
    """Cells of a module in an order that copies of the module share."""
    place = np.round(layout.centres_mm[own] - layout.centres_mm[own].min(axis=0), 3)
    return own[np.lexsort(place.T)]


def _key(layout: Layout, own: Ints) -> bytes:
    """Equal for modules that are translated copies."""
    place = layout.centres_mm[own] - layout.centres_mm[own].min(axis=0)
    both = np.round(np.hstack([place, layout.extents_mm[own]]), 3) + 0.0
    return both.tobytes()


def _region(layout: Layout, near: Neighbours, own: Ints, pitch_mm: float) -> ChainRegion:
    """The cells of one module with local indices."""
    local = np.full(layout.cells, -1, dtype=np.int64)
    local[own] = np.arange(len(own))
    height = layout.centres_mm[own, layout.axis]
    level = clusters(height, gap=0.5 * float(layout.extents_mm[own, layout.axis].min()))
    return ChainRegion(
        across_mm=layout.centres_mm[own][:, list(lateral_axes(layout.axis))],
        level=level,
        lateral=_kept(local, near.lateral),
        axial=_kept(local, near.axial),
        pitch_mm=pitch_mm,
    )


def _kept(local: Ints, pairs: Ints) -> Ints:
    """Pairs inside a module, in its local indices."""
    inside = local[pairs]
    return np.sort(inside[np.all(inside >= 0, axis=1)], axis=1)


def join_parts(parts: list[ModuleChain], centres_mm: Floats, start_side: Mask, end_side: Mask) -> list[ModuleChain]:
    """Modules in the order, and each in the direction, that makes the links between them short.

    Snakes through the modules along every order of the axes, from every corner; for each, the best directions by
    dynamic programming over link lengths. A terminal off its side costs more than any links. Centres have shape (n, 3)
    [mm], sides (n,); modules without a group are left out.
    """
    parts = [part for part in parts if len(part.members)]
    if len(parts) < 2:
        return parts
    middle = np.array([centres_mm[part.members].mean(axis=(0, 1)) for part in parts])
    penalty = 1e3 * float(np.ptp(centres_mm, axis=0).sum() + 1.0) * len(parts)
    ends = np.array([[centres_mm[part.members[k]].mean(axis=0) for k in (0, -1)] for part in parts])
    miss = np.array(
        [
            [
                [penalty * (not side[part.members[k]].any()) for k in (0, -1)]
                for side in (start_side, end_side)
            ]
            for part in parts
        ]
    )
    routes = [_directions(order, ends, miss) for order in _snakes(middle)]
    _, order, turned = min(routes, key=lambda route: route[0])
    return [_turned(parts[p]) if back else parts[p] for p, back in zip(order, turned, strict=True)]


def _turned(part: ModuleChain) -> ModuleChain:
    """The chain of a module run backwards."""
    return replace(part, members=part.members[::-1], pairs=part.pairs[::-1])


def _snakes(middle: Floats) -> list[list[int]]:
    """Orders of the modules: to and fro along each order of the axes, from each corner."""
    rank = np.array([clusters(middle[:, axis], gap=1.0) for axis in range(3)])
    orders: dict[tuple[int, ...], None] = {}
    for slow, mid, fast in permutations(range(3)):
        for corner in range(8):
            sign = [1 - 2 * (corner >> axis & 1) for axis in range(3)]
            first = rank[slow] * sign[slow]
            second = rank[mid] * sign[mid] * np.where(rank[slow] % 2, -1, 1)
            third = rank[fast] * sign[fast] * np.where((rank[slow] + rank[mid]) % 2, -1, 1)
            orders[tuple(np.lexsort((third, second, first)).tolist())] = None
    return [list(order) for order in orders]


def _directions(order: list[int], ends: Floats, miss: Floats) -> tuple[float, list[int], list[int]]:
    """Least link length, with penalties, for an order of modules: (cost, order, 1 where run backwards)."""
    cost = [float(miss[order[0], 0, back]) for back in (0, 1)]
    choice: list[list[int]] = []
    for before, here in pairwise(order):
        steps = [
            [cost[b] + float(np.linalg.norm(ends[here, back] - ends[before, 1 - b])) for b in (0, 1)]
            for back in (0, 1)
        ]
        choice.append([int(np.argmin(step)) for step in steps])
        cost = [min(step) for step in steps]
    total = [cost[back] + float(miss[order[-1], 1, 1 - back]) for back in (0, 1)]
    turned = [int(np.argmin(total))]
    for options in reversed(choice):
        turned.append(options[turned[-1]])
    return min(total), order, turned[::-1]
