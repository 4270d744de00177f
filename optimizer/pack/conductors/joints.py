"""Joints between layers: flat metal that goes round the edge of a layer through a slot of its case.

A joint lies outside the plates, on insulation: from where it leaves the exit plate along the face if need be, straight
to the edge, folded along the cells, folded again and on to the entry plate of the next group. Where both plates lie
between the same two layers it is joined while these lie open, and closes with them as a book does: all joints between
faces that look at each other have one back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import END_STACK_MM, Layout
from optimizer.pack.conductors.cut import end_shapes
from optimizer.pack.conductors.faces import Fault, face_name, name_of
from optimizer.pack.conductors.laid import COVER_MM, CUT_STEP_MM, OVERHANG_MM
from optimizer.pack.conductors.pieces import Metal
from optimizer.pack.conductors.sites import ENTRY, EXIT, RING_MM, Site, button_mm, face_mm
from optimizer.pack.conductors.walls import MetalPrism, bodies_of, keeps_off

# Between metal and the cells' side in the slot, insulation under a joint (common practice, no published source), and
# its width where it is cut from sheet [mm].
SLOT_MM = 0.3
INSULATOR_MM = 0.3
# Of the room for metal, over ring and insulation, what lies under a joint: 0.6 mm of 1.0, the joint has the rest.
UNDER_SHARE = 0.6
SHEET_WIDTH_MM = 15.0


def level_mm(stack_mm: float) -> float:
    """Height of a joint over the ends of the cells, in room for metal under a cover [mm].

    >>> level_mm(1.5), level_mm(3.0)
    (1.1, 2.0)
    """
    least = RING_MM + INSULATOR_MM
    return round(least + UNDER_SHARE * (stack_mm - least), 6)


@dataclass(frozen=True, eq=False)
class Joint:
    """A joint from one layer to the next.

    Parameters
    ----------
    exit, entry : Site
        That it leaves and that it goes on to.
    path_mm : ndarray, shape (k, 3)
        Middle line [mm].
    ends_mm : ndarray, shape (2, 3)
        Where it is joined to its plates, off the middle line by less than half its width [mm].
    outlines_mm : tuple of ndarray, shape (m, 3)
        Closed outlines of its pieces, folds included [mm].
    lengths_mm : tuple of float
        Of the pieces, folded flat, as cut [mm].
    width_mm, length_mm : float
        Of the metal; of the way that the current takes [mm].
    slot_mm : ndarray, shape (3,)
        Middle of the slot [mm].
    folds_mm : tuple of float
        Of the last piece, folded flat, from its end on the exit plate to each fold [mm].
    round_ : tuple of int
        The side that it goes round: 0 or 1 for the axis across the cells, 1 or −1 towards its high or low end.
    level_mm : float
        Over the ends of the cells [mm].
    """

    exit: Site
    entry: Site
    path_mm: Floats
    ends_mm: Floats
    outlines_mm: tuple[Floats, ...]
    lengths_mm: tuple[float, ...]
    width_mm: float
    length_mm: float
    slot_mm: Floats
    folds_mm: tuple[float, ...]
    round_: tuple[int, int]
    level_mm: float

    @property
    def folds(self) -> int:
        """How many there are."""
        return len(self.folds_mm)

    @property
    def inside(self) -> frozenset[int]:
        """The two layers between which it lies, both its plates on faces that look at each other; else empty."""
        low, high = sorted((self.exit, self.entry), key=lambda site: site.layer)
        facing = high.layer == low.layer + 1 and low.side > 0 > high.side
        return frozenset((low.layer, high.layer) if facing else ())

    @property
    def first(self) -> int:
        """Groups in use from which on it is there."""
        return self.entry.first


@dataclass(frozen=True)
class Around:
    """What joints have around them.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Of each cell of the layout.
    gap_mm : float
        From joints of other potential, walls and keep-outs [mm].
    stack_mm : float
        Room for metal under a cover [mm].
    slots : bool
        Whether cases have slots.
    room : Compartment, optional
        Left out: no walls.
    before : int
        Groups of the pack before the chain, for names.
    """

    group: Ints
    gap_mm: float
    stack_mm: float = END_STACK_MM
    slots: bool = True
    room: Compartment | None = None
    before: int = 0


def joints_of_chain(
    layout: Layout, sites: Sequence[Site], metals: Sequence[Metal | None], *, width_mm: float, around: Around
) -> tuple[list[Joint], list[Fault]]:
    """Joints of a chain, each round the side where it is shortest of those free, and what keeps them from being laid.

    Parameters
    ----------
    sites, metals
        Of the chain.
    width_mm : float
        Of the joints' metal [mm].
    """
    entry = {site.node: k for k, site in enumerate(sites) if site.kind == ENTRY}
    joints: list[Joint] = []
    standing: list[list[MetalPrism]] = []
    faults: list[Fault] = []
    for k, site in enumerate(sites):
        after = entry.get(site.node, -1)
        if site.kind != EXIT or after < 0 or sites[after].module != site.module:
            continue
        other = sites[after]
        if not around.slots:
            name = name_of(site, before=around.before)
            text = f"{name} goes on to another layer, and the cases have no slot ([case] slot_mm)"
            faults.append(Fault(other.first, other.last, text))
        one, two = metals[k], metals[after]
        if one is None or two is None:
            continue
        options = _options(layout, site, other, (one.tap_mm[0], two.tap_mm[0]), width_mm, around)
        tried: list[tuple[Joint, list[MetalPrism], list[Fault]]] = []
        others = list(zip(joints, standing, strict=True))
        for joint in options:
            mine = bodies(joint, layout)
            tried.append((joint, mine, _faults(layout, (joint, mine), others, around)))
            if not tried[-1][2]:
                break
        joint, mine, found = tried[-1] if not tried[-1][2] else tried[0]
        joints.append(joint)
        standing.append(mine)
        faults += found
    return joints, faults


def _options(
    layout: Layout, site: Site, other: Site, ends: tuple[Floats, Floats], width: float, around: Around
) -> list[Joint]:
    """Joints over the four sides of the case's cells, the shortest first."""
    axes, (start, stop) = list(lateral_axes(layout.axis)), ends
    own = (layout.module == site.module) & (around.group >= 0)
    shapes = end_shapes(
        layout.centres_mm[own][:, axes], layout.extents_mm[own][:, axes], round_cells=layout.size.shape == "cylinder"
    )
    hull = shapely.convex_hull(shapely.geometrycollections(shapes))
    options = []
    for along in (0, 1):
        # As far out as the cells' hull reaches anywhere under the width of the joint.
        low, high, middle = np.full(2, -1e6), np.full(2, 1e6), _line(ends, along, width)[1][1 - along]
        low[1 - along], high[1 - along] = middle - width / 2, middle + width / 2
        bounds = shapely.bounds(shapely.intersection(hull, shapely.box(*low, *high)))
        away = SLOT_MM + layout.size.tie_mm
        for way, edge in ((-1, bounds[along] - away), (1, bounds[along + 2] + away)):
            reach = abs(start[along] - edge) + abs(stop[along] - edge) + abs(start[1 - along] - stop[1 - along])
            options.append((round(float(reach), 3), along, way, float(edge)))
    level = level_mm(around.stack_mm)
    return [
        _joint(layout, site, other, ends, width, (along, way), edge, level) for _, along, way, edge in sorted(options)
    ]


