"""Plates cut from sheet: one closed contour for each site, as large as its neighbours and its case leave room for.

A plate has the part of the face that lies nearer to its own cells than to others, less half the gap, less what lies
near a foreign can; inner corners have a radius, since a beam or a jet can't cut without one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import Voronoi
from shapely.geometry import Polygon

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.conductors.laid import COVER_MM, RIM_MM, directions, tap_points, weld_points
from optimizer.pack.conductors.pieces import CannotLay, Metal, Piece
from optimizer.pack.conductors.sites import LEAD_MM, Site

Shapes = NDArray[np.object_]

# Radius of outer corners; inner ones have half the gap between plates. A hair more gap than asked makes good for
# circles drawn as polygons. Metal ends so far inside the cells' own sides.
CORNER_MM = 1.0
HAIR_MM = 0.03
INSET_MM = 0.5
# Cuts beside a lead, where its current parts, from its middle [mm].
BESIDE_TAP_MM = 2.5
# Width of a slot between the two spots of a weld (common practice, no published source) [mm].
SLOT_WIDE_MM = 1.0


@dataclass(frozen=True, eq=False)
class FaceShares:
    """The face of one layer of a case, shared out among its cells.

    Parameters
    ----------
    own : ndarray of Polygon, shape (n,)
        What lies nearest to each cell.
    keep : ndarray of Polygon, shape (n,)
        What other cells' plates keep off.
    """

    own: Shapes
    keep: Shapes


def end_shapes(centre_mm: Floats, extent_mm: Floats, *, round_cells: bool, grow_mm: float = 0.0) -> Shapes:
    """Ends of cells as polygons that hold them, grown by a margin.

    Parameters
    ----------
    centre_mm, extent_mm : ndarray, shape (n, 2)
        [mm]
    grow_mm : float
        [mm]

    Returns
    -------
    ndarray of Polygon, shape (n,)
    """
    if round_cells:
        sides = 32
        turn = 2.0 * np.pi * np.arange(sides) / sides
        radius = (extent_mm[:, 0] / 2 + grow_mm) / np.cos(np.pi / sides)
        ring = np.column_stack([np.cos(turn), np.sin(turn)])
        return np.asarray(shapely.polygons(centre_mm[:, None, :] + radius[:, None, None] * ring[None]))
    low, high = centre_mm - extent_mm / 2 - grow_mm, centre_mm + extent_mm / 2 + grow_mm
    return np.asarray(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))


def share_out(centre_mm: Floats, extent_mm: Floats, *, round_cells: bool, gap_mm: float) -> FaceShares:
    """Share a face out among its cells.

    Parameters
    ----------
    centre_mm, extent_mm : ndarray, shape (n, 2)
        Of all cells of a layer of a case [mm].
    gap_mm : float
        Between plates, and between a plate and a foreign can [mm].
    """
    keep = end_shapes(centre_mm, extent_mm, round_cells=round_cells, grow_mm=gap_mm / 2)
    reach = 2.0 * float(extent_mm.max() + np.ptp(centre_mm, axis=0).max())
    area = shapely.box(*(centre_mm.min(axis=0) - reach), *(centre_mm.max(axis=0) + reach))
    if len(centre_mm) == 1:
        return FaceShares(np.array([area], dtype=object), keep)
    # Points far around close the outer cells.
    far = centre_mm.mean(axis=0) + 20.0 * reach * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])
    found = Voronoi(np.concatenate([centre_mm, far]))
    corners = [found.vertices[found.regions[k]] for k in found.point_region[: len(centre_mm)]]
    own = [shapely.intersection(shapely.MultiPoint(c).convex_hull, area) for c in corners]
    return FaceShares(np.array(own, dtype=object), keep)


def cut_sheet(
    site: Site, layout: Layout, parts: FaceShares, rows: Ints, extent_mm: Floats, *, gap_mm: float, taps: int = 1,
    slot_mm: float = 0.0,
) -> Metal:
    """The plate of a site as one contour of sheet.

    Parameters
    ----------
    parts : FaceShares
        Of the site's layer and case.
    rows : ndarray of int, shape (m,)
        Row of each of the site's ends in `parts`.
    extent_mm : ndarray, shape (m, 2)
        What of each end the sheet may cover, around its middle [mm].
    gap_mm : float
        [mm]
    taps : int
        Places at which a lead is joined, at least 1.
    slot_mm : float
        Length of a slot between the two spots of each weld; 0: none [mm].

    Raises
    ------
    CannotLay
        If too little metal is left to hold together, to cover a weld, around a slot, or for a lead beside a weld.
    """
    size, gap = layout.size, gap_mm + HAIR_MM
    own = shapely.coverage_union_all(parts.own[rows])
    around = _around(site, extent_mm, size, gap / 2)
    shapely.prepare(around)
    others = np.delete(np.arange(len(parts.keep)), rows)
    near = others[shapely.intersects(parts.keep[others], around)]
    room = shapely.difference(shapely.intersection(own, around), shapely.union_all(parts.keep[near]))
    shape = room.buffer(-gap / 2 - CORNER_MM, quad_segs=6).buffer(CORNER_MM, quad_segs=6)
    shape = shapely.simplify(shape, 0.02)
    welds = weld_points(site, size)
    leads = tap_points(site, size, welds, taps=taps)
    if site.end and len(site.cells) == 1:
        leads = _beside(shape, welds[0], leads[0], site.centre_mm[0])
        if np.hypot(*(leads[0] - welds[0])) < 2 * COVER_MM:
            raise CannotLay("the sheet leaves a lead no room beside the weld of a cell alone")
    outline = _checked(shape, np.concatenate([welds, leads]))
    x0, y0, x1, y1 = outline.bounds
    corners = np.asarray(outline.exterior.coords)[:-1]
    slots = _slots(outline, welds, site, slot_mm) if slot_mm > 0 else ()
    piece = Piece(
        corners, 1, min(x1 - x0, y1 - y0), max(x1 - x0, y1 - y0), np.arange(len(welds)), slots_mm=slots
    )  # fmt: skip
    return Metal(welds, leads, (piece,), tuple(sheet_sections(site, outline, leads, welds)))


def _beside(shape: shapely.Geometry, weld: Floats, wanted: Floats, centre: Floats) -> Floats:
    """Where a lead is joined beside a cell alone, shape (1, 2): as far from the weld as the sheet has its rim.

    Of the four ways out from the cell's centre, no farther than the place wanted, which comes first of equal ones.
    """
    room = shape.buffer(-COVER_MM - HAIR_MM)
    found: list[tuple[float, int, Floats]] = []
    for way in (np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([[0.0, -1.0], [1.0, 0.0]]), -np.eye(2),
                np.array([[0.0, 1.0], [-1.0, 0.0]])):  # fmt: skip
        reach = shapely.intersection(room, shapely.linestrings([centre, centre + way @ (wanted - centre)]))
        points = shapely.get_coordinates(reach)
        if len(points):
            far = points[int(np.argmax(np.hypot(*(points - centre).T)))]
            found.append((round(float(np.hypot(*(far - weld))), 3), -len(found), far))
    return np.asarray(max(found)[2][None] if found else wanted[None])


def _slots(outline: Polygon, welds: Floats, site: Site, length_mm: float) -> tuple[Floats, ...]:
    """Slots through the welds along the ties, so that current of the pack passes beside them."""
    turn = np.radians(directions(site)[0])
    along = np.array([np.cos(turn), np.sin(turn)]) * length_mm / 2
    across = np.array([-np.sin(turn), np.cos(turn)]) * SLOT_WIDE_MM / 2
    found = [weld + np.array([-along - across, along - across, along + across, across - along]) for weld in welds]
    if not shapely.covers(outline, shapely.buffer(shapely.polygons(np.array(found)), RIM_MM)).all():
        raise CannotLay(f"the sheet is too narrow for a slot of {length_mm:g} mm through each weld")
    return tuple(found)


def _around(site: Site, extent: Floats, size: CellSize, spare_mm: float) -> shapely.Geometry:
    """What lies over the site's own cells and between them, no further out than their sides; over a cell alone with
    terminals on one end as far as its lead, too.
    """
    grow = spare_mm - INSET_MM
    if size.shape == "cylinder":
        turn = 2.0 * np.pi * np.arange(24) / 24
        corners = (extent[0, 0] / 2 + grow) * np.column_stack([np.cos(turn), np.sin(turn)])[None]
    else:
        corners = (extent / 2 + grow)[:, None, :] * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])[None]
    rings = site.centre_mm[:, None, :] + corners
    pairs = np.concatenate([site.inside, site.across])
    hulls = []
    if len(pairs):
        both = rings[pairs].reshape(len(pairs), -1, 2)
        hulls = list(shapely.convex_hull(shapely.linestrings(both)))
    if len(site.cells) == 1 and size.same_end:
        lead = np.clip(corners[0], -LEAD_MM - grow, LEAD_MM + grow) + site.out_mm + site.centre_mm[0]
        hulls = [shapely.MultiPoint(np.concatenate([rings[0], lead])).convex_hull]
    whole = shapely.union_all([*hulls, *shapely.polygons(rings)])
    return shapely.union_all([Polygon(p.exterior) for p in shapely.get_parts(whole)])


def _checked(shape: shapely.Geometry, joints: Floats) -> Polygon:
    """The contour, when it is one and covers every joint."""
    if isinstance(shape, Polygon) and not shape.is_empty:
        bare = shapely.distance(shape.exterior, shapely.points(joints))
        if len(shape.interiors):
            raise CannotLay("the sheet would close around a cell that it does not join")
        if np.all(shapely.covers(shape, shapely.points(joints))) and np.all(bare >= COVER_MM):
            return shape
        raise CannotLay("the sheet does not cover a weld with its rim")
    raise CannotLay("the sheet would fall apart: its cells hang together by too little")


def sheet_sections(site: Site, outline: Polygon, taps: Floats, welds: Floats | None = None) -> list[Floats]:
    """Cuts half way between neighbours, square to the way there; beside a lead one on either side of it.

    Of a cell alone half way between its weld and its lead, where the welds are given.
    """
    pairs = np.concatenate([site.inside, site.across])
    if not len(pairs) and welds is not None and len(welds) == len(taps) == 1:
        return _cuts(outline, (welds + taps) / 2, taps - welds, np.full((1, 1), 2.0 * outline.length))
    if not len(pairs):
        return []
    one, two = site.centre_mm[pairs[:, 0]], site.centre_mm[pairs[:, 1]]
    step = two - one
    length = np.hypot(*step.T)[:, None]
    step, middle = step / length, (one + two) / 2
    if len(taps):
        near = np.hypot(*(middle[:, None] - taps[None]).transpose(2, 0, 1)).min(axis=1) < 2 * BESIDE_TAP_MM
        # Between neighbours that stand close half way from the lead to the weld.
        shift = np.minimum(BESIDE_TAP_MM, length[near] / 4) * step[near]
        middle = np.concatenate([middle[~near], middle[near] - shift, middle[near] + shift])
        step, length = (np.concatenate([v[~near], v[near], v[near]]) for v in (step, length))
    return _cuts(outline, middle, step, length)


def _cuts(outline: Polygon, middle: Floats, way: Floats, length: Floats) -> list[Floats]:
    """Cuts of at most a length, shape (n, 1), through the metal nearest to points, square to the ways there."""
    unit = way / np.hypot(*way.T)[:, None]
    square = np.column_stack([-unit[:, 1], unit[:, 0]]) * length / 2
    lines = shapely.linestrings(np.stack([middle - square, middle + square], axis=1))
    found = []
    for cut, centre in zip(shapely.intersection(lines, outline), shapely.points(middle), strict=True):
        parts = shapely.get_parts(cut)
        if len(parts):
            near_one = parts[int(np.argmin(shapely.distance(parts, centre)))]
            if near_one.length > CORNER_MM:
                found.append(shapely.get_coordinates(near_one)[[0, -1]])
    return found
