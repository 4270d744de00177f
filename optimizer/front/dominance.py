"""Which rows are beaten by which, for fronts and for lists of parts that are long.

Rows are cut in halves along their widest side again and again; each part keeps its least and its largest
corner. A part whose least corner is not below the point holds no row that beats it; a part whose largest
corner is below it is full of such rows. So a question looks at few rows, however many there are.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba.extending import register_jitable

from optimizer.base.arrays import Floats, Ints
from optimizer.base.kernels import kernel

LEAF = 12
DEPTH = 64


class Dominators:
    """Rows, shape (m, d), that may beat points."""

    def __init__(self, rows: Floats) -> None:
        self.rows = np.ascontiguousarray(rows, dtype=np.float64)
        self._tree = _build(self.rows)

    def __len__(self) -> int:
        return len(self.rows)

    def beat(self, points: Floats) -> npt.NDArray[np.bool_]:
        """Which points, shape (n, d), some row equals or beats in every column, shape (n,)."""
        if not len(self.rows) or not len(points):
            return np.zeros(len(points), dtype=bool)
        points = np.ascontiguousarray(points, dtype=np.float64)
        return np.asarray(_ask(points, np.full(len(points), -1), *self._tree))


def unbeaten(rows: Floats) -> npt.NDArray[np.bool_]:
    """Mask of the rows, without NaN, that no other one equals or beats in every column; of equal ones the first.

    The answer is that of front.nondominated, which compares all pairs; this is quicker for long lists in many columns
    of which few are beaten.
    """
    tree = _build(np.ascontiguousarray(rows, dtype=np.float64))
    order, inside = tree[:2]
    out = np.empty(len(rows), dtype=bool)
    out[order] = ~_ask(inside, np.arange(len(rows)), *tree)
    return out


@kernel(rows=40_000)
def _build(rows: Floats) -> tuple[Ints, Floats, Floats, Floats, Ints, Ints, Ints]:
    """Order of the rows in the tree, the rows so, corners of its nodes, their rows, and the right child (0 for a leaf).

    The left child of a node is the next one.
    """
    n, d = rows.shape
    most = 4 * (n // LEAF + 2)
    order = np.empty(n, np.int64)
    for row in range(n):
        order[row] = row
    low, high = np.empty((most, d)), np.empty((most, d))
    first, last, right = np.zeros(most, np.int64), np.zeros(most, np.int64), np.zeros(most, np.int64)
    begins, ends, parents = np.zeros(DEPTH, np.int64), np.zeros(DEPTH, np.int64), np.zeros(DEPTH, np.int64)
    ends[0], parents[0] = n, -1
    waiting, count = int(n > 0), 0
    while waiting > 0:
        waiting -= 1
        start, end = begins[waiting], ends[waiting]
        if parents[waiting] >= 0:
            right[parents[waiting]] = count
        widest = 0
        for k in range(d):
            low[count, k] = high[count, k] = rows[order[start], k]
            for row in range(start + 1, end):
                low[count, k] = min(low[count, k], rows[order[row], k])
                high[count, k] = max(high[count, k], rows[order[row], k])
            if high[count, k] - low[count, k] > high[count, widest] - low[count, widest]:
                widest = k
        first[count], last[count] = start, end
        if end - start > LEAF:
            middle = (start + end) // 2
            _halve(rows, widest, order, start, end, middle)
            # The left half is taken next, so that it stands right behind its parent.
            begins[waiting], ends[waiting], parents[waiting] = middle, end, count
            begins[waiting + 1], ends[waiting + 1], parents[waiting + 1] = start, middle, -1
            waiting += 2
        count += 1
    inside = np.empty((n, d))
    for row in range(n):
        for k in range(d):
            inside[row, k] = rows[order[row], k]
    return order, inside, low[:count], high[:count], first[:count], last[:count], right[:count]


@register_jitable
def _halve(rows: Floats, column: int, order: Ints, start: int, end: int, middle: int) -> None:
    """Reorder so that what stands before the middle is in no row above what stands behind it, by one column.

    In loops: NumPy's own partition takes seconds to compile.

    References
    ----------
    C. A. R. Hoare, Communications of the ACM 4 (1961) 321, algorithm 65.
    """
    low, high = start, end - 1
    while low < high:
        pivot = rows[order[(low + high) // 2], column]
        left, right = low, high
        while left <= right:
            while rows[order[left], column] < pivot:
                left += 1
            while pivot < rows[order[right], column]:
                right -= 1
            if left <= right:
                order[left], order[right] = order[right], order[left]
                left += 1
                right -= 1
        if middle <= right:
            high = right
        elif middle >= left:
            low = left
        else:
            return


@kernel(rows=20_000)
def _ask(
    points: Floats, own: Ints, order: Ints, rows: Floats, low: Floats, high: Floats, first: Ints, last: Ints,
    right: Ints,
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Which points some row equals or beats; a point that is itself a row, own[n] in the tree, else −1, never does.

    Of rows that are equal the one that comes first by `order` beats the others.
    """
    out = np.zeros(len(points), dtype=np.bool_)
    stack = np.zeros(DEPTH, dtype=np.int64)
    for n in range(len(points)):
        stack[0] = 0
        height = 1
        while height > 0 and not out[n]:
            height -= 1
            node = stack[height]
            if not _below(low, node, points, n):
                continue
            if own[n] < 0 and _below(high, node, points, n):
                out[n] = True
                continue
            if right[node] > 0:
                stack[height] = right[node]
                stack[height + 1] = node + 1
                height += 2
                continue
            for row in range(first[node], last[node]):
                if row == own[n] or not _below(rows, row, points, n):
                    continue
                # Of two rows that are equal, each is below the other.
                if own[n] < 0 or order[row] < order[own[n]] or not _below(points, n, rows, row):
                    out[n] = True
                    break
    return out


@register_jitable
def _below(table: Floats, row: int, points: Floats, n: int) -> bool:
    for k in range(points.shape[1]):  # noqa: SIM110 -- compiled
        if not table[row, k] <= points[n, k]:
            return False
    return True
