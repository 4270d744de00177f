"""Independent proof that a layout is sound: other code than what places cells.

Two cells are apart when they keep the gap across their axis or the gap along it; a cell is clear of a wall or
a keep-out when its body, grown by the clearances, stays inside or outside. Everything is measured afresh from
centres and sizes, with a k-d tree and shapely.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely.geometry import Polygon

from optimizer.base.arrays import Flags
from optimizer.fit.placement.proof_solid import TOLERANCE_MM as SURFACE_MM
from optimizer.fit.placement.proof_solid import gaps_to_surface
from optimizer.fit.placement.proof_solid import inside as within
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.fit.region.solid import Solid

if TYPE_CHECKING:
    from optimizer.fit.region.compartment import Compartment, KeepOut

Array = NDArray[np.float64]
Index = NDArray[np.int64]
TOLERANCE_MM = 1e-6


@dataclass(frozen=True)
class Proof:
    """Verdict on a layout.

    Parameters
    ----------
    least_gap_cell_mm, least_gap_wall_mm, least_gap_keep_out_mm : float
        Least distance from the surface of a cell to that of its neighbour, to a wall, and to a keep-out
        [mm]; infinite where there is nothing to keep away from.
    faults : tuple of str
        What is wrong, in words; empty when ok.
    """

    ok: bool
    least_gap_cell_mm: float
    least_gap_wall_mm: float
    least_gap_keep_out_mm: float
    faults: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Bodies:
    """Cells as measured: centres, half sizes, own axis, clearance to case or wall along x, y and z."""

    centre: Array
    half: Array
    axis: Index
    grow: Array
    round: bool


def prove(layout: Layout, compartment: Compartment, clearance: Clearance) -> Proof:
    """Check every distance of a layout in the compartment that it claims to fit, and every gap, to 1e-6 mm."""
    faults = _malformed(layout)
    if faults:
        return Proof(False, -np.inf, -np.inf, -np.inf, tuple(faults))
    if layout.cells == 0:
        return Proof(True, np.inf, np.inf, np.inf, ())
    bodies = _measure(layout, clearance)
    gap_cell, wrong = _between_cells(bodies, layout.module, clearance)
    gap_wall, outside = _to_walls(bodies, compartment, clearance.wall_mm)
    faults += wrong + outside
    gap_keep_out = np.inf
    for keep_out in compartment.keep_outs:
        gap, hit = _to_keep_out(bodies, keep_out, clearance.wall_mm)
        gap_keep_out = min(gap_keep_out, gap)
        faults += hit
    return Proof(not faults, float(gap_cell), float(gap_wall), float(gap_keep_out), tuple(faults))


def _dimensions(size: CellSize) -> tuple[float, float, float]:
    if size.shape == "cylinder":
        return size.length_mm, size.diameter_mm, size.diameter_mm
    return size.length_mm, size.width_mm, size.thickness_mm


def _malformed(layout: Layout) -> list[str]:
    """Faults of the layout's own arrays: wrong shapes, numbers that are none, cells of the wrong size."""
    n = len(layout.centres_mm)
    shapes = [np.shape(a) for a in (layout.centres_mm, layout.extents_mm, layout.layer, layout.module)]
    if shapes != [(n, 3), (n, 3), (n,), (n,)] and n:
        return [f"arrays of shapes {shapes} do not describe {n} cells"]
    if not (np.isfinite(layout.centres_mm).all() and np.isfinite(layout.extents_mm).all()):
        return ["a position or size is not a number"]
    if layout.axis not in (0, 1, 2):
        return [f"axis {layout.axis} is none of 0, 1, 2"]
    wanted = np.sort(_dimensions(layout.size))
    if n and np.abs(np.sort(layout.extents_mm, axis=1) - wanted).max() > TOLERANCE_MM:
        return ["a cell is not as large as its size says"]
    return []


def _measure(layout: Layout, clearance: Clearance) -> _Bodies:
    """Own axis of each cell (the one its length lies along), and the case or end stack around it."""
    off = np.abs(layout.extents_mm - layout.size.length_mm)
    axis = np.where(off[:, layout.axis] <= TOLERANCE_MM, layout.axis, np.argmin(off, axis=1))
    grow = np.full((layout.cells, 3), clearance.case_mm)
    grow[np.arange(layout.cells), axis] = clearance.along_mm
    half = layout.extents_mm / 2
    return _Bodies(layout.centres_mm, half, axis, grow, layout.size.shape == "cylinder")


