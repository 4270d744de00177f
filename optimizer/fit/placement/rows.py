"""Equal rectangles in any polygon, band by band.

A band is a strip between two heights; its free stretches are where the whole strip is inside the region.
A dynamic programme chooses the bands, from those whose lower side lies a sum of box sides above or below a
corner, or where a stretch of one box's height just fits one box more.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numba import njit

from optimizer.base.arrays import Floats
from optimizer.fit.placement import fiveblock
from optimizer.fit.placement.fiveblock import SLACK_UNITS, UNITS_PER_MM, last_at_most, solve

Window = tuple[float, float, float, float]

TOUCH_MM = 2e-7  # an edge that enters a band by less only touches it
CORNER_RAD = 0.26  # smaller turns belong to a rounded side
MAX_LEVELS = 600
MAX_CUTS = 6
MAX_CRITICAL = 50
STEPS = 5_000_000


@dataclass(frozen=True, eq=False)
class RowRegion:
    """Edges x1, y1, x2, y2 of a polygon, shape (m, 4), its corners, shape (k, 2), and holes' boxes [mm]."""

    edges: Floats
    corners: Floats
    holes: tuple[Window, ...] = ()

    def swapped(self) -> RowRegion:
        """The region mirrored at the diagonal: x and y exchanged."""
        return RowRegion(
            np.ascontiguousarray(self.edges[:, [1, 0, 3, 2]]), np.ascontiguousarray(self.corners[:, ::-1])
        )


def edges_of(polygon: Any) -> RowRegion:
    """Region of a shapely Polygon or MultiPolygon, holes included."""
    parts = [part for part in getattr(polygon, "geoms", [polygon]) if part.area > 0]
    rings = [np.asarray(ring.coords)[:-1, :2] for part in parts for ring in (part.exterior, *part.interiors)]
    if not rings:
        return RowRegion(np.zeros((0, 4)), np.zeros((0, 2)))
    edges = np.concatenate([np.hstack([ring, np.roll(ring, -1, axis=0)]) for ring in rings])
    holes = tuple(ring.bounds for part in parts for ring in part.interiors)
    return RowRegion(np.ascontiguousarray(edges), np.concatenate([corners_of(ring) for ring in rings]), holes)


