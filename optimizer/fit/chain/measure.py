"""Compiled measures of a chain: pairs at each boundary, pieces of each group.

State of a chain: group_of (n,) and slot (n,) say where a cell is, members (G, P) which cells a group has.
Cells left over have group -1. Neighbours come as compressed lists (ptr, idx).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numba.extending import register_jitable
from numpy.typing import NDArray

from optimizer.base.arrays import Ints


@register_jitable
def pairs_between(
    a: int, b: int, members: Ints, group_of: Ints, slot: Ints, ptr: Ints, idx: Ints, work: Ints
) -> int:
    """Most disjoint neighbour pairs between two groups (maximum matching by augmenting paths).

    Arguments: groups a and b, the state of the chain, boundary neighbour lists, work (5, P) scratch rows.
    """
    size = members.shape[1]
    mate_a, mate_b, seen, parent, queue = work[0], work[1], work[2], work[3], work[4]
    count = 0
    for s in range(size):
        mate_a[s] = mate_b[s] = -1
    for start in range(size):
        for s in range(size):
            seen[s] = 0
        queue[0] = start
        head, tail, found = 0, 1, -1
        while head < tail and found < 0:
            u = queue[head]
            head += 1
            cell = members[a, u]
            for e in range(ptr[cell], ptr[cell + 1]):
                other = idx[e]
                if group_of[other] != b or seen[slot[other]]:
                    continue
                t = slot[other]
                seen[t] = 1
                parent[t] = u
                if mate_b[t] < 0:
                    found = t
                    break
                queue[tail] = mate_b[t]
                tail += 1
        if found < 0:
            continue
        count += 1
        while found >= 0:
            u = parent[found]
            following = mate_a[u]
            mate_b[found] = u
            mate_a[u] = found
            found = following
    return count


@register_jitable
def pieces_of(group: int, members: Ints, group_of: Ints, slot: Ints, ptr: Ints, idx: Ints, work: Ints) -> int:
    """Number of connected pieces of a group, over its lateral neighbour lists; work (5, P) is scratch."""
    size = members.shape[1]
    seen, queue = work[2], work[4]
    for s in range(size):
        seen[s] = 0
    pieces = 0
    for start in range(size):
        if seen[start]:
            continue
        pieces += 1
        seen[start] = 1
        queue[0] = start
        head, tail = 0, 1
        while head < tail:
            cell = members[group, queue[head]]
            head += 1
            for e in range(ptr[cell], ptr[cell + 1]):
                other = idx[e]
                if group_of[other] == group and not seen[slot[other]]:
                    seen[slot[other]] = 1
                    queue[tail] = slot[other]
                    tail += 1
    return pieces


@register_jitable
def index_members(members: Ints, count: int) -> tuple[Ints, Ints]:
    """group_of and slot of each of `count` cells from members (G, P)."""
    group_of = np.full(count, -1, dtype=np.int64)
    slot = np.full(count, -1, dtype=np.int64)
    for g in range(members.shape[0]):
        for s in range(members.shape[1]):
            group_of[members[g, s]] = g
            slot[members[g, s]] = s
    return group_of, slot


@njit(cache=True, error_model="numpy")
def measure(
    members: Ints, count: int, lat_ptr: Ints, lat_idx: Ints, bnd_ptr: Ints, bnd_idx: Ints
) -> tuple[Ints, Ints]:
    """Connected pieces of each group (G,) and pairs at each boundary (G - 1,), groups in chain order."""
    group_of, slot = index_members(members, count)
    groups, size = members.shape
    work = np.zeros((5, size), dtype=np.int64)
    pieces = np.zeros(groups, dtype=np.int64)
    pairs = np.zeros(max(groups - 1, 0), dtype=np.int64)
    for g in range(groups):
        pieces[g] = pieces_of(g, members, group_of, slot, lat_ptr, lat_idx, work)
        if g:
            pairs[g - 1] = pairs_between(g - 1, g, members, group_of, slot, bnd_ptr, bnd_idx, work)
    return pieces, pairs


@register_jitable
def off_side(group: int, members: Ints, side: NDArray[np.bool_]) -> int:
    """1 when no cell of the group is on the terminal side asked for, else 0."""
    for s in range(members.shape[1]):
        if side[members[group, s]]:
            return 0
    return 1


@njit(cache=True, error_model="numpy")
def weigh(
    orders: Ints, level: Ints, groups: int, tails: Ints, price: NDArray[np.float64], graph: Any
) -> NDArray[np.float64]:
    """What the chains cut from many orders are worth, as `cut` cuts them; stops after a perfect one.

    orders (K, n), level (n,); tails (T,): 1 where cells that fill no group are left at the end of a layer's
    run, 0 at its start; price (P + 1,) of a boundary with so many pairs. Returns (K, T, 5): faults (-1 for an
    order that yields too few groups or was not looked at), terminals off side, least pairs, sum of pairs and
    price, that of faults and terminals included.
    """
    lat_ptr, lat_idx, bnd_ptr, bnd_idx, start_side, end_side = graph
    size = len(price) - 1
    members = np.zeros((groups, size), dtype=np.int64)
    worth = np.full((len(orders), len(tails), 5), -1.0)
    for k in range(len(orders)):
        for t in range(len(tails)):
            if not _cut_into(orders[k], level, tails[t], members):
                continue
            pieces, pairs = measure(members, len(level), lat_ptr, lat_idx, bnd_ptr, bnd_idx)
            faults, least, total, cost = 0, size, 0, 0.0
            for g in range(groups):
                faults += pieces[g] - 1
            missed = off_side(0, members, start_side) + off_side(groups - 1, members, end_side)
            cost += price[0] * (faults + missed)
            for g in range(groups - 1):
                faults += pairs[g] == 0
                least = min(least, pairs[g])
                total += pairs[g]
                cost += price[pairs[g]]
            worth[k, t, 0], worth[k, t, 1], worth[k, t, 2] = faults, missed, least
            worth[k, t, 3], worth[k, t, 4] = total, cost
            if faults + missed == 0 and total == size * (groups - 1):
                return worth
    return worth


@register_jitable
def _cut_into(order: Ints, level: Ints, tail: int, members: Ints) -> bool:
    """Fill `members` with the first groups of an order; False where it yields fewer."""
    groups, size = members.shape
    g, start = 0, 0
    while start < len(order):
        end = start
        while end < len(order) and level[order[end]] == level[order[start]]:
            end += 1
        spare = (end - start) % size
        first = start if tail else start + spare
        for at in range(first, first + end - start - spare):
            members[g, (at - first) % size] = order[at]
            if (at - first) % size == size - 1:
                g += 1
                if g == groups:
                    return True
        start = end
    return False
