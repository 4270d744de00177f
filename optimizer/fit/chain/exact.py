"""The best chain of groups in a small region, by enumerating groups and a table over sets of cells used."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from optimizer.base.arrays import Ints

EXACT_CELLS = 12


@dataclass(frozen=True)
class _Groups:
    """Connected sets of P cells as bit masks, and the pairs between every two that share no cell."""

    masks: list[int]
    pairs: list[dict[int, int]]
    missed: list[tuple[int, int]]


def exact_members(
    lateral: Ints,
    boundary: Ints,
    *,
    cells: int,
    parallel: int,
    groups: int,
    start_side: NDArray[np.bool_],
    end_side: NDArray[np.bool_],
) -> Ints:
    """The best chain: most groups, then terminals on their sides, then least, then total boundary pairs.

    Parameters
    ----------
    lateral, boundary : ndarray of int, shape (m, 2), (k, 2)
        Neighbours that hold a group together, and those that make a boundary.
    cells, parallel, groups : int
        Cells in all (at most EXACT_CELLS), cells per group, most groups wanted.
    start_side, end_side : ndarray of bool, shape (n,)
        Cells at which the chain may start and end as asked.

    Returns
    -------
    ndarray of int, shape (groups held, parallel)
        In chain order.

    Raises
    ------
    ValueError
        If there are more cells than the method is meant for.
    """
    if cells > EXACT_CELLS:
        raise ValueError(f"the exact chain is meant for at most {EXACT_CELLS} cells, found {cells}")
    found = _enumerate(lateral, boundary, cells, parallel, start_side, end_side)
    for wanted in range(min(groups, cells // parallel), 0, -1):
        # Least and total cannot share one table: first the best least, then the best total that keeps it.
        choices = [
            (miss, -least, miss_allowed)
            for least in range(1, parallel + 1)
            for miss, miss_allowed in [_fewest_missed(found, wanted, least)]
            if miss_allowed
        ]
        if choices:
            _, negative, _ = min(choices)
            path = _best_path(found, wanted, -negative)
            return np.array([[c for c in range(cells) if found.masks[g] >> c & 1] for g in path])
    return np.zeros((0, parallel), dtype=np.int64)


def _enumerate(
    lateral: Ints,
    boundary: Ints,
    cells: int,
    parallel: int,
    start_side: NDArray[np.bool_],
    end_side: NDArray[np.bool_],
) -> _Groups:
    """All connected sets of P cells and the boundary pairs between disjoint ones."""
    touch = np.zeros((cells, cells), dtype=bool)
    touch[lateral[:, 0], lateral[:, 1]] = touch[lateral[:, 1], lateral[:, 0]] = True
    meet = np.zeros((cells, cells), dtype=bool)
    meet[boundary[:, 0], boundary[:, 1]] = meet[boundary[:, 1], boundary[:, 0]] = True
    sets = [list(choice) for choice in combinations(range(cells), parallel) if _connected(touch, choice)]
    masks = [sum(1 << c for c in choice) for choice in sets]
    pairs: list[dict[int, int]] = [{} for _ in sets]
    for a, b in combinations(range(len(sets)), 2):
        if masks[a] & masks[b]:
            continue
        between = meet[np.ix_(sets[a], sets[b])]
        if between.any():
            count = int(np.sum(maximum_bipartite_matching(coo_array(between).tocsr()) >= 0))
            pairs[a][b] = pairs[b][a] = count
    missed = [(int(not start_side[choice].any()), int(not end_side[choice].any())) for choice in sets]
    return _Groups(masks, pairs, missed)


def _connected(touch: NDArray[np.bool_], choice: tuple[int, ...]) -> bool:
    """Whether the chosen cells hang together."""
    reached, frontier = {choice[0]}, [choice[0]]
    while frontier:
        cell = frontier.pop()
        for other in choice:
            if other not in reached and touch[cell, other]:
                reached.add(other)
                frontier.append(other)
    return len(reached) == len(choice)


Table = dict[tuple[int, int], tuple[int, int, int]]


def _tables(found: _Groups, wanted: int, least: int) -> list[Table]:
    """Step by step: (cells used, last group) -> (terminals missed, -total pairs, group before), best kept."""
    first: Table = {(mask, g): (found.missed[g][0], 0, -1) for g, mask in enumerate(found.masks)}
    steps = [first]
    for _ in range(1, wanted):
        following: Table = {}
        for (used, last), (miss, total, _before) in steps[-1].items():
            for g, count in found.pairs[last].items():
                if count < least or used & found.masks[g]:
                    continue
                state = (used | found.masks[g], g)
                value = (miss, total - count, last)
                if state not in following or value < following[state]:
                    following[state] = value
        steps.append(following)
        if not following:
            break
    return steps


def _fewest_missed(found: _Groups, wanted: int, least: int) -> tuple[int, bool]:
    """Fewest terminals off their side among chains whose boundaries have at least `least`; whether any is."""
    steps = _tables(found, wanted, least)
    if len(steps) < wanted or not steps[-1]:
        return 9, False
    return min(value[0] + found.missed[last][1] for (_, last), value in steps[-1].items()), True


def _best_path(found: _Groups, wanted: int, least: int) -> list[int]:
    """Groups of the best chain, walked back through the tables."""
    steps = _tables(found, wanted, least)
    state = min(
        steps[-1],
        key=lambda s: (steps[-1][s][0] + found.missed[s[1]][1], steps[-1][s][1], s),
    )
    path = [state[1]]
    for table in reversed(steps[1:]):
        used, last = state
        state = (used & ~found.masks[last], table[state][2])
        path.append(state[1])
    return path[::-1]
