"""Compiled kernel of rows: how many cells a set of rows holds in a region, and at which shift.

Plain comparisons and loops stand where NumPy calls would read better: they compile in a fraction of the time.
tests/fit/test_lattice.py has the same in NumPy. `inside`: how far inside the ends of a region rows are cut, over its
height; `slack`: a stretch that is so much too short is long enough [mm].
"""

from __future__ import annotations

from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.base.kernels import kernel

Array = NDArray[Any]
MOST_PHASES = 64


@kernel(rows=50_000)
def row_ends(edges: Array, heights: Array, inside: float) -> tuple[Array, Array]:
    """Where horizontal lines cross a region's boundary, rising, shape (rows, edges), and how often, shape (rows,)."""
    low, high = edges[0, 1], edges[0, 1]
    for k in range(len(edges)):
        low, high = min(low, edges[k, 1], edges[k, 3]), max(high, edges[k, 1], edges[k, 3])
    inset = min(inside * max(1.0, high - low), (high - low) / 4)
    at, count = np.empty((len(heights), len(edges))), np.zeros(len(heights), dtype=np.int64)
    for r in range(len(heights)):
        level = min(max(heights[r], low + inset), high - inset)
        for k in range(len(edges)):
            x0, y0, x1, y1 = edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3]
            if (y0 > level) != (y1 > level):
                x, place = x0 + (level - y0) / (y1 - y0) * (x1 - x0), count[r]
                while place > 0 and at[r, place - 1] > x:
                    at[r, place] = at[r, place - 1]
                    place -= 1
                at[r, place] = x
                count[r] += 1
    return at, count


@kernel(rows=50_000)
def sliding_count(at: Array, ends: Array, pitch: float, slack: float) -> tuple[float, int]:
    """Left end of all rows, and cells in rows that slide freely: each fills its own stretches from there on."""
    origin, total = np.inf, 0
    for r in range(len(at)):
        if ends[r] > 1:
            origin = min(origin, at[r, 0])
    for r in range(len(at)):
        spot = -np.inf
        for k in range(0, ends[r] - 1, 2):
            low, right = max(at[r, k], spot + pitch), at[r, k + 1]
            if right < low - slack:
                continue
            count = floor((right - low + slack) / pitch) + 1
            last = floor((right - origin + slack) / pitch)
            # On the columns of all rows unless these lose a cell.
            common = int(last - ceil((low - origin - slack) / pitch)) + 1
            spot = origin + pitch * last if common == count else low + pitch * (count - 1)
            total += count
    return (origin if np.isfinite(origin) else 0.0), total


@kernel(rows=50_000)
def phased_count(at: Array, ends: Array, shifts: Array, pitch: float, slack: float) -> tuple[float, int]:
    """Shift of rows that keep to each other at which they hold the most cells, and how many."""
    some, least = 0, np.inf
    for r in range(len(at)):
        some += ends[r]
        for k in range(ends[r]):
            least = min(least, at[r, k] - shifts[r])
    if some == 0:
        return 0.0, 0
    phases, known = np.empty(some), 0
    for r in range(len(at)):
        for k in range(ends[r]):
            phase = np.rint((at[r, k] - shifts[r] - least) % pitch * 1e7) / 1e7
            place = known
            while place > 0 and phases[place - 1] > phase:
                place -= 1
            if place > 0 and phases[place - 1] == phase:
                continue
            for m in range(known, place, -1):
                phases[m] = phases[m - 1]
            phases[place] = phase
            known += 1
    best, most = 0.0, -1
    for p in range(min(known, MOST_PHASES)):
        total = 0
        for r in range(len(at)):
            origin = phases[p] + least + shifts[r]
            for k in range(0, ends[r] - 1, 2):
                first = ceil((at[r, k] - origin - slack) / pitch)
                last = floor((at[r, k + 1] - origin + slack) / pitch)
                total += max(int(last - first) + 1, 0)
        if total > most:
            best, most = phases[p] + least, total
    return best, most