def _between_cells(bodies: _Bodies, module: Index, clearance: Clearance) -> tuple[float, list[str]]:
    """Least gap between neighbours, and the pairs that stand too close."""
    reach = bodies.half.max(axis=0) * 2 + 2 * bodies.grow.max(axis=0)
    reach += clearance.cell_gap_mm + clearance.module_gap_mm
    tree = KDTree(bodies.centre / reach)
    pairs = tree.query_pairs(1.01, p=np.inf, output_type="ndarray")
    if not len(pairs):
        return np.inf, []
    i, j = pairs.T
    gap = np.abs(bodies.centre[i] - bodies.centre[j]) - bodies.half[i] - bodies.half[j]
    distance = np.linalg.norm(np.maximum(gap, 0.0), axis=1)
    parallel = bodies.axis[i] == bodies.axis[j]
    ends = np.arange(3)[None, :] == bodies.axis[i][:, None]
    needed = np.where(ends & parallel[:, None], 2 * clearance.along_mm, clearance.cell_gap_mm)
    apart = (gap >= needed - TOLERANCE_MM).any(axis=1)
    if bodies.round:
        across = np.where(ends, 0.0, bodies.centre[i] - bodies.centre[j])
        radial = np.linalg.norm(across, axis=1) - bodies.half.min(axis=1)[i] - bodies.half.min(axis=1)[j]
        along = np.where(ends, gap, -np.inf).max(axis=1)
        true = np.hypot(np.maximum(radial, 0.0), np.maximum(along, 0.0))
        touching = (radial < 0) & (along < 0)
        distance = np.where(parallel, np.where(touching, np.maximum(radial, along), true), distance)
        ends_apart = along >= 2 * clearance.along_mm - TOLERANCE_MM
        apart = np.where(parallel, (radial >= clearance.cell_gap_mm - TOLERANCE_MM) | ends_apart, apart)
    cases = bodies.grow[i] + bodies.grow[j] + clearance.module_gap_mm
    other = module[i] != module[j]
    apart = np.where(other, (gap >= cases - TOLERANCE_MM).any(axis=1), apart)
    wrong = np.flatnonzero(~apart)
    text = [f"cells {i[k]} and {j[k]} stand too close ({distance[k]:.6f} mm)" for k in wrong[:5]]
    if len(wrong) > 5:
        text.append(f"and {len(wrong) - 5} more pairs")
    return float(distance.min()), text


def _plane(extrude: int) -> tuple[int, int]:
    """The axes of a profile that is extruded along `extrude`."""
    return ((1, 2), (0, 2), (0, 1))[extrude]


def _rectangles(bodies: _Bodies, u: int, v: int, grow: Array) -> NDArray[np.object_]:
    """Outlines of the cells, grown, in the plane of two axes."""
    low, high = bodies.centre - bodies.half - grow, bodies.centre + bodies.half + grow
    return np.asarray(shapely.box(low[:, u], low[:, v], high[:, u], high[:, v]))


def _to_walls(bodies: _Bodies, compartment: Compartment, wall: float) -> tuple[float, list[str]]:
    """Least gap to the walls, and the cells that come too close to one or leave the compartment."""
    if compartment.solid is not None:
        return _to_solid(bodies, compartment.solid, wall, "a wall", inner=True)
    e = compartment.extrude
    u, v = _plane(e)
    profile = Polygon(compartment.profile_mm)
    margin = bodies.grow + wall
    low = (bodies.centre - bodies.half)[:, e]
    high = compartment.depth_mm - (bodies.centre + bodies.half)[:, e]
    gap = np.minimum(low, high)
    inside = gap >= margin[:, e] - TOLERANCE_MM
    stands = bodies.round & (bodies.axis == e)
    spot = shapely.points(bodies.centre[:, u], bodies.centre[:, v])
    shapely.prepare(profile)
    to_edge = shapely.distance(profile.exterior, spot)
    to_edge = np.where(shapely.covers(profile, spot), to_edge, -to_edge)
    radius = bodies.half[:, u]
    round_inside = to_edge - radius >= margin[:, u] - TOLERANCE_MM
    outline = _rectangles(bodies, u, v, margin - TOLERANCE_MM)
    inside &= np.where(stands, round_inside, shapely.covers(profile, outline))
    bare = _rectangles(bodies, u, v, np.zeros_like(margin))
    side = np.where(shapely.covers(profile, bare), shapely.distance(profile.exterior, bare), 0.0)
    gap = np.minimum(gap, np.where(stands, to_edge - radius, side))
    wrong = np.flatnonzero(~inside)
    text = [f"cell {k} is too close to a wall or outside ({gap[k]:.6f} mm)" for k in wrong[:5]]
    return float(gap.min()), text + ([f"and {len(wrong) - 5} more cells"] if len(wrong) > 5 else [])


