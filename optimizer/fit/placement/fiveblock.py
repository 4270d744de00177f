"""Tables of how many equal rectangles a larger one holds: the recursive five-block heuristic.

A rectangle is cut into two parts by a straight cut, or into five parts arranged like a pinwheel, and each
part is cut again. Cuts lie only where sides of boxes can add up (raster points), so the table has one entry
for each pair of such sums, and every entry is computed once at most.

References
----------
R. Morabito, S. Morales, "A simple and effective recursive procedure for the manufacturer's pallet loading problem", J.
Oper. Res. Soc. 49 (1998); raster points: G. Scheithauer, J. Terno, "The G4-heuristic for the pallet loading problem",
J. Oper. Res. Soc. 47 (1996); bound: F. W. Barnes, "Packing the maximum number of m × n tiles in a large p × q
rectangle", Discrete Math. 26 (1979).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints

UNITS_PER_MM = 1e9
SLACK_UNITS = 100  # 1e-7 mm: sums of rounded sides must still fit where the unrounded ones just do
MAX_SUMS = 600
STEPS = 30_000_000  # splits looked at per question; bounds the time and, unlike a clock, repeats


@njit(cache=True, error_model="numpy")
def raster(i, diff):  # type: ignore[no-untyped-def]
    """Indices of the raster points of sum number i, ascending."""
    seen = np.zeros(i + 1, dtype=np.int64)
    for p in range(i + 1):
        seen[diff[i, p]] = 1
    n = 0
    for p in range(i + 1):
        if seen[p]:
            seen[n] = p
            n += 1
    return seen[:n]


@njit(cache=True, error_model="numpy")
def pairs(points, i, diff):  # type: ignore[no-untyped-def]
    """Pairs p1 < p2 of raster points strictly inside sum number i."""
    n = len(points)
    out = np.empty((n * n, 2), dtype=np.int64)
    k = 0
    for p in range(n):
        for q in range(p + 1, n):
            if points[p] > 0 and diff[i, points[q]] > 0:
                out[k, 0], out[k, 1] = points[p], points[q]
                k += 1
    return out[:k]


@njit(cache=True, error_model="numpy")
def straight(i, j, xs, ys, diff):  # type: ignore[no-untyped-def]
    """All straight cuts, written as pinwheels whose other parts are empty."""
    out = np.zeros((len(xs) + len(ys), 4), dtype=np.int64)
    k = 0
    for x in xs:
        if 0 < x <= diff[i, x]:
            out[k, 0], out[k, 1] = x, x
            k += 1
    for y in ys:
        if 0 < y <= diff[j, y]:
            out[k, 2], out[k, 3] = y, y
            k += 1
    return out[:k]


@njit(cache=True, error_model="numpy")
def part(k, i, j, cut, diff):  # type: ignore[no-untyped-def]
    """Sides of part k of a pinwheel (x1, x2, y1, y2), the larger sum first."""
    x1, x2, y1, y2 = cut[0], cut[1], cut[2], cut[3]
    if k == 0:
        u, v = x2, y1
    elif k == 1:
        u, v = diff[i, x2], y2
    elif k == 2:
        u, v = diff[i, x1], diff[j, y2]
    elif k == 3:
        u, v = x1, diff[j, y1]
    else:
        u, v = diff[x2, x1], diff[y2, y1]
    return max(u, v), min(u, v)


@njit(cache=True, error_model="numpy")
def next_pinwheel(i, j, xp, yp, start, state):  # type: ignore[no-untyped-def]
    """Number of the next pair of pairs, from start on, whose bound beats the value; -1 when none does."""
    value, _, bound, diff, _, budget = state
    m = len(yp)
    best = value[i, j]
    for t in range(start, len(xp) * m):
        budget[0] -= 1
        if budget[0] < 0:
            return -1
        x1, x2 = xp[t // m, 0], xp[t // m, 1]
        y1, y2 = yp[t % m, 0], yp[t % m, 1]
        if x1 > diff[i, x2]:  # its half turn is in the list too
            continue
        total = bound[x2, y1] + bound[diff[i, x2], y2] + bound[diff[i, x1], diff[j, y2]]
        total += bound[x1, diff[j, y1]] + bound[diff[x2, x1], diff[y2, y1]]
        if total > best:
            return t
    return -1


@njit(cache=True, error_model="numpy")
def solve(i, j, state):  # type: ignore[no-untyped-def]
    """Most boxes found in a rectangle with sides sum number i and j; fills the state."""
    value, done, bound, diff, cuts, budget = state
    i, j = max(i, j), min(i, j)
    if done[i, j] or value[i, j] >= bound[i, j] or budget[0] < 0:
        return value[i, j]
    xs, ys = raster(i, diff), raster(j, diff)
    lines = straight(i, j, xs, ys, diff)
    xp = yp = np.empty((0, 2), dtype=np.int64)
    cut = np.zeros(4, dtype=np.int64)
    t = 0
    while value[i, j] < bound[i, j]:
        if t < len(lines):
            budget[0] -= 1
            for k in range(4):
                cut[k] = lines[t, k]
        else:
            if t == len(lines):
                budget[0] -= len(xs) ** 2 + len(ys) ** 2
                xp, yp = pairs(xs, i, diff), pairs(ys, j, diff)
            at = next_pinwheel(i, j, xp, yp, t - len(lines), state)
            if at < 0:
                break
            for k in range(2):
                cut[k], cut[2 + k] = xp[at // len(yp), k], yp[at % len(yp), k]
            t = at + len(lines)
        t += 1
        total = 0
        for k in range(5):
            total += bound[part(k, i, j, cut, diff)]
        for k in range(5):
            u, v = part(k, i, j, cut, diff)
            if total > value[i, j] and v > 0:
                total += solve(u, v, state) - bound[u, v]
        if total > value[i, j]:
            value[i, j] = total
            for k in range(4):
                cuts[i, j, k] = cut[k]
    done[i, j] = True
    return value[i, j]


@njit(cache=True, error_model="numpy")
def last_at_most(ascending, limit):  # type: ignore[no-untyped-def]
    """Index of the last number at most limit, -1 when there is none."""
    low, high = 0, len(ascending)
    while low < high:
        middle = (low + high) // 2
        if ascending[middle] <= limit:
            low = middle + 1
        else:
            high = middle
    return low - 1


def units(length_mm: float) -> int:
    """Length in whole units of 1e-9 mm."""
    return round(length_mm * UNITS_PER_MM)


def reach(length_mm: float) -> int:
    """Length in units that sums of sides may reach to fit a length."""
    return units(length_mm) + SLACK_UNITS


def greatest_sum(a: int, b: int, limit: int) -> int:
    """Largest i·a + j·b up to limit."""
    free = limit - np.arange(limit // b + 1, dtype=np.int64) * b
    return limit - int(np.min(free % a))


def side_sums(a: int, b: int, limit: int) -> Ints:
    """All i·a + j·b up to limit, ascending; of very many, those with few boxes of the rarer direction."""
    steps = np.arange(limit // b + 1, dtype=np.int64) * b
    rows = np.arange(limit // a + 1, dtype=np.int64) * a
    while True:
        sums = np.unique(np.add.outer(rows, steps))
        sums = sums[sums <= limit]
        if len(sums) <= MAX_SUMS or len(rows) == 1:
            return sums
        rows = rows[: max(1, len(rows) // 2)]


def barnes_waste(x: Ints, y: Ints, bar: int) -> Floats:
    """Least area [mm²] that bars of length bar leave free in each x × y (units): Barnes 1979."""
    r, s = (x % bar) / UNITS_PER_MM, (y % bar) / UNITS_PER_MM
    side = bar / UNITS_PER_MM
    return np.asarray(np.minimum(r * s, (side - r) * (side - s)))


def bounds(sums: Ints, a: int, b: int) -> Ints:
    """Upper bound on boxes a × b for every pair of sums: area less the waste that Barnes proves."""
    x, y = sums[:, None], sums[None, :]
    area = (x / UNITS_PER_MM) * (y / UNITS_PER_MM)
    waste = np.maximum(barnes_waste(x, y, a), barnes_waste(x, y, b))
    box = (a / UNITS_PER_MM) * (b / UNITS_PER_MM)
    count = np.floor((area - waste) / box + 1e-9).astype(np.int64)
    return np.where(np.maximum(x, y) < max(a, b), 0, np.maximum(count, 0))


@dataclass(frozen=True, eq=False)
class CountTable:
    """Best counts found so far for all pairs of side sums of one box size.

    Parameters
    ----------
    a_mm, b_mm : float
        Sides of the box along x and y.
    x_sums, y_sums : ndarray of int, shapes (k,), (m,)
        Side sums that normalise a free length along x and along y [1e-9 mm].
    turn : bool
        Whether boxes may be turned; if not, value is the product of the indices and nothing is left to solve.
    state : tuple of ndarray
        What `solve` reads and fills: value, done, bound, diff (index of the greatest sum within the
        difference of two), cuts, budget.
    """

    a_mm: float
    b_mm: float
    x_sums: Ints
    y_sums: Ints
    turn: bool
    state: tuple[Ints, NDArray[np.bool_], Ints, Ints, Ints, Ints]


def turning_table(a_mm: float, b_mm: float, limit_mm: float, *, steps: int = STEPS) -> CountTable:
    """Empty table for boxes that may be turned, for rectangles with sides up to limit_mm."""
    a, b = units(a_mm), units(b_mm)
    sums = side_sums(min(a, b), max(a, b), reach(limit_mm))
    k = len(sums)
    flat = np.multiply.outer(sums // a, sums // b)
    value = np.maximum(flat, flat.T)
    bound = np.maximum(bounds(sums, a, b), value)
    gaps = sums[:, None] - sums[None, :]
    diff = np.maximum(np.searchsorted(sums, gaps.ravel(), side="right").reshape(k, k) - 1, 0)
    done, cuts = np.zeros((k, k), dtype=np.bool_), np.zeros((k, k, 4), dtype=np.int64)
    return CountTable(a_mm, b_mm, sums, sums, True, (value, done, bound, diff, cuts, np.array([steps])))


def fixed_table(a_mm: float, b_mm: float, limit_mm: float) -> CountTable:
    """Complete table for boxes that keep their orientation: rows times columns."""
    limit = reach(limit_mm)
    x_sums = np.arange(limit // units(a_mm) + 1, dtype=np.int64) * units(a_mm)
    y_sums = np.arange(limit // units(b_mm) + 1, dtype=np.int64) * units(b_mm)
    k = max(len(x_sums), len(y_sums))
    value = np.multiply.outer(np.arange(k), np.arange(k)).astype(np.int64)
    none = np.zeros((1, 1), dtype=np.int64)
    state = (value, np.ones((k, k), dtype=np.bool_), value, none, none[:, :, None], np.array([0]))
    return CountTable(a_mm, b_mm, x_sums, y_sums, False, state)


def index(sums: Ints, length_mm: float) -> int:
    """Number of the largest sum within a length; 0 for none."""
    return max(0, int(np.searchsorted(sums, reach(length_mm), side="right")) - 1)


def know_bound(table: CountTable, length_mm: float, width_mm: float, most: int) -> None:
    """Let the search for one rectangle stop at a bound that is known to be better than the table's own."""
    i, j = index(table.x_sums, length_mm), index(table.y_sums, width_mm)
    bound = table.state[2]
    bound[max(i, j), min(i, j)] = bound[min(i, j), max(i, j)] = min(most, int(bound[i, j]))


