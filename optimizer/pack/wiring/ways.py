"""Ways of wires in one compartment: over the ends of the cells, and along the wall from one plane of ends to another.

A wire leaves its tap in the plane of the cells' ends there, straight over the cells. To reach another plane it
runs along the cells' axis where no cell stands: at the wall, or where its other end lies. Its length is the sum of
these straight pieces, so that what is counted is what is drawn. A compartment that is not convex has its corners
gone round, and so have parts. Where all is blocked the wire is taken straight, which `Ways.path` shows; but none is
taken through a part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property, lru_cache
from itertools import pairwise, permutations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from optimizer.base.arrays import Flags, Floats
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.placement.proof_solid import inside as within
from optimizer.fit.region.compartment import Compartment, centre_mm
from optimizer.fit.region.layout import Layout
from optimizer.fit.region.section import as_multi, cross_axes, free_section
from optimizer.pack.wiring.around import around
from optimizer.pack.wiring.detours import Detours
from optimizer.pack.wiring.plane import HAIR_MM, WALL_MM, Box, Plane, beside_boxes, passes, up_to_walls

#: How far apart places are that are tried along a wall [mm].
STEP_MM = 15.0

#: Wires are cut to whole steps of this [mm].
CUT_MM = 5.0


def cut_length(length_mm: Floats | float) -> Floats:
    """Lengths rounded up to whole steps of CUT_MM [mm], shape as given.

    >>> cut_length(np.array([0.0, 5.0, 5.1])).tolist()
    [0.0, 5.0, 10.0]
    """
    return np.asarray(np.ceil(np.asarray(length_mm) / CUT_MM - 1e-7) * CUT_MM) + 0.0


def is_convex(room: Compartment) -> bool:
    """Whether every straight line between two points of a compartment stays in it; solids are not looked at."""
    outline = Polygon(room.profile_mm)
    return room.solid is None and bool(outline.convex_hull.area - outline.area < 1e-6 * outline.area)


def inside(room: Compartment, points_mm: Floats, *, slack_mm: float = HAIR_MM) -> Flags:
    """Which points lie in a compartment or so little outside, its keep-outs left out of account, shape (n,).

    Points are in its own axes [mm]; of a solid nothing is let outside.
    """
    points = np.asarray(points_mm, dtype=float)
    if room.solid is not None:
        return np.asarray(within(room.solid, points), dtype=bool)
    low, high = room.extent_mm[room.extrude]
    along = points[:, room.extrude]
    flat = shapely.points(points[:, list(cross_axes(room.extrude))])
    near = shapely.distance(Polygon(room.profile_mm), flat) <= slack_mm
    return np.asarray(near & (along >= low - slack_mm) & (along <= high + slack_mm))


def outside_mm(room: Compartment, point_mm: Floats) -> float:
    """How far a point in a compartment's axes lies outside of it, 0 inside [mm]; of a solid outside of its block."""
    point = np.asarray(point_mm, dtype=float)
    if room.solid is not None:
        low, high = np.array(room.extent_mm).T
        return 0.0 if inside(room, point[None])[0] else float(np.linalg.norm(point - np.clip(point, low, high)))
    low, high = room.extent_mm[room.extrude]
    beside = shapely.distance(Polygon(room.profile_mm), shapely.points(point[list(cross_axes(room.extrude))]))
    along = max(low - point[room.extrude], point[room.extrude] - high, 0.0)
    return float(np.hypot(beside, along))


