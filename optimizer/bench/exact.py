"""Groups with the least spread, proven by branch and bound."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
from numba import njit

from optimizer.base.arrays import Floats, Ints

# Cells fit into the bits of one number; more candidates for a group than this are not listed.
MOST_CELLS, MOST_SETS = 60, 60_000
# Sets that are listed before a window picks some; steps of a search.
MOST_LISTED = 1_600_000
NODES, LOOKS = 10_000_000, 400_000_000
# The first window about the mean, as a share of it, and how much wider the next one is: a window that holds nothing is
# soon proven to, and raises the bound; one that nearly holds a solution takes all the steps there are.
FIRST_WINDOW, WIDER = 2e-4, 1.2


@dataclass(frozen=True, eq=False)
class Sharing:
    """Cells shared out over groups.

    Parameters
    ----------
    groups : ndarray of int, shape (groups, size)
        Places of the cells.
    proven : bool
        Whether no sharing out has a smaller spread of capacity.
    """

    groups: Ints
    proven: bool


@njit(cache=True, error_model="numpy")
def _search(masks, sums, others, start, cells, groups, spares, limit, by_other, most, total, nodes):  # type: ignore[no-untyped-def]
    """Depth first over the cell of lowest number that is left: each set with it as its first, or it is spared.

    Sets of first cell c are those from start[c] to start[c + 1]. With by_other the spread of `others` is made least
    among those whose spread of sums is at most `limit`; else that of the sums. Returns the best choice, its value and
    the nodes left (below 0: not finished).
    """
    best = np.full(groups, -1, dtype=np.int64)
    best_value = most
    place = np.zeros(cells + 2, dtype=np.int64)
    chosen = np.full(cells + 2, -1, dtype=np.int64)
    cell = np.zeros(cells + 2, dtype=np.int64)
    used = np.zeros(cells + 2, dtype=np.int64)
    made = np.zeros(cells + 2, dtype=np.int64)
    spared = np.zeros(cells + 2, dtype=np.int64)
    low = np.zeros(cells + 2)
    high = np.zeros(cells + 2)
    low_other = np.zeros(cells + 2)
    high_other = np.zeros(cells + 2)
    left = np.zeros(cells + 2)
    low[0], high[0], low_other[0], high_other[0], left[0] = 1e300, -1e300, 1e300, -1e300, total
    place[0] = start[0]
    depth = 0
    while depth >= 0:
        nodes -= 1
        if nodes < 0:
            return best, best_value, nodes
        c = cell[depth]
        at = place[depth]
        end = start[c + 1]
        if at > end:
            depth -= 1
            continue
        place[depth] = at + 1
        now_used, now_made, now_spared = used[depth], made[depth], spared[depth]
        now_low, now_high, now_low_o, now_high_o = low[depth], high[depth], low_other[depth], high_other[depth]
        now_left = left[depth]
        if at == end:
            # The cell is spared.
            if now_spared >= spares:
                continue
            now_spared += 1
            pick = -1
            now_used |= np.int64(1) << c
        else:
            if masks[at] & now_used:
                continue
            pick = at
            now_used |= masks[at]
            now_made += 1
            now_low, now_high = min(now_low, sums[at]), max(now_high, sums[at])
            now_low_o, now_high_o = min(now_low_o, others[at]), max(now_high_o, others[at])
            now_left -= sums[at]
        if now_made > 0:
            spread = now_high - now_low
            if spares == 0 and now_made < groups:
                mean = now_left / (groups - now_made)
                spread = max(now_high, mean) - min(now_low, mean)
            if by_other:
                if spread > limit or now_high_o - now_low_o >= best_value:
                    continue
            elif spread >= best_value:
                continue
        chosen[depth] = pick
        if now_made == groups:
            best_value = now_high_o - now_low_o if by_other else now_high - now_low
            k = 0
            for d in range(depth + 1):
                if chosen[d] >= 0:
                    best[k] = chosen[d]
                    k += 1
            continue
        nxt = c + 1
        while nxt < cells and (now_used >> nxt) & 1:
            nxt += 1
        if nxt >= cells:
            continue
        depth += 1
        cell[depth], place[depth], used[depth], made[depth], spared[depth] = (
            nxt,
            start[nxt],
            now_used,
            now_made,
            now_spared,
        )
        low[depth], high[depth], low_other[depth], high_other[depth] = now_low, now_high, now_low_o, now_high_o
        left[depth] = now_left
    return best, best_value, nodes


@njit(cache=True, error_model="numpy")
def _cover(members, sums, others, lists, start, cells, groups, limit, by_other, most, nodes):  # type: ignore[no-untyped-def]
    """Depth first over the cell that fewest sets can still hold; every cell is used. Arguments as in `_search`.

    lists[start[c] : start[c + 1]] are the sets that hold cell c.
    """
    size = members.shape[1]
    best, best_value = np.full(groups, -1, dtype=np.int64), most
    used = np.zeros((groups + 1, cells), dtype=np.uint8)
    low, high = np.full(groups + 1, 1e300), np.full(groups + 1, -1e300)
    low_other, high_other = np.full(groups + 1, 1e300), np.full(groups + 1, -1e300)
    cell = np.zeros(groups + 1, dtype=np.int64)
    place = np.full(groups + 1, -1, dtype=np.int64)
    pick = np.full(groups + 1, -1, dtype=np.int64)
    depth = 0
    while depth >= 0:
        nodes -= 1
        if nodes < 0:
            return best, best_value, nodes
        fresh = place[depth] < 0
        least, where = 1 << 30, -1
        # Once to count what each cell can still have, and once per set of the cell that has least.
        for c in range(cells) if fresh else range(cell[depth], cell[depth] + 1):
            if fresh and used[depth, c]:
                continue
            count = 0
            for t in range(start[c] if fresh else place[depth], start[c + 1]):
                at = lists[t]
                nodes -= 1
                free = True
                for k in range(size):
                    if used[depth, members[at, k]]:
                        free = False
                        break
                if not free:
                    continue
                spread = max(high[depth], sums[at]) - min(low[depth], sums[at])
                other = max(high_other[depth], others[at]) - min(low_other[depth], others[at])
                if (by_other and (spread > limit or other >= best_value)) or (not by_other and spread >= best_value):
                    continue
                if not fresh:
                    count, where = 1, t
                    break
                count += 1
                if count >= least:
                    break
            if fresh and count < least:
                least, where = count, c
                if count == 0:
                    break
            if not fresh:
                least = count
        if least == 0:
            place[depth] = -1
            depth -= 1
            continue
        if fresh:
            cell[depth], place[depth] = where, start[where]
            continue
        at = lists[where]
        place[depth], pick[depth] = where + 1, at
        now_low, now_high = min(low[depth], sums[at]), max(high[depth], sums[at])
        now_low_o, now_high_o = min(low_other[depth], others[at]), max(high_other[depth], others[at])
        if depth == groups - 1:
            best_value = now_high_o - now_low_o if by_other else now_high - now_low
            best[:] = pick[:groups]
            continue
        depth += 1
        used[depth] = used[depth - 1]
        for k in range(size):
            used[depth, members[at, k]] = 1
        low[depth], high[depth], low_other[depth], high_other[depth] = now_low, now_high, now_low_o, now_high_o
        place[depth] = -1
    return best, best_value, nodes


@dataclass(frozen=True, eq=False)
class Covered:
    """What a search through windows of spread found.

    Parameters
    ----------
    groups : ndarray of int, shape (groups, size), or None
        The best sharing out found.
    bound : int
        No sharing out has a smaller spread.
    """

    groups: Ints | None
    bound: int


def listable(cells: int, *, size: int) -> bool:
    """Whether all sets of a group's size can be listed for `share_all`."""
    return size >= 3 and comb(cells, size) <= MOST_LISTED


