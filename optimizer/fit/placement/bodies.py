"""Parts other than cells as boxes in a compartment: where one may lie, and the proof that none meets another.

A part lies along the compartment's axes, in a corner of what is free there: pushed home along the axis of extrusion,
to a wall or to what stands there already, and at a corner of its own room to move across it. So every corner, every
end and every nook between parts is a place; places off the walls are not tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations

import numpy as np
import shapely
from shapely.geometry import MultiPoint, MultiPolygon, Polygon

from optimizer.base.arrays import Floats
from optimizer.fit.placement.proof_solid import inside as within
from optimizer.fit.region.compartment import Compartment, KeepOut, keep_out_box
from optimizer.fit.region.section import as_multi, cross_axes, free_section, prism_extent

Point = tuple[float, float, float]

#: What a part may reach over an edge by rounding; places are found to this [mm].
TOLERANCE_MM = 2e-5


@dataclass(frozen=True)
class Body:
    """A part to be placed.

    Parameters
    ----------
    size_mm : (float, float, float)
        Length, width and height as it lies on its back [mm].
    up : tuple of int
        Axes of the compartment along which its height may point.
    gap_mm : float
        Free distance to walls, cases and other parts [mm].
    free_face : int
        Its connectors are on a face across its length, width or height: 0, 1, 2.
    free_mm : float
        Room kept free in front of that face [mm].
    """

    name: str
    size_mm: Point
    up: tuple[int, ...] = (0, 1, 2)
    gap_mm: float = 1.0
    free_face: int = 0
    free_mm: float = 0.0


@dataclass(frozen=True)
class Pose:
    """How a body lies: its extents along x, y, z, and the axis and end at which its connectors are."""

    extents_mm: Point
    plug_axis: int
    plug_high: bool


@dataclass(frozen=True)
class Placed:
    """A part where it lies, in its compartment's axes.

    Parameters
    ----------
    corner_mm, extents_mm : (float, float, float)
        Low corner and size along x, y, z [mm].
    plug_high : bool
        Axis and end of the face with its connectors.
    gap_mm, free_mm : float
        Free around it, and in front of that face [mm].
    """

    name: str
    compartment: str
    corner_mm: Point
    extents_mm: Point
    plug_axis: int
    plug_high: bool
    gap_mm: float
    free_mm: float

    @property
    def words(self) -> str:
        """Where it lies, in words."""
        at = " ".join(f"{value:g}" for value in self.corner_mm)
        return f"{self.name}: {self.compartment} at {at}, {' × '.join(f'{side:g}' for side in self.extents_mm)} mm"

    @property
    def high_mm(self) -> Point:
        """High corner [mm]."""
        (x, y, z), (length, width, height) = self.corner_mm, self.extents_mm
        return x + length, y + width, z + height

    @property
    def plug_mm(self) -> Floats:
        """Middle of the face with its connectors [mm]."""
        low, size = np.array(self.corner_mm), np.array(self.extents_mm)
        middle = low + size / 2
        middle[self.plug_axis] = low[self.plug_axis] + self.plug_high * size[self.plug_axis]
        return np.asarray(middle)

    def room_mm(self, *, gap_mm: float = 0.0) -> tuple[Floats, Floats]:
        """Low and high corner of the part with what is kept free at its face, grown by a gap [mm]."""
        low, high = np.array(self.corner_mm), np.array(self.corner_mm) + self.extents_mm
        if self.plug_high:
            high[self.plug_axis] += self.free_mm
        else:
            low[self.plug_axis] -= self.free_mm
        return low - gap_mm, high + gap_mm

    def keep_out(self, gap_mm: float) -> KeepOut:
        """The room that it takes, grown by a gap [mm]."""
        low, high = self.room_mm(gap_mm=gap_mm)
        length, width, height = high - low
        origin = (float(low[0]), float(low[1]), float(low[2]))
        return keep_out_box(
            self.name, origin_mm=origin, length_mm=float(length), width_mm=float(width), height_mm=float(height)
        )

    def shrunk(self, extents_mm: Point) -> Placed:
        """A smaller part in the same place, its connectors where those of this one are."""
        plug = self.plug_mm
        low = plug - np.array(extents_mm) / 2
        low[self.plug_axis] = plug[self.plug_axis] - self.plug_high * extents_mm[self.plug_axis]
        return Placed(
            self.name, self.compartment, _point(low), extents_mm, self.plug_axis, self.plug_high, self.gap_mm,
            self.free_mm,
        )  # fmt: skip


def with_parts(room: Compartment, placed: Sequence[Placed], *, wall_mm: float) -> Compartment:
    """A compartment in which parts lie, as cells see it: they keep wall_mm to a part, and its own gap if that is more.

    Parts of other compartments are passed over; wall_mm is the gap that cases keep to keep-outs anyway [mm].
    """
    here = tuple(part.keep_out(max(part.gap_mm - wall_mm, 0.0)) for part in placed if part.compartment == room.name)
    return _with(room, here) if here else room


def _with(room: Compartment, more: Sequence[KeepOut]) -> Compartment:
    return Compartment(
        room.name, room.profile_mm, room.extrude, room.depth_mm, (*room.keep_outs, *more), room.position_mm,
        room.rotation_deg, room.axes, room.solid,
    )  # fmt: skip


def poses(body: Body, *, plugs: bool = True) -> list[Pose]:
    """Every way in which a body may lie, equal ones once; `plugs` tells them apart by the end of its connectors."""
    found: dict[Pose, None] = {}
    for axes in permutations(range(3)):
        if axes[2] not in body.up:
            continue
        extents = [0.0, 0.0, 0.0]
        for side, axis in zip(body.size_mm, axes, strict=True):
            extents[axis] = side
        for high in (False, True) if plugs else (False,):
            pose = Pose(_point(extents), axes[body.free_face], high)
            found.setdefault(pose, None)
    return list(found)


def places(room: Compartment, body: Body, pose: Pose, *, others: Sequence[Placed] = ()) -> list[Placed]:
    """Every place of a compartment, with its own keep-outs, for a body that lies in one way beside other parts.

    In the order of their corners along z, y, x.
    """
    taken = [part.keep_out(max(part.gap_mm, body.gap_mm)) for part in others if part.compartment == room.name]
    # Gaps to parts are in their keep-outs; those to walls and keep-outs of the brief are kept by growing the body.
    size = np.array(pose.extents_mm)
    size[pose.plug_axis] += body.free_mm
    gap = body.gap_mm
    grown = size + 2 * gap
    found = set()
    for low in _lows(room, taken, float(grown[room.extrude]), gap):
        for corner in _corners(room, taken, grown, low, gap):
            at = np.round(corner + gap, 5) + 0.0
            if not pose.plug_high:
                at[pose.plug_axis] += body.free_mm
            found.add(_point(at))
    return [
        Placed(body.name, room.name, at, pose.extents_mm, pose.plug_axis, pose.plug_high, gap, body.free_mm)
        for at in sorted(found, key=lambda at: at[::-1])
    ]


def _lows(room: Compartment, taken: Sequence[KeepOut], size: float, gap: float) -> list[float]:
    """Low ends along the extrusion of a grown body that is pushed home [mm]."""
    axis = room.extrude
    first, last = room.extent_mm[axis]
    lows = {first, last - size}
    for keep_out, own in [*((k, 0.0) for k in room.keep_outs), *((k, gap) for k in taken)]:
        low, high = prism_extent(
            keep_out.profile_mm, extrude=keep_out.extrude, depth_mm=keep_out.depth_mm, origin_mm=keep_out.origin_mm
        )[axis]
        lows |= {low - size + own, high - own}
    return sorted({round(low, 6) for low in lows if first - TOLERANCE_MM <= low <= last - size + TOLERANCE_MM})


def _corners(room: Compartment, taken: Sequence[KeepOut], grown: Floats, low: float, gap: float) -> list[Floats]:
    """Low corners of a grown body that begins at `low` along the extrusion, at the corners of its room to move."""
    axis = room.extrude
    u, v = cross_axes(axis)
    high = low + float(grown[axis])
    slack = TOLERANCE_MM / 20
    span = {"low_mm": low + slack, "high_mm": high - slack}
    free = _room_to_move(free_section(room, axis=axis, **span), (grown[u], grown[v]))
    bare = Compartment(room.name, room.profile_mm, axis, room.depth_mm, tuple(taken), solid=room.solid)
    inner = {"low_mm": low + gap + slack, "high_mm": high - gap - slack}
    apart = _room_to_move(free_section(bare, axis=axis, **inner), (grown[u] - 2 * gap, grown[v] - 2 * gap))
    free = as_multi(free.intersection(shapely.transform(apart, lambda points: points - gap))) if taken else free
    corners = []
    for a, b in shapely.get_coordinates(free):
        corner = np.empty(3)
        corner[axis], corner[u], corner[v] = low, a, b
        corners.append(corner)
    return corners


def _room_to_move(section: shapely.Geometry, size: tuple[float, float]) -> MultiPolygon:
    """Where the low corner of a rectangle may lie that stays inside a section."""
    slack = TOLERANCE_MM / 20
    width, height = float(size[0]), float(size[1])
    reach = np.array([(-a, -b) for a in (slack, width - slack) for b in (slack, height - slack)])
    blocked = []
    for part in shapely.get_parts(section):
        if not isinstance(part, Polygon) or part.area <= 0.0:
            continue
        for ring in (part.exterior, *part.interiors):
            for a, b in pairwise(np.asarray(ring.coords)):
                blocked.append(MultiPoint(np.concatenate([a + reach, b + reach])).convex_hull)
    if not blocked:
        return MultiPolygon()
    # At far edges a hair is left from which the rectangle lies outside.
    free = as_multi(as_multi(section).difference(shapely.union_all(blocked)))
    middles = [shapely.Point(np.add(part.representative_point().coords[0], np.array(size) / 2)) for part in free.geoms]
    return MultiPolygon([p for p, m in zip(free.geoms, middles, strict=True) if section.covers(m)])


def part_faults(room: Compartment, placed: Sequence[Placed]) -> list[str]:
    """What is wrong with the places of parts in a compartment, in words: other code than what finds them.

    Every corner of the box is held against the walls, boxes against each other and against keep-outs by their edges.
    The compartment comes without the parts; those of other compartments are passed over.
    """
    here = [part for part in placed if part.compartment == room.name]
    faults = []
    for k, part in enumerate(here):
        low, high = part.room_mm(gap_mm=part.gap_mm - TOLERANCE_MM)
        if not _inside(room, low, high):
            faults.append(f"{part.name} is too close to a wall of {room.name} or outside")
        for keep_out in room.keep_outs:
            if _meets(keep_out, low, high):
                faults.append(f"{part.name} is too close to keep-out {keep_out.name}")
        for other in here[:k]:
            gap = max(part.gap_mm, other.gap_mm) - TOLERANCE_MM
            (a, b), (c, d) = part.room_mm(), other.room_mm()
            if np.all(np.maximum(c - b, a - d) < gap):
                faults.append(f"{part.name} and {other.name} are too close to each other")
    return faults


def _inside(room: Compartment, low: Floats, high: Floats) -> bool:
    corners = np.array(np.meshgrid(*zip(low, high, strict=True), indexing="ij")).reshape(3, -1).T
    if room.solid is not None:
        # No corner of the body outside, and no edge of it through a wall: points along every edge.
        steps = np.linspace(0.0, 1.0, 9)
        grid = low + np.array(np.meshgrid(steps, steps, steps, indexing="ij")).reshape(3, -1).T * (high - low)
        return bool(within(room.solid, grid).all())
    u, v = cross_axes(room.extrude)
    along = low[room.extrude] >= 0.0 and high[room.extrude] <= room.depth_mm
    outline = Polygon(room.profile_mm)
    return bool(along) and outline.covers(MultiPoint(corners[:, [u, v]]).convex_hull)


def _meets(keep_out: KeepOut, low: Floats, high: Floats) -> bool:
    reach = prism_extent(
        keep_out.profile_mm, extrude=keep_out.extrude, depth_mm=keep_out.depth_mm, origin_mm=keep_out.origin_mm
    )
    if any(b <= low[k] or a >= high[k] for k, (a, b) in enumerate(reach)):
        return False
    if keep_out.solid is not None:
        return True
    u, v = cross_axes(keep_out.extrude)
    shape = Polygon([(a + keep_out.origin_mm[u], b + keep_out.origin_mm[v]) for a, b in keep_out.profile_mm])
    return bool(shape.intersection(shapely.box(low[u], low[v], high[u], high[v])).area > 0.0)


def _point(values: Sequence[float] | Floats) -> Point:
    x, y, z = (round(float(value), 6) + 0.0 for value in values)
    return x, y, z