def _line(ends: tuple[Floats, Floats], along: int, width: float) -> tuple[Floats, Floats]:
    """Where a joint's middle begins and ends: in one line, where its width covers both places at which it is joined."""
    start, stop = (np.array(end, dtype=float) for end in ends)
    if abs(start[1 - along] - stop[1 - along]) / 2 <= max(width / 2 - COVER_MM, 0.0):
        start[1 - along] = stop[1 - along] = (start[1 - along] + stop[1 - along]) / 2
    return start, stop


def _joint(
    layout: Layout, site: Site, other: Site, ends: tuple[Floats, Floats], width: float, round_: tuple[int, int],
    edge: float, level: float,
) -> Joint:  # fmt: skip
    """The joint round one side."""
    along = round_[0]
    start, stop = _line(ends, along, width)
    heights = tuple(face_mm(layout, each, level_mm=level) for each in (site, other))
    corner = start.copy()
    corner[1 - along] = stop[1 - along]
    out = corner.copy()
    out[along] = edge
    flat = [(start, heights[0]), (corner, heights[0]), (out, heights[0]), (out, heights[1]), (stop, heights[1])]
    path = np.array([_solid(layout, p, h) for p, h in flat])
    # Square to the edge; what its width does not cover needs a piece of its own along the face.
    bent = abs(start[1 - along] - stop[1 - along]) > 0.0
    lines = ([path[:2]] if bent else []) + [path[1:]]
    outlines = tuple(_ribbon(line, width, layout.axis) for line in lines)
    lengths = tuple(_cut(float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())) for line in lines)
    return Joint(
        site, other, path, np.array([_solid(layout, p, h) for p, h in zip(ends, heights, strict=True)]), outlines,
        lengths, width,
        float(sum(np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in lines)),
        (path[2] + path[3]) / 2, tuple(OVERHANG_MM + float(length) for length in
                                       np.linalg.norm(np.diff(path[1:4], axis=0), axis=1).cumsum()), round_, level,
    )  # fmt: skip


def _cut(length: float) -> float:
    return float(np.ceil((length + 2 * OVERHANG_MM) / CUT_STEP_MM - 1e-6) * CUT_STEP_MM)


def _solid(layout: Layout, point: Floats, height: float) -> Floats:
    """A point of a face in the compartment's axes."""
    out = np.zeros(3)
    out[list(lateral_axes(layout.axis))] = point
    out[layout.axis] = height
    return out


