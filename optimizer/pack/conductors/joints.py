"""Joints between layers: flat metal that goes round the edge of a layer through a slot of its case.

A joint lies outside the plates, on insulation: from where it leaves the exit plate along the face if need be, straight
to the edge, folded along the cells, folded again and on to the entry plate of the next group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.region.layout import Layout
from optimizer.pack.conductors.faces import Fault, face_name, name_of
from optimizer.pack.conductors.laid import CUT_STEP_MM, OVERHANG_MM, Metal
from optimizer.pack.conductors.sites import ENTRY, EXIT, Ints, Site

Floats = NDArray[np.float64]

# Between metal and the cells' side in the slot, height of a joint over the ends of the cells, insulation under it
# (common practice, no published source), and its width where it is cut from sheet [mm].
SLOT_MM = 0.3
LEVEL_MM = 0.6
INSULATOR_MM = 0.3
SHEET_WIDTH_MM = 15.0


@dataclass(frozen=True, eq=False)
class Joint:
    """A joint from one layer to the next.

    Parameters
    ----------
    exit, entry : Site
        That it leaves and that it goes on to.
    path_mm : ndarray, shape (k, 3)
        Middle line [mm].
    outlines_mm : tuple of ndarray, shape (m, 3)
        Closed outlines of its pieces, folds included [mm].
    lengths_mm : tuple of float
        Of the pieces, folded flat, as cut [mm].
    width_mm, length_mm : float
        Of the metal; of the way that the current takes [mm].
    slot_mm : ndarray, shape (3,)
        Middle of the slot [mm].
    folds : int
    """

    exit: Site
    entry: Site
    path_mm: Floats
    outlines_mm: tuple[Floats, ...]
    lengths_mm: tuple[float, ...]
    width_mm: float
    length_mm: float
    slot_mm: Floats
    folds: int

    @property
    def first(self) -> int:
        """Groups in use from which on it is there."""
        return self.entry.first


def joints_of_chain(
    layout: Layout, sites: Sequence[Site], metals: Sequence[Metal | None], *, width_mm: float, gap_mm: float,
    group: Ints, slots: bool,
) -> tuple[list[Joint], list[Fault]]:  # fmt: skip
    """Joints of a chain, each round the side where it is shortest, and what keeps them from being laid.

    Parameters
    ----------
    layout : Layout
    sites, metals
        Of the chain.
    width_mm : float
        Of the joints' metal [mm].
    gap_mm : float
        Between joints of different potential [mm].
    group : ndarray of int, shape (n,)
        Of each cell of the layout.
    slots : bool
        Whether cases have slots.

    Returns
    -------
    list of Joint, list of Fault
    """
    entry = {site.node: k for k, site in enumerate(sites) if site.kind == ENTRY}
    joints: list[Joint] = []
    faults: list[Fault] = []
    for k, site in enumerate(sites):
        after = entry.get(site.node, -1)
        if site.kind != EXIT or after < 0 or sites[after].module != site.module:
            continue
        other = sites[after]
        if not slots:
            text = f"{name_of(site)} goes on to another layer, and the cases have no slot ([case] slot_mm)"
            faults.append(Fault(other.first, other.last, text))
        one, two = metals[k], metals[after]
        if one is not None and two is not None:
            joints.append(_joint(layout, site, other, one.tap_mm[0], two.tap_mm[0], width_mm, group))
    return joints, faults + _clashes(layout, joints, gap_mm)


def _height(layout: Layout, site: Site) -> float:
    """Of the face on its axis, joints' metal on it [mm]."""
    cell = int(site.cells[0])
    half = layout.extents_mm[cell, layout.axis] / 2
    return float(layout.centres_mm[cell, layout.axis] + site.side * (half + LEVEL_MM))


def _joint(
    layout: Layout, site: Site, other: Site, start: Floats, stop: Floats, width: float, group: Ints
) -> Joint:
    """The shortest joint over the four sides of the case's cells."""
    axes = list(lateral_axes(layout.axis))
    own = (layout.module == site.module) & (group >= 0)
    low = (layout.centres_mm[own] - layout.extents_mm[own] / 2)[:, axes].min(axis=0) - SLOT_MM
    high = (layout.centres_mm[own] + layout.extents_mm[own] / 2)[:, axes].max(axis=0) + SLOT_MM
    options = []
    for along in (0, 1):
        for edge in (low[along], high[along]):
            reach = abs(start[along] - edge) + abs(stop[along] - edge) + abs(start[1 - along] - stop[1 - along])
            options.append((round(float(reach), 3), along, float(edge)))
    _, along, edge = min(options)
    heights = _height(layout, site), _height(layout, other)
    corner = start.copy()
    corner[1 - along] = stop[1 - along]
    out = corner.copy()
    out[along] = edge
    flat = [(start, heights[0]), (corner, heights[0]), (out, heights[0]), (out, heights[1]), (stop, heights[1])]
    path = np.array([_solid(layout, p, h) for p, h in flat])
    bent = abs(start[1 - along] - stop[1 - along]) > width / 2
    lines = ([path[:2]] if bent else []) + [path[1:] if bent else path[[0, 2, 3, 4]]]
    outlines = tuple(_ribbon(line, width, layout.axis) for line in lines)
    lengths = tuple(_cut(float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())) for line in lines)
    return Joint(
        site, other, path, outlines, lengths, width,
        float(sum(np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in lines)),
        (path[2] + path[3]) / 2, 2,
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


def flat_parts(joint: Joint, layout: Layout, site: Site) -> shapely.Geometry:
    """What of a joint lies on the face of a site, in its plane."""
    axes = list(lateral_axes(layout.axis))
    height = _height(layout, site)
    parts = []
    for outline in joint.outlines_mm:
        on = np.abs(outline[:, layout.axis] - height) < 1e-6
        if on.sum() >= 3:
            parts.append(shapely.MultiPoint(outline[on][:, axes]).convex_hull)
    return shapely.union_all(parts)


def _clashes(layout: Layout, joints: Sequence[Joint], gap_mm: float) -> list[Fault]:
    """Joints of different potential that come too near to each other on a face, or in the slots."""
    found = []
    for k, one in enumerate(joints):
        for two in joints[:k]:
            apart = float(np.hypot(*_between(layout, one, two)))
            for a in (one.exit, one.entry):
                for b in (two.exit, two.entry):
                    if (a.module, a.layer, a.side) == (b.module, b.layer, b.side):
                        left = flat_parts(one, layout, a).distance(flat_parts(two, layout, b))
                        apart = min(apart, float(left))
            if apart < gap_mm - 1e-6:
                text = (
                    f"joints of {name_of(two.exit)} and {name_of(one.exit)} to other layers on face "
                    f"{face_name(layout, one.exit)} are {max(apart, 0.0):.2f} mm apart, {gap_mm:g} mm are asked"
                )
                found.append(Fault(max(one.first, two.first), max(one.exit.last, two.exit.last), text, apart))
    return found


def _between(layout: Layout, one: Joint, two: Joint) -> tuple[float, float]:
    """Free distance of two joints' stretches in the slots, across and along the cells' axis [mm]."""
    if one.exit.module != two.exit.module:
        return np.inf, np.inf
    axes = list(lateral_axes(layout.axis))
    (a0, a1), (b0, b1) = (np.sort(j.path_mm[2:4, layout.axis]) for j in (one, two))
    along = max(b0 - a1, a0 - b1, 0.0)
    across = float(np.hypot(*(one.slot_mm - two.slot_mm)[axes]))
    return max(across - (one.width_mm + two.width_mm) / 2, 0.0), float(along)
