"""Compiled local search over chains of groups.

State of a chain: group_of (n,) and slot (n,) say where a cell is, members (G, P) which cells a group has,
order (G,) and pos (G,) where a group stands in the chain. Cells left over have group -1. Neighbours come as
compressed lists: `lat` holds a group together, `bnd` (lateral and axial) carries boundaries.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numba.extending import register_jitable
from numpy.typing import NDArray

from optimizer.base.arrays import Ints
from optimizer.fit.chain.measure import index_members, measure, off_side, pairs_between, pieces_of

CONTEST = 4  # boundaries that are drawn to find a weak one
HOPELESS = 12.0  # rises of the cost, in units of the temperature, that are not looked into further


@register_jitable
def draw(rng: Ints, below: int) -> int:
    """Pseudo-random integer from 0 to below - 1 (xorshift, Marsaglia 2003); rng (1,) is its state."""
    value = rng[0]
    value ^= value << 13
    value ^= (value >> 7) & 0x01FFFFFFFFFFFFFF  # logical, not arithmetic, shift of a signed number
    value ^= value << 17
    rng[0] = value
    return int(((value >> 20) & 0x7FFFFFFFFF) % below)


@register_jitable
def _pick_cycle(
    state: Any, lat_ptr: Ints, lat_idx: Ints, window: tuple[int, int], cells: Ints, longest: int
) -> int:
    """Draw a cycle of cells that change places, cells[t] to the place of cells[t + 1]; its length, 0 if none.

    Each cell moves into a group (or among those left over) that it touches; the last one closes the cycle.
    """
    members, group_of, order, pos, pairs, rng = state
    size = members.shape[1]
    first = _pick_cell(members, order, pairs, window, group_of.shape[0], rng)
    home = group_of[first]
    cells[0] = first
    here = first
    for length in range(1, longest):
        span = lat_ptr[here + 1] - lat_ptr[here]
        if span == 0:
            return 0
        touched = lat_idx[lat_ptr[here] + draw(rng, span)]
        target = group_of[touched]
        if target == group_of[here] or target == home:
            return 0
        if target >= 0 and (pos[target] < window[0] or pos[target] > window[1]):
            return 0
        following = touched if target < 0 else members[target, draw(rng, size)]
        if target >= 0:
            shift = draw(rng, size)
            for s in range(size):
                candidate = members[target, (s + shift) % size]
                if touches(candidate, home, first, group_of, lat_ptr, lat_idx):
                    following = candidate
                    break
        cells[length] = following
        if home < 0 or touches(following, home, first, group_of, lat_ptr, lat_idx):
            return length + 1
        here = following
    return 0


@register_jitable
def _pick_cell(
    members: Ints, order: Ints, pairs: Ints, window: tuple[int, int], count: int, rng: Ints
) -> int:
    """Any cell, or, three times in four, one of a group near a weak boundary: that is where work is left."""
    groups, size = members.shape
    low, high = window
    if high - low == groups - 1 and (groups < 3 or draw(rng, 4) == 0):
        return draw(rng, count)
    weak = low + draw(rng, max(high - low, 1))
    for _ in range(CONTEST + groups // 16 if high - low > 2 * CONTEST else 0):
        rival = low + draw(rng, high - low)
        if pairs[rival] < pairs[weak]:
            weak = rival
    near = min(max(weak - 1 + draw(rng, 4), low), high)
    return int(members[order[near], draw(rng, size)])


@register_jitable
def touches(cell: int, group: int, but: int, group_of: Ints, ptr: Ints, idx: Ints) -> bool:
    """Whether a cell has a neighbour in the group other than `but`."""
    for e in range(ptr[cell], ptr[cell + 1]):  # noqa: SIM110 (no generators in compiled code)
        if idx[e] != but and group_of[idx[e]] == group:
            return True
    return False


@register_jitable
def _rotate(cells: Ints, length: int, forward: bool, members: Ints, group_of: Ints, slot: Ints) -> None:
    """Move each cell of the cycle to the place of the next one (or back, to undo it)."""
    step = 1 if forward else length - 1
    groups = np.empty(length, dtype=np.int64)
    slots = np.empty(length, dtype=np.int64)
    for t in range(length):
        groups[t] = group_of[cells[t]]
        slots[t] = slot[cells[t]]
    for t in range(length):
        to = (t + step) % length
        group_of[cells[t]] = groups[to]
        slot[cells[t]] = slots[to]
        if groups[to] >= 0:
            members[groups[to], slots[to]] = cells[t]


@njit(cache=True, error_model="numpy")
def anneal(
    members: Ints,
    count: int,
    graph: Any,
    price: NDArray[np.float64],
    window: tuple[int, int],
    moves: int,
    heat: tuple[float, float],
    seed: int,
) -> tuple[Ints, float]:
    """Improve a chain by cycles of cells between groups and reversals of stretches of the chain.

    Cost: sum of price[pairs] over the boundaries, and price[0] for each piece too many of a group and for
    each terminal off its side. Metropolis acceptance, temperature falling from heat[0] to heat[1]. Only
    groups at places window[0]..window[1] of the chain and cells left over are touched. Returns the cheapest
    members (G, P) met on the way, in chain order, and how much cheaper they are. Repeatable by seed.

    graph: lateral and boundary neighbour lists and terminal sides (lat_ptr, lat_idx, bnd_ptr, bnd_idx,
    start_side, end_side).
    """
    rng = np.array([seed * 2654435761 + 88172645463325252], dtype=np.int64)
    for _ in range(8):
        draw(rng, 2)
    members = members.copy()
    groups, size = members.shape
    group_of, slot = index_members(members, count)
    pieces, pairs = measure(members, count, graph[0], graph[1], graph[2], graph[3])
    order, pos = np.arange(groups), np.arange(groups)
    work = np.zeros((5, size), dtype=np.int64)
    ends = np.empty(2, dtype=np.int64)
    ends[0] = off_side(0, members, graph[4])
    ends[1] = off_side(groups - 1, members, graph[5])
    best = members.copy()
    gain, record, now = 0.0, 1e-6, heat[0]
    cooling = (heat[1] / heat[0]) ** (1.0 / max(moves, 1))
    state = (members, group_of, slot, order, pos, pieces, pairs, ends, work, rng)
    for move in range(moves):
        now *= cooling
        if (move % 8 == 7) != (size == 1):
            rise = _try_reversal(state, graph, price, window, now)
        else:
            rise = _try_cycle(state, graph, price, window, now, 2 + (move % 3 == 2) * 2)
        gain -= rise
        if gain > record:
            record = gain + 1e-6
            _copy_rows(members, order, best)
    return best, record - 1e-6


@register_jitable
def _turn(row: Ints, low: int, high: int) -> None:
    """Reverse row[low..high] in place."""
    while low < high:
        row[low], row[high] = row[high], row[low]
        low += 1
        high -= 1


@register_jitable
def _holds(row: Ints, count: int, value: int) -> bool:
    """Whether value stands among the first `count` of row."""
    for t in range(count):  # noqa: SIM110 (no generators in compiled code)
        if row[t] == value:
            return True
    return False


@register_jitable
def _copy_rows(source: Ints, order: Ints, target: Ints) -> None:
    """target[k] = source[order[k]]."""
    for k in range(source.shape[0]):
        for s in range(source.shape[1]):
            target[k, s] = source[order[k], s]


@register_jitable
def _accept(rise: float, heat: float, rng: Ints) -> bool:
    """Metropolis rule."""
    return rise <= 0.0 or draw(rng, 1 << 30) / (1 << 30) < np.exp(-rise / heat)


@register_jitable
def _try_cycle(
    state: Any, graph: Any, price: NDArray[np.float64], window: tuple[int, int], heat: float, longest: int
) -> float:
    """Propose one cycle of cells; what it adds to the cost, 0 when it was not taken."""
    members, group_of, slot, order, pos, pieces, pairs, ends, work, rng = state
    lat_ptr, lat_idx, bnd_ptr, bnd_idx, start_side, end_side = graph
    cells = np.empty(longest, dtype=np.int64)
    choice = (members, group_of, order, pos, pairs, rng)
    length = _pick_cycle(choice, lat_ptr, lat_idx, window, cells, longest)
    if length == 0:
        return 0.0
    _rotate(cells, length, True, members, group_of, slot)
    groups = members.shape[0]
    rise = 0.0
    new_pieces = np.empty(length, dtype=np.int64)
    for t in range(length):
        g = group_of[cells[t]]
        if g >= 0:
            new_pieces[t] = pieces_of(g, members, group_of, slot, lat_ptr, lat_idx, work)
            rise += price[0] * (new_pieces[t] - pieces[g])
    first, last = ends[0], ends[1]
    spots = np.empty(2 * length, dtype=np.int64)
    new_pairs = np.empty(2 * length, dtype=np.int64)
    for t in range(2 * length):
        spots[t] = -1
    if rise < HOPELESS * heat:
        first = off_side(order[0], members, start_side)
        last = off_side(order[groups - 1], members, end_side)
        rise += price[0] * (first + last - ends[0] - ends[1])
        for t in range(2 * length):
            g = group_of[cells[t // 2]]
            k = pos[g] - t % 2 if g >= 0 else -1
            if k < 0 or k >= groups - 1 or _holds(spots, t, k):
                continue
            spots[t] = k
            new_pairs[t] = pairs_between(
                order[k], order[k + 1], members, group_of, slot, bnd_ptr, bnd_idx, work
            )
            rise += price[new_pairs[t]] - price[pairs[k]]
    if rise >= HOPELESS * heat or not _accept(rise, heat, rng):
        _rotate(cells, length, False, members, group_of, slot)
        return 0.0
    for t in range(length):
        if group_of[cells[t]] >= 0:
            pieces[group_of[cells[t]]] = new_pieces[t]
    for t in range(2 * length):
        if spots[t] >= 0:
            pairs[spots[t]] = new_pairs[t]
    ends[0], ends[1] = first, last
    return rise


@register_jitable
def _try_reversal(
    state: Any, graph: Any, price: NDArray[np.float64], window: tuple[int, int], heat: float
) -> float:
    """Propose to run a stretch of the chain backwards; what it adds to the cost, 0 when it was not taken.

    The stretch is one that makes two touching groups follow each other.
    """
    members, group_of, slot, order, pos, _, pairs, ends, work, rng = state
    _, _, bnd_ptr, bnd_idx, start_side, end_side = graph
    groups = members.shape[0]
    cell = _pick_cell(members, order, pairs, window, group_of.shape[0], rng)
    span = bnd_ptr[cell + 1] - bnd_ptr[cell]
    if span == 0:
        return 0.0
    other = bnd_idx[bnd_ptr[cell] + draw(rng, span)]
    if group_of[cell] < 0 or group_of[other] < 0:
        return 0.0
    low = min(pos[group_of[cell]], pos[group_of[other]])
    high = max(pos[group_of[cell]], pos[group_of[other]])
    if draw(rng, 1 << 30) / (1 << 30) < 0.5:
        low += 1
    else:
        high -= 1
    if low >= high or low < window[0] or high > window[1]:
        return 0.0
    before, after, rise = -1, -1, 0.0
    first, last = ends[0], ends[1]
    if low > 0:
        before = pairs_between(order[low - 1], order[high], members, group_of, slot, bnd_ptr, bnd_idx, work)
        rise += price[before] - price[pairs[low - 1]]
    else:
        first = off_side(order[high], members, start_side)
    if high < groups - 1:
        after = pairs_between(order[low], order[high + 1], members, group_of, slot, bnd_ptr, bnd_idx, work)
        rise += price[after] - price[pairs[high]]
    else:
        last = off_side(order[low], members, end_side)
    rise += price[0] * (first + last - ends[0] - ends[1])
    if not _accept(rise, heat, rng):
        return 0.0
    _turn(order, low, high)
    _turn(pairs, low, high - 1)
    for k in range(low, high + 1):
        pos[order[k]] = k
    if before >= 0:
        pairs[low - 1] = before
    if after >= 0:
        pairs[high] = after
    ends[0], ends[1] = first, last
    return float(rise)
