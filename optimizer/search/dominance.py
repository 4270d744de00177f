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


def _build(rows: Floats) -> tuple[Floats, Floats, Floats, Ints, Ints, Ints]:
    """Rows in the order of the tree, corners of its nodes, their rows, and the right child (0 for a leaf).

    The left child of a node is the next one.
    """
    order = np.arange(len(rows))
    low: list[Floats] = []
    high: list[Floats] = []
    first: list[int] = []
    last: list[int] = []
    right: list[int] = []
    todo = [(0, len(rows), -1)] if len(rows) else []
    while todo:
        start, end, parent = todo.pop()
        if parent >= 0:
            right[parent] = len(first)
        part = rows[order[start:end]]
        low.append(part.min(axis=0))
        high.append(part.max(axis=0))
        first.append(start)
        last.append(end)
        right.append(0)
        if end - start <= LEAF:
            continue
        middle = (start + end) // 2
        along = int(np.argmax(high[-1] - low[-1]))
        half = np.argpartition(part[:, along], middle - start)
        order[start:end] = order[start:end][half]
        # The left half is taken next, so that it stands right behind its parent.
        todo += [(middle, end, len(first) - 1), (start, middle, -1)]
    shape = (len(first), rows.shape[1])
    firsts, lasts, rights = (np.array(x, dtype=np.int64) for x in (first, last, right))
    return rows[order], np.array(low).reshape(shape), np.array(high).reshape(shape), firsts, lasts, rights


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
