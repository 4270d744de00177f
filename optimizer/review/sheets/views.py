"""What is seen of a compartment from a side: outlines, cells, faces and strips as plane shapes [mm]."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry import box as rectangle

from optimizer.base.arrays import Floats, Ints
from optimizer.design.ties import stacks_of
from optimizer.fit.chain.adjacency import lateral_axes, neighbours
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.section import cross_axes, free_section, prism_extent
from optimizer.fit.region.solid import silhouette as outline_along
from optimizer.pack.conductors.joints import level_mm

if TYPE_CHECKING:
    from optimizer.design.model import Design, Station
    from optimizer.fit.region.compartment import Compartment, KeepOut
    from optimizer.fit.region.layout import Clearance


AXIS_NAMES = ("x", "y", "z")
# Looking along an axis against its arrow, x, y, z order of the other two is a mirror image for y alone.
NATURAL_SIDE = (1, -1, 1)


@dataclass(frozen=True)
class View:
    """A direction of sight: towards the origin from the positive side of an axis, or from its negative side.

    axis: 0, 1, 2; side: +1 or -1. On paper the first of the other two axes runs to the right, to the left
    where the side shows it mirrored; the second runs up.
    """

    axis: int
    side: int

    @property
    def mirrored(self) -> bool:
        """Whether the first axis on paper runs to the left."""
        return self.side != NATURAL_SIDE[self.axis]

    @property
    def name(self) -> str:
        """How people read it: "seen from +z"."""
        return f"seen from {'+' if self.side > 0 else '-'}{AXIS_NAMES[self.axis]}"


def project(points_mm: Floats, *, view: View) -> Floats:
    """Points in space, shape (n, 3), as they appear on paper, shape (n, 2) [mm]."""
    flat = points_mm[:, list(cross_axes(view.axis))].copy()
    if view.mirrored:
        flat[:, 0] *= -1.0
    return flat


def silhouette(solid: Compartment | KeepOut, *, view: View) -> Polygon:
    """Outline of a prism as it appears on paper [mm]: its profile along the extrusion, a rectangle across it."""
    if solid.solid is not None:
        seen = max(shapely.get_parts(outline_along(solid.solid, view.axis)), key=lambda part: part.area)
        return Polygon(mirrored(seen)) if view.mirrored else Polygon(seen)
    origin: tuple[float, float, float] = getattr(solid, "origin_mm", (0.0, 0.0, 0.0))
    first, second = cross_axes(view.axis)
    if view.axis == solid.extrude:
        shift = (origin[first], origin[second])
        flat = shapely.transform(Polygon(solid.profile_mm), lambda p: p + np.array(shift))
    else:
        reach = prism_extent(solid.profile_mm, extrude=solid.extrude, depth_mm=solid.depth_mm, origin_mm=origin)
        flat = rectangle(reach[first][0], reach[second][0], reach[first][1], reach[second][1])
    return Polygon(mirrored(flat)) if view.mirrored else Polygon(flat)


def mirrored(shape: shapely.Geometry) -> shapely.Geometry:
    """A plane shape turned left to right about x = 0."""
    return shapely.transform(shape, lambda p: p * np.array([-1.0, 1.0]))


def cell_shapes(station: Station, *, view: View, index: Ints) -> list[Polygon]:
    """Outlines [mm] of some positions of a layout as they appear on paper: discs of 64 corners for cylinders seen
    end-on, rectangles otherwise.
    """
    layout = station.layout
    centres = project(layout.centres_mm[index], view=view)
    half = layout.extents_mm[index][:, list(cross_axes(view.axis))] / 2.0
    if layout.size.shape == "cylinder" and view.axis == layout.axis:
        radius = layout.size.diameter_mm / 2.0
        return [Polygon(shapely.Point(c).buffer(radius, quad_segs=16)) for c in centres]
    return [rectangle(*(c - h), *(c + h)) for c, h in zip(centres, half, strict=True)]


def levels(station: Station) -> Ints:
    """Height of each position along the cell axis, as a number from 0.

    Cells that lie beside each other are of one level, whatever case they are in; a layout counts its layers
    within each case.
    """
    height = station.layout.centres_mm[:, station.layout.axis]
    half = station.layout.extents_mm[:, station.layout.axis] / 2.0
    level = np.zeros(len(height), dtype=np.int64)
    start, current = -np.inf, -1
    for place in np.argsort(height, kind="stable"):
        if height[place] > start + half[place]:
            start, current = height[place], current + 1
        level[place] = current
    return level


def at_depth(station: Station, keep_out: KeepOut, *, axis: int, layer: int) -> bool:
    """Whether a keep-out reaches as deep, along a line of sight, as some cell of the level shown; -1 for all."""
    shown = station.used if layer < 0 else station.used & (levels(station) == layer)
    middle, half = station.layout.centres_mm[shown, axis], station.layout.extents_mm[shown, axis] / 2.0
    # From a side that shows the line of sight.
    across = cross_axes(axis)[0]
    bounds, at = silhouette(keep_out, view=View(across, NATURAL_SIDE[across])).bounds, cross_axes(across).index(axis)
    low, high = bounds[at], bounds[at + 2]
    return bool(np.any((middle + half > low + 1e-6) & (middle - half < high - 1e-6)))


def group_colours(station: Station, *, pairs: Ints, count: int) -> dict[int, int]:
    """A colour from 0 for each group, numbered through the pack from 1, such that groups that touch differ.

    As far as there are so many colours. Groups in their order take the first colour that no neighbour has, beginning
    with the one after their predecessor's. `pairs` are positions that touch.
    """
    group = pack_groups(station)
    beside: dict[int, set[int]] = {int(g): set() for g in np.unique(group[group > 0])}
    for a, b in group[pairs]:
        if a != b and a > 0 and b > 0:
            beside[int(a)].add(int(b))
            beside[int(b)].add(int(a))
    found: dict[int, int] = {}
    for number in beside:
        taken = {found[other] for other in beside[number] if other in found}
        order = [(number + k) % count for k in range(count)]
        found[number] = next((colour for colour in order if colour not in taken), order[0])
    return found


def directions(station: Station) -> Ints:
    """Which way each position's positive end points along the cell axis: +1, -1, or 0 for a position left over."""
    return np.asarray(station.chain.polarity, dtype=np.int64)


