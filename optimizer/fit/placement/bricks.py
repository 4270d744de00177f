"""Equal bricks in a compartment: layers along any direction, each filled like a pallet.

A brick stands for a prismatic or pouch cell, or for the case of a module. Grown by its margins on all sides
it lies inside the free volume, and grown by half the gaps it overlaps no other grown brick.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.fit.placement.pallet import pack_in_polygon, pack_rectangles
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.section import as_multi, cross_axes, free_section, prism_extent
from optimizer.fit.region.solid import MANY, heights

TOLERANCE_MM = 1e-7
MAX_STARTS = 48


@dataclass(frozen=True)
class Brick:
    """Outer size of a brick, the gaps to its like, and its margins to walls and keep-outs [mm].

    length_mm lies along the axis; width_mm and thickness_mm lie across it, either way round.
    """

    length_mm: float
    width_mm: float
    thickness_mm: float
    gap_along_mm: float
    gap_across_mm: float
    margin_along_mm: float
    margin_across_mm: float


@dataclass(frozen=True, eq=False)
class Stack:
    """Bricks in place: lowest corners and extents, shape (n, 3) [mm], and the layer of each, shape (n,)."""

    corners_mm: Floats
    extents_mm: Floats
    layer: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.corners_mm)


@dataclass(frozen=True)
class BrickCourse:
    """One way to lay a layer: its thickness along the direction of layers and the brick's sides across it."""

    thickness_mm: float
    sides_mm: tuple[float, float]
    turn: bool


Layer = tuple[float, BrickCourse, Floats]
Choice = tuple[int, Layer | None, int]


def shrink(section: Any, margin_x: float, margin_y: float) -> Any:
    """Points whose rectangle ± margins lies in a section; where a margin is negative, only boxes grow."""
    section = as_multi(section)
    if section.is_empty:
        return section
    if is_rectangle(section):
        x0, y0, x1, y1 = section.bounds
        if x1 - x0 - 2 * margin_x <= 0 or y1 - y0 - 2 * margin_y <= 0:
            return shapely.MultiPolygon()
        return shapely.box(x0 + margin_x, y0 + margin_y, x1 - margin_x, y1 - margin_y)
    reach = np.array([max(margin_x, 0.0), max(margin_y, 0.0)]) - TOLERANCE_MM
    if reach.max() <= 0:
        return section
    ends = [
        shapely.get_coordinates(ring) for part in section.geoms for ring in (part.exterior, *part.interiors)
    ]
    signs = np.array(list(product((-1, 1), repeat=2))) * np.maximum(reach, 0.0)
    edges = np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in ends])
    swept = (edges[:, :, None, :] + signs[None, None]).reshape(len(edges), -1, 2)
    hulls = shapely.convex_hull(
        shapely.multipoints(swept.reshape(-1, 2), indices=np.arange(len(edges)).repeat(8))
    )
    return as_multi(section.difference(shapely.union_all(hulls)))


def is_rectangle(section: Any) -> bool:
    """Whether a shape is one rectangle with sides along x and y."""
    x0, y0, x1, y1 = section.bounds
    return bool(len(section.geoms) == 1 and (x1 - x0) * (y1 - y0) - section.area < 1e-6)


@lru_cache(maxsize=20000)
def section_of(compartment: Compartment, axis: int, low_mm: float, high_mm: float) -> Any:
    """Cached free section of a slab."""
    return free_section(compartment, axis=axis, low_mm=low_mm, high_mm=high_mm)


@lru_cache(maxsize=20000)
def pack_section(wkb: bytes, margins: tuple[float, float], sides: tuple[float, float], turn: bool) -> Floats:
    """Cached packing x, y, w, h of a section shrunk by margins."""
    room = shrink(shapely.from_wkb(wkb), *margins)
    if room.is_empty:
        return np.zeros((0, 4))
    if is_rectangle(as_multi(room)):
        x0, y0, x1, y1 = room.bounds
        boxes = pack_rectangles(x1 - x0, y1 - y0, *sides, turn=turn)
        return np.asarray(boxes + np.array([x0, y0, 0.0, 0.0]))
    return pack_in_polygon(room, *sides, turn=turn)


def courses(brick: Brick, *, axis: int, direction: int, turn: bool) -> list[BrickCourse]:
    """Ways to lay a layer of bricks along `axis` when layers follow each other along `direction`."""
    along = brick.length_mm + brick.gap_along_mm
    w, t = brick.width_mm + brick.gap_across_mm, brick.thickness_mm + brick.gap_across_mm
    if direction == axis:
        return (
            [BrickCourse(along, (w, t), turn)]
            if turn
            else [BrickCourse(along, (w, t), False), BrickCourse(along, (t, w), False)]
        )
    first = cross_axes(direction)[0] == axis
    options = [(w, t), (t, w)] if w != t else [(w, t)]
    return [BrickCourse(high, (along, wide) if first else (wide, along), False) for high, wide in options]