def share_all(
    capacity: Ints, conductance: Floats, *, groups: int, bound: int, known: int | None, nodes: int = LOOKS
) -> Covered:
    """Groups of least spread that use every cell, by windows about the mean that grow until one holds a solution.

    The mean lies between the least and the largest sum, so a sharing out of spread D has all its sums within D of the
    mean. A window without a solution is a proof that the spread is larger; a solution is improved within its window.

    Parameters
    ----------
    capacity : ndarray of int, shape (groups · size,)
    conductance : ndarray, shape (groups · size,)
        [S]
    bound : int
        Known from below.
    known : int or None
        Spread of a sharing out that is known.
    nodes : int
        Steps of the search in all windows: sets looked at.
    """
    n, size = len(capacity), len(capacity) // groups
    mean = capacity.sum() / groups
    every = np.array(list(combinations(range(n), size)), dtype=np.int32)
    sums = capacity[every].sum(axis=1)
    window = max(float(bound), FIRST_WINDOW * mean)
    while True:
        goal = window if known is None else min(window, float(known))
        sets = np.flatnonzero(np.abs(sums - mean) <= goal)
        if len(sets) > MOST_SETS:
            return Covered(None, bound)
        sets = sets[np.argsort(np.abs(sums[sets] - mean), kind="stable")]
        members, value = every[sets].astype(np.int64), sums[sets].astype(float)
        lists, start = _holders(members, n)
        other = conductance[members].sum(axis=1)
        # Half a unit: a spread of exactly the goal counts.
        best, found, left = _cover(members, value, other, lists, start, n, groups, 0.0, False, goal + 0.5, nodes)
        nodes = int(left)
        if best[0] >= 0:
            finer, _, _ = _cover(members, value, other, lists, start, n, groups, found + 0.25, True, 1e300, LOOKS // 5)
            picked = finer if finer[0] >= 0 else best
            return Covered(members[picked], int(found) if left >= 0 else bound)
        if left < 0:
            return Covered(None, bound)
        bound = max(bound, int(np.floor(goal)) + 1)
        if known is not None and goal >= known:
            return Covered(None, int(known))
        window *= WIDER


def _holders(members: Ints, cells: int) -> tuple[Ints, Ints]:
    """For each cell the sets that hold it, in their order."""
    flat = members.ravel()
    order = np.argsort(flat, kind="stable")
    return (order // members.shape[1]).astype(np.int64), np.searchsorted(flat[order], np.arange(cells + 1))


def small_enough(cells: int, *, size: int) -> bool:
    """Whether every group that could be made can be listed, and every choice of spares tried."""
    return cells <= MOST_CELLS and comb(cells, size) <= MOST_SETS


def share_exactly(
    capacity: Ints, conductance: Floats, *, groups: int, size: int, known: int | None = None, nodes: int = NODES
) -> Sharing | None:
    """Groups whose capacities differ least, and among those the ones whose conductances do.

    Cells left over are chosen with them: any cell may be spared.

    Parameters
    ----------
    capacity : ndarray of int, shape (n,)
        n ≥ groups · size.
    conductance : ndarray, shape (n,)
        [S]
    known : int or None
        Spread of a sharing out that is known; better ones are looked for.
    nodes : int
        Steps after which the search gives up.

    Returns
    -------
    Sharing or None
        None when nothing better than `known` was found within the steps; `proven` when the search was finished. A
        finished search that finds nothing better returns None, too: see `least_spread`.
    """
    order = np.argsort(-capacity, kind="stable")
    masks, sums, others, start, sets = _sets(capacity[order], conductance[order], size)
    spares = len(capacity) - groups * size
    most = 1e300 if known is None else float(known) + 0.5
    total = float(capacity.sum())
    best, value, left = _search(
        masks, sums, others, start, len(capacity), groups, spares, 0.0, False, most, total, nodes
    )
    if best[0] < 0:
        return None
    finer, _, _ = _search(
        masks, sums, others, start, len(capacity), groups, spares, value + 0.25, True, 1e300, total, nodes // 4
    )
    picked = finer if finer[0] >= 0 else best
    return Sharing(order[sets[picked]], bool(left >= 0))


def _sets(capacity: Ints, conductance: Floats, size: int) -> tuple[Ints, Floats, Floats, Ints, Ints]:
    """Every set of so many cells, by its first cell and then by how near its sum is to the usual."""
    n = len(capacity)
    sets = np.array(list(combinations(range(n), size)), dtype=np.int64).reshape(-1, size)
    sums = capacity[sets].sum(axis=1).astype(float)
    near = np.abs(sums - size * capacity.mean())
    sets = sets[np.lexsort((near, sets[:, 0]))]
    start = np.searchsorted(sets[:, 0], np.arange(n + 1)).astype(np.int64)
    masks = np.bitwise_or.reduce(np.int64(1) << sets, axis=1)
    return masks, capacity[sets].sum(axis=1).astype(float), conductance[sets].sum(axis=1), start, sets
