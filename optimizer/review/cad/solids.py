"""Closed solids from plane shapes: bodies and covers of printed cases with their bosses, pegs, slots and marks.

Axes are the two across the cells and the one along them; nothing here knows of compartments.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import Polygon

from optimizer.base.arrays import Floats
from optimizer.pack.case import volume as case
from optimizer.pack.case.fasteners import BOSS_HIGH_MM, BOSS_MM, HOLE_DEEP_MM, HOLE_MM
from optimizer.pack.case.outline import CaseRules, bores, rings, ties
from optimizer.review.cad import details as at
from optimizer.review.cad.details import Plan

# Corners of plane shapes lie on this grid [mm].
GRID_MM = 0.001


# Size of what is taken away where a solid touches itself [mm].
EDGE_MM = 0.6


def triangles_of(solid: Any) -> npt.NDArray[np.float32]:
    """Corners of a solid's triangles, those left out that single precision makes flat, shape (n, 3, 3) [mm]."""
    mesh = solid.to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype=np.float32)[:, :3]
    found = corners[np.asarray(mesh.tri_verts, dtype=np.int64)]
    flat = (found == np.roll(found, 1, axis=1)).all(axis=2).any(axis=1)
    return np.asarray(found[~flat])


def apart(solid: Any) -> Any:
    """A solid without places where it touches itself along an edge alone, which printers and readers refuse.

    Around each such edge a block, EDGE_MM larger than the edge, is taken away.
    """
    import manifold3d

    for _ in range(5):
        edges = _shared(triangles_of(solid))
        if not len(edges):
            break
        for ends in edges:
            least, most = ends.min(axis=0) - EDGE_MM / 2, ends.max(axis=0) + EDGE_MM / 2
            solid = solid - manifold3d.Manifold.cube(tuple(most - least)).translate(tuple(least))
    return solid


