"""Conductors against each other, against the cells and against their case: what a builder could not lay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.base.arrays import Ints
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.layout import AXES, Layout
from optimizer.pack.conductors.cut import end_shapes
from optimizer.pack.conductors.pieces import Metal
from optimizer.pack.conductors.sites import ENTRY, EXIT, Site

TOLERANCE_MM = 1e-6
# From the can of a cell that a conductor does not join, over the insulation that lies under every conductor (ring,
# sleeve or sheet; common practice, no published source).
CAN_GAP_MM = 0.5


@dataclass(frozen=True)
class Fault:
    """Something that cannot be laid so.

    Parameters
    ----------
    first, last : int
        Groups in use, from and to, with which it is there.
    text : str
        Which conductors, where, and by how much.
    gap_mm : float
        What is left of the gap; NaN where it is no matter of a gap [mm].
    """

    first: int
    last: int
    text: str
    gap_mm: float = np.nan


def name_of(site: Site, *, before: int = 0) -> str:
    """P and the number of the group before it; where a wire goes on, + on its positive side and - on the other.

    Parameters
    ----------
    before : int
        Groups of the pack before the chain.
    """
    number = site.node + before
    mark = {EXIT: "+", ENTRY: "-"}.get(site.kind, "")
    return f"P{number}{mark}"


def face_name(layout: Layout, site: Site) -> str:
    """Such as "+y": the side of the compartment towards which the conductor lies on its cells."""
    return ("+" if site.side > 0 else "-") + AXES[layout.axis]


def faults_of(
    layout: Layout,
    sites: Sequence[Site],
    metals: Sequence[Metal | None],
    *,
    gap_mm: float,
    group: Ints,
    groups: int,
    polarity: Ints,
    before: int = 0,
) -> list[Fault]:
    """What keeps the conductors of a chain from being laid, all faces together.

    Parameters
    ----------
    sites : sequence of Site
        Of the chain.
    metals : sequence of Metal or None
        Of each site; None where nothing could be laid, which is a fault of its own.
    gap_mm : float
        Between conductors of different potential, and between a conductor and a foreign end [mm].
    group : ndarray of int, shape (n,)
        Of each cell of the layout.
    groups : int
        G of the chain.
    polarity : ndarray of int, shape (n,)
        Of each cell of the layout.
    before : int
        Groups of the pack before the chain, for names.
    """
    faces: dict[tuple[int, int, int], list[int]] = {}
    for k, site in enumerate(sites):
        if metals[k] is not None:
            faces.setdefault((site.module, site.layer, site.side), []).append(k)
    found: list[Fault] = []
    axes = list(lateral_axes(layout.axis))
    for (module, layer, _), rows in faces.items():
        pieces, owner = [], []
        for k in rows:
            metal = metals[k]
            assert metal is not None
            pieces += [shapely.Polygon(p.outline_mm) for p in metal.drawn]
            owner += [k] * len(metal.drawn)
        shapes, own = np.array(pieces, dtype=object), np.array(owner)
        here = np.flatnonzero((layout.module == module) & (layout.layer == layer) & (group >= 0))
        ends = end_shapes(
            layout.centres_mm[here][:, axes], layout.extents_mm[here][:, axes],
            round_cells=layout.size.shape == "cylinder",
        )  # fmt: skip
        where = (layout, before, gap_mm)
        found += _between(sites, shapes, own, where)
        found += _over_cells(sites, shapes, own, (here, ends, group[here], groups), where)
        found += _outside(sites, shapes, own, (here, ends), where)
        if layout.size.same_end:
            found += _other_poles(sites, shapes, own, (here, group, groups, polarity), where)
    return found


Where = tuple[Layout, int, float]


def _between(sites: Sequence[Site], shapes: NDArray[np.object_], own: Ints, where: Where) -> list[Fault]:
    """Conductors of different potential nearer to each other than the gap."""
    layout, before, gap = where
    tree = shapely.STRtree(shapes)
    a, b = tree.query(shapes, predicate="dwithin", distance=gap - TOLERANCE_MM)
    keep = own[a] < own[b]
    found = []
    for i, j in zip(a[keep].tolist(), b[keep].tolist(), strict=True):
        one, two = sites[own[i]], sites[own[j]]
        first, last = max(one.first, two.first), min(one.last, two.last)
        if one.node == two.node or first > last:
            continue
        left = float(shapely.distance(shapes[i], shapes[j]))
        if left >= gap - TOLERANCE_MM:
            continue
        state = f"are {left:.2f} mm apart" if left > 0 else "lie on each other"
        text = (
            f"{name_of(one, before=before)} and {name_of(two, before=before)} on face {face_name(layout, one)} "
            f"{state}{_spot(shapes[i], shapes[j])}, {gap:g} mm are asked"
        )
        found.append(Fault(first, last, text, left))
    return found


def _spot(one: shapely.Geometry, two: shapely.Geometry) -> str:
    """Where two shapes come nearest."""
    line = shapely.shortest_line(one, two)
    x, y = np.asarray(line.coords).mean(axis=0)
    return f" near ({x:.1f}, {y:.1f})"


def _over_cells(
    sites: Sequence[Site],
    shapes: NDArray[np.object_],
    own: Ints,
    cells: tuple[Ints, NDArray[np.object_], Ints, int],
    where: Where,
) -> list[Fault]:
    """Conductors that pass over, or too near to, an end that they do not join."""
    layout, before, _ = where
    here, ends, group, groups = cells
    tree = shapely.STRtree(ends)
    a, b = tree.query(shapes, predicate="dwithin", distance=CAN_GAP_MM)
    found = []
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        site = sites[own[i]]
        if here[j] in site.cells:
            continue
        first, last = max(site.first, int(group[j]) + 1), min(site.last, groups)
        if first > last:
            continue
        left = float(shapely.distance(shapes[i], ends[j]))
        if layout.size.shape == "cylinder":
            # The polygon holds the circle; what counts is the circle.
            centre = shapely.centroid(ends[j])
            left = float(shapely.distance(shapes[i], centre)) - layout.size.diameter_mm / 2
        if left >= CAN_GAP_MM - TOLERANCE_MM:
            continue
        state = f"comes within {left:.2f} mm of" if left > 0 else "passes over"
        text = (
            f"{name_of(site, before=before)} on face {face_name(layout, site)} {state} the end of cell {here[j]} of "
            f"group {group[j] + 1 + before}, which it does not join{_spot(shapes[i], ends[j])}, {CAN_GAP_MM:g} mm are "
            f"asked"
        )
        found.append(Fault(first, last, text, left))
    return found


def _other_poles(
    sites: Sequence[Site], shapes: NDArray[np.object_], own: Ints, cells: tuple[Ints, Ints, int, Ints], where: Where
) -> list[Fault]:
    """Conductors nearer than the gap to a terminal of other potential on the same end, or over a vent."""
    layout, before, gap = where
    here, group, groups, polarity = cells
    size, axes = layout.size, list(lateral_axes(layout.axis))
    half, found = size.terminal_mm / 2, list[Fault]()
    for plus in (True, False):
        middle = terminals_mm(layout, here, polarity[here], positive=plus)
        pads = shapely.box(*(middle - half).T, *(middle + half).T)
        for i, j in zip(*shapely.STRtree(pads).query(shapes, predicate="dwithin", distance=gap), strict=True):
            site = sites[own[i]]
            first, last = max(site.first, int(group[here[j]]) + 1), min(site.last, groups)
            left = float(shapely.distance(shapes[i], pads[j]))
            if site.node == group[here[j]] + plus or first > last or left >= gap - TOLERANCE_MM:
                continue
            text = (
                f"{name_of(site, before=before)} on face {face_name(layout, site)} is {left:.2f} mm from the "
                f"{'positive' if plus else 'negative'} terminal of cell {here[j]}, {gap:g} mm are asked"
            )
            found.append(Fault(first, last, text, left))
    if size.vent_mm > 0:
        vents = shapely.buffer(shapely.points(layout.centres_mm[here][:, axes]), size.vent_mm / 2)
        for i, j in zip(*shapely.STRtree(vents).query(shapes, predicate="intersects"), strict=True):
            site = sites[own[i]]
            text = f"{name_of(site, before=before)} on face {face_name(layout, site)} covers the vent of cell {here[j]}"
            found.append(Fault(max(site.first, int(group[here[j]]) + 1), site.last, text))
    return found


def _outside(
    sites: Sequence[Site], shapes: NDArray[np.object_], own: Ints, cells: tuple[Ints, NDArray[np.object_]], where: Where
) -> list[Fault]:
    """Conductors that stick out beyond what the case holds: the hull around the cells that they join."""
    layout, before, _ = where
    here, ends = cells
    place = {int(c): k for k, c in enumerate(here)}
    found = []
    for k in np.unique(own):
        site = sites[k]
        hull = shapely.convex_hull(shapely.geometrycollections(ends[[place[int(c)] for c in site.cells]]))
        hull = hull.buffer(10 * TOLERANCE_MM)
        if shapely.covers(hull, shapes[own == k]).all():
            continue
        rest = shapely.difference(shapely.union_all(shapes[own == k]), hull)
        if rest.area > 1e-4:
            far = max(float(hull.distance(p)) for p in shapely.points(shapely.get_coordinates(rest)))
            text = (
                f"{name_of(site, before=before)} on face {face_name(layout, site)} sticks out by {far:.2f} mm beyond "
                f"the cells that it joins"
            )
            found.append(Fault(site.first, site.last, text, -far))
    return found