@lru_cache(maxsize=1024)
def wall_point(room: Compartment) -> tuple[float, float, float]:
    """Where a board without a body sits, in the compartment's axes [mm]: in the middle of the nearest wall.

    From the middle of the compartment's extent along x, y and z, both ways, the first wall; of equal ones the first.
    Where that middle lies outside, from the place of a grid of 17 × 17 × 17 that is the nearest to it.
    """
    middle = centre_mm(room)
    if not inside(room, middle[None])[0]:
        low, high = np.array(room.extent_mm).T
        steps = (np.arange(17) + 0.5) / 17
        points = low + np.array(np.meshgrid(steps, steps, steps, indexing="ij")).reshape(3, -1).T * (high - low)
        apart = np.where(inside(room, points), np.linalg.norm(points - middle, axis=1), np.inf)
        middle = points[int(np.argmin(np.round(apart, 6)))]
    found: list[tuple[float, int, Floats]] = []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            far = abs(room.extent_mm[axis][int(sign > 0)] - middle[axis])
            steps = np.linspace(0.0, far, 65)
            way = np.zeros(3)
            way[axis] = sign
            clear = inside(room, middle + steps[:, None] * way)
            last = len(steps) - 1 if clear.all() else max(int(np.argmin(clear)) - 1, 0)
            found.append((round(_last_inside(room, middle, way, steps, last), 6), len(found), way))
    reach, _, way = min(found, key=lambda item: item[:2])
    x, y, z = (round(float(v), 6) + 0.0 for v in middle + reach * way)
    return x, y, z


def _last_inside(room: Compartment, start: Floats, way: Floats, steps: Floats, last: int) -> float:
    """How far along a way a point still lies inside, between two steps, halved again and again [mm]."""
    if last == len(steps) - 1:
        return float(steps[-1])
    low, high = float(steps[last]), float(steps[last + 1])
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if inside(room, (start + middle * way)[None])[0] else (low, middle)
    return low