def _shared(triangles: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Ends of the edges at which more than two triangles meet, shape (n, 2, 3) [mm]."""
    corners, at = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    faces = at.reshape(-1, 3)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    found, count = np.unique(edges, axis=0, return_counts=True)
    return np.asarray(corners[found[count > 2]], dtype=float)


def raised(shape: shapely.Geometry, *, low_mm: float, high_mm: float) -> Any:
    """A plane shape as a solid between two heights, its corners on a grid of a micrometre.

    Raises
    ------
    ValueError
        If the solid's section is not as large as the shape.
    """
    import manifold3d

    clean = shapely.set_precision(shape, GRID_MM)
    loops = [
        np.asarray(ring.coords)[:-1, :2]
        for part in shapely.get_parts(shapely.orient_polygons(clean))
        if isinstance(part, Polygon)
        for ring in (part.exterior, *part.interiors)
    ]
    if not loops or high_mm <= low_mm:
        return manifold3d.Manifold()
    flat = manifold3d.CrossSection(loops, manifold3d.FillRule.Positive)
    # Trust no fill rule with a part that somebody prints: the area must be that of the shape.
    if abs(flat.area() - shape.area) > 1e-3 * shape.area + 0.05:
        raise ValueError(f"a section of {shape.area:.1f} mm² came out with {flat.area():.1f} mm²")
    return manifold3d.Manifold.extrude(flat, high_mm - low_mm).translate((0.0, 0.0, low_mm))


def _round(point: npt.ArrayLike, low: float, high: float, start: float, end: float | None = None) -> Any:
    """A round column or cone between two heights."""
    import manifold3d

    x, y = np.asarray(point, float)
    column = manifold3d.Manifold.cylinder(high - low, start, start if end is None else end, 32)
    return column.translate((float(x), float(y), low))


def joined(parts: Sequence[Any]) -> Any:
    """Solids as one."""
    import manifold3d

    # The library takes a sum with nothing for nothing.
    there = [part for part in parts if not part.is_empty()]
    return manifold3d.Manifold.batch_boolean(there, manifold3d.OpType.Add) if there else manifold3d.Manifold()


@dataclass(frozen=True)
class Heights:
    """Levels of a case along its cells [mm]: covers from low to body_low and from body_high to high."""

    low: float
    body_low: float
    cell_low: float
    cell_high: float
    body_high: float
    high: float

    @classmethod
    def of(cls, middle_mm: float, length_mm: float, rules: CaseRules) -> Heights:
        """Around cells with their middle at a height."""
        a, b = middle_mm - length_mm / 2.0, middle_mm + length_mm / 2.0
        return cls(
            a - rules.end_mm, a - rules.rim_mm, a, b, b + rules.rim_mm, b + rules.end_mm
        )


def body(plan: Plan, rules: CaseRules, z: Heights) -> Any:
    """Wall with rings and ties, as one solid without its details."""
    wall = plan.outer.difference(plan.inner)
    # Where a keep-out cuts the outline short, the wall gives way to the cells' play.
    section = wall.difference(bores(plan.seats, rules))
    if rules.webbed:
        corners, _ = ties(plan.seats, rules)
        web = [rings(plan.seats, play_mm=rules.ring_mm), *(Polygon(c.reshape(4, 2)) for c in corners)]
        section = wall.union(shapely.union_all(web).intersection(plan.inner)).difference(bores(plan.seats, rules))
    return joined([
        raised(section, low_mm=z.cell_low, high_mm=z.cell_high),
        raised(wall, low_mm=z.body_low, high_mm=z.cell_low),
        raised(wall, low_mm=z.cell_high, high_mm=z.body_high),
    ])  # fmt: skip


def drawn_back(solid: Any, outer: shapely.Geometry, rules: CaseRules, low: float, *, up: bool = True) -> Any:
    """The first layers of a solid drawn back from its outline in two steps, against elephant's foot."""
    if rules.chamfer_mm <= 0:
        return solid
    step = rules.chamfer_mm / 2.0
    for k, share in enumerate((0.75, 0.25)):
        ring = outer.buffer(1.0).difference(outer.buffer(-share * rules.chamfer_mm))
        a, b = (low + k * step, low + (k + 1) * step) if up else (low - (k + 1) * step, low - k * step)
        solid = solid - raised(ring, low_mm=a, high_mm=b)
    return solid


def with_bosses(body: Any, plan: Plan, rules: CaseRules, z: Heights, spots: npt.NDArray[np.float64]) -> Any:
    """Bosses for the covers at both ends, on a cone that carries them, with their holes."""
    if not len(spots):
        return body
    solids, holes = [], []
    for low, sign in ((z.cell_low, 1.0), (z.cell_high, -1.0)):
        for spot in spots:
            def span(a: float, b: float, r: float, s: float, low: float = low, sign: float = sign,
                     spot: Any = spot) -> Any:
                ends = low + sign * a, low + sign * b
                return _round(spot, *ends, r, s) if sign > 0 else _round(spot, ends[1], ends[0], s, r)

            solids += [span(0.0, BOSS_HIGH_MM, BOSS_MM, BOSS_MM)]
            if sign < 0:
                solids.append(span(BOSS_HIGH_MM, BOSS_HIGH_MM + BOSS_MM, BOSS_MM, 0.2))
            holes.append(span(-rules.rim_mm - 0.5, HOLE_DEEP_MM, HOLE_MM, HOLE_MM))
            if rules.lid == "snaps":
                holes.append(span(3.2, 4.6, HOLE_MM + 0.3, HOLE_MM + 0.3))
    inside = raised(plan.outer, low_mm=z.cell_low, high_mm=z.cell_high)
    clear = raised(bores(plan.seats, rules), low_mm=z.low, high_mm=z.high)
    return body + ((joined(solids) ^ inside) - clear) - joined(holes)


def cover(
    plan: Plan, rules: CaseRules, z: Heights, spots: npt.NDArray[np.float64], *, high: bool, name: str, mirrored: bool
) -> Any:
    """A cover with its pegs or screw holes and its marks, outside drawn back where it lies on the bed."""
    low, top = (z.body_high, z.high) if high else (z.low, z.body_low)
    solid = raised(plan.outer, low_mm=low, high_mm=top)
    outside, inside, sign = (z.high, z.body_high, -1.0) if high else (z.low, z.body_low, 1.0)
    for spot in spots:
        if rules.lid == "snaps":
            solid = solid + _peg(spot, inside, sign, rules.rim_mm)
        else:
            ends = sorted((outside - sign, inside + sign))
            solid = solid - _round(spot, ends[0], ends[1], case.SHANK_MM)
            edge = outside + sign * case.HEAD_HIGH_MM
            wide, thin = case.HEAD_MM, case.SHANK_MM
            if rules.cover_mm < case.HEAD_HIGH_MM + rules.nozzle_mm:
                continue  # too thin for a countersunk head: a flat one
            solid = solid - (
                _round(spot, outside, edge, wide, thin) if sign > 0 else _round(spot, edge, outside, thin, wide)
            )
    shape = at.marks(plan, rules, high=high, mirrored=mirrored, name=name,
                     holes=spots if rules.lid == "screws" else np.zeros((0, 2)))  # fmt: skip
    if not shape.is_empty:
        ends = sorted((outside, outside + sign * rules.mark_mm))
        solid = solid - raised(shape, low_mm=ends[0], high_mm=ends[1])
    return drawn_back(solid, plan.outer, rules, outside, up=not high)


def _peg(spot: npt.NDArray[np.float64], inside: float, sign: float, rim: float) -> Any:
    """A peg with a bead and a slit, which reaches past the rim and snaps into the groove of a boss."""
    import manifold3d

    def span(a: float, b: float, r: float, s: float) -> Any:
        ends = inside + sign * a, inside + sign * b
        return _round(spot, *ends, r, s) if sign > 0 else _round(spot, ends[1], ends[0], s, r)

    long, thin, bead = rim + case.PEG_DEEP_MM, case.PEG_MM, HOLE_MM + 0.15
    snaps = [span(rim + a, rim + a + 0.5, *wide) for a, wide in ((3.4, (thin, bead)), (3.9, (bead, thin)))]
    solid = joined([span(-0.2, long, thin, thin), *snaps])
    slit = manifold3d.Manifold.cube((0.7, 8.0, long - 1.0), True)
    middle = inside + sign * (long + 1.0) / 2.0
    return solid - slit.translate((float(spot[0]), float(spot[1]), middle + sign * 0.01))


def moved(second: Floats, first: Floats) -> Floats:
    """One move after another, shape (3, 4)."""
    return np.column_stack([second[:, :3] @ first[:, :3], second[:, :3] @ first[:, 3] + second[:, 3]])


def to_axes(solid: Any, axis: int) -> Any:
    """From the axes across an axis, in x, y, z order, and along it to x, y, z."""
    matrix = np.zeros((3, 4))
    for row, target in enumerate((*(k for k in range(3) if k != axis), axis)):
        matrix[target, row] = 1.0
    return solid.transform(matrix)