def _ribbon(line: Floats, width: float, axis: int) -> Floats:
    """Closed outline of flat metal along a line that folds, with the overhang at both ends."""
    way = line[1] - line[0]
    side = np.cross(way, np.eye(3)[axis])
    half = side / np.linalg.norm(side) * width / 2
    first = line[0] - way / np.linalg.norm(way) * OVERHANG_MM
    back = line[-1] - line[-2]
    last = line[-1] + back / np.linalg.norm(back) * OVERHANG_MM
    middle = [first, *line[1:-1], last]
    return np.array([*(p + half for p in middle), *(p - half for p in reversed(middle))])


def bodies(joint: Joint, layout: Layout) -> list[MetalPrism]:
    """Its stretches between folds, in space."""
    axes = lateral_axes(layout.axis)
    return [body for outline in joint.outlines_mm for body in bodies_of(outline, axis=layout.axis, axes=axes)]


def under(
    layout: Layout, mine: Sequence[MetalPrism], module: int, group: Ints, *,
    near_mm: float = 2 * level_mm(END_STACK_MM),
) -> tuple[str, int] | None:
    """What flat metal passes over and may not, a fastener or a vent, and of which cell; None where nothing is."""
    cells = np.flatnonzero((layout.module == module) & (group >= 0))
    size, found = layout.size, list[tuple[str, NDArray[np.object_]]]()
    if size.over_mm:
        for plus in (True, False):
            middle = terminals_mm(layout, cells, np.ones(len(cells), dtype=np.int64), positive=plus)
            found.append(("a fastener", shapely.buffer(shapely.points(middle), button_mm(size) / 2)))
    if size.vent_mm:
        middle = layout.centres_mm[cells][:, list(lateral_axes(layout.axis))]
        found.append(("the vent", shapely.buffer(shapely.points(middle), size.vent_mm / 2)))
    height, half = layout.centres_mm[cells, layout.axis], layout.extents_mm[cells, layout.axis] / 2
    for what, shapes in found:
        for body in (body for body in mine if body.high_mm - body.low_mm < 1e-6):
            # Vents and studs of cells with both terminals on one end are on their high ends.
            off = body.low_mm - height if size.same_end else np.abs(body.low_mm - height)
            hit = np.flatnonzero((np.abs(off - half) < near_mm) & shapely.intersects(shapes, body.shape))
            if len(hit):
                return what, int(cells[hit[0]])
    return None


Laid = tuple[Joint, list[MetalPrism]]


def _apart_mm(mine: Sequence[MetalPrism], theirs: Sequence[MetalPrism]) -> float:
    """Least free distance between two lots of bodies [mm]."""
    shapes, low, high = zip(*(
        (np.array([b.shape for b in lot]), *np.array([(b.low_mm, b.high_mm) for b in lot]).T) for lot in (mine, theirs)
    ), strict=True)  # fmt: skip
    along = np.maximum(low[0][:, None] - high[1], low[1] - high[0][:, None]).clip(min=0.0)
    return float(np.hypot(along, shapely.distance(shapes[0][:, None], shapes[1])).min())


def _faults(layout: Layout, laid: Laid, others: Sequence[Laid], around: Around) -> list[Fault]:
    """What is too near to a joint: others of different potential, on a face or in the slots, and walls."""
    joint, mine = laid
    found: list[Fault] = []
    name, face = name_of(joint.exit, before=around.before), face_name(layout, joint.exit)
    for other, theirs in others:
        apart = _apart_mm(mine, theirs)
        if apart < around.gap_mm - 1e-6:
            text = (
                f"joints of {name_of(other.exit, before=around.before)} and {name} to other layers on face {face} are "
                f"{apart:.2f} mm apart, {around.gap_mm:g} mm are asked"
            )
            found.append(Fault(max(joint.first, other.first), max(joint.exit.last, other.exit.last), text, apart))
    backs = [other for other, _ in others if other.exit.module == joint.exit.module and other.round_ != joint.round_]
    for other in (other for other in backs if joint.inside and other.inside == joint.inside):
        text = (
            f"joints of {name_of(other.exit, before=around.before)} and {name} lie between the same two layers and go "
            f"round different edges: layers that lie open to be joined close round one edge alone"
        )
        found.append(Fault(max(joint.first, other.first), max(joint.exit.last, other.exit.last), text))
    covered = under(layout, mine, joint.exit.module, around.group, near_mm=2 * joint.level_mm)
    if covered is not None:
        what, cell = covered
        text = f"the joint of {name} to another layer on face {face} passes over {what} of cell {cell}"
        found.append(Fault(joint.first, joint.exit.last, text))
    room = around.room
    if room is not None and not all(keeps_off(b, room, axis=layout.axis, gap_mm=around.gap_mm) for b in mine):
        text = (
            f"the joint of {name} to another layer on face {face} comes nearer than {around.gap_mm:g} mm to a wall or "
            f"keep-out"
        )
        found.append(Fault(joint.first, joint.exit.last, text))
    return found