class Ways:
    """Ways around the cells of one layout.

    Parameters
    ----------
    room : Compartment
        Its keep-outs are for cells alone: wires may run there.
    targets_mm : ndarray, shape (t, 3)
        Ends of wires besides taps: a wall beside one of them is tried, too [mm].
    bodies_mm : sequence of (ndarray, ndarray), optional
        Low and high corners of parts, which no way passes through; along their faces it may run [mm].
    """

    def __init__(
        self, room: Compartment, layout: Layout, *, targets_mm: Floats, bodies_mm: Sequence[Box] = ()
    ) -> None:
        self.room = replace(room, keep_outs=())
        self.layout, self.axis = layout, layout.axis
        self.across = list(lateral_axes(layout.axis))
        self.targets = np.asarray(targets_mm, dtype=float).reshape(-1, 3)
        self.middle = layout.centres_mm[:, self.across]
        self.half = layout.extents_mm[:, self.across] / 2
        self.round = layout.size.shape == "cylinder"
        half = layout.extents_mm[:, self.axis] / 2
        self.low, self.high = layout.centres_mm[:, self.axis] - half, layout.centres_mm[:, self.axis] + half
        self.parts = bodies_mm
        self.bodies = [up_to_walls(room.extent_mm, box, self.targets) for box in bodies_mm]
        self._planes: dict[float, Plane] = {}
        self._detours: dict[bytes, Detours] = {}

    def lengths(self, points_mm: Floats, target_mm: Floats) -> Floats:
        """Length of the way from each point to a target.

        Parameters
        ----------
        points_mm : ndarray, shape (n, 3)
            On the ends of cells [mm].
        target_mm : ndarray, shape (3,)
            Anywhere in the compartment [mm].

        Returns
        -------
        ndarray, shape (n,)
            [mm]; infinite where parts leave no way.
        """
        points = np.asarray(points_mm, dtype=float)
        out = np.empty(len(points))
        heights = np.round(points[:, self.axis], 6)
        for height in np.unique(heights):
            here = heights == height
            out[here] = self._by_turn(points[here], target_mm)[0].min(axis=1)
        return out

    def path(self, point_mm: Floats, target_mm: Floats) -> Floats:
        """Corners of the way from a point to a target, both ends too, shape (k, 3) [mm]."""
        point, target = np.asarray(point_mm, dtype=float), np.asarray(target_mm, dtype=float)
        total, turns = self._by_turn(point[None], target)
        pick = int(np.argmin(total[0]))
        start, end = point[self.across], target[self.across]
        first, last = float(point[self.axis]), float(target[self.axis])
        if pick == 0:
            return self._blocked_path(point, target)
        if pick == 1 and self._same(first, last):
            ways = [(p, first) for p in self.plane(first).path(start, end)]
        else:
            turn = end if pick == 1 else turns[pick - 2]
            ways = [(p, first) for p in self.plane(first).path(start, turn)]
            ways += [(end, last)] if pick == 1 else [(p, last) for p in self.plane(last).path(turn, end)]
        corners = np.empty((len(ways), 3))
        corners[:, self.across], corners[:, self.axis] = [p for p, _ in ways], [h for _, h in ways]
        far = np.linalg.norm(np.diff(corners, axis=0), axis=1) > HAIR_MM
        return np.asarray(corners[[True, *far.tolist()]])

    def transit(self, start_mm: Floats, end_mm: Floats) -> Floats:
        """Corners of a way between two points beside the cells, no longer than `around` the parts, shape (k, 3) [mm].

        Straight, round the cells, or along the axes in any order, the first that passes through no cell and no part; if
        there is none, round the parts, and straight where there are none.
        """
        straight = np.array([start_mm, end_mm])
        trials = [straight, self.path(start_mm, end_mm), self.path(end_mm, start_mm)[::-1]]
        for order in permutations(range(3)):
            corners = [np.asarray(start_mm, dtype=float)]
            for axis in order:
                corners.append(np.where(np.arange(3) == axis, end_mm, corners[-1]))
            trials.append(np.array(corners))
        if self.parts:
            found = around(start_mm, end_mm, self.parts, self.room.extent_mm)
            last = straight if found is None else found
            trials.append(last)
        else:
            last = straight
        most = float(np.abs(np.diff(trials[-1], axis=0)).sum()) + HAIR_MM
        for way in trials:
            if np.linalg.norm(np.diff(way, axis=0), axis=1).sum() <= most and not self.crosses(way):
                return np.asarray(way[[True, *(np.abs(np.diff(way, axis=0)).max(axis=1) > HAIR_MM).tolist()]])
        return last

    def crosses(self, corners_mm: Floats) -> bool:
        """Whether a way with these corners leaves the compartment, or passes through a cell or a part."""
        for one, two in pairwise(np.asarray(corners_mm)):
            points = one + np.linspace(0.0, 1.0, 33)[:, None] * (two - one)
            if not inside(self.room, points, slack_mm=2 * HAIR_MM).all():
                return True
            if self._meets_body(one, two):
                return True
            low, high = sorted((float(one[self.axis]), float(two[self.axis])))
            cells = (self.low < high - HAIR_MM) & (self.high > low + HAIR_MM)
            line = shapely.linestrings([[one[self.across], two[self.across]]])
            if cells.any() and not self._clear(line, cells)[0]:
                return True
        return False

    def _by_turn(self, points: Floats, target: Floats) -> tuple[Floats, Floats]:
        """Length by where a way turns along the cells' axis, shape (n, 2 + k), and these places, shape (k, 2).

        First what is left where all else is blocked, see `_blocked`; then at the target; then at the wall.
        """
        first, last, end = float(points[0, self.axis]), float(target[self.axis]), target[self.across]
        start, plane = points[:, self.across], self.plane(first)
        along, same = abs(last - first), self._same(first, last)
        out = np.full((len(points), 2 + len(self.rim)), np.inf)
        if same or self._is_free(end, first, last):
            out[:, 1] = plane.lengths(start, end[None])[:, 0] + along
        if not same and len(self.rim):
            tails = self._tails(end, last)
            out[:, 2:] = plane.lengths(start, self.rim) + along + tails
            out[:, 2:][:, ~self.free_along(self.rim, first, last)] = np.inf
        blocked = ~np.isfinite(out).any(axis=1)
        out[blocked, 0] = self._blocked(points[blocked], target)
        return out, self.rim

    def _blocked(self, points: Floats, target: Floats) -> Floats:
        """Length from points of one plane where no way of one turn is free, shape (n,).

        With parts or inner corners in the compartment by more turns; else straight, but never through a part.
        """
        straight = np.linalg.norm(points - target, axis=1)
        if not len(points) or not (self.bodies or not is_convex(self.room)):
            return np.asarray(straight)
        found = self._detour(target).lengths(points)
        free = np.ones(len(points), dtype=bool)
        for box in self.bodies:
            free &= ~passes(points, target, box)
        return np.where(np.isfinite(found), found, np.where(free, straight, np.inf))

    def _blocked_path(self, point: Floats, target: Floats) -> Floats:
        """Corners of the way that `_blocked` measures."""
        found = self._detour(target).path(point) if self.bodies or not is_convex(self.room) else None
        return np.array([point, target]) if found is None else found

    def _detour(self, target: Floats) -> Detours:
        key = np.round(target, 6).tobytes()
        if key not in self._detours:
            self._detours[key] = Detours(self, target)
        return self._detours[key]

    def _meets_body(self, one: Floats, two: Floats) -> bool:
        """Whether a straight line passes through a part."""
        return any(bool(passes(one, two, box)) for box in self.bodies)

    def _in_body(self, places: Floats, one: float, two: float) -> Flags:
        """Where a line along the cells' axis, from one height to another, passes through a part, shape (k,)."""
        ends = np.empty((2, len(places), 3))
        ends[:, :, self.across] = places
        ends[0, :, self.axis], ends[1, :, self.axis] = one, two
        found = np.zeros(len(places), dtype=bool)
        for box in self.bodies:
            found |= passes(ends[0], ends[1], box)
        return found

    def standing(self, height: float) -> Flags:
        """Which cells stand at a height, shape (n,)."""
        return np.asarray((self.low < height - HAIR_MM) & (self.high > height + HAIR_MM))

    def across_mm(self, one: Floats, two: Floats, height: float) -> Floats:
        """Length in the plane of a height from each place to each, shape (n, m), infinite where there is no way.

        Where cells stand there, straight between them alone.
        """
        plane, cells = self.plane(height), self.standing(height)
        if not cells.any():
            return plane.lengths(one, two)
        found = plane.direct(one, two)
        ends = np.stack(np.broadcast_arrays(one[:, None], two[None]), axis=2).reshape(-1, 2, 2)
        return np.where(self._clear(shapely.linestrings(ends), cells).reshape(found.shape), found, np.inf)

    @staticmethod
    def _same(one: float, two: float) -> bool:
        return abs(one - two) < HAIR_MM

    def plane(self, height: float) -> Plane:
        """What is free at a height."""
        key = round(height, 3)
        if key not in self._planes:
            bare, corners = None, np.zeros((0, 2))
            boxes = [
                (low[self.across], high[self.across]) for low, high in self.bodies
                if low[self.axis] + HAIR_MM < height < high[self.axis] - HAIR_MM
            ]  # fmt: skip
            if boxes or not is_convex(self.room):
                low, high = self.room.extent_mm[self.axis]
                at = min(max(height, low + 0.1), high - 0.1)
                bare = free_section(self.room, axis=self.axis, low_mm=at - 0.05, high_mm=at + 0.05)
                corners = beside_boxes(boxes, bare)
            self._planes[key] = Plane(None if is_convex(self.room) else bare, boxes, corners)
        return self._planes[key]

    def _tails(self, end: Floats, height: float) -> Floats:
        """Length in the target's plane from each place at the wall, infinite where a cell stands between, (k,)."""
        cells, plane = self.standing(height), self.plane(height)
        if cells.any() and plane.boxes:
            return self.across_mm(self.rim, end[None], height)[:, 0]
        lengths = plane.lengths(self.rim, end[None])[:, 0]
        if cells.any():
            ends = np.stack([self.rim, np.broadcast_to(end, self.rim.shape)], axis=1)
            lengths = np.where(self._clear(shapely.linestrings(ends), cells), lengths, np.inf)
        return np.asarray(lengths)

    def _clear(self, lines: NDArray[np.object_], cells: Flags) -> Flags:
        """Which lines meet none of some cells, seen along their axis, shape (k,)."""
        middle, half = self.middle[cells], self.half[cells] - HAIR_MM
        if self.round:
            near = shapely.distance(lines[:, None], shapely.points(middle)[None])
            return np.asarray((near >= half[:, 0]).all(axis=1))
        boxes = shapely.box(*(middle - half).T, *(middle + half).T)
        return np.asarray(~shapely.intersects(lines[:, None], boxes[None]).any(axis=1))

    def _is_free(self, place: Floats, one: float, two: float) -> bool:
        """Whether a wire may run along the cells' axis at a place, from one height to another."""
        return bool(self.free_along(place[None], one, two)[0])

    def free_along(self, places: Floats, one: float, two: float) -> Flags:
        """Where a wire may run along the cells' axis, from one height to another, shape (k,)."""
        low, high = min(one, two), max(one, two)
        cells = (self.low < high - HAIR_MM) & (self.high > low + HAIR_MM)
        points = shapely.points(places)
        clear = self._clear(points, cells) if cells.any() else np.ones(len(places), dtype=bool)
        # Not by the distance: that to an empty section is no number.
        # A target on an inner wall may lie a hair behind it.
        spare = 2 * HAIR_MM if high - low > 5 * HAIR_MM else 0.0
        within_walls = shapely.dwithin(self._section(low + spare, high - spare), points, 2 * HAIR_MM)
        return np.asarray(clear & within_walls & ~self._in_body(places, low, high))

    def _section(self, low: float, high: float) -> shapely.Geometry:
        """Where a line along the cells' axis stays inside from one height to another."""
        first, last = self.room.extent_mm[self.axis]
        low, high = max(low, first), min(high, last)
        return as_multi(free_section(self.room, axis=self.axis, low_mm=low, high_mm=high))

    @cached_property
    def rim(self) -> Floats:
        """Places at the wall where no cell stands at any height, shape (k, 2)."""
        section = self._section(float(self.low.min()), float(self.high.max()))
        inner = as_multi(shapely.buffer(section, -WALL_MM, join_style="mitre"))
        found = [np.zeros((0, 2))]
        for part in inner.geoms:
            ring = part.exterior
            steps = max(int(np.ceil(ring.length / STEP_MM)), 4)
            spots = np.linspace(0, 1, steps, endpoint=False)
            found.append(shapely.get_coordinates(shapely.line_interpolate_point(ring, spots, normalized=True)))
            found.append(np.asarray(ring.coords)[:-1])
            found += [_beside(ring, target[self.across]) for target in self.targets]
        found.append(beside_boxes([(a[self.across], b[self.across]) for a, b in self.bodies], section))
        places = np.concatenate(found)
        if not len(places):
            return places
        points = shapely.points(places)
        return np.asarray(places[self._clear(points, np.ones(len(self.middle), dtype=bool))])


def _beside(ring: shapely.Geometry, place: Floats) -> Floats:
    """Where lines through a place along both directions meet a ring, shape (k, 2)."""
    low, high = np.array(ring.bounds[:2]) - 1.0, np.array(ring.bounds[2:]) + 1.0
    lines = [[(low[0], place[1]), (high[0], place[1])], [(place[0], low[1]), (place[0], high[1])]]
    met = shapely.intersection(shapely.linestrings(lines), ring)
    return np.concatenate([shapely.get_coordinates(met), np.zeros((0, 2))])