def pole_shapes(station: Station, cell: int, *, view: View) -> list[tuple[Polygon, bool]]:
    """Studs or tabs of a block with both terminals on one end, the positive one first, as on paper [mm]."""
    layout, half, found = station.layout, station.layout.size.terminal_mm / 2, []
    index = np.array([cell])
    for plus in (True, False):
        at = layout.centres_mm[index].copy()
        way = station.chain.polarity[index] if station.used[cell] else np.ones(1, dtype=np.int64)
        at[:, list(lateral_axes(layout.axis))] = terminals_mm(layout, index, way, positive=plus)
        x, y = project(at, view=view)[0]
        found.append((shapely.box(x - half, y - half, x + half, y + half), plus))
    return found


def pack_groups(station: Station) -> Ints:
    """Number of each position's group in the whole pack, from 1 at the negative terminal; 0 where unused."""
    number = station.chain.group.astype(np.int64) + station.first_group + 1
    return np.where(station.used, number, 0)


def metal_on_face(
    design: Design, station: Station, *, layer: int, side: int
) -> list[tuple[Mapping[str, Any], list[Polygon]]]:
    """Conductors on one face of a level, those nearest to the cells first, with their outlines there [mm].

    Side is +1 for the face towards the axis's positive end, -1 for the other; outlines are as seen from that side.
    """
    axis, view = station.layout.axis, View(station.layout.axis, side)
    own = (levels(station) == layer) & station.used
    ends = (station.layout.centres_mm[own] + side * station.layout.extents_mm[own] / 2)[:, axis]
    if not len(ends):
        return []
    low, high = sorted((side * float(ends.min()), side * float(ends.max())))
    # How far above the ends of its cells a conductor of a face may lie.
    above, found = level_mm(design.clearance.stack_mm) + 0.1, []
    for conductor in design.conductors:
        if conductor["compartment"] != station.compartment.name:
            continue
        shapes = []
        for piece in conductor["pieces"]:
            points = np.asarray(piece["outline_mm"], dtype=float)
            here = (points[:, axis] * side >= low - 1e-3) & (points[:, axis] * side <= high + above)
            flat = project(points[here], view=view)
            if here.all():
                windows = [project(np.asarray(w, dtype=float), view=view) for w in piece.get("windows_mm", ())]
                shapes.append(Polygon(flat, windows))
            elif here.sum() >= 3:
                shapes.append(Polygon(shapely.MultiPoint(flat).convex_hull))
        if shapes:
            found.append((conductor, shapes))
    return sorted(found, key=lambda item: item[0]["level"])


# How thick a joint between layers is drawn at least [mm].
FOLD_MM = 0.8