def count(table: CountTable, length_mm: float, width_mm: float) -> int:
    """Most boxes found in a rectangle."""
    i, j = index(table.x_sums, length_mm), index(table.y_sums, width_mm)
    return int(solve(i, j, table.state))


def place(table: CountTable, length_mm: float, width_mm: float) -> Floats:
    """Boxes x, y, w, h [mm] of the packing that `count` found, from the corner at the origin."""
    count(table, length_mm, width_mm)
    i, j = index(table.x_sums, length_mm), index(table.y_sums, width_mm)
    if not table.turn:
        return grid(table.a_mm, table.b_mm, i, j)
    return unfold(table, i, j)


def grid(a_mm: float, b_mm: float, columns: int, rows: int) -> Floats:
    """Columns × rows of boxes a × b."""
    x, y = np.meshgrid(np.arange(columns) * a_mm, np.arange(rows) * b_mm, indexing="ij")
    return np.column_stack([x.ravel(), y.ravel(), np.full(x.size, a_mm), np.full(x.size, b_mm)])


def unfold(table: CountTable, i: int, j: int) -> Floats:
    """Boxes of entry (i, j) of a turning table, by following its cuts."""
    if i < j:
        return unfold(table, j, i)[:, [1, 0, 3, 2]]
    value, _, _, diff, cuts, _ = table.state
    if value[i, j] == 0:
        return np.zeros((0, 4))
    x1, x2, y1, y2 = (int(c) for c in cuts[i, j])
    length, width = int(table.x_sums[i]), int(table.x_sums[j])
    if x2 == 0 and y2 == 0:
        a, b = table.a_mm, table.b_mm
        across = (length // units(a)) * (width // units(b)) >= (length // units(b)) * (width // units(a))
        a, b = (a, b) if across else (b, a)
        return grid(a, b, length // units(a), width // units(b))
    sums = table.x_sums / UNITS_PER_MM
    pieces = [
        (x2, y1, 0.0, 0.0),
        (diff[i, x2], y2, sums[x2], 0.0),
        (diff[i, x1], diff[j, y2], sums[x1], sums[y2]),
        (x1, diff[j, y1], 0.0, sums[y1]),
        (diff[x2, x1], diff[y2, y1], sums[x1], sums[y1]),
    ]
    boxes = [unfold(table, int(p), int(q)) + np.array([x, y, 0.0, 0.0]) for p, q, x, y in pieces if p and q]
    return np.concatenate(boxes)
