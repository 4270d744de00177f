"""Plane sections of prisms with keep-outs: what is free across an axis, and its true inward offset."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry import box as rectangle
from shapely.geometry.polygon import orient

from optimizer.fit.region.solid import free_across, hidden

if TYPE_CHECKING:
    from optimizer.fit.region.compartment import Compartment, KeepOut

TOLERANCE_MM = 2.5e-7  # a part that fits exactly fits; a quarter of what the proof lets pass
FAN_RAD = np.pi / 48  # arcs around inner corners become tangent lines of this turn, 0.05 % outside the arc


def cross_axes(axis: int) -> tuple[int, int]:
    """The two axes other than `axis`, in x, y, z order."""
    return ((1, 2), (0, 2), (0, 1))[axis]


def prism_extent(
    profile_mm: tuple[tuple[float, float], ...],
    *,
    extrude: int,
    depth_mm: float,
    origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> tuple[tuple[float, float], ...]:
    """Lowest and highest coordinate of a prism along x, y and z [mm]."""
    points = np.asarray(profile_mm, dtype=float)
    reach = {extrude: (0.0, float(depth_mm))}
    for column, axis in enumerate(cross_axes(extrude)):
        reach[axis] = (float(points[:, column].min()), float(points[:, column].max()))
    return tuple((reach[a][0] + origin_mm[a], reach[a][1] + origin_mm[a]) for a in range(3))


def _spans(shape: shapely.Geometry, column: int) -> list[tuple[float, float]]:
    """Ranges that the polygonal parts of a shape cover in one coordinate."""
    parts = [part for part in shapely.get_parts(shape) if part.area > 0.0]
    return [(part.bounds[column], part.bounds[column + 2]) for part in parts]


def _bars(spans: list[tuple[float, float]], other: tuple[float, float], first: bool) -> shapely.Geometry:
    """Rectangles that span `spans` in one coordinate and `other` in the second."""
    if first:
        return shapely.union_all([rectangle(a, other[0], b, other[1]) for a, b in spans])
    return shapely.union_all([rectangle(other[0], a, other[1], b) for a, b in spans])


def shadow(keep_out: KeepOut, *, axis: int, low_mm: float, high_mm: float) -> shapely.Geometry:
    """What a keep-out blocks, seen along `axis`, of the slab between low_mm and high_mm.

    Returns
    -------
    shapely geometry
        In the two other axes; empty where the keep-out does not reach into the slab.
    """
    start = keep_out.origin_mm
    low, high = low_mm + TOLERANCE_MM, high_mm - TOLERANCE_MM
    if keep_out.solid is not None:
        return hidden(keep_out.solid, axis, low, high)
    cross = cross_axes(keep_out.extrude)
    solid = Polygon(keep_out.profile_mm)
    if axis == keep_out.extrude:
        if start[axis] >= high or start[axis] + keep_out.depth_mm <= low:
            return MultiPolygon()
        return shapely.affinity.translate(solid, start[cross[0]], start[cross[1]])
    solid = shapely.affinity.translate(solid, start[cross[0]], start[cross[1]])
    along = cross.index(axis)
    other = cross[1 - along]
    u0, v0, u1, v1 = solid.bounds
    slab = rectangle(low, v0 - 1, high, v1 + 1) if along == 0 else rectangle(u0 - 1, low, u1 + 1, high)
    depth = (start[keep_out.extrude], start[keep_out.extrude] + keep_out.depth_mm)
    return _bars(_spans(solid.intersection(slab), 1 - along), depth, other < keep_out.extrude)


def free_section(compartment: Compartment, *, axis: int, low_mm: float, high_mm: float) -> shapely.Geometry:
    """Points across `axis` from which a line from low_mm to high_mm stays inside and clear of keep-outs.

    Along the extrusion that is the profile itself; across it, every height at which the slab meets the
    profile over its whole length. Exact for polygons.

    Returns
    -------
    shapely geometry
        In the two axes other than `axis`, in x, y, z order.
    """
    low, high = low_mm + TOLERANCE_MM, high_mm - TOLERANCE_MM
    profile = Polygon(compartment.profile_mm)
    cross = cross_axes(compartment.extrude)
    section: shapely.Geometry = profile
    if compartment.solid is not None:
        section = free_across(compartment.solid, axis, low, high)
    elif axis == compartment.extrude:
        if low < 0.0 or high > compartment.depth_mm:
            return MultiPolygon()
    else:
        along = cross.index(axis)
        u0, v0, u1, v1 = profile.bounds
        slab = rectangle(low, v0, high, v1) if along == 0 else rectangle(u0, low, u1, high)
        reach = (v0, v1) if along == 0 else (u0, u1)
        depth = (0.0, compartment.depth_mm)
        first = cross[1 - along] < compartment.extrude
        blocked = _bars(_spans(slab.difference(profile), 1 - along), depth, first)
        section = _bars([reach], depth, first).difference(blocked)
    for keep_out in compartment.keep_outs:
        section = section.difference(shadow(keep_out, axis=axis, low_mm=low_mm, high_mm=high_mm))
    return section


def erode(section: shapely.Geometry, *, radius_mm: float) -> MultiPolygon:
    """Points of a section that keep radius_mm to its boundary: the true inward offset.

    Straight walls are offset exactly. The arc around an inner corner is replaced by tangents outside it, so
    that no point of the result is closer than radius_mm.
    """
    return _eroded(shapely.to_wkb(section), radius_mm)


@lru_cache(maxsize=1024)
def _eroded(wkb: bytes, radius_mm: float) -> MultiPolygon:
    """As erode: layers of one stack, and stacks beside parts that lie elsewhere, have one section."""
    section = shapely.from_wkb(wkb)
    blocked: list[shapely.Geometry] = []
    for part in shapely.get_parts(section):
        if not isinstance(part, Polygon) or part.area <= 0.0:
            continue
        solid = orient(part, 1.0)
        for ring in (solid.exterior, *solid.interiors):
            blocked += _ring_margin(np.asarray(ring.coords)[:-1], radius_mm)
    if not blocked or radius_mm <= 0.0:
        return as_multi(section)
    return as_multi(section.difference(shapely.union_all(blocked)))


def _ring_margin(ring: NDArray[np.float64], radius: float) -> list[shapely.Geometry]:
    """Strips along the edges of a ring, and fans at its inner corners; the free side is on the left."""
    step = np.roll(ring, -1, axis=0) - ring
    keep = np.hypot(step[:, 0], step[:, 1]) > 0.0
    ring = ring[keep]
    step = np.roll(ring, -1, axis=0) - ring
    normal = np.column_stack((-step[:, 1], step[:, 0])) / np.hypot(step[:, 0], step[:, 1])[:, None]
    found = []
    for k in range(len(ring)):
        a, b = ring[k], ring[(k + 1) % len(ring)]
        found.append(np.array((a, b, b + radius * normal[k], a + radius * normal[k])))
        back = normal[k - 1]
        turn = float(np.arctan2(back[0] * normal[k][1] - back[1] * normal[k][0], back @ normal[k]))
        if turn < -1e-12:
            count = int(np.ceil(-turn / FAN_RAD))
            angle = np.arctan2(back[1], back[0]) + turn * (np.arange(count) + 0.5) / count
            far = radius / np.cos(turn / count / 2)
            arc = a + far * np.column_stack((np.cos(angle), np.sin(angle)))
            found.append(np.array((a, a + radius * back, *arc, a + radius * normal[k])))
    which = np.repeat(np.arange(len(found)), [len(points) for points in found])
    return list(shapely.polygons(shapely.linearrings(np.concatenate(found), indices=which))) if found else []


def as_multi(shape: shapely.Geometry) -> MultiPolygon:
    """The polygons of any geometry."""
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and part.area > 0.0]
    return MultiPolygon(parts)