def folded_shapes(
    conductors: Sequence[Mapping[str, Any]], station: Station, *, view: View
) -> list[shapely.Geometry]:
    """Joints between layers as they are seen from a side across the cells: each stretch between folds [mm]."""
    found = []
    for one in conductors:
        if one["way"] == "fold" and one["compartment"] == station.compartment.name:
            for piece in one["pieces"]:
                points = np.asarray(piece["outline_mm"], dtype=float)
                half = len(points) // 2
                edge, back = points[:half], points[half:][::-1]
                found += [
                    shapely.MultiPoint(project(np.array([edge[k], edge[k + 1], back[k + 1], back[k]]), view=view))
                    .convex_hull.buffer(FOLD_MM / 2)
                    for k in range(half - 1)
                ]  # fmt: skip
    return found


def touching(station: Station, *, cell_gap_mm: float) -> Ints:
    """Pairs of neighbouring positions side by side in a layer, shape (m, 2)."""
    return np.asarray(neighbours(station.layout, cell_gap_mm=cell_gap_mm).lateral, dtype=np.int64)


def strip_outline(ends_mm: Floats, *, width_mm: float) -> Polygon:
    """A piece of strip from cell to cell, reaching half its width past both middles, as it is cut [mm]."""
    way = (ends_mm[1] - ends_mm[0]) / max(float(np.hypot(*(ends_mm[1] - ends_mm[0]))), 1e-9)
    along, across = way * width_mm / 2.0, np.array([-way[1], way[0]]) * width_mm / 2.0
    a, b = ends_mm[0] - along, ends_mm[1] + along
    return Polygon([a + across, a - across, b - across, b + across])


def ribbon(station: Station, *, view: View, members: Ints, pairs: Ints, margin_mm: float) -> shapely.Geometry:
    """One shape [mm] around a group's members in one layer, from neighbour to neighbour, margin_mm past the cells."""
    parts: list[shapely.Geometry] = cell_shapes(station, view=view, index=members)
    flat = project(station.layout.centres_mm, view=view)
    cross = pairs[np.isin(pairs, members).all(axis=1)]
    half = float(np.min(station.layout.extents_mm[members][:, list(cross_axes(view.axis))])) / 2.0
    parts += [LineString(flat[list(pair)]).buffer(0.8 * half) for pair in cross]
    return shapely.union_all(parts).buffer(margin_mm, quad_segs=8)


def tie_shapes(station: Station, *, view: View, layer: int, clearance: Clearance) -> list[Polygon]:
    """Tie plates of one layer seen along the cells [mm]."""
    return [
        shapely.MultiPoint(project(np.array([low, high]), view=view)).envelope
        for stack in stacks_of(station, clearance) if stack.layer == layer for low, high in stack.plates
    ]  # fmt: skip


def case_outline(
    station: Station, *, axis: int, layer: int, clearance: Clearance
) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Outer and inner outline of the case, or of each module's case, of one layer.

    A tray's case runs around the used cells like a rubber band, as the bill counts it, less whatever would
    reach into a keep-out or past the wall's clearance. A module's case is a rectangle around all its cells.

    Parameters
    ----------
    axis : int
        The cell axis.
    layer : int
        From 0.

    Returns
    -------
    outer, inner : shapely geometry
        In the two axes other than `axis`, in x, y, z order [mm]; empty where the layer holds no cell.
    """
    layout, tie = station.layout, station.layout.size.tie_mm
    wall = clearance.case_mm - tie
    natural = View(axis, NATURAL_SIDE[axis])
    cells = (levels(station) == layer) & station.used
    if not cells.any():
        return Polygon(), Polygon()
    inner, outer = [], []
    if layout.way == "modules":
        for module in np.unique(layout.module[cells]):
            own = np.flatnonzero((levels(station) == layer) & (layout.module == module))
            x0, y0, x1, y1 = shapely.union_all(cell_shapes(station, view=natural, index=own)).buffer(tie).bounds
            inner.append(rectangle(x0, y0, x1, y1))
            outer.append(rectangle(x0 - wall, y0 - wall, x1 + wall, y1 + wall))
        return shapely.union_all(outer), shapely.union_all(inner)
    hull = shapely.union_all(cell_shapes(station, view=natural, index=np.flatnonzero(cells))).convex_hull
    hull = hull.buffer(tie, quad_segs=24)
    middle, half = layout.centres_mm[cells][0, axis], layout.extents_mm[cells][0, axis] / 2 + clearance.end_mm
    free = free_section(station.compartment, axis=axis, low_mm=float(middle - half), high_mm=float(middle + half))
    band = hull.buffer(wall, quad_segs=24).intersection(free.buffer(-clearance.wall_mm, join_style="mitre"))
    return band.simplify(0.01), hull.intersection(band.buffer(-wall, join_style="mitre")).simplify(0.01)
