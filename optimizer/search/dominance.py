"""A front kept ready for the question: does some row of it equal or beat this point in every objective?

Rows are cut in halves along their widest side again and again; each part keeps its least and its largest
corner. A part whose least corner is not below the point holds no row that beats it; a part whose largest
corner is below it is full of such rows. So a question looks at few rows, however long the front is.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAF = 12
DEPTH = 64


class Dominators:
    """Rows that may beat points.

    Parameters
    ----------
    rows : ndarray, shape (m, d)
        Less is better.
    """

    def __init__(self, rows: Floats) -> None:
        self.rows = np.ascontiguousarray(rows, dtype=np.float64)
        self._tree = _build(self.rows)

    def __len__(self) -> int:
        return len(self.rows)

    def beat(self, points: Floats) -> npt.NDArray[np.bool_]:
        """Which points some row equals or beats in every column.

        Parameters
        ----------
        points : ndarray, shape (n, d)

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        if not len(self.rows) or not len(points):
            return np.zeros(len(points), dtype=bool)
        sorted_rows, low, high, first, last, right = self._tree
        return np.asarray(
            _ask(np.ascontiguousarray(points, dtype=np.float64), sorted_rows, low, high, first, last, right)
        )


@njit(cache=True)
def _build(rows: Floats) -> tuple[Floats, Floats, Floats, Ints, Ints, Ints]:
    """Rows in the order of the tree, corners of its nodes, their rows, and the right child (0 for a leaf).

    The left child of a node is the next one.
    """
    n, d = rows.shape
    most = 4 * (n // LEAF + 2)
    order = np.arange(n)
    low, high = np.empty((most, d)), np.empty((most, d))
    first, last, right = np.zeros(most, np.int64), np.zeros(most, np.int64), np.zeros(most, np.int64)
    todo = np.empty((DEPTH, 3), np.int64)
    todo[0] = (0, n, -1)
    waiting, count = int(n > 0), 0
    while waiting > 0:
        waiting -= 1
        start, end, parent = todo[waiting]
        if parent >= 0:
            right[parent] = count
        along = 0
        for k in range(d):
            values = rows[order[start:end], k]
            low[count, k], high[count, k] = values.min(), values.max()
            if high[count, k] - low[count, k] > high[count, along] - low[count, along]:
                along = k
        first[count], last[count] = start, end
        if end - start > LEAF:
            middle = (start + end) // 2
            order[start:end] = order[start:end][np.argsort(rows[order[start:end], along])]
            # The left half is taken next, so that it stands right behind its parent.
            todo[waiting] = (middle, end, count)
            todo[waiting + 1] = (start, middle, -1)
            waiting += 2
        count += 1
    return rows[order], low[:count], high[:count], first[:count], last[:count], right[:count]


@njit(cache=True)
def _ask(
    points: Floats, rows: Floats, low: Floats, high: Floats, first: Ints, last: Ints, right: Ints
) -> npt.NDArray[np.bool_]:
    out = np.zeros(len(points), dtype=np.bool_)
    stack = np.zeros(DEPTH, dtype=np.int64)
    for n in range(len(points)):
        stack[0] = 0
        height = 1
        while height > 0:
            height -= 1
            node = stack[height]
            if not _below(low, node, points, n):
                continue
            if _below(high, node, points, n):
                out[n] = True
                break
            if right[node] > 0:
                stack[height] = right[node]
                stack[height + 1] = node + 1
                height += 2
                continue
            for row in range(first[node], last[node]):
                if _below(rows, row, points, n):
                    out[n] = True
                    break
            if out[n]:
                break
    return out


@njit(cache=True)
def _below(table: Floats, row: int, points: Floats, n: int) -> bool:
    for k in range(points.shape[1]):  # noqa: SIM110 -- compiled
        if not table[row, k] <= points[n, k]:
            return False
    return True