def corners_of(ring: Floats) -> Floats:
    """Points of a ring where it turns sharply, and its extremes along x and y."""
    after = np.roll(ring, -1, axis=0) - ring
    heading = np.arctan2(after[:, 1], after[:, 0])
    turn = np.abs((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    extremes = np.concatenate([np.argmin(ring, axis=0), np.argmax(ring, axis=0)])
    return np.asarray(ring[np.union1d(np.nonzero(turn > CORNER_RAD)[0], extremes)])


@njit(cache=True, error_model="numpy")
def shadow(edge, low, high):  # type: ignore[no-untyped-def]
    """Range along x of the part of an edge between low and high; an empty one (1, 0) if it only touches."""
    xa, ya, xb, yb = edge[0], edge[1], edge[2], edge[3]
    if ya > yb:
        xa, ya, xb, yb = xb, yb, xa, ya
    if yb <= low + TOUCH_MM or ya >= high - TOUCH_MM:
        return 1.0, 0.0
    if yb - ya > TOUCH_MM:
        slope = (xb - xa) / (yb - ya)
        xa, xb = xa + slope * (max(ya, low) - ya), xa + slope * (min(yb, high) - ya)
    return min(xa, xb), max(xa, xb)


@njit(cache=True, error_model="numpy")
def stretches(edges, low, high, left, right):  # type: ignore[no-untyped-def]
    """Free stretches (k, 2) along x of the band between low and high, within left and right."""
    shadows = np.empty((len(edges) + 1, 2))
    k = 0
    for e in range(len(edges)):
        start, end = shadow(edges[e], low, high)
        if start <= end:
            at = k
            while at > 0 and shadows[at - 1, 0] > start:
                shadows[at] = shadows[at - 1]
                at -= 1
            shadows[at, 0], shadows[at, 1] = start, end
            k += 1
    shadows[k, 0], shadows[k, 1] = right, right
    out = np.empty((k + 1, 2))
    n = 0
    free = left
    for s in range(k + 1):
        start = min(shadows[s, 0], right)
        if start > free and inside(edges, (free + start) / 2, (low + high) / 2):
            out[n, 0], out[n, 1] = free, start
            n += 1
        free = max(free, shadows[s, 1])
    return out[:n]


@njit(cache=True, error_model="numpy")
def inside(edges, x, y):  # type: ignore[no-untyped-def]
    """Whether a point lies inside, by the even-odd rule."""
    odd = False
    for e in range(len(edges)):
        xa, ya, xb, yb = edges[e, 0], edges[e, 1], edges[e, 2], edges[e, 3]
        if (ya <= y) != (yb <= y) and xa + (y - ya) * (xb - xa) / (yb - ya) > x:
            odd = not odd
    return odd


@njit(cache=True, error_model="numpy")
def plan(edges, levels, heights, window, box_mm2, sums, state):  # type: ignore[no-untyped-def]
    """Best count from each level upwards, shape (n + 1,), and the height number chosen there (0: none)."""
    left, _, right, top = window
    n = len(levels)
    best = np.zeros(n + 1, dtype=np.int64)
    choice = np.zeros(n, dtype=np.int64)
    for k in range(n - 1, -1, -1):
        best[k] = best[k + 1]
        wide = right - left  # free width shrinks as bands grow, so the last one measured bounds the next
        for h in range(1, len(heights)):
            high = levels[k] + heights[h]
            if high > top + TOUCH_MM:
                break
            found = best[last_at_most(levels, high - TOUCH_MM) + 1]
            if found + np.floor(wide * heights[h] / box_mm2 + 1e-6) <= best[k]:
                continue
            free = stretches(edges, levels[k], high, left, right)
            wide = np.sum(free[:, 1] - free[:, 0])
            for s in range(len(free)):
                limit = np.int64((free[s, 1] - free[s, 0]) * UNITS_PER_MM) + SLACK_UNITS
                i = last_at_most(sums, limit)
                if i > 0:
                    found += solve(i, h, state)
            if found > best[k]:
                best[k] = found
                choice[k] = h
    return best, choice


def levels_of(region: RowRegion, heights: Floats, sums: Floats, window: Window) -> Floats:
    """Levels a band may start from, ascending: corners plus or minus sums of heights, and critical levels."""
    _, low, _, top = window
    bases = np.concatenate([region.corners[:, 1], [low, top]])
    bases = np.unique(bases[(bases >= low - TOUCH_MM) & (bases <= top + TOUCH_MM)].round(9))
    found = np.concatenate([bases, spread(bases, heights)])
    if slanted(region.edges):
        critical = critical_levels(region, bases, heights[1:3], sums, window)
        found = np.concatenate([found, critical, spread(critical, heights[:3])])
    found = np.unique(found[(found >= low - TOUCH_MM) & (found < top)].round(9))
    found = found[np.concatenate([[True], np.diff(found) > TOUCH_MM])] if len(found) else found
    return np.ascontiguousarray(found[:: max(1, -(-len(found) // MAX_LEVELS))])


def spread(bases: Floats, heights: Floats) -> Floats:
    """All bases plus and minus all heights."""
    return np.concatenate([np.add.outer(bases, heights).ravel(), np.subtract.outer(bases, heights).ravel()])


def slanted(edges: Floats) -> bool:
    """Whether any edge runs neither along x nor along y."""
    return bool(np.any(np.min(np.abs(edges[:, 2:] - edges[:, :2]), axis=1) > TOUCH_MM))


def critical_levels(region: RowRegion, bases: Floats, heights: Floats, sums: Floats, window: Window) -> Floats:
    """Levels where the free stretches of bands of these heights pass a sum of box sides or are widest."""
    left, low, right, top = window
    out: list[float] = []
    for height in heights:
        breaks = np.unique(np.concatenate([bases, bases - height]))
        breaks = breaks[(breaks >= low) & (breaks <= top - height)]
        for start, end in pairwise(breaks):
            if end - start <= TOUCH_MM:  # one level, written twice by rounding: no slope to be had
                continue
            step = min(1e-3, (end - start) / 8)
            at = np.array([start + step, start + 2 * step, end - 2 * step, end - step])
            free = [stretches(region.edges, level, level + height, left, right) for level in at]
            if len({len(f) for f in free}) == 1:
                for k in range(len(free[0])):
                    out.extend(crossings(at, np.array([f[k] for f in free]), sums))
    return np.array(out[:: max(1, len(out) // MAX_CRITICAL)])


def crossings(at: Floats, ends: Floats, sums: Floats) -> list[float]:
    """Levels within a piece where a stretch has its kinks, or passes a sum of box sides.

    Each end of the stretch, shape (4, 2) at four levels, follows one edge near the start of the piece and
    one near its end; it changes over where their lines meet.
    """
    knots = [at[0], at[3]]
    for side in ends.T:
        first, last = (side[1] - side[0]) / (at[1] - at[0]), (side[3] - side[2]) / (at[3] - at[2])
        if abs(first - last) > 1e-6:
            meet = at[0] + (side[3] - side[0] - last * (at[3] - at[0])) / (first - last)
            knots += [float(meet)] if at[0] < meet < at[3] else []
    knots.sort()
    slope = [(ends[1] - ends[0]) / (at[1] - at[0]), (ends[3] - ends[2]) / (at[3] - at[2])]
    early = ends[0] + np.subtract.outer(np.array(knots), at[0])[:, None] * slope[0]
    late = ends[3] + np.subtract.outer(np.array(knots), at[3])[:, None] * slope[1]
    width = np.minimum(early[:, 1], late[:, 1]) - np.maximum(early[:, 0], late[:, 0])
    out = knots[1:-1]
    for (y0, y1), (w0, w1) in zip(pairwise(knots), pairwise(width), strict=True):
        if abs(w1 - w0) > 1e-6:
            targets = sums[(sums > min(w0, w1)) & (sums < max(w0, w1))]
            out.extend(y0 + (targets - w0) / (w1 - w0) * (y1 - y0))
    return out


def pack_bands(region: RowRegion, table: fiveblock.CountTable, window: Window) -> Floats:
    """Boxes x, y, w, h of the best choice of bands along x within a window."""
    left, low, right, top = window
    heights, sums = table.y_sums / UNITS_PER_MM, table.x_sums / UNITS_PER_MM
    levels = levels_of(region, heights[heights <= top - low + TOUCH_MM], sums, window)
    box_mm2 = table.a_mm * table.b_mm
    _, choice = plan(region.edges, levels, heights, window, box_mm2, table.x_sums, table.state)
    boxes = [np.zeros((0, 4))]
    k = 0
    while k < len(levels):
        height = heights[choice[k]]
        if height == 0:
            k += 1
            continue
        for start, end in stretches(region.edges, levels[k], levels[k] + height, left, right):
            boxes.append(fiveblock.place(table, end - start, height) + np.array([start, levels[k], 0, 0]))
        k = int(np.searchsorted(levels, levels[k] + height - TOUCH_MM))
    return np.concatenate(boxes)


@dataclass(frozen=True, eq=False)
class Packer:
    """A region and its mirror image with their tables: bands along x and along y."""

    along_x: RowRegion
    along_y: RowRegion
    table_x: fiveblock.CountTable
    table_y: fiveblock.CountTable

    def best(self, window: Window) -> Floats:
        """The better of bands along x and along y within a window."""
        left, low, right, top = window
        first = pack_bands(self.along_x, self.table_x, window)
        second = pack_bands(self.along_y, self.table_y, (low, left, top, right))[:, [1, 0, 3, 2]]
        return first if len(first) >= len(second) else second


def packer(region: RowRegion, a: float, b: float, *, turn: bool) -> Packer:
    """Region with the tables for one box size."""
    limit = float(np.max(np.ptp(region.corners, axis=0)))
    if turn:
        table = fiveblock.turning_table(a, b, limit, steps=STEPS)
        return Packer(region, region.swapped(), table, table)
    tables = fiveblock.fixed_table(a, b, limit), fiveblock.fixed_table(b, a, limit)
    return Packer(region, region.swapped(), *tables)


def pack_region(region: RowRegion, a: float, b: float, *, turn: bool) -> Floats:
    """Boxes of the best choice of bands, over the whole region or in the parts of one division of it."""
    if not len(region.edges):
        return np.zeros((0, 4))
    tool = packer(region, a, b, turn=turn)
    (left, low), (right, top) = region.corners.min(axis=0), region.corners.max(axis=0)
    best = tool.best((left, low, right, top))
    most = int(area(region) / (a * b) + 1e-6)
    for parts in divisions(region, (left, low, right, top)):
        if len(best) < most:
            best = max(best, np.concatenate([tool.best(part) for part in parts]), key=len)
    return best


def divisions(region: RowRegion, window: Window) -> Iterator[list[Window]]:
    """Ways to divide a window: straight cuts at corners, and pinwheels around holes."""
    left, low, right, top = window
    for at in inner(region.corners[:, 0], left, right):
        yield [(left, low, at, top), (at, low, right, top)]
    for at in inner(region.corners[:, 1], low, top):
        yield [(left, low, right, at), (left, at, right, top)]
    for x0, y0, x1, y1 in region.holes[: MAX_CUTS // 2]:
        yield [(left, low, x1, y0), (x1, low, right, y1), (x0, y1, right, top), (left, y0, x0, top)]
        yield [(left, low, x0, y1), (left, y1, x1, top), (x1, y0, right, top), (x0, low, right, y0)]


def inner(values: Floats, low: float, high: float) -> Floats:
    """Distinct values strictly between low and high, a few spread over all of them."""
    found = np.unique(values[(values > low + TOUCH_MM) & (values < high - TOUCH_MM)].round(6))
    return found[:: max(1, -(-len(found) // MAX_CUTS))]


def area(region: RowRegion) -> float:
    """Area of a region [mm²], holes left out where rings turn opposite ways as shapely orders them."""
    x1, y1, x2, y2 = region.edges.T
    return float(np.abs(np.sum(x1 * y2 - x2 * y1)) / 2)
