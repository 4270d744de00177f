"""The shortest way along a compartment's axes round the parts in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from optimizer.base.arrays import Floats
from optimizer.pack.wiring.plane import HAIR_MM, Box, passes, up_to_walls


def around(
    start_mm: Floats, end_mm: Floats, boxes: Sequence[Box], extent_mm: Sequence[tuple[float, float]]
) -> Floats | None:
    """Corners of the shortest way along the axes that passes through no box, both ends too, shape (k, 3) [mm].

    Such a way bends where its ends and the boxes' faces lie: it is sought on the grid of these places.

    Parameters
    ----------
    start_mm, end_mm : ndarray, shape (3,)
        [mm]
    boxes : sequence of (ndarray, ndarray)
        Low and high corners of parts; a gap under half a wire's width to an end of the compartment is none [mm].
    extent_mm : sequence of (float, float), length 3
        Ends of the compartment along its axes [mm].

    Returns
    -------
    ndarray or None
        None where there is no way.
    """
    ends = np.array([start_mm, end_mm], dtype=float)
    grown = [up_to_walls(extent_mm, box, ends) for box in boxes]
    lines = []
    for axis, (first, last) in enumerate(extent_mm):
        faces = [float(corner[axis]) for box in grown for corner in box if first <= corner[axis] <= last]
        lines.append(np.unique([*ends[:, axis], *faces]))
    grid = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1)
    number = np.arange(grid[..., 0].size).reshape(grid.shape[:3])
    rows, columns, lengths = [], [], []
    for axis in range(3):
        one, two = (np.delete(number, k, axis=axis).ravel() for k in (-1, 0))
        points = grid.reshape(-1, 3)
        free = np.ones(len(one), dtype=bool)
        for box in grown:
            free &= ~passes(points[one], points[two], box)
        rows.append(one[free])
        columns.append(two[free])
        lengths.append(np.abs(points[two] - points[one]).sum(axis=1)[free])
    places = np.concatenate(rows), np.concatenate(columns)
    graph = coo_array((np.concatenate(lengths), places), shape=(number.size, number.size)).tocsr()
    at = [[int(np.searchsorted(line, v)) for line, v in zip(lines, point, strict=True)] for point in ends]
    first, last = (int(number[a, b, c]) for a, b, c in at)
    far, before = dijkstra(graph, directed=False, indices=first, return_predecessors=True)
    if not np.isfinite(far[last]):
        return None
    back = [last]
    while back[-1] != first:
        back.append(int(before[back[-1]]))
    way = grid.reshape(-1, 3)[back[::-1]]
    step = np.diff(way, axis=0)
    bends = np.linalg.norm(np.cross(step[:-1], step[1:]), axis=1) > HAIR_MM**2
    return np.asarray(way[[True, *bends.tolist(), True]] if len(way) > 1 else way)