def margins_of(brick: Brick, *, axis: int) -> tuple[Floats, Floats]:
    """Half gaps and margins of a brick along x, y and z."""
    gap = np.full(3, brick.gap_across_mm / 2)
    margin = np.full(3, brick.margin_across_mm)
    gap[axis], margin[axis] = brick.gap_along_mm / 2, brick.margin_along_mm
    return gap, margin


def starts_of(compartment: Compartment, direction: int, rest: float, thicknesses: list[float]) -> Floats:
    """Where layers (half gaps included) may start: sums of thicknesses from ends, keep-outs and corners."""
    low, high = compartment.extent_mm[direction]
    marks = {low + rest: 1, high - rest: -1}
    for solid in compartment.keep_outs:
        reach = prism_extent(
            solid.profile_mm, extrude=solid.extrude, depth_mm=solid.depth_mm, origin_mm=solid.origin_mm
        )[direction]
        marks |= {reach[0] - rest: 0, reach[1] + rest: 0}
    if compartment.solid is not None:
        many = 5 if len(compartment.solid.faces) > MANY else 13
        marks |= {x: 0 for x in heights(compartment.solid, direction) if low < x < high}
        marks |= {float(x): 0 for x in np.linspace(low + rest, high - rest, many)[1:-1]}
    elif direction != compartment.extrude:
        column = cross_axes(compartment.extrude).index(direction)
        marks |= {p[column]: 0 for p in compartment.profile_mm if low < p[column] < high}
    elif len(marks) == 2:
        marks = {low + rest: 1}
    room = high - low
    sums = {0.0}
    for t in thicknesses:
        sums |= {s + k * t for s in sums for k in range(int(room / t) + 1)}
    steps = np.array(sorted(s for s in sums if s <= room + TOLERANCE_MM))
    found = np.concatenate([np.concatenate([mark + steps, mark - steps]) for mark in marks]).round(7)
    found = np.unique(found[(found >= low + rest - TOLERANCE_MM) & (found <= high - rest + TOLERANCE_MM)])
    return np.asarray(found[:: max(1, -(-len(found) // MAX_STARTS))])


def layers(compartment: Compartment, brick: Brick, *, axis: int, direction: int, turn: bool) -> list[Layer]:
    """Best sequence of layers along a direction: (start, course, boxes), by dynamic programming."""
    half, margin = margins_of(brick, axis=axis)
    rest = margin - half
    ways = courses(brick, axis=axis, direction=direction, turn=turn)
    starts = starts_of(compartment, direction, float(rest[direction]), [way.thickness_mm for way in ways])
    high = compartment.extent_mm[direction][1] - rest[direction]
    x, y = cross_axes(direction)
    best: list[Choice] = [(0, None, 0)]
    for k in range(len(starts) - 1, -1, -1):
        found: Choice = (best[-1][0], None, 1)
        for way in ways:
            end = starts[k] + way.thickness_mm
            if end > high + TOLERANCE_MM:
                continue
            slab = (round(starts[k] - rest[direction], 7), round(end + rest[direction], 7))
            section = as_multi(section_of(compartment, direction, *slab))
            boxes = pack_section(section.wkb, (float(rest[x]), float(rest[y])), way.sides_mm, way.turn)
            jump = int(np.searchsorted(starts, end - TOLERANCE_MM)) - k
            total = len(boxes) + best[-jump][0]
            if len(boxes) and total > found[0]:
                found = total, (float(starts[k]), way, boxes), jump
        best.append(found)
    return list(chosen(best))


def chosen(
    best: list[Choice],
) -> Iterator[Layer]:
    """Follow the choices of `layers` from the lowest start upwards."""
    at = len(best) - 1
    while at > 0:
        _, layer, jump = best[at]
        if layer is not None:
            yield layer
        at -= jump


def stack(compartment: Compartment, brick: Brick, *, axis: int, direction: int, turn: bool = True) -> Stack:
    """Bricks along `axis` in layers along `direction`, as many as are found.

    Parameters
    ----------
    compartment : Compartment
        Free volume.
    brick : Brick
        Size, gaps and margins [mm].
    axis, direction : int
        0, 1, 2 for x, y, z.
    turn : bool
        Whether bricks of one layer may be turned about the axis (only where direction is the axis).

    Returns
    -------
    Stack
        Empty when nothing fits.
    """
    half, _ = margins_of(brick, axis=axis)
    x, y = cross_axes(direction)
    corners, extents, layer = [np.zeros((0, 3))], [np.zeros((0, 3))], [np.zeros(0, dtype=np.int64)]
    for k, (start, way, boxes) in enumerate(
        layers(compartment, brick, axis=axis, direction=direction, turn=turn)
    ):
        corner, extent = np.empty((len(boxes), 3)), np.empty((len(boxes), 3))
        corner[:, [x, y]], corner[:, direction] = boxes[:, :2], start
        extent[:, [x, y]], extent[:, direction] = boxes[:, 2:], way.thickness_mm
        corners.append(corner + half)
        extents.append(extent - 2 * half)
        layer.append(np.full(len(boxes), k, dtype=np.int64))
    return Stack(np.concatenate(corners), np.concatenate(extents), np.concatenate(layer))