def _to_keep_out(bodies: _Bodies, keep_out: KeepOut, wall: float) -> tuple[float, list[str]]:
    """Least gap to one keep-out, and the cells that come too close to it."""
    if keep_out.solid is not None:
        return _to_solid(bodies, keep_out.solid, wall, f"keep-out {keep_out.name}", inner=False)
    e = keep_out.extrude
    u, v = _plane(e)
    start = np.asarray(keep_out.origin_mm, dtype=float)
    profile = Polygon([(a + start[u], b + start[v]) for a, b in keep_out.profile_mm])
    margin = bodies.grow + wall
    below = start[e] - (bodies.centre + bodies.half)[:, e]
    above = (bodies.centre - bodies.half)[:, e] - (start[e] + keep_out.depth_mm)
    along = np.maximum(below, above)
    spot = shapely.points(bodies.centre[:, u], bodies.centre[:, v])
    stands = bodies.round & (bodies.axis == e)
    radius = bodies.half[:, u]
    bare = _rectangles(bodies, u, v, np.zeros_like(margin))
    in_plane = np.where(stands, shapely.distance(profile, spot) - radius, shapely.distance(profile, bare))
    grown = _rectangles(bodies, u, v, margin - TOLERANCE_MM)
    flat_clear = np.where(stands, in_plane >= margin[:, u] - TOLERANCE_MM, _area_free(profile, grown))
    clear = flat_clear | (along >= margin[:, e] - TOLERANCE_MM)
    gap = np.hypot(np.maximum(in_plane, 0.0), np.maximum(along, 0.0))
    if bodies.round:
        for k in np.flatnonzero(~stands & (~clear | (along < margin[:, e] + radius))):
            span = (start[e], keep_out.depth_mm)
            clear[k], near = _lying(bodies, int(k), profile, (u, v, e), span, margin[k])
            gap[k] = min(gap[k], near) if not clear[k] else max(gap[k], near)
    wrong = np.flatnonzero(~clear)
    text = [f"cell {k} is too close to keep-out {keep_out.name} ({gap[k]:.6f} mm)" for k in wrong[:5]]
    return float(gap.min()), text


def _to_solid(bodies: _Bodies, solid: Solid, wall: float, name: str, *, inner: bool) -> tuple[float, list[str]]:
    """Least gap to a solid's surface, and the cells that come too close to it or stand on its wrong side."""
    ends = bodies.grow[np.arange(len(bodies.axis)), bodies.axis] + wall
    gap = gaps_to_surface(
        solid, centres_mm=bodies.centre, half_mm=bodies.half, axis=bodies.axis, along_mm=ends, round_cells=bodies.round
    )
    across = bodies.grow[np.arange(len(bodies.axis)), (bodies.axis + 1) % 3] + wall
    wrong = np.flatnonzero((gap < across - SURFACE_MM) | (within(solid, bodies.centre) != inner))
    text = [f"cell {k} is too close to {name} or on its wrong side ({gap[k]:.6f} mm)" for k in wrong[:5]]
    return float(gap.min()), text + ([f"and {len(wrong) - 5} more cells"] if len(wrong) > 5 else [])


def _area_free(profile: Polygon, outlines: NDArray[np.object_]) -> Flags:
    """Whether outlines share no area with a profile."""
    return np.asarray(shapely.area(shapely.intersection(profile, outlines)) <= 0.0)


def _lying(
    bodies: _Bodies,
    k: int,
    profile: Polygon,
    axes: tuple[int, int, int],
    span: tuple[float, float],
    margin: Array,
) -> tuple[bool, float]:
    """A round cell that lies across a keep-out's extrusion: seen along its axis, is its circle clear of it?

    Returns whether it is, and the distance from its surface to what stands beside it.
    """
    u, v, e = axes
    axis = int(bodies.axis[k])
    other = v if axis == u else u
    low = bodies.centre[k, axis] - bodies.half[k, axis] - margin[axis] + TOLERANCE_MM
    high = bodies.centre[k, axis] + bodies.half[k, axis] + margin[axis] - TOLERANCE_MM
    far = 1.0 + float(np.abs(profile.bounds).max())
    band = shapely.box(low, -far, high, far) if axis == u else shapely.box(-far, low, far, high)
    pick = 1 if axis == u else 0
    gap = np.inf
    for part in shapely.get_parts(shapely.intersection(profile, band)):
        if part.area <= 0.0:
            continue
        a, b = part.bounds[pick], part.bounds[pick + 2]
        du = max(a - bodies.centre[k, other], 0.0, bodies.centre[k, other] - b)
        dw = max(span[0] - bodies.centre[k, e], 0.0, bodies.centre[k, e] - span[0] - span[1])
        gap = min(gap, float(np.hypot(du, dw)) - bodies.half[k, other])
    return gap >= margin[other] - TOLERANCE_MM, gap
