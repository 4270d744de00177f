"""Compartments and keep-outs of any shape: closed meshes, what is free across an axis, and what they hide."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry import box as rectangle

from optimizer.base.arrays import Floats, Ints

if TYPE_CHECKING:
    from optimizer.fit.region.compartment import Compartment, KeepOut


#: Meshes of more triangles are thinned out for placement, and what is free is drawn back by twice the most that a
#: surface may have moved [mm]. The proof measures against the mesh as it was read.
MANY = 4000
THIN_MM = 0.02

#: What curves are cut into stays this near to them, on the safe side [mm].
SMOOTH_MM = 0.005


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed body whose surface is triangles, seen from outside in turn to the left.

    Parameters
    ----------
    vertices_mm : ndarray, shape (n, 3)
        In the compartment's axes [mm].
    faces : ndarray of int, shape (m, 3)
    digest : str
        Hash of both; solids of equal digest are equal.
    slack_mm : float
        By how much the true surface may lie off the triangles, where those stand for a curved one [mm].
    origin_mm : tuple of float
        By how much it was moved from where its file has it [mm].
    """

    vertices_mm: Floats
    faces: Ints
    digest: str
    slack_mm: float = 0.0
    origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __hash__(self) -> int:
        return hash(self.digest)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Solid) and self.digest == other.digest

    @property
    def extent_mm(self) -> tuple[tuple[float, float], ...]:
        """Lowest and highest coordinate along x, y and z [mm]."""
        low, high = self.vertices_mm.min(axis=0), self.vertices_mm.max(axis=0)
        return tuple((float(a), float(b)) for a, b in zip(low, high, strict=True))

    @property
    def triangles(self) -> Floats:
        """Corners of the faces, shape (m, 3, 3) [mm]."""
        return self.vertices_mm[self.faces]

    @property
    def volume_mm3(self) -> float:
        """Sum of the signed tetrahedra to the middle [mm³]."""
        a, b, c = np.moveaxis(self.triangles - self.vertices_mm.mean(axis=0), 1, 0)
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)

    @property
    def base_mm(self) -> float:
        """Lowest height [mm]."""
        return self.extent_mm[2][0]

    @property
    def depth_mm(self) -> float:
        """Height along z [mm]."""
        return self.extent_mm[2][1] - self.extent_mm[2][0]

    @property
    def outline_mm(self) -> tuple[tuple[float, float], ...]:
        """Rectangle around it along x and y [mm]."""
        (x0, x1), (y0, y1), _ = self.extent_mm
        return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


@lru_cache(maxsize=64)
def body(solid: Solid, axis: int = 2) -> tuple[Any, float]:
    """The solid for boolean work with an axis turned upright, and how far its surface may be off [mm].

    Raises
    ------
    ValueError
        If the triangles do not close.
    """
    import manifold3d

    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(solid.vertices_mm),
        tri_verts=np.ascontiguousarray(solid.faces, dtype=np.uint64),
    )
    made = manifold3d.Manifold(mesh)
    if made.status() != manifold3d.Error.NoError:
        raise ValueError(f"the triangles do not close: {made.status().name}")
    off = solid.slack_mm
    if len(solid.faces) > MANY:
        made, off = made.simplify(THIN_MM), off + 2.0 * THIN_MM
    matrix = np.zeros((3, 4))
    for row, source in enumerate((*(k for k in range(3) if k != axis), axis)):
        matrix[row, source] = 1.0
    return made.transform(matrix), off


@lru_cache(maxsize=4096)
def free_across(solid: Solid, axis: int, low_mm: float, high_mm: float) -> shapely.Geometry:
    """Points across an axis from which a line between two heights stays inside, in the two other axes.

    Everything in the slab that is not the solid casts a shadow along the axis; what no shadow falls on is free.
    """
    import manifold3d

    upright, off = body(solid, axis)
    x0, y0, z0, x1, y1, z1 = upright.bounding_box()
    if low_mm < z0 or high_mm > z1:
        return MultiPolygon()
    slab = manifold3d.Manifold.cube((x1 - x0 + 2.0, y1 - y0 + 2.0, high_mm - low_mm))
    rest = slab.translate((x0 - 1.0, y0 - 1.0, low_mm)) - upright
    return drawn_back(rectangle(x0, y0, x1, y1).difference(_plane(rest.project())), off)


@lru_cache(maxsize=4096)
def hidden(solid: Solid, axis: int, low_mm: float, high_mm: float) -> shapely.Geometry:
    """What a solid hides, seen along an axis, of the slab between two heights, in the two other axes."""
    upright, off = body(solid, axis)
    part = upright.trim_by_plane((0.0, 0.0, 1.0), low_mm).trim_by_plane((0.0, 0.0, -1.0), -high_mm)
    if part.is_empty():
        return MultiPolygon()
    shade = _plane(part.project())
    return shade if off <= 0 else shade.buffer(off, join_style="mitre")


@lru_cache(maxsize=64)
def silhouette(solid: Solid, axis: int) -> shapely.Geometry:
    """Outline of a solid seen along an axis, in the two other axes."""
    return _plane(body(solid, axis)[0].project())


def _plane(flat: Any) -> shapely.Geometry:
    """A plane section of the boolean library as a shape."""
    loops = [shapely.linearrings(loop) for loop in flat.to_polygons() if len(loop) >= 3]
    return shapely.build_area(shapely.geometrycollections(loops)) if loops else MultiPolygon()


def drawn_back(shape: shapely.Geometry, off_mm: float) -> shapely.Geometry:
    """A free section with fewer corners and clear of what its surface may be off, never larger than it was."""
    if shapely.get_num_coordinates(shape) > 120:
        shape = shape.simplify(SMOOTH_MM)
        off_mm += SMOOTH_MM
    return shape if off_mm <= 0 else shape.buffer(-off_mm, join_style="mitre")


def heights(solid: Solid, axis: int) -> list[float]:
    """Heights at which corners lie, where they are few: there sections may change [mm]."""
    found = np.unique(np.round(solid.vertices_mm[:, axis], 6))
    return [float(x) for x in found] if len(found) <= 24 else []


def whole(part: Compartment | KeepOut) -> Any:
    """A compartment without its keep-outs, or a keep-out, as a body for boolean work."""
    import manifold3d

    if part.solid is not None:
        return body(part.solid)[0]
    flat = manifold3d.CrossSection([np.asarray(Polygon(part.profile_mm).normalize().exterior.coords)[:-1][::-1]])
    if flat.area() <= 0:
        flat = manifold3d.CrossSection([np.asarray(Polygon(part.profile_mm).normalize().exterior.coords)[:-1]])
    prism = manifold3d.Manifold.extrude(flat, part.depth_mm)
    matrix = np.zeros((3, 4))
    for row, target in enumerate((*(k for k in range(3) if k != part.extrude), part.extrude)):
        matrix[target, row] = 1.0
    matrix[:, 3] = getattr(part, "origin_mm", (0.0, 0.0, 0.0))
    return prism.transform(matrix)


def free_volume_mm3(room: Compartment) -> float:
    """Volume of a compartment less its keep-outs by boolean work [mm³]."""
    rest = whole(room)
    for keep_out in room.keep_outs:
        rest = rest - whole(keep_out)
    return float(rest.volume())
