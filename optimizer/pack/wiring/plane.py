"""Straight ways in one plane, round walls and parts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from scipy.sparse.csgraph import shortest_path

from optimizer.base.arrays import Flags, Floats

#: The middle of a wire off the wall [mm].
WALL_MM = 1.0

# What counts as the same plane, and as inside, by rounding [mm].
HAIR_MM = 1e-3

# Farther than any compartment is wide [mm].
FAR_MM = 1e5

#: Low and high corner of a part [mm].
Box = tuple[Floats, Floats]


def passes(one: Floats, two: Floats, box: Box) -> Flags:
    """Which straight lines pass through a box; those along its faces do not.

    Parameters
    ----------
    one, two : ndarray, shape (..., d)
        Ends of the lines [mm].
    box : (ndarray, ndarray), shape (d,) each

    Returns
    -------
    ndarray of bool, shape (...)

    >>> box = np.array([1.0, 1.0]), np.array([2.0, 2.0])
    >>> passes(np.array([[0.0, 1.5], [0.0, 2.0]]), np.array([3.0, 2.0]), box).tolist()
    [True, False]
    """
    step = np.asarray(two - one, dtype=float)
    low, high = box[0] + HAIR_MM - one, box[1] - HAIR_MM - one
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.stack([low / step, high / step])
    still = np.where((low < 0) & (high > 0), np.inf, -np.inf)
    near = np.where(step == 0, -still, ends.min(axis=0)).max(axis=-1)
    far = np.where(step == 0, still, ends.max(axis=0)).min(axis=-1)
    return np.asarray(np.maximum(near, 0.0) < np.minimum(far, 1.0))


def up_to_walls(extent_mm: Sequence[tuple[float, float]], box: Box, targets_mm: Floats) -> Box:
    """A part whose faces close to an end of the compartment reach far beyond: no wire passes between.

    Not a face on which a target lies, shape (t, 3) [mm].
    """
    low, high = (np.array(corner, dtype=float) for corner in box)
    for axis, (first, last) in enumerate(extent_mm):
        if low[axis] < first + WALL_MM / 2 and not (np.abs(targets_mm[:, axis] - low[axis]) < HAIR_MM).any():
            low[axis] = first - FAR_MM
        if high[axis] > last - WALL_MM / 2 and not (np.abs(targets_mm[:, axis] - high[axis]) < HAIR_MM).any():
            high[axis] = last + FAR_MM
    return low, high


def beside_boxes(boxes: Sequence[Box], section: shapely.Geometry) -> Floats:
    """Corners of some boxes, as far off as the middle of a wire, that lie in a section, shape (k, 2)."""
    off = WALL_MM / 2
    found = [
        (x, y) for low, high in boxes for x in (low[0] - off, high[0] + off) for y in (low[1] - off, high[1] + off)
    ]
    places = np.array(found, dtype=float).reshape(-1, 2)
    return np.asarray(places[shapely.dwithin(section, shapely.points(places), HAIR_MM)])


class Plane:
    """Straight ways in one plane, round the corners of what is free there.

    Parameters
    ----------
    section : shapely geometry or None
        What lies inside the walls; None where every straight way does.
    boxes : sequence of (ndarray, ndarray), optional
        Low and high corners, shape (2,), of parts that stand there [mm].
    corners : ndarray, shape (k, 2), optional
        Places beside the parts at which a way may bend, inside the walls [mm].
    """

    def __init__(
        self, section: shapely.Geometry | None, boxes: Sequence[Box] = (), corners: Floats | None = None
    ) -> None:
        self.area, self.boxes = None, boxes
        nodes = [np.zeros((0, 2)) if corners is None else corners]
        if section is not None:
            self.area = shapely.buffer(section, HAIR_MM)
            shapely.prepare(self.area)
            inner = shapely.simplify(shapely.buffer(section, -WALL_MM / 2), 0.5)
            nodes.append(shapely.get_coordinates(inner))
        self.open = section is None and not boxes
        if not self.open:
            self.nodes = np.unique(np.concatenate(nodes), axis=0)
            direct = self.direct(self.nodes, self.nodes)
            graph = np.where(np.isfinite(direct), np.maximum(direct, 1e-12), 0.0)
            self.between, self.before = shortest_path(graph, directed=False, return_predecessors=True)

    def direct(self, one: Floats, two: Floats) -> Floats:
        """Distances from each point to each, infinite where something is between, shape (n, m)."""
        apart = np.hypot(*(one[:, None] - two[None]).transpose(2, 0, 1))
        if self.open or not apart.size:
            return np.asarray(apart)
        for box in self.boxes:
            apart = np.where(passes(one[:, None], two[None], box), np.inf, apart)
        if self.area is None:
            return np.asarray(apart)
        ends = np.stack(np.broadcast_arrays(one[:, None], two[None]), axis=2).reshape(-1, 2, 2)
        clear = shapely.covers(self.area, shapely.linestrings(ends)).reshape(apart.shape)
        return np.where(clear, apart, np.inf)

    def lengths(self, one: Floats, two: Floats) -> Floats:
        """Length of the way from each point on the ends of cells, shape (n, 3), to a target in the compartment [mm]."""
        found = self.direct(one, two)
        if not self.open and not np.isfinite(found).all() and len(self.nodes):
            first = (self.direct(one, self.nodes)[:, :, None] + self.between).min(axis=1)
            round_ = (first[:, None, :] + self.direct(two, self.nodes)[None]).min(axis=2)
            found = np.minimum(found, round_)
        return found

    def path(self, one: Floats, two: Floats) -> list[Floats]:
        """Corners of the shortest way from one point to another, both ends too."""
        direct = self.direct(one[None], two[None])[0, 0]
        if np.isfinite(direct) or self.open:
            return [one, two]
        out = self.direct(one[None], self.nodes)[0][:, None] + self.between
        out = out + self.direct(two[None], self.nodes)[0]
        first, last = np.unravel_index(int(np.argmin(out)), out.shape)
        back = [int(last)]
        while back[-1] != first and self.before[first, back[-1]] >= 0:
            back.append(int(self.before[first, back[-1]]))
        return [one, *(self.nodes[k] for k in reversed(back)), two]
