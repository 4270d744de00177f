"""Where a wire of its true thickness has a clear way in a compartment, beside all that stands there.

What stands there is drawn as upright shapes, each along an axis: cases, folded strips, parts. A way is sought on a grid
whose lines lie a wire's radius off every face, drawn straight where nothing is in between, and held against the
shapes themselves at every half millimetre. Wires are not held against each other: those of a bundle share a way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from importlib import import_module
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.fit.placement.proof_solid import inside as within
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.section import cross_axes

#: The most between lines of the grid, and between places at which a straight line is held against what stands [mm].
STEP_MM, LOOK_MM = 3.0, 0.5

#: By how much a wire may be pressed on its way, by rounding [mm].
PRESSED_MM = 0.005

#: How far around a place lines of the grid are looked for [mm], and how many of them; so many of a rough grid.
NEAR_MM, NEAR, ROUGH_NEAR = 8.0, 24, 6

#: Steps of a way that are shorter are left out where a wire runs straight past them [mm].
SMALL_MM = 0.1

#: The longest side of triangles by whose corners a solid's surface is known, and how far one may be off it [mm].
SAMPLE_MM, SAMPLE_ERROR_MM = 2.0, 1.2


@dataclass(frozen=True, eq=False)
class Upright:
    """What stands along an axis: a plane shape, seen along that axis, between two heights [mm]."""

    axis: int
    shape: shapely.Geometry
    low_mm: float
    high_mm: float

    @property
    def across(self) -> list[int]:
        """The two other axes."""
        return [k for k in range(3) if k != self.axis]

    def flat_mm(self, points: Floats) -> Floats:
        """Distance from places in the plane, below 0 inside, shape (n,) [mm]."""
        return _signed(self.shape, points, outside=1.0)

    def reach_mm(self, axis: int) -> tuple[float, float]:
        """From where to where it reaches along an axis [mm]."""
        if axis == self.axis:
            return self.low_mm, self.high_mm
        column = self.across.index(axis)
        return float(self.shape.bounds[column]), float(self.shape.bounds[column + 2])


@dataclass(frozen=True, eq=False)
class Clear:
    """A compartment and what stands in it, in its own axes.

    Parameters
    ----------
    room : Compartment
        Its keep-outs are for cells alone: wires may run there.
    uprights : sequence of Upright
    """

    room: Compartment
    uprights: Sequence[Upright] = field(default_factory=tuple)

    def mm(self, points: Floats) -> Floats:
        """Free distance of points to walls and to what stands there, below 0 inside of it, shape (n,) [mm]."""
        found = self._walls_mm(points)
        for one in self.uprights:
            flat, along = one.flat_mm(points[:, one.across]), points[:, one.axis]
            found = np.minimum(found, _apart(flat, np.maximum(one.low_mm - along, along - one.high_mm)))
        return found

    def on_grid(self, lines: Sequence[Floats]) -> Floats:
        """The same where lines along x, y and z cross, shape (nx, ny, nz) [mm]."""
        found = self._walls_on(lines)
        for one in self.uprights:
            a, b = one.across
            plane = np.stack(np.meshgrid(lines[a], lines[b], indexing="ij"), axis=-1).reshape(-1, 2)
            along = _spread(lines[one.axis], one.axis)
            flat = np.expand_dims(one.flat_mm(plane).reshape(len(lines[a]), len(lines[b])), one.axis)
            found = np.minimum(found, _apart(flat, np.maximum(one.low_mm - along, along - one.high_mm)))
        return found

    def sees_each(self, one: Floats, others: Floats, radius_mm: float) -> Flags:
        """Whether a wire of a radius may run straight from a place to each of others, shape (n,), at least one."""
        count = (np.linalg.norm(others - one, axis=1) / LOOK_MM).astype(int) + 2
        part = np.concatenate([np.linspace(0.0, 1.0, n) for n in count])[:, None]
        good = self.mm(one + part * (np.repeat(others, count, axis=0) - one)) >= radius_mm - PRESSED_MM
        return np.logical_and.reduceat(good, np.cumsum(count) - count)

    def _walls_mm(self, points: Floats) -> Floats:
        if self.room.solid is not None:
            far = np.asarray(self._surface.query(points)[0]) - SAMPLE_ERROR_MM
            return np.where(within(self.room.solid, points), far, -np.abs(far))
        along = points[:, self.room.extrude]
        low, high = self.room.extent_mm[self.room.extrude]
        plane = points[:, list(cross_axes(self.room.extrude))]
        flat = _signed(shapely.Polygon(self.room.profile_mm), plane, outside=-1.0)
        return np.minimum(flat, np.minimum(along - low, high - along))

    def _walls_on(self, lines: Sequence[Floats]) -> Floats:
        if self.room.solid is not None:
            points = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1)
            return self._walls_mm(points.reshape(-1, 3)).reshape(points.shape[:3])
        axis = self.room.extrude
        u, v = cross_axes(axis)
        plane = np.stack(np.meshgrid(lines[u], lines[v], indexing="ij"), axis=-1).reshape(-1, 2)
        flat = _signed(shapely.Polygon(self.room.profile_mm), plane, outside=-1.0)
        low, high = self.room.extent_mm[axis]
        along = _spread(np.minimum(lines[axis] - low, high - lines[axis]), axis)
        return np.minimum(np.expand_dims(flat.reshape(len(lines[u]), len(lines[v])), axis), along)

    @cached_property
    def _surface(self) -> cKDTree:
        subdivide_to_size: Any = import_module("trimesh.remesh").subdivide_to_size
        assert self.room.solid is not None
        solid = self.room.solid
        return cKDTree(subdivide_to_size(solid.vertices_mm, solid.faces, SAMPLE_MM, max_iter=12)[0])

    def lines(self, radius_mm: float, more_mm: Floats, *, step_mm: float = STEP_MM) -> list[Floats]:
        """Lines of a grid along x, y and z for wires of a radius, through some points, step_mm apart at most."""
        found = []
        for k, (low, high) in enumerate(self.room.extent_mm):
            at = [low + radius_mm, high - radius_mm, *more_mm[:, k].tolist()]
            for first, last in (one.reach_mm(k) for one in self.uprights):
                at += [first - radius_mm, last + radius_mm]
            inner = [x for x in at if low + radius_mm - 1e-6 <= x <= high - radius_mm + 1e-6]
            found.append(_filled(np.unique(np.round(inner, 4)), step_mm))
        return found


def _signed(shape: shapely.Geometry, points: Floats, *, outside: float) -> Floats:
    """Distance to the edge of a shape, its sign `outside` there and the other one inside [mm]."""
    spots = shapely.points(points)
    shapely.prepare(shape)
    sign = np.where(shapely.covers(shape, spots), -outside, outside)
    return np.asarray(sign * shapely.distance(shape.boundary, spots))


def _apart(flat: Floats, along: Floats) -> Floats:
    """Distance out of one in the plane and one along the axis."""
    corner = np.hypot(np.maximum(flat, 0.0), np.maximum(along, 0.0))
    return np.where((flat > 0) & (along > 0), corner, np.maximum(flat, along))


def _spread(values: Floats, axis: int) -> Floats:
    """Values along one of three axes."""
    return np.expand_dims(values, tuple(k for k in range(3) if k != axis))


def _filled(at: Floats, step_mm: float) -> Floats:
    """Lines with others between them wherever they are farther apart than a step."""
    between = [np.linspace(a, b, int(np.ceil((b - a) / step_mm)), endpoint=False) for a, b in pairwise(at.tolist())]
    return np.concatenate([*between, at[-1:]])


class Net:
    """Clear ways of wires of one radius to one place.

    Parameters
    ----------
    clear : Clear
    radius_mm : float
        [mm]
    goals_mm : ndarray, shape (g, 3)
        Where a way may end, each clear itself.
    step_mm : float
        The most between lines of the grid; more than STEP_MM in a convex compartment alone [mm].
    """

    def __init__(self, clear: Clear, radius_mm: float, goals_mm: Floats, *, step_mm: float = STEP_MM) -> None:
        self.clear, self.radius, self.goals = clear, radius_mm, np.asarray(goals_mm, dtype=float).reshape(-1, 3)
        self.near_mm, self.near = (step_mm, ROUGH_NEAR) if step_mm > STEP_MM else (NEAR_MM, NEAR)
        lines = clear.lines(radius_mm, self.goals, step_mm=step_mm)
        self.empty = not len(self.goals) or not all(map(len, lines))
        if self.empty:
            return
        points = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1)
        good = clear.on_grid(lines) >= radius_mm - PRESSED_MM
        number = np.full(good.shape, -1)
        number[good] = np.arange(int(good.sum()))
        self.points = points[good]
        self.tree = cKDTree(self.points)
        count = len(self.points)
        one, two = _neighbours(number)
        if step_mm > STEP_MM:
            free = self._free(one, two)
            one, two = one[free], two[free]
        seen: dict[int, float] = {}
        for goal in self.goals:
            for k in self._near(goal):
                seen[k] = min(seen.get(k, np.inf), max(float(np.linalg.norm(self.points[k] - goal)), 1e-6))
        far = np.linalg.norm(self.points[one] - self.points[two], axis=1)
        rows, columns = np.concatenate([one, list(seen)]), np.concatenate([two, np.full(len(seen), count)])
        lengths = np.concatenate([far, list(seen.values())])
        graph = coo_array((lengths, (rows.astype(int), columns.astype(int))), shape=(count + 1, count + 1)).tocsr()
        self.far, self.before = dijkstra(graph, directed=False, indices=count, return_predecessors=True)

    def _near(self, place: Floats) -> list[int]:
        """Places of the grid near one, that a wire reaches straight."""
        if not len(self.points):
            return []
        far, found = self.tree.query(place, k=min(self.near, len(self.points)), distance_upper_bound=self.near_mm)
        near = np.atleast_1d(found)[np.isfinite(np.atleast_1d(far))]
        if not len(near):
            return []
        return [int(k) for k in near[self.clear.sees_each(place, self.points[near], self.radius)]]

    def _free(self, one: Ints, two: Ints) -> Flags:
        """Which edges of a rough grid are clear of what stands there, shape (e,).

        Each lies along an axis, so that its distance to an upright is that in the plane and that along the axis.
        """
        a, b = self.points[one], self.points[two]
        low, high = np.minimum(a, b), np.maximum(a, b)
        least = self.radius - PRESSED_MM
        free = np.ones(len(one), dtype=bool)
        for each in self.clear.uprights:
            first, last = np.array([each.reach_mm(k) for k in range(3)]).T
            at = np.flatnonzero(free & ((low < last + least) & (high > first - least)).all(axis=1))
            above = np.maximum(np.maximum(each.low_mm - high[at, each.axis], low[at, each.axis] - each.high_mm), 0.0)
            lines = shapely.linestrings(np.stack([a[at][:, each.across], b[at][:, each.across]], axis=1))
            shapely.prepare(each.shape)
            free[at] = ~shapely.dwithin(each.shape, lines, np.sqrt(np.maximum(least**2 - above**2, 0.0)) - 1e-9)
        return free

    def sees(self, one: Floats, two: Floats) -> bool:
        """Whether a wire may run straight from one place to another."""
        return bool(self.clear.sees_each(one, two[None], self.radius)[0])

    def on_lines(self, start_mm: Floats) -> Floats | None:
        """Corners of the shortest clear way along the lines of the grid from a place, shape (k, 3) [mm], or None."""
        near = [] if self.empty else self._near(start_mm)
        total = [self.far[k] + np.linalg.norm(self.points[k] - start_mm) for k in near]
        if not near or not np.isfinite(min(total)):
            return None
        node, found = near[int(np.argmin(total))], [start_mm]
        while node != len(self.points):
            found.append(self.points[node])
            node = int(self.before[node])
        goal = min(self.goals, key=lambda each: float(np.linalg.norm(each - found[-1])))
        corners = np.array([*found, goal])
        corners = corners[[True, *(np.abs(np.diff(corners, axis=0)).max(axis=1) > 1e-9).tolist()]]
        step = np.diff(corners, axis=0)
        along = step / np.linalg.norm(step, axis=1, keepdims=True)
        turns = np.abs(np.diff(along, axis=0)).max(axis=1) > 1e-6 if len(step) > 1 else np.zeros(0, dtype=bool)
        found = [*corners[[True, *turns.tolist(), *[True] * (len(step) > 0)]]]
        for k in range(len(found) - 2, 0, -1):
            least = min(float(np.linalg.norm(found[k] - found[j])) for j in (k - 1, k + 1))
            if least < SMALL_MM and self.sees(found[k - 1], found[k + 1]):
                del found[k]
        return np.array(found)

    def way(self, start_mm: Floats) -> Floats | None:
        """The same with the corners left out past which a wire may run straight, shape (k, 3) [mm], or None."""
        corners = self.on_lines(start_mm)
        if corners is None:
            return None
        found, k = [corners[0]], 0
        while k < len(corners) - 1:
            k = next(j for j in range(len(corners) - 1, k, -1) if j == k + 1 or self.sees(corners[k], corners[j]))
            found.append(corners[k])
        return np.array(found)


def _neighbours(number: Ints) -> tuple[Ints, Ints]:
    """Pairs of places beside each other on a grid, where both have a number."""
    pairs = []
    for axis in range(3):
        one, two = (np.delete(number, k, axis=axis).ravel() for k in (-1, 0))
        both = (one >= 0) & (two >= 0)
        pairs.append((one[both], two[both]))
    return np.concatenate([one for one, _ in pairs]), np.concatenate([two for _, two in pairs])
