"""Ways of wires with more than one turn along the cells' axis: over a part in one plane, and down behind it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse.csgraph import dijkstra

from optimizer.base.arrays import Floats
from optimizer.pack.wiring.plane import HAIR_MM

if TYPE_CHECKING:
    from optimizer.pack.wiring.ways import Ways


class Detours:
    """Shortest ways to one target by any number of turns.

    Ways run in the planes of the cells' ends, of the parts' faces and of the target, and along the cells' axis where
    `Ways.rim` has a place, or at the target.

    Parameters
    ----------
    target_mm : ndarray, shape (3,)
        [mm]
    """

    def __init__(self, ways: Ways, target_mm: Floats) -> None:
        self.ways, self.axis, self.target = ways, ways.axis, target_mm
        self.places = np.concatenate([ways.rim, target_mm[None, ways.across]])
        last = float(target_mm[self.axis])
        faces = [float(corner[self.axis]) for body in ways.bodies for corner in body]
        low, high = ways.room.extent_mm[self.axis]
        known = np.unique(np.round([*ways.low, *ways.high, *faces], 3))
        known = known[(known >= low) & (known <= high) & (np.abs(known - last) > HAIR_MM)]
        self.heights = np.sort(np.append(known, last))
        k = len(self.places)
        self.end = int(np.argmin(np.abs(self.heights - last))) * k + k - 1
        self.far, self.before = dijkstra(self._graph(), directed=False, indices=self.end, return_predecessors=True)

    def _graph(self) -> Floats:
        """Lengths from each place at each height to the next, 0 where there is no way, shape (h · k, h · k)."""
        k, count = len(self.places), len(self.heights)
        graph = np.zeros((count, k, count, k))
        for n, height in enumerate(self.heights):
            flat = self.ways.across_mm(self.places, self.places, float(height))
            graph[n, :, n] = np.where(np.isfinite(flat), np.maximum(flat, 1e-9), 0.0)
        spots = np.arange(k)
        for n, (one, two) in enumerate(pairwise(self.heights.tolist())):
            free = self.ways.free_along(self.places, one, two)
            graph[n, spots, n + 1, spots] = np.where(free, two - one, 0.0)
        return graph.reshape(count * k, count * k)

    def _starts(self, points: Floats) -> tuple[int, Floats]:
        """The plane of some points, and their lengths by the place at which they leave it, shape (n, k)."""
        height = float(points[0, self.axis])
        level = int(np.argmin(np.abs(self.heights - height)))
        reach = self.ways.across_mm(points[:, self.ways.across], self.places, height)
        k = len(self.places)
        rest = self.far[level * k : (level + 1) * k]
        same = abs(self.heights[level] - height) < 2 * HAIR_MM
        return level, reach + rest if same else np.full_like(reach, np.inf)

    def lengths(self, points_mm: Floats) -> Floats:
        """From points in one plane to the target, infinite where there is no way, shape (n,) [mm]."""
        return np.asarray(self._starts(points_mm)[1].min(axis=1))

    def path(self, point_mm: Floats) -> Floats | None:
        """Corners from a point to the target, both ends too, shape (c, 3) [mm]; None where there is no way."""
        level, lengths = self._starts(point_mm[None])
        pick = int(np.argmin(lengths[0]))
        if not np.isfinite(lengths[0, pick]):
            return None
        k = len(self.places)
        nodes = [level * k + pick]
        while nodes[-1] != self.end:
            nodes.append(int(self.before[nodes[-1]]))
        start = point_mm[self.ways.across]
        corners = self._flat(start, self.places[pick], float(point_mm[self.axis]))
        for one, two in pairwise(nodes):
            corners += self._flat(self.places[one % k], self.places[two % k], float(self.heights[two // k]))
        corners.append(self.target)
        found = np.array(corners)
        return found[[True, *(np.linalg.norm(np.diff(found, axis=0), axis=1) > HAIR_MM).tolist()]]

    def _flat(self, one: Floats, two: Floats, height: float) -> list[Floats]:
        """Corners in the plane of a height."""
        found = []
        still = np.linalg.norm(two - one) < HAIR_MM
        for place in [two] if still else self.ways.plane(height).path(one, two):
            corner = np.empty(3)
            corner[self.ways.across], corner[self.axis] = place, height
            found.append(corner)
        return found
